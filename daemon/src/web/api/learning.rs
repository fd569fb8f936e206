//! What was learned from the bakes.

use axum::Json;
use axum::extract::{Path, State};
use axum::response::Response;
use serde_json::Value;

use crate::app::App;
use crate::events::Event;
use crate::store::CalibrationRow;
use crate::web::problem::{Problem, done};
use crate::web::{Shared, Web};

/// Every filed calibration, oldest first.
#[utoipa::path(get, path = "/api/v1/calibrations", tag = "learning",
    responses((status = 200, description = "Calibrations with `version`, `at`, `stages`, `doc`, `in_force`", body = Vec<Object>)))]
pub async fn calibrations(State(web): State<Shared>) -> Result<Json<Vec<CalibrationRow>>, Problem> {
    web.off(|web| Ok(Json(web.app.store.calibrations()?))).await
}

/// Puts an earlier calibration in force, until the next is filed.
#[utoipa::path(post, path = "/api/v1/calibrations/{version}/roll-back", tag = "learning",
    params(("version" = i64, Path, description = "Its version")),
    responses(
        (status = 204, description = "In force"),
        (status = 404, description = "No such version", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn roll_back(
    State(web): State<Shared>,
    Path(version): Path<i64>,
) -> Result<Response, Problem> {
    web.off(move |web| go_back(web, version)).await?;
    Ok(done())
}

/// The page's and the API's way back.
pub(in crate::web) fn go_back(web: &Web, version: i64) -> Result<(), Problem> {
    if !web.app.store.roll_back_to(version)? {
        return Err(Problem::none(format!("There is no calibration {version}.")));
    }
    web.app.bus.tell(Event::Settings);
    Ok(())
}

/// Refits what the doughs have in common to every finished stage now and files it as the next
/// version.
#[utoipa::path(post, path = "/api/v1/calibrate", tag = "learning",
    responses(
        (status = 200, description = "`version`, `stages`, and `parameters` with `name`, `before`, `after`, `p10`, `p90`", body = Object),
        (status = 503, description = "The store did not answer", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn calibrate(State(web): State<Shared>) -> Result<Json<Value>, Problem> {
    web.off(|web| Ok(Json(learn(&web.app)?))).await
}

/// The page's and the API's "learn from my bakes".
pub(in crate::web) fn learn(app: &App) -> Result<Value, Problem> {
    let document = crate::forecasts::calibrate(app)?;
    app.bus.tell(Event::Settings);
    serde_json::to_value(document).map_err(|_| Problem::internal())
}

/// For every finished stage, what the forecast would have said at 25, 50 and 75 % of it, against
/// what happened.
#[utoipa::path(get, path = "/api/v1/backtest", tag = "learning",
    responses((status = 200, description = "`overall`, `by_stage` and `left_out`", body = Object)))]
pub async fn backtest(State(web): State<Shared>) -> Result<Json<Value>, Problem> {
    web.off(|web| Ok(Json(look_back(&web.app)?))).await
}

/// The page's and the API's "how close were we".
pub(in crate::web) fn look_back(app: &App) -> Result<Value, Problem> {
    let document = crate::forecasts::backtest(app)?;
    serde_json::to_value(document).map_err(|_| Problem::internal())
}

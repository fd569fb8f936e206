//! What programs ask: everything under `/api/v1`, the probes and the counters, each call
//! described for `/api/openapi.json` where it is written.

pub mod alerts;
pub mod batches;
pub mod channels;
pub mod csv;
pub mod events;
pub mod history;
pub mod learning;
pub mod plans;
pub mod probes;
pub mod push;
pub mod readings;
pub mod records;
pub mod sensors;
pub mod store;

use axum::Json;
use axum::extract::State;
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa::openapi::{Components, InfoBuilder, OpenApi};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::Shared;
use super::problem::Problem;
use crate::time::UtcMs;

/// Calls that answer at once.
pub(super) fn quick() -> OpenApiRouter<Shared> {
    OpenApiRouter::new()
        .routes(routes!(readings::readings))
        .routes(routes!(batches::batches))
        .routes(routes!(batches::batch))
        .routes(routes!(batches::forecast))
        .routes(routes!(batches::chart))
        .routes(routes!(batches::places))
        .routes(routes!(batches::doughs))
        .routes(routes!(records::records))
        .routes(routes!(alerts::alerts))
        .routes(routes!(alerts::acknowledge))
        .routes(routes!(alerts::remind))
        .routes(routes!(alerts::all_out))
        .routes(routes!(sensors::sensors))
        .routes(routes!(sensors::heard))
        .routes(routes!(sensors::assign))
        .routes(routes!(sensors::unassign))
        .routes(routes!(sensors::correction))
        .routes(routes!(channels::channels))
        .routes(routes!(channels::test))
        .routes(routes!(push::key))
        .routes(routes!(push::phones))
        .routes(routes!(push::subscribe))
        .routes(routes!(push::unsubscribe))
        .routes(routes!(history::changes))
        .routes(routes!(history::undo))
        .routes(routes!(learning::calibrations))
        .routes(routes!(learning::roll_back))
        .routes(routes!(plans::plan))
        .routes(routes!(plans::water))
        .routes(routes!(plans::oven_light))
        .routes(routes!(plans::learn_oven))
        .routes(routes!(plans::hold))
        .routes(routes!(plans::reader_table))
        .routes(routes!(store::store))
        .routes(routes!(csv::mappings))
        .routes(routes!(csv::keep))
        .routes(routes!(probes::healthz))
        .routes(routes!(probes::readyz))
        .routes(routes!(probes::status))
        .routes(routes!(probes::correct_clock))
        .routes(routes!(probes::metrics))
        .routes(routes!(description))
}

/// Calls that go through all bakes.
pub(super) fn sums() -> OpenApiRouter<Shared> {
    OpenApiRouter::new()
        .routes(routes!(learning::calibrate))
        .routes(routes!(learning::backtest))
        .routes(routes!(plans::compare))
        .routes(routes!(store::back_up))
        .routes(routes!(store::check))
}

/// The call that does not end.
pub(super) fn stream() -> OpenApiRouter<Shared> {
    OpenApiRouter::new().routes(routes!(events::events))
}

/// Calls that take a file.
pub(super) fn files() -> OpenApiRouter<Shared> {
    OpenApiRouter::new().routes(routes!(csv::take))
}

/// The description's head.
pub(super) fn describe(mut api: OpenApi) -> OpenApi {
    api.info = InfoBuilder::new()
        .title("Doughwarden")
        .version(env!("CARGO_PKG_VERSION"))
        .description(Some(
            "Times are RFC 3339 in UTC; temperatures °C, relative humidity %, masses g, rise a \
             fraction. Errors are `application/problem+json` (RFC 9457).",
        ))
        .build();
    api.components
        .get_or_insert_with(Components::new)
        .add_security_scheme(
            "key",
            SecurityScheme::Http(
                HttpBuilder::new()
                    .scheme(HttpAuthScheme::Bearer)
                    .description(Some(
                        "The access key of the configuration, where one is set.",
                    ))
                    .build(),
            ),
        );
    api
}

/// This description (OpenAPI 3.1).
#[utoipa::path(get, path = "/api/openapi.json", tag = "service",
    responses((status = 200, description = "This description (OpenAPI 3.1)", body = Object)))]
async fn description(State(web): State<Shared>) -> Json<OpenApi> {
    Json(web.description.clone())
}

/// A time in a query, if it is given.
fn time(name: &str, text: Option<&str>) -> Result<Option<UtcMs>, Problem> {
    text.filter(|t| !t.is_empty())
        .map(|t| UtcMs::parse(t).map_err(|e| Problem::bad(format!("{name}: {e}"))))
        .transpose()
}

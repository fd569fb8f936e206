//! The baker's questions: planning, water, the oven light, holding, the reader's table, comparing.

use axum::Json;
use axum::extract::{Query, State};
use axum::http::header;
use axum::response::{IntoResponse as _, Response};
use serde::Deserialize;

use crate::plans::compare::{CompareAsked, CompareDocument};
use crate::plans::hold::{HoldAsked, HoldDocument};
use crate::plans::oven::{OvenAsked, OvenDocument};
use crate::plans::plan::{PlanAsked, PlanDocument};
use crate::plans::readers::ReadersAsked;
use crate::plans::water::{WaterAsked, WaterDocument};
use crate::plans::{self, Grounds, PlanError};
use crate::web::problem::Problem;
use crate::web::{Shared, Web};

/// Asks the planning room, in the baker's zone.
pub(in crate::web) fn ask<T>(
    web: &Web,
    answer: impl FnOnce(&Grounds<'_>) -> Result<T, PlanError>,
) -> Result<T, Problem> {
    let zone = crate::display::show(&web.app)?.zone;
    Ok(plans::on(&web.app, zone, answer)?)
}

/// Answers a question off the event loop, as JSON.
async fn told<A: Send + 'static, T: Send + 'static>(
    web: Shared,
    asked: A,
    answer: impl FnOnce(&Grounds<'_>, &A) -> Result<T, PlanError> + Send + 'static,
) -> Result<Json<T>, Problem> {
    web.off(move |web| Ok(Json(ask(web, |g| answer(g, &asked))?)))
        .await
}

/// From the hour it must be on the table back to mixing.
#[utoipa::path(get, path = "/api/v1/plan", tag = "planning", params(PlanAsked),
    responses(
        (status = 200, description = "`start`, `latest_start`, `late` (the chance), `steps` (p10, p50, p90), `assumed_air`, `changes`, `evidence`, `cautions`", body = Object),
        (status = 404, description = "No such dough", body = Object, content_type = "application/problem+json"),
        (status = 422, description = "A number or a time that cannot be", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn plan(
    State(web): State<Shared>,
    Query(asked): Query<PlanAsked>,
) -> Result<Json<PlanDocument>, Problem> {
    told(web, asked, plans::plan::answer).await
}

/// The water temperature for a wanted dough temperature.
#[utoipa::path(get, path = "/api/v1/water", tag = "planning", params(WaterAsked),
    responses(
        (status = 200, description = "`water`, `ice_share`, `friction` (a difference), `measured`, `dough_within`, `cautions`", body = Object),
        (status = 422, description = "A number that cannot be", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn water(
    State(web): State<Shared>,
    Query(asked): Query<WaterAsked>,
) -> Result<Json<WaterDocument>, Problem> {
    told(web, asked, plans::water::answer).await
}

/// How long the oven light may stay on, or how a guided empty run goes. Writes nothing.
#[utoipa::path(get, path = "/api/v1/oven-light", tag = "planning", params(OvenAsked),
    responses(
        (status = 200, description = "`run` (where `since` is given), `response` (what is known of the oven), `light` (the plan)", body = Object),
        (status = 422, description = "A number or a time that cannot be", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn oven_light(
    State(web): State<Shared>,
    Query(asked): Query<OvenAsked>,
) -> Result<Json<OvenDocument>, Problem> {
    web.off(move |web| Ok(Json(oven(web, &asked, false)?)))
        .await
}

/// The same for a guided empty run (`since`), and keeps what it has taught once it is enough.
#[utoipa::path(post, path = "/api/v1/oven-light/learn", tag = "planning", params(OvenAsked),
    responses(
        (status = 200, description = "As `GET /api/v1/oven-light`", body = Object),
        (status = 422, description = "A number or a time that cannot be", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn learn_oven(
    State(web): State<Shared>,
    Query(asked): Query<OvenAsked>,
) -> Result<Json<OvenDocument>, Problem> {
    web.off(move |web| Ok(Json(oven(web, &asked, true)?))).await
}

/// The page's and the API's oven light.
pub(in crate::web) fn oven(
    web: &Web,
    asked: &OvenAsked,
    file: bool,
) -> Result<OvenDocument, Problem> {
    ask(web, |g| {
        plans::oven::ask(g, web.app.store.as_ref(), asked, file)
    })
}

/// Whether a dough can wait in the fridge, from when, and when to take it out.
#[utoipa::path(get, path = "/api/v1/hold", tag = "planning", params(HoldAsked),
    responses(
        (status = 200, description = "`answer` (`stay_out`, `fridge`, `too_late`), `latest_in`, `holds_until`, `take_out`", body = Object),
        (status = 404, description = "No such batch", body = Object, content_type = "application/problem+json"),
        (status = 409, description = "No proof is in progress", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn hold(
    State(web): State<Shared>,
    Query(asked): Query<HoldAsked>,
) -> Result<Json<HoldDocument>, Problem> {
    told(web, asked, plans::hold::answer).await
}

/// In which form.
#[derive(Debug, Default, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Form {
    /// `json` unless told, `text`, `csv` or `html`.
    format: Option<String>,
}

/// Proof times at other people's room temperatures, to paste into a recipe.
#[utoipa::path(get, path = "/api/v1/reader-table", tag = "planning", params(ReadersAsked, Form),
    responses(
        (status = 200, description = "`rows` with `bulk_min` and `final_min` (p10, p50, p90 of kitchens) and the table as `text`, `csv`, `html`; with `format`, that alone", body = Object),
        (status = 404, description = "No such dough", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn reader_table(
    State(web): State<Shared>,
    Query(asked): Query<ReadersAsked>,
    Query(form): Query<Form>,
) -> Result<Response, Problem> {
    let document = web
        .off(move |web| ask(web, |g| plans::readers::answer(g, &asked)))
        .await?;
    let typed =
        |kind: &'static str, text: String| ([(header::CONTENT_TYPE, kind)], text).into_response();
    match form.format.as_deref().unwrap_or("json") {
        "json" => Ok(Json(document).into_response()),
        "text" => Ok(typed("text/plain; charset=utf-8", document.text)),
        "csv" => Ok(typed(
            "text/csv; charset=utf-8; header=present",
            document.csv,
        )),
        // As text: it is to be copied, not shown as a page of ours.
        "html" => Ok(typed("text/plain; charset=utf-8", document.html)),
        other => Err(Problem::unprocessable(format!(
            "format: `{other}` is none of json, text, csv, html."
        ))),
    }
}

/// Groups of logged proofs against each other.
#[utoipa::path(get, path = "/api/v1/compare", tag = "planning", params(CompareAsked),
    responses(
        (status = 200, description = "`groups` with curves against clock and effective time, `pairs` with `clock_percent`, its parts `explained_percent` (temperature), `doughs_and_yeast_percent` and `left_percent` (with its interval), and `verdict`", body = Object),
        (status = 422, description = "A way of grouping, a dough or a group that cannot be", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn compare(
    State(web): State<Shared>,
    Query(asked): Query<CompareAsked>,
) -> Result<Json<CompareDocument>, Problem> {
    told(web, asked, plans::compare::answer).await
}

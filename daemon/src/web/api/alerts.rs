//! Alerts, and what one says to them.

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use serde::Deserialize;
use serde_json::Value;

use super::time;
use crate::web::Shared;
use crate::web::problem::{Problem, done};

/// A span.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Span {
    /// Raised not before (RFC 3339).
    from: Option<String>,
    /// Raised before (RFC 3339).
    to: Option<String>,
}

/// Alerts raised in a span, oldest first.
#[utoipa::path(get, path = "/api/v1/alerts", tag = "alerts", params(Span),
    responses((status = 200, description = "Alerts as sent, with `raised`, `told`, `seen`, `cleared`, `remind_at`", body = Vec<Object>)))]
pub async fn alerts(
    State(web): State<Shared>,
    Query(span): Query<Span>,
) -> Result<Json<Vec<Value>>, Problem> {
    let from = time("from", span.from.as_deref())?;
    let to = time("to", span.to.as_deref())?;
    web.off(move |web| {
        let rows = web.app.store.alerts(from, to)?;
        Ok(Json(
            rows.iter().map(crate::watch::history_document).collect(),
        ))
    })
    .await
}

fn no_alert(id: &str) -> Problem {
    Problem::none(format!("There is no alert `{id}`."))
}

/// Someone has seen it: it is not repeated.
#[utoipa::path(post, path = "/api/v1/alerts/{id}/acknowledge", tag = "alerts",
    params(("id" = String, Path, description = "The alert's id")),
    responses(
        (status = 204, description = "Noted"),
        (status = 404, description = "No such alert", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn acknowledge(
    State(web): State<Shared>,
    Path(id): Path<String>,
) -> Result<Response, Problem> {
    seen(&web, id).await?;
    Ok(done())
}

/// The page's and the API's "seen".
pub(in crate::web) async fn seen(web: &Shared, id: String) -> Result<(), Problem> {
    web.off(move |web| {
        if crate::watch::acknowledge(&web.app, &id)? {
            Ok(())
        } else {
            Err(no_alert(&id))
        }
    })
    .await
}

/// How long.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Later {
    /// Minutes; 10 unless told.
    minutes: Option<f64>,
}

/// Minutes of "remind me" unless told.
pub(in crate::web) const REMIND_MIN: f64 = 10.0;
/// The longest that can be asked for: half a day.
const REMIND_MOST_MIN: f64 = 720.0;

/// Tells it again in some minutes.
#[utoipa::path(post, path = "/api/v1/alerts/{id}/remind", tag = "alerts",
    params(("id" = String, Path, description = "The alert's id"), Later),
    responses(
        (status = 204, description = "Noted"),
        (status = 404, description = "No such alert", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn remind(
    State(web): State<Shared>,
    Path(id): Path<String>,
    Query(later): Query<Later>,
) -> Result<Response, Problem> {
    remind_in(&web, id, later.minutes.unwrap_or(REMIND_MIN)).await?;
    Ok(done())
}

/// The page's and the API's "remind me".
pub(in crate::web) async fn remind_in(
    web: &Shared,
    id: String,
    minutes: f64,
) -> Result<(), Problem> {
    if !(minutes > 0.0 && minutes <= REMIND_MOST_MIN) {
        return Err(Problem::unprocessable("Between 1 and 720 minutes."));
    }
    web.off(move |web| {
        if crate::watch::remind(&web.app, &id, minutes)? {
            Ok(())
        } else {
            Err(no_alert(&id))
        }
    })
    .await
}

/// "All out, preheating": the dough is out of the oven that has come on.
#[utoipa::path(post, path = "/api/v1/alerts/{id}/all-out", tag = "alerts",
    params(("id" = String, Path, description = "The alert's id")),
    responses(
        (status = 204, description = "Noted"),
        (status = 404, description = "No such open alert of an oven", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn all_out(
    State(web): State<Shared>,
    Path(id): Path<String>,
) -> Result<Response, Problem> {
    out(&web, id).await?;
    Ok(done())
}

/// The page's and the API's "all out".
pub(in crate::web) async fn out(web: &Shared, id: String) -> Result<(), Problem> {
    web.off(move |web| {
        if crate::watch::all_out(&web.app, &id)? {
            Ok(())
        } else {
            Err(no_alert(&id))
        }
    })
    .await
}

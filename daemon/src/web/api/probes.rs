//! Alive, ready, and the counters.

use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::{Value, json};

use crate::clock_check::{self, CorrectError};
use crate::time::UtcMs;
use crate::web::Shared;
use crate::web::problem::Problem;

impl From<CorrectError> for Problem {
    fn from(error: CorrectError) -> Self {
        match error {
            CorrectError::Store(error) => error.into(),
            CorrectError::Nonsense(_) => Self::unprocessable(error.to_string()),
        }
    }
}

/// Alive: the process answers.
#[utoipa::path(get, path = "/healthz", tag = "service",
    responses((status = 200, description = "Alive", body = String)))]
pub async fn healthz() -> &'static str {
    "alive\n"
}

/// Ready: the store writes and the broker is connected and subscribed.
#[utoipa::path(get, path = "/readyz", tag = "service",
    responses(
        (status = 200, description = "Ready", body = Object),
        (status = 503, description = "Not ready; the body says what is not", body = Object),
    ))]
pub async fn readyz(State(web): State<Shared>) -> Response {
    use std::sync::atomic::Ordering::Relaxed;
    let health = &web.app.health;
    let status = if health.ready() {
        StatusCode::OK
    } else {
        StatusCode::SERVICE_UNAVAILABLE
    };
    let body = json!({
        "store_writes": health.store_writes.load(Relaxed),
        "broker_ready": health.broker_ready.load(Relaxed),
    });
    (status, Json(body)).into_response()
}

/// How the service stands: what writes, what is connected, the copy's queue with its age and last
/// error (`copy` is null where none is configured).
#[utoipa::path(get, path = "/api/v1/status", tag = "service",
    responses((status = 200, description = "`at`, `store_writes`, `broker_ready`, `copy`: `waiting`, `oldest`, `oldest_age_s`, `dropped`, `refused`, `sent`, `last_sent`, `failing_since`, `last_error`; `clock`: `doubt` (null, `not_synchronised`, `behind_what_is_stored`), `corrected_by_s`", body = Object)))]
pub async fn status(State(web): State<Shared>) -> Json<Value> {
    use std::sync::atomic::Ordering::Relaxed;
    let app = &web.app;
    let now = app.clock.now();
    let copy = app.config.influx.as_ref().map(|_| {
        let standing = app.copy.standing();
        let age_s = standing.oldest.map(|at| now.seconds_since(at).max(0.0));
        let mut copy = json!(standing);
        copy["oldest_age_s"] = json!(age_s);
        copy
    });
    Json(json!({
        "at": now,
        "store_writes": app.health.store_writes.load(Relaxed),
        "broker_ready": app.health.broker_ready.load(Relaxed),
        "copy": copy,
        "clock": clock_check::standing(app),
    }))
}

/// What time it is.
#[derive(Debug, serde::Deserialize)]
pub struct Now {
    now: UtcMs,
}

/// Corrects the clock by somebody's word, until the machine's own agrees with it: a body
/// `{"now":"…"}`.
#[utoipa::path(post, path = "/api/v1/clock", tag = "service",
    request_body(content = Object, description = "`now`: the time, RFC 3339"),
    responses(
        (status = 200, description = "`now`, `doubt`, `corrected_by_s`", body = Object),
        (status = 422, description = "It cannot be that time", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn correct_clock(
    State(web): State<Shared>,
    Json(told): Json<Now>,
) -> Result<Json<Value>, Problem> {
    web.off(move |web| {
        clock_check::correct(&web.app, told.now)?;
        Ok(Json(clock_check::standing(&web.app)))
    })
    .await
}

/// Counters in Prometheus text.
#[utoipa::path(get, path = "/metrics", tag = "service",
    responses((status = 200, description = "OpenMetrics text", body = String)))]
pub async fn metrics(State(web): State<Shared>) -> Result<Response, Problem> {
    let app = &web.app;
    app.metrics
        .measure_copy(&app.copy.standing(), app.clock.now());
    let mut text = String::new();
    prometheus_client::encoding::text::encode(&mut text, &web.app.metrics.registry)
        .map_err(|_| Problem::internal())?;
    Ok((
        [(
            header::CONTENT_TYPE,
            "application/openmetrics-text; version=1.0.0; charset=utf-8",
        )],
        text,
    )
        .into_response())
}

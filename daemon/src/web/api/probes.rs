//! Alive, ready, and the counters.

use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::json;

use crate::web::Shared;
use crate::web::problem::Problem;

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

/// Counters in Prometheus text.
#[utoipa::path(get, path = "/metrics", tag = "service",
    responses((status = 200, description = "OpenMetrics text", body = String)))]
pub async fn metrics(State(web): State<Shared>) -> Result<Response, Problem> {
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

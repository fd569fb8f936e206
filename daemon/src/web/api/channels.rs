//! Ways to be told, each with its test.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::Response;
use serde_json::{Value, json};

use crate::web::Shared;
use crate::web::problem::{Problem, done};

/// Every way to be told, and how it stands.
#[utoipa::path(get, path = "/api/v1/channels", tag = "alerts",
    responses((status = 200, description = "One object a channel: `name`, `wakes_phone`, `last_accepted`, `last_error`, `waiting`", body = Vec<Object>)))]
pub async fn channels(State(web): State<Shared>) -> Result<Json<Vec<Value>>, Problem> {
    let all = web.off(|web| Ok(crate::notify::channels(&web.app))).await?;
    Ok(Json(
        all.into_iter()
            .map(|c| {
                json!({
                    "name": c.name, "wakes_phone": c.wakes_phone, "last_accepted": c.last_accepted,
                    "last_error": c.last_error, "waiting": c.waiting,
                })
            })
            .collect(),
    ))
}

/// Sends a test over one channel and waits for its answer.
#[utoipa::path(post, path = "/api/v1/channels/{name}/test", tag = "alerts",
    params(("name" = String, Path, description = "The channel's name")),
    responses(
        (status = 204, description = "The channel took it"),
        (status = 502, description = "It did not; `detail` has its own words", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn test(
    State(web): State<Shared>,
    Path(name): Path<String>,
) -> Result<Response, Problem> {
    crate::notify::test(&web.app, &name)
        .await
        .map_err(|e| Problem::new(StatusCode::BAD_GATEWAY, "The channel did not take it", e))?;
    Ok(done())
}

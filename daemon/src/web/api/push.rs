//! Phones whose browser can be woken by this page (Web Push).

use axum::Json;
use axum::extract::State;
use axum::response::Response;
use serde::Deserialize;
use serde_json::{Value, json};

use crate::app::App;
use crate::notify::push::{self, Subscription};
use crate::web::Shared;
use crate::web::problem::{Problem, done};

/// The key a browser subscribes with (`applicationServerKey`, base64url).
#[utoipa::path(get, path = "/api/v1/push/key", tag = "alerts",
    responses((status = 200, description = "`key`", body = Object)))]
pub async fn key(State(web): State<Shared>) -> Result<Json<Value>, Problem> {
    web.off(|web| {
        let key = push::public_key(&web.app).map_err(|why| {
            tracing::warn!(why, "no browser can subscribe");
            Problem::internal()
        })?;
        Ok(Json(json!({ "key": key })))
    })
    .await
}

/// Every phone that is signed up, without its keys.
#[utoipa::path(get, path = "/api/v1/push/phones", tag = "alerts",
    responses((status = 200, description = "`endpoint`, `name`, `on_duty`", body = Vec<Object>)))]
pub async fn phones(State(web): State<Shared>) -> Result<Json<Vec<Value>>, Problem> {
    let all = web.off(|web| Ok(push::subscriptions(&web.app))).await?;
    Ok(Json(
        all.iter()
            .map(|p| json!({"endpoint": p.endpoint, "name": p.name, "on_duty": p.on_duty}))
            .collect(),
    ))
}

/// Signs a phone up, or puts it on duty or off.
#[utoipa::path(post, path = "/api/v1/push/subscribe", tag = "alerts",
    request_body(content = Object, description = "The browser's subscription (`endpoint`, `keys`), with `name` and `on_duty`"),
    responses(
        (status = 204, description = "Signed up"),
        (status = 422, description = "It cannot work", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn subscribe(
    State(web): State<Shared>,
    Json(phone): Json<Subscription>,
) -> Result<Response, Problem> {
    web.off(move |web| push::subscribe(&web.app, phone).map_err(Problem::unprocessable))
        .await?;
    Ok(done())
}

/// Which phone.
#[derive(Debug, Deserialize)]
pub struct Phone {
    endpoint: String,
}

/// Takes a phone away.
#[utoipa::path(post, path = "/api/v1/push/unsubscribe", tag = "alerts",
    request_body(content = Object, description = "`endpoint`"),
    responses((status = 204, description = "Gone")))]
pub async fn unsubscribe(
    State(web): State<Shared>,
    Json(phone): Json<Phone>,
) -> Result<Response, Problem> {
    web.off(move |web| Ok(push::unsubscribe(&web.app, &phone.endpoint)?))
        .await?;
    Ok(done())
}

/// The page's switch: on duty or off.
pub(in crate::web) fn duty(app: &App, endpoint: &str, on: bool) -> Result<(), Problem> {
    let phone = push::subscriptions(app)
        .into_iter()
        .find(|p| p.endpoint == endpoint)
        .ok_or_else(|| Problem::none("That phone is no longer signed up."))?;
    push::subscribe(
        app,
        Subscription {
            on_duty: on,
            ..phone
        },
    )
    .map_err(Problem::unprocessable)
}

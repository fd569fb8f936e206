//! `GET events`: what happens, as it happens.

use std::convert::Infallible;
use std::time::Duration;

use axum::Extension;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum_server::ConnectionShutdown;
use futures::Stream;
use tokio_stream::StreamExt as _;
use tokio_stream::wrappers::ReceiverStream;

use crate::web::Shared;
use crate::web::problem::Problem;

/// A silent stream says "still here" this often, so that both ends notice a dead connection.
const STILL_HERE: Duration = Duration::from_secs(15);

/// Events as they happen: `readings`, `book`, `alert`, `sensors`, `forecast`, `settings`, each
/// with one JSON document, and `reset` when a client should read everything afresh. Come back with
/// `Last-Event-ID` to get what was missed.
#[utoipa::path(get, path = "/api/v1/events", tag = "events",
    params(("Last-Event-ID" = Option<String>, Header, description = "The id seen last")),
    responses(
        (status = 200, description = "The stream", body = String, content_type = "text/event-stream"),
        (status = 503, description = "Too many listen already", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn events(
    State(web): State<Shared>,
    connection: Option<Extension<ConnectionShutdown>>,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let last = headers
        .get("last-event-id")
        .map(|v| v.to_str().unwrap_or_default());
    let told = web
        .feed
        .join(last, connection.map(|Extension(c)| c))
        .ok_or_else(|| {
            Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "Too many listen already",
                "Close a page somewhere and try again.",
            )
        })?;
    let stream = ReceiverStream::new(told).map(|told| {
        Ok(Event::default()
            .id(told.id)
            .event(told.name)
            .data(told.data))
    });
    Ok(Sse::new(stream).keep_alive(KeepAlive::new().interval(STILL_HERE)))
}

//! What was changed in the book, and undoing it.

use axum::Json;
use axum::extract::{Query, State};
use axum::response::Response;
use serde::Deserialize;

use crate::app::App;
use crate::store::ChangeLogEntry;
use crate::web::Shared;
use crate::web::problem::{Problem, done};

/// Changes in one answer unless told.
const NEWEST: usize = 50;
/// Changes in one answer at most.
const MOST: usize = 1000;

/// How many.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct HowMany {
    /// So many of the newest; 50 unless told, 1000 at most.
    newest: Option<usize>,
}

/// The newest changes to the book, newest first; those with one `group` were made together.
#[utoipa::path(get, path = "/api/v1/changes", tag = "batches", params(HowMany),
    responses((status = 200, description = "Changes with `seq`, `at`, `group`, `key`, `before`, `after`", body = Vec<Object>)))]
pub async fn changes(
    State(web): State<Shared>,
    Query(how_many): Query<HowMany>,
) -> Result<Json<Vec<ChangeLogEntry>>, Problem> {
    let newest = how_many.newest.unwrap_or(NEWEST).min(MOST);
    web.off(move |web| Ok(Json(web.app.store.changes(newest)?)))
        .await
}

/// Changes made together.
#[derive(Debug, Deserialize)]
pub struct Group {
    group: i64,
}

/// Undoes changes made together, unless a later one touched the same records.
#[utoipa::path(post, path = "/api/v1/undo", tag = "batches",
    request_body(content = Object, description = "`group`: its number"),
    responses(
        (status = 204, description = "Undone; the forecast is redone"),
        (status = 409, description = "A later change stands in the way", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn undo(
    State(web): State<Shared>,
    Json(group): Json<Group>,
) -> Result<Response, Problem> {
    web.off(move |web| undo_group(&web.app, group.group))
        .await?;
    Ok(done())
}

/// The page's and the API's undo.
pub(in crate::web) fn undo_group(app: &App, group: i64) -> Result<(), Problem> {
    if crate::batches::apply::undo(app, group)? {
        Ok(())
    } else {
        Err(Problem::conflict(
            "It was changed again since, or undone already; undo the later change first.",
        ))
    }
}

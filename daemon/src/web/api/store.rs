//! The store's own state: size, room, the nightly copy; a copy and a check on request.

use axum::Json;
use axum::extract::State;
use serde_json::{Value, json};

use crate::app::App;
use crate::store::sqlite;
use crate::web::Shared;
use crate::web::problem::Problem;

fn describe(app: &App) -> Value {
    let now = app.clock.now();
    let config = &app.config.store;
    let bytes = |ending: &str| {
        let name = format!("{}{ending}", sqlite::FILE);
        std::fs::metadata(app.data_dir.join(name)).map_or(0, |meta| meta.len())
    };
    let standing = app.nightly.standing();
    let nightly = config.nightly_folder.as_ref().map(|folder| {
        json!({
            "folder": folder,
            "hour": config.nightly_hour,
            "keep": config.nightly_keep,
            "copies": standing.copies,
            "newest": standing.newest,
            "age_s": standing.age_ms(now).map(|ms| ms / 1000),
            "too_old": standing.too_old(now),
            "same_disk": standing.same_disk,
            "last_error": standing.last_error.as_ref().map(|(at, why)| json!({"at": at, "why": why})),
        })
    });
    json!({
        "schema": sqlite::SCHEMA,
        "bytes": bytes("") + bytes("-wal"),
        "free_bytes": rustix::fs::statvfs(&app.data_dir).ok().map(|fs| fs.f_bavail * fs.f_frsize),
        "writes": app.health.store_writes.load(std::sync::atomic::Ordering::Relaxed),
        "keep_days": config.keep_days,
        "commit_window_ms": config.commit_window_ms,
        "nightly": nightly,
    })
}

/// The store: its size, whether it takes readings, how the nightly copy stands (`null`: none is
/// configured).
#[utoipa::path(get, path = "/api/v1/store", tag = "store",
    responses((status = 200, description = "An object: `schema`, `bytes`, `free_bytes`, `writes`, `keep_days`, `commit_window_ms`, `nightly`", body = Object)))]
pub async fn store(State(web): State<Shared>) -> Result<Json<Value>, Problem> {
    web.off(|web| Ok(Json(describe(&web.app)))).await
}

/// Makes a nightly copy now, in the configured folder.
#[utoipa::path(post, path = "/api/v1/store/back-up", tag = "store",
    responses(
        (status = 200, description = "Made and looked through; the store's state", body = Object),
        (status = 409, description = "No folder is configured, or it cannot be used", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn back_up(State(web): State<Shared>) -> Result<Json<Value>, Problem> {
    web.off(|web| {
        crate::store::nightly::make(&web.app).map_err(Problem::conflict)?;
        Ok(Json(describe(&web.app)))
    })
    .await
}

/// Looks every page of the store through, which takes a while where years of readings are kept.
#[utoipa::path(post, path = "/api/v1/store/check", tag = "store",
    responses((status = 200, description = "`sound`, and `found`: a line for each thing that is wrong", body = Object)))]
pub async fn check(State(web): State<Shared>) -> Result<Json<Value>, Problem> {
    web.off(|web| {
        let found = sqlite::check(&sqlite::file_in(&web.app.data_dir)?)?;
        Ok(Json(json!({"sound": found.is_empty(), "found": found})))
    })
    .await
}

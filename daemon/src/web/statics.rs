//! Styles, scripts and pictures, at an address that changes with them.

use axum::Router;
use axum::extract::Path;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use doughwarden_dashboards::assets;

use super::Shared;
use super::problem::Problem;

/// Cached for a year where the address carries the files' digest.
const FOREVER: &str = "public, max-age=31536000, immutable";

pub(super) fn router() -> Router<Shared> {
    Router::new()
        .route("/assets/{version}/{name}", get(asset))
        .route("/favicon.ico", get(|| at_root("favicon.svg")))
        // A worker answers for the addresses beneath its own, so it stands at the root.
        .route("/worker.js", get(|| at_root("worker.js")))
        .route(
            "/manifest.webmanifest",
            get(|| at_root("manifest.webmanifest")),
        )
}

async fn asset(Path((version, name)): Path<(String, String)>) -> Result<Response, Problem> {
    let asset = assets::find(&name)
        .filter(|_| version == *assets::VERSION)
        .ok_or_else(|| Problem::none("There is no such file in this version."))?;
    Ok((
        [
            (header::CONTENT_TYPE, asset.media_type),
            (header::CACHE_CONTROL, FOREVER),
        ],
        asset.bytes,
    )
        .into_response())
}

/// A file at an address of its own, looked at anew each time.
async fn at_root(name: &'static str) -> Result<Response, Problem> {
    let asset = assets::find(name).ok_or_else(Problem::internal)?;
    Ok((
        [
            (header::CONTENT_TYPE, asset.media_type),
            (header::CACHE_CONTROL, "no-cache"),
        ],
        asset.bytes,
    )
        .into_response())
}

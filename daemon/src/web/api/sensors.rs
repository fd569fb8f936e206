//! Sensors as known, topics heard, and which is which.

use axum::Json;
use axum::extract::State;
use axum::response::Response;
use serde::Deserialize;
use serde_json::{Value, json};

use crate::app::App;
use crate::batches::record::Quantity;
use crate::config::sensor::{Correction, Sensor};
use crate::ingest::assign;
use crate::ingest::board::{Channel, Heard};
use crate::time::UtcMs;
use crate::web::Shared;
use crate::web::problem::{Problem, done};

fn channel(c: &Channel, now: UtcMs) -> Value {
    let age_s = c.newest.as_ref().map(|n| now.seconds_since(n.time));
    json!({
        "sensor": c.sensor,
        "quantity": c.quantity,
        "place": crate::web::pages::sensors::place_of(c),
        "newest": c.newest.as_ref().map(super::readings::record),
        "age_s": age_s,
        "silent": crate::web::pages::sensors::stale(c, now),
        "longest_gap_s": c.longest_gap_s,
        "retained_value": c.retained_value,
        "mapping": c.spec,
        "from_configuration": c.from_config,
    })
}

/// Every sensor's quantity with its newest reading and that reading's age.
#[utoipa::path(get, path = "/api/v1/sensors", tag = "sensors",
    responses((status = 200, description = "One object a sensor and quantity", body = Vec<Object>)))]
pub async fn sensors(State(web): State<Shared>) -> Json<Vec<Value>> {
    let now = web.app.clock.now();
    Json(
        web.app
            .board
            .channels()
            .iter()
            .map(|c| channel(c, now))
            .collect(),
    )
}

/// Topics that nothing claims, with what they seem to hold.
#[utoipa::path(get, path = "/api/v1/heard", tag = "sensors",
    responses((status = 200, description = "Topics with `at`, `preview`, `retained` and `guesses`", body = Vec<Object>)))]
pub async fn heard(State(web): State<Shared>) -> Json<Vec<Heard>> {
    Json(web.app.board.heard())
}

/// Makes or replaces the mapping of a sensor's quantity; the body has the fields of a
/// `[[sensor]]` entry of the configuration.
#[utoipa::path(post, path = "/api/v1/assign", tag = "sensors",
    request_body(content = Object, description = "A `[[sensor]]` entry: `name`, `topic`, `quantity`, `unit`, …"),
    responses(
        (status = 204, description = "In use from the next message on"),
        (status = 422, description = "It cannot work, or the configuration file sets it", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn assign(
    State(web): State<Shared>,
    Json(sensor): Json<Sensor>,
) -> Result<Response, Problem> {
    web.off(move |web| Ok(assign::put(&web.app, sensor)?))
        .await?;
    Ok(done())
}

/// A sensor's quantity.
#[derive(Debug, Deserialize)]
pub struct Series {
    sensor: String,
    quantity: Quantity,
}

/// Takes a mapping away; its readings stay.
#[utoipa::path(post, path = "/api/v1/unassign", tag = "sensors",
    request_body(content = Object, description = "`sensor` and `quantity`"),
    responses(
        (status = 204, description = "No longer listened to"),
        (status = 404, description = "No mapping that can be taken away", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn unassign(
    State(web): State<Shared>,
    Json(series): Json<Series>,
) -> Result<Response, Problem> {
    web.off(move |web| remove(&web.app, &series.sensor, series.quantity))
        .await?;
    Ok(done())
}

/// The page's and the API's "no longer listen".
pub(in crate::web) fn remove(app: &App, sensor: &str, quantity: Quantity) -> Result<(), Problem> {
    if assign::remove(app, sensor, quantity)? {
        Ok(())
    } else {
        Err(Problem::none(format!(
            "There is no mapping of `{sensor}` ({}) made here.",
            quantity.as_str()
        )))
    }
}

/// A correction for a sensor's quantity.
#[derive(Debug, Deserialize)]
pub struct Corrected {
    sensor: String,
    quantity: Quantity,
    from: Option<UtcMs>,
    points: Vec<[f64; 2]>,
}

/// Adds a dated correction: one pair (an offset) or two (a line) of what it shows and what is.
#[utoipa::path(post, path = "/api/v1/correction", tag = "sensors",
    request_body(content = Object, description = "`sensor`, `quantity`, `points` as `[[shown, is]]` in the stored unit, `from` (absent: now)"),
    responses(
        (status = 204, description = "In force from then on; raw values stay"),
        (status = 404, description = "No such mapping", body = Object, content_type = "application/problem+json"),
        (status = 422, description = "It cannot work, or the configuration file sets it", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn correction(
    State(web): State<Shared>,
    Json(c): Json<Corrected>,
) -> Result<Response, Problem> {
    web.off(move |web| {
        let from = c.from.unwrap_or_else(|| web.app.clock.now());
        correct(
            &web.app,
            &c.sensor,
            c.quantity,
            Correction {
                from,
                points: c.points,
            },
        )
    })
    .await?;
    Ok(done())
}

/// The page's and the API's correction.
pub(in crate::web) fn correct(
    app: &App,
    sensor: &str,
    quantity: Quantity,
    correction: Correction,
) -> Result<(), Problem> {
    let ok = matches!(correction.points.len(), 1 | 2)
        && correction.points.iter().flatten().all(|v| v.is_finite())
        && (correction.points.len() == 1
            || (correction.points[0][0] - correction.points[1][0]).abs() > 1e-9);
    if !ok {
        return Err(Problem::unprocessable(
            "A correction is one pair, or two pairs at different values, of what it shows and what is.",
        ));
    }
    let (mut spec, _) = assign::all(app)?
        .into_iter()
        .find(|(s, _)| s.name == sensor && s.quantity == quantity)
        .ok_or_else(|| {
            Problem::none(format!(
                "`{sensor}` (`{}`) is not mapped.",
                quantity.as_str()
            ))
        })?;
    spec.correction.push(correction);
    spec.correction.sort_by_key(|c| c.from);
    Ok(assign::put(app, spec)?)
}

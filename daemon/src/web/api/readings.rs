//! `GET readings`: raw or in equal stretches of time.

use axum::Json;
use axum::extract::{Query, State};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use super::time;
use crate::batches::record::{Quantity, Reading, Record};
use crate::store::{ReadingQuery, StoredReading};
use crate::time::{HOUR_MS, UtcMs};
use crate::web::Shared;
use crate::web::problem::Problem;

/// Readings in one answer, the newest of the span: some hours of a kitchen at ten-second intervals.
const MOST: usize = 20_000;
/// Stretches in one answer.
const MOST_BUCKETS: i64 = 20_000;

/// Which readings.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Which {
    /// The sensor's name.
    sensor: Option<String>,
    /// `air_temperature`, `humidity`, …; needed with `bucket_s` unless it is `air_temperature`.
    quantity: Option<String>,
    /// Not before (RFC 3339). With `bucket_s`: absent means 24 h before `to`.
    from: Option<String>,
    /// Before (RFC 3339); absent: up to the newest.
    to: Option<String>,
    /// Answer with minimum, mean, maximum and count over stretches of so many seconds.
    bucket_s: Option<u32>,
    /// `false`: without what is kept out of the model (which carries `kept_out` with the reason).
    kept_out: Option<bool>,
}

/// A stored reading as the log book writes it.
#[must_use]
pub fn record(r: &StoredReading) -> Record {
    Record::Reading(Reading {
        time: r.time,
        sensor: r.sensor.clone(),
        quantity: r.quantity,
        value: r.value,
        unit: r.quantity.unit(),
        batch: r.batch.clone(),
        kept_out: r.kept_out.map(|k| k.as_str().to_owned()),
        place: r.place.clone().filter(|p| *p != r.sensor),
        raw: r.raw.map(|(v, _)| v),
        raw_unit: r.raw.map(|(_, u)| u),
    })
}

/// Readings of a span, in order of time: log-book records, or stretches with `bucket_s`. At most
/// 20,000, the newest.
#[utoipa::path(get, path = "/api/v1/readings", tag = "readings", params(Which),
    responses(
        (status = 200, description = "Readings as the log book writes them, or with `bucket_s` objects of `time`, `min`, `mean`, `max`, `count`", body = Vec<Object>),
        (status = 400, description = "A time or quantity cannot be read", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn readings(
    State(web): State<Shared>,
    Query(which): Query<Which>,
) -> Result<Response, Problem> {
    let from = time("from", which.from.as_deref())?;
    let to = time("to", which.to.as_deref())?;
    let quantity = which
        .quantity
        .as_deref()
        .map(|q| {
            Quantity::from_name(q)
                .ok_or_else(|| Problem::bad(format!("`{q}` is no quantity; known: {}", known())))
        })
        .transpose()?;
    let Some(bucket_s) = which.bucket_s else {
        let found = web
            .off(move |web| {
                Ok(web.app.store.readings(&ReadingQuery {
                    sensor: which.sensor.as_deref(),
                    quantity,
                    from,
                    to,
                    with_kept_out: which.kept_out.unwrap_or(true),
                    newest: Some(MOST),
                    ..ReadingQuery::default()
                })?)
            })
            .await?;
        return Ok(Json(found.iter().map(record).collect::<Vec<_>>()).into_response());
    };
    let sensor = which
        .sensor
        .ok_or_else(|| Problem::bad("`bucket_s` needs `sensor`."))?;
    let quantity = quantity.unwrap_or(Quantity::AirTemperature);
    let to = to.unwrap_or_else(|| web.app.clock.now().plus_ms(1));
    let from = from.unwrap_or_else(|| to.plus_ms(-24 * HOUR_MS));
    check_span(from, to, bucket_s)?;
    let buckets = web
        .off(move |web| {
            Ok(web
                .app
                .store
                .buckets(&sensor, quantity, from, to, bucket_s)?)
        })
        .await?;
    Ok(Json(buckets).into_response())
}

fn check_span(from: UtcMs, to: UtcMs, bucket_s: u32) -> Result<(), Problem> {
    if bucket_s == 0 {
        return Err(Problem::bad("`bucket_s` is at least 1."));
    }
    let stretches = to.0.saturating_sub(from.0) / (i64::from(bucket_s) * 1000);
    if stretches > MOST_BUCKETS {
        return Err(Problem::unprocessable(format!(
            "That is {stretches} stretches; at most {MOST_BUCKETS} in one answer: take a longer `bucket_s` or a shorter span."
        )));
    }
    Ok(())
}

fn known() -> String {
    Quantity::ALL.map(Quantity::as_str).join(", ")
}

//! `GET readings`: raw or in equal stretches of time.

use axum::Json;
use axum::extract::{OriginalUri, Query, State};
use axum::http::{Uri, header};
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
        sensor: r.sensor.to_string(),
        quantity: r.quantity,
        value: r.value,
        unit: r.quantity.unit(),
        batch: r.batch.as_ref().map(ToString::to_string),
        kept_out: r.kept_out.map(|k| k.as_str().to_owned()),
        place: r
            .place
            .as_ref()
            .filter(|p| **p != r.sensor)
            .map(ToString::to_string),
        raw: r.raw.map(|(v, _)| v),
        raw_unit: r.raw.map(|(_, u)| u),
    })
}

/// Readings of a span, in order of time: log-book records, or stretches with `bucket_s`. At most
/// 20,000 in one answer, the newest; if there are older ones in the span, the header `Link` (RFC 8288)
/// with `rel="next"` leads to them, page by page: an answer without it is the last.
#[utoipa::path(get, path = "/api/v1/readings", tag = "readings", params(Which),
    responses(
        (status = 200, description = "Readings as the log book writes them, or with `bucket_s` objects of `time`, `min`, `mean`, `max`, `count`", body = Vec<Object>,
            headers(("Link" = String, description = "`<…>; rel=\"next\"`: the span's readings before these, when there are more than one answer holds"))),
        (status = 400, description = "A time or quantity cannot be read", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn readings(
    State(web): State<Shared>,
    OriginalUri(asked): OriginalUri,
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
                    newest: Some(MOST + 1),
                    ..ReadingQuery::default()
                })?)
            })
            .await?;
        let (page, before) = newest_page(&found, MOST);
        let body = Json(page.iter().map(record).collect::<Vec<_>>());
        return Ok(match before {
            Some(before) => {
                let next = format!("<{}>; rel=\"next\"", earlier(&asked, before));
                ([(header::LINK, next)], body).into_response()
            }
            None => body.into_response(),
        });
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

/// At most `most` of the readings, the newest, and if some are left out the moment before which they
/// lie. All readings of one moment stand on one page, so that `to` parts pages cleanly.
fn newest_page(found: &[StoredReading], most: usize) -> (&[StoredReading], Option<UtcMs>) {
    let Some(more) = found.len().checked_sub(most).filter(|more| *more > 0) else {
        return (found, None);
    };
    let cut = found[more - 1].time;
    let first = found.partition_point(|r| r.time <= cut);
    match found.get(first) {
        Some(r) => (&found[first..], Some(r.time)),
        // More readings of one moment than a page holds: what does not fit cannot be parted by time.
        None => (&found[more..], Some(cut)),
    }
}

/// The same call for what lies before a moment.
fn earlier(asked: &Uri, before: UtcMs) -> String {
    let kept = asked
        .query()
        .unwrap_or_default()
        .split('&')
        .filter(|part| !part.is_empty() && !part.starts_with("to="));
    let to = format!("to={before}");
    let query: Vec<&str> = kept.chain([to.as_str()]).collect();
    format!("{}?{}", asked.path(), query.join("&"))
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

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(sensor: &str, ms: i64) -> StoredReading {
        StoredReading {
            time: UtcMs(ms),
            arrived: UtcMs(ms),
            sensor: sensor.into(),
            quantity: Quantity::AirTemperature,
            value: 1.0,
            raw: None,
            kept_out: None,
            place: None,
            batch: None,
        }
    }

    #[test]
    fn pages_part_between_moments_and_together_hold_everything_once() {
        // Three sensors at each moment but every fourth.
        let all: Vec<StoredReading> = (0..100)
            .flat_map(|n| {
                let sensors = if n % 4 == 0 {
                    &["a"][..]
                } else {
                    &["a", "b", "c"]
                };
                sensors
                    .iter()
                    .map(move |s| reading(s, n * 10))
                    .collect::<Vec<_>>()
            })
            .collect();
        for most in [4, 5, 7, 100, 250, 1000] {
            let (mut to, mut seen, mut pages) = (None, Vec::new(), 0);
            loop {
                let below: Vec<StoredReading> = all
                    .iter()
                    .filter(|r| to.is_none_or(|to| r.time < to))
                    .cloned()
                    .collect();
                let newest = &below[below.len().saturating_sub(most + 1)..];
                let (page, before) = newest_page(newest, most);
                assert!(page.len() <= most && !page.is_empty());
                seen.splice(0..0, page.to_vec());
                pages += 1;
                match before {
                    Some(before) => to = Some(before),
                    None => break,
                }
            }
            assert_eq!(seen, all, "pages of {most}");
            assert_eq!(pages == 1, most >= all.len(), "pages of {most}");
        }
    }

    #[test]
    fn the_next_page_is_the_same_call_with_an_earlier_end() {
        let asked: Uri = "/api/v1/readings?sensor=a%20b&to=2026-01-01T00:00:00Z&kept_out=false"
            .parse()
            .unwrap();
        assert_eq!(
            earlier(&asked, UtcMs(1_767_225_600_000)),
            "/api/v1/readings?sensor=a%20b&kept_out=false&to=2026-01-01T00:00:00Z"
        );
        let bare: Uri = "/api/v1/readings".parse().unwrap();
        assert_eq!(
            earlier(&bare, UtcMs(250)),
            "/api/v1/readings?to=1970-01-01T00:00:00.250Z"
        );
    }
}

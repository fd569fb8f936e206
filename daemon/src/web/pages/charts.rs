//! The numbers behind a batch's two charts: readings of the places it stood in, the forecast, and
//! what was seen.

use doughwarden_dashboards::chart::{Point, RiseChart, TemperatureChart};
use doughwarden_dashboards::show::Show;
use serde_json::{Value, json};

use crate::app::App;
use crate::batches::record::{ObservationKind, Quantity, StageKind, StageRecord};
use crate::forecasts::document::ForecastDocument;
use crate::store::{ReadingQuery, StoredReading};
use crate::time::{HOUR_MS, MINUTE_MS, UtcMs};
use crate::web::api::batches::no_batch;
use crate::web::problem::Problem;

/// Points of a measured line: about two a pixel of a phone's width.
const POINTS: usize = 800;
/// Readings read for one chart at most, the newest.
const READINGS: usize = 50_000;
/// A silence of so long breaks the line where a sensor's own gap is not known.
const GAP_MS: i64 = 10 * MINUTE_MS;

/// Both charts of a batch's newest stage.
#[derive(Debug, Default)]
pub struct Charts {
    /// Rise.
    pub rise: RiseChart,
    /// Temperature.
    pub temperature: TemperatureChart,
    /// What the forecast rests on.
    pub evidence: Vec<String>,
}

/// The stage that the charts show: the one in progress, else the last.
fn stage_of(app: &App, batch: &str) -> Option<StageRecord> {
    let book = app.book();
    book.stage_in_progress(batch, app.clock.now())
        .or_else(|| book.stage(batch, StageKind::Final))
        .or_else(|| book.stage(batch, StageKind::Bulk))
        .cloned()
}

/// The forecast document to draw: the live one; for a stage that is over, what was said at its end.
fn document(app: &App, batch: &str, stage: &StageRecord) -> Option<ForecastDocument> {
    if let Some(view) = app.live.get(batch).filter(|v| v.stage == stage.stage) {
        return Some(view.document.clone());
    }
    let last = stage.end.map(|end| end.plus_ms(-1));
    crate::forecasts::forecast(app, batch, last).ok()
}

/// The charts of a batch.
///
/// # Errors
/// If there is no such batch or the store cannot be read.
pub fn of(app: &App, id: &str) -> Result<Charts, Problem> {
    let book = app.book();
    let batch = book.batches.get(id).ok_or_else(|| no_batch(id))?;
    let dough = book.doughs.get(&batch.dough);
    let mut charts = Charts::default();
    charts.temperature.ceiling_c = dough.and_then(|d| d.ceiling);
    let Some(stage) = stage_of(app, id) else {
        return Ok(charts);
    };
    let usual = dough.and_then(|d| match stage.stage {
        StageKind::Bulk => d.bulk,
        StageKind::Final => d.final_,
    });
    let now = app.clock.now();
    let until = stage.end.unwrap_or(now);
    charts.rise.target = usual.and_then(|u| u.target_rise);
    charts.rise.seen = book
        .observations_of(&stage.batch, stage.start, until)
        .chain(
            book.observations_of(id, stage.start, until)
                .filter(|_| stage.batch != id),
        )
        .filter(|o| o.kind == ObservationKind::Rise)
        .filter_map(|o| Some((o.time.timestamp(), o.rise?)))
        .collect();
    charts.temperature.air = air(app, id, stage.start, until)?;
    if let Some(doc) = document(app, id, &stage) {
        let point =
            |t: &crate::forecasts::document::TimedValue| (t.time.timestamp(), Some(t.value));
        charts.rise.band = doc
            .rise
            .curve
            .iter()
            .map(|c| (c.time.timestamp(), c.at.p10, c.at.p50, c.at.p90))
            .collect();
        charts.temperature.dough = doc.dough_temperature.curve.iter().map(point).collect();
        if stage.end.is_none() {
            charts.temperature.assumed = doc.assumed_air_temperature.iter().map(point).collect();
        }
        charts.evidence = doc.evidence;
    }
    Ok(charts)
}

/// The measured air along the batch's stays, thinned, broken at gaps.
fn air(app: &App, batch: &str, from: UtcMs, to: UtcMs) -> Result<Vec<Point>, Problem> {
    let book = app.book();
    let stays = book.stays(batch, from, to);
    let ends = stays.iter().skip(1).map(|(t, _)| *t).chain([to]);
    let mut points = Vec::new();
    for ((start, place), end) in stays.iter().zip(ends) {
        let readings = app.store.readings(&ReadingQuery {
            quantity: Some(Quantity::AirTemperature),
            place: Some(place),
            from: Some(*start),
            to: Some(end),
            newest: Some(READINGS),
            ..ReadingQuery::default()
        })?;
        if let (Some((last, _)), Some(_)) = (points.last(), readings.first()) {
            let last: jiff::Timestamp = *last;
            points.push((last, None));
        }
        thin(&readings, &mut points, to.0 - from.0);
    }
    Ok(points)
}

/// Means over equal stretches, at most [`POINTS`] over the whole; a gap becomes a break.
fn thin(readings: &[StoredReading], into: &mut Vec<Point>, span_ms: i64) {
    let stretch = (span_ms / POINTS as i64).max(1000);
    // The longest of the usual gaps here: several times the median distance, never below ten minutes.
    let gap = GAP_MS.min(6 * HOUR_MS).max(3 * stretch);
    let mut at: Option<(i64, f64, f64, i64)> = None; // stretch, sum, count, last time
    let mut flush = |acc: &(i64, f64, f64, i64)| {
        into.push((UtcMs(acc.3).timestamp(), Some(acc.1 / acc.2)));
    };
    let mut breaks = Vec::new();
    for r in readings {
        let n = r.time.0.div_euclid(stretch);
        match &mut at {
            Some(acc) if acc.0 == n => {
                acc.1 += r.value;
                acc.2 += 1.0;
                acc.3 = r.time.0;
            }
            _ => {
                if let Some(acc) = &at {
                    flush(acc);
                    if r.time.0 - acc.3 > gap {
                        breaks.push(acc.3 + 1);
                    }
                }
                at = Some((n, r.value, 1.0, r.time.0));
            }
        }
    }
    if let Some(acc) = &at {
        flush(acc);
    }
    for b in breaks {
        let t = UtcMs(b).timestamp();
        let i = into.partition_point(|(x, _)| *x < t);
        into.insert(i, (t, None));
    }
}

fn seconds(t: jiff::Timestamp) -> f64 {
    t.as_millisecond() as f64 / 1000.0
}

/// The charts as columns in the baker's unit (rise in %).
#[must_use]
pub fn columns(charts: &Charts, show: &Show) -> Value {
    let round = |v: f64, d: f64| (v * d).round() / d;
    let x = |points: &[Point]| points.iter().map(|p| seconds(p.0)).collect::<Vec<_>>();
    let y = |points: &[Point]| {
        points
            .iter()
            .map(|p| p.1.map(|c| round(show.degrees(c), 100.0)))
            .collect::<Vec<_>>()
    };
    let band = |pick: fn(&(jiff::Timestamp, f64, f64, f64)) -> f64| {
        charts
            .rise
            .band
            .iter()
            .map(|b| round(pick(b) * 100.0, 10.0))
            .collect::<Vec<_>>()
    };
    let t = &charts.temperature;
    json!({
        "rise": {
            "x": charts.rise.band.iter().map(|b| seconds(b.0)).collect::<Vec<_>>(),
            "low": band(|b| b.1), "middle": band(|b| b.2), "high": band(|b| b.3),
            "seen_x": charts.rise.seen.iter().map(|s| seconds(s.0)).collect::<Vec<_>>(),
            "seen_y": charts.rise.seen.iter().map(|s| round(s.1 * 100.0, 10.0)).collect::<Vec<_>>(),
            "target": charts.rise.target.map(|v| v * 100.0),
        },
        "temperature": {
            "air_x": x(&t.air), "air_y": y(&t.air),
            "dough_x": x(&t.dough), "dough_y": y(&t.dough),
            "assumed_x": x(&t.assumed), "assumed_y": y(&t.assumed),
            "ceiling": t.ceiling_c.map(|c| show.degrees(c)),
            "unit": show.unit(),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(minute: i64, value: f64) -> StoredReading {
        let time = UtcMs(minute * MINUTE_MS);
        StoredReading {
            time,
            arrived: time,
            sensor: "box".into(),
            quantity: Quantity::AirTemperature,
            value,
            raw: None,
            kept_out: None,
            place: Some("box".into()),
            batch: None,
        }
    }

    #[test]
    fn a_silence_breaks_the_line_and_nothing_else_does() {
        let readings: Vec<_> = (0..30).chain(60..90).map(|m| reading(m, 24.0)).collect();
        let mut points = Vec::new();
        thin(&readings, &mut points, 90 * MINUTE_MS);
        let breaks: Vec<_> = points.iter().filter(|p| p.1.is_none()).collect();
        assert_eq!(breaks.len(), 1);
        assert_eq!(breaks[0].0.as_second(), 29 * 60);
        assert_eq!(points.len(), 61);
    }

    #[test]
    fn many_readings_become_few_points_with_the_same_mean() {
        let readings: Vec<_> = (0..20_000)
            .map(|m| reading(m, f64::from(m as i32 % 2)))
            .collect();
        let mut points = Vec::new();
        thin(&readings, &mut points, 20_000 * MINUTE_MS);
        assert!(points.len() <= POINTS + 1, "{}", points.len());
        let mean = points.iter().filter_map(|p| p.1).sum::<f64>() / points.len() as f64;
        assert!((mean - 0.5).abs() < 0.05);
    }
}

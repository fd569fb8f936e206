//! What the rules are shown of the daemon around them: sensors, broker, disk and copies as they are, and
//! what the stored readings of the last weeks teach.

use std::collections::{BTreeMap, BTreeSet};

use super::rules::sensor_drift::{self, Beside};
use super::world::{Around, SensorFacts};
use crate::app::App;
use crate::batches::record::{PlaceKind, Quantity};
use crate::notify;
use crate::store::StoreError;
use crate::time::HOUR_MS;

/// How far back it learns, ms.
const LEARN_BACK_MS: i64 = 21 * 24 * HOUR_MS;

/// What the stored readings of the last weeks teach the rules.
pub(super) struct Learned {
    pub(super) tops: BTreeMap<String, f64>,
    pub(super) beside: Vec<Beside>,
}

pub(super) fn learned(app: &App) -> Result<Learned, StoreError> {
    Ok(Learned {
        tops: usual_tops(app)?,
        beside: beside(app)?,
    })
}

/// How the thermometers that stand together have read, hour by hour.
fn beside(app: &App) -> Result<Vec<Beside>, StoreError> {
    let now = app.clock.now();
    let mut places: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for channel in app.board.channels() {
        if channel.quantity == Quantity::AirTemperature
            && let Some(place) = channel.spec.as_ref().and_then(|s| s.place.clone())
        {
            places.entry(place).or_default().insert(channel.sensor);
        }
    }
    let mut all = Vec::new();
    for (place, sensors) in places.iter().filter(|(_, s)| s.len() > 1) {
        let mut means = BTreeMap::new();
        for sensor in sensors {
            let from = now.plus_ms(-LEARN_BACK_MS);
            let hours = app
                .store
                .buckets(sensor, Quantity::AirTemperature, from, now, 3600)?;
            means.insert(
                sensor.clone(),
                hours.iter().map(|b| (b.time, b.mean)).collect(),
            );
        }
        all.extend(sensor_drift::beside(place, &means));
    }
    Ok(all)
}

/// What the light alone has brought each oven place to, °C: nine in ten of the ten-minute means of
/// the proofs of the last weeks lie under it.
fn usual_tops(app: &App) -> Result<BTreeMap<String, f64>, StoreError> {
    let now = app.clock.now();
    let book = app.book();
    let ovens: Vec<&String> = book
        .places
        .iter()
        .filter(|(_, p)| p.kind == Some(PlaceKind::Oven))
        .map(|(name, _)| name)
        .collect();
    let mut tops = BTreeMap::new();
    if ovens.is_empty() {
        return Ok(tops);
    }
    let series = app.store.series()?;
    for oven in ovens {
        let mut means = Vec::new();
        for stage in book.stages.values() {
            let Some(end) = stage.end else { continue };
            if end.0 < now.0 - LEARN_BACK_MS
                || book.place_at(&stage.batch, stage.start) != Some(oven.as_str())
            {
                continue;
            }
            for known in series.iter().filter(|s| {
                s.quantity == Quantity::AirTemperature
                    && s.newest
                        .as_ref()
                        .is_some_and(|r| r.place.as_deref() == Some(oven.as_str()))
            }) {
                let buckets =
                    app.store
                        .buckets(&known.sensor, known.quantity, stage.start, end, 600)?;
                means.extend(buckets.iter().map(|b| b.mean).filter(|m| *m < 45.0));
            }
        }
        means.sort_by(f64::total_cmp);
        if !means.is_empty() {
            tops.insert(oven.clone(), means[(means.len() - 1) * 9 / 10]);
        }
    }
    Ok(tops)
}

pub(super) fn sensors(app: &App) -> Vec<SensorFacts> {
    let mut sensors: BTreeMap<String, SensorFacts> = BTreeMap::new();
    for channel in app.board.channels() {
        // Known only from stored readings: nobody expects to hear it. A battery speaks seldom.
        let Some(spec) = &channel.spec else { continue };
        if channel.quantity == Quantity::Battery {
            continue;
        }
        let facts = sensors
            .entry(channel.sensor.clone())
            .or_insert_with(|| SensorFacts {
                sensor: channel.sensor.clone(),
                place: None,
                longest_gap_s: None,
                last_heard: None,
                air: false,
            });
        let newest = channel.newest.as_ref();
        facts.place = facts
            .place
            .take()
            .or_else(|| spec.place.clone())
            .or_else(|| newest.and_then(|r| r.place.as_ref().map(ToString::to_string)));
        facts.last_heard = facts.last_heard.max(channel.last_heard);
        facts.longest_gap_s = match (facts.longest_gap_s, channel.longest_gap_s) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
        facts.air |= channel.quantity == Quantity::AirTemperature;
    }
    sensors.into_values().collect()
}

pub(super) fn around(app: &App) -> Around {
    use std::sync::atomic::Ordering;
    Around {
        broker_ready: app.health.broker_ready.load(Ordering::Relaxed),
        store_writes: app.health.store_writes.load(Ordering::Relaxed),
        disk: rustix::fs::statvfs(&app.data_dir)
            .ok()
            .map(|fs| (fs.f_bavail * fs.f_frsize, fs.f_blocks * fs.f_frsize)),
        copy_waiting: app
            .config
            .influx
            .is_some()
            .then(|| app.metrics.copy_waiting.get()),
        nightly_late: nightly_late(app),
        self_test: app
            .desk
            .tested()
            .and_then(notify::self_test::Outcome::settled),
    }
}

fn nightly_late(app: &App) -> Option<String> {
    let standing = app.nightly.standing();
    standing.too_old(app.clock.now()).then(|| {
        standing
            .last_error
            .map_or_else(|| "it was not made".into(), |(_, why)| why)
    })
}

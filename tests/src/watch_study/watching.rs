//! A night as the daemon lives it: its forecasts from book and readings, its rules over the stream,
//! nothing else. What was told, and when.

use std::collections::BTreeMap;
use std::sync::Arc;

use doughwarden::batches::book::Book;
use doughwarden::batches::record::{PlaceKind, Reading, Record};
use doughwarden::forecasts::air::Sources;
use doughwarden::forecasts::learned::Learned;
use doughwarden::forecasts::source::InMemory;
use doughwarden::forecasts::{self, ProofView, inputs::Without};
use doughwarden::store::{StoreError, StoredReading};
use doughwarden::time::{MINUTE_MS, UtcMs};
use doughwarden::watch::watcher::Watcher;
use doughwarden::watch::world::{Input, SensorFacts};

use super::night::{Night, STEP_S, minutes};

/// Forecasts are made anew so often, min …
const FORECAST_MIN: f64 = 1.0;
/// … and, while ready is far off and nothing new was entered, only so often (to save time).
const FAR_MIN: f64 = 5.0;

/// A kitchen's past: its log book, readings and what they taught.
#[derive(Default)]
pub struct Past {
    /// The log book.
    pub records: Vec<Record>,
    /// The readings.
    pub readings: Vec<Reading>,
    pub(super) learned: Learned,
    tops: BTreeMap<String, f64>,
}

impl Past {
    /// What these nights teach.
    ///
    /// # Errors
    /// Never in memory; the forecasts' own.
    pub fn of(nights: &[Night]) -> Result<Self, StoreError> {
        let mut past = Self::default();
        for night in nights {
            past.records.extend(night.standing_records.iter().cloned());
            past.records
                .extend(night.entries.iter().map(|(_, r)| r.clone()));
            past.readings.extend(night.readings.iter().cloned());
        }
        let book = Book::from_records(past.records.iter().cloned());
        let readings = InMemory::new(past.readings.iter().cloned());
        let sources = Sources {
            book: &book,
            readings: &readings,
            model_sensors: &[],
        };
        let last = nights.iter().map(|n| n.end).max().unwrap_or_default();
        past.learned = Learned::fit(sources, last.plus_ms(1), Without::default())?;
        past.tops = tops(nights, &book);
        Ok(past)
    }
}

/// What the light alone has brought each oven place to: nine in ten of the ten-minute means lie
/// under it, as the daemon learns it.
fn tops(nights: &[Night], book: &Book) -> BTreeMap<String, f64> {
    let mut means: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for night in nights {
        let place = night.scene.standing.place();
        if book.kind_of(place) != PlaceKind::Oven {
            continue;
        }
        let mut buckets: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
        for r in night
            .readings
            .iter()
            .filter(|r| r.time >= night.scene.begin)
        {
            let bucket = buckets.entry(r.time.0 / (10 * MINUTE_MS)).or_default();
            *bucket = (bucket.0 + r.value, bucket.1 + 1.0);
        }
        means
            .entry(place)
            .or_default()
            .extend(buckets.values().map(|(sum, n)| sum / n));
    }
    means
        .into_iter()
        .filter_map(|(place, mut means)| {
            means.sort_by(f64::total_cmp);
            let top = *means.get((means.len().max(1) - 1) * 9 / 10)?;
            Some((place.to_owned(), top))
        })
        .collect()
}

/// Something told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Told {
    /// The rule.
    pub rule: &'static str,
    /// When it was first told.
    pub at: UtcMs,
}

/// Lives through a night. Each event is in it once.
#[must_use]
pub fn watch(night: &Night, past: &Past) -> Vec<Told> {
    let place = night.scene.standing.place();
    let mut book = Book::from_records(past.records.iter().chain(&night.standing_records).cloned());
    let readings = InMemory::new(past.readings.iter().chain(&night.readings).cloned());
    let mut watcher = Watcher::default();
    let mut now = night
        .readings
        .first()
        .map_or(night.scene.begin, |r| r.time)
        .plus_ms(-(STEP_S * 1000.0) as i64);
    watcher.see(now, &Input::Book(Arc::new(book.clone())));
    watcher.see(now, &Input::UsualTops(past.tops.clone()));
    watcher.see(now, &Input::Afresh);
    let mut facts = SensorFacts {
        sensor: place.into(),
        place: Some(place.into()),
        // A radio's jitter is measured with the gap.
        longest_gap_s: Some(1.1 * night.scene.interval_s),
        last_heard: None,
        air: true,
    };
    let (mut heard, mut entered) = (0, 0);
    let mut view: Option<(UtcMs, ProofView)> = None;
    let mut told: BTreeMap<(&'static str, UtcMs), UtcMs> = BTreeMap::new();
    while now < night.end {
        now = now.plus_ms((STEP_S * 1000.0) as i64);
        while let Some(r) = night.readings.get(heard).filter(|r| r.time <= now) {
            heard += 1;
            facts.last_heard = Some(r.time);
            watcher.see(now, &Input::Readings(&[stored(r)]));
        }
        let mut news = false;
        while let Some((_, record)) = night.entries.get(entered).filter(|(at, _)| *at <= now) {
            entered += 1;
            news = true;
            book.put(record.clone());
        }
        if news {
            watcher.see(now, &Input::Book(Arc::new(book.clone())));
        }
        if due(view.as_ref(), now, news, night.scene.lead_min) {
            let sources = Sources {
                book: &book,
                readings: &readings,
                model_sensors: &[],
            };
            view = forecasts::view(sources, &past.learned, &night.batch, now)
                .ok()
                .map(|v| (now, v));
            let views = view
                .iter()
                .map(|(_, v)| (night.batch.clone(), Arc::new(v.clone())))
                .collect();
            watcher.see(now, &Input::Proofs(views));
        }
        watcher.see(now, &Input::Sensors(vec![facts.clone()]));
        watcher.see(now, &Input::Tick);
        for finding in watcher.findings() {
            told.entry((finding.about.name, finding.began))
                .or_insert(now);
        }
    }
    let mut told: Vec<Told> = told
        .into_iter()
        .map(|((rule, _), at)| Told { rule, at })
        .collect();
    told.sort_by_key(|t| t.at);
    told
}

pub(super) fn due(
    view: Option<&(UtcMs, ProofView)>,
    now: UtcMs,
    news: bool,
    lead_min: f64,
) -> bool {
    let Some((made, view)) = view else {
        return news;
    };
    let age = minutes(*made, now);
    let far = view
        .document
        .ready
        .p50
        .is_none_or(|ready| minutes(now, ready) > lead_min + 20.0);
    news || age >= if far { FAR_MIN } else { FORECAST_MIN }
}

pub(super) fn stored(r: &Reading) -> StoredReading {
    StoredReading {
        time: r.time,
        arrived: r.time,
        sensor: r.sensor.as_str().into(),
        quantity: r.quantity,
        value: r.value,
        raw: None,
        kept_out: None,
        place: r.place.as_deref().map(Into::into),
        batch: r.batch.as_deref().map(Into::into),
    }
}

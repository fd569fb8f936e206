//! What the stages ended by a moment teach: the calibration in use, remembered by what it rests on.

use std::collections::{BTreeMap, BTreeSet};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::{Arc, Mutex};

use doughwarden_model::age::StartHabit;
use doughwarden_model::calibration::{Calibration, PastStage};
use serde::{Deserialize, Serialize};

use super::air::Sources;
use super::inputs::{Builder, Without, known_end};
use crate::batches::book::Book;
use crate::batches::record::{Outcome, StageKind};
use crate::app::App;
use crate::store::{Result, StoreError};
use crate::time::UtcMs;

/// Calibrations remembered: forecasts at a handful of moments ask for as many.
const REMEMBERED: usize = 16;

/// The shared parameters, as filed under a version.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Learned {
    /// The model's.
    pub calibration: Calibration,
    /// How warm this kitchen's doughs start.
    pub habit: StartHabit,
}

/// The stages that may teach something at a moment.
pub fn teachers(book: &Book, at: UtcMs) -> Vec<(String, StageKind)> {
    book.stages
        .values()
        .filter(|s| matches!(known_end(s, at), Some((_, Outcome::Ready | Outcome::Under | Outcome::Over))))
        .filter(|s| book.batches.get(&s.batch).is_some_and(|b| b.learn != Some(false)))
        .map(|s| (s.batch.clone(), s.stage))
        .collect()
}

/// How warm doughs start in this kitchen, from the chosen bulk proofs ended by a moment.
///
/// # Errors
/// If the readings cannot be read.
pub fn habit(
    sources: &Sources<'_>,
    at: UtcMs,
    chosen: &dyn Fn(&str, StageKind) -> bool,
) -> Result<StartHabit> {
    let mut starts = Vec::new();
    for s in sources.book.stages.values() {
        let Some(dough_c) = s.dough_temperature else { continue };
        // Only stages that are over: one in progress would teach its own forecast twice.
        if s.stage != StageKind::Bulk || known_end(s, at).is_none() || !chosen(&s.batch, s.stage) {
            continue;
        }
        if let Some(air_c) = sources.air_near(&s.batch, s.start)? {
            starts.push((air_c, dough_c));
        }
    }
    Ok(StartHabit::learn(&starts))
}

impl Learned {
    /// Fits to the stages ended by `at`, a batch (and its family) left out if asked.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn fit(sources: Sources<'_>, at: UtcMs, without: Without) -> Result<Self> {
        let teachers: BTreeSet<(String, StageKind)> = teachers(sources.book, at).into_iter().collect();
        let habit = habit(&sources, at, &|b, k| teachers.contains(&(b.to_owned(), k)))?;
        let past = past_stages(sources, habit, at, without)?;
        Ok(Self { calibration: Calibration::fit(&past, None), habit })
    }
}

/// Every stage that teaches by a moment, as the model sees it.
///
/// # Errors
/// If the readings cannot be read.
pub fn past_stages(sources: Sources<'_>, habit: StartHabit, at: UtcMs, without: Without) -> Result<Vec<PastStage>> {
    let builder = Builder { sources, habit, without };
    let mut past = Vec::new();
    for (batch, kind) in teachers(sources.book, at) {
        if let Some(stage) = builder.past(&batch, kind, at)? {
            past.push(stage);
        }
    }
    Ok(past)
}

/// Remembers fits by a digest of all that they rest on.
#[derive(Debug, Default)]
pub struct Memory(Mutex<BTreeMap<u64, (u64, Arc<Learned>)>>);

impl Memory {
    /// The fit at a moment, from memory where the same stages gave it before. `epoch` changes when
    /// readings of the past were changed (import, marks).
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn at(&self, sources: Sources<'_>, at: UtcMs, epoch: u64) -> Result<Arc<Learned>> {
        let key = fingerprint(sources.book, at, epoch);
        let lock = || self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        {
            let mut held = lock();
            let turn = held.values().map(|v| v.0).max().unwrap_or(0) + 1;
            if let Some(found) = held.get_mut(&key) {
                found.0 = turn;
                return Ok(Arc::clone(&found.1));
            }
        }
        let fitted = Arc::new(Learned::fit(sources, at, Without::default())?);
        let mut held = lock();
        let turn = held.values().map(|v| v.0).max().unwrap_or(0) + 1;
        held.insert(key, (turn, Arc::clone(&fitted)));
        while held.len() > REMEMBERED {
            let Some(oldest) = held.iter().min_by_key(|(_, v)| v.0).map(|(k, _)| *k) else { break };
            held.remove(&oldest);
        }
        Ok(fitted)
    }
}

/// A digest of everything in the book that a fit at a moment rests on.
fn fingerprint(book: &Book, at: UtcMs, epoch: u64) -> u64 {
    let mut h = DefaultHasher::new();
    epoch.hash(&mut h);
    let teachers = teachers(book, at);
    let mut doughs = BTreeSet::new();
    for (batch, kind) in &teachers {
        if let Some(s) = book.stages.get(&(batch.clone(), *kind)) {
            format!("{s:?}").hash(&mut h);
            for o in book.observations_of(batch, s.start, s.end.unwrap_or(at)) {
                format!("{o:?}").hash(&mut h);
            }
        }
        if let Some(b) = book.batches.get(batch) {
            format!("{b:?}").hash(&mut h);
            doughs.insert(b.dough.clone());
        }
        for m in book.moves.range((batch.clone(), UtcMs(i64::MIN))..=(batch.clone(), at)) {
            format!("{m:?}").hash(&mut h);
        }
    }
    for d in doughs {
        if let Some(dough) = book.doughs.get(&d) {
            format!("{dough:?}").hash(&mut h);
        }
        // The usual dose follows batches begun by then.
        super::inputs::usual_yeast(book, &d, at).map(f64::to_bits).hash(&mut h);
    }
    for p in book.places.values() {
        format!("{p:?}").hash(&mut h);
    }
    h.finish()
}

/// A calibration rolled back by hand, if one is in force.
///
/// # Errors
/// If the store cannot be read, or holds a calibration that cannot be.
pub fn by_hand(app: &App) -> Result<Option<Arc<Learned>>> {
    let rows = app.store.calibrations()?;
    // Rolled back: the one in force is not the newest.
    let newest = rows.iter().map(|r| r.version).max();
    let Some(row) = rows.into_iter().find(|r| r.in_force && Some(r.version) != newest) else {
        return Ok(None);
    };
    let doc = row.doc.get("learned").cloned().unwrap_or_default();
    serde_json::from_value(doc)
        .map(|l| Some(Arc::new(l)))
        .map_err(|e| StoreError::Corrupt(format!("calibration {}: {e}", row.version)))
}

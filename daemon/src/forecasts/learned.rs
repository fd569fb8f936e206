//! What the stages ended by a moment teach: the calibration in use, remembered by what it rests on.

use std::collections::{BTreeMap, BTreeSet};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::{Arc, Mutex};

use doughwarden_model::age::StartHabit;
use doughwarden_model::calibration::{Calibration, Parameter, PastStage};
use doughwarden_model::heat::LAG_SCALE_PRIOR_SD;
use serde::{Deserialize, Serialize};

use super::air::Sources;
use super::inputs::{Builder, Without, known_end};
use crate::app::App;
use crate::batches::book::Book;
use crate::batches::record::{Outcome, StageKind};
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
    /// This kitchen's lag of the dough behind its air, over a sphere's in still air.
    pub lag: LagScale,
    /// Each dough's usual yeast share (fresh, per 100 flour), against which doses were compared.
    #[serde(default)]
    pub usual_yeast: BTreeMap<String, f64>,
}

/// A factor with its spread, and what single vessels have shown of their own.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LagScale {
    /// Most probable.
    pub scale: f64,
    /// Standard deviation of its logarithm.
    pub ln_sd: f64,
    /// The factor of each vessel in which the dough itself was measured, by [`vessel_key`].
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub vessels: BTreeMap<String, VesselLag>,
}

/// One vessel's factor.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct VesselLag {
    /// Most probable.
    pub scale: f64,
    /// Standard deviation of its logarithm.
    pub ln_sd: f64,
    /// Proofs in it in which the dough was measured.
    pub proofs: u32,
}

/// A vessel as it is told apart: the same name, however it was typed.
#[must_use]
pub fn vessel_key(vessel: &str) -> String {
    vessel
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .to_lowercase()
}

impl Default for LagScale {
    /// A dough slumps into something flatter than a ball, and few kitchens' air stands still: seven
    /// tenths, give or take a third (own choice).
    fn default() -> Self {
        Self {
            scale: 0.7,
            ln_sd: 0.35,
            vessels: BTreeMap::new(),
        }
    }
}

/// The stages that may teach something at a moment.
pub fn teachers(book: &Book, at: UtcMs) -> Vec<(String, StageKind)> {
    book.stages
        .values()
        .filter(|s| {
            matches!(
                known_end(s, at),
                Some((_, Outcome::Ready | Outcome::Under | Outcome::Over))
            )
        })
        .filter(|s| {
            book.batches
                .get(&s.batch)
                .is_some_and(|b| b.learn != Some(false))
        })
        .map(|s| (s.batch.clone(), s.stage))
        .collect()
}

impl LagScale {
    /// The factor of a vessel: its own where the dough in it was measured, else the kitchen's.
    #[must_use]
    pub fn of(&self, vessel: Option<&str>) -> f64 {
        vessel
            .and_then(|v| self.vessels.get(&vessel_key(v)))
            .map_or(self.scale, |v| v.scale)
    }

    /// Whether every vessel's dough lags alike by both.
    #[must_use]
    pub fn same_factors(&self, other: &Self) -> bool {
        self.scale == other.scale
            && self.vessels.len() == other.vessels.len()
            && self
                .vessels
                .iter()
                .zip(&other.vessels)
                .all(|((a, x), (b, y))| a == b && x.scale == y.scale)
    }

    /// For the report: the kitchen's, then each vessel's.
    #[must_use]
    pub fn parameters(&self) -> Vec<Parameter> {
        let parameter = |name: String, scale: f64, ln_sd: f64, prior: f64| {
            let z = 1.281_551_565_544_6 * ln_sd;
            Parameter {
                name,
                value: scale,
                prior,
                p10: scale * (-z).exp(),
                p90: scale * z.exp(),
            }
        };
        let kitchen = parameter(
            "lag of the dough behind its air, against a ball in still air".into(),
            self.scale,
            self.ln_sd,
            Self::default().scale,
        );
        std::iter::once(kitchen)
            .chain(self.vessels.iter().map(|(vessel, v)| {
                parameter(
                    format!("the same in `{vessel}`"),
                    v.scale,
                    v.ln_sd,
                    self.scale,
                )
            }))
            .collect()
    }
}

/// What one stage says of how warm doughs start and how far they lag.
#[derive(Clone, Debug, Default)]
struct Hint {
    start: Option<(f64, f64)>,
    lag: Option<[f64; LAG_STEPS]>,
    vessel: Option<String>,
}

/// What finished stages say of this kitchen's doughs as bodies: habit and lag. Kept by stage, so
/// that a batch can be left out.
#[derive(Clone, Debug, Default)]
pub struct Hints(BTreeMap<(String, StageKind), Hint>);

/// How far a vessel's own factor strays from the kitchen's: lids, walls, bags (the model's own choice).
const VESSEL_LN_SD: f64 = LAG_SCALE_PRIOR_SD;

/// Lag factors tried: even in the logarithm from 0.25 to 1.8.
const LAG_STEPS: usize = 9;

fn lag_step(i: usize) -> f64 {
    0.25f64.ln() + (1.8f64 / 0.25).ln() * i as f64 / (LAG_STEPS - 1) as f64
}

impl Hints {
    /// From the chosen stages ended by a moment.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn gather(
        sources: Sources<'_>,
        at: UtcMs,
        chosen: &dyn Fn(&str, StageKind) -> bool,
    ) -> Result<Self> {
        let mut hints = BTreeMap::new();
        let unlearned = LagScale::default();
        for s in sources.book.stages.values() {
            // Only stages that are over: one in progress would teach its own forecast twice.
            if known_end(s, at).is_none() || !chosen(&s.batch, s.stage) {
                continue;
            }
            let mut hint = Hint::default();
            if s.stage == StageKind::Bulk
                && let Some(dough_c) = s.dough_temperature
                && let Some(air_c) = sources.air_near(&s.batch, s.start)?
            {
                hint.start = Some((air_c, dough_c));
            }
            let builder = Builder {
                sources,
                habit: StartHabit::default(),
                lag: &unlearned,
                usual_yeast: None,
                without: Without::default(),
            };
            let scales: [f64; LAG_STEPS] = std::array::from_fn(|i| lag_step(i).exp());
            hint.lag = builder.ln_likelihoods_of_spots(&s.batch, s.stage, at, scales)?;
            hint.vessel = sources
                .book
                .batches
                .get(&s.batch)
                .and_then(|b| b.vessel.as_deref())
                .map(vessel_key);
            hints.insert((s.batch.clone(), s.stage), hint);
        }
        Ok(Self(hints))
    }

    /// Habit and lag from all stages but those of some batches; rounded, so that leaving one out
    /// usually leaves them as they were.
    #[must_use]
    pub fn learn(&self, but: &BTreeSet<String>) -> (StartHabit, LagScale) {
        let used = || {
            self.0
                .iter()
                .filter(|((batch, _), _)| !but.contains(batch))
                .map(|(_, h)| h)
        };
        let starts: Vec<(f64, f64)> = used().filter_map(|h| h.start).collect();
        let round = |v: f64, per: f64| (v * per).round() / per;
        let mut habit = StartHabit::learn(&starts);
        habit.mean_c = round(habit.mean_c, 5.0);
        habit.slope = round(habit.slope, 10.0);
        habit.sd_c = round(habit.sd_c, 5.0);
        let base = LagScale::default();
        let (mean, ln_sd) = lag_given(
            (base.scale.ln(), base.ln_sd),
            used().filter_map(|h| h.lag.as_ref()),
        );
        let mut lag = LagScale {
            scale: round(mean, 12.0).exp(),
            ln_sd,
            vessels: BTreeMap::new(),
        };
        // A vessel starts from what the others say, give or take how much vessels differ.
        let names: BTreeSet<&str> = used()
            .filter(|h| h.lag.is_some())
            .filter_map(|h| h.vessel.as_deref())
            .collect();
        for name in names {
            let is_own = |h: &&Hint| h.vessel.as_deref() == Some(name);
            let others = lag_given(
                (base.scale.ln(), base.ln_sd),
                used().filter(|h| !is_own(h)).filter_map(|h| h.lag.as_ref()),
            );
            let own = lag_given(
                (others.0, others.1.hypot(VESSEL_LN_SD)),
                used().filter(is_own).filter_map(|h| h.lag.as_ref()),
            );
            let proofs = used().filter(is_own).filter(|h| h.lag.is_some()).count();
            lag.vessels.insert(
                name.to_owned(),
                VesselLag {
                    scale: round(own.0, 12.0).exp(),
                    ln_sd: own.1,
                    proofs: u32::try_from(proofs).unwrap_or(u32::MAX),
                },
            );
        }
        (habit, lag)
    }
}

/// Mean and spread of `ln` of a lag factor, from a normal prior and what stages say of it.
fn lag_given<'a>(
    prior: (f64, f64),
    stages: impl Iterator<Item = &'a [f64; LAG_STEPS]>,
) -> (f64, f64) {
    let mut rows: Vec<(f64, f64)> = (0..LAG_STEPS)
        .map(|i| {
            let z = (lag_step(i) - prior.0) / prior.1;
            (lag_step(i), -0.5 * z * z)
        })
        .collect();
    for lag in stages {
        for (row, l) in rows.iter_mut().zip(lag) {
            row.1 += l;
        }
    }
    let top = rows.iter().map(|r| r.1).fold(f64::NEG_INFINITY, f64::max);
    let (mut total, mut mean, mut square) = (0.0, 0.0, 0.0);
    for (ln, l) in rows {
        let w = (l - top).exp();
        total += w;
        mean += w * ln;
        square += w * ln * ln;
    }
    mean /= total;
    let ln_sd = (square / total - mean * mean).max(0.0).sqrt().max(0.05);
    (mean, ln_sd)
}

impl Learned {
    /// Fits to the stages ended by `at`, a batch (and its family) left out if asked.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn fit(sources: Sources<'_>, at: UtcMs, without: Without) -> Result<Self> {
        let teachers: BTreeSet<(String, StageKind)> =
            teachers(sources.book, at).into_iter().collect();
        let hints = Hints::gather(sources, at, &|b, k| teachers.contains(&(b.to_owned(), k)))?;
        let (habit, lag) = hints.learn(&BTreeSet::new());
        let past = past_stages(sources, habit, &lag, at, without)?;
        let calibration = Calibration::fit(&past);
        Ok(Self {
            calibration,
            habit,
            lag,
            usual_yeast: usual_yeasts(sources.book, &teachers, at),
        })
    }
}

/// The usual yeast share of each dough among some stages.
pub fn usual_yeasts<'a>(
    book: &Book,
    stages: impl IntoIterator<Item = &'a (String, StageKind)>,
    at: UtcMs,
) -> BTreeMap<String, f64> {
    let doughs: BTreeSet<&str> = stages
        .into_iter()
        .filter_map(|(batch, _)| book.batches.get(batch).map(|b| b.dough.as_str()))
        .collect();
    doughs
        .into_iter()
        .filter_map(|d| super::prior::usual_yeast(book, d, at).map(|y| (d.to_owned(), y)))
        .collect()
}

/// Every stage that teaches by a moment, as the model sees it.
///
/// # Errors
/// If the readings cannot be read.
pub fn past_stages(
    sources: Sources<'_>,
    habit: StartHabit,
    lag: &LagScale,
    at: UtcMs,
    without: Without,
) -> Result<Vec<PastStage>> {
    let builder = Builder {
        sources,
        habit,
        lag,
        usual_yeast: None,
        without,
    };
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
    /// Forgets every fit: readings of the past came in or changed, so the next is made anew.
    pub fn forget(&self) {
        self.0
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .clear();
    }

    /// The fit at a moment, from memory where the same stages gave it before. `epoch` changes when
    /// readings of the past were changed (import, marks).
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn at(&self, sources: Sources<'_>, at: UtcMs, epoch: u64) -> Result<Arc<Learned>> {
        let key = fingerprint(sources.book, at, epoch);
        let lock = || {
            self.0
                .lock()
                .unwrap_or_else(std::sync::PoisonError::into_inner)
        };
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
            let Some(oldest) = held.iter().min_by_key(|(_, v)| v.0).map(|(k, _)| *k) else {
                break;
            };
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
        for m in book
            .moves
            .range((batch.clone(), UtcMs(i64::MIN))..=(batch.clone(), at))
        {
            format!("{m:?}").hash(&mut h);
        }
    }
    for d in doughs {
        if let Some(dough) = book.doughs.get(&d) {
            format!("{dough:?}").hash(&mut h);
        }
        // The usual dose follows batches begun by then.
        super::prior::usual_yeast(book, &d, at)
            .map(f64::to_bits)
            .hash(&mut h);
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
    let Some(row) = rows.into_iter().find(|r| r.in_force) else {
        return Ok(None);
    };
    let doc = row.doc.get("learned").cloned().unwrap_or_default();
    serde_json::from_value(doc)
        .map(|l| Some(Arc::new(l)))
        .map_err(|e| StoreError::Corrupt(format!("calibration {}: {e}", row.version)))
}

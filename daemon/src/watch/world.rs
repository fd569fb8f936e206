//! What the rules see: one replayable stream of [`Input`]s and the [`World`] they add up to.
//! Nothing here asks the time or the store; a recorded stream gives the same alerts as a live one.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use smol_str::SmolStr;

use crate::batches::book::Book;
use crate::batches::record::{
    Batch, Dough, Ingredient, PlaceKind, Quantity, StageKind, StageRecord,
};
use crate::forecasts::ProofView;
use crate::store::{KeptOut, StoredReading};
use crate::time::UtcMs;

use super::rules::sensor_drift::Beside;
use super::say::Speech;

/// A reading older than this when it comes in is history: it re-fits the model and fires nothing.
pub const HISTORY_MS: i64 = 15 * 60_000;
/// An air reading older than this says nothing about now.
pub const AIR_STALE_MS: i64 = 15 * 60_000;
/// Top proofing temperature of an enriched dough whose recipe names none, °C: above it butter is
/// a thin liquid (it melts from 28 to 36 °C).
pub const CEILING_ENRICHED_C: f64 = 32.0;
/// The same for a lean dough, °C: commercial final proofs run to 38 °C.
pub const CEILING_LEAN_C: f64 = 38.0;

/// One thing that happened.
#[derive(Clone, Debug)]
pub enum Input<'a> {
    /// Readings, those held out of the model included.
    Readings(&'a [StoredReading]),
    /// The book as it now stands.
    Book(Arc<Book>),
    /// The proofs in progress, forecast anew.
    Proofs(BTreeMap<String, Arc<ProofView>>),
    /// The sensors as known.
    Sensors(Vec<SensorFacts>),
    /// What is around the rules: broker, disk, copy.
    Around(Around),
    /// The highest temperature that each oven place's light alone has reached before, °C.
    UsualTops(BTreeMap<String, f64>),
    /// How thermometers in one place read beside each other, hour by hour.
    Beside(Vec<Beside>),
    /// The clock was set, or the daemon just started: ages count from here.
    Afresh,
    /// A second has passed.
    Tick,
}

/// One sensor as the rules need it.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorFacts {
    /// Its name.
    pub sensor: String,
    /// Where it stands.
    pub place: Option<String>,
    /// The longest of its normal gaps, s; `None`: not known yet.
    pub longest_gap_s: Option<f64>,
    /// When it was last heard.
    pub last_heard: Option<UtcMs>,
    /// Whether it measures the air (only then can it warn of the oven).
    pub air: bool,
}

/// What is around the rules.
#[derive(Clone, Debug, PartialEq)]
pub struct Around {
    /// The broker is connected and subscribed.
    pub broker_ready: bool,
    /// The store's last write went through.
    pub store_writes: bool,
    /// Free bytes and size of the disk that holds the data directory, where known.
    pub disk: Option<(u64, u64)>,
    /// Points waiting for the outside copy; `None`: no copy is configured.
    pub copy_waiting: Option<i64>,
    /// The nightly copy is too old, or none could be made, and why where that is known.
    pub nightly_late: Option<String>,
    /// What the daily test found wrong, twice in a row; `None`: it has not run, or failed once.
    pub self_test: Option<Vec<String>>,
}

impl Default for Around {
    fn default() -> Self {
        Self {
            broker_ready: true,
            store_writes: true,
            disk: None,
            copy_waiting: None,
            nightly_late: None,
            self_test: None,
        }
    }
}

/// A proof in progress with all that belongs to it.
#[derive(Clone, Debug)]
pub struct Proof<'a> {
    /// Its stage.
    pub stage: &'a StageRecord,
    /// Its batch.
    pub batch: &'a Batch,
    /// Its dough's record, if there is one.
    pub dough: Option<&'a Dough>,
    /// Where it stands.
    pub place: &'a str,
    /// What kind of place that is.
    pub kind: PlaceKind,
    /// Its forecast, if there is one for this stage.
    pub view: Option<Arc<ProofView>>,
}

impl Proof<'_> {
    /// The key of the batch's stage.
    #[must_use]
    pub fn key(&self) -> (String, StageKind) {
        (self.batch.id.clone(), self.stage.stage)
    }

    /// The dough's name with a capital, as a message begins with it.
    #[must_use]
    pub fn title(&self) -> String {
        super::rules::capital(&self.batch.dough)
    }

    /// The batch's own formula, else its dough's.
    #[must_use]
    pub fn formula(&self) -> &[Ingredient] {
        self.batch
            .formula
            .as_deref()
            .or_else(|| self.dough.and_then(|d| d.formula.as_deref()))
            .unwrap_or_default()
    }

    /// Whether it holds egg, milk or fat, by its cautions or its formula.
    #[must_use]
    pub fn enriched(&self) -> bool {
        const RICH: [&str; 6] = ["egg", "milk", "butter", "cream", "fat", "yolk"];
        self.dough.is_some_and(|d| !d.caution.is_empty())
            || self.formula().iter().any(|i| {
                let kind = i.kind.as_deref().unwrap_or_default();
                let name = i.ingredient.to_lowercase();
                RICH.iter().any(|word| kind == *word || name.contains(word))
            })
    }

    /// Its top proofing temperature, °C: the recipe's, else the default of its kind.
    #[must_use]
    pub fn ceiling_c(&self) -> f64 {
        self.dough
            .and_then(|d| d.ceiling)
            .unwrap_or(if self.enriched() {
                CEILING_ENRICHED_C
            } else {
                CEILING_LEAN_C
            })
    }

    /// How long before ready its baker wants to know, minutes: bench and filling before the end of
    /// bulk (10 unless told), preheat and egg wash before the end of the final proof (30).
    #[must_use]
    pub fn lead_min(&self) -> f64 {
        let lead = self.dough.and_then(|d| d.lead_min).unwrap_or_default();
        match self.stage.stage {
            StageKind::Bulk => lead.bulk.unwrap_or(10.0),
            StageKind::Final => lead.final_.unwrap_or(30.0),
        }
    }
}

/// What the inputs so far add up to.
#[derive(Debug, Default)]
pub struct World {
    /// The moment of the newest input.
    pub now: UtcMs,
    /// Since when this stream has run without a break: no age is older. The beginning of time while
    /// what came before a start is gone through again.
    pub since: UtcMs,
    /// The book.
    pub book: Arc<Book>,
    /// Forecasts by batch.
    pub views: BTreeMap<String, Arc<ProofView>>,
    /// Sensors.
    pub sensors: Vec<SensorFacts>,
    /// Broker, disk, copy.
    pub around: Around,
    /// The newest believed air of each sensor in each place, °C.
    pub air: BTreeMap<SmolStr, BTreeMap<SmolStr, (UtcMs, f64)>>,
    /// The newest believed humidity of each place, %.
    pub humidity: BTreeMap<SmolStr, (UtcMs, f64)>,
    /// Highest temperature that each oven place's light alone has reached before, °C.
    pub usual_tops: BTreeMap<String, f64>,
    /// How times and temperatures are said.
    pub say: Speech,
}

impl World {
    /// Takes one input in.
    pub fn take(&mut self, now: UtcMs, input: &Input<'_>) {
        self.now = now;
        match input {
            Input::Readings(readings) => {
                for reading in *readings {
                    self.take_reading(reading);
                }
            }
            Input::Book(book) => self.book = Arc::clone(book),
            Input::Proofs(views) => self.views = views.clone(),
            Input::Sensors(sensors) => self.sensors.clone_from(sensors),
            Input::Around(around) => self.around = around.clone(),
            Input::UsualTops(tops) => self.usual_tops.clone_from(tops),
            Input::Afresh => self.since = now,
            Input::Tick | Input::Beside(_) => {}
        }
    }

    fn take_reading(&mut self, reading: &StoredReading) {
        let Some(place) = &reading.place else { return };
        if reading.kept_out.is_some() || !reading.value.is_finite() {
            return;
        }
        match reading.quantity {
            Quantity::AirTemperature => {
                let now = (reading.time, reading.value);
                let known = self.air.get_mut(place);
                match known.and_then(|sensors| sensors.get_mut(&reading.sensor)) {
                    Some(newest) if newest.0 <= reading.time => *newest = now,
                    Some(_) => {}
                    None => {
                        let sensors = self.air.entry(place.clone()).or_default();
                        sensors.insert(reading.sensor.clone(), now);
                    }
                }
            }
            Quantity::Humidity => {
                self.humidity
                    .insert(place.clone(), (reading.time, reading.value));
            }
            _ => {}
        }
    }

    /// Whether a reading is news: not history that came in late or by import.
    #[must_use]
    pub fn is_news(&self, reading: &StoredReading) -> bool {
        self.now.0.saturating_sub(reading.time.0) <= HISTORY_MS
    }

    /// Every proof in progress now.
    #[must_use]
    pub fn proofs(&self) -> Vec<Proof<'_>> {
        self.book
            .in_progress(self.now)
            .filter_map(|stage| {
                let batch = self.book.batches.get(&stage.batch)?;
                let place = self.book.place_at(&batch.id, self.now)?;
                Some(Proof {
                    stage,
                    batch,
                    dough: self.book.doughs.get(&batch.dough),
                    place,
                    kind: self.book.kind_of(place),
                    view: self
                        .views
                        .get(&batch.id)
                        .filter(|v| v.stage == stage.stage)
                        .cloned(),
                })
            })
            .collect()
    }

    /// The proof of a batch's stage, if in progress.
    #[must_use]
    pub fn proof(&self, batch: &str, stage: StageKind) -> Option<Proof<'_>> {
        self.proofs()
            .into_iter()
            .find(|p| p.batch.id == batch && p.stage.stage == stage)
    }

    /// The proofs that stand in a place now.
    #[must_use]
    pub fn standing_in(&self, place: &str) -> Vec<Proof<'_>> {
        self.proofs()
            .into_iter()
            .filter(|p| p.place == place)
            .collect()
    }

    /// When a proof was put where it stands: its start or its last move, whichever is later.
    #[must_use]
    pub fn put_there(&self, proof: &Proof<'_>) -> UtcMs {
        let moves = self.book.moves.keys();
        moves
            .filter(|(batch, time)| *batch == proof.batch.id && *time <= self.now)
            .map(|(_, time)| *time)
            .fold(proof.stage.start, UtcMs::max)
    }

    /// The places in which dough is proofing now.
    #[must_use]
    pub fn places_in_use(&self) -> BTreeSet<String> {
        self.proofs().iter().map(|p| p.place.to_owned()).collect()
    }

    /// The air of a place now, °C: the median of its sensors' newest readings.
    #[must_use]
    pub fn air_c(&self, place: &str) -> Option<f64> {
        let mut values: Vec<f64> = self
            .air
            .get(place)?
            .values()
            .filter(|(time, _)| self.now.0.saturating_sub(time.0) <= AIR_STALE_MS)
            .map(|(_, value)| *value)
            .collect();
        values.sort_by(f64::total_cmp);
        let n = values.len();
        match n {
            0 => None,
            _ if n % 2 == 1 => Some(values[n / 2]),
            _ => Some(f64::midpoint(values[n / 2 - 1], values[n / 2])),
        }
    }
}

/// Whether a reading is a probe's own error code, which is no temperature at all.
#[must_use]
pub fn is_error_code(reading: &StoredReading) -> bool {
    matches!(
        reading.kept_out,
        Some(KeptOut::NotANumber | KeptOut::ProbeFault | KeptOut::Future | KeptOut::UnknownTime)
    ) || !reading.value.is_finite()
}

//! The log book's records: the shapes that import, export, the HTTP interface and the store share.
//! Fields stand in the order in which export writes them; fields of others are kept in `extra`.

mod dough;
pub mod num;
mod place;
mod quantity;

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::time::UtcMs;

pub use dough::{Dough, Ingredient, LeadMin, Usual};
pub use place::{Place, PlaceKind, PlannedChange, Season};
pub use quantity::{Quantity, Unit};

/// Fields this version does not know, kept as they came.
pub type Extra = Map<String, Value>;

/// One line of the log book.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "record", rename_all = "snake_case")]
pub enum Record {
    /// Where dough stands.
    Place(Place),
    /// A dough as its recipe describes it.
    Dough(Dough),
    /// One mixing of a dough.
    Batch(Batch),
    /// A bulk or final proof of a batch.
    Stage(StageRecord),
    /// A batch carried to another place.
    Move(Move),
    /// Something the baker saw or measured.
    Observation(Observation),
    /// One measured value.
    Reading(Reading),
}

/// Which proof.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum StageKind {
    /// In one piece, before shaping.
    Bulk,
    /// Shaped, before the oven.
    Final,
}

impl StageKind {
    /// In the order in which they happen.
    pub const BOTH: [Self; 2] = [Self::Bulk, Self::Final];

    /// As the contract writes it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Bulk => "bulk",
            Self::Final => "final",
        }
    }
}

/// One mixing of a dough.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Batch {
    /// Its id, the key.
    pub id: String,
    /// The dough's name (that record need not exist).
    pub dough: String,
    /// Where it stands first.
    pub place: String,
    /// How many pieces it is shaped into.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pieces: Option<u32>,
    /// A piece's mass, grams.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub piece_mass_g: Option<f64>,
    /// What it was mixed with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub formula: Option<Vec<Ingredient>>,
    /// The batch it was split from at shaping, whose bulk proof it shares.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// `false` keeps it out of every fit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub learn: Option<bool>,
    /// Flour and yeast lots, if noted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lot: Option<Map<String, Value>>,
    /// The vessel or tin.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vessel: Option<String>,
    /// The rest.
    #[serde(flatten)]
    pub extra: Extra,
}

impl Batch {
    /// Whether a lid, cloth or film covers it (our own field `covered`); `None`: nobody said.
    #[must_use]
    pub fn covered(&self) -> Option<bool> {
        self.extra.get(COVERED)?.as_bool()
    }

    /// Says so.
    pub fn set_covered(&mut self, covered: bool) {
        self.extra.insert(COVERED.into(), covered.into());
    }
}

/// A field of our own beside the contract's.
const COVERED: &str = "covered";

/// How a stage ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// Right.
    Ready,
    /// Ended early.
    Under,
    /// Ended late.
    Over,
    /// Given up.
    Abandoned,
    /// Ended, nobody knows how: teaches nothing.
    Unknown,
}

/// A bulk or final proof.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StageRecord {
    /// Whose.
    pub batch: String,
    /// Which.
    pub stage: StageKind,
    /// When it began.
    pub start: UtcMs,
    /// When it ended; absent while it is in progress.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end: Option<UtcMs>,
    /// How it ended.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outcome: Option<Outcome>,
    /// The dough's own temperature at the start, °C.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub dough_temperature: Option<f64>,
    /// Who tapped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Where it stands from here on, if not where it stood.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// The rest.
    #[serde(flatten)]
    pub extra: Extra,
}

/// A batch carried to another place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Move {
    /// Whose.
    pub batch: String,
    /// When.
    pub time: UtcMs,
    /// Where to.
    pub place: String,
    /// Who tapped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// The rest.
    #[serde(flatten)]
    pub extra: Extra,
}

/// What kind of observation.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ObservationKind {
    /// A finger pressed into the dough.
    FingerDent,
    /// The dough's own temperature.
    DoughTemperature,
    /// Words.
    Note,
    /// How far it has grown.
    Rise,
}

impl ObservationKind {
    /// As the contract writes it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::FingerDent => "finger_dent",
            Self::DoughTemperature => "dough_temperature",
            Self::Note => "note",
            Self::Rise => "rise",
        }
    }
}

/// What a finger dent did.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Dent {
    /// Needs longer.
    SpringsBack,
    /// Ready.
    ReturnsSlowly,
    /// Gone too far.
    Stays,
}

/// Something the baker saw or measured; the field of its `kind` is set (checked at the door).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Observation {
    /// Whose.
    pub batch: String,
    /// When.
    pub time: UtcMs,
    /// What kind.
    pub kind: ObservationKind,
    /// For `rise`: the fraction it has grown by.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub rise: Option<f64>,
    /// For `finger_dent`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub result: Option<Dent>,
    /// For `dough_temperature`, in `unit`.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub value: Option<f64>,
    /// For `dough_temperature`: `Cel`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Who tapped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// For `note`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// The rest.
    #[serde(flatten)]
    pub extra: Extra,
}

/// One measured value: one sensor, one quantity, one millisecond.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// When.
    pub time: UtcMs,
    /// Which sensor.
    pub sensor: String,
    /// What.
    pub quantity: Quantity,
    /// Corrected, in the quantity's unit.
    #[serde(with = "num")]
    pub value: f64,
    /// Its unit.
    pub unit: Unit,
    /// The batch, for a sensor in the dough.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub batch: Option<String>,
    /// Why it is not believed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kept_out: Option<String>,
    /// Where the sensor stood, if not in the place of its name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// As it came, where that differs.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub raw: Option<f64>,
    /// The unit it came in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw_unit: Option<Unit>,
}

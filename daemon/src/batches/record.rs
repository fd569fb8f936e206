//! The log book's records: the shapes that import, export, the HTTP interface and the store share.
//! Fields stand in the order in which export writes them; fields of others are kept in `extra`.

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::store::KeptOut;
use crate::time::UtcMs;

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

/// What kind of place it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PlaceKind {
    /// A room: follows the house.
    Room,
    /// A proof box: has a plateau of its own.
    Box,
    /// An oven that is off, its light on or off.
    Oven,
    /// A fridge.
    Fridge,
}

/// A place owns history; devices are assigned to it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// Its name, the key.
    pub name: String,
    /// What kind of place it is; a place without one is treated as a room.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<PlaceKind>,
    /// The place around it, towards which its air relaxes (a box in a room).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inside: Option<String>,
    /// Whether its lamp is said to be on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lamp: Option<bool>,
    /// The rest.
    #[serde(flatten)]
    pub extra: Extra,
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

/// What a recipe says of one stage.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Usual {
    /// The recipe's usual time, minutes.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub usual_min: Option<f64>,
    /// The temperature at which it holds, °C.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub at: Option<f64>,
    /// The rise at which it is ready (0.8 = grown by 80 %).
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub target_rise: Option<f64>,
}

/// How long before ready the baker wants to know, minutes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LeadMin {
    /// Before bulk is ready: bench and filling.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub bulk: Option<f64>,
    /// Before final is ready: preheat and egg wash.
    #[serde(
        default,
        rename = "final",
        skip_serializing_if = "Option::is_none",
        with = "num::option"
    )]
    pub final_: Option<f64>,
}

/// A dough as its recipe describes it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(from = "nested::Shape", into = "nested::Shape")]
pub struct Dough {
    /// Its name, the key.
    pub name: String,
    /// What the recipe says of the bulk proof.
    pub bulk: Option<Usual>,
    /// What the recipe says of the final proof.
    pub final_: Option<Usual>,
    /// Top proofing temperature, °C.
    pub ceiling: Option<f64>,
    /// When to tell that it is nearly ready.
    pub lead_min: Option<LeadMin>,
    /// What to be careful of: `egg`, `milk`, ….
    pub caution: Vec<String>,
    /// Its formula; a batch without one takes a copy at its first stage.
    pub formula: Option<Vec<Ingredient>>,
    /// The rest; what is not known inside `bulk`, `final` and `lead_min` stands here under its JSON
    /// Pointer (`/bulk/folds`).
    pub extra: Extra,
}

/// A dough as it is written: unknown fields stand where they came from.
mod nested {
    use serde::{Deserialize, Serialize};

    use super::{Dough, Extra, Ingredient, LeadMin, Usual, num};

    #[derive(Serialize, Deserialize)]
    struct With<T> {
        #[serde(flatten)]
        known: T,
        #[serde(flatten)]
        extra: Extra,
    }

    #[derive(Serialize, Deserialize)]
    pub(super) struct Shape {
        name: String,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        bulk: Option<With<Usual>>,
        #[serde(default, rename = "final", skip_serializing_if = "Option::is_none")]
        final_: Option<With<Usual>>,
        #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
        ceiling: Option<f64>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lead_min: Option<With<LeadMin>>,
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        caution: Vec<String>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        formula: Option<Vec<Ingredient>>,
        #[serde(flatten)]
        extra: Extra,
    }

    fn fold<T>(inner: Option<With<T>>, at: &str, extra: &mut Extra) -> Option<T> {
        inner.map(|inner| {
            for (name, value) in inner.extra {
                extra.insert(format!("/{at}/{name}"), value);
            }
            inner.known
        })
    }

    fn unfold<T>(known: Option<T>, at: &str, extra: &mut Extra) -> Option<With<T>> {
        let prefix = format!("/{at}/");
        let names: Vec<String> = extra
            .keys()
            .filter(|name| name.starts_with(&prefix))
            .cloned()
            .collect();
        let inside = names
            .into_iter()
            .filter_map(|name| {
                let value = extra.shift_remove(&name)?;
                Some((name[prefix.len()..].to_owned(), value))
            })
            .collect();
        known.map(|known| With {
            known,
            extra: inside,
        })
    }

    impl From<Shape> for Dough {
        fn from(shape: Shape) -> Self {
            let mut extra = shape.extra;
            Self {
                name: shape.name,
                bulk: fold(shape.bulk, "bulk", &mut extra),
                final_: fold(shape.final_, "final", &mut extra),
                ceiling: shape.ceiling,
                lead_min: fold(shape.lead_min, "lead_min", &mut extra),
                caution: shape.caution,
                formula: shape.formula,
                extra,
            }
        }
    }

    impl From<Dough> for Shape {
        fn from(dough: Dough) -> Self {
            let mut extra = dough.extra;
            Self {
                name: dough.name,
                bulk: unfold(dough.bulk, "bulk", &mut extra),
                final_: unfold(dough.final_, "final", &mut extra),
                ceiling: dough.ceiling,
                lead_min: unfold(dough.lead_min, "lead_min", &mut extra),
                caution: dough.caution,
                formula: dough.formula,
                extra,
            }
        }
    }
}

/// One line of a formula.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Ingredient {
    /// Its name as written.
    pub ingredient: String,
    /// Its mass, grams.
    #[serde(with = "num")]
    pub mass_g: f64,
    /// Its kind (`flour`, `water`, …); guessed from the name where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
    /// The rest.
    #[serde(flatten)]
    pub extra: Extra,
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

/// What a sensor measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// The air around the dough, `Cel`.
    AirTemperature,
    /// A sensor's battery, `%EL`.
    Battery,
    /// The dough's height over the vessel's floor, `m`.
    DoughHeight,
    /// The dough itself, `Cel`.
    DoughTemperature,
    /// Relative humidity, `%RH`.
    Humidity,
    /// The dough's skin or a wall, `Cel`.
    SurfaceTemperature,
}

impl Quantity {
    /// All of them, by code point of their names.
    pub const ALL: [Self; 6] = [
        Self::AirTemperature,
        Self::Battery,
        Self::DoughHeight,
        Self::DoughTemperature,
        Self::Humidity,
        Self::SurfaceTemperature,
    ];

    /// As the contract writes it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::AirTemperature => "air_temperature",
            Self::Battery => "battery",
            Self::DoughHeight => "dough_height",
            Self::DoughTemperature => "dough_temperature",
            Self::Humidity => "humidity",
            Self::SurfaceTemperature => "surface_temperature",
        }
    }

    /// From the contract's word.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|q| q.as_str() == name)
    }

    /// Whether it belongs to a dough rather than to a place.
    #[must_use]
    pub fn is_of_dough(self) -> bool {
        matches!(self, Self::DoughHeight | Self::DoughTemperature)
    }

    /// What it can be in a kitchen, in its stored unit, both ends included: beyond, a reading is
    /// kept out of the model. (Common practice, no published source: air and walls up to an oven's
    /// hottest, dough between frozen and baking through.)
    #[must_use]
    pub fn plausible_range(self) -> (f64, f64) {
        match self {
            Self::AirTemperature | Self::SurfaceTemperature => (-40.0, 300.0),
            Self::DoughTemperature => (-40.0, 110.0),
            Self::DoughHeight => (0.0, 2.0),
            Self::Humidity | Self::Battery => (0.0, 100.0),
        }
    }

    /// Why a value cannot be true, as far as the value alone shows it: not a number, a probe's word
    /// for "disconnected" (-127 °C and 127.94 °C, from the data sheet of a common one-wire probe and
    /// its drivers), or beyond [`Self::plausible_range`].
    #[must_use]
    pub fn implausible(self, value: f64) -> Option<KeptOut> {
        const DISCONNECTED_C: [f64; 2] = [-127.0, 127.94];
        const AS_WRITTEN: f64 = 1e-6;
        let (low, high) = self.plausible_range();
        if !value.is_finite() {
            Some(KeptOut::NotANumber)
        } else if self.unit() == Unit::Cel
            && DISCONNECTED_C
                .iter()
                .any(|v| (value - v).abs() < AS_WRITTEN)
        {
            Some(KeptOut::ProbeFault)
        } else if value < low || value > high {
            Some(KeptOut::OutOfRange)
        } else {
            None
        }
    }

    /// The unit it is stored in.
    #[must_use]
    pub fn unit(self) -> Unit {
        match self {
            Self::AirTemperature | Self::DoughTemperature | Self::SurfaceTemperature => Unit::Cel,
            Self::Battery => Unit::PercentCharge,
            Self::DoughHeight => Unit::Metre,
            Self::Humidity => Unit::PercentRh,
        }
    }
}

/// Units of the SenML registry (RFC 8428), and `degF`, which the registry lacks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Unit {
    /// Degrees Celsius.
    #[serde(rename = "Cel")]
    Cel,
    /// Kelvin.
    #[serde(rename = "K")]
    Kelvin,
    /// Degrees Fahrenheit.
    #[serde(rename = "degF")]
    DegF,
    /// Relative humidity in per cent.
    #[serde(rename = "%RH")]
    PercentRh,
    /// Metres.
    #[serde(rename = "m")]
    Metre,
    /// Remaining charge in per cent.
    #[serde(rename = "%EL")]
    PercentCharge,
}

impl Unit {
    /// As the contract writes it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Cel => "Cel",
            Self::Kelvin => "K",
            Self::DegF => "degF",
            Self::PercentRh => "%RH",
            Self::Metre => "m",
            Self::PercentCharge => "%EL",
        }
    }

    /// From the contract's word.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [
            Self::Cel,
            Self::Kelvin,
            Self::DegF,
            Self::PercentRh,
            Self::Metre,
            Self::PercentCharge,
        ]
        .into_iter()
        .find(|u| u.as_str() == name)
    }

    /// `value` in this unit, converted to what the store keeps (°C for temperatures).
    #[must_use]
    pub fn to_stored(self, value: f64) -> f64 {
        match self {
            Self::Kelvin => value - 273.15,
            Self::DegF => (value - 32.0) / 1.8,
            _ => value,
        }
    }
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

/// Numbers in the log book: the shortest text that reads back the same, whole ones without `.0`.
pub mod num {
    use serde::{Deserialize, Deserializer, Serializer};

    /// Writes a whole number as one.
    ///
    /// # Errors
    /// The serializer's own.
    pub fn serialize<S: Serializer>(value: &f64, s: S) -> Result<S::Ok, S::Error> {
        // A whole number below 1e16 is exact in both types; from there on it is written with an exponent.
        if value.fract() == 0.0 && value.abs() < 1e16 {
            s.serialize_i64(*value as i64)
        } else {
            s.serialize_f64(*value)
        }
    }

    /// Reads any number.
    ///
    /// # Errors
    /// The deserializer's own.
    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<f64, D::Error> {
        f64::deserialize(d)
    }

    /// The same for a field that may be absent.
    pub mod option {
        use serde::{Deserialize, Deserializer, Serializer};

        /// Writes a whole number as one.
        ///
        /// # Errors
        /// The serializer's own.
        pub fn serialize<S: Serializer>(value: &Option<f64>, s: S) -> Result<S::Ok, S::Error> {
            match value {
                Some(v) => super::serialize(v, s),
                None => s.serialize_none(),
            }
        }

        /// Reads any number.
        ///
        /// # Errors
        /// The deserializer's own.
        pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Option<f64>, D::Error> {
            Option::<f64>::deserialize(d)
        }
    }
}

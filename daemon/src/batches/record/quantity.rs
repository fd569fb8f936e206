//! What a sensor measures, and in which unit.

use serde::{Deserialize, Serialize};

use crate::store::KeptOut;

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

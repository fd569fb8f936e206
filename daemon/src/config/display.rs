//! `[display]`: `zone`, `unit`.

use serde::Deserialize;

/// How times and temperatures are shown. What is absent can be set on the page.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default)]
pub struct Display {
    /// An IANA time zone; absent: the machine's.
    pub zone: Option<String>,
    /// `degC` or `degF`; absent: °C.
    pub unit: Option<TemperatureUnit>,
}

/// How temperatures are shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, serde::Serialize)]
pub enum TemperatureUnit {
    /// Degrees Celsius.
    #[default]
    #[serde(rename = "degC")]
    Celsius,
    /// Degrees Fahrenheit.
    #[serde(rename = "degF")]
    Fahrenheit,
}

impl TemperatureUnit {
    /// A temperature for people, one decimal.
    #[must_use]
    pub fn show(self, temperature_c: f64) -> String {
        match self {
            Self::Celsius => format!("{temperature_c:.1} °C"),
            Self::Fahrenheit => format!("{:.1} °F", temperature_c * 1.8 + 32.0),
        }
    }
}

/// The zone in which times are shown: the configured one, else the machine's.
#[must_use]
pub fn zone(display: &Display) -> jiff::tz::TimeZone {
    // A configured zone was checked when the configuration was read.
    display
        .zone
        .as_deref()
        .and_then(|name| jiff::tz::TimeZone::get(name).ok())
        .unwrap_or_else(jiff::tz::TimeZone::system)
}

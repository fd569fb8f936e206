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

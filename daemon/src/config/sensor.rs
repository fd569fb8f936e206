//! `[[sensor]]`: how a payload becomes a reading. The page and the command line write the same
//! shape into the store's settings; what the configuration sets wins.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::batches::record::{Quantity, Unit};
use crate::time::UtcMs;

/// One mapping from a topic to a quantity. Several may share a name: one device, several quantities.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sensor {
    /// The sensor's name; `{1}` stands for the text of the topic's first wildcard.
    pub name: String,
    /// Where it stands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// The topic; `+` and `#` allowed.
    pub topic: String,
    /// JSON Pointer (RFC 6901) to the value; absent: the payload is the bare number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pointer: Option<String>,
    /// JSON Pointer to the time (RFC 3339, s since 1970, or ms from 1e11 up); absent: time of arrival.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_pointer: Option<String>,
    /// Only payloads that hold these values at these pointers.
    #[serde(default, rename = "match", skip_serializing_if = "BTreeMap::is_empty")]
    pub matches: BTreeMap<String, Value>,
    /// What it measures.
    pub quantity: Quantity,
    /// In which unit it says it.
    pub unit: Unit,
    /// Longest normal gap, seconds; absent: measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interval_s: Option<f64>,
    /// Which record of a SenML array (RFC 8428), by its full name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub senml_name: Option<String>,
    /// For a distance sensor above the dough: its distance to the empty vessel's floor, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub empty_distance_m: Option<f64>,
    /// `model`: of several air sensors in a place, the one the model goes by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<String>,
    /// The batch it is stuck into.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub batch: Option<String>,
    /// Dated corrections, in force from their date until the next.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub correction: Vec<Correction>,
}

/// A dated correction: one point (an offset) or two (a line). `shown` is what the sensor says,
/// `is` what a trusted thermometer says, in the quantity's stored unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// In force from here on.
    pub from: UtcMs,
    /// `[shown, is]` pairs: one or two.
    pub points: Vec<[f64; 2]>,
}

impl Sensor {
    /// Whether it can work: the key that is wrong and why.
    ///
    /// # Errors
    /// The key and one line.
    pub fn check(&self) -> Result<(), (&'static str, String)> {
        if self.name.trim().is_empty() {
            return Err(("name", "a sensor needs a name".into()));
        }
        if !topic_filter_is_valid(&self.topic) {
            return Err((
                "topic",
                format!("`{}` is not an MQTT topic filter", self.topic),
            ));
        }
        for (key, pointer) in [
            ("pointer", &self.pointer),
            ("time_pointer", &self.time_pointer),
        ] {
            if pointer
                .as_ref()
                .is_some_and(|p| !p.is_empty() && !p.starts_with('/'))
            {
                return Err((
                    key,
                    "a JSON Pointer starts with `/`, like /temperature".into(),
                ));
            }
        }
        let temperature = self.quantity.unit() == Unit::Cel;
        let fits = match self.unit {
            Unit::Cel | Unit::Kelvin | Unit::DegF => temperature,
            unit => unit == self.quantity.unit(),
        };
        if !fits {
            let (unit, quantity) = (self.unit.as_str(), self.quantity.as_str());
            return Err(("unit", format!("`{unit}` does not measure `{quantity}`")));
        }
        if self.interval_s.is_some_and(|s| !(s.is_finite() && s > 0.0)) {
            return Err(("interval_s", "must be more than 0 seconds".into()));
        }
        if self.empty_distance_m.is_some() && self.quantity != Quantity::DoughHeight {
            return Err(("empty_distance_m", "goes only with `dough_height`".into()));
        }
        if self.role.as_ref().is_some_and(|r| r != "model") {
            return Err(("role", "is `model` or absent".into()));
        }
        Ok(())
    }
}

/// MQTT 5, section 4.7: `+` fills a level, `#` fills the last; neither empty nor with a NUL.
fn topic_filter_is_valid(filter: &str) -> bool {
    let levels: Vec<&str> = filter.split('/').collect();
    let last = levels.len() - 1;
    !filter.is_empty()
        && !filter.contains('\0')
        && levels.iter().enumerate().all(|(i, level)| match *level {
            "+" => true,
            "#" => i == last,
            other => !other.contains(['+', '#']),
        })
}

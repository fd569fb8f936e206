//! `[[sensor]]`: how a payload becomes a reading. The page and the command line write the same
//! shape into the store's settings; what the configuration sets wins.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::batches::record::{Quantity, Unit};
use crate::ingest::{payload, topic};
use crate::time::UtcMs;

/// Longest name of a sensor or a place, characters.
const NAME: usize = 64;
/// Longest gap that can be called normal, s: a week.
const LONGEST_GAP_S: f64 = 604_800.0;
/// Two points of a correction nearer than this make no line worth having.
const APART: f64 = 1.0;

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
        for (key, name) in [("name", Some(&self.name)), ("place", self.place.as_ref())] {
            if name.is_some_and(|n| {
                n.trim().is_empty() || n.chars().count() > NAME || n.chars().any(char::is_control)
            }) {
                return Err((
                    key,
                    format!("needs 1 to {NAME} characters, none of them control characters"),
                ));
            }
        }
        let filter = topic::Filter::parse(&self.topic).map_err(|e| ("topic", e))?;
        if filter.is_exact() && topic::fill(&self.name, &["x"]) != self.name {
            return Err((
                "name",
                format!(
                    "`{{1}}` stands for the topic's first wildcard, and `{}` has none",
                    self.topic
                ),
            ));
        }
        let pointers = [
            ("pointer", &self.pointer),
            ("time_pointer", &self.time_pointer),
        ];
        for (key, pointer) in pointers
            .into_iter()
            .filter_map(|(k, p)| Some((k, p.as_ref()?)))
            .chain(self.matches.keys().map(|p| ("match", p)))
        {
            if !pointer.is_empty() && !pointer.starts_with('/') {
                return Err((
                    key,
                    "a JSON Pointer starts with `/`, like /temperature".into(),
                ));
            }
        }
        if !payload::fits(self.unit, self.quantity) {
            let (unit, quantity) = (self.unit.as_str(), self.quantity.as_str());
            return Err(("unit", format!("`{unit}` does not measure `{quantity}`")));
        }
        if self
            .interval_s
            .is_some_and(|s| !(s > 0.0 && s <= LONGEST_GAP_S))
        {
            return Err((
                "interval_s",
                "must be more than 0 seconds and at most a week".into(),
            ));
        }
        if let Some(distance) = self.empty_distance_m
            && (self.quantity != Quantity::DoughHeight || !(0.0..=10.0).contains(&distance))
        {
            return Err((
                "empty_distance_m",
                "goes only with `dough_height`, and is 0 to 10 m".into(),
            ));
        }
        if self.role.as_ref().is_some_and(|r| r != "model") {
            return Err(("role", "is `model` or absent".into()));
        }
        for correction in &self.correction {
            let points = &correction.points;
            if !(1..=2).contains(&points.len()) || points.iter().flatten().any(|v| !v.is_finite()) {
                return Err(("correction", "has one or two `[shown, is]` points".into()));
            }
            if let [[a, _], [b, _]] = points[..]
                && (a - b).abs() < APART
            {
                return Err((
                    "correction",
                    "has two points less than 1 apart: take one, or points further apart".into(),
                ));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn wrong(change: Value) -> Option<&'static str> {
        let mut all =
            json!({"name":"box","topic":"k/box","quantity":"air_temperature","unit":"Cel"});
        for (k, v) in change.as_object().unwrap() {
            all[k] = v.clone();
        }
        let sensor: Sensor = serde_json::from_value(all).unwrap();
        sensor.check().err().map(|(key, _)| key)
    }

    #[test]
    fn what_cannot_work_is_named() {
        assert_eq!(wrong(json!({})), None);
        assert_eq!(wrong(json!({"name":"{1}","topic":"k/+/s"})), None);
        for (key, change) in [
            ("name", json!({"name":" "})),
            ("name", json!({"name":"{1}"})),
            ("place", json!({"place":"a\nb"})),
            ("topic", json!({"topic":"a/#/b"})),
            ("pointer", json!({"pointer":"temperature"})),
            ("match", json!({"match":{"id":1}})),
            ("unit", json!({"unit":"%RH"})),
            ("interval_s", json!({"interval_s":0})),
            ("empty_distance_m", json!({"empty_distance_m":0.3})),
            ("role", json!({"role":"main"})),
            (
                "correction",
                json!({"correction":[{"from":"2026-01-01T00:00:00Z","points":[]}]}),
            ),
        ] {
            assert_eq!(wrong(change), Some(key));
        }
    }
}

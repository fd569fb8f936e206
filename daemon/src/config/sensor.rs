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

/// One mapping from a topic to a quantity. Several may share a name: one device, several quantities.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
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
#[serde(deny_unknown_fields)]
pub struct Correction {
    /// In force from here on.
    pub from: UtcMs,
    /// `[shown, is]` pairs: one or two.
    pub points: Vec<[f64; 2]>,
}

impl Sensor {
    /// Whether it can work.
    ///
    /// # Errors
    /// One line: which key is wrong and what to write.
    pub fn check(&self) -> Result<(), String> {
        self.check_keys()
            .map_err(|(_, why)| format!("sensor `{}`: {why}", self.name))
    }

    /// Whether it can work.
    ///
    /// # Errors
    /// The key that is wrong, and one line.
    pub fn check_keys(&self) -> Result<(), (&'static str, String)> {
        let name_ok = |n: &str| {
            !n.trim().is_empty() && n.chars().count() <= NAME && !n.chars().any(char::is_control)
        };
        if !name_ok(&self.name) {
            return Err(("name", format!(
                "`name` needs 1 to {NAME} characters, none of them control characters"
            )));
        }
        if self.place.as_deref().is_some_and(|p| !name_ok(p)) {
            return Err(("place", format!(
                "`place` needs 1 to {NAME} characters, none of them control characters"
            )));
        }
        let filter = topic::Filter::parse(&self.topic).map_err(|e| ("topic", e.to_string()))?;
        let wildcards = filter
            .as_str()
            .split('/')
            .filter(|level| matches!(*level, "+" | "#"))
            .count();
        let filled = topic::fill(&self.name, &vec!["x"; wildcards]);
        if filled.contains("{1}") {
            return Err(("name", format!(
                "`{{1}}` stands for the topic's first wildcard, but `{}` has none",
                self.topic
            )));
        }
        for (key, pointer) in [
            ("pointer", &self.pointer),
            ("time_pointer", &self.time_pointer),
        ]
        .into_iter()
        .filter_map(|(k, p)| Some((k, p.as_deref()?)))
        .chain(self.matches.keys().map(|p| ("match", p.as_str())))
        {
            if !pointer.is_empty() && !pointer.starts_with('/') {
                return Err((key, format!(
                    "`{key}` `{pointer}` is no JSON Pointer: write it like `/temperature`"
                )));
            }
        }
        if !payload::fits(self.unit, self.quantity) {
            return Err(("unit", format!(
                "{} cannot be in `{}`",
                self.quantity.as_str(),
                self.unit.as_str()
            )));
        }
        if self
            .interval_s
            .is_some_and(|s| !s.is_finite() || s <= 0.0 || s > 604_800.0)
        {
            return Err(("interval_s", format!(
                "`interval_s` is the longest normal gap in seconds, more than 0 and at most a week"
            )));
        }
        if let Some(distance) = self.empty_distance_m
            && (self.quantity != Quantity::DoughHeight
                || !distance.is_finite()
                || !(0.0..=10.0).contains(&distance))
        {
            return Err(("empty_distance_m", format!(
                "`empty_distance_m` goes with `dough_height` and is 0 to 10 m"
            )));
        }
        if self.role.as_deref().is_some_and(|r| r != "model") {
            return Err(("role", format!("`role` can only be `model`")));
        }
        for correction in &self.correction {
            let points = &correction.points;
            if !(1..=2).contains(&points.len()) || points.iter().flatten().any(|v| !v.is_finite()) {
                return Err(("correction", format!(
                    "a `correction` has one or two `[shown, is]` points"
                )));
            }
            if let [[a, _], [b, _]] = points[..]
                && (a - b).abs() < 1.0
            {
                return Err(("correction", format!(
                    "the two points of a `correction` lie less than 1 apart: take one, or points further apart"
                )));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn check(change: Value) -> Result<(), String> {
        let mut all =
            json!({"name":"box","topic":"k/box","quantity":"air_temperature","unit":"Cel"});
        for (k, v) in change.as_object().unwrap() {
            all[k] = v.clone();
        }
        serde_json::from_value::<Sensor>(all)
            .map_err(|e| e.to_string())?
            .check()
    }

    #[test]
    fn what_cannot_work_is_named() {
        assert_eq!(check(json!({})), Ok(()));
        assert_eq!(check(json!({"name":"{1}","topic":"k/+/s"})), Ok(()));
        for (change, says) in [
            (json!({"name":" "}), "`name`"),
            (json!({"topic":"a/#/b"}), "`#`"),
            (json!({"name":"{1}"}), "wildcard"),
            (json!({"pointer":"temperature"}), "`/temperature`"),
            (json!({"unit":"%RH"}), "`%RH`"),
            (json!({"interval_s":0}), "interval_s"),
            (json!({"empty_distance_m":0.3}), "empty_distance_m"),
            (json!({"role":"main"}), "role"),
            (
                json!({"correction":[{"from":"2026-01-01T00:00:00Z","points":[]}]}),
                "correction",
            ),
            (json!({"colour":"red"}), "colour"),
        ] {
            let error = check(change).unwrap_err();
            assert!(error.contains(says), "{error}");
        }
    }
}

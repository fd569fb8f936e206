//! `[[sensor]]`: how a payload becomes a reading. The page and the command line write the same
//! shape into the store's settings; what the configuration sets wins.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::batches::record::{Quantity, Unit};
use crate::time::UtcMs;

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

//! Sensors as the pages and the rules see them: what is assigned, when each was last heard, and
//! which topics nothing claims.

use std::collections::BTreeMap;
use std::sync::RwLock;

use serde::{Deserialize, Serialize};

use crate::batches::record::{Quantity, Unit};
use crate::config::sensor::Sensor;
use crate::store::StoredReading;
use crate::time::UtcMs;

/// Topics kept in the list of what nothing claims; beyond it the oldest goes.
pub const HEARD_TOPICS: usize = 200;

/// One sensor's quantity.
#[derive(Clone, Debug)]
pub struct Channel {
    /// The sensor's name.
    pub sensor: String,
    /// What it measures.
    pub quantity: Quantity,
    /// How it is mapped; `None` for one known only from its stored readings.
    pub spec: Option<Sensor>,
    /// Whether the configuration file (which the page cannot change) maps it.
    pub from_config: bool,
    /// The newest reading, believed or not.
    pub newest: Option<StoredReading>,
    /// The newest reading the model believes.
    pub newest_believed: Option<StoredReading>,
    /// Longest normal gap, s: configured or measured; `None` until three readings have come.
    pub longest_gap_s: Option<f64>,
    /// Whether a retained message without a time stands in for news: its age is unknown.
    pub retained_value: Option<f64>,
}

/// One quantity guessed in a payload that nothing claims.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Guess {
    /// JSON Pointer to it; `None`: the payload is the bare number.
    pub pointer: Option<String>,
    /// What it seems to be.
    pub quantity: Quantity,
    /// Its unit, as guessed.
    pub unit: Unit,
    /// Its value now.
    pub value: f64,
}

/// A topic that nothing claims.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Heard {
    /// The topic.
    pub topic: String,
    /// When its newest message came.
    pub at: UtcMs,
    /// That message, cut to a line.
    pub preview: String,
    /// Whether it was a retained message.
    pub retained: bool,
    /// What it seems to hold.
    pub guesses: Vec<Guess>,
}

/// The board; ingest writes it, everyone reads it.
#[derive(Debug, Default)]
pub struct SensorBoard {
    channels: RwLock<BTreeMap<(String, Quantity), Channel>>,
    heard: RwLock<BTreeMap<String, Heard>>,
}

impl SensorBoard {
    /// Every channel, by sensor and quantity.
    #[must_use]
    pub fn channels(&self) -> Vec<Channel> {
        self.channels
            .read()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .values()
            .cloned()
            .collect()
    }

    /// Every topic that nothing claims, by name.
    #[must_use]
    pub fn heard(&self) -> Vec<Heard> {
        self.heard
            .read()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .values()
            .cloned()
            .collect()
    }

    /// Changes the channels in one go.
    pub fn with_channels<R>(
        &self,
        change: impl FnOnce(&mut BTreeMap<(String, Quantity), Channel>) -> R,
    ) -> R {
        change(
            &mut self
                .channels
                .write()
                .unwrap_or_else(std::sync::PoisonError::into_inner),
        )
    }

    /// Changes the list of unclaimed topics in one go.
    pub fn with_heard<R>(&self, change: impl FnOnce(&mut BTreeMap<String, Heard>) -> R) -> R {
        change(
            &mut self
                .heard
                .write()
                .unwrap_or_else(std::sync::PoisonError::into_inner),
        )
    }
}

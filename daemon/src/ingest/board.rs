//! Sensors as the pages and the rules see them: what is assigned, when each was last heard, and
//! which topics nothing claims.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, PoisonError, RwLock};

use serde::{Deserialize, Serialize};
use smol_str::SmolStr;
use tokio::sync::watch;

use crate::batches::record::{Quantity, Unit};
use crate::config::sensor::Sensor;
use crate::store::{KeptOut, StoredReading};
use crate::time::UtcMs;

use super::mapping::Mappings;

/// Topics kept in the list of what nothing claims; beyond it the oldest goes.
pub const HEARD_TOPICS: usize = 200;

/// Messages set aside that can be looked at; the counters know how many there were.
pub const SET_ASIDE: usize = 100;

/// A message that could not be used: acknowledged, not stored.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SetAside {
    /// Its topic.
    pub topic: String,
    /// When it came.
    pub at: UtcMs,
    /// Why, in one line.
    pub why: String,
    /// Its payload, cut to a line.
    pub preview: String,
}

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
    /// When the last reading came, whatever its own time and whether it is believed.
    pub last_heard: Option<UtcMs>,
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
    /// For a SenML payload: the record's full name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub senml_name: Option<String>,
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
    set_aside: RwLock<VecDeque<SetAside>>,
    mappings: watch::Sender<Arc<Mappings>>,
    listen_until: watch::Sender<UtcMs>,
}

impl SensorBoard {
    /// Every channel, by sensor and quantity.
    #[must_use]
    pub fn channels(&self) -> Vec<Channel> {
        self.channels
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .values()
            .cloned()
            .collect()
    }

    /// Every topic that nothing claims, by name.
    #[must_use]
    pub fn heard(&self) -> Vec<Heard> {
        self.heard
            .read()
            .unwrap_or_else(PoisonError::into_inner)
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
                .unwrap_or_else(PoisonError::into_inner),
        )
    }

    /// Changes the list of unclaimed topics in one go.
    pub fn with_heard<R>(&self, change: impl FnOnce(&mut BTreeMap<String, Heard>) -> R) -> R {
        change(&mut self.heard.write().unwrap_or_else(PoisonError::into_inner))
    }

    /// The newest messages that could not be used, newest first.
    #[must_use]
    pub fn set_aside(&self) -> Vec<SetAside> {
        self.set_aside
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .iter()
            .rev()
            .cloned()
            .collect()
    }

    /// Notes a message that could not be used.
    pub(super) fn put_aside(&self, message: SetAside) {
        let mut list = self
            .set_aside
            .write()
            .unwrap_or_else(PoisonError::into_inner);
        if list.len() == SET_ASIDE {
            list.pop_front();
        }
        list.push_back(message);
    }

    /// Asks the connection to an outside broker to listen for topics that nothing claims until then
    /// (the embedded broker always hears them).
    pub fn listen_for_topics(&self, until: UtcMs) {
        self.listen_until.send_replace(until);
    }

    /// Until when an outside broker is listened to for unclaimed topics.
    #[must_use]
    pub fn listening_until(&self) -> UtcMs {
        *self.listen_until.borrow()
    }

    pub(super) fn watch_listening(&self) -> watch::Receiver<UtcMs> {
        self.listen_until.subscribe()
    }

    pub(super) fn mappings(&self) -> Arc<Mappings> {
        Arc::clone(&self.mappings.borrow())
    }

    pub(super) fn watch_mappings(&self) -> watch::Receiver<Arc<Mappings>> {
        self.mappings.subscribe()
    }

    /// Puts new mappings in force and brings the channels' `spec` up to date.
    pub(super) fn put_mappings(&self, mappings: Mappings) {
        self.with_channels(|channels| {
            for mapping in mappings.iter().filter(|m| !m.spec.name.contains('{')) {
                let key = (mapping.spec.name.clone(), mapping.spec.quantity);
                channels
                    .entry(key)
                    .or_insert_with_key(|(sensor, quantity)| Channel::new(sensor, *quantity));
            }
            for ((sensor, quantity), channel) in channels.iter_mut() {
                channel.map(mappings.of(sensor, *quantity));
            }
            channels.retain(|_, c| c.spec.is_some() || c.newest.is_some());
        });
        self.mappings.send_replace(Arc::new(mappings));
    }

    /// Notes what retained messages without a time say: shown, but never as news.
    pub(super) fn retained(&self, values: Vec<(SmolStr, Quantity, f64)>) {
        if values.is_empty() {
            return;
        }
        let mappings = self.mappings();
        self.with_channels(|channels| {
            for (sensor, quantity, value) in values {
                let channel = channels
                    .entry((sensor.into(), quantity))
                    .or_insert_with_key(|(sensor, quantity)| {
                        let mut channel = Channel::new(sensor, *quantity);
                        channel.map(mappings.of(sensor, *quantity));
                        channel
                    });
                channel.retained_value = Some(value);
            }
        });
    }

    /// Brings the channels up to date with readings that are on disk now.
    pub(super) fn stored(
        &self,
        readings: &[StoredReading],
        measured_gap_s: impl Fn(&str, Quantity) -> Option<f64>,
    ) {
        let mappings = self.mappings();
        // A burst holds many of each channel: it is looked up and written once.
        let mut by_channel: BTreeMap<(&str, Quantity), Vec<&StoredReading>> = BTreeMap::new();
        for reading in readings {
            let key = (reading.sensor.as_str(), reading.quantity);
            by_channel.entry(key).or_default().push(reading);
        }
        self.with_channels(|channels| {
            for ((sensor, quantity), readings) in by_channel {
                let channel = channels
                    .entry((sensor.to_owned(), quantity))
                    .or_insert_with_key(|(sensor, quantity)| {
                        let mut channel = Channel::new(sensor, *quantity);
                        channel.map(mappings.of(sensor, *quantity));
                        channel
                    });
                channel.take(&readings);
                if channel.spec.as_ref().is_none_or(|s| s.interval_s.is_none()) {
                    channel.longest_gap_s = measured_gap_s(sensor, quantity);
                }
            }
        });
    }
}

impl Channel {
    pub(super) fn new(sensor: &str, quantity: Quantity) -> Self {
        Self {
            sensor: sensor.to_owned(),
            quantity,
            spec: None,
            from_config: false,
            newest: None,
            newest_believed: None,
            last_heard: None,
            longest_gap_s: None,
            retained_value: None,
        }
    }

    fn map(&mut self, mapping: Option<&super::mapping::Mapping>) {
        self.from_config = mapping.is_some_and(|m| m.from_config);
        self.spec = mapping.map(|m| m.spec_for(&self.sensor));
        if let Some(interval_s) = self.spec.as_ref().and_then(|s| s.interval_s) {
            self.longest_gap_s = Some(interval_s);
        }
    }

    fn take(&mut self, readings: &[&StoredReading]) {
        let newer = |reading: &StoredReading, than: Option<&StoredReading>| {
            than.is_none_or(|old| {
                // A reading from the future never hides the ones after it.
                old.kept_out == Some(KeptOut::Future) || old.time <= reading.time
            })
        };
        let (mut newest, mut believed) = (None, None);
        for &reading in readings {
            self.last_heard = self.last_heard.max(Some(reading.arrived));
            let old = newest.or(self.newest.as_ref());
            if reading.kept_out != Some(KeptOut::Future) || old.is_none() {
                if newer(reading, old) {
                    newest = Some(reading);
                }
                self.retained_value = None;
            }
            if reading.kept_out.is_none()
                && newer(reading, believed.or(self.newest_believed.as_ref()))
            {
                believed = Some(reading);
            }
        }
        if let Some(reading) = newest.cloned() {
            self.newest = Some(reading);
        }
        if let Some(reading) = believed.cloned() {
            self.newest_believed = Some(reading);
        }
    }
}

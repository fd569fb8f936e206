//! The bus inside the daemon: what rooms tell each other. Bounded; a listener that lags is told
//! so and reads the store again.

use std::sync::Arc;

use tokio::sync::broadcast;

use crate::store::StoredReading;

/// Events a slow listener may be behind by before it is told to read afresh: a burst of some
/// minutes of twenty sensors.
pub const BUS_LENGTH: usize = 4096;

/// Something that happened, after it was stored.
#[derive(Clone, Debug)]
pub enum Event {
    /// New readings, kept-out ones included, in order of arrival.
    Readings(Arc<[StoredReading]>),
    /// The book changed (here or by a command beside the daemon).
    Book,
    /// An alert was raised, changed, repeated, seen or cleared.
    Alert(Arc<serde_json::Value>),
    /// Sensors, their assignment or the list of unassigned topics changed.
    Sensors,
    /// A forecast was redone for this batch.
    Forecast(String),
    /// Settings or a calibration changed.
    Settings,
}

/// Sender and source of receivers.
#[derive(Clone, Debug)]
pub struct Bus(broadcast::Sender<Event>);

impl Default for Bus {
    fn default() -> Self {
        Self(broadcast::channel(BUS_LENGTH).0)
    }
}

impl Bus {
    /// Tells everyone who listens.
    pub fn tell(&self, event: Event) {
        // No listener is no error: nobody wanted to know.
        let _ = self.0.send(event);
    }

    /// Listens from now on.
    #[must_use]
    pub fn listen(&self) -> broadcast::Receiver<Event> {
        self.0.subscribe()
    }
}

//! What `/readyz`, the heartbeat and the page's foot say: does each part move?

use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering};

use crate::time::UtcMs;

/// Signs of life, set by the rooms.
#[derive(Debug, Default)]
pub struct Health {
    /// The last write went through.
    pub store_writes: AtomicBool,
    /// The broker (embedded or outside) is connected and subscribed.
    pub broker_ready: AtomicBool,
    /// When intake last turned its loop.
    pub intake_beat: AtomicI64,
    /// When the alert loop last turned.
    pub watch_beat: AtomicI64,
    /// The number of the newest made-up reading that came through to the disk (the daily test).
    pub trial_stored: AtomicU64,
    /// Where the pages are served (`http://127.0.0.1:8080`), once they are: links begin with it.
    pub address: std::sync::OnceLock<String>,
}

impl Health {
    /// Ready to serve: the store writes and the broker is there.
    #[must_use]
    pub fn ready(&self) -> bool {
        self.store_writes.load(Ordering::Relaxed) && self.broker_ready.load(Ordering::Relaxed)
    }

    /// Notes that a loop turned.
    pub fn beat(which: &AtomicI64, now: UtcMs) {
        which.store(now.0, Ordering::Relaxed);
    }
}

//! `[store]`: what is kept, how writes are gathered, and the nightly copy to a second place.

use std::path::PathBuf;

use serde::Deserialize;

/// The longest commit window, ms: rules look at readings a second or more late anyway, and an oven
/// that comes on must be told of within a minute.
pub const LONGEST_WINDOW_MS: u32 = 10_000;
/// The most nightly copies kept.
const MOST_COPIES: u32 = 1_000;

/// The embedded store.
#[derive(Clone, Debug, Deserialize)]
#[serde(default)]
pub struct Store {
    /// Readings older than this are thinned to summaries; absent: everything is kept.
    pub keep_days: Option<u32>,
    /// How long a reading may wait for others to be written with it, ms; 0: it is written at once.
    pub commit_window_ms: u32,
    /// The folder that a copy of the whole store goes to every night; absent: none is made.
    pub nightly_folder: Option<PathBuf>,
    /// At which full hour, in the user's zone.
    pub nightly_hour: u8,
    /// How many nightly copies are kept there.
    pub nightly_keep: u32,
}

impl Default for Store {
    fn default() -> Self {
        Self {
            keep_days: None,
            commit_window_ms: 0,
            nightly_folder: None,
            nightly_hour: 3,
            nightly_keep: 7,
        }
    }
}

impl Store {
    /// What is out of range: the key, and what is wrong with it.
    ///
    /// # Errors
    /// The first of them.
    pub fn check(&self) -> Result<(), (&'static str, String)> {
        if self.keep_days.is_some_and(|days| days == 0) {
            return Err((
                "keep_days",
                "is at least 1; leave it out to keep everything".into(),
            ));
        }
        if self.commit_window_ms > LONGEST_WINDOW_MS {
            return Err((
                "commit_window_ms",
                format!("is at most {LONGEST_WINDOW_MS}"),
            ));
        }
        if self.nightly_hour > 23 {
            return Err(("nightly_hour", "is a full hour, 0 to 23".into()));
        }
        if self.nightly_keep == 0 || self.nightly_keep > MOST_COPIES {
            return Err(("nightly_keep", format!("is 1 to {MOST_COPIES}")));
        }
        Ok(())
    }
}

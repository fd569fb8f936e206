//! `[store]`: `keep_days`. (More with the store's own issue.)

use serde::Deserialize;

/// The embedded store.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default)]
pub struct Store {
    /// Readings older than this are thinned to summaries; absent: everything is kept.
    pub keep_days: Option<u32>,
}

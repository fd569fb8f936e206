//! Notifying: carries alerts to channels, with an outbox that survives restarts.

use crate::app::App;
use crate::time::UtcMs;

/// How one channel stands, for the page.
#[derive(Clone, Debug)]
pub struct ChannelStatus {
    /// Its name: `page`, `webhook`, `mqtt`, `email`, …
    pub name: String,
    /// Whether it can wake a phone whose page is closed.
    pub wakes_phone: bool,
    /// When it last took a message.
    pub last_accepted: Option<UtcMs>,
    /// What it last answered when it did not.
    pub last_error: Option<String>,
    /// How many messages wait.
    pub waiting: usize,
}

/// Every channel in use.
#[must_use]
pub fn channels(_app: &App) -> Vec<ChannelStatus> {
    Vec::new()
}

/// Sends "this is a test" over one channel and waits for its answer.
///
/// # Errors
/// The channel's own words.
pub async fn test(_app: &App, channel: &str) -> Result<(), String> {
    Err(format!("there is no channel `{channel}`"))
}

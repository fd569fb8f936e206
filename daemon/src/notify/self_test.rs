//! The daily test of the whole chain, from a made-up reading at the broker to each channel's other
//! end. Nobody's phone rings for it: the reading is not kept, mail servers are logged in to, the
//! hosts of webhook and push services are reached, MQTT and heartbeat carry a message of their own.
//! What fails twice in ten minutes is told by the rule `self_test`, over what still works.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use super::heartbeat;
use crate::app::App;
use crate::ingest::trial;
use crate::time::UtcMs;

/// How often.
const EVERY: Duration = Duration::from_secs(24 * 3600);
/// The first after a start, when everything has had time to connect.
const FIRST: Duration = Duration::from_secs(120);
/// Once more after a failure.
const AGAIN: Duration = Duration::from_secs(600);
/// The alert loop turns every second.
const LOOP_WITHIN: Duration = Duration::from_secs(10);

/// How the newest test went.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// When.
    pub at: UtcMs,
    /// What failed, a line each.
    pub failed: Vec<String>,
    /// How many tests in a row have failed.
    pub in_a_row: u32,
}

impl Outcome {
    /// What the rule goes by: what failed, once it has failed twice; nothing after a first failure.
    #[must_use]
    pub fn settled(self) -> Option<Vec<String>> {
        (self.in_a_row != 1).then_some(self.failed)
    }
}

/// Tests every day until the daemon stops.
pub async fn run(app: Arc<App>) {
    let mut wait = FIRST;
    loop {
        tokio::select! {
            () = app.stop.cancelled() => return,
            () = tokio::time::sleep(app.clock.real(wait)) => {}
        }
        let outcome = tokio::select! {
            () = app.stop.cancelled() => return,
            outcome = once(&app) => outcome,
        };
        if outcome.failed.is_empty() {
            tracing::info!("The daily test went through from a reading to every channel");
            wait = EVERY;
        } else {
            tracing::warn!(failed = ?outcome.failed, "The daily test failed");
            wait = if outcome.in_a_row < 2 {
                AGAIN
            } else {
                EVERY / 24
            };
        }
    }
}

/// Tests once and notes the outcome.
pub async fn once(app: &Arc<App>) -> Outcome {
    let mut failed = Vec::new();
    let mut note = |what: &str, result: Result<(), String>| {
        failed.extend(result.err().map(|why| format!("{what}: {why}")));
    };
    note("a reading by MQTT", trial::reading_in(app).await);
    note("the alert loop", loop_turns(app).await);
    for channel in app.desk.channels().iter().filter(|c| c.in_use()) {
        let tried = tokio::time::timeout(super::worker::LONGEST_SEND, channel.try_silently());
        let tried = tried
            .await
            .unwrap_or_else(|_| Err(super::Refusal::later("it did not answer in time")));
        note(channel.name(), tried.map_err(|refusal| refusal.to_string()));
    }
    if let Some(url) = &app.config.alert.heartbeat_url {
        note(heartbeat::NAME, heartbeat::once(app, url).await);
    }
    let before = app.desk.tested().map_or(0, |o| o.in_a_row);
    let outcome = Outcome {
        at: app.clock.now(),
        in_a_row: if failed.is_empty() { 0 } else { before + 1 },
        failed,
    };
    app.desk.note_test(outcome.clone());
    outcome
}

async fn loop_turns(app: &App) -> Result<(), String> {
    let beat = || app.health.watch_beat.load(Ordering::Relaxed);
    let before = beat();
    let turned = async {
        while beat() == before {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    tokio::time::timeout(LOOP_WITHIN, turned)
        .await
        .map_err(|_| "it stands still".to_owned())
}

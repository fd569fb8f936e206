//! The heartbeat that an outside watchdog can miss: fetched once a minute, but only if intake,
//! store and alert loop all moved since the last. Silence is the alarm.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use crate::app::App;
use crate::config::mqtt::Secret;

/// Its name where ways to be told are listed.
pub const NAME: &str = "heartbeat";
/// How often, network time.
pub const EVERY: Duration = Duration::from_secs(60);

/// What must have moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moved {
    /// Intake's beat.
    pub intake: i64,
    /// The alert loop's beat.
    pub watch: i64,
}

impl Moved {
    /// As it stands now.
    #[must_use]
    pub fn now(app: &App) -> Self {
        Self {
            intake: app.health.intake_beat.load(Ordering::Relaxed),
            watch: app.health.watch_beat.load(Ordering::Relaxed),
        }
    }

    /// Whether all moved since `last`, and the store writes.
    #[must_use]
    pub fn since(self, last: Self, store_writes: bool) -> bool {
        store_writes && self.intake != last.intake && self.watch != last.watch
    }
}

/// Beats until the daemon stops.
pub async fn run(app: Arc<App>, url: Secret) {
    beat(app, url, EVERY).await;
}

/// Beats at this pace.
pub async fn beat(app: Arc<App>, url: Secret, every: Duration) {
    let mut last = Moved::now(&app);
    loop {
        tokio::select! {
            () = app.stop.cancelled() => return,
            () = tokio::time::sleep(every) => {}
        }
        let writes = {
            let app = Arc::clone(&app);
            tokio::task::spawn_blocking(move || app.store.probe_write().is_ok()).await
        };
        let now = Moved::now(&app);
        if !now.since(last, writes.unwrap_or(false)) {
            tracing::error!("No heartbeat is sent: intake, store or alert loop did not move");
            last = now;
            continue;
        }
        last = now;
        if let Err(why) = once(&app, &url).await {
            tracing::warn!(why, "The heartbeat failed");
        }
    }
}

/// One beat; how it went is noted for the page.
///
/// # Errors
/// Why it was not taken.
pub async fn once(app: &App, url: &Secret) -> Result<(), String> {
    let sent = async {
        let answer = super::webhook::client()?.get(&url.0).send().await;
        let answer = answer.map_err(|e| super::webhook::words(&e))?;
        super::webhook::judge(answer.status(), answer.headers()).map_err(|r| r.to_string())
    };
    let sent = sent.await;
    if sent.is_ok() {
        app.desk.note_beat(app.clock.now());
    }
    app.desk.note(NAME, sent.clone().err());
    sent
}

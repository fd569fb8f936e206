//! One channel's worker: takes its messages from the outbox in order, tries each until it is
//! accepted, refused for good, or too old.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use rand::RngExt as _;
use serde_json::Value;
use tokio::sync::broadcast::error::RecvError;
use tokio::time::Instant;

use super::{Channel, Refusal, backoff};
use crate::app::App;
use crate::events::Event;
use crate::metrics::Reason;
use crate::store::{OutboxRow, StoreError};

/// No channel may take longer over one message, network time.
pub const LONGEST_SEND: Duration = Duration::from_secs(20);
/// How often the outbox is looked at without an event: deferred messages, other processes.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// Sends one document, bounded in time.
///
/// # Errors
/// Why it was not taken.
pub async fn send(channel: &dyn Channel, doc: &Value) -> Result<(), Refusal> {
    tokio::time::timeout(LONGEST_SEND, channel.send(doc))
        .await
        .unwrap_or_else(|_| Err(Refusal::later("it did not answer in time")))
}

/// What a worker knows beside the outbox.
#[derive(Default)]
struct Worker {
    /// Messages that ended while the store could not note it: not sent again in this life.
    ended: BTreeSet<i64>,
    /// When each waiting message may be tried again, network time.
    waits: BTreeMap<i64, Instant>,
    /// Not before, for the whole channel: it is down, or asked for rest.
    rests_until: Option<Instant>,
    failures: u32,
}

/// Works until the daemon stops.
pub async fn run(app: Arc<App>, channel: Arc<dyn Channel>) {
    let mut events = app.bus.listen();
    let mut worker = Worker::default();
    loop {
        if worker
            .rests_until
            .is_none_or(|until| Instant::now() >= until)
        {
            let ended = tokio::select! {
                () = app.stop.cancelled() => return,
                ended = worker.one(&app, channel.as_ref()) => ended,
            };
            if ended {
                continue;
            }
        }
        let nap = worker.rests_until.map_or(LOOK_EVERY, |until| {
            until
                .saturating_duration_since(Instant::now())
                .clamp(Duration::from_millis(10), LOOK_EVERY)
        });
        let woken = tokio::time::sleep(nap);
        tokio::pin!(woken);
        loop {
            tokio::select! {
                () = app.stop.cancelled() => return,
                () = &mut woken => break,
                () = app.desk.woken.notified() => break,
                event = events.recv() => match event {
                    Ok(Event::Alert(_)) | Err(RecvError::Lagged(_)) => break,
                    Err(RecvError::Closed) => return,
                    Ok(_) => {}
                },
            }
        }
    }
}

impl Worker {
    /// Deals with one message; true when there may be another to deal with now.
    async fn one(&mut self, app: &Arc<App>, channel: &dyn Channel) -> bool {
        if let Some(doc) = app.desk.next_spilled(channel.name()) {
            let sent = send(channel, &doc).await;
            self.after(app, channel, sent.as_ref().err());
            if let Err(refusal) = sent {
                tracing::error!(
                    channel = channel.name(),
                    why = %refusal,
                    "A message was lost: the store could not be written and the channel did not take it"
                );
            }
            return true;
        }
        let rows = {
            let (app, name) = (Arc::clone(app), channel.name());
            tokio::task::spawn_blocking(move || app.store.outbox(name)).await
        };
        let Ok(Ok(rows)) = rows else { return false };
        let now = app.clock.now();
        let instant = Instant::now();
        self.waits
            .retain(|seq, _| rows.iter().any(|r| r.seq == *seq));
        let mut blocked: BTreeSet<&str> = BTreeSet::new();
        let mut due = None;
        for row in &rows {
            // What is known of an alert goes out in order.
            let waits = self.waits.get(&row.seq).is_some_and(|at| *at > instant)
                || (row.next_try > now && now <= row.expires);
            if self.ended.contains(&row.seq) {
                continue;
            }
            if waits || blocked.contains(row.alert.as_str()) {
                blocked.insert(&row.alert);
                continue;
            }
            due = Some(row.clone());
            break;
        }
        let Some(mut row) = due else { return false };
        if now > row.expires {
            row.failed = Some(now);
            row.last_error = Some(match &row.last_error {
                Some(last) => format!("too old to be of use, not sent ({last})"),
                None => "too old to be of use, not sent".to_owned(),
            });
            self.end(app, channel, row).await;
            return true;
        }
        if channel.after_min() > 0.0 && seen(app, &row.alert).await {
            row.failed = Some(now);
            row.last_error = Some("not needed: someone has seen it".to_owned());
            self.end(app, channel, row).await;
            return true;
        }
        let sent = send(channel, &row.doc).await;
        row.tries += 1;
        let now = app.clock.now();
        match &sent {
            Ok(()) => {
                row.accepted = Some(now);
                row.last_error = None;
            }
            Err(Refusal::Never(why)) => {
                row.failed = Some(now);
                row.last_error = Some(why.clone());
            }
            Err(Refusal::Later { why, .. }) => row.last_error = Some(why.clone()),
        }
        self.after(app, channel, sent.as_ref().err());
        if let Err(Refusal::Later { after, .. }) = &sent {
            let wait =
                after.unwrap_or_else(|| backoff::CHANNEL.wait(row.tries - 1, rand::rng().random()));
            self.waits.insert(row.seq, Instant::now() + wait);
            let _ = put(app, row).await;
        } else {
            self.end(app, channel, row).await;
        }
        true
    }

    /// Notes how the channel stands; rests when it is down.
    fn after(&mut self, app: &App, channel: &dyn Channel, refusal: Option<&Refusal>) {
        app.desk
            .note(channel.name(), refusal.map(ToString::to_string));
        match refusal {
            None => {
                if self.failures > 0 {
                    tracing::info!(channel = channel.name(), "The channel takes messages again");
                }
                self.failures = 0;
                self.rests_until = None;
            }
            Some(Refusal::Never(why)) => {
                tracing::error!(
                    channel = channel.name(),
                    why,
                    "The channel refused a message for good"
                );
            }
            Some(Refusal::Later { why, after }) => {
                let wait = after
                    .unwrap_or_else(|| backoff::CHANNEL.wait(self.failures, rand::rng().random()));
                self.failures = self.failures.saturating_add(1);
                self.rests_until = Some(Instant::now() + wait);
                tracing::warn!(
                    channel = channel.name(),
                    why,
                    wait_ms = wait.as_millis() as u64,
                    "The channel did not take a message; it is tried again"
                );
            }
        }
    }

    async fn end(&mut self, app: &Arc<App>, channel: &dyn Channel, row: OutboxRow) {
        if row.failed.is_some() {
            app.metrics
                .undelivered
                .get_or_create(&Reason {
                    reason: channel.name(),
                })
                .inc();
        }
        let seq = row.seq;
        if put(app, row).await.is_err() {
            self.ended.insert(seq);
        }
    }
}

/// Whether someone has seen an alert, or it is over.
async fn seen(app: &Arc<App>, alert: &str) -> bool {
    let (app, alert) = (Arc::clone(app), alert.to_owned());
    let row = tokio::task::spawn_blocking(move || app.store.alert(&alert)).await;
    matches!(row, Ok(Ok(Some(row))) if row.seen.is_some() || row.cleared.is_some())
}

async fn put(app: &Arc<App>, row: OutboxRow) -> Result<(), StoreError> {
    let app = Arc::clone(app);
    tokio::task::spawn_blocking(move || app.store.put_outbox(&row))
        .await
        .unwrap_or_else(|e| Err(StoreError::Corrupt(e.to_string())))
}

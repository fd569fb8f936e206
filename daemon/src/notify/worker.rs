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
use crate::time::UtcMs;
use crate::watch::RULES;
use crate::watch::life::State;
use crate::watch::rules::Severity;
use crate::watch::run::quiet_until;

/// No channel may take longer over one message, network time.
pub const LONGEST_SEND: Duration = Duration::from_secs(20);
/// How often the outbox is looked at without an event: deferred messages, other processes.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// A message that waited for the end of the quiet hours has at least so long then, min.
const AFTER_QUIET_MIN: f64 = 10.0;

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
        if let Some(mut spilled) = app.desk.next_spilled(channel.name()) {
            let sent = send(channel, &spilled.doc).await;
            self.after(app, channel, sent.as_ref().err());
            if let Err(refusal) = sent {
                let later = !matches!(refusal, Refusal::Never(_));
                if later && app.clock.now() <= expires(&spilled.doc) {
                    let wait = backoff::CHANNEL.wait(spilled.tries, rand::rng().random());
                    spilled.tries += 1;
                    spilled.not_before = Instant::now() + wait;
                    app.desk.take_back(channel.name(), spilled);
                    return true;
                }
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
        let mut due: Option<&OutboxRow> = None;
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
            // One that was tried in vain lets the others go first.
            if due.is_none_or(|due| row.tries < due.tries) {
                due = Some(row);
            }
            blocked.insert(&row.alert);
        }
        let Some(mut row) = due.cloned() else {
            return false;
        };
        if now > row.expires {
            row.failed = Some(now);
            row.last_error = Some(match &row.last_error {
                Some(last) => format!("too old to be of use, not sent ({last})"),
                None => "too old to be of use, not sent".to_owned(),
            });
            self.end(app, channel, row).await;
            return true;
        }
        if let Some(why) = not_needed(app, channel, &row, &rows).await {
            row.failed = Some(now);
            row.last_error = Some(why.to_owned());
            self.end(app, channel, row).await;
            return true;
        }
        if let Some(until) = rests(app, channel, &row).await {
            row.next_try = until;
            row.expires = row.expires.max(until.plus_min(AFTER_QUIET_MIN));
            return put(app, row).await.is_ok();
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
            Err(Refusal::Later { why, .. } | Refusal::InPart(why)) => {
                row.last_error = Some(why.clone());
            }
        }
        self.after(app, channel, sent.as_ref().err());
        if let Err(refusal @ (Refusal::Later { .. } | Refusal::InPart(_))) = &sent {
            let after = match refusal {
                Refusal::Later { after, .. } => *after,
                _ => None,
            };
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
            // Some have it: the channel is not down.
            Some(Refusal::InPart(why)) => {
                self.failures = 0;
                self.rests_until = None;
                tracing::warn!(
                    channel = channel.name(),
                    why,
                    "Not everyone on the channel could be told; they are tried again"
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

/// When a message that is in no outbox is too old to be of use.
fn expires(doc: &Value) -> UtcMs {
    let at = doc["at"].as_str().and_then(|at| UtcMs::parse(at).ok());
    let about = RULES.iter().find(|about| doc["alert"] == about.name);
    let minutes = about.map_or(0.0, |about| f64::from(about.expires_min));
    at.unwrap_or_default().plus_min(minutes)
}

/// Why no phone should ring for a message any more, if so: someone has seen the alert, or it is over
/// because somebody did what was to be done. Where the word that it is over waits behind it, both go
/// out. Machines that listen are told everything, in order.
async fn not_needed(
    app: &Arc<App>,
    channel: &dyn Channel,
    message: &OutboxRow,
    waiting: &[OutboxRow],
) -> Option<&'static str> {
    let second = channel.after_min() > 0.0;
    let over = |row: &OutboxRow| row.doc["state"] == State::Cleared.as_str();
    if !second && (!channel.wakes_phone() || over(message)) {
        return None;
    }
    let (app, alert) = (Arc::clone(app), message.alert.clone());
    let row = tokio::task::spawn_blocking(move || app.store.alert(&alert)).await;
    let Ok(Ok(Some(row))) = row else { return None };
    let told_over = !second && waiting.iter().any(|w| w.alert == row.id && over(w));
    if row.seen.is_some() {
        return Some("not needed: someone has seen it");
    }
    (row.cleared.is_some() && !told_over).then_some("not needed: it is over")
}

/// Until when a message waits for quiet hours that began while it was on its way: its channel was down,
/// or is a second way.
async fn rests(app: &Arc<App>, channel: &dyn Channel, message: &OutboxRow) -> Option<UtcMs> {
    if !channel.wakes_phone() || message.doc["severity"] == Severity::Urgent.as_str() {
        return None;
    }
    let app = Arc::clone(app);
    let until = tokio::task::spawn_blocking(move || quiet_until(&app)).await;
    until.ok().flatten()
}

async fn put(app: &Arc<App>, row: OutboxRow) -> Result<(), StoreError> {
    let app = Arc::clone(app);
    tokio::task::spawn_blocking(move || app.store.put_outbox(&row))
        .await
        .unwrap_or_else(|e| Err(StoreError::Corrupt(e.to_string())))
}

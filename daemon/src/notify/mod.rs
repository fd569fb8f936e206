//! Notifying: carries alerts to channels, with an outbox that survives restarts.
//!
//! Every channel has its own [`worker`]: a dead one never delays another. Messages wait in the
//! store's outbox, are tried with [`backoff`], and end accepted, refused or expired; the history
//! says which. "Accepted" is the channel's word; nobody here can know that a phone has rung.
//!
//! **MQTT.** `doughwarden/alert` carries each event once it happens (QoS 1, not retained): the
//! contract's document. `doughwarden/alerts/open` is retained and holds a JSON array with the newest
//! document of every alert that is not over. `doughwarden/self-test` is the daily test's way in and
//! `doughwarden/self-test/out` its way out ([`self_test`]). On an outside broker `doughwarden/status` is
//! retained too: `online`, or `offline` once the daemon has ended or the broker misses it (a last will).
//! What an outside broker's user must be allowed stands in `deploy/mosquitto.acl`.

pub mod backoff;
pub mod email;
pub mod heartbeat;
pub mod mqtt;
pub mod push;
pub mod self_test;
pub mod template;
pub mod web_push;
pub mod webhook;
pub mod worker;

#[cfg(test)]
mod email_tests;
#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, VecDeque};
use std::future::Future;
use std::pin::Pin;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Duration;

use serde_json::{Value, json};
use tokio::task::JoinSet;
use tokio::time::Instant;

use crate::app::App;
use crate::config::Config;
use crate::ingest::publisher::Publisher;
use crate::time::UtcMs;

/// Messages kept in memory while the store cannot be written: alerts are few, the oldest goes.
pub const SPILLED: usize = 100;
/// Messages of the history in which each channel's standing is looked up.
const HISTORY: usize = 200;

/// How one channel stands, for the page.
#[derive(Clone, Debug)]
pub struct ChannelStatus {
    /// Its name: `page`, `webhook`, `mqtt`, `email`, …
    pub name: String,
    /// Whether it can wake a phone whose page is closed.
    pub wakes_phone: bool,
    /// When it last took a message.
    pub last_accepted: Option<UtcMs>,
    /// What it last answered when it did not (nothing, once it has taken one again).
    pub last_error: Option<String>,
    /// How many messages wait.
    pub waiting: usize,
}

/// Why a channel did not take a message.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// It may take it later.
    #[error("{why}")]
    Later {
        /// Its own words.
        why: String,
        /// When it asked to be tried again.
        after: Option<Duration>,
    },
    /// Some of those it tells have it, others could not be told now.
    #[error("{0}")]
    InPart(String),
    /// It will never take it: wrong key, wrong address.
    #[error("{0}")]
    Never(String),
}

impl Refusal {
    /// Worth trying again, no time asked.
    pub(crate) fn later(why: impl Into<String>) -> Self {
        Self::Later {
            why: why.into(),
            after: None,
        }
    }
}

/// What a channel's sending gives.
pub type Sending<'a> = Pin<Box<dyn Future<Output = Result<(), Refusal>> + Send + 'a>>;

/// A way to tell a baker.
pub trait Channel: Send + Sync {
    /// Its name.
    fn name(&self) -> &'static str;
    /// Whether it can wake a phone whose page is closed.
    fn wakes_phone(&self) -> bool;
    /// It is a second way: it waits so many minutes, and is not used for what someone has seen by
    /// then. 0: at once.
    fn after_min(&self) -> f64 {
        0.0
    }
    /// Whether there is anyone to tell over it.
    fn in_use(&self) -> bool {
        true
    }
    /// Sends one document and waits until it is accepted.
    fn send<'a>(&'a self, doc: &'a Value) -> Sending<'a>;
    /// Goes as far towards the other end as it can without anyone hearing of it.
    fn try_silently(&self) -> Sending<'_>;
}

/// A message that is in no outbox, because the store cannot be written.
pub(crate) struct Spilled {
    pub(crate) doc: Value,
    /// Tries in vain.
    pub(crate) tries: u32,
    /// When it may be tried, network time.
    pub(crate) not_before: Instant,
}

/// What the channels share; part of [`App`].
#[derive(Default)]
pub struct Desk {
    channels: OnceLock<Vec<Arc<dyn Channel>>>,
    spilled: Mutex<BTreeMap<&'static str, VecDeque<Spilled>>>,
    /// Wakes the workers when something spilled.
    pub(crate) woken: tokio::sync::Notify,
    errors: Mutex<BTreeMap<&'static str, Option<String>>>,
    tested: Mutex<Option<self_test::Outcome>>,
    beaten: Mutex<Option<UtcMs>>,
}

impl std::fmt::Debug for Desk {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Desk")
    }
}

impl Desk {
    fn channels(&self) -> &[Arc<dyn Channel>] {
        self.channels.get().map_or(&[], Vec::as_slice)
    }

    /// Hands a message over without the store, because it cannot be written.
    pub fn spill(&self, doc: &Value) {
        let mut spilled = self.spilled.lock().unwrap_or_else(PoisonError::into_inner);
        for channel in self.channels() {
            let waiting = spilled.entry(channel.name()).or_default();
            waiting.push_back(Spilled {
                doc: doc.clone(),
                tries: 0,
                not_before: Instant::now(),
            });
            if waiting.len() > SPILLED {
                tracing::error!(
                    channel = channel.name(),
                    "A message was dropped: the store cannot be written and too many wait"
                );
                waiting.pop_front();
            }
        }
        drop(spilled);
        self.woken.notify_waiters();
    }

    /// The oldest that may be tried now; what is known of one alert goes out in order.
    pub(crate) fn next_spilled(&self, channel: &'static str) -> Option<Spilled> {
        let mut spilled = self.spilled.lock().unwrap_or_else(PoisonError::into_inner);
        let waiting = spilled.get_mut(channel)?;
        let now = Instant::now();
        let first = |at: usize| {
            let id = &waiting[at].doc["id"];
            !waiting.iter().take(at).any(|s| s.doc["id"] == *id)
        };
        let at = (0..waiting.len()).find(|at| waiting[*at].not_before <= now && first(*at))?;
        waiting.remove(at)
    }

    /// Puts a message that was not taken back before the others, where it waits.
    pub(crate) fn take_back(&self, channel: &'static str, message: Spilled) {
        let mut spilled = self.spilled.lock().unwrap_or_else(PoisonError::into_inner);
        spilled.entry(channel).or_default().push_front(message);
    }

    pub(crate) fn note(&self, channel: &'static str, error: Option<String>) {
        self.errors
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .insert(channel, error);
    }

    /// How the newest test of the whole chain went.
    #[must_use]
    pub fn tested(&self) -> Option<self_test::Outcome> {
        let tested = self.tested.lock();
        tested.unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// When the heartbeat was last taken.
    fn beaten(&self) -> Option<UtcMs> {
        *self.beaten.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn note_beat(&self, at: UtcMs) {
        *self.beaten.lock().unwrap_or_else(PoisonError::into_inner) = Some(at);
    }

    pub(crate) fn note_test(&self, outcome: self_test::Outcome) {
        *self.tested.lock().unwrap_or_else(PoisonError::into_inner) = Some(outcome);
    }

    fn error(&self, channel: &str) -> Option<Option<String>> {
        self.errors
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .get(channel)
            .cloned()
    }
}

/// Starts every channel's worker, and the heartbeat where one is configured. A channel whose
/// settings cannot work is shown red with the reason (`check` and the start of `run` say so too).
pub fn start(app: &Arc<App>, publisher: Publisher, rooms: &mut JoinSet<()>) {
    let open_list = mqtt::say_open_at_start(Arc::clone(app), publisher.clone());
    rooms.spawn(open_list);
    let mut channels: Vec<Arc<dyn Channel>> =
        vec![Arc::new(mqtt::Mqtt::new(Arc::clone(app), publisher))];
    if let Some(config) = &app.config.alert.webhook {
        channels.push(or_broken(webhook::NAME, webhook::Webhook::new(config)));
    }
    if let Some(config) = &app.config.alert.email {
        channels.push(or_broken(email::NAME, email::Email::new(config)));
    }
    channels.push(or_broken(push::NAME, push::Push::new(Arc::clone(app))));
    start_with(app, channels, rooms);
    if let Some(url) = &app.config.alert.heartbeat_url {
        rooms.spawn(heartbeat::run(Arc::clone(app), url.clone()));
    }
    rooms.spawn(self_test::run(Arc::clone(app)));
}

/// Starts a worker for each of these channels.
pub fn start_with(app: &Arc<App>, channels: Vec<Arc<dyn Channel>>, rooms: &mut JoinSet<()>) {
    for channel in &channels {
        rooms.spawn(worker::run(Arc::clone(app), Arc::clone(channel)));
    }
    if app.desk.channels.set(channels).is_err() {
        tracing::error!("The channels were started twice; the first ones stay");
    }
}

/// A channel whose settings cannot work: it refuses everything with the reason.
struct Broken(&'static str, String);

impl Channel for Broken {
    fn name(&self) -> &'static str {
        self.0
    }

    fn wakes_phone(&self) -> bool {
        false
    }

    fn send<'a>(&'a self, _doc: &'a Value) -> Sending<'a> {
        self.try_silently()
    }

    fn try_silently(&self) -> Sending<'_> {
        Box::pin(std::future::ready(Err(Refusal::Never(self.1.clone()))))
    }
}

fn or_broken<C: Channel + 'static>(
    name: &'static str,
    channel: Result<C, String>,
) -> Arc<dyn Channel> {
    match channel {
        Ok(channel) => Arc::new(channel),
        Err(why) => {
            tracing::error!(channel = name, why, "The channel cannot work as configured");
            Arc::new(Broken(name, why))
        }
    }
}

/// The channels that messages are queued for, with the minutes each waits (the open page hears
/// them on the bus).
#[must_use]
pub fn names(app: &App) -> Vec<(&'static str, f64)> {
    let channels = app.desk.channels().iter();
    channels
        .filter(|c| c.in_use())
        .map(|c| (c.name(), c.after_min()))
        .collect()
}

/// Every channel in use.
#[must_use]
pub fn channels(app: &App) -> Vec<ChannelStatus> {
    let history = app.store.outbox_history(HISTORY).unwrap_or_default();
    let mut all = vec![ChannelStatus {
        name: "page".into(),
        wakes_phone: false,
        last_accepted: None,
        last_error: None,
        waiting: 0,
    }];
    for channel in app.desk.channels().iter().filter(|c| c.in_use()) {
        let rows = || history.iter().filter(|r| r.channel == channel.name());
        let last_accepted = rows().filter_map(|r| r.accepted).max();
        // What the worker saw last wins; after a restart, the newest message's own end.
        let last_error = app.desk.error(channel.name()).unwrap_or_else(|| {
            rows()
                .next()
                .filter(|r| r.accepted.is_none())
                .and_then(|r| r.last_error.clone())
        });
        all.push(ChannelStatus {
            name: channel.name().into(),
            wakes_phone: channel.wakes_phone(),
            last_accepted,
            last_error,
            waiting: app.store.outbox(channel.name()).map_or(0, |r| r.len()),
        });
    }
    if app.config.alert.heartbeat_url.is_some() {
        all.push(ChannelStatus {
            name: heartbeat::NAME.into(),
            wakes_phone: false,
            last_accepted: app.desk.beaten(),
            last_error: app.desk.error(heartbeat::NAME).flatten(),
            waiting: 0,
        });
    }
    all
}

/// The document of a test message.
#[must_use]
pub fn test_document(app: &App) -> Value {
    let now = app.clock.now();
    json!({
        "id": format!("test-{}", now.0), "alert": "test", "state": "raised", "severity": "note",
        "batch": null, "stage": null, "place": null, "at": now,
        "title": "Doughwarden: a test",
        "text": "If you can read this where you will be while the dough proofs, you will be told in time.",
        "link": crate::watch::run::link(app),
    })
}

/// Sends "this is a test" over one channel and waits for its answer.
///
/// # Errors
/// The channel's own words.
pub async fn test(app: &App, channel: &str) -> Result<(), String> {
    let doc = test_document(app);
    if channel == "page" {
        app.bus.tell(crate::events::Event::Alert(Arc::new(doc)));
        return Ok(());
    }
    if let Some(url) = app.config.alert.heartbeat_url.as_ref()
        && channel == heartbeat::NAME
    {
        return heartbeat::once(app, url).await;
    }
    let Some(channel) = app
        .desk
        .channels()
        .iter()
        .find(|c| c.name() == channel)
        .cloned()
    else {
        return Err(format!("there is no channel `{channel}`"));
    };
    let sent = worker::send(channel.as_ref(), &doc).await;
    app.desk
        .note(channel.name(), sent.as_ref().err().map(ToString::to_string));
    sent.map_err(|refusal| refusal.to_string())
}

/// For `check`: tries to reach each channel the configuration names, sends nothing. One line each.
pub async fn reach(config: &Config) -> Vec<(String, Result<String, String>)> {
    let mut reached = Vec::new();
    let mut note = |name: &str, result: Result<(), String>| {
        let result = result.map(|()| "can be reached; nothing was sent".to_owned());
        reached.push((format!("alert.{name}"), result));
    };
    if let Some(webhook) = &config.alert.webhook {
        note(webhook::NAME, webhook::reach(webhook).await);
    }
    if let Some(email) = &config.alert.email {
        note(email::NAME, email::reach(email).await);
    }
    if let Some(url) = &config.alert.heartbeat_url {
        note("heartbeat_url", webhook::reach_url(&url.0).await);
    }
    reached
}

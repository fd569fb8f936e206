//! Alerts from the rules to a real HTTP receiver on this machine, over the real store. Guards
//! what must never happen: a message lost with a restart, a second id for one event, a dead
//! channel that holds up another.
//!
//! [`delivery`]: outbox and workers; [`events`]: an alert's life across restarts; [`ways`]: each
//! channel's own wire, heartbeat and daily test.

mod delivery;
mod events;
mod ways;

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tokio::task::JoinSet;
use wiremock::matchers::method;
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

use super::*;
use crate::batches::record::{Quantity, Record};
use crate::config::alert::Webhook as WebhookConfig;
use crate::config::mqtt::Secret;
use crate::events::Event;
use crate::store::sqlite::SqliteStore;
use crate::store::{AlertRow, Edit, OutboxRow, StoredReading};
use crate::time::{Clock, UtcMs};

const DEADLINE: Duration = Duration::from_secs(60);

fn start_time() -> UtcMs {
    UtcMs::parse("2026-01-10T06:00:00Z").unwrap()
}

fn app_in(dir: &std::path::Path) -> Arc<App> {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let store = Arc::new(SqliteStore::open(dir).unwrap());
    let mut config = Config::default();
    config.display.zone = Some("Europe/Oslo".into());
    config.alert.link = Some("http://dough.example".into());
    App::new(Clock::by_hand(start_time()), config, dir.to_owned(), store).unwrap()
}

fn webhook(url: String) -> WebhookConfig {
    WebhookConfig {
        url: Secret(url),
        method: "POST".into(),
        headers: Default::default(),
        body: None,
        after_min: 0.0,
    }
}

fn hook(url: String) -> Arc<dyn Channel> {
    Arc::new(webhook::Webhook::new(&webhook(url)).unwrap())
}

fn row(app: &App, channel: &str, alert: &str) -> OutboxRow {
    let now = app.clock.now();
    OutboxRow {
        seq: 0,
        channel: channel.into(),
        alert: alert.into(),
        doc: json!({ "id": alert, "title": "t", "text": "x" }),
        queued: now,
        expires: now.plus_min(60.0),
        next_try: now,
        tries: 0,
        accepted: None,
        failed: None,
        last_error: None,
    }
}

/// Waits until something holds, with a deadline.
async fn eventually(what: &str, mut holds: impl FnMut() -> bool) {
    let begin = Instant::now();
    while !holds() {
        assert!(begin.elapsed() < DEADLINE, "never: {what}");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// A daemon's inside without its brokers and pages, with a receiver that answers as told.
struct Bench {
    app: Arc<App>,
    server: MockServer,
    rooms: JoinSet<()>,
    dir: tempfile::TempDir,
}

impl Bench {
    /// The receiver answers with each status in turn, the last one for ever; none: 404.
    async fn answering(statuses: &[u16]) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let bench = Self {
            app: app_in(dir.path()),
            server: MockServer::start().await,
            rooms: JoinSet::new(),
            dir,
        };
        answering(&bench.server, statuses).await;
        bench
    }

    /// Starts the workers of the receiver's hook and of these channels.
    fn serve(&mut self, others: Vec<Arc<dyn Channel>>) {
        let mut channels = others;
        channels.push(hook(self.server.uri()));
        start_with(&self.app, channels, &mut self.rooms);
    }

    /// Starts the alert loop and waits until it turns.
    async fn watch(&mut self) {
        crate::watch::start(&self.app, &mut self.rooms);
        self.turned_since(0).await;
    }

    /// Waits until the alert loop has turned at or after a moment, ms.
    async fn turned_since(&self, ms: i64) {
        let beat = &self.app.health.watch_beat;
        eventually("the loop turns", || beat.load(Ordering::Relaxed) > ms).await;
    }

    /// Puts a message into a channel's outbox.
    fn queue(&self, channel: &str, alert: &str) {
        let message = row(&self.app, channel, alert);
        self.app.store.put_alerts(&[], &[message]).unwrap();
        self.app.bus.tell(Event::Alert(Arc::new(Value::Null)));
    }

    /// What became of a message.
    fn message(&self, alert: &str) -> OutboxRow {
        let mut rows = self.app.store.outbox_history(100).unwrap();
        rows.retain(|r| r.alert == alert);
        rows.remove(0)
    }

    /// What the receiver got.
    async fn received(&self) -> Vec<Request> {
        self.server.received_requests().await.unwrap()
    }

    fn hook_status(&self) -> ChannelStatus {
        let mut all = channels(&self.app);
        all.retain(|c| c.name == "webhook");
        all.remove(0)
    }

    /// Ends as SIGKILL would: nothing is drained.
    async fn kill(&mut self) {
        self.rooms.abort_all();
        while self.rooms.join_next().await.is_some() {}
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        self.app.stop.cancel();
    }
}

/// Answers with each status in turn, the last one for ever.
async fn answering(server: &MockServer, statuses: &[u16]) {
    for (at, status) in statuses.iter().enumerate() {
        let mock = Mock::given(method("POST")).respond_with(ResponseTemplate::new(*status));
        let mock = if at + 1 < statuses.len() {
            mock.up_to_n_times(1)
        } else {
            mock
        };
        mock.mount(server).await;
    }
}

fn put(app: &App, lines: &[&str]) {
    let edits: Vec<Edit> = lines
        .iter()
        .map(|l| Edit::Put(serde_json::from_str::<Record>(l).unwrap()))
        .collect();
    app.store.edit(app.clock.now(), &edits).unwrap();
    app.reload_book().unwrap();
}

const KNOTS: [&str; 5] = [
    r#"{"record":"place","name":"oven","kind":"oven"}"#,
    r#"{"record":"place","name":"kitchen","kind":"room"}"#,
    r#"{"record":"dough","name":"cardamom knots","ceiling":30}"#,
    r#"{"record":"batch","id":"2026-knots-1","dough":"cardamom knots","place":"oven"}"#,
    r#"{"record":"stage","batch":"2026-knots-1","stage":"bulk","start":"2026-01-10T05:30:00Z"}"#,
];

/// Readings of the oven every half minute, from the clock on.
fn heat(app: &App, values: &[f64]) {
    for value in values {
        let now = app.clock.now();
        let reading = StoredReading {
            time: now,
            arrived: now,
            sensor: "probe".into(),
            quantity: Quantity::AirTemperature,
            value: *value,
            raw: None,
            kept_out: None,
            place: Some("oven".into()),
            batch: None,
        };
        let arrival = crate::store::Arrival {
            readings: smallvec::smallvec![reading.clone()],
            own_time: true,
            packet: None,
        };
        app.store.append(&[arrival]).unwrap();
        app.bus.tell(Event::Readings(Arc::from(vec![reading])));
        app.clock.set(now.plus_ms(30_000));
    }
}

fn alert_rows(app: &App, name: &str) -> Vec<AlertRow> {
    let mut rows = app.store.alerts(None, None).unwrap();
    rows.retain(|r| r.doc["alert"] == name);
    rows
}

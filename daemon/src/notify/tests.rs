//! Alerts from the rules to a real HTTP receiver on this machine, over the real store. Guards
//! what must never happen: a message lost with a restart, a second id for one event, a dead
//! channel that holds up another.

use std::sync::Arc;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tokio::task::JoinSet;
use wiremock::matchers::{header, method, path};
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

use super::*;
use crate::batches::record::{Quantity, Record};
use crate::config::alert::Webhook as WebhookConfig;
use crate::config::mqtt::Secret;
use crate::events::Event;
use crate::store::sqlite::SqliteStore;
use crate::store::{Edit, OutboxRow, StoredReading};
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

fn history(app: &App, alert: &str) -> Vec<OutboxRow> {
    let mut rows = app.store.outbox_history(100).unwrap();
    rows.retain(|r| r.alert == alert);
    rows
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

#[tokio::test(flavor = "multi_thread")]
async fn errors_are_retried_until_the_message_is_taken() {
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    let server = MockServer::start().await;
    answering(&server, &[500, 503, 200]).await;
    let mut rooms = JoinSet::new();
    start_with(&app, vec![hook(server.uri())], &mut rooms);
    let message = row(&app, "webhook", "a");
    app.store.put_alerts(&[], &[message]).unwrap();
    app.bus.tell(Event::Alert(Arc::new(Value::Null)));
    eventually("taken", || history(&app, "a")[0].accepted.is_some()).await;
    assert_eq!(history(&app, "a")[0].tries, 3);
    assert_eq!(server.received_requests().await.unwrap().len(), 3);
    let status = channels(&app);
    let status = status.iter().find(|c| c.name == "webhook").unwrap();
    assert!(status.last_error.is_none() && status.last_accepted.is_some());
    app.stop.cancel();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_key_is_not_retried_and_shows_red() {
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    let server = MockServer::start().await;
    answering(&server, &[401]).await;
    let mut rooms = JoinSet::new();
    start_with(&app, vec![hook(server.uri())], &mut rooms);
    app.store
        .put_alerts(&[], &[row(&app, "webhook", "a")])
        .unwrap();
    app.bus.tell(Event::Alert(Arc::new(Value::Null)));
    eventually("refused", || history(&app, "a")[0].failed.is_some()).await;
    // A later message is tried again (somebody may have mended the key), the first one is not.
    app.store
        .put_alerts(&[], &[row(&app, "webhook", "b")])
        .unwrap();
    app.bus.tell(Event::Alert(Arc::new(Value::Null)));
    eventually("refused", || history(&app, "b")[0].failed.is_some()).await;
    assert_eq!(server.received_requests().await.unwrap().len(), 2);
    let status = channels(&app);
    let status = status.iter().find(|c| c.name == "webhook").unwrap();
    assert!(status.last_error.as_ref().unwrap().contains("401"));
    app.stop.cancel();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_request_to_wait_is_honoured() {
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    let server = MockServer::start().await;
    Mock::given(method("POST"))
        .respond_with(ResponseTemplate::new(429).insert_header("Retry-After", "3"))
        .up_to_n_times(1)
        .mount(&server)
        .await;
    answering(&server, &[200]).await;
    let mut rooms = JoinSet::new();
    start_with(&app, vec![hook(server.uri())], &mut rooms);
    app.store
        .put_alerts(&[], &[row(&app, "webhook", "a")])
        .unwrap();
    app.bus.tell(Event::Alert(Arc::new(Value::Null)));
    eventually("asked to wait", || history(&app, "a")[0].tries == 1).await;
    let asked = Instant::now();
    eventually("taken", || history(&app, "a")[0].accepted.is_some()).await;
    // Our own first wait is a second at most: only the header explains more than two.
    assert!(asked.elapsed() > Duration::from_secs(2));
    app.stop.cancel();
}

struct Stuck;

impl Channel for Stuck {
    fn name(&self) -> &'static str {
        "stuck"
    }
    fn wakes_phone(&self) -> bool {
        true
    }
    fn send<'a>(&'a self, _doc: &'a Value) -> Sending<'a> {
        Box::pin(std::future::pending())
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_channel_that_never_answers_delays_no_other() {
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    let server = MockServer::start().await;
    answering(&server, &[200]).await;
    let mut rooms = JoinSet::new();
    start_with(&app, vec![Arc::new(Stuck), hook(server.uri())], &mut rooms);
    for alert in ["a", "b", "c"] {
        let rows = [row(&app, "stuck", alert), row(&app, "webhook", alert)];
        app.store.put_alerts(&[], &rows).unwrap();
    }
    app.bus.tell(Event::Alert(Arc::new(Value::Null)));
    eventually("all taken by the healthy one", || {
        app.store.outbox("webhook").unwrap().is_empty()
    })
    .await;
    assert_eq!(app.store.outbox("stuck").unwrap().len(), 3);
    app.stop.cancel();
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_too_old_expires_and_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    let server = MockServer::start().await;
    answering(&server, &[200]).await;
    let mut old = row(&app, "webhook", "a");
    old.expires = app.clock.now().plus_min(-1.0);
    app.store.put_alerts(&[], &[old]).unwrap();
    let mut rooms = JoinSet::new();
    start_with(&app, vec![hook(server.uri())], &mut rooms);
    eventually("expired", || history(&app, "a")[0].failed.is_some()).await;
    let why = history(&app, "a")[0].last_error.clone().unwrap();
    assert!(why.contains("too old"), "{why}");
    assert!(server.received_requests().await.unwrap().is_empty());
    app.stop.cancel();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_templated_request_fits_a_push_relay() {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let server = MockServer::start().await;
    Mock::given(method("PUT"))
        .and(path("/bakery"))
        .and(header("X-Title", "Knots: ready"))
        .and(header("X-Priority", "5"))
        .and(header("Authorization", "Bearer k"))
        .respond_with(ResponseTemplate::new(200))
        .expect(1)
        .mount(&server)
        .await;
    let mut config = webhook(format!("{}/bakery", server.uri()));
    config.method = "put".into();
    config.body = Some("{text} {link}".into());
    for (name, value) in [
        ("X-Title", "{title}"),
        ("X-Priority", "{priority}"),
        ("Authorization", "Bearer k"),
    ] {
        config.headers.insert(name.into(), Secret(value.into()));
    }
    let hook = webhook::Webhook::new(&config).unwrap();
    let doc = json!({"title":"Knots:\n ready","text":"Now \"go\".","link":"http://h/","severity":"urgent"});
    hook.send(&doc).await.unwrap();
    let request: Request = server.received_requests().await.unwrap().remove(0);
    assert_eq!(
        String::from_utf8(request.body).unwrap(),
        "Now \"go\". http://h/"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn no_word_of_a_failure_holds_the_address() {
    let _ = rustls::crypto::ring::default_provider().install_default();
    // A port that was free a moment ago: nothing listens there.
    let port = {
        let socket = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        socket.local_addr().unwrap().port()
    };
    let canary = "canary-4711";
    for scheme in ["http", "https"] {
        let hook = webhook::Webhook::new(&webhook(format!(
            "{scheme}://127.0.0.1:{port}/{canary}?token={canary}"
        )))
        .unwrap();
        let refusal = hook.send(&json!({})).await.unwrap_err();
        assert!(matches!(refusal, Refusal::Later { .. }), "{refusal}");
        assert!(!refusal.to_string().contains(canary), "{refusal}");
        assert!(!format!("{:?}", webhook(canary.into())).contains(canary));
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
            readings: vec![reading.clone()],
            own_time: true,
            packet: None,
        };
        app.store.append(&[arrival]).unwrap();
        app.bus.tell(Event::Readings(Arc::from(vec![reading])));
        app.clock.set(now.plus_ms(30_000));
    }
}

fn alert_rows(app: &App, name: &str) -> Vec<crate::store::AlertRow> {
    let mut rows = app.store.alerts(None, None).unwrap();
    rows.retain(|r| r.doc["alert"] == name);
    rows
}

#[tokio::test(flavor = "multi_thread")]
async fn a_restart_in_the_middle_delivers_under_the_same_id() {
    let dir = tempfile::tempdir().unwrap();
    let server = MockServer::start().await;
    let id;
    {
        let app = app_in(dir.path());
        put(&app, &KNOTS);
        let mut rooms = JoinSet::new();
        // Nothing listens at this address: the message waits.
        start_with(&app, vec![hook("http://127.0.0.1:1/".into())], &mut rooms);
        crate::watch::start(&app, &mut rooms);
        eventually("the loop turns", || {
            app.health
                .watch_beat
                .load(std::sync::atomic::Ordering::Relaxed)
                > 0
        })
        .await;
        heat(&app, &[31.0; 7]);
        eventually("raised", || !alert_rows(&app, "too_hot").is_empty()).await;
        eventually("tried", || {
            app.store
                .outbox("webhook")
                .unwrap()
                .iter()
                .any(|r| r.tries > 0)
        })
        .await;
        id = alert_rows(&app, "too_hot")[0].id.clone();
        // Killed: no draining.
        rooms.abort_all();
        while rooms.join_next().await.is_some() {}
    }
    answering(&server, &[200]).await;
    let app = app_in(dir.path());
    app.clock.set(start_time().plus_min(5.0));
    let mut rooms = JoinSet::new();
    start_with(&app, vec![hook(server.uri())], &mut rooms);
    crate::watch::start(&app, &mut rooms);
    eventually("delivered", || {
        app.store.outbox("webhook").unwrap().is_empty()
    })
    .await;
    heat(&app, &[31.2; 6]);
    eventually("the loop has seen it", || {
        app.health
            .watch_beat
            .load(std::sync::atomic::Ordering::Relaxed)
            >= start_time().plus_min(7.5).0
    })
    .await;
    assert_eq!(alert_rows(&app, "too_hot").len(), 1);
    let requests = server.received_requests().await.unwrap();
    let bodies: Vec<Value> = requests
        .iter()
        .map(|r| serde_json::from_slice(&r.body).unwrap())
        .filter(|b: &Value| b["alert"] == "too_hot")
        .collect();
    assert_eq!(bodies.len(), 1);
    let keys: Vec<&str> = bodies[0]
        .as_object()
        .unwrap()
        .keys()
        .map(String::as_str)
        .collect();
    // The contract's body, field by field.
    assert_eq!(
        keys,
        [
            "id", "alert", "state", "severity", "batch", "stage", "place", "at", "title", "text",
            "link"
        ]
    );
    assert_eq!(bodies[0]["id"], id);
    assert_eq!(bodies[0]["state"], "raised");
    assert_eq!(
        bodies[0]["link"],
        "http://dough.example/batches/2026-knots-1"
    );
    app.stop.cancel();
}

#[tokio::test(flavor = "multi_thread")]
async fn all_out_ends_the_oven_alert_and_records_the_move() {
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    put(&app, &KNOTS);
    let mut rooms = JoinSet::new();
    crate::watch::start(&app, &mut rooms);
    eventually("the loop turns", || {
        app.health
            .watch_beat
            .load(std::sync::atomic::Ordering::Relaxed)
            > 0
    })
    .await;
    let mut values = vec![27.0; 30];
    values.extend([30.0, 35.0]);
    heat(&app, &values);
    eventually("raised", || !alert_rows(&app, "oven_on").is_empty()).await;
    let alert = alert_rows(&app, "oven_on").remove(0);
    assert_eq!(alert.doc["severity"], "urgent");
    assert!(crate::watch::all_out(&app, &alert.id).unwrap());
    let book = app.book();
    assert_eq!(
        book.place_at("2026-knots-1", app.clock.now()),
        Some("kitchen")
    );
    let row = app.store.alert(&alert.id).unwrap().unwrap();
    assert!(row.cleared.is_some() && row.seen.is_some());
    heat(&app, &[40.0, 45.0]);
    let beat = app.clock.now();
    app.clock.set(beat.plus_ms(2_000));
    eventually("the loop has seen it", || {
        app.health
            .watch_beat
            .load(std::sync::atomic::Ordering::Relaxed)
            > beat.0
    })
    .await;
    assert_eq!(alert_rows(&app, "oven_on").len(), 1);
    assert!(!crate::watch::all_out(&app, &alert.id).unwrap());
    app.stop.cancel();
}

#[tokio::test(flavor = "multi_thread")]
async fn seen_survives_a_restart_and_ends_the_repeats() {
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    put(&app, &KNOTS);
    let mut rooms = JoinSet::new();
    crate::watch::start(&app, &mut rooms);
    eventually("the loop turns", || {
        app.health
            .watch_beat
            .load(std::sync::atomic::Ordering::Relaxed)
            > 0
    })
    .await;
    heat(&app, &[31.0; 7]);
    eventually("raised", || !alert_rows(&app, "too_hot").is_empty()).await;
    let id = alert_rows(&app, "too_hot")[0].id.clone();
    assert!(crate::watch::acknowledge(&app, &id).unwrap());
    assert!(!crate::watch::acknowledge(&app, "nothing").unwrap());
    rooms.abort_all();
    while rooms.join_next().await.is_some() {}
    let told = app.store.alert(&id).unwrap().unwrap().told;
    crate::watch::start(&app, &mut rooms);
    app.clock.set(start_time().plus_min(40.0));
    let beat = app.clock.now().0;
    eventually("the loop turns", || {
        app.health
            .watch_beat
            .load(std::sync::atomic::Ordering::Relaxed)
            >= beat
    })
    .await;
    let row = app.store.alert(&id).unwrap().unwrap();
    assert!(row.seen.is_some());
    assert_eq!(row.told, told);
    // "Remind me in ten minutes" tells it again, and only then.
    assert!(crate::watch::remind(&app, &id, 10.0).unwrap());
    app.clock.set(start_time().plus_min(51.0));
    eventually("reminded", || {
        app.store.alert(&id).unwrap().unwrap().told > told
    })
    .await;
    let row = app.store.alert(&id).unwrap().unwrap();
    assert_eq!(row.doc["state"], "repeated");
    app.stop.cancel();
}

/// The phone's side of RFC 8291, for the test: what a browser does with the body.
fn decrypt(body: &[u8], phone: &p256::SecretKey, auth: &[u8]) -> Vec<u8> {
    use aes_gcm::aead::{Aead, KeyInit};
    let (salt, sender, sealed) = (&body[..16], &body[21..86], &body[86..]);
    let shared = phone.diffie_hellman(&p256::PublicKey::from_sec1_bytes(sender).unwrap());
    let derive = |salt: &[u8], key: &[u8], info: &[u8], out: &mut [u8]| {
        hkdf::Hkdf::<sha2::Sha256>::new(Some(salt), key)
            .expand(info, out)
            .unwrap();
    };
    let info = [
        b"WebPush: info\0".as_slice(),
        &web_push::public_bytes(phone),
        sender,
    ]
    .concat();
    let (mut key, mut content_key, mut nonce) = ([0; 32], [0; 16], [0; 12]);
    derive(auth, shared.raw_secret_bytes(), &info, &mut key);
    derive(
        salt,
        &key,
        b"Content-Encoding: aes128gcm\0",
        &mut content_key,
    );
    derive(salt, &key, b"Content-Encoding: nonce\0", &mut nonce);
    let mut text = aes_gcm::Aes128Gcm::new(&content_key.into())
        .decrypt(&nonce.into(), sealed)
        .unwrap();
    assert_eq!(text.pop(), Some(2));
    text
}

#[tokio::test(flavor = "multi_thread")]
async fn a_phone_on_duty_is_pushed_to_and_one_that_is_gone_is_forgotten() {
    use base64::Engine as _;
    use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64;
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    let server = MockServer::start().await;
    for (at, status) in [("/here", 201), ("/gone", 410), ("/off", 201)] {
        Mock::given(method("POST"))
            .and(path(at))
            .and(header("Content-Encoding", "aes128gcm"))
            .and(header("Urgency", "high"))
            .respond_with(ResponseTemplate::new(status))
            .mount(&server)
            .await;
    }
    let phone = web_push::fresh_key();
    let auth = [7; 16];
    assert!(!push::Push::new(Arc::clone(&app)).unwrap().in_use());
    for (at, on_duty) in [("here", true), ("gone", true), ("off", false)] {
        let subscription = push::Subscription {
            endpoint: format!("{}/{at}", server.uri()),
            keys: push::Keys {
                p256dh: BASE64.encode(web_push::public_bytes(&phone)),
                auth: BASE64.encode(auth),
            },
            name: at.into(),
            on_duty,
        };
        push::subscribe(&app, subscription).unwrap();
    }
    let channel = push::Push::new(Arc::clone(&app)).unwrap();
    assert!(channel.in_use());
    let doc = json!({ "id": "a", "state": "raised", "severity": "warning", "at": 1, "title": "t" });
    // One phone's subscription is over: it is forgotten, the other has the message.
    channel.send(&doc).await.unwrap();
    let names: Vec<String> = push::subscriptions(&app)
        .into_iter()
        .map(|p| p.name)
        .collect();
    assert_eq!(names, ["here", "off"]);
    let requests = server.received_requests().await.unwrap();
    let here: Vec<&Request> = requests
        .iter()
        .filter(|r| r.url.path() == "/here")
        .collect();
    assert_eq!(here.len(), 1);
    assert!(!requests.iter().any(|r| r.url.path() == "/off"));
    let text = decrypt(&here[0].body, &phone, &auth);
    assert_eq!(serde_json::from_slice::<Value>(&text).unwrap(), doc);
    // The key stays: a phone's subscription is bound to it.
    assert_eq!(
        push::public_key(&app).unwrap(),
        push::public_key(&app).unwrap()
    );
    let shown = here[0].headers["Authorization"].to_str().unwrap();
    assert!(shown.ends_with(&push::public_key(&app).unwrap()));
}

#[tokio::test(flavor = "multi_thread")]
async fn mqtt_carries_each_event_and_the_retained_state() {
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    let (publisher, mut outgoing) = Publisher::channel();
    let channel = mqtt::Mqtt::new(Arc::clone(&app), publisher);
    let broker = tokio::spawn(async move {
        let mut seen = Vec::new();
        while seen.len() < 2 {
            let message = outgoing.recv().await.unwrap();
            message.done.send(Ok(())).unwrap();
            seen.push((message.topic, message.retain, message.payload));
        }
        seen
    });
    channel.send(&json!({ "id": "a" })).await.unwrap();
    let seen = broker.await.unwrap();
    assert_eq!(
        (seen[0].0.as_str(), seen[0].1),
        ("doughwarden/alert", false)
    );
    assert_eq!(&seen[0].2[..], br#"{"id":"a"}"#);
    assert_eq!(
        (seen[1].0.as_str(), seen[1].1),
        ("doughwarden/alerts/open", true)
    );
    assert_eq!(&seen[1].2[..], b"[]");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_heart_beats_only_while_intake_and_alerts_move() {
    use std::sync::atomic::Ordering;
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    let server = MockServer::start().await;
    Mock::given(method("GET"))
        .respond_with(ResponseTemplate::new(200))
        .mount(&server)
        .await;
    let every = Duration::from_millis(300);
    let task = tokio::spawn(heartbeat::beat(
        Arc::clone(&app),
        Secret(server.uri()),
        every,
    ));
    let begin = Instant::now();
    while server.received_requests().await.unwrap().len() < 2 {
        assert!(begin.elapsed() < DEADLINE);
        app.health.intake_beat.fetch_add(1, Ordering::Relaxed);
        app.health.watch_beat.fetch_add(1, Ordering::Relaxed);
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    app.stop.cancel();
    task.await.unwrap();
    // Intake stands still: nothing counts as moved.
    let last = heartbeat::Moved {
        intake: 5,
        watch: 5,
    };
    let moved = |intake, watch| heartbeat::Moved { intake, watch };
    assert!(moved(6, 6).since(last, true));
    assert!(!moved(5, 6).since(last, true));
    assert!(!moved(6, 5).since(last, true));
    assert!(!moved(6, 6).since(last, false));
}

#[tokio::test(flavor = "multi_thread")]
async fn what_the_store_cannot_keep_is_carried_all_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    let server = MockServer::start().await;
    answering(&server, &[200]).await;
    let mut rooms = JoinSet::new();
    start_with(&app, vec![hook(server.uri())], &mut rooms);
    app.desk.spill(&json!({ "id": "a" }));
    let begin = Instant::now();
    while server.received_requests().await.unwrap().is_empty() {
        assert!(begin.elapsed() < DEADLINE);
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    app.stop.cancel();
}

#[test]
fn settings_that_cannot_work_are_one_clear_line() {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let line = |toml: &str| {
        let alert: crate::config::alert::Alert = toml::from_str(toml).unwrap();
        alert.check().unwrap_err()
    };
    assert!(line("[webhook]\nurl = \"example\"").contains("alert.webhook.url"));
    assert!(line("quiet_hours = \"late\"").contains("alert.quiet_hours: `late`"));
    let mail = "[email]\nserver = \"h\"\nfrom = \"a@b.example\"\nto = ";
    assert!(line(&format!("{mail}\"nobody\"")).contains("alert.email.to"));
    let security = "\"c@d.example\"\nsecurity = \"none\"";
    assert!(line(&format!("{mail}{security}")).contains("alert.email.security"));
}

/// Killed at a random moment around an alert, again and again: delivered at least once on every
/// run, always under one id, and never twice once the receiver's answer was noted.
#[tokio::test(flavor = "multi_thread")]
async fn killed_at_any_moment_it_is_delivered_under_one_id() {
    use rand::{RngExt as _, SeedableRng as _};
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(20_260_110);
    for round in 0..12 {
        let dir = tempfile::tempdir().unwrap();
        let server = MockServer::start().await;
        answering(&server, &[200]).await;
        let mut noted = false;
        for life in 0..3 {
            let app = app_in(dir.path());
            if life == 0 {
                put(&app, &KNOTS);
            }
            app.clock.set(start_time().plus_min(f64::from(life)));
            let mut rooms = JoinSet::new();
            start_with(&app, vec![hook(server.uri())], &mut rooms);
            crate::watch::start(&app, &mut rooms);
            if life < 2 {
                // Not before the loop listens: what arrives earlier is replayed at the next start.
                tokio::time::sleep(Duration::from_millis(rng.random_range(0..60))).await;
                heat(&app, &[31.0; 7]);
                tokio::time::sleep(Duration::from_millis(rng.random_range(0..120))).await;
            } else {
                heat(&app, &[31.0; 7]);
                eventually("raised", || !alert_rows(&app, "too_hot").is_empty()).await;
                eventually("delivered", || {
                    app.store.outbox("webhook").unwrap().is_empty()
                })
                .await;
            }
            rooms.abort_all();
            while rooms.join_next().await.is_some() {}
            let accepted = app.store.outbox_history(100).unwrap();
            noted |= accepted.iter().any(|r| r.accepted.is_some());
        }
        assert!(noted, "round {round}");
        let requests = server.received_requests().await.unwrap();
        let ids: Vec<String> = requests
            .iter()
            .map(|r| serde_json::from_slice::<Value>(&r.body).unwrap())
            .filter(|b| b["alert"] == "too_hot" && b["state"] == "raised")
            .map(|b| b["id"].as_str().unwrap().to_owned())
            .collect();
        assert!(!ids.is_empty(), "round {round}: never delivered");
        assert!(ids.iter().all(|id| *id == ids[0]), "round {round}: {ids:?}");
        // At most one more for each kill, where the answer was lost.
        assert!(ids.len() <= 3, "round {round}: {ids:?}");
    }
}

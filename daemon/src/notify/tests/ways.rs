//! Each channel's own wire, the heartbeat, and the daily test of the whole chain.

use super::*;
use crate::ingest::publisher::Publisher;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64;
use wiremock::matchers::{header, path};

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

/// Phones on duty whose push services are at these paths.
fn subscribe(app: &App, base: &str, paths: &[&str]) {
    let key = BASE64.encode(web_push::public_bytes(&web_push::fresh_key()));
    for path in paths {
        let phone = push::Subscription {
            endpoint: format!("{base}/{path}"),
            keys: push::Keys {
                p256dh: key.clone(),
                auth: BASE64.encode([7; 16]),
            },
            name: (*path).into(),
            on_duty: true,
        };
        push::subscribe(app, phone).unwrap();
    }
}

/// Three push services that take a connection and answer nothing until the fourth phone has been
/// told: were phones told one after the other, it would wait for ever.
#[tokio::test(flavor = "multi_thread")]
async fn a_push_service_that_hangs_delays_no_other_phone() {
    use axum::routing::post;
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    let (told, fourth) = tokio::sync::watch::channel(0);
    let told = Arc::new(told);
    let taken = axum::http::StatusCode::CREATED;
    let services = axum::Router::new()
        .route(
            "/hangs/{n}",
            post(move || async move {
                let _ = fourth.clone().wait_for(|n| *n > 0).await;
                taken
            }),
        )
        .route(
            "/works",
            post(move || async move {
                told.send_modify(|n| *n += 1);
                taken
            }),
        );
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let base = format!("http://{}", listener.local_addr().unwrap());
    let serving = tokio::spawn(async move { axum::serve(listener, services).await });
    subscribe(&app, &base, &["hangs/1", "hangs/2", "hangs/3", "works"]);
    let channel = push::Push::new(Arc::clone(&app)).unwrap();
    let doc = json!({ "id": "a", "state": "raised", "severity": "warning", "at": 1, "title": "t" });
    assert_eq!(worker::send(&channel, &doc).await, Ok(()));
    serving.abort();
}

/// One phone's push service is away: the channel is not down, the other phone has the message and does
/// not hear it twice.
#[tokio::test(flavor = "multi_thread")]
async fn a_push_service_that_is_away_does_not_stop_the_channel() {
    use axum::routing::post;
    let dir = tempfile::tempdir().unwrap();
    let app = app_in(dir.path());
    let told = Arc::new(std::sync::atomic::AtomicUsize::new(0));
    let counted = Arc::clone(&told);
    let works = post(move || async move {
        counted.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
        axum::http::StatusCode::CREATED
    });
    let busy = post(|| async { axum::http::StatusCode::SERVICE_UNAVAILABLE });
    let services = axum::Router::new()
        .route("/works", works)
        .route("/busy", busy);
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let base = format!("http://{}", listener.local_addr().unwrap());
    let serving = tokio::spawn(async move { axum::serve(listener, services).await });
    subscribe(&app, &base, &["busy", "works"]);
    let channel = push::Push::new(Arc::clone(&app)).unwrap();
    let doc = json!({ "id": "a", "state": "raised", "severity": "warning", "at": 1, "title": "t" });
    let first = worker::send(&channel, &doc).await;
    assert!(matches!(first, Err(Refusal::InPart(_))), "{first:?}");
    // Nobody new was told.
    let second = worker::send(&channel, &doc).await;
    assert!(matches!(second, Err(Refusal::InPart(_))), "{second:?}");
    assert_eq!(told.load(std::sync::atomic::Ordering::SeqCst), 1);
    serving.abort();
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

/// A receiver that takes connections and never answers: the test neither hangs nor stays silent on
/// it, and what works is not blamed.
#[tokio::test(flavor = "multi_thread")]
async fn the_daily_test_goes_from_a_reading_to_the_far_ends_and_names_what_fails() {
    let dir = tempfile::tempdir().unwrap();
    let mut app = app_in(dir.path());
    let watchdog = MockServer::start().await;
    Mock::given(method("GET"))
        .respond_with(ResponseTemplate::new(200))
        .up_to_n_times(1)
        .mount(&watchdog)
        .await;
    {
        let inner = Arc::get_mut(&mut app).unwrap();
        inner.config.alert.heartbeat_url = Some(Secret(watchdog.uri()));
        inner.config.mqtt.listen = "127.0.0.1:0".into();
        inner.config.mqtt.user = Some("kitchen".into());
        inner.config.mqtt.password = Some(Secret("secret".into()));
    }
    let mut rooms = JoinSet::new();
    let (publisher, outgoing) = Publisher::channel();
    let ingest = crate::ingest::start(&app, outgoing, crate::ingest::Options::default())
        .await
        .unwrap();
    let server = MockServer::start().await;
    let mqtt: Arc<dyn Channel> = Arc::new(mqtt::Mqtt::new(Arc::clone(&app), publisher));
    start_with(&app, vec![mqtt, hook(server.uri())], &mut rooms);
    crate::watch::start(&app, &mut rooms);
    let outcome = self_test::once(&app).await;
    assert_eq!(outcome.failed, Vec::<String>::new());
    // Nothing was kept of the reading, no message went to the hook, one beat to the watchdog.
    assert!(app.store.series().unwrap().is_empty());
    assert!(app.board.heard().is_empty() && app.board.channels().is_empty());
    assert!(server.received_requests().await.unwrap().is_empty());
    assert_eq!(watchdog.received_requests().await.unwrap().len(), 1);
    // The watchdog now answers 404, and the broker is closed.
    ingest.stop().await;
    let outcome = self_test::once(&app).await;
    assert!(
        outcome.failed[0].starts_with("a reading by MQTT: "),
        "{outcome:?}"
    );
    assert!(
        outcome.failed.iter().any(|f| f.starts_with("heartbeat: ")),
        "{outcome:?}"
    );
    assert_eq!(
        outcome.clone().settled(),
        None,
        "one failure is not told yet"
    );
    assert!(self_test::once(&app).await.settled().is_some());
    let shown = channels(&app);
    let heart = shown.iter().find(|c| c.name == "heartbeat").unwrap();
    assert!(
        heart.last_error.as_ref().unwrap().contains("404"),
        "{heart:?}"
    );
    app.stop.cancel();
}

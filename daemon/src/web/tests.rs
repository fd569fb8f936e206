//! The web room from outside: requests through the whole router, on a real store in a directory of
//! its own, and over real sockets where the connection itself matters.

use std::net::TcpListener;
use std::sync::Arc;
use std::sync::atomic::Ordering::Relaxed;
use std::time::Duration;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Request, StatusCode, header};
use serde_json::Value;
use tower::ServiceExt as _;

use super::{BODY_LIMIT, router, serve};
use crate::app::App;
use crate::batches::record::{
    Batch, Dough, Outcome, Place, PlaceKind, Quantity, Record, StageKind, StageRecord,
};
use crate::config::Config;
use crate::config::mqtt::Secret;
use crate::events::Event;
use crate::store::sqlite::SqliteStore;
use crate::store::{AlertRow, Arrival, Edit, StoredReading};
use crate::time::{Clock, UtcMs};

const NOW: &str = "2026-01-10T07:00:00Z";
const KEY: &str = "a-key-for-the-tests";

/// An application on a store of its own; the directory goes when the test ends.
pub(super) struct Kitchen {
    pub(super) app: Arc<App>,
    _dir: tempfile::TempDir,
}

pub(super) fn t(text: &str) -> UtcMs {
    UtcMs::parse(text).unwrap()
}

fn stage(batch: &str, start: UtcMs) -> StageRecord {
    let line = serde_json::json!({"batch": batch, "stage": "bulk", "start": start});
    serde_json::from_value(line).unwrap()
}

impl Kitchen {
    pub(super) fn new(change: impl FnOnce(&mut Config)) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let mut config = Config::default();
        config.display.zone = Some("Europe/Oslo".into());
        change(&mut config);
        let store = Arc::new(SqliteStore::open(dir.path()).unwrap());
        let app = App::new(Clock::by_hand(t(NOW)), config, dir.path().into(), store).unwrap();
        Self { app, _dir: dir }
    }

    fn locked() -> Self {
        Self::new(|c| c.http.access_key = Some(Secret(KEY.into())))
    }

    pub(super) fn put(&self, records: Vec<Record>) {
        let edits: Vec<Edit> = records.into_iter().map(Edit::Put).collect();
        self.app.store.edit(self.app.clock.now(), &edits).unwrap();
        self.app.reload_book().unwrap();
    }

    /// A dough in a box, its bulk proof begun at 7:05 in Oslo.
    pub(super) fn with_a_proof(self) -> Self {
        let start = t("2026-01-10T06:05:00Z");
        self.put(vec![
            Record::Place(Place {
                name: "box".into(),
                kind: Some(PlaceKind::Box),
                ..Place::default()
            }),
            Record::Dough(Dough {
                name: "cardamom knots".into(),
                ceiling: Some(29.0),
                caution: vec!["egg".into()],
                ..Dough::default()
            }),
            Record::Batch(Batch {
                id: "2026-knots".into(),
                dough: "cardamom knots".into(),
                place: "box".into(),
                pieces: Some(14),
                ..Batch::default()
            }),
            Record::Stage(stage("2026-knots", start)),
        ]);
        self
    }

    pub(super) fn readings(&self, values: &[f64]) -> Vec<StoredReading> {
        let start = t("2026-01-10T06:05:00Z");
        let readings: Vec<StoredReading> = values
            .iter()
            .enumerate()
            .map(|(i, value)| {
                let time = start.plus_min(i as f64);
                StoredReading {
                    time,
                    arrived: time,
                    sensor: "box".into(),
                    quantity: Quantity::AirTemperature,
                    value: *value,
                    raw: None,
                    kept_out: None,
                    place: Some("box".into()),
                    batch: None,
                }
            })
            .collect();
        self.app
            .store
            .append(&[Arrival {
                readings: readings.clone(),
                own_time: true,
                packet: None,
            }])
            .unwrap();
        readings
    }
}

pub(super) struct Answer {
    pub(super) status: StatusCode,
    pub(super) headers: HeaderMap,
    pub(super) text: String,
}

impl Answer {
    pub(super) fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("{e}: {}", self.text))
    }
}

/// A request as a browser or program would send it, `headers` as `(name, value)`.
pub(super) async fn ask(
    router: &Router,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
    body: impl Into<Body>,
) -> Answer {
    let mut request = Request::builder().method(method).uri(path);
    if !headers.iter().any(|(n, _)| *n == "host") {
        request = request.header("host", "127.0.0.1:8080");
    }
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    let response = router
        .clone()
        .oneshot(request.body(body.into()).unwrap())
        .await
        .unwrap();
    let (parts, body) = response.into_parts();
    let bytes = to_bytes(body, 4 << 20).await.unwrap();
    Answer {
        status: parts.status,
        headers: parts.headers,
        text: String::from_utf8_lossy(&bytes).into_owned(),
    }
}

pub(super) async fn get(router: &Router, path: &str) -> Answer {
    ask(router, "GET", path, &[], Body::empty()).await
}

/// A form sent from our own page.
pub(super) async fn form(router: &Router, path: &str, body: &str) -> Answer {
    let headers = [
        ("origin", "http://127.0.0.1:8080"),
        ("content-type", "application/x-www-form-urlencoded"),
    ];
    ask(router, "POST", path, &headers, body.to_owned()).await
}

const PAGES: [&str; 11] = [
    "/",
    "/new",
    "/batches/2026-knots",
    "/doughs",
    "/doughs/edit",
    "/doughs/edit?name=cardamom%20knots",
    "/places",
    "/sensors",
    "/bakes",
    "/settings",
    "/new?again=2026-knots",
];

#[tokio::test]
async fn every_page_opens_and_carries_the_safety_headers() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    kitchen.readings(&[24.0; 30]);
    let router = router(Arc::clone(&kitchen.app));
    for page in PAGES {
        let answer = get(&router, page).await;
        assert_eq!(answer.status, 200, "{page}: {}", answer.text);
        let policy = answer.headers["content-security-policy"].to_str().unwrap();
        assert!(policy.contains("default-src 'none'") && !policy.contains("unsafe"));
        assert_eq!(answer.headers["x-content-type-options"], "nosniff");
        assert_eq!(answer.headers["x-frame-options"], "DENY");
        assert!(!answer.text.contains(" style="), "{page}: no inline style");
        assert!(!answer.text.contains("<style"), "{page}: no inline style");
        assert!(!answer.text.contains("onclick"), "{page}: no inline script");
        for script in answer.text.split("<script").skip(1) {
            assert!(
                script.contains("src=\"/assets/"),
                "{page}: scripts come from files"
            );
            assert!(
                script
                    .split('>')
                    .nth(1)
                    .is_some_and(|s| s.starts_with("</script")),
                "{page}"
            );
        }
        for link in answer
            .text
            .split("href=\"")
            .skip(1)
            .chain(answer.text.split("src=\"").skip(1))
        {
            assert!(
                link.starts_with('/') || link.starts_with('#'),
                "{page} names another host: {}",
                &link[..40]
            );
        }
    }
}

#[tokio::test]
async fn what_comes_from_the_wire_is_text_on_every_page() {
    let nasty = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>";
    let kitchen = Kitchen::new(|_| {});
    kitchen.put(vec![
        Record::Place(Place {
            name: nasty.into(),
            kind: Some(PlaceKind::Oven),
            ..Place::default()
        }),
        Record::Dough(Dough {
            name: nasty.into(),
            ..Dough::default()
        }),
        Record::Batch(Batch {
            id: "b".into(),
            dough: nasty.into(),
            place: nasty.into(),
            ..Batch::default()
        }),
        Record::Stage(stage("b", t("2026-01-10T06:05:00Z"))),
    ]);
    kitchen.app.board.with_heard(|heard| {
        heard.insert(
            nasty.into(),
            crate::ingest::board::Heard {
                topic: nasty.into(),
                at: t(NOW),
                preview: nasty.into(),
                retained: false,
                guesses: vec![crate::ingest::board::Guess {
                    senml_name: None,
                    pointer: Some(nasty.into()),
                    quantity: Quantity::AirTemperature,
                    unit: crate::batches::record::Unit::Cel,
                    value: 21.0,
                }],
            },
        );
    });
    kitchen
        .app
        .store
        .put_alerts(&[alert("a1", nasty)], &[])
        .unwrap();
    let router = router(Arc::clone(&kitchen.app));
    for page in [
        "/",
        "/batches/b",
        "/new",
        "/doughs",
        "/places",
        "/sensors",
        "/bakes",
        "/settings",
    ] {
        let answer = get(&router, page).await;
        assert_eq!(answer.status, 200, "{page}");
        assert!(!answer.text.contains("<img"), "{page}");
        assert!(!answer.text.contains("<script>"), "{page}");
        assert!(
            !answer.text.contains("\"'>"),
            "{page}: attributes stay closed in"
        );
    }
}

fn alert(id: &str, title: &str) -> AlertRow {
    AlertRow {
        id: id.into(),
        cause: format!("cause of {id}"),
        raised: t("2026-01-10T06:50:00Z"),
        seen: None,
        cleared: None,
        quiet_until: None,
        told: None,
        doc: serde_json::json!({"id": id, "alert": "too_hot", "severity": "urgent", "title": title, "text": title, "batch": "2026-knots", "place": "box"}),
        memory: Value::Null,
    }
}

#[tokio::test]
async fn a_host_that_is_not_ours_and_a_foreign_change_are_refused() {
    let kitchen = Kitchen::new(|c| c.http.hosts = vec!["kitchen.example".into()]).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let host = |h: &'static str| {
        let router = router.clone();
        async move {
            ask(&router, "GET", "/", &[("host", h)], Body::empty())
                .await
                .status
        }
    };
    assert_eq!(host("kitchen.example:8080").await, 200);
    assert_eq!(host("evil.example").await, 403);
    let body = "{\"record\":\"place\",\"name\":\"shelf\"}";
    let post = |headers: Vec<(&'static str, &'static str)>| {
        let router = router.clone();
        async move { ask(&router, "POST", "/undo", &headers, body).await }
    };
    for refused in [
        vec![("origin", "http://evil.example")],
        vec![("origin", "null")],
        vec![
            ("origin", "http://127.0.0.1:8080"),
            ("origin", "http://127.0.0.1:8080"),
        ],
        vec![("cookie", "doughwarden=x")],
        vec![("sec-fetch-site", "cross-site")],
    ] {
        let answer = post(refused.clone()).await;
        assert_eq!(answer.status, 403, "{refused:?}");
    }
    // From a program on this machine, without a cookie: let in (and then the form is missing).
    assert_ne!(post(vec![]).await.status, 403);
}

#[tokio::test]
async fn with_a_key_everything_but_the_probes_and_the_door_is_locked() {
    let kitchen = Kitchen::locked().with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let description = get(&router, "/api/openapi.json").await;
    assert_eq!(description.status, 401);
    let bearer = format!("Bearer {KEY}");
    let key = [("authorization", bearer.as_str())];
    let description = ask(&router, "GET", "/api/openapi.json", &key, Body::empty())
        .await
        .json();
    for (path, calls) in description["paths"].as_object().unwrap() {
        for method in calls.as_object().unwrap().keys() {
            let path = path
                .replace("{id}", "2026-knots")
                .replace("{name}", "webhook")
                .replace("{version}", "1");
            let status = ask(&router, &method.to_uppercase(), &path, &[], Body::empty())
                .await
                .status;
            match path.as_str() {
                "/healthz" => assert_eq!(status, 200),
                "/readyz" => assert_eq!(status, 503, "nothing runs yet"),
                _ => assert_eq!(status, 401, "{method} {path}"),
            }
        }
    }
    for page in PAGES {
        let answer = get(&router, page).await;
        assert_eq!(answer.status, 303, "{page}");
        assert!(
            answer.headers["location"]
                .to_str()
                .unwrap()
                .starts_with("/sign-in?next=")
        );
    }
    let wrong = [("authorization", "Bearer nonsense")];
    assert_eq!(
        ask(&router, "GET", "/api/v1/batches", &wrong, Body::empty())
            .await
            .status,
        401
    );
    assert_eq!(
        ask(&router, "GET", "/api/v1/batches", &key, Body::empty())
            .await
            .status,
        200
    );
}

#[tokio::test]
async fn signing_in_gives_a_session_that_can_be_taken_back() {
    let kitchen = Kitchen::locked().with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    assert_eq!(form(&router, "/sign-in", "key=wrong").await.status, 401);
    let answer = form(&router, "/sign-in", &format!("key={KEY}&next=%2Fdoughs")).await;
    assert_eq!(answer.status, 303);
    assert_eq!(answer.headers["location"], "/doughs");
    let cookie = answer.headers["set-cookie"].to_str().unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Lax"));
    let cookie = cookie.split(';').next().unwrap().to_owned();
    let token = cookie.split_once('=').unwrap().1.to_owned();
    let kept = kitchen.app.store.setting("sessions").unwrap().unwrap();
    assert!(!kept.to_string().contains(&token), "only a digest is kept");

    let mine = [
        ("cookie", cookie.as_str()),
        ("origin", "http://127.0.0.1:8080"),
        ("content-type", "application/x-www-form-urlencoded"),
    ];
    assert_eq!(
        ask(&router, "GET", "/", &mine[..1], Body::empty())
            .await
            .status,
        200
    );
    // Another phone by a link, once.
    let settings = ask(&router, "POST", "/settings/invite", &mine, Body::empty()).await;
    let link = settings.text.split("/sign-in?token=").nth(1).unwrap();
    let link: String = link
        .chars()
        .take_while(|c| c.is_ascii_alphanumeric() || "-_".contains(*c))
        .collect();
    let page = get(&router, &format!("/sign-in?token={link}")).await;
    assert_eq!(page.status, 200);
    assert!(
        page.headers.get("set-cookie").is_none(),
        "opening the link changes nothing"
    );
    assert_eq!(
        form(&router, "/sign-in", &format!("token={link}"))
            .await
            .status,
        303
    );
    assert_eq!(
        form(&router, "/sign-in", &format!("token={link}"))
            .await
            .status,
        401
    );
    // Taken back: the cookie is worth nothing.
    let hash = super::door::hash_of(&token);
    assert_eq!(
        ask(
            &router,
            "POST",
            "/settings/sign-out",
            &mine,
            format!("id={hash}")
        )
        .await
        .status,
        303
    );
    assert_eq!(
        ask(&router, "GET", "/", &mine[..1], Body::empty())
            .await
            .status,
        303
    );
}

#[tokio::test]
async fn errors_are_problem_documents_and_pages_say_them_in_words() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    // RFC 9457: media type, `type`, `title`, `status`, `detail`.
    for (method, path, body, status) in [
        ("GET", "/api/v1/batches/none", "", 404),
        ("GET", "/api/v1/readings?from=yesterday", "", 400),
        ("GET", "/api/v1/readings?bucket_s=x", "", 400),
        (
            "GET",
            "/api/v1/readings?sensor=box&bucket_s=1&from=2020-01-01T00:00:00Z",
            "",
            422,
        ),
        ("POST", "/api/v1/undo", "{}", 415),
        ("GET", "/api/v1/nothing", "", 404),
        ("DELETE", "/api/v1/batches", "", 405),
    ] {
        let answer = ask(&router, method, path, &[], body).await;
        assert_eq!(answer.status, status, "{method} {path}: {}", answer.text);
        assert_eq!(
            answer.headers[header::CONTENT_TYPE],
            "application/problem+json",
            "{path}"
        );
        let problem = answer.json();
        assert_eq!(problem["status"], status);
        assert!(
            problem["title"].is_string()
                && problem["detail"].as_str().is_some_and(|d| !d.is_empty()),
            "{problem}"
        );
    }
    let big = vec![b'x'; BODY_LIMIT + 1];
    let length = big.len().to_string();
    let answer = ask(
        &router,
        "POST",
        "/api/v1/records",
        &[("content-length", &length)],
        big,
    )
    .await;
    assert_eq!(answer.status, 413);
    let page = get(&router, "/batches/none").await;
    assert_eq!(page.status, 404);
    assert!(page.text.contains("There is no batch `none`") && page.text.contains("<html"));
}

#[tokio::test]
async fn the_description_is_openapi_3_1_and_names_every_call() {
    let kitchen = Kitchen::new(|_| {});
    let router = router(Arc::clone(&kitchen.app));
    let description = get(&router, "/api/openapi.json").await.json();
    assert_eq!(description["openapi"], "3.1.0");
    for path in [
        "/api/v1/readings",
        "/api/v1/batches",
        "/api/v1/batches/{id}",
        "/api/v1/batches/{id}/forecast",
        "/api/v1/records",
        "/api/v1/alerts",
        "/api/v1/alerts/{id}/acknowledge",
        "/api/v1/events",
        "/healthz",
        "/readyz",
        "/metrics",
    ] {
        assert!(description["paths"][path].is_object(), "{path} is promised");
    }
    for (path, calls) in description["paths"].as_object().unwrap() {
        for (method, call) in calls.as_object().unwrap() {
            assert!(
                call["summary"].is_string() || call["description"].is_string(),
                "{method} {path}"
            );
            for (status, response) in call["responses"].as_object().unwrap() {
                assert!(
                    response["description"]
                        .as_str()
                        .is_some_and(|d| !d.is_empty()),
                    "{method} {path} {status}"
                );
            }
        }
    }
    // Nothing answers under /api that is not described: the router is built from the descriptions,
    // and what is merged beside them lies elsewhere.
    let source = include_str!("mod.rs");
    assert!(!source.contains(".route(\"/api"));
}

#[tokio::test]
async fn readings_come_back_as_written_and_in_stretches() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    kitchen.readings(&[24.0, 24.5, 25.0, 25.5]);
    let router = router(Arc::clone(&kitchen.app));
    let all = get(&router, "/api/v1/readings?sensor=box").await.json();
    assert_eq!(all.as_array().unwrap().len(), 4);
    assert_eq!(
        all[0].to_string(),
        r#"{"time":"2026-01-10T06:05:00Z","sensor":"box","quantity":"air_temperature","value":24,"unit":"Cel"}"#
    );
    let part = get(
        &router,
        "/api/v1/readings?sensor=box&from=2026-01-10T06:06:00Z&to=2026-01-10T06:08:00Z",
    )
    .await
    .json();
    assert_eq!(
        part.as_array().unwrap().len(),
        2,
        "from is included, to is not"
    );
    let stretches = get(&router, "/api/v1/readings?sensor=box&bucket_s=120&from=2026-01-10T06:04:00Z&to=2026-01-10T06:10:00Z").await.json();
    let count: u64 = stretches
        .as_array()
        .unwrap()
        .iter()
        .map(|b| b["count"].as_u64().unwrap())
        .sum();
    assert_eq!(count, 4);
    assert!(
        stretches[0]["min"].is_number()
            && stretches[0]["mean"].is_number()
            && stretches[0]["max"].is_number()
    );
}

#[tokio::test]
async fn alerts_are_listed_seen_and_shown() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    kitchen
        .app
        .store
        .put_alerts(&[alert("a1", "The box is too hot")], &[])
        .unwrap();
    let router = router(Arc::clone(&kitchen.app));
    let alerts = get(&router, "/api/v1/alerts?from=2026-01-10T06:00:00Z")
        .await
        .json();
    assert_eq!(alerts[0]["id"], "a1");
    assert_eq!(alerts[0]["title"], "The box is too hot");
    let page = get(&router, "/").await;
    assert!(page.text.contains("The box is too hot") && page.text.contains("/alerts/a1/seen"));
    assert!(page.text.contains("(1) Now"), "the tab says that one waits");
    let none = ask(
        &router,
        "POST",
        "/api/v1/alerts/none/acknowledge",
        &[],
        Body::empty(),
    )
    .await;
    assert_eq!(none.status, 404);
}

#[tokio::test]
async fn the_pages_can_be_got_over_a_socket_and_a_stream_ends_on_stop() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let (bound, task) = serve(Arc::clone(&kitchen.app), listener).unwrap();
    let deadline = Duration::from_secs(20);
    rustls::crypto::ring::default_provider()
        .install_default()
        .ok();
    let client = reqwest::Client::new();
    let mut stream = client
        .get(format!("http://{bound}/api/v1/events"))
        .send()
        .await
        .unwrap();
    assert_eq!(stream.headers()["content-type"], "text/event-stream");
    let told = kitchen.readings(&[24.0]);
    kitchen.app.bus.tell(Event::Readings(told.into()));
    let mut text = String::new();
    while !text.contains("\n\n") {
        let chunk = tokio::time::timeout(deadline, stream.chunk())
            .await
            .unwrap()
            .unwrap()
            .unwrap();
        text.push_str(&String::from_utf8_lossy(&chunk));
    }
    assert!(
        text.contains("event: readings") && text.contains("\"value\":24"),
        "{text}"
    );
    kitchen.app.stop.cancel();
    // The stream ends though its reader would go on, and the server with it.
    while let Some(chunk) = tokio::time::timeout(deadline, stream.chunk())
        .await
        .unwrap()
        .unwrap_or(None)
    {
        drop(chunk);
    }
    tokio::time::timeout(deadline, task)
        .await
        .unwrap()
        .unwrap()
        .unwrap();
}

#[tokio::test]
async fn https_is_served_when_a_certificate_is_set() {
    rustls::crypto::ring::default_provider()
        .install_default()
        .ok();
    let dir = tempfile::tempdir().unwrap();
    let made = rcgen::generate_simple_self_signed(vec!["localhost".into()]).unwrap();
    let (certificate, key) = (dir.path().join("c.pem"), dir.path().join("k.pem"));
    std::fs::write(&certificate, made.cert.pem()).unwrap();
    std::fs::write(&key, made.signing_key.serialize_pem()).unwrap();
    let kitchen = Kitchen::new(|c| {
        c.http.certificate = Some(certificate);
        c.http.key = Some(key);
    });
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let mut rooms = tokio::task::JoinSet::new();
    let url = super::start(&kitchen.app, listener, &mut rooms).unwrap();
    assert!(url.starts_with("https://127.0.0.1:"));
    let port = url.rsplit_once(':').unwrap().1;
    let trusted = reqwest::Certificate::from_pem(made.cert.pem().as_bytes()).unwrap();
    let client = reqwest::Client::builder()
        .tls_certs_only([trusted])
        .build()
        .unwrap();
    let answer = client
        .get(format!("https://localhost:{port}/healthz"))
        .send()
        .await
        .unwrap();
    assert_eq!(answer.status(), 200);
    assert!(answer.headers().contains_key("strict-transport-security"));
    let stranger = reqwest::Client::new();
    assert!(
        stranger
            .get(format!("https://localhost:{port}/healthz"))
            .send()
            .await
            .is_err()
    );
    kitchen.app.stop.cancel();
    tokio::time::timeout(Duration::from_secs(20), async {
        while rooms.join_next().await.is_some() {}
    })
    .await
    .unwrap();
}

#[tokio::test]
async fn a_certificate_that_is_none_is_named() {
    let kitchen = Kitchen::new(|c| {
        c.http.certificate = Some("/nowhere/c.pem".into());
        c.http.key = Some("/nowhere/k.pem".into());
    });
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let error = serve(Arc::clone(&kitchen.app), listener).unwrap_err();
    assert!(error.to_string().contains("/nowhere/c.pem"));
}

#[tokio::test]
async fn readiness_follows_the_store_and_the_broker() {
    let kitchen = Kitchen::new(|_| {});
    let router = router(Arc::clone(&kitchen.app));
    assert_eq!(get(&router, "/readyz").await.status, 503);
    kitchen.app.health.store_writes.store(true, Relaxed);
    kitchen.app.health.broker_ready.store(true, Relaxed);
    assert_eq!(get(&router, "/readyz").await.status, 200);
    assert!(
        get(&router, "/metrics")
            .await
            .text
            .contains("doughwarden_readings_stored_total")
    );
}

/// Where a redirect leads, after checking that it is one.
fn led(answer: &Answer) -> String {
    assert_eq!(answer.status, 303, "{}", answer.text);
    answer.headers["location"].to_str().unwrap().to_owned()
}

#[tokio::test]
async fn a_bake_goes_from_mixing_to_the_oven_by_taps_and_every_tap_can_be_undone() {
    let kitchen = Kitchen::new(|_| {});
    let app = Arc::clone(&kitchen.app);
    let router = router(Arc::clone(&app));
    led(&form(&router, "/doughs", "name=plum+buns&bulk_min=90&bulk_at=24&bulk_rise=80&ceiling=29&egg=yes&ingredient=flour&mass=500&ingredient=milk&mass=300&ingredient=&mass=").await);
    let dough = app.book().doughs["plum buns"].clone();
    assert_eq!(dough.bulk.unwrap().target_rise, Some(0.8));
    assert_eq!(dough.caution, ["egg"]);
    assert_eq!(dough.formula.unwrap().len(), 2);

    // Started twenty minutes ago; tapped twice, which starts one batch.
    let start = "dough=plum+buns&place=&new_place=counter&when=ago&ago_min=20&pieces=12";
    let to = led(&form(&router, "/batches", start).await);
    let again = led(&form(&router, "/batches", start).await);
    assert_eq!(app.book().batches.len(), 1);
    let id = app.book().batches.keys().next().unwrap().clone();
    assert!(id.contains("2026"), "an id of ours carries the year: {id}");
    let page = format!("/batches/{id}");
    assert!(to.starts_with(&page) && again.starts_with(&page));
    let began = app.book().stage(&id, StageKind::Bulk).unwrap().clone();
    assert_eq!(began.start, t("2026-01-10T06:40:00Z"));

    // The big buttons.
    let tap = |what: &'static str| {
        let (router, path) = (router.clone(), format!("{page}/do"));
        async move { form(&router, &path, what).await }
    };
    led(&tap("do=rise+0.25&when=now").await);
    led(&tap("do=dent+springs_back&when=ago&ago_min=3").await);
    led(&tap("do=heights&height_start=50&height_now=75&when=clock&clock=07:55").await);
    led(&tap("do=typed&when=ago&ago_min=1&dough_temperature=25,5&note=a+little+skin").await);
    let seen: Vec<String> = app
        .book()
        .observations_of(&id, UtcMs(i64::MIN), UtcMs(i64::MAX))
        .map(|o| {
            format!(
                "{} {:?} {:?} {:?} {:?}",
                o.time, o.rise, o.result, o.value, o.text
            )
        })
        .collect();
    assert_eq!(
        seen,
        [
            "2026-01-10T06:55:00Z Some(0.5) None None None",
            "2026-01-10T06:57:00Z None Some(SpringsBack) None None",
            "2026-01-10T06:59:00Z None None Some(25.5) None",
            "2026-01-10T06:59:00Z None None None Some(\"a little skin\")",
            "2026-01-10T07:00:00Z Some(0.25) None None None",
        ]
    );
    assert!(get(&router, &page).await.text.contains("a little skin"));

    // Changed to another time, and taken out; each with its way back.
    let at = t("2026-01-10T06:55:00Z").0;
    let changed = led(&form(
        &router,
        &format!("{page}/entry"),
        &format!("kind=rise&at_ms={at}&clock=07:50&do=retime"),
    )
    .await);
    let times = || -> Vec<String> {
        let book = app.book();
        book.observations_of(&id, UtcMs(i64::MIN), UtcMs(i64::MAX))
            .filter(|o| o.rise.is_some())
            .map(|o| o.time.to_string())
            .collect()
    };
    assert_eq!(times(), ["2026-01-10T06:50:00Z", "2026-01-10T07:00:00Z"]);
    let group = changed.split("undo=").nth(1).unwrap();
    led(&form(&router, "/undo", &format!("group={group}&back={page}")).await);
    assert_eq!(times(), ["2026-01-10T06:55:00Z", "2026-01-10T07:00:00Z"]);
    led(&form(
        &router,
        &format!("{page}/entry"),
        &format!("kind=rise&at_ms={at}&do=remove"),
    )
    .await);
    assert_eq!(times(), ["2026-01-10T07:00:00Z"]);

    // Carried, ended, split at shaping, final begun elsewhere.
    led(&tap("do=move_new&new_place=oven&when=now").await);
    app.clock.set(t("2026-01-10T08:00:00Z"));
    assert_eq!(app.book().place_at(&id, app.clock.now()), Some("oven"));
    let ended = led(&tap("do=end+ready&when=now").await);
    let stage = app.book().stage(&id, StageKind::Bulk).unwrap().clone();
    assert_eq!(
        (stage.end, stage.outcome),
        (Some(t("2026-01-10T08:00:00Z")), Some(Outcome::Ready))
    );
    assert!(ended.contains("undo="));
    app.clock.set(t("2026-01-10T08:20:00Z"));
    assert!(get(&router, "/").await.text.contains("being shaped"));
    let part = led(&tap("do=split&split_pieces=4&split_place=counter&when=now").await);
    assert_ne!(
        part.split('?').next().unwrap(),
        page,
        "the new batch's page is shown"
    );
    assert_eq!(app.book().batches.len(), 2);
    led(&tap("do=start+final&place=oven&when=now").await);
    assert!(
        app.book()
            .stage(&id, StageKind::Final)
            .unwrap()
            .end
            .is_none()
    );
    led(&form(&router, &format!("{page}/learn"), "learn=no").await);
    assert_eq!(app.book().batches[&id].learn, Some(false));

    // What cannot be right is said in words.
    for (what, words) in [
        ("do=heights&height_start=50", "Two heights"),
        ("do=temperature&dough_temperature=250", "no dough"),
        ("do=typed", "Nothing was typed"),
        ("do=dance", "no button"),
        ("do=rise+1&when=ago&ago_min=99999", "minutes ago"),
    ] {
        let answer = tap(what).await;
        assert!(answer.status.is_client_error(), "{what}");
        assert!(
            answer.text.contains(words) && answer.text.contains("<html"),
            "{what}: {}",
            answer.text
        );
    }
}

#[tokio::test]
async fn records_go_in_and_bad_ones_are_named() {
    let kitchen = Kitchen::new(|_| {});
    let router = router(Arc::clone(&kitchen.app));
    let good = "{\"record\":\"batch\",\"id\":\"b\",\"dough\":\"d\",\"place\":\"box\"}\n{\"record\":\"stage\",\"batch\":\"b\",\"stage\":\"bulk\",\"start\":\"2026-01-10T06:00:00Z\"}";
    let bad = format!(
        "{good}\nnonsense\n{{\"record\":\"stage\",\"batch\":\"nobody\",\"stage\":\"bulk\",\"start\":\"2026-01-10T06:00:00Z\"}}"
    );
    let answer = ask(
        &router,
        "POST",
        "/api/v1/records?strict=true",
        &[],
        bad.clone(),
    )
    .await;
    assert_eq!(answer.status, 422);
    assert!(
        kitchen.app.book().batches.is_empty(),
        "strict: nothing went in"
    );
    let answer = ask(&router, "POST", "/api/v1/records", &[], bad).await;
    assert_eq!(answer.status, 422);
    let lines: Vec<_> = answer.json()["bad"]
        .as_array()
        .unwrap()
        .iter()
        .map(|b| b["line"].as_u64().unwrap())
        .collect();
    assert_eq!(lines, [3, 4]);
    assert_eq!(kitchen.app.book().batches.len(), 1, "the good ones went in");
    let again = ask(&router, "POST", "/api/v1/records", &[], good).await;
    assert_eq!(again.status, 200, "{}", again.text);
    let batch = get(&router, "/api/v1/batches/b").await.json();
    assert_eq!(batch["in_progress"], "bulk");
    // An array is as good; undone by its group.
    let array = "[{\"record\":\"observation\",\"batch\":\"b\",\"time\":\"2026-01-10T06:30:00Z\",\"kind\":\"rise\",\"rise\":0.3}]";
    let group = ask(&router, "POST", "/api/v1/records", &[], array)
        .await
        .json()["group"]
        .clone();
    let undo = |group: Value| {
        let router = router.clone();
        async move {
            ask(
                &router,
                "POST",
                "/api/v1/undo",
                &[("content-type", "application/json")],
                serde_json::json!({"group": group}).to_string(),
            )
            .await
            .status
        }
    };
    assert_eq!(undo(group.clone()).await, 204);
    assert!(kitchen.app.book().observations.is_empty());
    assert_eq!(undo(group).await, 409, "once");
    assert!(
        !get(&router, "/api/v1/changes")
            .await
            .json()
            .as_array()
            .unwrap()
            .is_empty()
    );
}

#[tokio::test]
async fn a_topic_is_taken_with_one_tap_corrected_and_let_go() {
    let kitchen = Kitchen::new(|_| {});
    let router = router(Arc::clone(&kitchen.app));
    led(&form(&router, "/sensors/assign", "topic=k%2Fshelf&pointer=%2Ftemperature&name=shelf&place=&quantity=air_temperature&unit=Cel").await);
    let mapped = |app: &App| crate::ingest::assign::all(app).unwrap();
    let spec = mapped(&kitchen.app)[0].0.clone();
    assert_eq!(
        (spec.place.as_deref(), spec.pointer.as_deref()),
        (Some("shelf"), Some("/temperature"))
    );
    led(&form(
        &router,
        "/sensors/correct",
        "sensor=shelf&quantity=air_temperature&shown=21.4&is=21.9",
    )
    .await);
    assert_eq!(
        mapped(&kitchen.app)[0].0.correction[0].points,
        [[21.4, 21.9]]
    );
    let both = form(
        &router,
        "/sensors/correct",
        "sensor=shelf&quantity=air_temperature&shown=21.4&is=",
    )
    .await;
    assert_eq!(both.status, 422);
    led(&form(
        &router,
        "/sensors/unassign",
        "sensor=shelf&quantity=air_temperature",
    )
    .await);
    assert!(mapped(&kitchen.app).is_empty());
}

#[tokio::test]
async fn settings_are_kept_and_shown_and_the_configuration_wins() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    led(&form(
        &router,
        "/settings",
        "unit=degF&zone=Asia%2FTokyo&quiet_from=22:00&quiet_to=05:00",
    )
    .await);
    let page = get(&router, "/").await.text;
    // 29 °C is 84.2 °F; the zone stays the configured one: 6:05 UTC is 7:05 in Oslo.
    assert!(
        page.contains("84.2 °F") && page.contains("since 7:05"),
        "{page}"
    );
    assert_eq!(
        kitchen.app.store.setting("quiet_hours").unwrap(),
        Some("22:00-05:00".into())
    );
    assert_eq!(
        form(&router, "/settings", "zone=Nowhere%2FTown")
            .await
            .status,
        422
    );
    assert_eq!(
        form(&router, "/settings", "quiet_from=22:00").await.status,
        422
    );
}

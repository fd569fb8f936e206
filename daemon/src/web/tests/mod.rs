//! The web room from outside: requests through the whole router, on a real store in a directory of
//! its own, and over real sockets where the connection itself matters.

use std::sync::Arc;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Request, StatusCode};
use serde_json::Value;
use tower::ServiceExt as _;

use crate::app::App;
use crate::batches::record::{Batch, Dough, Place, PlaceKind, Quantity, Record, StageRecord};
use crate::config::Config;
use crate::config::mqtt::Secret;
use crate::store::sqlite::SqliteStore;
use crate::store::{AlertRow, Arrival, Edit, StoredReading};
use crate::time::{Clock, UtcMs};

pub(super) const NOW: &str = "2026-01-10T07:00:00Z";
pub(super) const KEY: &str = "a-key-for-the-tests";

/// An application on a store of its own; the directory goes when the test ends.
pub(super) struct Kitchen {
    pub(super) app: Arc<App>,
    _dir: tempfile::TempDir,
}

pub(super) fn t(text: &str) -> UtcMs {
    UtcMs::parse(text).unwrap()
}

pub(super) fn stage(batch: &str, start: UtcMs) -> StageRecord {
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

    pub(super) fn locked() -> Self {
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
                readings: readings.clone().into(),
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

pub(super) const PAGES: [&str; 12] = [
    "/",
    "/new",
    "/batches/2026-knots",
    "/doughs",
    "/doughs/edit",
    "/doughs/edit?name=cardamom%20knots",
    "/places",
    "/sensors",
    "/import",
    "/bakes",
    "/settings",
    "/new?again=2026-knots",
];

pub(super) fn alert(id: &str, title: &str) -> AlertRow {
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

/// Where a redirect leads, after checking that it is one.
pub(super) fn led(answer: &Answer) -> String {
    assert_eq!(answer.status, 303, "{}", answer.text);
    answer.headers["location"].to_str().unwrap().to_owned()
}

mod calls;
mod clock;
mod doors;
mod files;
mod planned;
mod refusals;
mod taps;

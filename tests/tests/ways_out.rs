//! The ways to be told, through the real daemon: one that takes a connection and never answers delays
//! neither the others nor the readings; and whoever listens at the broker learns that the daemon died.

// Tests run on the machine's own clock.
#![allow(clippy::disallowed_methods, clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use doughwarden_tests::harness::{Kitchen, Mosquitto, mosquitto_pub, tls, wait_for};
use serde_json::{Value, json};

/// So many doughs get too hot. A dead way gives up on each after ten seconds: were another to wait
/// for it, the last of them would be told after two minutes, long after [`DEADLINE`].
const DOUGHS: usize = 12;
/// Readings sent while the alerts are on their way.
const READINGS: usize = 600;
const DEADLINE: Duration = Duration::from_secs(60);

/// `mosquitto_sub -v`: what came, as `topic payload`.
struct Listener {
    child: Child,
    lines: Arc<Mutex<Vec<String>>>,
}

impl Listener {
    fn start(port: u16, topic: &str) -> Self {
        let mut child = Command::new("mosquitto_sub")
            .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-v", "-q", "1"])
            .args(["-t", topic])
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let out = child.stdout.take().unwrap();
        let lines: Arc<Mutex<Vec<String>>> = Arc::default();
        let kept = Arc::clone(&lines);
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                kept.lock().unwrap().push(line);
            }
        });
        Self { child, lines }
    }

    fn lines(&self) -> Vec<String> {
        self.lines.lock().unwrap().clone()
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Takes connections, says nothing, and counts.
async fn mute() -> (u16, Arc<AtomicUsize>) {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let taken = Arc::new(AtomicUsize::new(0));
    let count = Arc::clone(&taken);
    tokio::spawn(async move {
        let mut open = Vec::new();
        while let Ok((stream, _)) = listener.accept().await {
            open.push(stream);
            count.fetch_add(1, Ordering::Relaxed);
        }
    });
    (port, taken)
}

/// A push service: counts what it takes.
async fn push_service() -> (String, Arc<AtomicUsize>) {
    let taken = Arc::new(AtomicUsize::new(0));
    let count = Arc::clone(&taken);
    let app = axum::Router::new().route(
        "/phone",
        axum::routing::post(move || {
            count.fetch_add(1, Ordering::Relaxed);
            async { axum::http::StatusCode::CREATED }
        }),
    );
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/phone", listener.local_addr().unwrap());
    tokio::spawn(async move { axum::serve(listener, app).await });
    (url, taken)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_dead_way_delays_neither_another_nor_the_readings() {
    tls();
    let (hook, hook_taken) = mute().await;
    let (mail, mail_taken) = mute().await;
    let (phone, phone_taken) = push_service().await;
    let mut text = format!(
        "[alert.webhook]\nurl = \"http://127.0.0.1:{hook}/\"\n\
         [alert.email]\nserver = \"127.0.0.1\"\nport = {mail}\nfrom = \"a@kitchen.example\"\nto = \"b@kitchen.example\"\n"
    );
    let mut sensors = vec!["shelf".to_owned()];
    sensors.extend((0..DOUGHS).map(|n| format!("box {n}")));
    for name in &sensors {
        text += &format!(
            "[[sensor]]\nname = \"{name}\"\nplace = \"{name}\"\ntopic = \"k/{name}\"\nquantity = \"air_temperature\"\nunit = \"Cel\"\n"
        );
    }
    let kitchen = Kitchen::new(&text).unwrap();
    let daemon = kitchen.start().unwrap();
    let subscribed = reqwest::Client::new()
        .post(format!("{}/api/v1/push/subscribe", daemon.http))
        // The keys are those of RFC 8291's example.
        .json(&json!({"endpoint": phone, "name": "phone", "keys": {
            "p256dh": "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4",
            "auth": "BTBZMqHH6r4Tts7J_aSIgg"}}))
        .send()
        .await
        .unwrap();
    assert!(subscribed.status().is_success());
    let heard = Listener::start(daemon.mqtt_port(), "doughwarden/alert");
    let begun = jiff::Timestamp::now() - jiff::SignedDuration::from_mins(10);
    let mut lines = Vec::new();
    for n in 0..DOUGHS {
        let (id, place) = (format!("2026-hot-{n}"), format!("box {n}"));
        lines.push(json!({"record":"place","name":place,"kind":"box"}));
        lines.push(json!({"record":"batch","id":id,"dough":"rye rounds","place":place}));
        lines.push(json!({"record":"stage","batch":id,"stage":"bulk","start":begun.to_string()}));
    }
    daemon.records(&lines).await.unwrap();

    // Yeast dies above 55 °C: told at once.
    let port = daemon.mqtt_port();
    let hot = || {
        for n in 0..DOUGHS {
            mosquitto_pub(port, &["-t", &format!("k/box {n}"), "-m", "57"]).unwrap();
        }
    };
    hot();
    let mut shelf = Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1"])
        .args(["-t", "k/shelf", "-l"])
        .stdin(Stdio::piped())
        .spawn()
        .unwrap();
    {
        let mut input = shelf.stdin.take().unwrap();
        for n in 0..READINGS {
            writeln!(input, "{}", 20.0 + (n % 7) as f64 / 10.0).unwrap();
        }
    }
    assert!(shelf.wait().unwrap().success());
    let stored = || async {
        let readings = daemon.get("/api/v1/readings?sensor=shelf").await.ok()?;
        (readings.as_array()?.len() >= READINGS).then_some(())
    };
    wait_for("every reading", DEADLINE, stored).await.unwrap();

    let raised = |lines: &[String]| -> BTreeSet<String> {
        let docs = lines.iter().filter_map(|l| l.split_once(' '));
        docs.filter_map(|(_, doc)| serde_json::from_str::<Value>(doc).ok())
            .filter(|doc| doc["alert"] == "too_hot" && doc["state"] == "raised")
            .filter_map(|doc| doc["id"].as_str().map(str::to_owned))
            .collect()
    };
    wait_for("every alert on MQTT and the phone", DEADLINE, || async {
        let mqtt = raised(&heard.lines()).len();
        let phone = phone_taken.load(Ordering::Relaxed);
        (mqtt >= DOUGHS && phone >= DOUGHS).then_some(())
    })
    .await
    .unwrap_or_else(|e| panic!("{e}: {:?}, {phone_taken:?}", heard.lines()));
    // The dead ones were tried meanwhile.
    for taken in [&hook_taken, &mail_taken] {
        assert!(taken.load(Ordering::Relaxed) > 0);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn whoever_listens_at_an_outside_broker_learns_that_the_daemon_died_and_is_back() {
    tls();
    let broker = Mosquitto::start("").unwrap();
    let heard = Listener::start(broker.port, "doughwarden/status");
    let mqtt = format!("broker = \"mqtt://127.0.0.1:{}\"", broker.port);
    let kitchen = Kitchen::with_mqtt(&mqtt, "").unwrap();
    let says = |what: &'static [&'static str]| {
        let lines = Arc::clone(&heard.lines);
        async move {
            wait_for(what[what.len() - 1], DEADLINE, || async {
                let lines = lines.lock().unwrap();
                let said = lines
                    .iter()
                    .filter_map(|l| l.split_once(' '))
                    .map(|(_, s)| s);
                said.eq(what.iter().copied()).then_some(())
            })
            .await
            .unwrap_or_else(|e| panic!("{e}: {:?}", lines.lock().unwrap()));
        }
    };
    let daemon = kitchen.start().unwrap();
    says(&["online"]).await;
    daemon.kill();
    says(&["online", "offline"]).await;
    let daemon = kitchen.start().unwrap();
    says(&["online", "offline", "online"]).await;
    daemon.terminate().unwrap();
    says(&["online", "offline", "online", "offline"]).await;
}

//! The main job end to end: readings in by mosquitto's own client, a batch watched, alerts out to a
//! webhook, a restart in mid-proof.

// Tests run on the machine's own clock, and say what they measured.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::time::Duration;

use doughwarden_tests::harness::{
    Daemon, Hook, Kitchen, Mosquitto, doughwarden, mosquitto_pub, tls, wait_for,
};
use serde_json::{Value, json};

const SENSOR: &str = "[[sensor]]\nname = \"box\"\nplace = \"box\"\ntopic = \"kitchen/box/state\"\npointer = \"/temperature\"\nquantity = \"air_temperature\"\nunit = \"Cel\"\n";

/// Waits until the broker is connected and subscribed: what comes before that has waited at the
/// broker, and its time is not known.
async fn subscribed(daemon: &Daemon) {
    wait_for(
        "the broker to be subscribed",
        Duration::from_secs(50),
        || async {
            reqwest::get(format!("{}/readyz", daemon.http))
                .await
                .ok()?
                .status()
                .is_success()
                .then_some(())
        },
    )
    .await
    .unwrap();
}

/// The value of the newest reading of `box`; the first one after a kept session was taken up again is
/// held out of the model, because it may have waited at the broker.
async fn newest(daemon: &Daemon) -> Option<f64> {
    let readings = daemon.get("/api/v1/readings?sensor=box").await.ok()?;
    readings.as_array()?.last()?["value"].as_f64()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_published_temperature_is_there_at_once_through_either_broker() {
    tls();
    for outside in [false, true] {
        let broker = Mosquitto::start("").unwrap();
        let mqtt = if outside {
            format!("broker = \"mqtt://127.0.0.1:{}\"", broker.port)
        } else {
            "listen = \"127.0.0.1:0\"".into()
        };
        let kitchen = Kitchen::with_mqtt(&mqtt, SENSOR).unwrap();
        let daemon = kitchen.start().unwrap();
        subscribed(&daemon).await;
        let port = daemon.mqtt_port();
        for payload in [
            "not json",
            "{\"humidity\":60}",
            "{\"temperature\":\"26.5\"}",
        ] {
            mosquitto_pub(port, &["-t", "kitchen/box/state", "-m", payload]).unwrap();
        }
        // Promised within a second; the deadline is ten times that.
        wait_for("the reading", Duration::from_secs(10), || async {
            (newest(&daemon).await? == 26.5).then_some(())
        })
        .await
        .unwrap();
        // A retained old value is not news.
        mosquitto_pub(
            port,
            &[
                "-r",
                "-t",
                "kitchen/box/state",
                "-m",
                "{\"temperature\":26.125}",
            ],
        )
        .unwrap();
        wait_for(
            "the live copy of the retained one",
            Duration::from_secs(10),
            || async { (newest(&daemon).await? == 26.125).then_some(()) },
        )
        .await
        .unwrap();
        assert_eq!(daemon.terminate().unwrap(), Some(0));
        if outside {
            let daemon = kitchen.start().unwrap();
            subscribed(&daemon).await;
            mosquitto_pub(
                port,
                &["-t", "kitchen/box/state", "-m", "{\"temperature\":27}"],
            )
            .unwrap();
            wait_for("the next reading", Duration::from_secs(10), || async {
                (newest(&daemon).await? == 27.0).then_some(())
            })
            .await
            .unwrap();
            let all = daemon.get("/api/v1/readings?sensor=box").await.unwrap();
            let retained = all
                .as_array()
                .unwrap()
                .iter()
                .filter(|r| r["value"] == 26.125)
                .count();
            assert_eq!(retained, 1, "{all}");
        }
    }
}

/// A kitchen whose proof began long enough ago at 26 °C and is told to take 90.
fn proof_under_way(now: jiff::Timestamp, began_min: i64) -> Vec<Value> {
    let ago = |minutes: i64| (now - jiff::SignedDuration::from_mins(minutes)).to_string();
    let mut lines = vec![
        json!({"record":"place","name":"box","kind":"box"}),
        json!({"record":"dough","name":"plum braid","bulk":{"usual_min":90,"at":26,"target_rise":0.8},"lead_min":{"bulk":10,"final":30}}),
        json!({"record":"batch","id":"2026-braid","dough":"plum braid","place":"box"}),
        json!({"record":"stage","batch":"2026-braid","stage":"bulk","start":ago(began_min),"dough_temperature":26}),
    ];
    for minute in (1..=began_min).rev().step_by(2) {
        lines.push(json!({"record":"reading","time":ago(minute),"sensor":"box","quantity":"air_temperature","value":26,"unit":"Cel"}));
    }
    lines
}

#[tokio::test(flavor = "multi_thread")]
async fn a_restart_in_mid_proof_is_invisible_and_an_alert_keeps_its_id() {
    tls();
    let hook = Hook::start().await.unwrap();
    let kitchen = Kitchen::new(&format!(
        "[alert.webhook]\nurl = \"{}\"\n{SENSOR}",
        hook.url
    ))
    .unwrap();
    let daemon = kitchen.start().unwrap();
    let now = jiff::Timestamp::now();
    daemon.records(&proof_under_way(now, 84)).await.unwrap();
    let told = |alert: &'static str| {
        let hook = &hook;
        async move {
            wait_for(alert, Duration::from_secs(100), || async {
                hook.bodies().into_iter().find(|b| b["alert"] == alert)
            })
            .await
        }
    };
    let nearly = told("nearly_ready").await.unwrap();
    assert_eq!(nearly["batch"], "2026-braid");
    assert_eq!(nearly["state"], "raised");
    for field in [
        "id", "severity", "stage", "place", "at", "title", "text", "link",
    ] {
        assert!(nearly.get(field).is_some(), "{nearly}");
    }
    let at = jiff::Timestamp::now().to_string();
    let path = format!("/api/v1/batches/2026-braid/forecast?at={at}");
    let before = daemon.get(&path).await.unwrap();
    daemon.kill();
    let daemon = kitchen.start().unwrap();
    assert_eq!(before, daemon.get(&path).await.unwrap());
    // The same event after the restart: seen by its id, and no second id for it.
    let alerts = daemon.get("/api/v1/alerts").await.unwrap();
    assert!(
        alerts.to_string().contains(nearly["id"].as_str().unwrap()),
        "{alerts}"
    );
    // Ending the stage is the answer: nothing is said of "ready" any more.
    let end = (jiff::Timestamp::now()).to_string();
    let mut stage = proof_under_way(now, 84)[3].clone();
    stage["end"] = json!(end);
    stage["outcome"] = json!("ready");
    daemon.records(&[stage]).await.unwrap();
    wait_for(
        "no proof to be in progress",
        Duration::from_secs(20),
        || async {
            let answer = reqwest::get(format!(
                "{}/api/v1/batches/2026-braid/forecast",
                daemon.http
            ))
            .await
            .ok()?;
            (!answer.status().is_success()).then_some(())
        },
    )
    .await
    .unwrap();
    let ids: BTreeSet<String> = hook
        .bodies()
        .iter()
        .filter(|b| b["alert"] == "nearly_ready")
        .map(|b| b["id"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(ids.len(), 1, "{:?}", hook.bodies());
    assert_eq!(daemon.terminate().unwrap(), Some(0));
}

#[tokio::test(flavor = "multi_thread")]
async fn the_demo_goes_from_first_reading_to_ready_before_ones_eyes() {
    tls();
    let hook = Hook::start().await.unwrap();
    let kitchen = Kitchen::written(&format!("[alert.webhook]\nurl = \"{}\"\n", hook.url)).unwrap();
    // The issue promises two minutes at 60 times; at 240 times that is half a minute.
    let daemon = Daemon::start(&["demo", "--speed", "240", "--config", kitchen.config()]).unwrap();
    for alert in ["nearly_ready", "ready"] {
        wait_for(alert, Duration::from_secs(300), || async {
            hook.bodies().into_iter().find(|b| b["alert"] == alert)
        })
        .await
        .unwrap();
    }
    let readings = daemon.get("/api/v1/batches").await.unwrap();
    assert!(!readings.as_array().unwrap().is_empty());
    assert_eq!(daemon.terminate().unwrap(), Some(0));
}

#[tokio::test(flavor = "multi_thread")]
async fn the_network_asks_for_the_key_and_the_password() {
    tls();
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("first.toml");
    let out = doughwarden(&["first-config", "--config", file.to_str().unwrap()]);
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let text = std::fs::read_to_string(&file).unwrap();
    let value = |key: &str| {
        let line = text.lines().find(|l| l.starts_with(key)).unwrap();
        line.split('"').nth(1).unwrap().to_owned()
    };
    let (key, password) = (value("access_key"), value("password"));
    // The same keys on loopback with free ports.
    let local = text
        .replace("0.0.0.0:8080", "127.0.0.1:0")
        .replace("0.0.0.0:1883", "127.0.0.1:0");
    let kitchen = Kitchen::written(&format!("{local}\n{SENSOR}")).unwrap();
    let daemon = kitchen.start().unwrap();
    let client = reqwest::Client::new();
    let batches = format!("{}/api/v1/batches", daemon.http);
    assert_eq!(client.get(&batches).send().await.unwrap().status(), 401);
    assert_eq!(
        client
            .get(&batches)
            .bearer_auth("wrong")
            .send()
            .await
            .unwrap()
            .status(),
        401
    );
    assert_eq!(
        client
            .get(&batches)
            .bearer_auth(&key)
            .send()
            .await
            .unwrap()
            .status(),
        200
    );
    assert_eq!(
        client
            .get(format!("{}/healthz", daemon.http))
            .send()
            .await
            .unwrap()
            .status(),
        200
    );
    let port = daemon.mqtt_port();
    let message = ["-t", "kitchen/box/state", "-m", "{\"temperature\":22}"];
    assert!(mosquitto_pub(port, &message).is_err());
    mosquitto_pub(
        port,
        &[&["-u", "sensor", "-P", &password], &message[..]].concat(),
    )
    .unwrap();
    wait_for("the reading", Duration::from_secs(10), || async {
        let answer = client
            .get(format!("{}/api/v1/readings?sensor=box", daemon.http))
            .bearer_auth(&key)
            .send()
            .await
            .ok()?;
        answer.text().await.ok()?.contains("22").then_some(())
    })
    .await
    .unwrap();
}

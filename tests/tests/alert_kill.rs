//! SIGKILL at random moments around an alert: it is delivered at least once on every run, a second
//! time only where the receiver's answer was lost, and always under the same id.

// Tests run on the machine's own clock, and say what they measured.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::time::Duration;

use doughwarden_tests::harness::{Hook, Kitchen, tls, wait_for};
use rand::{RngExt as _, SeedableRng as _};
use serde_json::{Value, json};

/// Kills in CI; `KILLS=100` for the long form.
const KILLS: u32 = 10;

/// A dough in a box far too hot: told at once above 55 °C.
fn scorched(round: u32, now: jiff::Timestamp) -> Vec<Value> {
    let (batch, place) = (format!("2026-hot-{round}"), format!("box {round}"));
    let ago = |s: i64| (now - jiff::SignedDuration::from_secs(s)).to_string();
    let mut lines = vec![
        json!({"record":"place","name":place,"kind":"box"}),
        json!({"record":"batch","id":batch,"dough":"rye rounds","place":place}),
        json!({"record":"stage","batch":batch,"stage":"bulk","start":ago(600)}),
    ];
    for (s, value) in [(90, 54), (60, 56), (30, 57), (5, 58)] {
        lines.push(json!({"record":"reading","time":ago(s),"sensor":place,"quantity":"air_temperature","value":value,"unit":"Cel"}));
    }
    lines
}

#[tokio::test(flavor = "multi_thread")]
async fn an_alert_gets_out_under_one_id_whenever_the_daemon_dies() {
    tls();
    let kills = std::env::var("KILLS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(KILLS);
    let hook = Hook::start().await.unwrap();
    let kitchen = Kitchen::new(&format!("[alert.webhook]\nurl = \"{}\"\n", hook.url)).unwrap();
    let mut chance = rand_chacha::ChaCha8Rng::seed_from_u64(9);
    let mut daemon = kitchen.start().unwrap();
    let mut twice = 0;
    for round in 0..kills {
        let lines = scorched(round, jiff::Timestamp::now());
        let wait = Duration::from_millis(chance.random_range(0..1500));
        let _ = tokio::time::timeout(wait, async {
            let _ = daemon.records(&lines).await;
            std::future::pending::<()>().await;
        })
        .await;
        daemon.kill();
        daemon = kitchen.start().unwrap();
        // What was not answered is sent again: the same records, which changes nothing if they are there.
        daemon.records(&lines).await.unwrap();
        let place = format!("box {round}");
        let of_round = || -> Vec<Value> {
            let told = |b: &Value| b["place"] == place.as_str() && b["alert"] == "too_hot";
            hook.bodies()
                .into_iter()
                .filter(|b| told(b) && b["state"] == "raised")
                .collect()
        };
        wait_for("the alert", Duration::from_secs(100), || async {
            (!of_round().is_empty()).then_some(())
        })
        .await
        .unwrap_or_else(|e| panic!("kill {round} after {wait:?}: {e}"));
        let told = of_round();
        let ids: BTreeSet<&str> = told.iter().filter_map(|b| b["id"].as_str()).collect();
        assert_eq!(ids.len(), 1, "kill {round} after {wait:?}: {told:#?}");
        assert!(told.len() <= 2, "at most one repeat a crash: {told:#?}");
        twice += u32::from(told.len() == 2);
    }
    println!("{kills} kills: every alert delivered, {twice} a second time, each under one id");
}

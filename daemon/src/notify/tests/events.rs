//! An alert's life over restarts and kills, and what answers it.

use super::*;

#[tokio::test(flavor = "multi_thread")]
async fn a_restart_in_the_middle_delivers_under_the_same_id() {
    let mut bench = Bench::answering(&[]).await;
    put(&bench.app, &KNOTS);
    // Nothing listens at this address: the message waits.
    let nowhere = hook("http://127.0.0.1:1/".into());
    start_with(&bench.app, vec![nowhere], &mut bench.rooms);
    bench.watch().await;
    heat(&bench.app, &[31.0; 7]);
    eventually("raised", || !alert_rows(&bench.app, "too_hot").is_empty()).await;
    eventually("tried", || {
        let waiting = bench.app.store.outbox("webhook").unwrap();
        waiting.iter().any(|r| r.tries > 0)
    })
    .await;
    let id = alert_rows(&bench.app, "too_hot")[0].id.clone();
    bench.kill().await;
    answering(&bench.server, &[200]).await;
    let app = app_in(bench.dir.path());
    bench.app = Arc::clone(&app);
    app.clock.set(start_time().plus_min(5.0));
    bench.serve(vec![]);
    bench.watch().await;
    eventually("delivered", || {
        app.store.outbox("webhook").unwrap().is_empty()
    })
    .await;
    heat(&app, &[31.2; 6]);
    bench.turned_since(start_time().plus_min(7.5).0 - 1).await;
    assert_eq!(alert_rows(&app, "too_hot").len(), 1);
    let requests = bench.received().await;
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
    // One dough stands there: the message names it.
    assert_eq!(bodies[0]["batch"], "2026-knots-1");
    assert_eq!(bodies[0]["stage"], "bulk");
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
}

#[tokio::test(flavor = "multi_thread")]
async fn all_out_ends_the_oven_alert_and_records_the_move() {
    let mut bench = Bench::answering(&[]).await;
    let app = Arc::clone(&bench.app);
    put(&app, &KNOTS);
    bench.watch().await;
    let mut values = vec![27.0; 30];
    values.extend([30.0, 35.0]);
    heat(&app, &values);
    eventually("raised", || !alert_rows(&app, "oven_on").is_empty()).await;
    let alert = alert_rows(&app, "oven_on").remove(0);
    assert_eq!(alert.doc["severity"], "urgent");
    assert_eq!(alert.doc["batch"], "2026-knots-1");
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
    bench.turned_since(beat.0).await;
    assert_eq!(alert_rows(&app, "oven_on").len(), 1);
    assert!(!crate::watch::all_out(&app, &alert.id).unwrap());
}

/// A phone that could not be reached meanwhile does not ring for what somebody has seen, or done.
#[tokio::test(flavor = "multi_thread")]
async fn doing_the_thing_counts_as_seen_also_for_phones_that_were_not_reached() {
    let mut bench = Bench::answering(&[200]).await;
    let app = Arc::clone(&bench.app);
    put(&app, &KNOTS);
    // No worker yet: whatever is raised waits.
    let hooks = [hook(bench.server.uri())];
    start_with(&app, hooks.to_vec(), &mut JoinSet::new());
    bench.watch().await;
    heat(&app, &[31.0; 30]);
    eventually("too hot", || !alert_rows(&app, "too_hot").is_empty()).await;
    // Only then: seen in one look, the oven alone would be told.
    heat(&app, &[35.0, 40.0]);
    eventually("oven on", || !alert_rows(&app, "oven_on").is_empty()).await;
    let waiting = || app.store.outbox("webhook").unwrap();
    assert!(!waiting().is_empty());
    // Everything is carried out of the oven by one tap.
    let oven = alert_rows(&app, "oven_on").remove(0).id;
    assert!(crate::watch::all_out(&app, &oven).unwrap());
    eventually("both are over", || {
        app.store.open_alerts().unwrap().is_empty()
    })
    .await;
    bench
        .rooms
        .spawn(worker::run(Arc::clone(&app), Arc::clone(&hooks[0])));
    eventually("the outbox is empty", || waiting().is_empty()).await;
    let phones = bench.received().await.len();
    assert_eq!(phones, 0, "{:?}", app.store.outbox_history(100).unwrap());
    let ends = app.store.outbox_history(100).unwrap();
    assert!(ends.iter().all(|r| r.accepted.is_none()));
    assert!(ends.iter().any(|r| {
        let why = r.last_error.as_deref().unwrap_or_default();
        why == "not needed: someone has seen it"
    }));
}

#[tokio::test(flavor = "multi_thread")]
async fn seen_survives_a_restart_and_ends_the_repeats() {
    let mut bench = Bench::answering(&[]).await;
    let app = Arc::clone(&bench.app);
    put(&app, &KNOTS);
    bench.watch().await;
    heat(&app, &[31.0; 7]);
    eventually("raised", || !alert_rows(&app, "too_hot").is_empty()).await;
    let id = alert_rows(&app, "too_hot")[0].id.clone();
    assert!(crate::watch::acknowledge(&app, &id).unwrap());
    assert!(!crate::watch::acknowledge(&app, "nothing").unwrap());
    bench.kill().await;
    let told = app.store.alert(&id).unwrap().unwrap().told;
    crate::watch::start(&app, &mut bench.rooms);
    app.clock.set(start_time().plus_min(40.0));
    bench.turned_since(app.clock.now().0 - 1).await;
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
}

/// A house whose sensors speak oftener than once a second is watched all the same: what only time
/// tells (a silent sensor, a snooze that is over) is not put off by what is heard.
#[tokio::test(flavor = "multi_thread")]
async fn the_loop_turns_in_a_house_that_is_never_still() {
    let mut bench = Bench::answering(&[]).await;
    let app = Arc::clone(&bench.app);
    let talking = tokio::spawn({
        let app = Arc::clone(&app);
        async move {
            loop {
                app.bus.tell(Event::Sensors);
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    });
    bench.watch().await;
    app.clock.set(start_time().plus_min(1.0));
    bench.turned_since(app.clock.now().0 - 1).await;
    talking.abort();
}

/// What a rule had counted of its time is not lost with the process.
#[tokio::test(flavor = "multi_thread")]
async fn a_restart_in_the_middle_of_a_rules_wait_does_not_begin_it_anew() {
    let mut bench = Bench::answering(&[]).await;
    let app = Arc::clone(&bench.app);
    put(&app, &KNOTS);
    // 24 °C is usual; 18 °C for 20 minutes is told. Eighteen of them pass before the restart.
    heat(&app, &[18.0; 37]);
    bench.watch().await;
    bench.turned_since(app.clock.now().0 - 1).await;
    assert!(alert_rows(&app, "too_cold").is_empty());
    heat(&app, &[18.0; 5]);
    let beat = app.clock.now();
    bench.turned_since(beat.0 - 1).await;
    eventually("told", || !alert_rows(&app, "too_cold").is_empty()).await;
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

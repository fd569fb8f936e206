//! Through the embedded broker.

use super::*;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_number_published_to_the_embedded_broker_is_stored_before_the_client_hears_back() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    kitchen.wait_ready().await;
    let mut bus = kitchen.app.bus.listen();
    let port = kitchen.address().port();
    tokio::task::spawn_blocking(move || mosquitto_pub(port, &["-t", "kitchen/box", "-m", "24.5"]))
        .await
        .unwrap();
    // The client has its PUBACK: the reading is there already.
    assert_eq!(kitchen.values(), [24.5]);
    let told = tokio::time::timeout(SOON, async {
        loop {
            if let Event::Readings(r) = bus.recv().await.unwrap() {
                return r;
            }
        }
    });
    assert_eq!(told.await.unwrap()[0].value, 24.5);
    let channel = &kitchen.app.board.channels()[0];
    assert_eq!(channel.newest.as_ref().unwrap().value, 24.5);
    assert!(channel.from_config && channel.spec.is_some());
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_the_embedded_broker_acknowledged_is_there_once_whatever_is_sent_again() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    let to = kitchen.address();
    tokio::task::spawn_blocking(move || {
        let (mut raw, _) = Raw::connect(to, "probe", false);
        for i in 1..=300_u16 {
            raw.send(
                "kitchen/box",
                format!("{}", f64::from(i) / 100.0).as_bytes(),
                i,
                false,
            );
            assert_eq!(raw.acked().unwrap(), i);
        }
        // Sent, the answer lost: the connection breaks. The same packets come again.
        for i in 301..=305 {
            raw.send("kitchen/box", b"20.5", i, false);
        }
        for i in 301..=305 {
            assert_eq!(raw.acked().unwrap(), i);
        }
        drop(raw);
        std::thread::sleep(Duration::from_millis(200));
        let (mut raw, _) = Raw::connect(to, "probe", false);
        for i in 301..=305 {
            raw.send("kitchen/box", b"20.5", i, true);
            assert_eq!(raw.acked().unwrap(), i);
        }
        // A new reading under a used identifier and with the same bytes is a new reading.
        raw.send("kitchen/box", b"20.6", 1, false);
        raw.acked().unwrap();
        raw.send("kitchen/box", b"20.5", 305, false);
        raw.acked().unwrap();
        // With a time of its own, a reading is the same however it comes.
        for id in [7, 8, 9] {
            raw.send(
                "kitchen/timed",
                br#"{"v":21,"at":"2026-01-10T06:00:00Z"}"#,
                id,
                false,
            );
            raw.acked().unwrap();
        }
    })
    .await
    .unwrap();
    assert_eq!(
        kitchen
            .readings()
            .iter()
            .filter(|r| r.sensor == "box")
            .count(),
        307
    );
    assert_eq!(
        kitchen
            .readings()
            .iter()
            .filter(|r| r.sensor == "timed")
            .count(),
        1
    );
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_redelivery_after_a_restart_of_the_daemon_is_told_too() {
    let dir = scratch();
    for round in 0..2 {
        let kitchen = Kitchen::open(dir.path(), |_| {}).await;
        let to = kitchen.address();
        tokio::task::spawn_blocking(move || {
            let (mut raw, _) = Raw::connect(to, "probe", false);
            for i in 1..=5 {
                raw.send("kitchen/box", b"20.5", i, round > 0);
                assert_eq!(raw.acked().unwrap(), i);
            }
        })
        .await
        .unwrap();
        kitchen.started.stop().await;
        assert_eq!(kitchen.app.store.series().unwrap()[0].count, 5);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn garbage_is_acknowledged_set_aside_and_stalls_nothing() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    let to = kitchen.address();
    tokio::task::spawn_blocking(move || {
        let (mut raw, _) = Raw::connect(to, "probe", true);
        for i in 1..=1000_u16 {
            let payload: &[u8] = match i % 4 {
                0 => b"\xff\x00\x80",
                1 => b"",
                2 => b"{\"v\":[]}",
                _ => b"unavailable",
            };
            raw.send("kitchen/box", payload, i, false);
            assert_eq!(raw.acked().unwrap(), i);
        }
        raw.send("kj\u{f8}kken/\u{e6}ble/\u{1f35e}", b"21.0", 1, false);
        raw.acked().unwrap();
        raw.send("kitchen/box", b"21.5", 2, false);
        raw.acked().unwrap();
    })
    .await
    .unwrap();
    assert_eq!(kitchen.values(), [21.5]);
    let aside = kitchen.app.board.set_aside();
    assert_eq!(aside.len(), board::SET_ASIDE);
    assert!(
        aside
            .iter()
            .all(|a| a.topic == "kitchen/box" && !a.why.is_empty())
    );
    let heard = kitchen.app.board.heard();
    assert_eq!(heard[0].topic, "kj\u{f8}kken/\u{e6}ble/\u{1f35e}");
    assert_eq!(heard[0].guesses[0].value, 21.0);
    let mut text = String::new();
    prometheus_client::encoding::text::encode(&mut text, &kitchen.app.metrics.registry).unwrap();
    assert!(
        text.contains(r#"messages_set_aside_total{reason="unreadable"} 750"#),
        "{text}"
    );
    assert!(
        text.contains(r#"messages_set_aside_total{reason="not_a_number"} 250"#),
        "{text}"
    );
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_topic_is_assigned_while_the_daemon_runs() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    let port = kitchen.address().port();
    let publish = move |value: &'static str| {
        tokio::task::spawn_blocking(move || mosquitto_pub(port, &["-t", "shed/t", "-m", value]))
    };
    publish("19").await.unwrap();
    let guess = kitchen.app.board.heard()[0].guesses[0].clone();
    assert!(kitchen.readings().is_empty());
    let new = Sensor {
        correction: vec![crate::config::sensor::Correction {
            from: UtcMs(0),
            points: vec![[20.0, 20.5]],
        }],
        ..sensor(json!({"name":"shed","topic":"shed/t","place":"shed"}))
    };
    assert_eq!(guess.quantity, new.quantity);
    assign::put(&kitchen.app, new).unwrap();
    publish("19.25").await.unwrap();
    let stored = kitchen.readings();
    assert_eq!(
        (stored[0].value, stored[0].raw.map(|r| r.0)),
        (19.75, Some(19.25))
    );
    assert_eq!(stored[0].place.as_deref(), Some("shed"));
    assert!(kitchen.app.board.heard().is_empty());
    // What the configuration says cannot be changed from here.
    assert!(assign::put(&kitchen.app, sensor(json!({}))).is_err());
    assert!(assign::remove(&kitchen.app, "shed", stored[0].quantity).unwrap());
    assert!(!assign::remove(&kitchen.app, "shed", stored[0].quantity).unwrap());
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_wrong_password_is_refused_and_the_right_one_still_works() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |c| {
        c.mqtt.user = Some("kitchen".into());
        c.mqtt.password = Some(Secret("flour and water".into()));
    })
    .await;
    let port = kitchen.address().port();
    tokio::task::spawn_blocking(move || {
        let run = |args: &[&str]| {
            Command::new("mosquitto_pub")
                .args([
                    "-h",
                    "127.0.0.1",
                    "-p",
                    &port.to_string(),
                    "-q",
                    "1",
                    "-t",
                    "kitchen/box",
                    "-m",
                    "20",
                ])
                .args(args)
                .stderr(Stdio::null())
                .status()
                .unwrap()
                .success()
        };
        assert!(!run(&[]));
        assert!(!run(&["-u", "kitchen", "-P", "flour"]));
        assert!(run(&["-u", "kitchen", "-P", "flour and water"]));
    })
    .await
    .unwrap();
    assert_eq!(kitchen.values(), [20.0]);
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn alerts_go_out_over_the_embedded_broker_and_a_busy_port_is_explained() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    let port = kitchen.address().port();
    let mut subscriber = Command::new("mosquitto_sub")
        .args([
            "-h",
            "127.0.0.1",
            "-p",
            &port.to_string(),
            "-q",
            "1",
            "-C",
            "1",
            "-t",
            "doughwarden/#",
            "-W",
            "15",
        ])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut heard = false;
    let until = Instant::now() + SOON;
    while !heard && Instant::now() < until {
        kitchen
            .publisher
            .publish("doughwarden/alert", "ready".into(), false)
            .await
            .unwrap();
        tokio::time::sleep(Duration::from_millis(50)).await;
        heard = subscriber.try_wait().unwrap().is_some();
    }
    let mut text = String::new();
    subscriber
        .stdout
        .take()
        .unwrap()
        .read_to_string(&mut text)
        .unwrap();
    subscriber.wait().unwrap();
    assert_eq!(text.trim(), "ready");
    let config = |listen: String| {
        let mut c = Config::default();
        c.mqtt.listen = listen;
        c
    };
    let other = scratch();
    let store = Arc::new(SqliteStore::open(other.path()).unwrap());
    let app = App::new(
        Clock::machine(),
        config(format!("127.0.0.1:{port}")),
        other.path().into(),
        store,
    )
    .unwrap();
    let refused = start(&app, Publisher::channel().1, Options::default()).await;
    assert!(refused.unwrap_err().to_string().contains("cannot listen"));
    let moved = start(
        &app,
        Publisher::channel().1,
        Options {
            free_port_if_busy: true,
        },
    )
    .await
    .unwrap();
    assert_ne!(moved.mqtt_url, kitchen.started.mqtt_url);
    moved.stop().await;
    kitchen.started.stop().await;
}

/// Row 5 of the reliability promises in small: another program holds the store's write lock.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn while_the_store_fails_nothing_is_acknowledged_and_then_all_of_it_once() {
    let dir = scratch();
    let store = SqliteStore::open(dir.path()).unwrap();
    let file = store.file();
    drop(store);
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    kitchen.wait_ready().await;
    let other = rusqlite::Connection::open(&file).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let to = kitchen.address();
    let mut raw = tokio::task::spawn_blocking(move || {
        let (mut raw, _) = Raw::connect(to, "probe", true);
        for i in 1..=20 {
            raw.send("kitchen/box", format!("{i}").as_bytes(), i, false);
        }
        raw
    })
    .await
    .unwrap();
    let failing = || !kitchen.app.health.ready();
    eventually(failing, "a failing store was not noticed").await;
    raw.0.set_nonblocking(true).unwrap();
    assert_eq!(
        raw.acked().unwrap_err().kind(),
        std::io::ErrorKind::WouldBlock
    );
    assert!(kitchen.readings().is_empty());
    raw.0.set_nonblocking(false).unwrap();
    other.execute_batch("ROLLBACK").unwrap();
    tokio::task::spawn_blocking(move || {
        for i in 1..=20 {
            assert_eq!(raw.acked().unwrap(), i);
        }
    })
    .await
    .unwrap();
    assert_eq!(kitchen.readings().len(), 20);
    assert!(kitchen.app.health.ready());
    // Stopping with a store that fails leaves the message unacknowledged, and is bounded in time.
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let mut raw = tokio::task::spawn_blocking(move || {
        let (mut raw, _) = Raw::connect(to, "probe", true);
        raw.send("kitchen/box", b"30", 1, false);
        raw
    })
    .await
    .unwrap();
    eventually(
        || !kitchen.app.health.ready(),
        "a failing store was not noticed",
    )
    .await;
    tokio::time::timeout(SOON, kitchen.started.stop())
        .await
        .unwrap();
    raw.0.set_nonblocking(true).unwrap();
    assert!(raw.acked().is_err());
}

/// Readings that jump alone are held out; the next one's word counts, also over the store.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_jump_that_the_next_reading_confirms_is_taken_back_in() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    let to = kitchen.address();
    tokio::task::spawn_blocking(move || {
        let (mut raw, _) = Raw::connect(to, "probe", true);
        for (i, value) in (1..).zip(["24", "85.0", "34", "34.1", "50", "34.2", "nan"]) {
            raw.send("kitchen/box", value.as_bytes(), i, false);
            raw.acked().unwrap();
        }
    })
    .await
    .unwrap();
    let held = || {
        kitchen
            .readings()
            .iter()
            .map(|r| r.kept_out)
            .collect::<Vec<_>>()
    };
    let wanted = [
        None,
        Some(KeptOut::ProbeFault),
        None,
        None,
        Some(KeptOut::LoneJump),
        None,
    ];
    eventually(|| held() == wanted, "the judgements differ").await;
    assert_eq!(kitchen.values(), [24.0, 85.0, 34.0, 34.1, 50.0, 34.2]);
    kitchen.started.stop().await;
}

/// The store takes nothing for a minute: what comes after it may have waited at its sender, so its time
/// is not known until the usual pace is back; what waited here has its own.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_failing_store_held_back_is_not_taken_for_new() {
    let dir = scratch();
    let begun = UtcMs::parse("2026-01-10T06:00:00Z").unwrap();
    let clock = Clock::by_hand(begun);
    let kitchen = Kitchen::open_at(dir.path(), clock.clone(), |_| {}).await;
    kitchen.wait_ready().await;
    let port = kitchen.address().port();
    let send = move |value: &'static str| {
        tokio::task::spawn_blocking(move || {
            mosquitto_pub(port, &["-q", "0", "-t", "kitchen/box", "-m", value]);
        })
    };
    send("20").await.unwrap();
    kitchen.wait_for(1).await;
    // Another program holds the file.
    let other = rusqlite::Connection::open(dir.path().join("doughwarden.db")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    clock.set(begun.plus_ms(10_000));
    send("20.1").await.unwrap();
    let failing = || !kitchen.app.health.ready();
    eventually(failing, "the store still takes readings").await;
    clock.set(begun.plus_ms(70_000));
    other.execute_batch("ROLLBACK").unwrap();
    kitchen.wait_for(2).await;
    for (n, (value, after_ms)) in [("20.2", 0), ("20.3", 0), ("20.4", 60_000)]
        .into_iter()
        .enumerate()
    {
        clock.set(begun.plus_ms(71_000 + after_ms));
        send(value).await.unwrap();
        kitchen.wait_for(3 + n).await;
    }
    let stored = kitchen.readings();
    let kept_out: Vec<_> = stored.iter().map(|r| (r.value, r.kept_out)).collect();
    let unknown = Some(KeptOut::UnknownTime);
    assert_eq!(
        kept_out,
        [
            (20.0, None),
            (20.1, None),
            (20.2, unknown),
            (20.3, unknown),
            (20.4, None)
        ]
    );
    assert_eq!(stored[1].time, begun.plus_ms(10_000));
    kitchen.started.stop().await;
}

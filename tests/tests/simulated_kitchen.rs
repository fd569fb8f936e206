//! The demo's kitchen against a real broker (Debian's mosquitto): every sensor is heard at its
//! interval in the clock's time, and the baker's entries are a log book.

// Tests run on the machine's own clock, and say what they measured.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use doughwarden::batches::book::Book;
use doughwarden::batches::record::{Record, StageKind};
use doughwarden::forecasts;
use doughwarden::forecasts::air::Sources;
use doughwarden::forecasts::inputs::Without;
use doughwarden::forecasts::learned::Learned;
use doughwarden::forecasts::source::InMemory;
use doughwarden::kitchen::demo::{Demo, SEED, sensors};
use doughwarden::time::{Clock, UtcMs};
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use tokio_util::sync::CancellationToken;

/// A broker of its own, ended with the test.
struct Mosquitto {
    child: Child,
    port: u16,
    _files: tempfile::TempDir,
}

impl Mosquitto {
    fn start() -> Self {
        let port = std::net::TcpListener::bind("127.0.0.1:0")
            .unwrap()
            .local_addr()
            .unwrap()
            .port();
        let files = tempfile::tempdir().unwrap();
        let file = files.path().join("mosquitto.conf");
        std::fs::write(
            &file,
            format!("listener {port} 127.0.0.1\nallow_anonymous true\n"),
        )
        .unwrap();
        let program = if std::path::Path::new("/usr/sbin/mosquitto").exists() {
            "/usr/sbin/mosquitto"
        } else {
            "mosquitto"
        };
        let child = Command::new(program)
            .arg("-c")
            .arg(&file)
            .stderr(Stdio::null())
            .spawn()
            .expect("Debian's mosquitto is installed");
        Self {
            child,
            port,
            _files: files,
        }
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn sensors_are_heard_and_the_baker_writes() {
    let broker = Mosquitto::start();
    let begun = UtcMs::parse("2026-01-10T08:00:00Z").unwrap();
    let demo = Demo::prepare(begun, SEED);

    let (listener, mut events) = AsyncClient::new(
        {
            let mut options = MqttOptions::new("listener", "127.0.0.1", broker.port);
            options.set_keep_alive(Duration::from_secs(30));
            options
        },
        64,
    );
    // Connected and subscribed before the kitchen publishes; the broker may need a moment to start.
    tokio::time::timeout(Duration::from_secs(20), async {
        listener
            .subscribe("bakehouse/#", QoS::AtLeastOnce)
            .await
            .unwrap();
        loop {
            match events.poll().await {
                Ok(Event::Incoming(Packet::SubAck(_))) => break,
                Ok(_) => {}
                Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
            }
        }
    })
    .await
    .expect("the broker answers");

    let written: Arc<Mutex<Vec<Record>>> = Arc::default();
    let book = Arc::clone(&written);
    let stop = CancellationToken::new();
    let clock = Clock::faster(begun, 1200.0);
    let url = format!("mqtt://127.0.0.1:{}", broker.port);
    let run = tokio::spawn({
        let (stop, clock) = (stop.clone(), clock.clone());
        async move {
            let acts = Arc::new(move |lines: &str| {
                let records = lines
                    .lines()
                    .map(|l| serde_json::from_str(l).map_err(|e| e.to_string()))
                    .collect::<Result<Vec<Record>, _>>()?;
                book.lock().unwrap().extend(records);
                Ok(())
            });
            demo.run(clock, &url, stop, acts).await
        }
    });

    // Until the bulk proof is over and its final proof has begun: some 70 min of the kitchen's.
    let mut heard: BTreeMap<String, usize> = BTreeMap::new();
    let mut newest = begun;
    let done = || {
        written.lock().unwrap().iter().any(
            |r| matches!(r, Record::Stage(s) if s.stage == StageKind::Final && s.end.is_none()),
        )
    };
    let until = tokio::time::Instant::now() + Duration::from_secs(60);
    while !done() {
        let event = tokio::time::timeout_at(until, events.poll())
            .await
            .expect("a final proof begins within a minute")
            .unwrap();
        if let Event::Incoming(Packet::Publish(message)) = event {
            assert!(!message.retain);
            let payload: serde_json::Value = serde_json::from_slice(&message.payload).unwrap();
            if let Some(at) = payload.pointer("/at").and_then(|v| v.as_str()) {
                newest = newest.max(UtcMs::parse(at).unwrap());
                // The clock's time, not the machine's, and never ahead of it.
                assert!(begun < newest && newest <= clock.now(), "{at}");
            }
            *heard.entry(message.topic).or_default() += 1;
        }
    }
    stop.cancel();
    run.await.unwrap().unwrap();

    let topics: std::collections::BTreeSet<String> =
        sensors().into_iter().map(|s| s.topic).collect();
    for topic in &topics {
        assert!(
            heard.contains_key(topic),
            "{topic} was not heard: {heard:?}"
        );
    }
    // Every 30 s by the sensors' own time, but for what is lost.
    let passed_s = newest.seconds_since(begun);
    let counter = heard["bakehouse/counter/state"] as f64;
    assert!(
        (0.7..1.1).contains(&(counter * 30.0 / passed_s)),
        "{counter} in {passed_s} s"
    );
    let written = written.lock().unwrap();
    let ended =
        |r: &Record| matches!(r, Record::Stage(s) if s.stage == StageKind::Bulk && s.end.is_some());
    assert!(written.iter().any(ended));
    assert!(written.iter().any(|r| matches!(r, Record::Observation(_))));
}

/// What a newcomer sees first: both proofs under way are ready within two minutes at 60 times the
/// speed, and the forecast says so.
#[test]
fn the_demos_forecasts_lie_near_what_comes() {
    let now = UtcMs::parse("2026-01-10T08:00:00Z").unwrap();
    let records: Vec<Record> = Demo::prepare(now, SEED)
        .lines
        .iter()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    let readings = InMemory::new(records.iter().filter_map(|r| match r {
        Record::Reading(r) => Some(r.clone()),
        _ => None,
    }));
    let book = Book::from_records(records);
    let sources = Sources {
        book: &book,
        readings: &readings,
        model_sensors: &[],
    };
    let learned = Learned::fit(sources, now, Without::default()).unwrap();
    for stage in book.in_progress(now) {
        let view = forecasts::view(sources, &learned, &stage.batch, now).unwrap();
        let ready = view.document.ready;
        let min = |t: Option<UtcMs>| t.unwrap().seconds_since(now) / 60.0;
        // As the scenario sets them: bulk at 48 min, final at 70.
        let truth = if stage.stage == StageKind::Bulk {
            48.0
        } else {
            70.0
        };
        assert!(
            (min(ready.p50) - truth).abs() < 20.0,
            "{:?}: {}",
            stage.stage,
            min(ready.p50)
        );
    }
}

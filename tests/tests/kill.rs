//! SIGKILL during a stream of QoS 1 messages: none of the acknowledged is lost, none is stored
//! twice. The messages are numbered, and the numbers are demanded back.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use doughwarden_tests::harness::{Daemon, Mosquitto, free_port, tls, wait_for};
use rand::{RngExt as _, SeedableRng as _};
use rumqttc::{AsyncClient, Event, Incoming, MqttOptions, Outgoing, QoS};

/// How often the daemon is killed in CI; `KILLS=200` for the long form.
const KILLS: u32 = 20;
/// Messages a second.
const RATE: u32 = 400;

fn kills() -> u32 {
    std::env::var("KILLS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(KILLS)
}

/// Publishes 1, 2, 3 … with a kept session until told to stop; collects the numbers that the
/// broker acknowledged. What is not acknowledged when a connection breaks is sent again by the
/// client under the same packet identifier, as MQTT asks.
struct Numbers {
    acknowledged: Arc<Mutex<BTreeSet<u32>>>,
    sent: Arc<AtomicU32>,
    enough: Arc<AtomicBool>,
    task: tokio::task::JoinHandle<()>,
}

impl Numbers {
    fn start(port: u16, payload: fn(u32) -> String) -> Self {
        let mut options = MqttOptions::new("numbers", "127.0.0.1", port);
        options
            .set_clean_session(false)
            .set_inflight(50)
            .set_keep_alive(Duration::from_secs(5));
        let (client, mut events) = AsyncClient::new(options, 100);
        let acknowledged: Arc<Mutex<BTreeSet<u32>>> = Arc::default();
        let (sent, enough) = (
            Arc::new(AtomicU32::new(0)),
            Arc::new(AtomicBool::new(false)),
        );
        let feeder = {
            let (sent, enough) = (Arc::clone(&sent), Arc::clone(&enough));
            tokio::spawn(async move {
                let mut tick = tokio::time::interval(Duration::from_secs(1) / RATE);
                while !enough.load(Ordering::Relaxed) {
                    tick.tick().await;
                    let n = sent.load(Ordering::Relaxed) + 1;
                    if client
                        .publish("k/n", QoS::AtLeastOnce, false, payload(n))
                        .await
                        .is_err()
                    {
                        break;
                    }
                    sent.store(n, Ordering::Relaxed);
                }
                // The client must outlive its connection's last acknowledgements.
                std::future::pending::<()>().await;
                drop(client);
            })
        };
        let acks = Arc::clone(&acknowledged);
        let task = tokio::spawn(async move {
            let _feeder = feeder;
            // Packet identifiers are given in order of publishing, so the n-th *first* publish of
            // an identifier carries the n-th number; a repeat after a reconnect keeps its number.
            let mut carries: BTreeMap<u16, u32> = BTreeMap::new();
            let mut next = 0;
            loop {
                match events.poll().await {
                    Ok(Event::Outgoing(Outgoing::Publish(id))) => {
                        carries.entry(id).or_insert_with(|| {
                            next += 1;
                            next
                        });
                    }
                    Ok(Event::Incoming(Incoming::PubAck(ack))) => {
                        if let Some(n) = carries.remove(&ack.pkid) {
                            acks.lock().unwrap().insert(n);
                        }
                    }
                    Ok(_) => {}
                    Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
                }
            }
        });
        Self {
            acknowledged,
            sent,
            enough,
            task,
        }
    }

    fn acknowledged(&self) -> BTreeSet<u32> {
        self.acknowledged.lock().unwrap().clone()
    }

    /// Stops sending and waits until everything sent is acknowledged.
    async fn finish(&self) -> u32 {
        self.enough.store(true, Ordering::Relaxed);
        wait_for(
            "every message to be acknowledged",
            Duration::from_secs(60),
            || async {
                let sent = self.sent.load(Ordering::Relaxed) as usize;
                (self.acknowledged.lock().unwrap().len() >= sent).then_some(())
            },
        )
        .await
        .unwrap();
        self.sent.load(Ordering::Relaxed)
    }
}

impl Drop for Numbers {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// How often each number is stored, read from the data directory of a stopped daemon by the
/// program's own export.
fn stored(data: &std::path::Path) -> BTreeMap<u32, u32> {
    let out =
        doughwarden_tests::harness::doughwarden(&["export", "--data", data.to_str().unwrap()]);
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let mut counts = BTreeMap::new();
    for line in String::from_utf8(out.stdout).unwrap().lines() {
        let record: serde_json::Value = serde_json::from_str(line).unwrap();
        if record["record"] == "reading" {
            *counts
                .entry(record["value"].as_f64().unwrap() as u32)
                .or_default() += 1;
        }
    }
    counts
}

fn config(dir: &std::path::Path, mqtt: &str, time_pointer: bool) -> std::path::PathBuf {
    let file = dir.join("kitchen.toml");
    let pointers = if time_pointer {
        "pointer = \"/n\"\ntime_pointer = \"/at\"\n"
    } else {
        ""
    };
    std::fs::write(
        &file,
        format!(
            "[http]\nlisten = \"127.0.0.1:0\"\n[mqtt]\n{mqtt}\n[[sensor]]\nname = \"n\"\nplace = \"bench\"\ntopic = \"k/n\"\n{pointers}quantity = \"battery\"\nunit = \"%EL\"\n"
        ),
    )
    .unwrap();
    file
}

async fn run(mqtt: String, port: u16, payload: fn(u32) -> String, time_pointer: bool) {
    tls();
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let file = config(dir.path(), &mqtt, time_pointer);
    let args = [
        "run",
        "--config",
        file.to_str().unwrap(),
        "--data",
        data.to_str().unwrap(),
    ];
    let mut chance = rand_chacha::ChaCha8Rng::seed_from_u64(20);
    let mut daemon = Daemon::start(&args).unwrap();
    let numbers = Numbers::start(port, payload);
    for kill in 0..kills() {
        let before = numbers.acknowledged().len();
        wait_for(
            "acknowledgements after a restart",
            Duration::from_secs(60),
            || async { (numbers.acknowledged().len() > before).then_some(()) },
        )
        .await
        .unwrap_or_else(|e| panic!("kill {kill}: {e}"));
        tokio::time::sleep(Duration::from_millis(chance.random_range(20..600))).await;
        daemon.kill();
        daemon = Daemon::start(&args).unwrap();
    }
    let sent = numbers.finish().await;
    // Through an outside broker "acknowledged" is the broker's word: wait until the daemon has them.
    wait_for(
        "the last message to be stored",
        Duration::from_secs(60),
        || async {
            let readings = daemon.get("/api/v1/readings?sensor=n").await.ok()?;
            let list = readings
                .as_array()
                .or_else(|| readings["readings"].as_array())?;
            list.iter()
                .any(|r| r["value"].as_f64() == Some(f64::from(sent)))
                .then_some(())
        },
    )
    .await
    .unwrap();
    assert_eq!(daemon.terminate().unwrap(), Some(0));
    let counts = stored(&data);
    let acknowledged = numbers.acknowledged();
    let lost: Vec<_> = acknowledged
        .iter()
        .filter(|n| !counts.contains_key(n))
        .collect();
    let twice: Vec<_> = counts.iter().filter(|(_, count)| **count > 1).collect();
    println!(
        "{} kills, {sent} sent, {} acknowledged, {} lost, {} stored twice",
        kills(),
        acknowledged.len(),
        lost.len(),
        twice.len()
    );
    assert!(
        acknowledged.len() > kills() as usize * 10,
        "too few to mean anything"
    );
    assert!(lost.is_empty(), "acknowledged and lost: {lost:?}");
    assert!(twice.is_empty(), "stored twice: {twice:?}");
}

fn bare(n: u32) -> String {
    n.to_string()
}

fn with_time(n: u32) -> String {
    // Its own second since a fixed moment, so that a number is one reading however often it comes.
    format!("{{\"n\":{n},\"at\":{}}}", 1_760_000_000 + n)
}

#[tokio::test(flavor = "multi_thread")]
async fn through_an_outside_broker_without_times() {
    let broker = Mosquitto::start("max_queued_messages 0").unwrap();
    let port = broker.port;
    run(
        format!("broker = \"mqtt://127.0.0.1:{port}\""),
        port,
        bare,
        false,
    )
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn through_an_outside_broker_with_times() {
    let broker = Mosquitto::start("max_queued_messages 0").unwrap();
    let port = broker.port;
    run(
        format!("broker = \"mqtt://127.0.0.1:{port}\""),
        port,
        with_time,
        true,
    )
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn through_the_embedded_broker() {
    let port = free_port();
    run(
        format!("listen = \"127.0.0.1:{port}\""),
        port,
        with_time,
        true,
    )
    .await;
}

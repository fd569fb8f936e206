//! SIGKILL during a stream of QoS 1 messages: none of the acknowledged is lost, none is stored
//! twice, and after every kill the store's file is sound. The messages are numbered, and the numbers
//! are demanded back. The long form, 200 random moments each way, with its table:
//!
//!     KILLS=200 cargo test -p doughwarden-tests --test kill -- --nocapture

// Tests run on the machine's own clock, and say what they measured.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use doughwarden_tests::harness::{Daemon, Kitchen, Mosquitto, free_port, tls, wait_for};
use rand::{RngExt as _, SeedableRng as _};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

/// How often the daemon is killed in CI; `KILLS=200` for the long form.
const KILLS: u32 = 20;
/// Messages a second.
const RATE: u32 = 400;
/// So far behind the sender a daemon may be killed: over hundreds of short lives a backlog at an
/// outside broker would grow without bound, and the end of the test would be a test of patience.
const BEHIND: u32 = 2_000;

fn kills() -> u32 {
    std::env::var("KILLS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(KILLS)
}

/// Publishes 1, 2, 3 … with a kept session until told to stop, and collects the numbers that the
/// broker acknowledged. What is not acknowledged when a connection breaks is sent again first, with
/// its packet identifier and the DUP flag, as MQTT 3.1.1 section 4.4 asks; client libraries differ
/// there, so this speaks the protocol itself.
struct Numbers {
    acknowledged: Arc<Mutex<BTreeSet<u32>>>,
    sent: Arc<AtomicU32>,
    enough: Arc<AtomicBool>,
    task: tokio::task::JoinHandle<()>,
}

/// Messages in flight: enough to have some at every moment of a kill.
const WINDOW: usize = 40;

impl Numbers {
    fn start(port: u16, payload: fn(u32) -> String) -> Self {
        let acknowledged: Arc<Mutex<BTreeSet<u32>>> = Arc::default();
        let (sent, enough): (Arc<AtomicU32>, Arc<AtomicBool>) = (Arc::default(), Arc::default());
        let (acks, count, stop) = (
            Arc::clone(&acknowledged),
            Arc::clone(&sent),
            Arc::clone(&enough),
        );
        let task = tokio::spawn(async move {
            let mut flying: BTreeSet<u32> = BTreeSet::new();
            loop {
                let _ = one_connection(port, payload, &mut flying, &acks, &count, &stop).await;
                tokio::time::sleep(Duration::from_millis(50)).await;
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

/// From CONNECT to the connection's end.
async fn one_connection(
    port: u16,
    payload: fn(u32) -> String,
    flying: &mut BTreeSet<u32>,
    acknowledged: &Mutex<BTreeSet<u32>>,
    sent: &AtomicU32,
    enough: &AtomicBool,
) -> std::io::Result<()> {
    let mut stream = tokio::net::TcpStream::connect(("127.0.0.1", port)).await?;
    // CONNECT: protocol MQTT 4, no clean session, keep-alive 60 s, client id "numbers".
    stream
        .write_all(b"\x10\x13\x00\x04MQTT\x04\x00\x00\x3c\x00\x07numbers")
        .await?;
    let mut answer = [0; 4];
    stream.read_exact(&mut answer).await?;
    if answer[0] != 0x20 || answer[3] != 0 {
        return Err(std::io::Error::other("not accepted"));
    }
    for &n in flying.iter() {
        stream.write_all(&publish(n, &payload(n), true)).await?;
    }
    let (mut read, mut write) = stream.split();
    let mut tick = tokio::time::interval(Duration::from_secs(1) / RATE);
    let mut ack = [0; 4];
    let mut got = 0;
    loop {
        tokio::select! {
            some = read.read(&mut ack[got..]) => {
                let some = some?;
                if some == 0 {
                    return Ok(());
                }
                got += some;
                if got == ack.len() {
                    got = 0;
                    let id = u16::from_be_bytes([ack[2], ack[3]]);
                    let carried = flying.iter().copied().find(|&n| packet_id(n) == id);
                    if let Some(n) = carried.filter(|_| ack[0] == 0x40) {
                        flying.remove(&n);
                        acknowledged.lock().unwrap().insert(n);
                    }
                }
            }
            _ = tick.tick(), if flying.len() < WINDOW && !enough.load(Ordering::Relaxed) => {
                let n = sent.load(Ordering::Relaxed) + 1;
                flying.insert(n);
                sent.store(n, Ordering::Relaxed);
                write.write_all(&publish(n, &payload(n), false)).await?;
            }
        }
    }
}

/// Identifiers in turn, never 0; far more than are in flight.
fn packet_id(n: u32) -> u16 {
    (n % 60_000) as u16 + 1
}

/// A PUBLISH at QoS 1 on the topic `k/n`.
fn publish(n: u32, payload: &str, again: bool) -> Vec<u8> {
    let length = 2 + 3 + 2 + payload.len();
    assert!(length < 128, "one byte of length");
    let mut packet = vec![if again { 0x3a } else { 0x32 }, length as u8, 0, 3];
    packet.extend(b"k/n");
    packet.extend(packet_id(n).to_be_bytes());
    packet.extend(payload.as_bytes());
    packet
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
                .entry((record["value"].as_f64().unwrap() * 1000.0).round() as u32)
                .or_default() += 1;
        }
    }
    counts
}

fn kitchen(mqtt: &str, time_pointer: bool) -> Kitchen {
    let pointers = if time_pointer {
        "pointer = \"/n\"\ntime_pointer = \"/at\"\n"
    } else {
        ""
    };
    let sensor = format!(
        "[[sensor]]\nname = \"n\"\nplace = \"bench\"\ntopic = \"k/n\"\n{pointers}quantity = \"battery\"\nunit = \"%EL\"\n"
    );
    Kitchen::with_mqtt(mqtt, &sensor).unwrap()
}

/// Looks the store's file through as the kill left it, its log beside it.
fn sound(data: &std::path::Path, when: &str) {
    let out = doughwarden_tests::harness::doughwarden(&[
        "store",
        "check",
        "--data",
        data.to_str().unwrap(),
    ]);
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{when}: {said}");
}

/// Waits until the newest number that the daemon has stored is at most so far behind the sender.
async fn caught_up(daemon: &Daemon, numbers: &Numbers, behind: u32) -> anyhow::Result<()> {
    wait_for(
        "the daemon to catch up with the sender",
        Duration::from_secs(60),
        || async {
            let sensors = daemon.get("/api/v1/sensors").await.ok()?;
            let n = sensors.as_array()?.iter().find(|s| s["sensor"] == "n")?;
            let newest = (n["newest"]["value"].as_f64()? * 1000.0).round() as u32;
            (newest + behind >= numbers.sent.load(Ordering::Relaxed)).then_some(())
        },
    )
    .await
}

async fn run(name: &str, mqtt: String, port: u16, payload: fn(u32) -> String, time_pointer: bool) {
    tls();
    let kitchen = kitchen(&mqtt, time_pointer);
    let data = kitchen.data();
    let mut chance = rand_chacha::ChaCha8Rng::seed_from_u64(20);
    let mut daemon = kitchen.start().unwrap();
    let numbers = Numbers::start(port, payload);
    let mut slowest = Duration::ZERO;
    for kill in 0..kills() {
        let before = numbers.acknowledged().len();
        wait_for(
            "acknowledgements after a restart",
            Duration::from_secs(60),
            || async { (numbers.acknowledged().len() > before).then_some(()) },
        )
        .await
        .unwrap_or_else(|e| panic!("kill {kill}: {e}"));
        caught_up(&daemon, &numbers, BEHIND).await.unwrap();
        tokio::time::sleep(Duration::from_millis(chance.random_range(20..600))).await;
        daemon.kill();
        sound(&data, &format!("after kill {kill}"));
        let began = std::time::Instant::now();
        daemon = kitchen.start().unwrap();
        slowest = slowest.max(began.elapsed());
    }
    let sent = numbers.finish().await;
    // Through an outside broker "acknowledged" is the broker's word: wait until the daemon has them.
    caught_up(&daemon, &numbers, 0).await.unwrap();
    assert_eq!(daemon.terminate().unwrap(), Some(0));
    sound(&data, "at the end");
    let counts = stored(&data);
    let acknowledged = numbers.acknowledged();
    let lost: Vec<_> = acknowledged
        .iter()
        .filter(|n| !counts.contains_key(n))
        .collect();
    let twice: Vec<_> = counts.iter().filter(|(_, count)| **count > 1).collect();
    println!(
        "| {name} | {} kills | {sent} sent | {} acknowledged | {} lost | {} stored twice | {} checks of the file, all sound | slowest start {:.1} s |",
        kills(),
        acknowledged.len(),
        lost.len(),
        twice.len(),
        kills() + 1,
        slowest.as_secs_f64(),
    );
    assert!(
        acknowledged.len() > kills() as usize * 10,
        "too few to mean anything"
    );
    assert!(lost.is_empty(), "acknowledged and lost: {lost:?}");
    assert!(twice.is_empty(), "stored twice: {twice:?}");
}

/// The n-th number, as thousandths: a battery's charge may be anything from 0 to 100 %.
fn bare(n: u32) -> String {
    format!("{:.3}", f64::from(n) / 1000.0)
}

fn with_time(n: u32) -> String {
    // Its own second since a fixed moment, so that a number is one reading however often it comes.
    format!("{{\"n\":{},\"at\":{}}}", bare(n), 1_760_000_000 + n)
}

#[tokio::test(flavor = "multi_thread")]
async fn through_an_outside_broker_without_times() {
    let broker = Mosquitto::start("max_queued_messages 0").unwrap();
    let port = broker.port;
    run(
        "outside broker, no times",
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
        "outside broker, own times",
        format!("broker = \"mqtt://127.0.0.1:{port}\""),
        port,
        with_time,
        true,
    )
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn through_the_embedded_broker_with_times() {
    let port = free_port();
    run(
        "embedded broker, own times",
        format!("listen = \"127.0.0.1:{port}\""),
        port,
        with_time,
        true,
    )
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn through_the_embedded_broker_without_times() {
    let port = free_port();
    run(
        "embedded broker, no times",
        format!("listen = \"127.0.0.1:{port}\""),
        port,
        bare,
        false,
    )
    .await;
}

//! Ingest through the whole daemon, beside two peers in the same run: messages a second from the
//! first to the last commit, CPU a message, resident memory.
//!
//!     cargo run --release -p doughwarden-tests --bin ingest_bench -- [MESSAGES] [--rounds N] [--check]
//!
//! `drain`: a kept session on mosquitto holds the messages of twenty sensors and is drained at
//! start. `live`: the messages are published at full speed to a consumer that is connected.
//! `embedded`: 20 clients at once publish to the daemon's own broker (no peer: the plain scripts
//! have none). Every round runs all of them one after the other, so that whatever else the machine
//! does meets all alike; the table shows the median of the rounds, and ratios are taken within a
//! round before their median is.
//!
//! A consumer's CPU is counted, by the scheduler's account in nanoseconds, from the first commit seen until it
//! is quiet, so that acknowledgements, forecasts and rules that lag behind the commits are in its
//! figure. What it has committed is read from its own file, which costs it nothing.
//!
//! `--check` exits 1 if the daemon is not at least 2 times the script's throughput, at most half of
//! its CPU a message, and within 1.3 times the bare loop's CPU.

#![allow(clippy::print_stdout, clippy::disallowed_methods)]

use std::collections::BTreeMap;
use std::io::{BufRead as _, BufReader, Read as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, bail};
use doughwarden_tests::harness::{Daemon, Mosquitto, START_DEADLINE, binary};
use rumqttc::{AsyncClient, Event, Incoming, MqttOptions, QoS};

/// The longest that publishing, or taking in, may take.
const LIMIT: Duration = Duration::from_secs(300);
/// A consumer is quiet when it takes no more CPU than this in this time: the daemon's clocks tick.
const QUIET: Duration = Duration::from_millis(500);
const QUIET_CPU_S: f64 = 0.01;

#[derive(Clone, Copy, Default)]
struct Figures {
    per_second: f64,
    cpu_us: f64,
    peak_mib: f64,
}

#[derive(Clone, Copy, PartialEq)]
enum Way {
    Drain,
    Live,
}

impl Way {
    fn name(self) -> &'static str {
        match self {
            Self::Drain => "drain",
            Self::Live => "live",
        }
    }
}

/// Rounds whose median counts.
const ROUNDS: usize = 3;
/// The twenty sensors of the kitchen.
const SENSORS: u64 = 20;

#[tokio::main]
async fn main() -> Result<std::process::ExitCode> {
    doughwarden_tests::harness::tls();
    let args: Vec<String> = std::env::args().skip(1).collect();
    let after = |name: &str| {
        args.iter()
            .position(|a| a == name)
            .and_then(|i| args.get(i + 1))
    };
    let rounds = after("--rounds")
        .and_then(|n| n.parse().ok())
        .unwrap_or(ROUNDS);
    let messages = args.first().and_then(|a| a.parse().ok()).unwrap_or(100_000);
    let check = args.iter().any(|a| a == "--check");
    println!(
        "{messages} messages of {SENSORS} sensors, QoS 1, acknowledged after commit, synchronous FULL; median of {rounds}"
    );
    let (mut drain, mut live, mut own) = (Vec::new(), Vec::new(), Vec::new());
    for round in 1..=rounds {
        for (way, seen) in [(Way::Drain, &mut drain), (Way::Live, &mut live)] {
            let mut figures = [Figures::default(); 3];
            for ((who, start), figures) in CONSUMERS.into_iter().zip(&mut figures) {
                *figures = outside(way, messages, start)
                    .await
                    .with_context(|| format!("round {round}, {}, {who}", way.name()))?;
            }
            seen.push(figures);
        }
        own.push(
            embedded(messages)
                .await
                .with_context(|| format!("round {round}, embedded"))?,
        );
        eprintln!("round {round} of {rounds} done");
    }
    println!(
        "{:<9} {:<8} {:>12} {:>14} {:>10}",
        "way", "who", "messages/s", "CPU us/message", "peak MiB"
    );
    let mut bad = Vec::new();
    for (way, rows) in [(Way::Drain, &drain), (Way::Live, &live)] {
        let name = way.name();
        for (i, (who, _)) in CONSUMERS.into_iter().enumerate() {
            print(name, who, rows.iter().map(|row| row[i]));
        }
        let faster = median(rows.iter().map(|[o, s, _]| o.per_second / s.per_second));
        let of_script = median(rows.iter().map(|[o, s, _]| o.cpu_us / s.cpu_us));
        let of_bare = median(rows.iter().map(|[o, _, b]| o.cpu_us / b.cpu_us));
        println!(
            "{name:<9} {faster:.2} times the script's throughput, {of_script:.2} of its CPU a message, {of_bare:.2} times the bare loop's"
        );
        if faster < 2.0 {
            bad.push(format!("{name}: throughput, 2 times the script's"));
        }
        if of_script > 0.5 {
            bad.push(format!("{name}: CPU a message, half of the script's"));
        }
        if of_bare > 1.3 {
            bad.push(format!("{name}: CPU a message, 1.3 times the bare loop's"));
        }
    }
    print("embedded", "ours", own.iter().copied());
    for line in &bad {
        println!("MISSED {line}");
    }
    Ok(if check && !bad.is_empty() {
        std::process::ExitCode::FAILURE
    } else {
        std::process::ExitCode::SUCCESS
    })
}

fn median(of: impl Iterator<Item = f64>) -> f64 {
    let mut all: Vec<f64> = of.collect();
    all.sort_by(f64::total_cmp);
    all[all.len() / 2]
}

fn print(way: &str, who: &str, rounds: impl Iterator<Item = Figures> + Clone) {
    let of = |figure: fn(&Figures) -> f64| median(rounds.clone().map(|f| figure(&f)));
    println!(
        "{way:<9} {who:<8} {:>12.0} {:>14.1} {:>10.0}",
        of(|f| f.per_second),
        of(|f| f.cpu_us),
        of(|f| f.peak_mib)
    );
}

/// A consumer under test.
struct Consumer {
    process: Process,
    /// Its SQLite file, and how to read from it how many it has committed.
    db: PathBuf,
    count: &'static str,
}

enum Process {
    Daemon(Daemon),
    Other(Child),
}

/// The daemon keeps its series' counts in the transaction that stores the readings.
const OURS_COUNT: &str = "select coalesce(sum(count), 0) from series";
/// The peers only append: the largest rowid is the count.
const PEERS_COUNT: &str = "select coalesce(max(rowid), 0) from reading";

impl Consumer {
    fn pid(&self) -> u32 {
        match &self.process {
            Process::Daemon(daemon) => daemon.pid(),
            Process::Other(child) => child.id(),
        }
    }

    fn open(&self) -> Result<rusqlite::Connection> {
        let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
        Ok(rusqlite::Connection::open_with_flags(&self.db, flags)?)
    }

    fn committed(&self) -> Result<u64> {
        let rows: i64 = self.open()?.query_row(self.count, [], |r| r.get(0))?;
        Ok(rows.cast_unsigned())
    }
}

type Start = fn(&Path, u16, u64) -> Result<Consumer>;

const CONSUMERS: [(&str, Start); 3] = [
    ("ours", ours_start),
    ("script", script_start),
    ("bare", bare_start),
];

fn ours_start(dir: &Path, port: u16, _expect: u64) -> Result<Consumer> {
    let daemon = start_daemon(dir, &format!("broker = \"mqtt://127.0.0.1:{port}\""))?;
    Ok(ours(daemon, dir))
}

fn ours(daemon: Daemon, dir: &Path) -> Consumer {
    Consumer {
        process: Process::Daemon(daemon),
        db: dir.join("data/doughwarden.db"),
        count: OURS_COUNT,
    }
}

/// The whole daemon: twenty corrected air sensors in a place where a batch is proofing.
fn start_daemon(dir: &Path, mqtt: &str) -> Result<Daemon> {
    let file = dir.join("kitchen.toml");
    std::fs::write(
        &file,
        format!(
            "[http]\nlisten = \"127.0.0.1:0\"\n[mqtt]\n{mqtt}\n[[sensor]]\nname = \"s{{1}}\"\nplace = \"bench\"\ntopic = \"k/+\"\nquantity = \"air_temperature\"\nunit = \"Cel\"\ncorrection = [{{ from = \"2020-01-01T00:00:00Z\", points = [[20.0, 20.4]] }}]\n"
        ),
    )?;
    let data = dir.join("data");
    let (file, data) = (
        file.to_str().context("a path")?,
        data.to_str().context("a path")?,
    );
    let book = dir.join("book.jsonl");
    let start = jiff::Timestamp::now();
    std::fs::write(
        &book,
        format!(
            "{{\"record\":\"batch\",\"id\":\"2026-bench\",\"dough\":\"plain\",\"place\":\"bench\"}}\n{{\"record\":\"stage\",\"batch\":\"2026-bench\",\"stage\":\"bulk\",\"start\":\"{start}\"}}\n"
        ),
    )?;
    let done = Command::new(binary())
        .args(["import", "--data", data, book.to_str().context("a path")?])
        .stderr(Stdio::null())
        .status()?;
    anyhow::ensure!(done.success(), "the batch was not imported");
    Daemon::start(&["run", "--config", file, "--data", data])
}

fn script_start(dir: &Path, port: u16, expect: u64) -> Result<Consumer> {
    let python = std::env::var("PEER_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("peers/ingest_script.py");
    let db = dir.join("peer.db");
    let mut command = Command::new(python);
    command
        .arg(script)
        .args(["--full", "--topic", "k/#", "--port", &port.to_string()]);
    command
        .args(["--expect", &expect.to_string(), "--db"])
        .arg(&db);
    other(command, db)
}

fn bare_start(dir: &Path, port: u16, expect: u64) -> Result<Consumer> {
    let db = dir.join("bare.db");
    let mut command = Command::new(binary().with_file_name("bare_loop"));
    command
        .arg(port.to_string())
        .arg(&db)
        .arg(expect.to_string());
    other(command, db)
}

fn other(mut command: Command, db: PathBuf) -> Result<Consumer> {
    let mut child = command
        .stdout(Stdio::piped())
        .spawn()
        .context("the peer starts")?;
    let mut out = BufReader::new(child.stdout.take().context("its output is piped")?);
    let (tell, said) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let mut line = String::new();
        let _ = out.read_line(&mut line);
        let _ = tell.send(line);
        let _ = out.read_to_string(&mut String::new());
    });
    let line = said.recv_timeout(START_DEADLINE).unwrap_or_default();
    if line.trim() != "ready" {
        let _ = child.kill();
        let _ = child.wait();
        bail!("the peer did not become ready: it said `{}`", line.trim());
    }
    Ok(Consumer {
        process: Process::Other(child),
        db,
        count: PEERS_COUNT,
    })
}

async fn outside(way: Way, messages: u64, start: Start) -> Result<Figures> {
    let broker = Mosquitto::start("max_queued_messages 0\nmax_inflight_messages 100")?;
    let dir = tempfile::tempdir()?;
    // More than will come: no consumer ends by itself before it was looked at.
    let expect = messages + SPARE;
    let consumer = start(dir.path(), broker.port, expect)?;
    let base = wait_subscribed(&consumer, broker.port).await?;
    let consumer = if way == Way::Drain {
        // It has made its kept session; away while the messages come.
        stop(consumer);
        publish(broker.port, 1, messages).await?;
        start(dir.path(), broker.port, expect)?
    } else {
        consumer
    };
    let publishing = async {
        match way {
            Way::Drain => Ok(()),
            Way::Live => publish(broker.port, 4, messages).await,
        }
    };
    both(measure(consumer, base, messages), publishing).await
}

/// What is measured while it is published; that publishing failed is said at once.
async fn both(
    measuring: impl Future<Output = Result<Figures>>,
    publishing: impl Future<Output = Result<()>>,
) -> Result<Figures> {
    let (figures, ()) = tokio::try_join!(measuring, publishing)?;
    Ok(figures)
}

/// Messages a peer may wait for beyond those that come.
const SPARE: u64 = 1_000;

/// Waits until a consumer gets what is published; gives how many rows it has by then. The daemon says
/// so itself, the peers are sent a message until they have stored one.
async fn wait_subscribed(consumer: &Consumer, port: u16) -> Result<u64> {
    let until = Instant::now() + LIMIT;
    if let Process::Daemon(daemon) = &consumer.process {
        let ready = format!("{}/readyz", daemon.http);
        while !reqwest::get(&ready).await?.status().is_success() {
            anyhow::ensure!(Instant::now() < until, "the daemon did not connect");
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        return Ok(0);
    }
    loop {
        publish(port, 1, 1).await?;
        tokio::time::sleep(Duration::from_millis(500)).await;
        if let Ok(rows) = consumer.committed()
            && rows > 0
        {
            return Ok(rows);
        }
        anyhow::ensure!(Instant::now() < until, "the peer did not subscribe");
    }
}

fn stop(consumer: Consumer) {
    match consumer.process {
        Process::Daemon(daemon) => {
            let _ = daemon.terminate();
        }
        Process::Other(mut child) => {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

async fn embedded(messages: u64) -> Result<Figures> {
    let dir = tempfile::tempdir()?;
    let daemon = start_daemon(dir.path(), "listen = \"127.0.0.1:0\"")?;
    let port = daemon.mqtt_port();
    both(
        measure(ours(daemon, dir.path()), 0, messages),
        publish(port, SENSORS, messages),
    )
    .await
}

/// From the first commit seen to the last; CPU from then until it is quiet.
async fn measure(consumer: Consumer, base: u64, messages: u64) -> Result<Figures> {
    let until = Instant::now() + LIMIT;
    let db = consumer.open()?;
    let mut committed = db.prepare(consumer.count)?;
    let mut first = None;
    let mut clock = Cpu::of(consumer.pid());
    let mut cpu;
    loop {
        // A table that is not made yet, or a lock held for a moment.
        let done = committed.query_row([], |r| r.get::<_, i64>(0)).unwrap_or(0);
        let done = done.cast_unsigned().saturating_sub(base);
        cpu = clock.look().context("the consumer has ended")?;
        if done > 0 && first.is_none() {
            first = Some((Instant::now(), done, cpu));
        }
        if done >= messages {
            break;
        }
        if Instant::now() > until {
            bail!(
                "only {done} of {messages} were committed in {LIMIT:?} ({})",
                consumer.count
            );
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let (began, already, cpu_before) = first.context("a first commit")?;
    let spent = began.elapsed().as_secs_f64().max(1e-3);
    loop {
        tokio::time::sleep(QUIET).await;
        let before = std::mem::replace(&mut cpu, clock.look()?);
        if cpu - before < QUIET_CPU_S {
            break;
        }
        if Instant::now() > until {
            bail!("all were committed, and it was not quiet in {LIMIT:?}");
        }
    }
    let peak = peak_mib(consumer.pid())?;
    stop(consumer);
    let counted = (messages - already.min(messages - 1)) as f64;
    Ok(Figures {
        per_second: counted / spent,
        cpu_us: (cpu - cpu_before) / counted * 1e6,
        peak_mib: peak,
    })
}

/// What a process has run, user and system, by the scheduler's account in nanoseconds. The account is
/// kept a thread, so each is remembered beyond its end.
struct Cpu {
    pid: u32,
    threads_ns: BTreeMap<std::ffi::OsString, u64>,
}

impl Cpu {
    fn of(pid: u32) -> Self {
        Self {
            pid,
            threads_ns: BTreeMap::new(),
        }
    }

    /// Seconds so far.
    fn look(&mut self) -> Result<f64> {
        for thread in std::fs::read_dir(format!("/proc/{}/task", self.pid))? {
            let thread = thread?;
            // One that ends meanwhile keeps what it had.
            if let Ok(text) = std::fs::read_to_string(thread.path().join("schedstat")) {
                let ran = text.split(' ').next().context("three numbers")?;
                self.threads_ns.insert(thread.file_name(), ran.parse()?);
            }
        }
        Ok(self.threads_ns.values().sum::<u64>() as f64 / 1e9)
    }
}

fn peak_mib(pid: u32) -> Result<f64> {
    let text = std::fs::read_to_string(format!("/proc/{pid}/status"))?;
    let line = text
        .lines()
        .find(|l| l.starts_with("VmHWM:"))
        .context("a peak")?;
    Ok(line
        .split_whitespace()
        .nth(1)
        .context("a number")?
        .parse::<f64>()?
        / 1024.0)
}

/// `messages` numbers over so many clients, each acknowledged by the broker before this returns.
async fn publish(port: u16, clients: u64, messages: u64) -> Result<()> {
    tokio::time::timeout(LIMIT, publish_all(port, clients, messages))
        .await
        .with_context(|| format!("{messages} messages were not published in {LIMIT:?}"))?
        .context("publishing")
}

async fn publish_all(port: u16, clients: u64, messages: u64) -> Result<()> {
    let mut tasks = tokio::task::JoinSet::new();
    for number in 0..clients {
        let share = messages / clients + u64::from(number < messages % clients);
        tasks.spawn(async move {
            let mut options = MqttOptions::new(format!("pub-{number}"), "127.0.0.1", port);
            options
                .set_inflight(100)
                .set_keep_alive(Duration::from_secs(30));
            let (client, mut events) = AsyncClient::new(options, 200);
            let feeder = tokio::spawn(async move {
                for i in 0..share {
                    // Each sensor is one client's: its air goes from 22 to 24 degrees and back.
                    let its = (SENSORS / clients).max(1);
                    let (sensor, step) = (number * its + i % its, i / its % 80);
                    let value = 22.0 + step.min(80 - step) as f64 / 20.0;
                    let topic = format!("k/{sensor}");
                    if client
                        .publish(topic, QoS::AtLeastOnce, false, format!("{value:.2}"))
                        .await
                        .is_err()
                    {
                        break;
                    }
                }
                client
            });
            let mut acknowledged = 0;
            while acknowledged < share {
                if let Event::Incoming(Incoming::PubAck(_)) = events.poll().await? {
                    acknowledged += 1;
                }
            }
            feeder.await?;
            anyhow::Ok(())
        });
    }
    while let Some(task) = tasks.join_next().await {
        task??;
    }
    Ok(())
}

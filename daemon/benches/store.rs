//! The embedded store at size: start-up, charts, bytes a reading, and how these grow; then what live
//! readings cost the disk, by commit window.
//!
//! Ten sensors over a year, seeded. `DOUGHWARDEN_BENCH_READINGS` says how many readings in all:
//! 30,000,000 is one every 10 s for a year (some 2 GB of scratch disk and ten minutes); without it
//! 3,000,000, which a laptop fills in under a minute. A tenth of the number is always measured
//! first, so that the growth shows. Each figure stands beside its bar.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a bench tells its figures, takes the machine's time and fails loudly"
)]

use std::hint::black_box;
use std::path::Path;
use std::time::{Duration, Instant};

use criterion::{Criterion, criterion_group, criterion_main};
use doughwarden::batches::book::Book;
use doughwarden::batches::record::Quantity;
use doughwarden::store::sqlite::{FILE, SqliteStore};
use doughwarden::store::{Arrival, Packet, ReadingQuery, Store, StoredReading};
use doughwarden::time::UtcMs;
use rand::RngExt as _;
use rand::SeedableRng as _;

const SENSORS: i64 = 10;
const DAY_MS: i64 = 86_400_000;
const YEAR_MS: i64 = 365 * DAY_MS;
const LAPTOP_READINGS: i64 = 3_000_000;
const FROM: UtcMs = UtcMs(1_735_689_600_000); // 2025-01-01

fn reading(sensor: i64, time: UtcMs, value: f64) -> StoredReading {
    StoredReading {
        time,
        arrived: time.plus_ms(35),
        sensor: format!("sensor {sensor}").into(),
        quantity: Quantity::AirTemperature,
        value,
        raw: None,
        kept_out: None,
        place: Some("box".into()),
        batch: None,
    }
}

fn own_time(readings: Vec<StoredReading>) -> Arrival {
    Arrival {
        readings: readings.into(),
        own_time: true,
        packet: None,
    }
}

/// Fills a year, the sensors in turn, as live readings come; hour summaries included.
fn fill(dir: &Path, readings: i64) {
    const CHUNK: usize = 20_000;
    let store = SqliteStore::open(dir).unwrap();
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(10);
    let step = YEAR_MS * SENSORS / readings;
    let mut chunk = Vec::with_capacity(CHUNK);
    let write = |chunk: &mut Vec<StoredReading>| {
        store.append(&[own_time(std::mem::take(chunk))]).unwrap();
    };
    for n in 0..readings / SENSORS {
        for sensor in 0..SENSORS {
            let value = 24.0 + f64::from(random.random_range(-400_i32..400)) / 100.0;
            let time = FROM.plus_ms(n * step + sensor * step / SENSORS);
            chunk.push(reading(sensor, time, value));
        }
        if chunk.len() >= CHUNK {
            write(&mut chunk);
        }
    }
    write(&mut chunk);
    store.sum_up(FROM.plus_ms(YEAR_MS)).unwrap();
}

/// Takes the store's files out of the system's cache, as after a boot.
fn forget_cached(dir: &Path) {
    for entry in std::fs::read_dir(dir).unwrap() {
        let file = std::fs::File::open(entry.unwrap().path()).unwrap();
        file.sync_all().unwrap();
        rustix::fs::fadvise(&file, 0, None, rustix::fs::Advice::DontNeed).unwrap();
    }
}

fn timed(work: impl FnOnce()) -> Duration {
    let began = Instant::now();
    work();
    began.elapsed()
}

/// The middle of some runs.
fn middle(runs: usize, mut work: impl FnMut()) -> Duration {
    let mut times: Vec<Duration> = (0..runs).map(|_| timed(&mut work)).collect();
    times.sort_unstable();
    times[runs / 2]
}

/// As the daemon does before it serves: open, the book, every series with its newest readings.
fn start_up(dir: &Path) {
    let store = SqliteStore::open(dir).unwrap();
    let book = Book::from_records(store.book().unwrap());
    let series = store.series().unwrap();
    for s in &series {
        black_box(
            store
                .readings(&ReadingQuery {
                    sensor: Some(&s.sensor),
                    quantity: Some(s.quantity),
                    with_kept_out: true,
                    newest: Some(240),
                    ..ReadingQuery::default()
                })
                .unwrap(),
        );
    }
    black_box((series, book));
}

fn chart(store: &SqliteStore, from: UtcMs, ms: i64, bucket_s: u32) {
    let to = from.plus_ms(ms);
    let buckets = store
        .buckets("sensor 3", Quantity::AirTemperature, from, to, bucket_s)
        .unwrap();
    let counted: u64 = buckets.iter().map(|b| b.count).sum();
    assert!(buckets.len() > 50 && counted > 50, "a chart of nothing");
    black_box(buckets);
}

struct Figures {
    readings: i64,
    filled: Duration,
    bytes: f64,
    start: Duration,
    cold_start: Duration,
    day: Duration,
    cold_day: Duration,
    year: Duration,
    cold_year: Duration,
}

fn measure(readings: i64) -> (Figures, tempfile::TempDir) {
    let dir = tempfile::tempdir().unwrap();
    let filled = timed(|| fill(dir.path(), readings));
    let bytes = std::fs::metadata(dir.path().join(FILE)).unwrap().len();
    let in_summer = FROM.plus_ms(YEAR_MS / 2);
    let cold = |work: &dyn Fn(&SqliteStore)| {
        forget_cached(dir.path());
        let store = SqliteStore::open(dir.path()).unwrap();
        timed(|| work(&store))
    };
    let cold_day = cold(&|store| chart(store, in_summer, DAY_MS, 120));
    let cold_year = cold(&|store| chart(store, FROM, YEAR_MS, 43_200));
    forget_cached(dir.path());
    let cold_start = timed(|| start_up(dir.path()));
    let start = middle(11, || start_up(dir.path()));
    let store = SqliteStore::open(dir.path()).unwrap();
    let figures = Figures {
        readings,
        filled,
        bytes: bytes as f64 / readings as f64,
        start,
        cold_start,
        day: middle(21, || chart(&store, in_summer, DAY_MS, 120)),
        cold_day,
        year: middle(21, || chart(&store, FROM, YEAR_MS, 43_200)),
        cold_year,
    };
    (figures, dir)
}

fn told(name: &str, bar: &str, small: f64, large: f64) {
    println!(
        "| {name} | {small:.3} | {large:.3} | {:.2} | {bar} |",
        large / small
    );
}

fn table(small: &Figures, large: &Figures) {
    let ms = |d: Duration| d.as_secs_f64() * 1000.0;
    println!(
        "\n| | {} readings | {} readings | growth | bar |\n| --- | --- | --- | --- | --- |",
        small.readings, large.readings
    );
    told("bytes a reading, all in", "40", small.bytes, large.bytes);
    told("start-up, ms", "1000", ms(small.start), ms(large.start));
    told(
        "start-up, nothing cached, ms",
        "1000",
        ms(small.cold_start),
        ms(large.cold_start),
    );
    told("a day's chart, ms", "20", ms(small.day), ms(large.day));
    told(
        "a day's chart, nothing cached, ms",
        "20",
        ms(small.cold_day),
        ms(large.cold_day),
    );
    told("a year's chart, ms", "200", ms(small.year), ms(large.year));
    told(
        "a year's chart, nothing cached, ms",
        "200",
        ms(small.cold_year),
        ms(large.cold_year),
    );
    told(
        "filling, s",
        "",
        small.filled.as_secs_f64(),
        large.filled.as_secs_f64(),
    );
}

/// Bytes this process had written to a disk so far, by the system's count (whole pages of 4 KiB, log
/// and file; the file system's own journal is not in it).
fn written() -> Option<u64> {
    let io = std::fs::read_to_string("/proc/self/io").ok()?;
    let line = io.lines().find(|l| l.starts_with("write_bytes:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

/// What a memory card is asked to take a day: the budget and why stand in DEVELOPERS.md.
const BUDGET_MB_A_DAY: f64 = 2_000.0;

/// Some hours of ten sensors, each every ten seconds, without times of their own (so that packets
/// are kept too), in commits of a window each; scaled to a day.
fn disk_cost(dir: &Path) {
    const SPAN_MS: i64 = 2 * 3_600_000;
    println!(
        "\nten sensors, each every 10 s ({} readings a day):",
        SENSORS * DAY_MS / 10_000
    );
    println!(
        "| commit window, ms | commits a day | MB written a day | commit, ms (middle) | bar |"
    );
    println!("| --- | --- | --- | --- | --- |");
    for (round, window) in [0_i64, 1_000, 2_000, 5_000, 10_000].into_iter().enumerate() {
        let store = SqliteStore::open(dir).unwrap();
        let start = FROM.plus_ms(YEAR_MS + DAY_MS * (round as i64 + 1));
        let Some(before) = written() else {
            println!("not on this system: it does not count bytes written by process");
            return;
        };
        let mut commits: Vec<Duration> = Vec::new();
        let mut waiting: Vec<Arrival> = Vec::new();
        let mut since = None;
        for n in 0..SPAN_MS / 1000 {
            let now = start.plus_ms(n * 1000);
            if since.is_some_and(|at: UtcMs| now.0 - at.0 >= window) {
                commits.push(timed(|| drop(store.append(&waiting).unwrap())));
                waiting.clear();
                since = None;
            }
            since.get_or_insert(now);
            let sensor = n % SENSORS;
            waiting.push(Arrival {
                readings: smallvec::smallvec![reading(sensor, now, 24.0 + (n % 97) as f64 / 16.0)],
                own_time: false,
                packet: Some(Packet {
                    session: format!("sensor {sensor}").into(),
                    id: (n / SENSORS % 65_535) as u16 + 1,
                    digest: n.cast_unsigned(),
                    maybe_again: false,
                }),
            });
        }
        store.append(&waiting).unwrap();
        store.sum_up(start.plus_ms(SPAN_MS)).unwrap();
        drop(store);
        let mb = written().unwrap().saturating_sub(before) as f64 / 1e6;
        let days = SPAN_MS as f64 / DAY_MS as f64;
        commits.sort_unstable();
        println!(
            "| {window} | {:.0} | {:.0} | {:.2} | {BUDGET_MB_A_DAY:.0} |",
            commits.len() as f64 / days,
            mb / days,
            commits[commits.len() / 2].as_secs_f64() * 1000.0,
        );
    }
}

fn at_size(criterion: &mut Criterion) {
    let readings = std::env::var("DOUGHWARDEN_BENCH_READINGS")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(LAPTOP_READINGS);
    let (small, small_dir) = measure(readings / 10);
    let (large, dir) = measure(readings);
    table(&small, &large);
    disk_cost(small_dir.path());
    println!();
    let store = SqliteStore::open(dir.path()).unwrap();
    let mut group = criterion.benchmark_group(format!("store of {readings} readings"));
    group.sample_size(10);
    let mut now = FROM.plus_ms(YEAR_MS);
    group.bench_function("one reading, on disk", |b| {
        b.iter(|| {
            now = now.plus_ms(10_000);
            store
                .append(&[own_time(vec![reading(3, now, 24.0)])])
                .unwrap()
        });
    });
    group.bench_function("500 messages, on disk", |b| {
        b.iter(|| {
            let arrivals: Vec<Arrival> = (0..500)
                .map(|n| {
                    now = now.plus_ms(1_000);
                    own_time(vec![reading(n % SENSORS, now, 24.0)])
                })
                .collect();
            store.append(&arrivals).unwrap()
        });
    });
    group.finish();
}

criterion_group!(benches, at_size);
criterion_main!(benches);

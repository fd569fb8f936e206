//! The embedded store at size: start-up on a year of readings, storing, and charts.
//!
//! Ten sensors over a year, seeded; `DOUGHWARDEN_BENCH_READINGS` says how many readings in all
//! (30,000,000 is one every 10 s; the default is a quick hundredth of that). Prints the file's
//! bytes a reading.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench tells its figures and fails loudly"
)]

use std::hint::black_box;
use std::path::Path;

use criterion::{Criterion, criterion_group, criterion_main};
use doughwarden::batches::book::Book;
use doughwarden::batches::record::Quantity;
use doughwarden::store::sqlite::{FILE, SqliteStore};
use doughwarden::store::{Arrival, Store, StoredReading};
use doughwarden::time::UtcMs;
use rand::RngExt as _;
use rand::SeedableRng as _;

const SENSORS: i64 = 10;
const YEAR_MS: i64 = 365 * 86_400_000;
const QUICK_READINGS: i64 = 300_000;
const FROM: UtcMs = UtcMs(1_735_689_600_000); // 2025-01-01

fn reading(sensor: i64, time: UtcMs, value: f64) -> StoredReading {
    StoredReading {
        time,
        arrived: time.plus_ms(35),
        sensor: format!("sensor {sensor}"),
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
        readings,
        own_time: true,
        packet: None,
    }
}

/// Fills a year, the sensors in turn, as live readings come.
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
    #[allow(
        clippy::drop_non_drop,
        reason = "the last connection writes the log back"
    )]
    drop(store);
}

fn at_size(criterion: &mut Criterion) {
    let readings = std::env::var("DOUGHWARDEN_BENCH_READINGS")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(QUICK_READINGS);
    let dir = tempfile::tempdir().unwrap();
    fill(dir.path(), readings);
    let bytes = std::fs::metadata(dir.path().join(FILE)).unwrap().len();
    println!(
        "{readings} readings: {:.1} bytes each, all in",
        bytes as f64 / readings as f64
    );
    let mut group = criterion.benchmark_group(format!("store of {readings} readings"));
    group.sample_size(10);
    group.bench_function("start-up", |b| {
        b.iter(|| {
            let store = SqliteStore::open(dir.path()).unwrap();
            let book = Book::from_records(store.book().unwrap());
            black_box((store.series().unwrap(), book))
        });
    });
    let store = SqliteStore::open(dir.path()).unwrap();
    let chart = |from: UtcMs, ms: i64, bucket_s: u32| {
        let to = from.plus_ms(ms);
        store
            .buckets("sensor 3", Quantity::AirTemperature, from, to, bucket_s)
            .unwrap()
    };
    let in_summer = FROM.plus_ms(YEAR_MS / 2);
    group.bench_function("a day's chart", |b| {
        b.iter(|| black_box(chart(in_summer, 86_400_000, 120)));
    });
    group.bench_function("a year's chart", |b| {
        b.iter(|| black_box(chart(FROM, YEAR_MS, 43_200)));
    });
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

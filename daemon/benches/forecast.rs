//! What one more reading costs a forecast, whatever the log behind it; and a calibration of a thousand
//! stages beside the plain script's fit of the same stages, in one run.
//!
//! The script needs an interpreter with numpy and scipy: `PEER_PYTHON`, as `tests/run` makes it; without
//! one its line is left out.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench tells its figures and fails loudly"
)]

use std::fmt::Write as _;
use std::hint::black_box;
use std::io::Write as _;
use std::sync::Arc;
use std::time::Instant;

use criterion::{Criterion, criterion_group, criterion_main};
use doughwarden::batches::book::Book;
use doughwarden::batches::record::{Quantity, Record, StageKind};
use doughwarden::forecasts::air::Sources;
use doughwarden::forecasts::inputs::Without;
use doughwarden::forecasts::learned::Learned;
use doughwarden::forecasts::running::Running;
use doughwarden::forecasts::source::InMemory;
use doughwarden::store::StoredReading;
use doughwarden::time::UtcMs;

/// Batches of the calibration: two stages each.
const BATCHES: usize = 500;
/// A sensor's beat in the running proof, seconds.
const BEAT_S: i64 = 10;

fn start_of(i: usize) -> UtcMs {
    UtcMs::parse("2024-01-01T08:00:00Z")
        .unwrap()
        .plus_min(1440.0 * i as f64)
}

/// Two stages a day with air every two minutes, two rises and a dent each: five doughs, two years of seasons.
fn history() -> String {
    let mut out = String::new();
    for i in 0..BATCHES {
        let start = start_of(i);
        let room = 22.0 + 3.0 * (i as f64 / 58.0).sin();
        let pace = 1.0 + 0.12 * ((i * 31) as f64).sin();
        writeln!(out, "{{\"record\":\"batch\",\"id\":\"b{i}\",\"dough\":\"dough {}\",\"place\":\"shelf\",\"pieces\":10,\"piece_mass_g\":80,\"formula\":[{{\"ingredient\":\"wheat flour\",\"mass_g\":450}},{{\"ingredient\":\"water\",\"mass_g\":290}},{{\"ingredient\":\"salt\",\"mass_g\":8}},{{\"ingredient\":\"instant yeast\",\"mass_g\":{}}}]}}", i % 5, 4 + i % 3).unwrap();
        let mut at = start;
        for (stage, usual) in [("bulk", 100.0), ("final", 60.0)] {
            let minutes = (usual * pace * 2f64.powf((24.0 - room) / 9.0)).round();
            writeln!(out, "{{\"record\":\"stage\",\"batch\":\"b{i}\",\"stage\":\"{stage}\",\"start\":\"{at}\",\"end\":\"{}\",\"outcome\":\"ready\",\"dough_temperature\":24}}", at.plus_min(minutes)).unwrap();
            for (share, rise) in [(0.5, 0.35), (0.8, 0.7)] {
                writeln!(out, "{{\"record\":\"observation\",\"batch\":\"b{i}\",\"time\":\"{}\",\"kind\":\"rise\",\"rise\":{rise}}}", at.plus_min(share * minutes)).unwrap();
            }
            writeln!(out, "{{\"record\":\"observation\",\"batch\":\"b{i}\",\"time\":\"{}\",\"kind\":\"finger_dent\",\"result\":\"springs_back\"}}", at.plus_min(0.7 * minutes)).unwrap();
            let mut m = -10.0;
            while m < minutes + 10.0 {
                writeln!(out, "{{\"record\":\"reading\",\"time\":\"{}\",\"sensor\":\"shelf\",\"quantity\":\"air_temperature\",\"value\":{:.2},\"unit\":\"Cel\"}}", at.plus_min(m), room + 0.3 * (m / 17.0).sin()).unwrap();
                m += 2.0;
            }
            at = at.plus_min(minutes + 25.0);
        }
    }
    out
}

fn read(lines: &str) -> (Book, InMemory) {
    let (mut records, mut readings) = (Vec::new(), Vec::new());
    for line in lines.lines() {
        match serde_json::from_str(line).unwrap() {
            Record::Reading(r) => readings.push(r),
            r => records.push(r),
        }
    }
    (Book::from_records(records), InMemory::new(readings))
}

fn calibration(c: &mut Criterion) {
    let lines = history();
    let (book, readings) = read(&lines);
    let sources = Sources {
        book: &book,
        readings: &readings,
        model_sensors: &[],
    };
    let now = start_of(BATCHES + 1);
    let fit = || Learned::fit(sources, now, Without::default()).unwrap();
    assert_eq!(fit().calibration.stages as usize, 2 * BATCHES);
    let mut took: Vec<f64> = (0..5)
        .map(|_| {
            let begun = Instant::now();
            black_box(fit());
            begun.elapsed().as_secs_f64()
        })
        .collect();
    took.sort_by(f64::total_cmp);
    let ours = took[2];
    println!(
        "calibration of {} stages, from the log book: {ours:.3} s (median of 5, one core)",
        2 * BATCHES
    );
    let mut group = c.benchmark_group("calibration");
    group.sample_size(10);
    group.bench_function("1000 stages", |b| b.iter(|| black_box(fit())));
    group.finish();
    let Ok(python) = std::env::var("PEER_PYTHON") else {
        println!("the script's fit: left out, PEER_PYTHON names no interpreter");
        return;
    };
    let mut file = tempfile::NamedTempFile::new().unwrap();
    file.write_all(lines.as_bytes()).unwrap();
    let program = "import json, sys, time\nsys.path.insert(0, sys.argv[2])\nimport forecast_script as s\nbook = s.Book(json.loads(x) for x in open(sys.argv[1]))\ntook = []\nfor _ in range(5):\n    t = time.perf_counter(); [s.fit(book, k, list(book.batch)) for k in ('bulk', 'final')]; took.append(time.perf_counter() - t)\nprint(sorted(took)[2])\n";
    let peers = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/peers");
    let done = std::process::Command::new(python)
        .args(["-c", program, file.path().to_str().unwrap(), peers])
        .env("OMP_NUM_THREADS", "1")
        .output()
        .unwrap();
    assert!(
        done.status.success(),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    let script: f64 = String::from_utf8_lossy(&done.stdout)
        .trim()
        .parse()
        .unwrap();
    println!(
        "the script's fit of the same stages: {script:.3} s (median of 5); ours takes {:.2} of it",
        ours / script
    );
}

fn update(c: &mut Criterion) {
    let lines = history();
    let few: String = lines
        .lines()
        .filter(|l| !l.contains("\"record\":\"reading\""))
        .take(60 * 7)
        .fold(String::new(), |all, l| all + l + "\n");
    for hours in [1i64, 12, 24] {
        let start = start_of(700);
        let mut book = few.clone();
        writeln!(
            book,
            "{{\"record\":\"batch\",\"id\":\"now\",\"dough\":\"dough 1\",\"place\":\"shelf\"}}"
        )
        .unwrap();
        writeln!(book, "{{\"record\":\"stage\",\"batch\":\"now\",\"stage\":\"bulk\",\"start\":\"{start}\",\"dough_temperature\":12}}").unwrap();
        let beats = hours * 3600 / BEAT_S;
        for k in 0..beats {
            writeln!(book, "{{\"record\":\"reading\",\"time\":\"{}\",\"sensor\":\"shelf\",\"quantity\":\"air_temperature\",\"value\":{:.2},\"unit\":\"Cel\"}}", start.plus_ms(1000 * BEAT_S * k), 12.0 + 0.2 * (k as f64 / 90.0).sin()).unwrap();
        }
        let (book, readings) = read(&book);
        let sources = Sources {
            book: &book,
            readings: &readings,
            model_sensors: &[],
        };
        let learned = Arc::new(Learned::fit(sources, start, Without::default()).unwrap());
        let at = start.plus_ms(1000 * BEAT_S * beats);
        let mut running = Running::read(sources, &learned, "now", StageKind::Bulk, at).unwrap();
        let mut now = at;
        c.bench_function(
            &format!("one more reading after {hours} h of one every {BEAT_S} s"),
            |b| {
                b.iter(|| {
                    now = now.plus_ms(1);
                    let reading = StoredReading {
                        time: now,
                        arrived: now,
                        sensor: "shelf".into(),
                        quantity: Quantity::AirTemperature,
                        value: 12.1,
                        raw: None,
                        kept_out: None,
                        place: Some("shelf".into()),
                        batch: None,
                    };
                    assert!(running.take(&reading));
                    black_box(running.outlook(now).ready_at(0.5))
                });
            },
        );
    }
}

criterion_group!(benches, update, calibration);
criterion_main!(benches);

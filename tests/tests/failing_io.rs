//! A disk whose n-th write fails, n rising, once and for ever (the method of SQLite's own tests): the
//! store opens every time, is sound, and holds every reading it said it had. The failing is done by
//! `peers/failing_io.c`, which stands between the process and the C library; it is built with `cc`.
//! The writing is done by this test program itself, started once more for each n.
//!
//! A seeded part of all n; every one with `DOUGHWARDEN_FULL=1`.

// Tests run on the machine's own clock, and say what they measured.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::path::Path;
use std::process::{Command, Stdio};

use doughwarden::batches::record::Quantity;
use doughwarden::store::sqlite::{FILE, SqliteStore};
use doughwarden::store::{Arrival, ReadingQuery, Store, StoredReading};
use doughwarden::time::UtcMs;
use doughwarden_tests::harness::failing_io;

/// Set for the writing process: the data directory.
const CHILD: &str = "FAILING_IO_DATA";
/// Commits the writing process makes, each of [`ROWS`] readings.
const COMMITS: i64 = 60;
const ROWS: i64 = 5;
const START: UtcMs = UtcMs(1_767_225_600_000);

fn commit(n: i64) -> Arrival {
    let readings = (0..ROWS)
        .map(|row| StoredReading {
            time: START.plus_ms((n * ROWS + row) * 1000),
            arrived: START.plus_ms((n * ROWS + row) * 1000),
            sensor: format!("sensor {row}").into(),
            quantity: Quantity::AirTemperature,
            value: n as f64,
            raw: None,
            kept_out: None,
            place: Some("box".into()),
            batch: None,
        })
        .collect();
    Arrival {
        readings,
        own_time: true,
        packet: None,
    }
}

/// What the writing process does: store, and say what is stored. A commit that fails is tried twice
/// more, as the writer of the daemon tries again.
#[test]
fn the_writing_process() {
    let Some(data) = std::env::var_os(CHILD) else {
        return;
    };
    let opened = (0..3).find_map(|_| SqliteStore::open(Path::new(&data)).ok());
    let Some(store) = opened else {
        println!("not opened");
        return;
    };
    println!("opened");
    for n in 0..COMMITS {
        let stored = (0..3).any(|_| store.append(&[commit(n)]).is_ok());
        if stored {
            println!("stored {n}");
        }
        if n % 20 == 19 {
            // Writes to the file itself, not only to its log.
            let _ = store.sum_up(START.plus_ms(n * ROWS * 1000));
            let _ = store.set_setting("n", Some(&serde_json::json!(n)));
        }
    }
}

/// Runs the writing process; what it said was stored, and whether it opened the store.
fn write(shim: &Path, data: &Path, fail_at: u64, ever: bool) -> (BTreeSet<i64>, bool, u64) {
    let count = data.with_extension("calls");
    let mut command = Command::new(std::env::current_exe().unwrap());
    command
        .args([
            "the_writing_process",
            "--exact",
            "--nocapture",
            "--test-threads",
            "1",
        ])
        .env(CHILD, data)
        .env("LD_PRELOAD", shim)
        .env("FAIL_AT", fail_at.to_string())
        .env("FAIL_COUNT", &count)
        .env("RUST_LOG", "off")
        .stderr(Stdio::null());
    if ever {
        command.env("FAIL_EVER", "1");
    }
    let out = command.output().unwrap();
    assert!(
        out.status.success(),
        "the process broke down at call {fail_at}: {out:?}"
    );
    let text = String::from_utf8(out.stdout).unwrap();
    let stored = text
        .lines()
        .filter_map(|l| l.split("stored ").nth(1)?.trim().parse().ok())
        .collect();
    let calls = std::fs::read_to_string(&count)
        .unwrap()
        .trim()
        .parse()
        .unwrap();
    (
        stored,
        text.contains("opened\n") && !text.contains("not opened"),
        calls,
    )
}

/// Opens on the well disk again: sound, every commit whole or absent. Gives those that are there.
fn look(data: &Path, what: &str) -> BTreeSet<i64> {
    let store = SqliteStore::open(data).unwrap_or_else(|e| panic!("{what}: {e}"));
    assert_eq!(store.integrity().unwrap(), Vec::<String>::new(), "{what}");
    let mut rows = std::collections::BTreeMap::new();
    for r in store.readings(&ReadingQuery::default()).unwrap() {
        *rows.entry(r.value as i64).or_insert(0) += 1;
    }
    assert!(
        rows.values().all(|n| *n == ROWS),
        "{what}: part of a commit"
    );
    let counted: u64 = store.series().unwrap().iter().map(|s| s.count).sum();
    assert_eq!(counted as i64, rows.len() as i64 * ROWS, "{what}");
    rows.into_keys().collect()
}

fn every(calls: u64) -> usize {
    if std::env::var_os("DOUGHWARDEN_FULL").is_some() {
        1
    } else {
        (calls as usize / 40).max(1)
    }
}

#[test]
fn the_nth_write_fails_once_and_for_ever() {
    let dir = tempfile::tempdir().unwrap();
    let Some(shim) = failing_io(dir.path()) else {
        return;
    };
    let (stored, opened, calls) = write(&shim, &dir.path().join("well"), 0, false);
    assert!(
        opened && stored.len() as i64 == COMMITS,
        "the shim alone breaks nothing"
    );
    assert!(calls > 100, "the shim sees the store's writes: {calls}");
    let (mut runs, mut refused, mut kept_unsaid) = (0, 0, 0);
    for ever in [false, true] {
        for n in (1..=calls).step_by(every(calls)) {
            let data = dir.path().join(format!("{n}-{ever}"));
            let what = format!(
                "call {n} of {calls} fails{}",
                if ever { " for ever" } else { "" }
            );
            let (stored, _, _) = write(&shim, &data, n, ever);
            let there = look(&data, &what);
            let lost: Vec<_> = stored.difference(&there).collect();
            assert!(
                lost.is_empty(),
                "{what}: said to be stored and lost: {lost:?}"
            );
            runs += 1;
            refused += u64::from((stored.len() as i64) < COMMITS);
            // A commit whose last step failed may have reached the disk all the same.
            kept_unsaid += there.difference(&stored).count();
            if !ever {
                assert_eq!(
                    stored.len() as i64,
                    COMMITS,
                    "{what}: one failure is got over"
                );
            }
            std::fs::remove_dir_all(&data).unwrap();
        }
    }
    println!(
        "{runs} runs over {calls} calls: 0 readings lost, {refused} runs refused some, {kept_unsaid} commits kept unsaid"
    );
    assert!(refused > 0, "nothing ever failed");
}

/// The same while a torn store is opened: what a SIGKILL left in the log is taken over, whatever fails.
#[test]
fn a_fault_during_recovery_costs_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let Some(shim) = failing_io(dir.path()) else {
        return;
    };
    // As a kill leaves it: most of it in the log.
    let well = dir.path().join("well");
    let store = SqliteStore::open(&well).unwrap();
    for n in 0..COMMITS / 2 {
        store.append(&[commit(n)]).unwrap();
    }
    let killed = |to: &Path| {
        std::fs::create_dir(to).unwrap();
        for ending in ["", "-wal"] {
            let name = format!("{FILE}{ending}");
            std::fs::copy(well.join(&name), to.join(&name)).unwrap();
        }
    };
    let first = dir.path().join("first");
    killed(&first);
    let (_, _, calls) = write(&shim, &first, 0, false);
    // Opening is at the beginning; the rest is the other test's.
    let opening = calls.min(40);
    let mut runs = 0;
    for ever in [false, true] {
        for n in 1..=opening {
            let data = dir.path().join(format!("{n}-{ever}"));
            killed(&data);
            let what = format!("call {n} fails in recovery");
            let (stored, _, _) = write(&shim, &data, n, ever);
            let there = look(&data, &what);
            let before: BTreeSet<i64> = (0..COMMITS / 2).collect();
            assert!(
                before.is_subset(&there) && stored.is_subset(&there),
                "{what}"
            );
            runs += 1;
            std::fs::remove_dir_all(&data).unwrap();
        }
    }
    println!("{runs} runs of recovery: 0 readings lost");
}

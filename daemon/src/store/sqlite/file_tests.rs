//! The store's file: schemas, copies, restoring, damage and repair.

use std::collections::BTreeMap;
use std::path::Path;

use rand::{RngExt as _, SeedableRng as _};
use serde_json::json;

use super::tests::{START, everything, open, own_time, reading};
use super::*;
use crate::batches::record::{Place, Unit};
use crate::store::Packet;

/// A store as each earlier schema left it, frozen.
const EARLIER: [(i64, &str); 2] = [
    (1, include_str!("fixtures/schema_1.sql")),
    (2, include_str!("fixtures/schema_2.sql")),
];

fn laid_down(sql: &str) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let conn = Connection::open(dir.path().join(FILE)).unwrap();
    conn.execute_batch(sql).unwrap();
    dir
}

fn version_of(file: &Path) -> i64 {
    let conn = Connection::open(file).unwrap();
    conn.pragma_query_value(None, "user_version", |row| row.get(0))
        .unwrap()
}

#[test]
fn every_earlier_schema_is_brought_up_with_all_it_held() {
    let versions: Vec<i64> = EARLIER.iter().map(|(version, _)| *version).collect();
    assert_eq!(
        versions,
        (1..SCHEMA).collect::<Vec<_>>(),
        "a new schema needs the one before it frozen in fixtures/"
    );
    for (version, sql) in EARLIER {
        let dir = laid_down(sql);
        let store = SqliteStore::open(dir.path()).unwrap();
        assert_eq!(version_of(&store.file()), SCHEMA);
        assert!(store.integrity().unwrap().is_empty());
        let kept = dir.path().join(format!("{FILE}.before-{SCHEMA}"));
        assert_eq!(version_of(&kept), version, "the copy is of before");

        let mut early = reading("box", -3_600_000, 23.5);
        let mut fahrenheit = reading("box", 0, 24.0);
        fahrenheit.raw = Some((75.2, Unit::DegF));
        let mut broken = reading("box", 10_000, f64::NAN);
        broken.kept_out = Some(KeptOut::NotANumber);
        let mut probe = reading("probe", 5_000, 25.25);
        probe.arrived = probe.time;
        probe.quantity = Quantity::DoughTemperature;
        probe.kept_out = Some(KeptOut::from_name("probe fell out"));
        probe.batch = Some("2026-knots-0110".into());
        early.raw = None;
        let found = store.readings(&everything()).unwrap();
        assert_eq!(found[..2], [early, fahrenheit]);
        assert_eq!(found[2], probe);
        assert!(found[3].value.is_nan() && found[3].kept_out == broken.kept_out);
        let counts: Vec<(u64, u64)> = store
            .series()
            .unwrap()
            .iter()
            .map(|s| (s.count, s.kept_out))
            .collect();
        assert_eq!(counts, [(3, 1), (1, 1)]);
        // The hour of 25 h before is known from its summary alone.
        let (from, to) = (START.plus_ms(-90_000_000), START.plus_ms(-86_400_000));
        let hour = store
            .buckets("box", Quantity::AirTemperature, from, to, 3600)
            .unwrap();
        assert_eq!((hour.len(), hour[0].count, hour[0].max), (1, 6, 23.0));

        let book = store.book().unwrap();
        assert_eq!(book.len(), 1);
        assert_eq!(
            store.changes(9).unwrap()[0].after,
            Some(json!({"record":"place","name":"box","kind":"box"}))
        );
        assert_eq!(store.setting("unit").unwrap(), Some(json!("degF")));
        assert_eq!(store.open_alerts().unwrap()[0].id, "a1");
        let waiting = store.outbox("webhook").unwrap();
        assert_eq!((waiting[0].seq, waiting[0].tries), (3, 1));
        assert_eq!(store.calibrations().unwrap()[0].stages, 6);
        assert_eq!(store.copy_queue().unwrap().waiting, 1);
        assert_eq!(store.copy_queue().unwrap().dropped, 2);
        assert_eq!(store.copy_take(9).unwrap()[0].seq, 5);

        // A redelivery of what was acknowledged just before is still known after the first upkeep.
        store.forget_packets(START.plus_ms(-1)).unwrap();
        let again = |id, digest| {
            let mut again = own_time(vec![reading("box", 500, 21.0)]);
            again.own_time = false;
            again.packet = Some(Packet {
                session: "out".into(),
                id,
                digest,
                maybe_again: true,
            });
            store.append(&[again]).unwrap()[0].again
        };
        assert_eq!(again(7, 99), 1);
        if version > 1 {
            // Its neighbours: a digest that SQLite holds as a negative number, and the next row's first.
            assert_eq!([again(6, u64::MAX - 1), again(64, 98)], [1, 1]);
        }
        assert_eq!(again(5, 99), 0, "never seen");
        drop(store);
        assert_eq!(SqliteStore::open(dir.path()).unwrap().book().unwrap(), book);
    }
}

/// A kill in the middle of a step leaves its transaction in the log without an end.
#[test]
fn a_step_that_was_cut_short_is_made_again() {
    let (_, sql) = EARLIER[0];
    let dir = laid_down(sql);
    let file = dir.path().join(FILE);
    let conn = pool::connect(&file).unwrap();
    conn.pragma_update(None, "cache_spill", 1).unwrap();
    conn.pragma_update(None, "cache_size", 1).unwrap();
    conn.execute_batch(
        "BEGIN IMMEDIATE; ALTER TABLE packet ADD COLUMN seen INTEGER NOT NULL DEFAULT 0",
    )
    .unwrap();
    let killed = tempfile::tempdir().unwrap();
    for ending in ["", "-wal"] {
        let name = format!("{FILE}{ending}");
        std::fs::copy(dir.path().join(&name), killed.path().join(&name)).unwrap();
    }
    let store = SqliteStore::open(killed.path()).unwrap();
    assert_eq!(version_of(&store.file()), SCHEMA);
    assert!(store.integrity().unwrap().is_empty());
    assert_eq!(store.series().unwrap().len(), 2);
}

#[test]
fn newer_data_is_refused_in_a_plain_line_everywhere() {
    let (dir, store) = open();
    drop(store);
    let file = dir.path().join(FILE);
    let conn = Connection::open(&file).unwrap();
    conn.pragma_update(None, "user_version", SCHEMA + 1)
        .unwrap();
    drop(conn);
    let elsewhere = tempfile::tempdir().unwrap();
    for refused in [
        SqliteStore::open(dir.path()).map(drop).unwrap_err(),
        check(&file).map(drop).unwrap_err(),
        restore(&file, elsewhere.path()).map(drop).unwrap_err(),
        repair(&file, &elsewhere.path().join("new"))
            .map(drop)
            .unwrap_err(),
        back_up(dir.path(), &elsewhere.path().join("copy"))
            .map(drop)
            .unwrap_err(),
    ] {
        let line = refused.to_string();
        assert!(
            line.contains("newer version") && !line.contains('\n'),
            "{line}"
        );
    }
    assert!(!elsewhere.path().join(FILE).exists());
}

/// A copy goes on while readings come in, and holds one moment of the store: all readings up to one
/// of them and none behind it.
#[test]
fn a_copy_taken_under_writes_is_one_moment_of_the_store() {
    let (dir, store) = open();
    let many = (0..60_000)
        .map(|n| reading("box", n * 1000, 24.0))
        .collect();
    store.append(&[own_time(many)]).unwrap();
    let copies = tempfile::tempdir().unwrap();
    let copy = copies.path().join(FILE);
    let done = std::sync::atomic::AtomicBool::new(false);
    let mut written = 60_000_i64;
    std::thread::scope(|threads| {
        let copying = threads.spawn(|| {
            let bytes = back_up(dir.path(), &copy);
            done.store(true, std::sync::atomic::Ordering::SeqCst);
            bytes.unwrap()
        });
        while !done.load(std::sync::atomic::Ordering::SeqCst) {
            store
                .append(&[own_time(vec![reading("box", written * 1000, 24.0)])])
                .unwrap();
            written += 1;
        }
        assert_eq!(
            copying.join().unwrap(),
            std::fs::metadata(&copy).unwrap().len()
        );
    });
    assert!(check(&copy).unwrap().is_empty());
    use std::os::unix::fs::PermissionsExt as _;
    let mode = std::fs::metadata(&copy).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600, "a copy holds sign-ins");
    let copy = SqliteStore::open(copies.path()).unwrap();
    let found = copy.readings(&everything()).unwrap();
    assert!(found.len() >= 60_000 && found.len() as i64 <= written);
    assert_eq!(
        found.last().unwrap().time.0,
        START.0 + (found.len() as i64 - 1) * 1000
    );
    assert!(!copies.path().join(format!("{FILE}.part")).exists());
}

#[test]
fn a_copy_is_proven_by_restoring_it_and_nothing_that_was_there_is_lost() {
    let (dir, store) = open();
    store
        .append(&[own_time(vec![reading("box", 0, 24.0)])])
        .unwrap();
    let elsewhere = tempfile::tempdir().unwrap();
    let copy = elsewhere.path().join("copy.db");
    store.back_up(&copy).unwrap();
    store
        .append(&[own_time(vec![reading("box", 1, 24.0)])])
        .unwrap();
    // As a kill leaves it: the newest reading is in the log beside the file.
    let killed = tempfile::tempdir().unwrap();
    for ending in ["", "-wal"] {
        let name = format!("{FILE}{ending}");
        std::fs::copy(dir.path().join(&name), killed.path().join(&name)).unwrap();
    }
    for round in 0..2 {
        let aside = restore(&copy, killed.path()).unwrap().unwrap();
        let back = SqliteStore::open(killed.path()).unwrap();
        assert_eq!(
            back.readings(&everything()).unwrap(),
            [reading("box", 0, 24.0)]
        );
        drop(back);
        if round == 0 {
            let was = tempfile::tempdir().unwrap();
            restore(&aside, was.path()).unwrap();
            let was = SqliteStore::open(was.path()).unwrap();
            assert_eq!(was.readings(&everything()).unwrap().len(), 2);
        } else {
            assert!(aside.to_string_lossy().ends_with("-2"), "{aside:?}");
        }
    }
    // What is no sound copy is refused, and so is a directory in use.
    let before = std::fs::read(killed.path().join(FILE)).unwrap();
    let mut bytes = std::fs::read(&copy).unwrap();
    let middle = bytes.len() / 4096 / 2 * 4096;
    bytes[middle..middle + 64].fill(0xff);
    let damaged = elsewhere.path().join("damaged");
    std::fs::write(&damaged, &bytes).unwrap();
    let text = elsewhere.path().join("text");
    std::fs::write(&text, "no store").unwrap();
    for bad in [&damaged, &text, &elsewhere.path().join("nothing")] {
        assert!(restore(bad, killed.path()).is_err(), "{bad:?}");
    }
    let _held = crate::store::lock::DirLock::take(killed.path()).unwrap();
    assert!(matches!(
        restore(&copy, killed.path()),
        Err(StoreError::Taken(_))
    ));
    assert_eq!(std::fs::read(killed.path().join(FILE)).unwrap(), before);
}

const SENSORS: [&str; 3] = ["box", "oven", "shelf"];

/// A store of 30,000 readings, a book and settings, in one file.
fn filled() -> (tempfile::TempDir, Vec<StoredReading>) {
    let (dir, store) = open();
    let all: Vec<StoredReading> = (0..30_000_i64)
        .map(|n| {
            reading(
                SENSORS[(n % 3) as usize],
                n * 3_333,
                20.0 + (n % 50) as f64 / 7.0,
            )
        })
        .collect();
    for chunk in all.chunks(600) {
        store.append(&[own_time(chunk.to_vec())]).unwrap();
    }
    store.sum_up(START.plus_ms(40_000_000)).unwrap();
    for n in 0..200 {
        let place = Record::Place(Place {
            name: format!("shelf {n:03} of the small bakehouse"),
            ..Place::default()
        });
        store.edit(START, &[Edit::Put(place)]).unwrap();
    }
    store.set_setting("unit", Some(&json!("degF"))).unwrap();
    drop(store);
    (dir, all)
}

/// Which table each page belongs to, whether it is a leaf, and how many rows it holds, by SQLite's own
/// `dbstat`.
fn pages(file: &Path) -> Vec<(u32, String, bool, u64)> {
    let conn = Connection::open(file).unwrap();
    conn.prepare(
        "SELECT pageno, name, pagetype = 'leaf', ncell FROM dbstat WHERE pagetype != 'overflow'",
    )
    .unwrap()
    .query_map([], |row| {
        Ok((
            row.get(0)?,
            row.get(1)?,
            row.get(2)?,
            row.get::<_, i64>(3)?.cast_unsigned(),
        ))
    })
    .unwrap()
    .collect::<rusqlite::Result<_>>()
    .unwrap()
}

fn spoil(file: &Path, page: u32, with: u8) {
    use std::os::unix::fs::FileExt as _;
    std::fs::File::options()
        .write(true)
        .open(file)
        .unwrap()
        .write_all_at(&vec![with; 4096], u64::from(page - 1) * 4096)
        .unwrap();
}

/// Whatever pages of the readings are lost, the check finds it, and no reading is lost but those that
/// stood on these pages.
#[test]
fn a_repair_keeps_every_reading_that_is_not_on_a_damaged_page() {
    let (dir, all) = filled();
    let sound = std::fs::read(dir.path().join(FILE)).unwrap();
    let pages: Vec<_> = pages(&dir.path().join(FILE))
        .into_iter()
        .filter(|(_, table, _, _)| table == "reading")
        .collect();
    let inner: Vec<_> = pages.iter().filter(|(_, _, leaf, _)| !leaf).collect();
    assert!(
        !inner.is_empty() && pages.len() > 150,
        "{} pages",
        pages.len()
    );
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(4);
    for round in 0..8 {
        let place = tempfile::tempdir().unwrap();
        let file = place.path().join(FILE);
        std::fs::write(&file, &sound).unwrap();
        let mut hit: BTreeMap<u32, u64> = BTreeMap::new();
        for _ in 0..=round % 5 {
            let (page, _, _, rows) = &pages[random.random_range(0..pages.len())];
            hit.insert(*page, *rows);
        }
        if round % 4 == 3 {
            let (page, _, _, rows) = inner[random.random_range(0..inner.len())];
            hit.insert(*page, *rows);
        }
        for page in hit.keys() {
            spoil(&file, *page, if round % 2 == 0 { 0 } else { 0xff });
        }
        assert!(
            !check(&file).unwrap().is_empty(),
            "round {round}: not found"
        );
        let lost: u64 = hit.values().sum();
        let (kept, aside) = repair_in_place(place.path()).unwrap();
        assert!(check(&file).unwrap().is_empty() && aside.exists());
        let store = SqliteStore::open(place.path()).unwrap();
        let found = store.readings(&everything()).unwrap();
        let by_key: std::collections::HashMap<(&str, i64), &StoredReading> = all
            .iter()
            .map(|r| ((r.sensor.as_str(), r.time.0), r))
            .collect();
        for r in &found {
            assert_eq!(by_key[&(r.sensor.as_str(), r.time.0)], r);
        }
        assert_eq!(
            found.len() as u64 + lost,
            all.len() as u64,
            "round {round}: {kept:?}"
        );
        let counted: u64 = store.series().unwrap().iter().map(|s| s.count).sum();
        assert_eq!(counted, found.len() as u64);
        assert_eq!(store.book().unwrap().len(), 200);
        assert_eq!(store.setting("unit").unwrap(), Some(json!("degF")));
        // It is a store like any other: readings go in, and an hour is summed up.
        store
            .append(&[own_time(vec![reading("box", -5, 1.0)])])
            .unwrap();
    }
}

/// The log book's pages too: what is lost from its table stands in the log of changes.
#[test]
fn a_damaged_page_of_the_log_book_is_made_good_from_the_log_of_changes() {
    let (dir, all) = filled();
    let sound = std::fs::read(dir.path().join(FILE)).unwrap();
    let mut tried = 0;
    for (page, table, leaf, _) in pages(&dir.path().join(FILE)) {
        if ![
            "record",
            "name",
            "series",
            "setting",
            "summary",
            "sqlite_autoindex_name_1",
        ]
        .contains(&table.as_str())
        {
            continue;
        }
        tried += 1;
        let place = tempfile::tempdir().unwrap();
        let file = place.path().join(FILE);
        std::fs::write(&file, &sound).unwrap();
        spoil(&file, page, 0xff);
        assert!(!check(&file).unwrap().is_empty(), "{table}");
        repair_in_place(place.path()).unwrap();
        let store = SqliteStore::open(place.path()).unwrap();
        assert!(store.integrity().unwrap().is_empty());
        assert_eq!(store.readings(&everything()).unwrap(), all, "{table}");
        if leaf || table != "record" {
            assert_eq!(store.book().unwrap().len(), 200, "{table}, page {page}");
        }
    }
    assert!(tried > 8, "{tried}");
}

#[test]
fn what_cannot_be_repaired_is_said_in_a_line() {
    let (dir, _) = filled();
    let file = dir.path().join(FILE);
    spoil(&file, 1, 0);
    let before = std::fs::read(&file).unwrap();
    let listed = || std::fs::read_dir(dir.path()).unwrap().count();
    let files = listed();
    for error in [
        repair_in_place(dir.path()).map(drop).unwrap_err(),
        check(&file).map(drop).unwrap_err(),
        repair(Path::new("/nowhere/at/all"), Path::new("/tmp/x"))
            .map(drop)
            .unwrap_err(),
    ] {
        assert!(!error.to_string().contains('\n'), "{error}");
    }
    assert_eq!(std::fs::read(&file).unwrap(), before);
    assert_eq!(listed(), files + 1, "the lock, and no leftovers");
    let empty = tempfile::tempdir().unwrap();
    let none = back_up(empty.path(), &empty.path().join("x")).unwrap_err();
    assert!(none.to_string().contains("no store"), "{none}");
}

//! The embedded store: readings once each, torn writes, other processes, a full disk.

use std::path::Path;

use proptest::prelude::*;
use serde_json::json;

use super::*;
use crate::batches::record::{Place, Unit};
use crate::store::{Packet, RecordKey};

pub(super) const START: UtcMs = UtcMs(1_767_225_600_000); // 2026-01-01

pub(super) fn reading(sensor: &str, ms: i64, value: f64) -> StoredReading {
    StoredReading {
        time: START.plus_ms(ms),
        arrived: START.plus_ms(ms + 40),
        sensor: sensor.into(),
        quantity: Quantity::AirTemperature,
        value,
        raw: None,
        kept_out: None,
        place: Some("box".into()),
        batch: None,
    }
}

pub(super) fn own_time(readings: Vec<StoredReading>) -> Arrival {
    Arrival {
        readings: readings.into(),
        own_time: true,
        packet: None,
    }
}

pub(super) fn everything() -> ReadingQuery<'static> {
    ReadingQuery {
        with_kept_out: true,
        ..ReadingQuery::default()
    }
}

pub(super) fn open() -> (tempfile::TempDir, SqliteStore) {
    let dir = tempfile::tempdir().unwrap();
    let store = SqliteStore::open(dir.path()).unwrap();
    (dir, store)
}

#[test]
fn a_reading_with_its_own_time_is_stored_once_and_the_first_value_stays() {
    let (_dir, store) = open();
    let mut fahrenheit = reading("box", 0, 24.0);
    fahrenheit.raw = Some((75.2, Unit::DegF));
    fahrenheit.batch = Some("b".into());
    let first = store.append(&[own_time(vec![fahrenheit.clone()])]).unwrap();
    assert_eq!(first[0].new.as_slice(), [fahrenheit.clone()]);
    let again = store
        .append(&[own_time(vec![
            reading("box", 0, 25.0),
            reading("box", 1, 25.0),
        ])])
        .unwrap();
    assert_eq!((again[0].new.len(), again[0].again), (1, 1));
    let found = store.readings(&everything()).unwrap();
    assert_eq!(found, [fahrenheit, reading("box", 1, 25.0)]);
    let series = store.series().unwrap();
    assert_eq!((series[0].count, series[0].kept_out), (2, 0));
    assert_eq!(series[0].newest, Some(reading("box", 1, 25.0)));
}

#[test]
fn a_reading_without_a_time_moves_to_the_next_free_millisecond_unless_its_packet_comes_again() {
    let (_dir, store) = open();
    let bare = |packet: Option<Packet>| Arrival {
        readings: smallvec::smallvec![reading("box", 0, 24.0)],
        own_time: false,
        packet,
    };
    let packet = |digest, maybe_again| {
        Some(Packet {
            session: "out".into(),
            id: 7,
            digest,
            maybe_again,
        })
    };
    let ms = |stored: &Stored| {
        stored
            .new
            .iter()
            .map(|r| r.time.0 - START.0)
            .collect::<Vec<_>>()
    };
    let append = |arrival| store.append(&[arrival]).unwrap().remove(0);
    assert_eq!(ms(&append(bare(None))), [0]);
    assert_eq!(ms(&append(bare(packet(u64::MAX, false)))), [1]);
    let again = append(bare(packet(u64::MAX, true)));
    assert_eq!((ms(&again), again.again), (vec![], 1));
    // The identifier used anew, with the same text: a reading of its own.
    assert_eq!(ms(&append(bare(packet(u64::MAX, false)))), [2]);
    // A redelivery never seen before.
    assert_eq!(ms(&append(bare(packet(5, true)))), [3]);
    // The identifier went on to a message with a time: what it was before is forgotten.
    let mut timed = own_time(vec![reading("box", 50, 24.0)]);
    timed.packet = packet(9, false);
    append(timed);
    assert_eq!(ms(&append(bare(packet(5, true)))), [4]);
}

#[test]
fn a_message_is_stored_whole_or_not_at_all_on_a_full_disk_and_the_next_goes_in() {
    let (_dir, store) = open();
    store
        .append(&[own_time(vec![reading("box", 0, 24.0)])])
        .unwrap();
    store
        .pool
        .write("fill the disk", |tx, _| {
            // SQLite's own limit stands in for the disk's: it fails in the same way.
            tx.query_row("PRAGMA page_count", [], |row| row.get::<_, i64>(0))
                .and_then(|pages| {
                    tx.pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()))
                })
                .map_err(failed("fill the disk"))
        })
        .unwrap();
    let many = (1..20_000).map(|n| reading("box", n, 24.0)).collect();
    let refused = store.append(&[own_time(many)]).unwrap_err();
    assert!(matches!(refused, StoreError::NoRoom(_)), "{refused}");
    assert!(refused.to_string().contains("free some space"));
    assert_eq!(store.readings(&everything()).unwrap().len(), 1);
    assert_eq!(store.series().unwrap()[0].count, 1);
    // The limit went with the connection, as space comes back to a disk.
    let stored = store
        .append(&[own_time(vec![reading("new", 1, 24.0)])])
        .unwrap();
    assert_eq!(stored[0].new.len(), 1);
    assert!(store.integrity().unwrap().is_empty());
}

#[test]
fn a_mark_takes_a_reading_out_and_back() {
    let (_dir, store) = open();
    store
        .append(&[own_time(vec![
            reading("box", 0, 24.0),
            reading("box", 10, 34.0),
        ])])
        .unwrap();
    let at = START.plus_ms(10);
    let quantity = Quantity::AirTemperature;
    for (mark, believed) in [(Some(KeptOut::LoneJump), 1), (None, 2)] {
        store.mark("box", quantity, at, mark).unwrap();
        store.mark("box", quantity, at, mark).unwrap();
        assert_eq!(
            store.readings(&ReadingQuery::default()).unwrap().len(),
            believed
        );
        assert_eq!(store.readings(&everything()).unwrap()[1].kept_out, mark);
        assert_eq!(store.series().unwrap()[0].kept_out, 2 - believed as u64);
    }
    store.mark("nobody", quantity, at, None).unwrap();
}

#[test]
fn readings_come_in_order_and_by_place_span_and_newest() {
    let (_dir, store) = open();
    let mut elsewhere = reading("box", 30, 5.0);
    elsewhere.place = Some("fridge".into());
    let mut nowhere = reading("fridge", 20, 6.0);
    nowhere.place = None;
    let mut not_a_number = reading("a", 25, f64::NAN);
    not_a_number.kept_out = Some(KeptOut::NotANumber);
    store
        .append(&[own_time(vec![
            elsewhere,
            nowhere,
            not_a_number,
            reading("b", 10, 1.0),
            reading("a", 10, 2.0),
            reading("b", 0, 3.0),
        ])])
        .unwrap();
    let seen = |query: ReadingQuery<'_>| {
        let found = store.readings(&query).unwrap();
        let key = |r: &StoredReading| format!("{}{}", r.sensor, r.time.0 - START.0);
        found.iter().map(key).collect::<Vec<_>>()
    };
    assert_eq!(
        seen(everything()),
        ["b0", "a10", "b10", "fridge20", "a25", "box30"]
    );
    assert_eq!(
        seen(ReadingQuery {
            place: Some("fridge"),
            ..everything()
        }),
        ["fridge20", "box30"]
    );
    assert_eq!(
        seen(ReadingQuery {
            newest: Some(2),
            ..ReadingQuery::default()
        }),
        ["fridge20", "box30"]
    );
    let span = ReadingQuery {
        from: Some(START.plus_ms(10)),
        to: Some(START.plus_ms(30)),
        ..ReadingQuery::default()
    };
    assert_eq!(seen(span), ["a10", "b10", "fridge20"]);
    assert!(store.readings(&everything()).unwrap()[4].value.is_nan());
}

#[test]
fn sums_over_stretches_agree_with_adding_up_by_hand() {
    let (_dir, store) = open();
    let mut all: Vec<StoredReading> = (0..600_i64)
        .map(|n| reading("box", n * 7_300 - 90_000, 20.0 + (n % 17) as f64))
        .collect();
    all[5].kept_out = Some(KeptOut::LoneJump);
    store.append(&[own_time(all.clone())]).unwrap();
    let (from, to) = (START, START.plus_ms(3_000_000));
    let buckets = store
        .buckets("box", Quantity::AirTemperature, from, to, 60)
        .unwrap();
    let mut count = 0;
    for bucket in &buckets {
        assert_eq!(bucket.time.0 % 60_000, 0);
        let inside: Vec<f64> = all
            .iter()
            .filter(|r| r.kept_out.is_none() && r.time >= from && r.time < to)
            .filter(|r| r.time >= bucket.time && r.time < bucket.time.plus_ms(60_000))
            .map(|r| r.value)
            .collect();
        count += inside.len();
        assert_eq!(bucket.count, inside.len() as u64);
        let mean = inside.iter().sum::<f64>() / inside.len() as f64;
        assert!((bucket.mean - mean).abs() < 1e-9);
        assert!((bucket.min - inside.iter().copied().fold(f64::MAX, f64::min)).abs() < 1e-12);
        assert!((bucket.max - inside.iter().copied().fold(f64::MIN, f64::max)).abs() < 1e-12);
    }
    assert_eq!(count, 411);
}

#[test]
fn another_process_is_noticed_and_this_one_is_not() {
    let (dir, here) = open();
    let beside = SqliteStore::open(dir.path()).unwrap();
    let place = |name: &str| {
        Edit::Put(Record::Place(Place {
            name: name.into(),
            ..Place::default()
        }))
    };
    let start = here.revision().unwrap();
    here.edit(START, &[place("a")]).unwrap();
    here.set_setting("unit", Some(&json!("degF"))).unwrap();
    here.append(&[own_time(vec![reading("box", 0, 24.0)])])
        .unwrap();
    assert_eq!(here.revision().unwrap(), start);
    beside
        .append(&[own_time(vec![reading("box", 1, 24.0)])])
        .unwrap();
    assert_eq!(
        here.revision().unwrap(),
        start,
        "readings alone are no news"
    );
    let mut last = start;
    let changes: [&dyn Fn() -> i64; 4] = [
        &|| beside.edit(START, &[place("b")]).unwrap(),
        &|| beside.set_setting("unit", None).map_or(0, |()| 1),
        &|| beside.file_calibration(START, 3, &json!({})).unwrap(),
        &|| beside.edit(START, &[]).unwrap(),
    ];
    for change in changes {
        change();
        let now = here.revision().unwrap();
        assert_ne!(now, last);
        last = now;
    }
    assert_eq!(here.book().unwrap().len(), 2);
}

#[test]
fn writing_what_stands_there_is_no_change() {
    let (_dir, store) = open();
    let put = Edit::Put(Record::Place(Place {
        name: "a".into(),
        ..Place::default()
    }));
    let group = store.edit(START, std::slice::from_ref(&put)).unwrap();
    assert_eq!(store.edit(START, &[put]).unwrap(), 0);
    let gone = Edit::Remove(RecordKey {
        record: "place".into(),
        key: "nowhere".into(),
    });
    assert_eq!(store.edit(START, &[gone]).unwrap(), 0);
    assert_eq!(store.changes(10).unwrap().len(), 1);
    assert_eq!(store.changes(10).unwrap()[0].group, group);
    assert!(!store.undo(START, 0).unwrap());
}

#[test]
fn an_event_keeps_its_id_and_messages_wait_until_they_are_done() {
    let (_dir, store) = open();
    let alert = |id: &str| AlertRow {
        id: id.into(),
        cause: "ready 2026-knots-0110 bulk".into(),
        raised: START,
        seen: None,
        cleared: None,
        quiet_until: None,
        told: None,
        doc: json!({"alert":"ready"}),
        memory: json!(null),
    };
    let message = OutboxRow {
        seq: 0,
        channel: "webhook".into(),
        alert: "1".into(),
        doc: json!({"alert":"ready"}),
        queued: START,
        expires: START.plus_ms(1000),
        next_try: START,
        tries: 0,
        accepted: None,
        failed: None,
        last_error: None,
    };
    store.put_alerts(&[alert("1")], &[message]).unwrap();
    assert!(
        store.put_alerts(&[alert("2")], &[]).is_err(),
        "never a second id for one event"
    );
    let mut over = alert("1");
    over.cleared = Some(START.plus_ms(5));
    store.put_alerts(&[over.clone()], &[]).unwrap();
    assert!(store.open_alerts().unwrap().is_empty());
    assert_eq!(store.alert("1").unwrap(), Some(over.clone()));
    assert_eq!(store.alerts(Some(START), None).unwrap(), [over]);
    assert!(store.alerts(None, Some(START)).unwrap().is_empty());
    let mut waiting = store.outbox("webhook").unwrap();
    assert_eq!(waiting.len(), 1);
    waiting[0].accepted = Some(START);
    store.put_outbox(&waiting[0]).unwrap();
    assert!(store.outbox("webhook").unwrap().is_empty());
    assert_eq!(store.outbox_history(5).unwrap(), waiting);
}

#[test]
fn a_calibration_rolled_back_by_hand_is_in_force_until_the_next() {
    let (_dir, store) = open();
    let in_force = || {
        let all = store.calibrations().unwrap();
        all.iter()
            .filter(|c| c.in_force)
            .map(|c| c.version)
            .collect::<Vec<_>>()
    };
    for stages in [1, 2, 3] {
        let version = store
            .file_calibration(START, stages, &json!({"n": stages}))
            .unwrap();
        assert_eq!(version, i64::from(stages));
    }
    assert!(in_force().is_empty());
    assert!(store.roll_back_to(1).unwrap());
    assert_eq!(in_force(), [1]);
    assert!(!store.roll_back_to(9).unwrap());
    assert_eq!(in_force(), [1]);
    store.file_calibration(START, 4, &json!({})).unwrap();
    assert!(in_force().is_empty());
}

/// Both the file and the log beside it, as a power cut would leave them.
fn snapshot(dir: &Path) -> (Vec<u8>, Vec<u8>) {
    let file = dir.join(FILE);
    let log = dir.join(format!("{FILE}-wal"));
    (std::fs::read(file).unwrap(), std::fs::read(log).unwrap())
}

/// A write torn anywhere loses at most itself. The log is cut inside its last write, and one bit of
/// that write is flipped: each time the store must open, be sound, hold everything written before,
/// and of the last write all or nothing. A seeded part of all places; every place with
/// `DOUGHWARDEN_FULL=1`.
#[test]
fn a_torn_write_loses_at_most_itself() {
    let every = if std::env::var_os("DOUGHWARDEN_FULL").is_some() {
        1
    } else {
        131
    };
    let (dir, store) = open();
    for n in 0..5 {
        store
            .append(&[own_time(vec![reading("box", n, 24.0)])])
            .unwrap();
    }
    let (_, before) = snapshot(dir.path());
    store
        .append(&[own_time(vec![
            reading("box", 5, 24.0),
            reading("oven", 5, 24.0),
        ])])
        .unwrap();
    let (file, after) = snapshot(dir.path());
    assert!(after.len() > before.len() && after.starts_with(&before));
    let mut opened = 0;
    let mut check = |log: &[u8], whole: bool| {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join(FILE), &file).unwrap();
        std::fs::write(dir.path().join(format!("{FILE}-wal")), log).unwrap();
        let store = SqliteStore::open(dir.path()).unwrap();
        assert!(store.integrity().unwrap().is_empty());
        let found = store.readings(&everything()).unwrap().len();
        assert!(found == 5 || (whole && found == 7), "{found} readings");
        store
            .append(&[own_time(vec![reading("new", 9, 24.0)])])
            .unwrap();
        opened += 1;
        found
    };
    for cut in (before.len()..after.len()).step_by(every) {
        assert_eq!(check(&after[..cut], false), 5);
    }
    for flip in (before.len()..after.len()).step_by(every) {
        let mut log = after.clone();
        log[flip] ^= 1 << (flip % 8);
        check(&log, true);
    }
    assert_eq!(check(&after, true), 7);
    assert!(opened > 100, "{opened}");
}

#[test]
fn what_a_cut_log_lost_is_counted_in_pages() {
    let (dir, store) = open();
    store
        .append(&[own_time(vec![reading("box", 0, 24.0)])])
        .unwrap();
    let (_, log) = snapshot(dir.path());
    let whole = upkeep::frames_in_wal(&dir.path().join(FILE)).unwrap();
    assert_eq!(whole as usize, (log.len() - 32) / (24 + 4096));
    std::fs::write(dir.path().join("cut-wal"), &log[..log.len() - 1000]).unwrap();
    assert_eq!(upkeep::frames_in_wal(&dir.path().join("cut")), Some(whole));
    assert_eq!(upkeep::frames_in_wal(&dir.path().join("none")), None);
}

/// Charts tell the same from summaries as from readings, also after late readings and marks, and
/// after thinning wherever a minute is fine enough.
#[test]
fn summaries_tell_what_the_readings_told() {
    let (_dir, store) = open();
    let (_other, plain) = open();
    let minute = 60_000_i64;
    let all: Vec<StoredReading> = (0..5_000_i64)
        .map(|n| reading("box", n * 17_100 - 7_200_000, 20.0 + ((n * n) % 23) as f64))
        .collect();
    let late: Vec<StoredReading> = (0..20)
        .map(|n| reading("box", n * 61 * minute + 1, 60.0))
        .collect();
    for s in [&store, &plain] {
        s.append(&[own_time(all.clone())]).unwrap();
    }
    let end = all.last().unwrap().time;
    store.sum_up(end.plus_ms(-30 * minute)).unwrap();
    for s in [&store, &plain] {
        s.append(&[own_time(late.clone())]).unwrap();
        s.mark(
            "box",
            Quantity::AirTemperature,
            late[3].time,
            Some(KeptOut::LoneJump),
        )
        .unwrap();
    }
    let compare = |widths: &[u32], ragged: i64| {
        for width in widths {
            let (from, to) = (START.plus_ms(-minute * 60 + ragged), end.plus_ms(-ragged));
            let chart = |s: &SqliteStore| {
                s.buckets("box", Quantity::AirTemperature, from, to, *width)
                    .unwrap()
            };
            let (summed, read) = (chart(&store), chart(&plain));
            assert_eq!(summed.len(), read.len(), "{width} s");
            for (a, b) in summed.iter().zip(&read) {
                assert_eq!((a.time, a.count), (b.time, b.count), "{width} s");
                for (a, b) in [(a.min, b.min), (a.mean, b.mean), (a.max, b.max)] {
                    assert!((a - b).abs() < 1e-9, "{width} s: {a} {b}");
                }
            }
        }
    };
    compare(&[7, 60, 90, 600, 3600, 10_800, 86_400], 12_345);
    // An hour around "now" is spared, and nothing from `before` on goes.
    let spared = (
        START.plus_ms(10 * 60 * minute),
        START.plus_ms(12 * 60 * minute),
    );
    let before = START.plus_ms(20 * 60 * minute);
    let gone = store.thin(before, &[spared]).unwrap();
    let left = store.readings(&everything()).unwrap();
    let kept = |r: &StoredReading| {
        // Spared spans go to the end of their last minute.
        let spared = spared.0..spared.1.plus_ms(minute);
        r.time >= before || spared.contains(&r.time)
    };
    let expected: Vec<StoredReading> = plain
        .readings(&everything())
        .unwrap()
        .into_iter()
        .filter(kept)
        .collect();
    assert!(
        left == expected,
        "{} left, {} expected",
        left.len(),
        expected.len()
    );
    assert_eq!(gone as usize + left.len(), 5_020);
    assert_eq!(store.series().unwrap()[0].count as usize, left.len());
    compare(&[60, 600, 3600, 10_800], 0);
    // A reading that comes later still counts beside what is left of its minute, and with it.
    let very_late = reading("box", 5 * minute + 7, 99.0);
    for s in [&store, &plain] {
        let packet = crate::store::Packet {
            session: "out".into(),
            id: 7,
            digest: 7,
            maybe_again: false,
        };
        s.append(&[Arrival {
            packet: Some(packet),
            ..own_time(vec![very_late.clone()])
        }])
        .unwrap();
    }
    compare(&[60, 3600], 0);
    assert_eq!(store.thin(before, &[spared]).unwrap(), 1);
    compare(&[60, 3600, 86_400], 0);
    assert!(store.integrity().unwrap().is_empty());
}

/// Ten sensors in turn, a reading of 10 s each, with an arrival time of its own and a place: the
/// file's size by reading, all in: summaries too.
#[test]
fn a_reading_takes_at_most_forty_bytes() {
    let (dir, store) = open();
    let sensors: Vec<String> = (0..10).map(|n| format!("sensor {n}")).collect();
    let mut count = 0_u64;
    for block in 0..40_i64 {
        let mut readings = Vec::new();
        for step in 0..100_i64 {
            for (n, sensor) in sensors.iter().enumerate() {
                let ms = (block * 100 + step) * 10_000 + n as i64 * 813;
                readings.push(reading(sensor, ms, 24.0 + (step % 9) as f64 / 16.0));
            }
        }
        count += readings.len() as u64;
        store.append(&[own_time(readings)]).unwrap();
    }
    store.sum_up(UtcMs(i64::MAX)).unwrap();
    drop(store);
    let size = std::fs::metadata(dir.path().join(FILE)).unwrap().len();
    let each = size as f64 / count as f64;
    assert!(each < 40.0, "{each} bytes a reading");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    /// Whatever the order and however often, the same readings with their own times give the same
    /// store.
    #[test]
    fn order_and_repeats_change_nothing(
        plan in proptest::collection::vec((0_usize..40, 0_usize..3), 1..120),
    ) {
        let the = |n: usize| reading(["a", "b", "c"][n % 3], n as i64 * 1000, n as f64);
        let (_one, shuffled) = open();
        let mut expected = std::collections::BTreeSet::new();
        for (n, repeats) in &plan {
            expected.insert(*n);
            let arrivals: Vec<Arrival> =
                (0..=*repeats).map(|_| own_time(vec![the(*n)])).collect();
            shuffled.append(&arrivals).unwrap();
        }
        let (_two, clean) = open();
        clean.append(&[own_time(expected.iter().map(|n| the(*n)).collect())]).unwrap();
        prop_assert_eq!(
            shuffled.readings(&everything()).unwrap(),
            clean.readings(&everything()).unwrap()
        );
        prop_assert_eq!(shuffled.series().unwrap(), clean.series().unwrap());
    }
}

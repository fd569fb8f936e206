//! Time in the store: local days of 23, 24 and 25 hours, a leap day, clocks that step.
//! Dates of the changes are the EU's: the last Sundays of March and October, 1:00 UTC.

use jiff::civil::date;
use jiff::tz::TimeZone;

use super::tests::{everything, open, own_time, reading};
use super::*;
use crate::store::Packet;

/// A local day's readings, one each ten seconds, are all of the day's and nobody else's in every width
/// of a chart, before and after its hours are summed up.
#[test]
fn a_local_day_of_23_24_or_25_hours_is_told_whole() {
    for (zone, day, hours) in [
        ("Europe/Oslo", date(2026, 3, 29), 23),
        ("Europe/Oslo", date(2026, 10, 25), 25),
        ("Europe/Oslo", date(2028, 2, 29), 24),
        // Days there begin at half past an hour of UTC.
        ("Asia/Kolkata", date(2026, 3, 29), 24),
        // Clocks change by half an hour there, on 4 October 2026 forward.
        ("Australia/Lord_Howe", date(2026, 10, 4), 0),
    ] {
        let zone = TimeZone::get(zone).unwrap();
        let begin = |day: jiff::civil::Date| {
            let start = day.to_zoned_datetime(zone.clone()).unwrap();
            UtcMs(start.timestamp().as_millisecond())
        };
        let (from, to) = (begin(day), begin(day.tomorrow().unwrap()));
        if hours > 0 {
            assert_eq!(to.0 - from.0, hours * HOUR_MS);
        } else {
            assert_eq!(to.0 - from.0, 23 * HOUR_MS + HOUR_MS / 2);
        }
        let (_dir, store) = open();
        let all: Vec<StoredReading> = (-720..(to.0 - from.0) / 10_000 + 720)
            .map(|n| {
                let mut r = reading("box", 0, 20.0 + (n.rem_euclid(40)) as f64);
                r.time = from.plus_ms(n * 10_000);
                r.arrived = r.time;
                r
            })
            .collect();
        store.append(&[own_time(all.clone())]).unwrap();
        let inside = |r: &&StoredReading| r.time >= from && r.time < to;
        let count = all.iter().filter(inside).count() as u64;
        let sum: f64 = all.iter().filter(inside).map(|r| r.value).sum();
        for summed in [false, true] {
            for bucket_s in [60, 900, 3600, 10_800, 86_400] {
                let told = store
                    .buckets("box", Quantity::AirTemperature, from, to, bucket_s)
                    .unwrap();
                assert!(told.windows(2).all(|w| w[0].time < w[1].time));
                assert_eq!(
                    told.iter().map(|b| b.count).sum::<u64>(),
                    count,
                    "{day} {summed} {bucket_s}"
                );
                let whole: f64 = told.iter().map(|b| b.mean * b.count as f64).sum();
                assert!((whole - sum).abs() < 1e-6 * sum, "{day} {bucket_s}");
            }
            store.sum_up(to.plus_ms(3 * HOUR_MS)).unwrap();
        }
    }
}

/// The wall clock goes an hour back and a day forward under readings without times of their own: each
/// is kept once, at a moment of its own, and every chart counts it.
#[test]
fn a_stepping_clock_loses_and_doubles_nothing() {
    let (_dir, store) = open();
    let mut id = 0;
    let mut send = |ms: i64, value: f64, again: bool| {
        id += u16::from(!again);
        let mut arrival = own_time(vec![reading("box", ms, value)]);
        arrival.own_time = false;
        arrival.packet = Some(Packet {
            session: "out".into(),
            id,
            digest: value.to_bits(),
            maybe_again: again,
        });
        store.append(&[arrival]).unwrap().remove(0)
    };
    let mut sent = 0;
    // Steps of the clock between runs of a hundred readings: back over moments that are taken already.
    for (round, start) in [0, -3_600_000, 500, 86_400_000, 1_000]
        .into_iter()
        .enumerate()
    {
        for n in 0..100_i64 {
            let value = (round * 100) as f64 + n as f64 / 100.0;
            let ms = start + n * 500;
            assert_eq!(send(ms, value, false).new.len(), 1);
            sent += 1;
            // Delivered again by the next hour's clock: still the same reading.
            if n % 10 == 0 {
                assert_eq!(send(ms + 3_600_000, value, true).again, 1);
            }
        }
        // Upkeep by that clock forgets no packet that may still come again.
        let now = super::tests::START.plus_ms(start);
        store
            .forget_packets(now.plus_ms(-7 * 24 * HOUR_MS))
            .unwrap();
        store.sum_up(now).unwrap();
    }
    let found = store.readings(&everything()).unwrap();
    assert_eq!(found.len(), sent);
    assert!(found.windows(2).all(|w| w[0].time < w[1].time));
    let chart = store
        .buckets(
            "box",
            Quantity::AirTemperature,
            UtcMs(0),
            UtcMs(i64::MAX / 2),
            3600,
        )
        .unwrap();
    assert_eq!(chart.iter().map(|b| b.count).sum::<u64>(), sent as u64);
}

//! Thinning beside what is imported again and what waits for the copy.

use super::tests::{START, everything, open, own_time, reading};
use super::*;

/// A file taken in once more after its readings were thinned adds nothing, however often.
#[test]
fn what_was_thinned_is_not_counted_again_when_its_file_comes_again() {
    let (_dir, store) = open();
    let all: Vec<StoredReading> = (0..600)
        .map(|n| reading("box", n * 10_000, 20.0 + (n % 7) as f64))
        .collect();
    let (from, to) = (START, START.plus_ms(7_200_000));
    let hours = |s: &SqliteStore| {
        s.buckets("box", Quantity::AirTemperature, from, to, 3600)
            .unwrap()
    };
    store.append(&[own_time(all.clone())]).unwrap();
    let before = hours(&store);
    for _ in 0..3 {
        store.thin(to, &[]).unwrap();
        assert!(store.readings(&everything()).unwrap().is_empty());
        assert_eq!(hours(&store), before);
        let stored = store.append(&[own_time(all.clone())]).unwrap();
        assert_eq!((stored[0].new.len(), stored[0].again), (0, 600));
        assert_eq!(hours(&store), before);
    }
}

#[test]
fn what_waits_for_the_copy_is_not_thinned_and_no_more_is_queued_than_there_is_room_for() {
    let (_dir, store) = open();
    store.copy_bound(Some(700)).unwrap();
    let all: Vec<StoredReading> = (0..600).map(|n| reading("box", n * 10_000, 20.0)).collect();
    store.append(&[own_time(all)]).unwrap();
    let to = START.plus_ms(7_200_000);
    assert_eq!(store.thin(to, &[]).unwrap(), 0);
    assert!(
        store
            .copy_take(700)
            .unwrap()
            .iter()
            .all(|i| i.reading.is_some())
    );
    // No room for all 600 again: none is queued, and none of those that wait is dropped.
    let error = store.copy_again(START, to).unwrap_err().to_string();
    assert!(error.contains("no room for 600"), "{error}");
    let queue = store.copy_queue().unwrap();
    assert_eq!((queue.waiting, queue.dropped), (600, 0));
    assert_eq!(store.copy_again(START, START.plus_ms(500_000)).unwrap(), 50);
    // Sent: now it goes.
    let last = store.copy_take(700).unwrap().last().unwrap().seq;
    store.copy_done(last).unwrap();
    assert!(store.thin(to, &[]).unwrap() > 0);
}

//! Packets: which redelivery is known, for how long, and over a restart.

use super::tests::{START, open, own_time, reading};
use super::*;
use crate::store::Packet;
use crate::time::HOUR_MS;

/// Packets are forgotten by age only; a clock that is behind forgets none.
#[test]
fn old_packets_are_forgotten_and_young_ones_told_from_their_redelivery() {
    let (_dir, store) = open();
    let day = 24 * HOUR_MS;
    let send = |id: u16, ms: i64, again: bool| {
        let mut arrival = own_time(vec![reading("box", ms, f64::from(id))]);
        arrival.own_time = false;
        arrival.packet = Some(Packet {
            session: "out".into(),
            id,
            digest: id.into(),
            maybe_again: again,
        });
        store.append(&[arrival]).unwrap()[0].again
    };
    send(1, 0, false);
    send(70, 5 * day, false);
    let start = START;
    assert_eq!(store.forget_packets(UtcMs(0)).unwrap(), 0);
    assert_eq!(store.forget_packets(start.plus_ms(day)).unwrap(), 1);
    assert_eq!(send(70, 6 * day, true), 1);
    assert_eq!(send(1, 6 * day, true), 0);
}

/// More identifiers than the writing connection remembers rows for, in two sessions: each keeps its own
/// newest packet, and a restart changes nothing.
#[test]
fn every_identifier_keeps_its_own_packet_over_a_restart() {
    let (dir, store) = open();
    let send = |store: &SqliteStore, session: &str, ids: &[u16], digest: u64, again: bool| {
        let arrivals: Vec<Arrival> = ids
            .iter()
            .map(|&id| {
                let mut arrival = own_time(vec![reading("box", 0, 24.0)]);
                arrival.own_time = false;
                arrival.packet = Some(Packet {
                    session: session.into(),
                    id,
                    digest: digest + u64::from(id),
                    maybe_again: again,
                });
                arrival
            })
            .collect();
        let stored = store.append(&arrivals).unwrap();
        stored.iter().map(|s| s.again).sum::<u32>()
    };
    let all: Vec<u16> = (1..=u16::MAX).step_by(50).collect();
    let n = all.len() as u32;
    for part in all.chunks(100) {
        assert_eq!(send(&store, "out", part, 0, false), 0);
        assert_eq!(send(&store, "mixer", part, 7, false), 0);
    }
    // Every third goes on to another message.
    let third: Vec<u16> = all.iter().copied().step_by(3).collect();
    assert_eq!(send(&store, "out", &third, 1_000_000, false), 0);
    drop(store);
    let store = SqliteStore::open(dir.path()).unwrap();
    assert_eq!(send(&store, "mixer", &all, 7, true), n);
    assert_eq!(
        send(&store, "out", &third, 1_000_000, true),
        third.len() as u32
    );
    let others: Vec<u16> = all
        .iter()
        .copied()
        .filter(|id| !third.contains(id))
        .collect();
    assert_eq!(send(&store, "out", &others, 0, true), others.len() as u32);
    assert_eq!(send(&store, "mixer", &all, 8, true), 0, "never seen");
}

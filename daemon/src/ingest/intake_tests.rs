//! From a message to the readings in it: units, corrections, identity, caps.

use std::sync::Arc;

use serde_json::{Value, json};

use super::*;
use crate::config::sensor::Sensor;
use crate::ingest::mapping::Mappings;
use crate::ingest::writer::Ack;
use crate::store::Packet;

const NOW: UtcMs = UtcMs(1_768_025_100_000);

fn claims(specs: &[Value]) -> Claims {
    let specs = specs.iter().map(|spec| {
        let mut all =
            json!({"topic":"k/box","quantity":"air_temperature","unit":"Cel","name":"box"});
        for (k, v) in spec.as_object().unwrap() {
            all[k] = v.clone();
        }
        let sensor: Sensor = serde_json::from_value(all).unwrap();
        sensor.check().unwrap();
        (sensor, true)
    });
    Claims::new(Arc::new(Mappings::new(specs)))
}

fn message(topic: &str, payload: &str) -> Message {
    Message {
        topic: topic.into(),
        payload: payload.to_owned().into(),
        retained: false,
        arrived: NOW,
        packet: Some(Packet {
            session: "out".into(),
            id: 1,
            digest: 7,
            maybe_again: false,
        }),
        resumed: None,
        ack: Ack::None,
    }
}

fn taken(specs: &[Value], payload: &str) -> Taken {
    take(
        &mut Gate::default(),
        &mut claims(specs),
        &Book::default(),
        &message("k/box", payload),
    )
}

fn only(taken: &Taken) -> &StoredReading {
    assert_eq!(
        (taken.arrivals.len(), taken.arrivals[0].readings.len()),
        (1, 1)
    );
    &taken.arrivals[0].readings[0]
}

#[test]
fn units_corrections_and_distances_become_what_the_store_keeps() {
    // 68 °F is 20 °C by definition of the scale.
    let found = taken(&[json!({"unit":"degF"})], "68");
    assert!((only(&found).value - 20.0).abs() < 1e-9);
    assert_eq!(only(&found).raw, Some((68.0, Unit::DegF)));
    let found = taken(&[json!({"unit":"K"})], "293.15");
    assert!((only(&found).value - 20.0).abs() < 1e-9);
    let found = taken(&[json!({})], "20");
    assert_eq!((only(&found).value, only(&found).raw), (20.0, None));
    let jar = json!({"quantity":"dough_height","unit":"m","empty_distance_m":0.3,
        "correction":[{"from":"2026-01-01T00:00:00Z","points":[[0.1, 0.105]]}]});
    let found = taken(&[jar], "0.2");
    assert!((only(&found).value - 0.105).abs() < 1e-9);
    assert_eq!(only(&found).raw, Some((0.2, Unit::Metre)));
}

#[test]
fn one_payload_can_hold_several_quantities_and_both_kinds_of_time() {
    let specs = [
        json!({"pointer":"/t"}),
        json!({"pointer":"/h","quantity":"humidity","unit":"%RH","time_pointer":"/at"}),
        json!({"pointer":"/b","quantity":"battery","unit":"%EL"}),
    ];
    let found = taken(&specs, r#"{"t":21,"h":"60","at":1768025000}"#);
    assert_eq!(
        found.claimed,
        Some(smallvec::smallvec!["/t".into(), "/h".into()])
    );
    let [own, arrival] = &found.arrivals[..] else {
        panic!("{found:?}");
    };
    assert!(own.own_time && own.packet.is_none());
    assert_eq!(own.readings[0].time, UtcMs(1_768_025_000_000));
    assert!(!arrival.own_time && arrival.packet.is_some());
    assert_eq!(arrival.readings[0].time, NOW);
}

#[test]
fn a_retained_value_without_a_time_is_shown_and_not_stored() {
    let mut old = message("k/box", "21");
    old.retained = true;
    let found = take(
        &mut Gate::default(),
        &mut claims(&[json!({})]),
        &Book::default(),
        &old,
    );
    assert!(found.arrivals.is_empty());
    assert_eq!(
        found.retained,
        [("box".into(), Quantity::AirTemperature, 21.0)]
    );
}

#[test]
fn sensors_made_up_by_a_wildcard_are_capped_and_our_own_topics_are_none() {
    let mut wild = claims(&[json!({"topic":"k/+/t","name":"{1}","place":"{1}"})]);
    let mut gate = Gate::default();
    let mut refused = 0;
    for i in 0..10_000 {
        let message = message(&format!("k/{i}/t"), "21");
        let found = take(&mut gate, &mut wild, &Book::default(), &message);
        match found.set_aside {
            Some((reason, _)) => {
                assert_eq!(reason, "too_many_sensors");
                refused += 1;
            }
            None => assert_eq!(only(&found).place, Some(i.to_string().into())),
        }
    }
    assert_eq!(refused, 10_000 - SERIES);
    let mut all = claims(&[json!({"topic":"#"})]);
    let ours = message("doughwarden/alert", "21");
    let found = take(&mut gate, &mut all, &Book::default(), &ours);
    assert!(found.arrivals.is_empty() && found.set_aside.is_none());
}

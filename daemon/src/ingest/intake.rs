//! One message to the readings in it: which mappings claim it, what they find, whether it can be
//! true. No I/O; the writer stores what comes out.

use smallvec::SmallVec;
use smol_str::SmolStr;

use super::correct;
use super::gate::{Candidate, Gate};
use super::mapping::{Claims, Mapping};
use super::payload::{Body, Measured, When};
use super::trial;
use super::writer::Message;
use crate::batches::book::Book;
use crate::batches::record::{Quantity, Unit};
use crate::store::{Arrival, Few, KeptOut, StoredReading};
use crate::time::UtcMs;

/// Series taken on; beyond it a new name is set aside and counted (a wildcard over made-up topics).
pub const SERIES: usize = 200;
/// Topics under this are our own: never readings.
pub const OWN_TOPICS: &str = "doughwarden/";

/// What one message held.
#[derive(Debug, Default)]
pub struct Taken {
    /// What to store, in order.
    pub arrivals: SmallVec<[Arrival; 1]>,
    /// Set aside: the reason in one word, and in one line.
    pub set_aside: Option<(&'static str, String)>,
    /// Earlier readings this message shows to be true after all.
    pub release: Vec<(SmolStr, Quantity, UtcMs)>,
    /// Values of a retained message without a time: shown as of unknown age.
    pub retained: Vec<(SmolStr, Quantity, f64)>,
    /// "Readings" without a number: told, not stored.
    pub not_numbers: Vec<StoredReading>,
    /// Pointers that mappings took (an empty one: the bare number); `None`: nothing claimed it.
    pub claimed: Option<SmallVec<[SmolStr; 1]>>,
    /// The daily test's own message, by its number.
    pub trial: Option<u64>,
}

/// Takes a message apart.
pub fn take(gate: &mut Gate, claims: &mut Claims, book: &Book, message: &Message) -> Taken {
    let mut taken = Taken::default();
    if message.topic.starts_with(OWN_TOPICS) {
        taken.claimed = Some(SmallVec::new());
        taken.trial = trial::number(&message.topic, &message.payload);
        return taken;
    }
    let mut body: Option<Body<'_>> = None;
    let mut own = Few::new();
    let mut arrival = Few::new();
    for (mapping, claim) in claims.on(&message.topic) {
        let body = body.get_or_insert_with(|| Body::parse(&message.payload));
        match body.measured(&mapping.spec) {
            Err(bad) => {
                taken.claimed.get_or_insert_default();
                taken.set_aside.get_or_insert(("unreadable", bad.0));
            }
            Ok(found) if found.is_empty() => {}
            Ok(found) => {
                let spec = &mapping.spec;
                taken
                    .claimed
                    .get_or_insert_default()
                    .push(claim.pointer.clone());
                let sensor = &claim.sensor;
                if gate.is_full_for(sensor, spec.quantity, SERIES) {
                    taken.set_aside.get_or_insert((
                        "too_many_sensors",
                        format!("more than {SERIES} sensors: `{sensor}` is not taken on"),
                    ));
                    continue;
                }
                let place = claim.place.clone().or_else(|| {
                    let is_place = book.places.contains_key(sensor.as_str());
                    is_place.then(|| sensor.clone())
                });
                for measured in found {
                    let Some(mut reading) = reading(mapping, sensor, &place, &measured, message)
                    else {
                        taken.set_aside.get_or_insert((
                            "not_a_number",
                            format!("`{sensor}` says it has no number"),
                        ));
                        gate.heard(sensor, spec.quantity, message.arrived);
                        taken
                            .not_numbers
                            .push(no_number(mapping, sensor, &place, message.arrived));
                        continue;
                    };
                    let own_time = matches!(measured.time, When::Own(_));
                    if message.retained && !own_time {
                        taken
                            .retained
                            .push((sensor.clone(), spec.quantity, reading.value));
                        continue;
                    }
                    let verdict = gate.judge(
                        sensor,
                        spec.quantity,
                        Candidate {
                            time: reading.time,
                            arrived: reading.arrived,
                            own_time,
                            value: reading.value,
                            raw: raw_stored(mapping, &measured),
                            resumed: message.resumed,
                            retained: message.retained,
                        },
                    );
                    reading.kept_out = verdict.kept_out;
                    if let Some(time) = verdict.release {
                        taken.release.push((sensor.clone(), spec.quantity, time));
                    }
                    if own_time { &mut own } else { &mut arrival }.push(reading);
                }
            }
        }
    }
    // Readings with their own time are told apart by it; the others by the packet they came in.
    if !own.is_empty() {
        taken.arrivals.push(Arrival {
            readings: own,
            own_time: true,
            packet: message.packet.clone().filter(|_| arrival.is_empty()),
        });
    }
    if !arrival.is_empty() {
        taken.arrivals.push(Arrival {
            readings: arrival,
            own_time: false,
            packet: message.packet.clone(),
        });
    }
    taken
}

/// The value in the unit the store keeps, before correction.
fn raw_stored(mapping: &Mapping, measured: &Measured) -> f64 {
    let value = measured.unit.to_stored(measured.number.unwrap_or(f64::NAN));
    match mapping.spec.empty_distance_m {
        // A sensor above the dough measures down to it.
        Some(empty) if mapping.spec.quantity == Quantity::DoughHeight => empty - value,
        _ => value,
    }
}

/// `None`: there is no number.
fn reading(
    mapping: &Mapping,
    sensor: &SmolStr,
    place: &Option<SmolStr>,
    measured: &Measured,
    message: &Message,
) -> Option<StoredReading> {
    let number = measured.number?;
    let spec = &mapping.spec;
    let time = match measured.time {
        When::Arrival => message.arrived,
        When::Relative(ms) => message.arrived.plus_ms(ms),
        When::Own(time) => time,
    };
    let uncorrected = raw_stored(mapping, measured);
    if !uncorrected.is_finite() {
        return None;
    }
    let mut value = correct::corrected(&spec.correction, time, uncorrected);
    if !value.is_finite() {
        value = uncorrected;
    }
    // An old message's arrival says nothing: it must not move "last heard".
    let arrived = if message.retained {
        message.arrived.min(time)
    } else {
        message.arrived
    };
    let differs = measured.unit != spec.quantity.unit() || value.to_bits() != number.to_bits();
    Some(StoredReading {
        time,
        arrived,
        sensor: sensor.clone(),
        quantity: spec.quantity,
        value,
        raw: differs.then_some((number, measured.unit)),
        kept_out: None,
        place: place.clone(),
        batch: spec.batch.as_deref().map(SmolStr::new),
    })
}

fn no_number(
    mapping: &Mapping,
    sensor: &SmolStr,
    place: &Option<SmolStr>,
    arrived: UtcMs,
) -> StoredReading {
    StoredReading {
        time: arrived,
        arrived,
        sensor: sensor.clone(),
        quantity: mapping.spec.quantity,
        value: f64::NAN,
        raw: None::<(f64, Unit)>,
        kept_out: Some(KeptOut::NotANumber),
        place: place.clone(),
        batch: mapping.spec.batch.as_deref().map(SmolStr::new),
    }
}

#[cfg(test)]
#[path = "intake_tests.rs"]
mod tests;

//! The demo's scenario, ours throughout: the bakehouse of a lighthouse island, three enriched
//! doughs, three weeks of past bakes, one bulk proof and one final proof under way; then it goes on
//! for as long as it is watched.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use tokio_util::sync::CancellationToken;

use super::bakehouse::{Bakehouse, Day, Ends, Happened, Plan, STEP_S, Sent, Spot, Start};
use super::body::Stuff;
use super::chance::Chance;
use super::proof::Recipe;
use super::publish::Connection;
use crate::batches::record::{
    Dough, LeadMin, Outcome, Place, PlaceKind, Quantity, Reading, Record, StageKind, Unit, Usual,
};
use crate::config::sensor::Sensor;
use crate::time::{Clock, HOUR_MS, MINUTE_MS, UtcMs};

/// What can go wrong with the demo.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// Not an address of a broker.
    #[error("`{0}` is not the address of a broker: write mqtt://host:port")]
    Address(String),
}

/// How the baker's entries reach the log book: takes JSON Lines, or says why not. It may block.
pub type Acts = Arc<dyn Fn(&str) -> Result<(), String> + Send + Sync>;

/// The seed of the demo that people see.
pub const SEED: u64 = 1;
/// The bulk proof under way is ready so many minutes after the demo begins.
const BULK_READY_MIN: f64 = 48.0;
/// The final proof under way likewise.
const FINAL_READY_MIN: f64 = 70.0;
/// The present is simulated from so long before the demo begins.
const PRESENT_FROM_MS: i64 = 7 * HOUR_MS;
/// Past readings are kept this far apart, ms; those of the present as they came.
const PAST_APART_MS: i64 = 2 * MINUTE_MS;
/// Entries kept while the log book does not take them.
const UNWRITTEN: usize = 200;

const RIGHT: Ends = (1.0, Outcome::Ready);

/// The three doughs.
#[must_use]
pub fn plans() -> Vec<Plan> {
    let rich = Recipe::default();
    vec![
        Plan {
            dough: "fogbell buns",
            slug: "fogbell",
            recipe: rich,
            bulk_in: Spot::Counter,
            final_in: Spot::Box,
            pieces: 16,
            piece_mass_g: 62.0,
            formula: &[
                ("wheat flour", 500.0),
                ("milk", 230.0),
                ("egg", 55.0),
                ("butter", 90.0),
                ("sugar", 70.0),
                ("salt", 8.0),
                ("instant yeast", 6.0),
                ("ground cardamom", 4.0),
            ],
            mixed_at_c: 25.0,
        },
        Plan {
            dough: "keeper's milk loaf",
            slug: "keepers-loaf",
            recipe: Recipe {
                bulk_min: 80.0,
                bulk_rise: 0.9,
                final_min: 75.0,
                final_at_c: 26.0,
                bulk_kg: 0.94,
                pieces: 2,
                ..rich
            },
            bulk_in: Spot::Counter,
            final_in: Spot::Oven,
            pieces: 2,
            piece_mass_g: 470.0,
            formula: &[
                ("wheat flour", 540.0),
                ("milk", 320.0),
                ("butter", 40.0),
                ("sugar", 25.0),
                ("salt", 9.0),
                ("instant yeast", 5.5),
            ],
            mixed_at_c: 25.0,
        },
        Plan {
            dough: "stormlight braid",
            slug: "stormlight",
            recipe: Recipe {
                bulk_min: 110.0,
                bulk_at_c: 25.0,
                bulk_rise: 0.75,
                final_min: 70.0,
                bulk_kg: 0.93,
                pieces: 3,
                water_l: 0.44,
                stuff: Stuff {
                    conductivity_w_mk: 0.35,
                    ..rich.stuff
                },
                ..rich
            },
            bulk_in: Spot::Box,
            final_in: Spot::Box,
            pieces: 3,
            piece_mass_g: 310.0,
            formula: &[
                ("wheat flour", 450.0),
                ("milk", 120.0),
                ("egg", 110.0),
                ("egg yolk", 36.0),
                ("butter", 120.0),
                ("honey", 60.0),
                ("salt", 8.0),
                ("instant yeast", 7.0),
                ("orange zest", 6.0),
            ],
            mixed_at_c: 24.5,
        },
    ]
}

fn places_and_doughs(plans: &[Plan]) -> Vec<Record> {
    let place = |spot: Spot, kind, inside: Option<&str>, lamp| {
        Record::Place(Place {
            name: spot.name().into(),
            kind: Some(kind),
            inside: inside.map(Into::into),
            lamp,
            ..Place::default()
        })
    };
    let counter = Some(Spot::Counter.name());
    let mut records = vec![
        place(Spot::Counter, PlaceKind::Room, None, None),
        place(Spot::Box, PlaceKind::Box, counter, None),
        place(Spot::Oven, PlaceKind::Oven, counter, Some(true)),
    ];
    for plan in plans {
        let has = |what: &str| plan.formula.iter().any(|(name, _)| name.contains(what));
        let recipe = &plan.recipe;
        records.push(Record::Dough(Dough {
            name: plan.dough.into(),
            bulk: Some(Usual {
                usual_min: Some(recipe.bulk_min),
                at: Some(recipe.bulk_at_c),
                target_rise: Some(recipe.bulk_rise),
            }),
            final_: Some(Usual {
                usual_min: Some(recipe.final_min),
                at: Some(recipe.final_at_c),
                target_rise: None,
            }),
            ceiling: Some(32.0),
            lead_min: Some(LeadMin {
                bulk: Some(10.0),
                final_: Some(30.0),
            }),
            caution: ["egg", "milk"]
                .into_iter()
                .filter(|what| has(what))
                .map(Into::into)
                .collect(),
            formula: Some(plan.ingredients()),
            ..Dough::default()
        }));
    }
    records
}

/// How the demo's configuration maps the simulated sensors. The pantry's is left unassigned, so
/// that there is one to assign.
#[must_use]
pub fn sensors() -> Vec<Sensor> {
    use Quantity::{AirTemperature, Battery, Humidity};
    let mapped = |spot: Spot, topic: &str, quantity, unit, interval_s| Sensor {
        name: spot.name().into(),
        place: Some(spot.name().into()),
        topic: topic.into(),
        pointer: None,
        time_pointer: None,
        matches: std::collections::BTreeMap::new(),
        quantity,
        unit,
        interval_s: Some(interval_s),
        senml_name: None,
        empty_distance_m: None,
        role: None,
        batch: None,
        correction: Vec::new(),
    };
    let counter = |pointer: &str, quantity, unit| Sensor {
        pointer: Some(pointer.into()),
        ..mapped(
            Spot::Counter,
            "bakehouse/counter/state",
            quantity,
            unit,
            35.0,
        )
    };
    let proof_box = |pointer: &str, quantity, unit| Sensor {
        pointer: Some(pointer.into()),
        time_pointer: Some("/at".into()),
        ..mapped(Spot::Box, "bakehouse/box/state", quantity, unit, 35.0)
    };
    let oven = |name: &str, quantity, unit| Sensor {
        senml_name: Some(name.into()),
        ..mapped(Spot::Oven, "bakehouse/oven/senml", quantity, unit, 20.0)
    };
    vec![
        counter("/temperature", AirTemperature, Unit::Cel),
        counter("/humidity", Humidity, Unit::PercentRh),
        counter("/battery", Battery, Unit::PercentCharge),
        proof_box("/air/f", AirTemperature, Unit::DegF),
        proof_box("/air/rh", Humidity, Unit::PercentRh),
        oven("oven/air", AirTemperature, Unit::Cel),
        oven("oven/humidity", Humidity, Unit::PercentRh),
        oven("oven/battery", Battery, Unit::PercentCharge),
    ]
}

/// The demo: what the log book holds when it begins, and the bakehouse that goes on from there.
#[derive(Debug)]
pub struct Demo {
    /// Log-book lines for the past: places, doughs, bakes, readings, and what is under way.
    pub lines: Vec<String>,
    house: Bakehouse,
    chance: Chance,
}

/// Past bakes: days ago, plan, how bulk and final proof were ended.
const PAST: [(i64, usize, Ends, Ends); 10] = [
    (20, 0, RIGHT, RIGHT),
    (19, 1, RIGHT, RIGHT),
    (17, 2, RIGHT, (0.85, Outcome::Under)),
    (15, 0, RIGHT, RIGHT),
    (13, 1, RIGHT, RIGHT),
    (11, 2, RIGHT, RIGHT),
    (8, 0, RIGHT, (1.28, Outcome::Over)),
    (6, 1, RIGHT, RIGHT),
    (4, 2, RIGHT, RIGHT),
    (2, 0, RIGHT, RIGHT),
];

/// The log book's past for a demo that begins `now`, as import lines; [`Demo::prepare`] gives the
/// bakehouse that goes on with it.
#[must_use]
pub fn seed(now: UtcMs) -> Vec<String> {
    Demo::prepare(now, SEED).lines
}

impl Demo {
    /// Simulates the past three weeks.
    #[must_use]
    pub fn prepare(now: UtcMs, seed: u64) -> Self {
        let plans = plans();
        let mut chance = Chance::from_seed(seed);
        let mut records = places_and_doughs(&plans);
        for (days, plan, bulk, last) in PAST {
            let start = now.plus_ms(-days * 24 * HOUR_MS - 3 * HOUR_MS);
            let day = Day {
                room_c: chance.between(19.0, 23.5),
                ..TODAY
            };
            let seed = chance.between(0.0, 1e9) as u64;
            let mut house = Bakehouse::open(start.plus_ms(-HOUR_MS), day, &plans, seed);
            house.start(Start {
                at: start,
                plan,
                ends: [bulk, last],
                seed,
            });
            let mut newest = [i64::MIN; 4];
            while !house.is_idle() {
                note(&mut records, house.step(), PAST_APART_MS, &mut newest);
            }
        }
        let (house, present) = present(now, &plans, &mut chance);
        records.extend(present);
        let lines = records
            .iter()
            .filter_map(|r| serde_json::to_string(r).ok())
            .collect();
        Self {
            lines,
            house,
            chance,
        }
    }

    /// Publishes every simulated sensor and plays the baker, until `stop`, in the clock's time.
    ///
    /// # Errors
    /// If `mqtt_url` is no address. A broker that is away is waited for.
    pub async fn run(
        mut self,
        clock: Clock,
        mqtt_url: &str,
        stop: CancellationToken,
        acts: Acts,
    ) -> Result<(), DemoError> {
        let broker = Connection::open(mqtt_url, stop.clone())?;
        let mut unwritten: VecDeque<String> = VecDeque::new();
        while !stop.is_cancelled() {
            // Never ahead of the clock: a sensor's time lies in nobody's future.
            while self.house.next_at() <= clock.now() {
                let happened = self.step();
                happened.sent.iter().for_each(|s| broker.send(s));
                for record in &happened.written {
                    unwritten.extend(serde_json::to_string(record).ok());
                }
            }
            while unwritten.len() > UNWRITTEN {
                unwritten.pop_front();
            }
            if !unwritten.is_empty() {
                let lines = unwritten.make_contiguous().join("\n");
                let acts = Arc::clone(&acts);
                match tokio::task::spawn_blocking(move || acts(&lines)).await {
                    Ok(Ok(())) => unwritten.clear(),
                    Ok(Err(error)) => {
                        tracing::warn!(%error, "the simulated baker's entry was refused")
                    }
                    Err(error) => tracing::warn!(%error, "the simulated baker's entry was lost"),
                }
            }
            tokio::select! {
                () = stop.cancelled() => {}
                () = tokio::time::sleep(clock.real(Duration::from_secs_f64(STEP_S))) => {}
            }
        }
        Ok(())
    }

    /// One step; a dough that went into the bread oven comes round again within the hour.
    fn step(&mut self) -> Happened {
        let happened = self.house.step();
        for &plan in &happened.baked {
            let wait_min = self.chance.between(20.0, 40.0);
            self.house.start(Start {
                at: self.house.now().plus_min(wait_min),
                plan,
                ends: [RIGHT, RIGHT],
                seed: self.chance.between(0.0, 1e9) as u64,
            });
        }
        happened
    }
}

/// Today in the bakehouse.
const TODAY: Day = Day {
    room_c: 21.5,
    box_c: 27.0,
    lamp_w: 9.5,
};

/// The bakehouse as it stands now, with one bulk and one final proof timed to be ready soon.
fn present(now: UtcMs, plans: &[Plan], chance: &mut Chance) -> (Bakehouse, Vec<Record>) {
    let seeds: [u64; 4] = std::array::from_fn(|_| chance.between(0.0, 1e9) as u64);
    let from = now.plus_ms(-PRESENT_FROM_MS);
    let open = || Bakehouse::open(from, TODAY, plans, seeds[0]);
    let timed = |plan: usize, stage: StageKind, in_min: f64, seed: u64| {
        let wanted = now.plus_min(in_min);
        let usual_min = match stage {
            StageKind::Bulk => 110.0,
            StageKind::Final => 230.0,
        };
        let mut start = Start {
            at: wanted.plus_min(-usual_min),
            plan,
            ends: [RIGHT, RIGHT],
            seed,
        };
        // Each try moves the start by what the last one was off; the house's weather stays.
        for _ in 0..3 {
            let mut house = open();
            house.start(start.clone());
            while !house.is_idle() {
                if let Some((_, _, ready)) =
                    house.step().ready.into_iter().find(|(_, s, _)| *s == stage)
                {
                    start.at = start.at.plus_ms(wanted.0 - ready.0);
                    break;
                }
            }
        }
        start
    };
    let mut house = open();
    house.start(timed(0, StageKind::Bulk, BULK_READY_MIN, seeds[1]));
    house.start(timed(1, StageKind::Final, FINAL_READY_MIN, seeds[2]));
    house.start(Start {
        at: now.plus_min(25.0),
        plan: 2,
        ends: [RIGHT, RIGHT],
        seed: seeds[3],
    });
    let mut records = Vec::new();
    let mut newest = [i64::MIN; 4];
    while house.next_at() <= now {
        note(&mut records, house.step(), 0, &mut newest);
    }
    (house, records)
}

/// Writes what happened into the log book's past; the pantry's sensor is assigned to nothing.
fn note(records: &mut Vec<Record>, happened: Happened, apart_ms: i64, newest: &mut [i64; 4]) {
    records.extend(happened.written);
    for sent in happened.sent {
        let last = &mut newest[sent.spot as usize];
        if sent.spot == Spot::Pantry || sent.at.0 < last.saturating_add(apart_ms) {
            continue;
        }
        *last = sent.at.0;
        records.extend(readings(&sent).map(Record::Reading));
    }
}

fn readings(sent: &Sent) -> [Reading; 2] {
    let reading = |quantity: Quantity, value: f64| Reading {
        time: sent.at,
        sensor: sent.spot.name().into(),
        quantity,
        value,
        unit: quantity.unit(),
        batch: None,
        kept_out: None,
        place: None,
        raw: None,
        raw_unit: None,
    };
    [
        reading(Quantity::AirTemperature, sent.air_c),
        reading(Quantity::Humidity, sent.humidity_pct),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::batches::book::Book;

    const NOW: UtcMs = UtcMs(1_768_032_000_000);

    fn records(demo: &Demo) -> Vec<Record> {
        demo.lines
            .iter()
            .map(|l| serde_json::from_str(l).unwrap())
            .collect()
    }

    #[test]
    fn the_past_is_a_log_book_with_two_proofs_under_way() {
        let demo = Demo::prepare(NOW, SEED);
        let records = records(&demo);
        let book = Book::from_records(records.clone());
        assert_eq!((book.places.len(), book.doughs.len()), (3, 3));
        let mut going: Vec<_> = book.in_progress(NOW).map(|s| s.stage).collect();
        going.sort();
        assert_eq!(going, [StageKind::Bulk, StageKind::Final]);
        let done = book.stages.values().filter(|s| s.outcome.is_some()).count();
        assert_eq!(done, 2 * PAST.len() + 1);
        let newest = records
            .iter()
            .filter_map(|r| match r {
                Record::Reading(r) => Some(r.time),
                _ => None,
            })
            .max()
            .unwrap();
        assert!(newest <= NOW && newest > NOW.plus_ms(-MINUTE_MS));
        for stage in book.stages.values() {
            assert!(stage.start <= NOW);
            assert!(stage.end.is_none_or(|end| end > stage.start));
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_demo() {
        assert_eq!(Demo::prepare(NOW, 3).lines, Demo::prepare(NOW, 3).lines);
        assert_ne!(Demo::prepare(NOW, 3).lines, Demo::prepare(NOW, 4).lines);
    }

    /// The first thing a newcomer sees: at 60 times the speed, within two minutes.
    #[test]
    fn both_proofs_under_way_become_ready_within_a_hundred_minutes_for_fifty_seeds() {
        for seed in 0..50 {
            let mut chance = Chance::from_seed(seed);
            let (mut house, _) = present(NOW, &plans(), &mut chance);
            let mut ready = Vec::new();
            while house.now() < NOW.plus_min(100.0) {
                ready.extend(house.step().ready);
            }
            for stage in [StageKind::Bulk, StageKind::Final] {
                let at = ready.iter().find(|(_, s, _)| *s == stage);
                let min = at.unwrap().2.seconds_since(NOW) / 60.0;
                assert!((35.0..90.0).contains(&min), "seed {seed}: {stage:?} {min}");
            }
        }
    }

    #[test]
    fn the_bakehouse_goes_on_for_days_without_two_batches_of_one_name() {
        let mut demo = Demo::prepare(NOW, SEED);
        let mut book = Book::from_records(records(&demo));
        let before = book.batches.len();
        let mut begun = 0;
        while demo.house.now() < NOW.plus_ms(48 * HOUR_MS) {
            for record in demo.step().written {
                begun += usize::from(matches!(record, Record::Batch(_)));
                book.put(record);
            }
            let going = book.in_progress(demo.house.now()).count();
            assert!(going <= 3);
        }
        assert_eq!(book.batches.len(), before + begun);
        assert!(begun > 20, "{begun}");
    }

    /// Each payload says, by the mapping that the demo configures, what its sensor measured.
    #[test]
    fn the_mapping_finds_every_value_in_the_payloads() {
        use super::super::publish::message;
        for spot in [Spot::Counter, Spot::Box, Spot::Oven] {
            let sent = Sent {
                at: NOW,
                spot,
                air_c: 26.5,
                humidity_pct: 61.0,
                battery_pct: 80.0,
            };
            let (topic, payload) = message(&sent);
            for sensor in sensors()
                .iter()
                .filter(|s| s.place.as_deref() == Some(spot.name()))
            {
                assert_eq!(sensor.topic, topic);
                let value = match (&sensor.pointer, &sensor.senml_name) {
                    (Some(pointer), _) => payload.pointer(pointer).unwrap().as_f64().unwrap(),
                    (_, Some(name)) => payload
                        .as_array()
                        .unwrap()
                        .iter()
                        .find(|r| format!("oven/{}", r["n"].as_str().unwrap()) == *name)
                        .unwrap()["v"]
                        .as_f64()
                        .unwrap(),
                    _ => unreachable!("the demo's payloads are all JSON"),
                };
                let expected = match sensor.quantity {
                    Quantity::AirTemperature => sent.air_c,
                    Quantity::Humidity => sent.humidity_pct,
                    _ => sent.battery_pct,
                };
                assert!((sensor.unit.to_stored(value) - expected).abs() < 0.06);
            }
        }
    }
}

//! One simulated proof with its log book, its readings and what the baker's own finger would say.

use doughwarden::batches::record::{
    Batch, Dough, Ingredient, LeadMin, Observation, ObservationKind, Outcome, Place, PlaceKind,
    Quantity, Reading, Record, StageKind, StageRecord, Unit, Usual,
};
use doughwarden::kitchen::air::{Cavity, MAIN_ELEMENT_W, Room};
use doughwarden::kitchen::body::Shape;
use doughwarden::kitchen::chance::Chance;
use doughwarden::kitchen::ferment::Law;
use doughwarden::kitchen::proof::{BENCH_MIN, Pace, Proof, Recipe, Temper};
use doughwarden::kitchen::sensor::{Habit, Simulated};
use doughwarden::time::{MINUTE_MS, UtcMs};

/// Step of the simulation, s; every interval between readings is a multiple.
pub const STEP_S: f64 = 5.0;
/// Readings begin so long before the dough, min.
const BEFORE_MIN: f64 = 45.0;
/// No proof of the study takes longer, h.
const LONGEST_H: f64 = 14.0;
/// How well a baker reads a rise off a straight jar (sd).
pub const RISE_SD: f64 = 0.04;
/// A forgotten dough stands on for so much of the time it took, and no less than 45 min.
const FORGOTTEN: f64 = 0.6;
/// What happens after a fault is of no interest after so many minutes.
const FAULT_MIN: f64 = 90.0;

/// Where the dough stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Standing {
    /// On the counter.
    Room,
    /// In a proof box set so warm, °C.
    Box(f64),
    /// In the oven, off; its light gives so many watts.
    Oven(f64),
}

impl Standing {
    /// The place's name.
    #[must_use]
    pub fn place(self) -> &'static str {
        match self {
            Self::Room => "counter",
            Self::Box(_) => "box",
            Self::Oven(_) => "oven",
        }
    }
}

/// What makes an ordinary night look odd.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Oddity {
    /// The sensor comes in with the dough and still shows where it was, °C.
    SensorCarriedIn(f64),
    /// A pan of boiling water goes in with the dough.
    BoilingPan,
    /// The oven is still warm from earlier.
    StillWarm,
    /// The light is switched off and on again, so many minutes each.
    LampCycles(f64),
    /// The door is opened so often in an hour.
    Doors(f64),
    /// The dough is taken out when ready, the sensor too, and nobody taps.
    Untapped,
}

/// What goes wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fault {
    /// Somebody switches the oven on with the dough inside.
    OvenOn,
    /// The place gets hotter than the dough bears: a stronger bulb, a box's thermostat stuck.
    TooHot,
    /// The sensor falls silent for good.
    Silent,
    /// Nobody comes when it is ready.
    Forgotten,
}

/// A night before it is simulated.
#[derive(Clone, Copy, Debug)]
pub struct Scene {
    /// Its stream of chance.
    pub seed: u64,
    /// When the proof begins.
    pub begin: UtcMs,
    /// Which proof.
    pub stage: StageKind,
    /// Which of [`recipes`].
    pub recipe: usize,
    /// The law that the yeast follows tonight.
    pub law: Law,
    /// Sd of the logarithm of the batch's speed.
    pub speed_sd: f64,
    /// The room's mean, °C.
    pub room_c: f64,
    /// Where it stands.
    pub standing: Standing,
    /// Between readings, s.
    pub interval_s: f64,
    /// When the baker wants to know, min.
    pub lead_min: f64,
    /// Something odd.
    pub oddity: Option<Oddity>,
    /// Something wrong, so many minutes after the beginning.
    pub fault: Option<(Fault, f64)>,
}

/// The doughs of the study: lean, enriched, rich.
#[must_use]
pub fn recipes() -> [(&'static str, Recipe); 3] {
    let rich = Recipe::default();
    [
        (
            "tide-mill loaf",
            Recipe {
                water_l: 0.55,
                sugar_mol: 0.3,
                bulk_min: 100.0,
                bulk_at_c: 25.0,
                bulk_rise: 1.0,
                final_min: 65.0,
                final_at_c: 26.0,
                ..rich
            },
        ),
        ("pilot buns", rich),
        (
            "gannet braid",
            Recipe {
                water_l: 0.44,
                bulk_min: 125.0,
                bulk_at_c: 24.0,
                bulk_rise: 0.75,
                final_min: 80.0,
                ..rich
            },
        ),
    ]
}

/// A night as it went.
#[derive(Clone, Debug)]
pub struct Night {
    /// How it was meant.
    pub scene: Scene,
    /// The batch's id.
    pub batch: String,
    /// Places and doughs.
    pub standing_records: Vec<Record>,
    /// The baker's entries, with the moment each was made.
    pub entries: Vec<(UtcMs, Record)>,
    /// The sensor's readings in order of time.
    pub readings: Vec<Reading>,
    /// The true air around the dough each [`STEP_S`] from the beginning, °C.
    pub air_c: Vec<f64>,
    /// The dough's true temperature at the beginning, °C.
    pub begin_c: f64,
    /// When it was truly ready.
    pub ready: UtcMs,
    /// The two rise readings.
    pub rises: Vec<(UtcMs, f64)>,
    /// When the fault began.
    pub fault_at: Option<UtcMs>,
    /// When the simulation ends.
    pub end: UtcMs,
    /// The dough as it stood when this proof began (of the usual temper): what an all-knowing
    /// forecaster starts from.
    pub usual: Proof,
    /// What its films keep against the usual, and its speed: for the record only.
    pub temper: Temper,
}

/// The dough at the beginning of the scene's proof.
fn dough(scene: &Scene, recipe: &Recipe, pace: &Pace, temper: Temper, begin_c: f64) -> Proof {
    let mut proof = Proof::bulk(recipe, pace, temper, recipe.bulk_kg, begin_c);
    if scene.stage == StageKind::Final {
        // Its bulk proof went by in an even room and is not in the log book.
        while proof.ready_after_s().is_none() && proof.elapsed_s() < LONGEST_H * 3600.0 {
            proof.step(30.0, begin_c);
        }
        proof.shape(recipe.pieces, Shape::Sphere);
        for _ in 0..(BENCH_MIN * 2.0) as usize {
            proof.step(30.0, begin_c);
        }
        proof.begin_final(pace);
    }
    proof
}

/// Where the air comes from.
struct Kitchen {
    room: Room,
    cavity: Option<Cavity>,
    chance: Chance,
}

impl Kitchen {
    fn new(scene: &Scene, mut chance: Chance) -> Self {
        let doors = if let (Some(Oddity::Doors(n)), Standing::Room) = (scene.oddity, scene.standing)
        {
            n
        } else {
            0.6
        };
        let swing = chance.between(0.3, 1.5);
        let room = Room::new(scene.room_c, swing, doors, &mut chance);
        let mut cavity = match scene.standing {
            Standing::Room => None,
            Standing::Box(set_c) => Some(Cavity::proof_box(scene.room_c, set_c)),
            Standing::Oven(lamp_w) => Some(Cavity::oven(scene.room_c, lamp_w)),
        };
        if let Some(cavity) = &mut cavity {
            for _ in 0..(6 * 120) {
                cavity.step(30.0, scene.room_c, room.vapour_pa, 0.0, None);
            }
            if scene.oddity == Some(Oddity::StillWarm) {
                // It baked an hour or so ago and is as warm as a careful baker still puts dough in.
                (cavity.air_c, cavity.walls_c) = (36.0, 41.0);
            }
        }
        Self {
            room,
            cavity,
            chance,
        }
    }

    fn air_c(&self) -> f64 {
        self.cavity.as_ref().map_or(self.room.air_c(), |c| c.air_c)
    }

    fn step(&mut self, at: UtcMs, drawn_w: f64, dough_c: Option<f64>, doors_per_h: f64) {
        self.room.step(STEP_S, at, &mut self.chance);
        let (room_c, vapour) = (self.room.air_c(), self.room.vapour_pa);
        if let Some(cavity) = &mut self.cavity {
            cavity.step(STEP_S, room_c, vapour, drawn_w, dough_c);
            if self.chance.happens(doors_per_h * STEP_S / 3600.0) {
                cavity.open_door(self.chance.between(0.3, 0.8), room_c, vapour);
            }
        }
    }
}

/// Simulates a scene.
#[must_use]
pub fn simulate(scene: &Scene, paces: &[Pace; 3]) -> Night {
    let mut chance = Chance::from_seed(scene.seed);
    let (name, recipe) = recipes()[scene.recipe];
    let recipe = Recipe {
        law: scene.law,
        ..recipe
    };
    let pace = &paces[scene.recipe];
    let temper = Temper::draw(scene.speed_sd, &mut chance);
    let begin_c = if scene.stage == StageKind::Bulk {
        chance.normal(24.5, 1.0)
    } else {
        scene.room_c.midpoint(25.0)
    };
    let mut proof = dough(scene, &recipe, pace, temper, begin_c);
    let mut usual = dough(scene, &recipe, pace, Temper::USUAL, begin_c);
    let usual_at_begin = usual.clone();
    let mut kitchen = Kitchen::new(scene, chance.branch());
    let habit = Habit {
        interval_s: scene.interval_s,
        lag_s: chance.between(15.0, 40.0),
        offset: chance.normal(0.0, 0.15),
        ..Habit::default()
    };
    let mut sensor = Simulated::new(habit, 80.0, chance.branch());
    let elsewhere = match scene.oddity {
        Some(Oddity::SensorCarriedIn(c)) => Some(c),
        _ => None,
    };
    if let Some(c) = elsewhere {
        // In its case it follows more slowly than bare.
        sensor.habit.lag_s = chance.between(60.0, 120.0);
        sensor = sensor.carried_from(c);
    }

    let batch = format!("study-{}", scene.seed);
    let mut night = Night {
        scene: *scene,
        batch: batch.clone(),
        standing_records: standing(scene, name, &recipe, pace),
        entries: first_entries(scene, name, &batch, &proof, &mut chance),
        readings: Vec::new(),
        air_c: Vec::new(),
        begin_c,
        ready: scene.begin,
        rises: Vec::new(),
        fault_at: None,
        end: scene.begin,
        usual: usual_at_begin,
        temper,
    };
    let place = scene.standing.place();
    let mut now = scene.begin.plus_min(-BEFORE_MIN);
    let (mut drawn_w, mut ends, mut usual_ready) = (0.0, None::<UtcMs>, false);
    let taps_after_min = chance.between(1.0, 5.0);
    let mut out = false;
    let last = scene.begin.plus_min(LONGEST_H * 60.0);
    let mut looks = vec![0.4, 0.65];
    // The readings' moments are found by the usual batch in the same air, so they tell nothing of
    // this batch by themselves; its end is looked for first.
    while now < last
        && ends.is_none_or(|end| now < end)
        && night
            .fault_at
            .is_none_or(|at| minutes(at, now) < FAULT_MIN || ends.is_some())
    {
        now = now.plus_ms((STEP_S * 1000.0) as i64);
        let since_min = now.seconds_since(scene.begin) / 60.0;
        let begun = since_min > 0.0;
        let doors = match scene.oddity {
            Some(Oddity::Doors(n)) if begun => n,
            _ => 0.4,
        };
        act(scene, &mut kitchen, since_min, &mut night, now);
        let dough_c = (begun && !out).then(|| proof.body.skin_c());
        kitchen.step(now, drawn_w, dough_c, doors);
        let air_c = if out {
            kitchen.room.air_c()
        } else {
            kitchen.air_c()
        };
        let sensed_c = match elsewhere {
            Some(c) if !begun => c,
            _ => air_c,
        };
        let silent = matches!(
            (scene.fault, night.fault_at),
            (Some((Fault::Silent, _)), Some(_))
        );
        if let Some(value) = sensor.step(STEP_S, sensed_c).filter(|_| !silent) {
            night.readings.push(reading(now, place, value));
        }
        if !begun {
            continue;
        }
        drawn_w = proof.step(STEP_S, air_c);
        if out {
            drawn_w = 0.0;
        }
        night.air_c.push(air_c);
        if !usual_ready {
            usual.step(STEP_S, air_c);
            usual_ready = usual.ready_after_s().is_some();
        }
        if looks.first().is_some_and(|at| usual.readiness() >= *at) && ends.is_none() {
            looks.remove(0);
            let rise = proof.read_rise(RISE_SD, &mut chance);
            night.rises.push((now, rise));
            night
                .entries
                .push((now, Record::Observation(seen(&batch, now, rise))));
        }
        if ends.is_none() && proof.ready_after_s().is_some() {
            night.ready = now;
            let forgotten = scene.fault.is_some_and(|(f, _)| f == Fault::Forgotten);
            if forgotten {
                night.fault_at = Some(now);
            }
            let untapped = scene.oddity == Some(Oddity::Untapped);
            let stays_min = if forgotten {
                (FORGOTTEN * since_min).max(45.0)
            } else if untapped {
                45.0
            } else {
                taps_after_min
            };
            ends = Some(now.plus_min(stays_min));
            out = untapped;
        }
    }
    night.end = now;
    let tapped = scene.fault.is_none() && scene.oddity != Some(Oddity::Untapped);
    if tapped {
        let mut stage = stage_record(scene, &batch);
        stage.end = Some(now);
        stage.outcome = Some(Outcome::Ready);
        night.entries.push((now, Record::Stage(stage)));
    }
    night
}

/// What is done to box and oven tonight.
fn act(scene: &Scene, kitchen: &mut Kitchen, since_min: f64, night: &mut Night, now: UtcMs) {
    let Some(cavity) = &mut kitchen.cavity else {
        if let Some((Fault::Silent, at)) = scene.fault
            && since_min >= at
        {
            night.fault_at.get_or_insert(now);
        }
        return;
    };
    match scene.oddity {
        Some(Oddity::BoilingPan) if since_min > 0.0 && cavity.pan.is_none() => {
            cavity.pan = Some((97.0, 4186.0));
        }
        Some(Oddity::LampCycles(minutes)) => {
            if let Standing::Oven(lamp_w) = scene.standing {
                let off = since_min > 0.0 && (since_min / minutes) as u64 % 2 == 1;
                cavity.lamp_w = if off { 0.0 } else { lamp_w };
            }
        }
        _ => {}
    }
    if let Some((fault, at)) = scene.fault
        && since_min >= at
        && fault != Fault::Forgotten
    {
        if night.fault_at.is_none() {
            night.fault_at = Some(now);
        }
        match fault {
            Fault::OvenOn => cavity.element_w = MAIN_ELEMENT_W,
            Fault::TooHot => match &mut cavity.thermostat {
                Some(thermostat) => thermostat.set_c = 99.0,
                None => cavity.lamp_w = 60.0,
            },
            Fault::Silent | Fault::Forgotten => {}
        }
    }
}

pub(super) fn reading(time: UtcMs, place: &str, value: f64) -> Reading {
    Reading {
        time,
        sensor: place.into(),
        quantity: Quantity::AirTemperature,
        value,
        unit: Unit::Cel,
        batch: None,
        kept_out: None,
        place: Some(place.into()),
        raw: None,
        raw_unit: None,
    }
}

fn seen(batch: &str, time: UtcMs, rise: f64) -> Observation {
    Observation {
        batch: batch.into(),
        time,
        kind: ObservationKind::Rise,
        rise: Some(rise),
        result: None,
        value: None,
        unit: None,
        by: None,
        text: None,
        extra: Default::default(),
    }
}

fn stage_record(scene: &Scene, batch: &str) -> StageRecord {
    StageRecord {
        batch: batch.into(),
        stage: scene.stage,
        start: scene.begin,
        end: None,
        outcome: None,
        dough_temperature: None,
        by: None,
        place: Some(scene.standing.place().into()),
        extra: Default::default(),
    }
}

fn first_entries(
    scene: &Scene,
    dough: &str,
    batch: &str,
    proof: &Proof,
    chance: &mut Chance,
) -> Vec<(UtcMs, Record)> {
    let mut stage = stage_record(scene, batch);
    // Half of the bakers take the dough's own temperature.
    let takes = chance.happens(0.5);
    let felt = proof.body.mean_c() + chance.normal(0.0, 0.3);
    stage.dough_temperature = takes.then_some((felt * 10.0).round() / 10.0);
    vec![
        (
            scene.begin,
            Record::Batch(Batch {
                id: batch.into(),
                dough: dough.into(),
                place: scene.standing.place().into(),
                pieces: Some(14),
                piece_mass_g: Some(62.0),
                formula: Some(formula(scene.recipe)),
                ..Batch::default()
            }),
        ),
        (scene.begin, Record::Stage(stage)),
    ]
}

pub(super) fn formula(recipe: usize) -> Vec<Ingredient> {
    let lines: &[(&str, f64)] = match recipe {
        0 => &[
            ("wheat flour", 520.0),
            ("water", 330.0),
            ("salt", 10.0),
            ("instant yeast", 5.0),
        ],
        1 => &[
            ("wheat flour", 450.0),
            ("milk", 205.0),
            ("egg", 50.0),
            ("butter", 80.0),
            ("sugar", 65.0),
            ("salt", 7.0),
            ("instant yeast", 5.5),
        ],
        _ => &[
            ("wheat flour", 420.0),
            ("milk", 110.0),
            ("egg", 110.0),
            ("butter", 130.0),
            ("sugar", 75.0),
            ("salt", 8.0),
            ("instant yeast", 6.0),
        ],
    };
    lines
        .iter()
        .map(|&(name, mass_g)| Ingredient {
            ingredient: name.into(),
            mass_g,
            ..Ingredient::default()
        })
        .collect()
}

pub(super) fn standing(scene: &Scene, dough: &str, recipe: &Recipe, pace: &Pace) -> Vec<Record> {
    let kind = match scene.standing {
        Standing::Room => PlaceKind::Room,
        Standing::Box(_) => PlaceKind::Box,
        Standing::Oven(_) => PlaceKind::Oven,
    };
    let lamp = match scene.standing {
        Standing::Oven(w) => Some(w > 0.0),
        _ => None,
    };
    vec![
        Record::Place(Place {
            name: scene.standing.place().into(),
            kind: Some(kind),
            lamp,
            ..Place::default()
        }),
        Record::Dough(Dough {
            name: dough.into(),
            bulk: Some(Usual {
                usual_min: Some(recipe.bulk_min),
                at: Some(recipe.bulk_at_c),
                target_rise: Some(recipe.bulk_rise),
            }),
            final_: Some(Usual {
                usual_min: Some(recipe.final_min),
                at: Some(recipe.final_at_c),
                target_rise: Some((pace.final_rise * 20.0).round() / 20.0),
            }),
            ceiling: Some(ceiling_c(scene.recipe)),
            lead_min: Some(LeadMin {
                bulk: Some(scene.lead_min),
                final_: Some(scene.lead_min),
            }),
            ..Dough::default()
        }),
    ]
}

/// A recipe's top proofing temperature, °C: 38 for a lean dough, 32 for enriched ones.
#[must_use]
pub fn ceiling_c(recipe: usize) -> f64 {
    if recipe == 0 { 38.0 } else { 32.0 }
}

/// Minutes from one moment to another.
#[must_use]
pub fn minutes(from: UtcMs, to: UtcMs) -> f64 {
    (to.0 - from.0) as f64 / MINUTE_MS as f64
}

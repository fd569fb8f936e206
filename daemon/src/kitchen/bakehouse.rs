//! A bakehouse at work: places, sensors, batches, and a baker who marks the log book as bakers do.

use super::air::{Cavity, Room};
use super::body::Shape;
use super::chance::Chance;
use super::proof::{BENCH_MIN, Pace, Proof, Recipe, Temper};
use super::sensor::{Habit, Simulated};
use crate::batches::record::{
    Batch, Ingredient, Observation, ObservationKind, Outcome, Record, StageKind, StageRecord,
};
use crate::time::UtcMs;

/// The step of the simulation, s.
pub const STEP_S: f64 = 10.0;

/// Where things stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spot {
    /// On the counter, in the room.
    Counter,
    /// In the proof box.
    Box,
    /// In the oven, off, its light on.
    Oven,
    /// In the pantry, a cool corner.
    Pantry,
}

impl Spot {
    /// The place's name in the log book.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Counter => "counter",
            Self::Box => "box",
            Self::Oven => "oven",
            Self::Pantry => "pantry",
        }
    }
}

/// A dough that the bakehouse makes, and how.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The dough's name.
    pub dough: &'static str,
    /// Short form for ids.
    pub slug: &'static str,
    /// How it behaves.
    pub recipe: Recipe,
    /// Where it stands in bulk.
    pub bulk_in: Spot,
    /// Where it stands in its final proof.
    pub final_in: Spot,
    /// Pieces.
    pub pieces: u32,
    /// A piece's mass, g.
    pub piece_mass_g: f64,
    /// Its formula: names and masses in g.
    pub formula: &'static [(&'static str, f64)],
    /// Temperature from the mixer, °C.
    pub mixed_at_c: f64,
}

impl Plan {
    /// Its formula as the log book has it.
    #[must_use]
    pub fn ingredients(&self) -> Vec<Ingredient> {
        self.formula
            .iter()
            .map(|&(name, mass_g)| Ingredient {
                ingredient: name.into(),
                mass_g,
                ..Ingredient::default()
            })
            .collect()
    }

    fn dough_kg(&self) -> f64 {
        f64::from(self.pieces) * self.piece_mass_g / 1000.0
    }
}

/// When the baker ends a stage: at a readiness, calling it so.
pub type Ends = (f64, Outcome);

/// A batch to be started.
#[derive(Clone, Debug)]
pub struct Start {
    /// When.
    pub at: UtcMs,
    /// Which plan.
    pub plan: usize,
    /// How the baker ends bulk and final proof.
    pub ends: [Ends; 2],
    /// Its own stream of chance.
    pub seed: u64,
}

/// What a sensor sent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sent {
    /// When.
    pub at: UtcMs,
    /// From where.
    pub spot: Spot,
    /// Air, °C.
    pub air_c: f64,
    /// Relative humidity, %.
    pub humidity_pct: f64,
    /// Battery, %.
    pub battery_pct: f64,
}

/// What happened in a step.
#[derive(Clone, Debug, Default)]
pub struct Happened {
    /// What sensors sent.
    pub sent: Vec<Sent>,
    /// What the baker wrote.
    pub written: Vec<Record>,
    /// Stages that became ready by the baker's own word: plan, stage, moment.
    pub ready: Vec<(usize, StageKind, UtcMs)>,
    /// Plans whose batch went into the bread oven.
    pub baked: Vec<usize>,
}

/// How the bakehouse is today.
#[derive(Clone, Copy, Debug)]
pub struct Day {
    /// The room's mean, °C.
    pub room_c: f64,
    /// What the box is set to, °C.
    pub box_c: f64,
    /// The oven's light, W.
    pub lamp_w: f64,
}

/// The bakehouse.
#[derive(Clone, Debug)]
pub struct Bakehouse {
    now: UtcMs,
    room: Room,
    pantry: Room,
    warm: Cavity,
    oven: Cavity,
    room_chance: Chance,
    stations: Vec<(Spot, Simulated, Chance)>,
    plans: Vec<(Plan, Pace)>,
    starts: Vec<Start>,
    works: Vec<Work>,
}

/// The loose ends of one batch.
#[derive(Clone, Debug)]
struct Work {
    id: String,
    plan: usize,
    proof: Proof,
    phase: Phase,
    since: UtcMs,
    ends: [Ends; 2],
    looks: Vec<(f64, ObservationKind)>,
    taps_in_s: f64,
    told_ready: bool,
    chance: Chance,
    drawn_w: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    Bulk,
    Bench,
    Final,
    Baked,
}

impl Bakehouse {
    /// A bakehouse that has stood long enough for box and oven to have warmed through.
    #[must_use]
    pub fn open(now: UtcMs, day: Day, plans: &[Plan], seed: u64) -> Self {
        let mut chance = Chance::from_seed(seed);
        let mut room_chance = chance.branch();
        let room = Room::new(day.room_c, 0.8, 0.8, &mut room_chance);
        let pantry = Room::new(day.room_c - 4.0, 0.4, 0.4, &mut room_chance);
        let mut warm = Cavity::proof_box(day.room_c, day.box_c);
        let mut oven = Cavity::oven(day.room_c, day.lamp_w);
        for _ in 0..(8 * 360) {
            warm.step(STEP_S, day.room_c, room.vapour_pa, 0.0, None);
            oven.step(STEP_S, day.room_c, room.vapour_pa, 0.0, None);
        }
        let stations = [
            (Spot::Counter, 30.0, 88.0),
            (Spot::Box, 30.0, 71.0),
            (Spot::Oven, 15.0, 94.0),
            (Spot::Pantry, 60.0, 52.0),
        ]
        .map(|(spot, interval_s, battery_pct)| {
            let habit = Habit {
                interval_s,
                offset: chance.normal(0.0, 0.1),
                ..Habit::default()
            };
            let sensor = Simulated::new(habit, battery_pct, chance.branch());
            (spot, sensor, chance.branch())
        })
        .to_vec();
        Self {
            now,
            room,
            pantry,
            warm,
            oven,
            room_chance,
            stations,
            plans: plans.iter().map(|p| (p.clone(), p.recipe.pace())).collect(),
            starts: Vec::new(),
            works: Vec::new(),
        }
    }

    /// The moment it has come to.
    #[must_use]
    pub fn now(&self) -> UtcMs {
        self.now
    }

    /// The moment its next step will come to.
    #[must_use]
    pub fn next_at(&self) -> UtcMs {
        self.now.plus_ms((STEP_S * 1000.0) as i64)
    }

    /// Puts a batch on the rota.
    pub fn start(&mut self, start: Start) {
        self.starts.push(start);
    }

    /// Whether nothing is proofing and nothing is on the rota.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.starts.is_empty() && self.works.is_empty()
    }

    fn air(&self, spot: Spot) -> (f64, f64) {
        match spot {
            Spot::Counter => (self.room.air_c(), self.room.humidity_pct()),
            Spot::Pantry => (self.pantry.air_c(), self.pantry.humidity_pct()),
            Spot::Box => (self.warm.air_c, self.warm.humidity_pct()),
            Spot::Oven => (self.oven.air_c, self.oven.humidity_pct()),
        }
    }

    /// Lets [`STEP_S`] pass.
    pub fn step(&mut self) -> Happened {
        let mut happened = Happened::default();
        self.now = self.next_at();
        self.room.step(STEP_S, self.now, &mut self.room_chance);
        self.pantry.step(STEP_S, self.now, &mut self.room_chance);
        let (room_c, vapour_pa) = (self.room.air_c(), self.room.vapour_pa);
        for (spot, cavity) in [(Spot::Box, &mut self.warm), (Spot::Oven, &mut self.oven)] {
            let inside = || {
                self.works
                    .iter()
                    .filter(|w| w.spot(&self.plans[w.plan].0) == spot)
            };
            let drawn_w = inside().map(|w| w.drawn_w).sum();
            let dough_c = inside().next().map(|w| w.proof.body.skin_c());
            cavity.step(STEP_S, room_c, vapour_pa, drawn_w, dough_c);
        }
        self.begin(&mut happened);
        let mut works = std::mem::take(&mut self.works);
        for work in &mut works {
            let (plan, pace) = &self.plans[work.plan];
            let (air_c, _) = self.air(work.spot(plan));
            work.drawn_w = work.proof.step(STEP_S, air_c);
            work.tend(self.now, plan, pace, &mut happened);
        }
        works.retain(|w| w.phase != Phase::Baked);
        self.works = works;
        self.measure(&mut happened);
        happened
    }

    fn begin(&mut self, happened: &mut Happened) {
        let (due, later): (Vec<_>, Vec<_>) = std::mem::take(&mut self.starts)
            .into_iter()
            .partition(|s| s.at <= self.now);
        self.starts = later;
        for start in due {
            let (plan, pace) = &self.plans[start.plan];
            let work = Work::begin(self.now, &start, plan, pace);
            happened.written.push(Record::Batch(Batch {
                id: work.id.clone(),
                dough: plan.dough.into(),
                place: plan.bulk_in.name().into(),
                pieces: Some(plan.pieces),
                piece_mass_g: Some(plan.piece_mass_g),
                formula: Some(plan.ingredients()),
                ..Batch::default()
            }));
            let mut stage = work.stage(StageKind::Bulk, self.now, plan.bulk_in);
            stage.dough_temperature = Some((work.proof.body.mean_c() * 10.0).round() / 10.0);
            happened.written.push(Record::Stage(stage));
            self.works.push(work);
        }
    }

    fn measure(&mut self, happened: &mut Happened) {
        let truths = [Spot::Counter, Spot::Box, Spot::Oven, Spot::Pantry].map(|s| self.air(s));
        for ((spot, sensor, chance), (air_c, humidity_pct)) in self.stations.iter_mut().zip(truths)
        {
            if let Some(air_c) = sensor.step(STEP_S, air_c) {
                happened.sent.push(Sent {
                    at: self.now,
                    spot: *spot,
                    air_c,
                    humidity_pct: (humidity_pct + chance.normal(0.0, 0.8))
                        .round()
                        .clamp(0.0, 100.0),
                    battery_pct: sensor.battery_pct.ceil(),
                });
            }
        }
    }
}

impl Work {
    fn begin(now: UtcMs, start: &Start, plan: &Plan, pace: &Pace) -> Self {
        let mut chance = Chance::from_seed(start.seed);
        let temper = Temper::draw(0.08, &mut chance);
        let mixed_at_c = plan.mixed_at_c + chance.normal(0.0, 0.5);
        Self {
            id: format!(
                "{}-{}-{}",
                now.timestamp().strftime("%Y"),
                plan.slug,
                now.timestamp().strftime("%m%d-%H%M")
            ),
            plan: start.plan,
            proof: Proof::bulk(&plan.recipe, pace, temper, plan.dough_kg(), mixed_at_c),
            phase: Phase::Bulk,
            since: now,
            ends: start.ends,
            looks: looks(&[0.45, 0.75], &mut chance),
            taps_in_s: chance.between(240.0, 540.0),
            told_ready: false,
            chance,
            drawn_w: 0.0,
        }
    }

    fn spot(&self, plan: &Plan) -> Spot {
        match self.phase {
            Phase::Bulk => plan.bulk_in,
            Phase::Bench | Phase::Baked => Spot::Counter,
            Phase::Final => plan.final_in,
        }
    }

    fn stage(&self, stage: StageKind, start: UtcMs, spot: Spot) -> StageRecord {
        StageRecord {
            batch: self.id.clone(),
            stage,
            start,
            end: None,
            outcome: None,
            dough_temperature: None,
            by: None,
            place: Some(spot.name().into()),
            extra: serde_json::Map::new(),
        }
    }

    /// The baker looks, presses, and ends the stage a few minutes after it is ready.
    fn tend(&mut self, now: UtcMs, plan: &Plan, pace: &Pace, happened: &mut Happened) {
        let stage = match self.phase {
            Phase::Bulk => StageKind::Bulk,
            Phase::Final => StageKind::Final,
            Phase::Baked => return,
            Phase::Bench => {
                if now.seconds_since(self.since) >= BENCH_MIN * 60.0 {
                    self.phase = Phase::Final;
                    self.since = now;
                    self.proof.begin_final(pace);
                    self.looks = looks(&[0.55], &mut self.chance);
                    self.taps_in_s = self.chance.between(240.0, 540.0);
                    self.told_ready = false;
                    let stage = self.stage(StageKind::Final, now, plan.final_in);
                    happened.written.push(Record::Stage(stage));
                }
                return;
            }
        };
        if !self.told_ready && self.proof.readiness() >= 1.0 {
            self.told_ready = true;
            happened.ready.push((self.plan, stage, now));
        }
        while let Some(&(at, kind)) = self.looks.first() {
            if self.proof.readiness() < at {
                break;
            }
            self.looks.remove(0);
            happened.written.push(self.look(now, kind));
        }
        let (end_at, outcome) = self.ends[usize::from(stage == StageKind::Final)];
        if self.proof.readiness() >= end_at {
            self.taps_in_s -= STEP_S;
        }
        if self.taps_in_s <= 0.0 {
            let spot = self.spot(plan);
            let mut record = self.stage(stage, self.since, spot);
            record.end = Some(now);
            record.outcome = Some(outcome);
            happened.written.push(Record::Stage(record));
            self.since = now;
            if stage == StageKind::Bulk {
                self.phase = Phase::Bench;
                self.proof.shape(plan.pieces, Shape::Sphere);
            } else {
                self.phase = Phase::Baked;
                happened.baked.push(self.plan);
            }
        }
    }

    fn look(&mut self, now: UtcMs, kind: ObservationKind) -> Record {
        let dented = kind == ObservationKind::FingerDent;
        Record::Observation(Observation {
            batch: self.id.clone(),
            time: now,
            kind,
            rise: (!dented).then(|| self.proof.read_rise(0.04, &mut self.chance)),
            result: dented.then(|| self.proof.dent(&mut self.chance)),
            value: None,
            unit: None,
            by: None,
            text: None,
            extra: serde_json::Map::new(),
        })
    }
}

/// Rise is looked at about these readinesses, then the dough is pressed near the end and once
/// ready.
fn looks(rises: &[f64], chance: &mut Chance) -> Vec<(f64, ObservationKind)> {
    let mut looks: Vec<_> = rises
        .iter()
        .map(|at| (at + chance.between(-0.05, 0.05), ObservationKind::Rise))
        .collect();
    let presses = [chance.between(0.86, 0.94), 1.02];
    looks.extend(presses.map(|at| (at, ObservationKind::FingerDent)));
    looks
}

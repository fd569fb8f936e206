//! How often a phone is told on ordinary bakes, from the mixer to the oven, when the baker acts on
//! each message within its lead: a winter's day in the oven with its light on, a summer's day on the
//! counter, a night in the fridge. Kitchens and doughs are those of [`super::nights`]; what is
//! counted are the messages that go out, as [`life`] makes them.

use std::collections::BTreeMap;
use std::sync::Arc;

use doughwarden::batches::book::Book;
use doughwarden::batches::record::{
    Batch, LeadMin, Move, Observation, ObservationKind, Outcome, Place, PlaceKind, Quantity,
    Record, StageKind, StageRecord,
};
use doughwarden::forecasts;
use doughwarden::forecasts::air::Sources;
use doughwarden::forecasts::source::{InMemory, Readings};
use doughwarden::ingest::gaps::Gaps;
use doughwarden::kitchen::air::{Cavity, MAIN_ELEMENT_W, Room};
use doughwarden::kitchen::body::Shape;
use doughwarden::kitchen::chance::Chance;
use doughwarden::kitchen::proof::{Proof, Recipe, Temper};
use doughwarden::kitchen::sensor::{Habit, Simulated};
use doughwarden::store::{AlertRow, Result, StoreError, StoredReading};
use doughwarden::time::UtcMs;
use doughwarden::watch::life::{self, Manner};
use doughwarden::watch::watcher::Watcher;
use doughwarden::watch::world::{Input, SensorFacts};

use super::night::{STEP_S, Scene, Standing, formula, reading, recipes, standing};
use super::nights::Kitchen;
pub use super::told::Bakes;
use super::told::Told;
use super::watching::{due, stored};
use super::{FIRST_NIGHT, each};

/// Bakes of each kind in a full study, and how many share a kitchen.
const BAKES: usize = 40;
const A_KITCHEN: usize = 4;
/// Shaping takes so long, min.
const SHAPING_MIN: f64 = 20.0;
/// The last messages come while it bakes, min.
const BAKING_MIN: f64 = 40.0;
/// What nobody was told of is noticed so long after it is ready, min.
const NOTICED_MIN: f64 = 15.0;
/// No bake takes longer, min.
const LONGEST_MIN: f64 = 26.0 * 60.0;

/// An ordinary bake.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Both proofs in the oven with its light on, in a cold room.
    WinterLamp,
    /// Both on the counter of a hot room.
    SummerRoom,
    /// Half an hour on the counter, the night in the fridge, the final proof in the
    /// room.
    OvernightCold,
}

impl Kind {
    pub(super) const ALL: [Self; 3] = [Self::WinterLamp, Self::SummerRoom, Self::OvernightCold];

    pub(super) fn name(self) -> &'static str {
        match self {
            Self::WinterLamp => "winter, oven with its light on",
            Self::SummerRoom => "summer, on the counter",
            Self::OvernightCold => "overnight in the fridge",
        }
    }

    fn proofs_in(self) -> &'static str {
        match self {
            Self::WinterLamp => "oven",
            Self::SummerRoom | Self::OvernightCold => "counter",
        }
    }
}

/// What the baker means to do.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Act {
    /// Into the fridge.
    ToFridge,
    /// A finger dent.
    Dent,
    /// The lamp off (a room has none).
    LampOff,
    /// Everything out of the oven, and the oven on; told to the page only when it asks.
    Preheat,
    /// The tap "all out, preheating".
    AllOut,
    /// This proof ends.
    End,
}

/// Past readings and tonight's.
struct Both<'a> {
    past: &'a InMemory,
    tonight: Vec<StoredReading>,
}

impl Readings for Both<'_> {
    fn of_place(
        &self,
        place: &str,
        quantity: Quantity,
        from: UtcMs,
        to: UtcMs,
    ) -> Result<Vec<StoredReading>> {
        let mut all = self.past.of_place(place, quantity, from, to)?;
        let tonight = self.tonight.iter();
        all.extend(
            tonight
                .filter(|r| r.time >= from && r.time < to)
                .filter(|r| r.quantity == quantity && r.place.as_deref() == Some(place))
                .cloned(),
        );
        Ok(all)
    }

    fn newest_of_place(
        &self,
        place: &str,
        quantity: Quantity,
        before: UtcMs,
        newest: usize,
    ) -> Result<Vec<StoredReading>> {
        let mut all = self.past.newest_of_place(place, quantity, before, newest)?;
        all.extend(self.of_place(place, quantity, FIRST_NIGHT, before)?);
        let keep = all.len().saturating_sub(newest);
        Ok(all.split_off(keep))
    }
}

/// A place's air and the sensor in it.
struct Spot {
    cavity: Option<Cavity>,
    sensor: Simulated,
    facts: SensorFacts,
    gaps: Gaps,
}

struct Bake<'a> {
    kind: Kind,
    kitchen: &'a Kitchen,
    chance: Chance,
    room: Room,
    spots: BTreeMap<&'static str, Spot>,
    proof: Proof,
    recipe: usize,
    book: Book,
    readings: Both<'a>,
    watcher: Watcher,
    rows: Vec<AlertRow>,
    view: Option<(UtcMs, forecasts::ProofView)>,
    now: UtcMs,
    /// Where the dough is; nowhere once it is in the hot oven.
    at: Option<&'static str>,
    stage: Option<StageKind>,
    plans: Vec<(UtcMs, Act)>,
    told: Told,
    ended: Vec<StageKind>,
}

const ID: &str = "bake";

impl<'a> Bake<'a> {
    fn new(kind: Kind, kitchen: &'a Kitchen, past: &'a InMemory, number: usize) -> Self {
        let mut chance = Chance::from_seed(660_000 + number as u64);
        let recipe_no = number % 3;
        let recipe = Recipe {
            law: kitchen.law,
            ..recipes()[recipe_no].1
        };
        let pace = &kitchen.paces[recipe_no];
        let (room_c, lamp_w) = match kind {
            Kind::WinterLamp => (chance.between(16.0, 20.0), chance.between(7.0, 11.0)),
            Kind::SummerRoom => (chance.between(26.0, 29.0), 0.0),
            Kind::OvernightCold => (chance.between(19.0, 23.0), 0.0),
        };
        let start_h = match kind {
            Kind::OvernightCold => chance.between(18.0, 21.0),
            _ => chance.between(6.0, 11.0),
        };
        let begin = FIRST_NIGHT.plus_min(60.0 * start_h);
        let mut room = Room::new(room_c, chance.between(0.3, 1.0), 0.6, &mut chance);
        let mut spots = BTreeMap::new();
        for (place, cavity, interval_s) in [
            ("counter", None, 30.0),
            ("oven", Some(Cavity::oven(room_c, lamp_w)), 30.0),
            ("fridge", Some(Cavity::fridge(room_c)), 60.0),
        ] {
            let habit = Habit {
                interval_s,
                lag_s: chance.between(15.0, 40.0),
                offset: chance.normal(0.0, 0.15),
                // A radio that drops out is no ordinary bake: that is told, as silence.
                falls_silent: 0.0,
                ..Habit::default()
            };
            let facts = SensorFacts {
                sensor: place.into(),
                place: Some(place.into()),
                longest_gap_s: None,
                last_heard: None,
                air: true,
            };
            let sensor = Simulated::new(habit, 80.0, chance.branch());
            let spot = Spot {
                cavity,
                sensor,
                facts,
                gaps: Gaps::default(),
            };
            spots.insert(place, spot);
        }
        // The light has been on for some hours.
        for k in 0..(6 * 360) {
            let at = begin.plus_min(-20.0).plus_ms((k - 6 * 360) * 10_000);
            room.step(10.0, at, &mut chance);
            for spot in spots.values_mut() {
                if let Some(cavity) = &mut spot.cavity {
                    cavity.step(10.0, room_c, room.vapour_pa, 0.0, None);
                }
                let air_c = spot.cavity.as_ref().map_or(room.air_c(), |c| c.air_c);
                if spot.sensor.step(10.0, air_c).is_some() {
                    spot.gaps.arrived(at);
                }
            }
        }
        let temper = Temper::draw(kitchen.speed_sd, &mut chance);
        let mixed_c = chance.normal(24.5, 1.0);
        let mut bake = Self {
            kind,
            kitchen,
            room,
            spots,
            proof: Proof::bulk(&recipe, pace, temper, recipe.bulk_kg, mixed_c),
            recipe: recipe_no,
            book: Book::from_records(kitchen.past.records.iter().cloned()),
            readings: Both {
                past,
                tonight: Vec::new(),
            },
            watcher: Watcher::default(),
            rows: Vec::new(),
            view: None,
            now: begin.plus_min(-20.0),
            at: None,
            stage: None,
            plans: Vec::new(),
            told: Told {
                kind,
                counts: [0; 3],
                names: Vec::new(),
                ready_after_end: false,
            },
            ended: Vec::new(),
            chance,
        };
        bake.records(&recipe, begin);
        bake
    }

    /// Places, dough and batch as the baker has written them.
    fn records(&mut self, recipe: &Recipe, begin: UtcMs) {
        let name = recipes()[self.recipe].0;
        let scene = Scene {
            seed: 0,
            begin,
            stage: StageKind::Bulk,
            recipe: self.recipe,
            law: self.kitchen.law,
            speed_sd: self.kitchen.speed_sd,
            room_c: self.room.mean_c,
            standing: match self.kind {
                Kind::WinterLamp => Standing::Oven(self.lamp_w()),
                _ => Standing::Room,
            },
            interval_s: 30.0,
            lead_min: 30.0,
            oddity: None,
            fault: None,
        };
        for record in standing(&scene, name, recipe, &self.kitchen.paces[self.recipe]) {
            let record = match record {
                Record::Dough(mut dough) => {
                    // The usual leads: 10 min for bulk, 30 for the final proof.
                    dough.lead_min = None::<LeadMin>;
                    if self.recipe > 0 {
                        dough.caution = vec!["egg".into(), "milk".into()];
                    }
                    Record::Dough(dough)
                }
                other => other,
            };
            self.book.put(record);
        }
        for (name, kind) in [("counter", PlaceKind::Room), ("fridge", PlaceKind::Fridge)] {
            self.book.put(Record::Place(Place {
                name: name.into(),
                kind: Some(kind),
                ..Place::default()
            }));
        }
        self.book.put(Record::Batch(Batch {
            id: ID.into(),
            dough: name.into(),
            place: self.kind.proofs_in().into(),
            pieces: Some(14),
            piece_mass_g: Some(62.0),
            formula: Some(formula(self.recipe)),
            ..Batch::default()
        }));
    }

    fn lamp_w(&self) -> f64 {
        let oven = self.spots.get("oven").and_then(|s| s.cavity.as_ref());
        oven.map_or(0.0, |c| c.lamp_w)
    }

    fn air_c(&self, place: &str) -> f64 {
        let cavity = self.spots.get(place).and_then(|s| s.cavity.as_ref());
        cavity.map_or(self.room.air_c(), |c| c.air_c)
    }

    fn enter(&mut self, record: Record) {
        self.book.put(record);
        // The book changed: a forecast is due.
        self.view = None;
        let book = Arc::new(self.book.clone());
        self.watcher.see(self.now, &Input::Book(book));
    }

    fn stage_record(&self, stage: StageKind, place: &str) -> StageRecord {
        StageRecord {
            batch: ID.into(),
            stage,
            start: self.now,
            end: None,
            outcome: None,
            dough_temperature: None,
            by: None,
            place: Some(place.into()),
            extra: Default::default(),
        }
    }

    fn begin(&mut self, stage: StageKind) {
        let place = self.kind.proofs_in();
        self.at = Some(place);
        self.stage = Some(stage);
        if stage == StageKind::Final {
            self.proof.begin_final(&self.kitchen.paces[self.recipe]);
        } else if self.kind == Kind::OvernightCold {
            self.plan(30.0, Act::ToFridge);
            // Shaped in the morning, if nothing calls before.
            let morning = FIRST_NIGHT.plus_min(24.0 * 60.0 + self.chance.between(390.0, 450.0));
            self.plans.push((morning, Act::End));
        }
        self.enter(Record::Stage(self.stage_record(stage, place)));
    }

    fn plan(&mut self, in_min: f64, act: Act) {
        self.plans.push((self.now.plus_min(in_min), act));
    }

    /// What the baker does on a message, within its lead.
    fn hear(&mut self, alert: &str, state: &str) {
        let Some(stage) = self
            .stage
            .filter(|_| state == "raised" || state == "changed")
        else {
            return;
        };
        let lead = if stage == StageKind::Bulk { 10.0 } else { 30.0 };
        match alert {
            "nearly_ready" if state == "raised" => {
                let in_min = lead * self.chance.between(0.5, 0.8);
                if self.at == Some("oven") && stage == StageKind::Final {
                    self.plan(in_min * 0.4, Act::Preheat);
                }
                self.plan(in_min, Act::End);
            }
            "ready" | "over_proofing" => self.plan(2.0, Act::End),
            "check_the_dough" => self.plan(3.0, Act::Dent),
            "too_hot" | "will_be_too_hot" => self.plan(2.0, Act::LampOff),
            "oven_on" => self.plan(1.0, Act::AllOut),
            _ => {}
        }
    }

    fn act(&mut self, act: Act) {
        match act {
            Act::ToFridge => self.carry("fridge"),
            Act::LampOff => {
                if let Some(cavity) = self.spots.get_mut("oven").and_then(|s| s.cavity.as_mut()) {
                    cavity.lamp_w = 0.0;
                    cavity.open_door(0.5, self.room.air_c(), self.room.vapour_pa);
                }
            }
            Act::Preheat => {
                // Every other baker enters it before being asked.
                let taps = self.chance.happens(0.5);
                if taps {
                    self.carry("counter");
                } else {
                    self.at = Some("counter");
                }
                if let Some(cavity) = self.spots.get_mut("oven").and_then(|s| s.cavity.as_mut()) {
                    (cavity.lamp_w, cavity.element_w) = (0.0, MAIN_ELEMENT_W);
                }
            }
            Act::AllOut => self.carry("counter"),
            Act::Dent => {
                let felt = self.proof.dent(&mut self.chance);
                let seen = Observation {
                    batch: ID.into(),
                    time: self.now,
                    kind: ObservationKind::FingerDent,
                    rise: None,
                    result: Some(felt),
                    value: None,
                    unit: None,
                    by: None,
                    text: None,
                    extra: Default::default(),
                };
                self.enter(Record::Observation(seen));
            }
            Act::End => self.end(),
        }
    }

    fn carry(&mut self, place: &'static str) {
        self.at = Some(place);
        self.enter(Record::Move(Move {
            batch: ID.into(),
            time: self.now,
            place: place.into(),
            by: None,
            extra: Default::default(),
        }));
    }

    fn end(&mut self) {
        let Some(stage) = self.stage.take() else {
            return;
        };
        self.plans.clear();
        self.ended.push(stage);
        let known = self.book.stage(ID, stage).cloned();
        let mut record = known.unwrap_or_else(|| self.stage_record(stage, "counter"));
        record.end = Some(self.now);
        record.outcome = Some(Outcome::Ready);
        self.enter(Record::Stage(record));
        if stage == StageKind::Bulk {
            self.at = Some("counter");
            let pieces = recipes()[self.recipe].1.pieces;
            self.proof.shape(pieces, Shape::Sphere);
        } else {
            self.at = None;
        }
    }

    /// Physics, sensors, rules: one step.
    fn step(&mut self) {
        self.now = self.now.plus_ms((STEP_S * 1000.0) as i64);
        self.room.step(STEP_S, self.now, &mut self.chance);
        let (room_c, vapour) = (self.room.air_c(), self.room.vapour_pa);
        let mut drawn_w = 0.0;
        if let Some(place) = self.at {
            drawn_w = self.proof.step(STEP_S, self.air_c(place));
        }
        let skin_c = self.proof.body.skin_c();
        let mut heard = Vec::new();
        for (place, spot) in &mut self.spots {
            let here = self.at == Some(*place);
            if let Some(cavity) = &mut spot.cavity {
                let drawn = if here { drawn_w } else { 0.0 };
                cavity.step(STEP_S, room_c, vapour, drawn, here.then_some(skin_c));
            }
            let air_c = spot.cavity.as_ref().map_or(room_c, |c| c.air_c);
            if let Some(value) = spot.sensor.step(STEP_S, air_c) {
                spot.facts.last_heard = Some(self.now);
                spot.gaps.arrived(self.now);
                spot.facts.longest_gap_s = spot.gaps.longest_s();
                heard.push(reading(self.now, place, value));
            }
        }
        for r in &heard {
            let r = stored(r);
            self.watcher
                .see(self.now, &Input::Readings(std::slice::from_ref(&r)));
            self.readings.tonight.push(r);
        }
        self.forecast();
        let facts = self.spots.values().map(|s| s.facts.clone()).collect();
        self.watcher.see(self.now, &Input::Sensors(facts));
        self.watcher.see(self.now, &Input::Tick);
        self.look();
    }

    fn forecast(&mut self) {
        if self.stage.is_none() {
            self.watcher.see(self.now, &Input::Proofs(BTreeMap::new()));
            return;
        }
        if !due(self.view.as_ref(), self.now, self.view.is_none(), 30.0) {
            return;
        }
        let sources = Sources {
            book: &self.book,
            readings: &self.readings,
            model_sensors: &[],
        };
        let view = forecasts::view(sources, &self.kitchen.past.learned, ID, self.now);
        self.view = view.ok().map(|v| (self.now, v));
        let views = self
            .view
            .iter()
            .map(|(_, v)| (ID.to_owned(), Arc::new(v.clone())));
        self.watcher.see(self.now, &Input::Proofs(views.collect()));
    }

    fn look(&mut self) {
        let found = self.watcher.findings();
        let open = self.rows.iter().filter(|r| r.cleared.is_none());
        let step = life::look(
            self.now,
            &found,
            open.cloned().collect(),
            &Manner::default(),
            &mut |id| {
                let mut rows = self.rows.iter();
                rows.find(|r| r.id == id && r.cleared.is_some()).cloned()
            },
            &|rule, subject| self.watcher.ending(rule, subject),
        );
        for mut row in step.rows {
            // On a look at the phone it counts as seen: repeats are for those who did not come.
            if row.told.is_some() {
                row.seen.get_or_insert(self.now);
            }
            self.rows.retain(|r| r.id != row.id);
            self.rows.push(row);
        }
        for message in step.messages.iter().filter(|m| m.pushed) {
            let text = |field: &str| message.doc[field].as_str().unwrap_or_default().to_owned();
            let (alert, state) = (text("alert"), text("state"));
            let which = match (alert.as_str(), self.ended.first()) {
                ("oven_on", _) => 2,
                (_, None) => 0,
                (_, Some(_)) => 1,
            };
            self.told.counts[which] += 1;
            let of_ended = |s: &StageKind| text("stage") == s.as_str();
            if alert == "ready" && state != "cleared" && self.ended.iter().any(of_ended) {
                self.told.ready_after_end = true;
            }
            let again = if state == "raised" { "" } else { " again" };
            self.told.names.push(format!("{alert}{again}"));
            self.hear(&alert, &state);
        }
    }

    /// From 20 minutes before the dough is mixed until it is baked.
    fn live(mut self) -> Told {
        self.watcher.see(self.now, &Input::Afresh);
        let begin = self.now.plus_min(20.0);
        let book = Arc::new(self.book.clone());
        self.watcher.see(self.now, &Input::Book(book));
        let last = begin.plus_min(LONGEST_MIN);
        let mut next = Some((begin, StageKind::Bulk));
        let mut baked = None;
        while self.now < last && baked.is_none_or(|at| self.now < at) {
            self.step();
            if let Some((_, stage)) = next.filter(|(at, _)| self.now >= *at) {
                next = None;
                self.begin(stage);
            }
            let unplanned = !self.plans.iter().any(|(_, act)| *act == Act::End);
            if self.stage.is_some() && unplanned && self.proof.ready_after_s().is_some() {
                self.plan(NOTICED_MIN, Act::End);
            }
            while let Some(i) = self.plans.iter().position(|(at, _)| *at <= self.now) {
                let (_, act) = self.plans.swap_remove(i);
                self.act(act);
            }
            if self.stage.is_none() && self.at.is_some() && next.is_none() {
                next = Some((self.now.plus_min(SHAPING_MIN), StageKind::Final));
            }
            if self.ended.len() == 2 && baked.is_none() {
                baked = Some(self.now.plus_min(BAKING_MIN));
            }
        }
        self.told
    }
}

/// Lives through ordinary bakes: a share of 40 of each kind, kitchens numbered from `first`.
///
/// # Errors
/// The forecasts' own.
pub fn bakes(share: f64, first: usize) -> std::result::Result<Bakes, StoreError> {
    let count = ((BAKES as f64 * share).round() as usize).max(A_KITCHEN);
    let numbers: Vec<usize> = (first..first + count.div_ceil(A_KITCHEN)).collect();
    let found = each(&numbers, |&number| {
        let kitchen = Kitchen::found(number)?;
        let past = InMemory::new(kitchen.past.readings.iter().cloned());
        let mut all = Vec::new();
        for kind in Kind::ALL {
            for i in 0..A_KITCHEN {
                all.push(Bake::new(kind, &kitchen, &past, number * A_KITCHEN + i).live());
            }
        }
        Ok(all)
    });
    let mut all = Vec::new();
    for kitchen in found {
        all.extend(kitchen?);
    }
    Ok(Bakes(all))
}

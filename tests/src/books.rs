//! Simulated log books: two years of one kitchen's bakes under a structural law, as the baker and the
//! thermometer would have written them down, and beside them the truth that nobody wrote down.
//!
//! The history lies in the first year, the judged batches in the second. History and judged batches
//! come from separate streams of chance, so the same judged batches follow histories of any length.

use crate::chance::{Chance, stream};
use crate::house::{FORMULAS, Kitchen, box_step, room_step};
use crate::laws::{self, BatchChance, Dough, Law, Recipe, Stage};
use jiff::{Timestamp, ToSpan, civil::date, tz::TimeZone};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Minutes of air logged before mixing.
pub const BEFORE_MIN: usize = 30;
/// Minutes between two readings.
const EVERY_MIN: usize = 3;
/// A stage not ready by then is no proof; its batch is drawn again.
const LONGEST_MIN: usize = 420;
/// The baker looks in once every so many minutes, drawn once a batch, evenly in the logarithm.
pub const LOOK_MIN: (f64, f64) = (6.0, 40.0);
/// The nearer the dough, the oftener: spacing of the looks about the moment it becomes ready.
pub const LAST_LOOK_MIN: (f64, f64) = (6.0, 31.0);

/// Noise of the baker's notes: known to the bound, to no one else.
pub mod noise {
    /// A rise: relative part.
    pub const RISE_RELATIVE: f64 = 0.07;
    /// A rise: absolute part.
    pub const RISE_ABSOLUTE: f64 = 0.03;
    /// Rises are written down to this.
    pub const RISE_STEP: f64 = 0.05;
    /// Readiness as the finger feels it (log).
    pub const DENT: f64 = 0.07;
    /// Below this felt readiness the dent springs back.
    pub const DENT_SLOW: f64 = 0.95;
    /// Above this felt readiness the dent stays.
    pub const DENT_STAYS: f64 = 1.22;
    /// Share of dents written down wrong.
    pub const DENT_WRONG: f64 = 0.03;
    /// Spot reading of the dough, K.
    pub const DOUGH_C: f64 = 0.4;
    /// Air sensor, K.
    pub const AIR_C: f64 = 0.1;
    /// Dough temperature after mixing, about the kitchen's habit, K.
    pub const START_C: f64 = 1.0;
    /// Room's wandering within a day, K, and its correlation time, min.
    pub const ROOM_C: f64 = 0.5;
    /// Correlation time of the room's wandering, min.
    pub const ROOM_MIN: f64 = 90.0;
}

/// One stage as it really went.
#[derive(Clone, Debug)]
pub struct TrueStage {
    /// Minutes after the batch's start at which it began.
    pub start_min: usize,
    /// Minutes after the stage's start at which the eye would have called it ready.
    pub ready_min: f64,
    /// Minutes after the stage's start at which the baker ended it.
    pub end_min: usize,
    /// What the baker noted: minutes after the stage's start, and the note.
    pub notes: Vec<(usize, Note)>,
    /// The dough's temperature as measured at the start.
    pub start_c: Option<f64>,
    /// How the baker called it.
    pub outcome: &'static str,
    /// Was it ended before it was ready?
    pub hurried: bool,
}

/// A note of the baker's.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Note {
    /// Rise since the start of the stage.
    Rise(f64),
    /// Finger dent: -1 springs back, 0 returns slowly, 1 stays.
    Dent(i8),
    /// The dough's temperature, °C.
    DoughTemperature(f64),
}

/// One batch as it really went, for the bound and for the truth.
#[derive(Clone, Debug)]
pub struct TrueBatch {
    /// Its id in the log book.
    pub id: String,
    /// Index of its recipe.
    pub recipe: usize,
    /// Yeast as a ratio to the recipe's usual.
    pub dose_ratio: f64,
    /// True temperature of the air about the dough, one a minute, from [`BEFORE_MIN`] before mixing.
    pub air_c: Vec<f64>,
    /// True temperature of the room, likewise.
    pub room_c: Vec<f64>,
    /// The room without its wandering, likewise: what the bound expects of it.
    pub room_mean_c: Vec<f64>,
    /// Does it stand in the lamp-lit box?
    pub lamp: bool,
    /// When it was mixed.
    pub start: Timestamp,
    /// Bulk and final.
    pub stages: [TrueStage; 2],
}

/// A log book and what is true of it.
pub struct Book {
    /// Records as in the contract, in its order of export.
    pub records: Vec<Value>,
    /// "batch/stage" to the true ready time.
    pub truth: BTreeMap<String, Timestamp>,
    /// The kitchen.
    pub kitchen: Kitchen,
    /// Batches of the first year, then those of the second, in order of time.
    pub batches: Vec<TrueBatch>,
    /// How many of them are history.
    pub history: usize,
}

impl Book {
    /// Ids of the batches to learn from.
    pub fn history_ids(&self) -> Vec<String> {
        self.batches[..self.history]
            .iter()
            .map(|b| b.id.clone())
            .collect()
    }
}

/// A log book of `kitchen` number `number` under `law`: `history` batches in the first year, `judged`
/// in the second.
pub fn book(law: &dyn Law, seed: u64, number: u64, history: usize, judged: usize) -> Book {
    let at = |purpose: u64| stream(seed, number * 1024 + purpose);
    let kitchen = Kitchen::draw(law, number, &mut at(0));
    // The whole first year is always drawn at its own length, so that a short history is not the
    // beginning of a long one but a baker who baked seldom.
    let mut batches = year(
        law,
        &kitchen,
        2031,
        history,
        true,
        &mut at(16 + history as u64),
    );
    batches.extend(year(law, &kitchen, 2032, judged, false, &mut at(2)));
    let mut ink = at(3);
    let records = write(&kitchen, &batches, &mut ink);
    let mut truth = BTreeMap::new();
    for b in &batches {
        for (stage, s) in Stage::BOTH.iter().zip(&b.stages) {
            truth.insert(
                format!("{}/{}", b.id, stage.name()),
                after(b.start, s.start_min as f64 + s.ready_min),
            );
        }
    }
    Book {
        records,
        truth,
        kitchen,
        batches,
        history,
    }
}

fn year(
    law: &dyn Law,
    kitchen: &Kitchen,
    year: i16,
    n: usize,
    hurry: bool,
    rng: &mut ChaCha8Rng,
) -> Vec<TrueBatch> {
    (0..n)
        .map(|i| {
            let day = ((i as f64 + rng.random::<f64>()) * 364.0 / n as f64) as i64;
            // Both doughs from the first bakes on; after that as the week wants them.
            let recipe = if i < 2 {
                i
            } else {
                rng.random_range(0..kitchen.recipes.len())
            };
            loop {
                if let Some(b) = batch(law, kitchen, year, day, recipe, hurry, rng) {
                    return b;
                }
            }
        })
        .collect()
}

fn batch(
    law: &dyn Law,
    kitchen: &Kitchen,
    year: i16,
    day: i64,
    recipe: usize,
    hurry: bool,
    rng: &mut ChaCha8Rng,
) -> Option<TrueBatch> {
    let hour = rng.random_range(5.5..16.0);
    let start = TimeZone::UTC
        .to_timestamp(date(year, 1, 1).at(0, 0, 0, 0))
        .ok()?;
    let start = after(start, day as f64 * 1440.0 + (hour * 60.0_f64).round());
    let r = &kitchen.recipes[recipe];

    // The air.
    let weather = 0.9 * rng.normal();
    let season = kitchen.season_k * (std::f64::consts::TAU * (day as f64 - 200.0) / 365.0).cos();
    let length = BEFORE_MIN + 2 * LONGEST_MIN + 120;
    let mut wander = noise::ROOM_C * rng.normal();
    let (mut room_c, mut room_mean_c) = (Vec::with_capacity(length), Vec::with_capacity(length));
    for i in 0..length {
        let h = hour + (i as f64 - BEFORE_MIN as f64) / 60.0;
        let mean = kitchen.room_c
            + season
            + weather
            + 0.8 * (std::f64::consts::TAU * (h - 16.0) / 24.0).cos();
        wander = room_step(wander, rng);
        room_mean_c.push(mean);
        room_c.push(mean + wander);
    }
    let lamp = rng.random_bool(if room_c[BEFORE_MIN] < 21.0 { 0.65 } else { 0.3 });
    let air_c = if lamp {
        // The lamp goes on with the dough, or up to half an hour earlier.
        let on = rng.random_range(0..=BEFORE_MIN);
        let mut c = room_c[0];
        (0..length)
            .map(|i| {
                c = if i >= on {
                    box_step(c, room_c[i], kitchen)
                } else {
                    room_c[i]
                };
                c
            })
            .collect()
    } else {
        room_c.clone()
    };

    // The dough.
    let dose_ratio = (0.12 * rng.normal()).exp();
    let chance = BatchChance::draw(dose_ratio, rng);
    let mixed_c = kitchen.mixed_c(room_c[BEFORE_MIN]) + noise::START_C * rng.normal();
    let mut dough = law.mixed(r, mixed_c);
    let look = rng.log_uniform(LOOK_MIN.0, LOOK_MIN.1);
    let bulk = prove(
        law,
        r,
        Stage::Bulk,
        &chance,
        &mut dough,
        &air_c,
        0,
        look,
        hurry,
        rng,
    )?;
    let bench = rng.random_range(12..25);
    dough = law.shaped(r, &dough);
    let shaped_at = bulk.end_min + bench;
    dough.rest_on_bench(room_c[BEFORE_MIN + bulk.end_min], bench as f64);
    let last = prove(
        law,
        r,
        Stage::Final,
        &chance,
        &mut dough,
        &air_c,
        shaped_at,
        look,
        hurry,
        rng,
    )?;

    let id = format!("{year}-{:03}-{:03}", day + 1, (hour * 10.0) as u32);
    Some(TrueBatch {
        id,
        recipe,
        dose_ratio,
        air_c,
        room_c,
        room_mean_c,
        lamp,
        start,
        stages: [bulk, last],
    })
}

/// Lets a dough prove, the baker looking in, until it is ended; `dough` is left as it then was.
#[allow(clippy::too_many_arguments)]
fn prove(
    law: &dyn Law,
    r: &Recipe,
    stage: Stage,
    chance: &BatchChance,
    dough: &mut Dough,
    air_c: &[f64],
    start_min: usize,
    look: f64,
    hurry: bool,
    rng: &mut ChaCha8Rng,
) -> Option<TrueStage> {
    let start_c = rng
        .random_bool(0.6)
        .then(|| tenth(dough.mean_c() + noise::DOUGH_C * rng.normal()));
    // How many notes the baker is in the mood for, spread over the looks that are to be expected.
    let mood = rng.random_range(0..=5_u32);
    let share = (f64::from(mood) * look / 35.0).min(1.0);
    let hurried = hurry && rng.random_bool(0.06);
    let patience = if hurried {
        rng.random_range(0.75..0.92)
    } else {
        1.0
    };
    let eye = chance.eye[stage.index()];
    let mut next = look * rng.random_range(0.2..1.0);
    let (mut notes, mut ended, mut ready) = (Vec::new(), None, None);
    let mut at_end = *dough;
    let mut before = law.readiness(r, stage, eye, dough);
    for minute in 0..LONGEST_MIN {
        laws::step(
            law,
            r,
            stage,
            chance,
            dough,
            air_c[BEFORE_MIN + start_min + minute],
            rng,
        );
        let now = law.readiness(r, stage, eye, dough);
        if ready.is_none() && now >= 1.0 {
            ready = Some(minute as f64 + (1.0 - before) / (now - before));
        }
        before = now;
        let clock = minute + 1;
        if ended.is_none() && clock as f64 >= next {
            let nearing = 1.25 - 0.6 * now.clamp(0.0, 1.0);
            next += (look * nearing * rng.random_range(0.8..1.2)).clamp(LOOK_MIN.0, LOOK_MIN.1);
            if (notes.len() as u32) < mood && rng.random_bool(share) {
                notes.push((clock, note(law, dough, now, rng)));
            }
            if now >= patience {
                ended = Some((clock, now));
                at_end = *dough;
            }
        }
        if let (Some(ready_min), Some((end_min, readiness))) = (ready, ended) {
            *dough = at_end;
            let outcome = outcome(readiness, rng);
            return Some(TrueStage {
                start_min,
                ready_min,
                end_min,
                notes,
                start_c,
                outcome,
                hurried: (end_min as f64) < ready_min,
            });
        }
    }
    None
}

fn note(law: &dyn Law, dough: &Dough, readiness: f64, rng: &mut ChaCha8Rng) -> Note {
    if rng.random_bool(0.1) {
        return Note::DoughTemperature(tenth(dough.mean_c() + noise::DOUGH_C * rng.normal()));
    }
    if readiness > 0.45 && rng.random_bool(0.45) {
        let felt = readiness * (noise::DENT * rng.normal()).exp();
        let true_dent = if felt < noise::DENT_SLOW {
            -1
        } else if felt < noise::DENT_STAYS {
            0
        } else {
            1
        };
        let wrong = rng.random_bool(noise::DENT_WRONG);
        return Note::Dent(if wrong {
            rng.random_range(-1..=1)
        } else {
            true_dent
        });
    }
    let rise = law.rise(dough);
    let seen =
        rise * (1.0 + noise::RISE_RELATIVE * rng.normal()) + noise::RISE_ABSOLUTE * rng.normal();
    Note::Rise((noise::RISE_STEP * (seen / noise::RISE_STEP).round()).max(0.0))
}

/// How the baker calls a stage ended at this readiness: right but for one in twenty-five.
fn outcome(readiness: f64, rng: &mut ChaCha8Rng) -> &'static str {
    if rng.random_bool(0.04) {
        return ["under", "ready", "over", "unknown"][rng.random_range(0..4)];
    }
    let felt = readiness * (0.05 * rng.normal()).exp();
    if felt < 0.88 {
        "under"
    } else if felt < 1.35 {
        "ready"
    } else {
        "over"
    }
}

fn tenth(v: f64) -> f64 {
    (v * 10.0).round() / 10.0
}

fn rounded(v: f64) -> f64 {
    (v * 100.0).round() / 100.0
}

/// `minutes` after `t`, to the millisecond.
pub fn after(t: Timestamp, minutes: f64) -> Timestamp {
    t + ((minutes * 60_000.0).round() as i64).milliseconds()
}

fn write(kitchen: &Kitchen, batches: &[TrueBatch], ink: &mut ChaCha8Rng) -> Vec<Value> {
    let mut out = vec![
        json!({"record":"place","name":"box","kind":"box"}),
        json!({"record":"place","name":"counter","kind":"room"}),
    ];
    for (i, r) in kitchen.recipes.iter().enumerate() {
        out.push(match &kitchen.stated {
            Some(s) => json!({"record":"dough","name":r.name,"bulk":{"usual_min":s[i][0],"at":24},"final":{"usual_min":s[i][1],"at":24}}),
            None => json!({"record":"dough","name":r.name}),
        });
    }
    let place = |b: &TrueBatch| if b.lamp { "box" } else { "counter" };
    for b in batches {
        let r = &kitchen.recipes[b.recipe];
        let f = FORMULAS
            .iter()
            .find(|f| f.name == r.name)
            .unwrap_or(&FORMULAS[0]);
        let flour_g = 460.0;
        let mut formula: Vec<Value> = f
            .parts
            .iter()
            .map(|(n, pct)| json!({"ingredient":n,"mass_g":tenth(flour_g * pct / 100.0)}))
            .collect();
        formula.push(json!({"ingredient":"instant yeast","mass_g":rounded(flour_g * r.dose_pct * b.dose_ratio / 100.0)}));
        out.push(json!({"record":"batch","id":b.id,"dough":r.name,"place":place(b),"pieces":f.pieces.0,"piece_mass_g":f.pieces.1,"formula":formula}));
    }
    for b in batches {
        for (stage, s) in Stage::BOTH.iter().zip(&b.stages) {
            let start = after(b.start, s.start_min as f64);
            let mut v = json!({"record":"stage","batch":b.id,"stage":stage.name(),"start":start.to_string(),"end":after(start, s.end_min as f64).to_string(),"outcome":s.outcome});
            if let Some(c) = s.start_c {
                v["dough_temperature"] = json!(c);
            }
            out.push(v);
        }
    }
    for b in batches {
        for s in &b.stages {
            for (minute, n) in &s.notes {
                let mut v = json!({"record":"observation","batch":b.id,"time":after(b.start, (s.start_min + minute) as f64).to_string()});
                match n {
                    Note::Rise(r) => {
                        v["kind"] = json!("rise");
                        v["rise"] = json!(rounded(*r));
                    }
                    Note::Dent(d) => {
                        v["kind"] = json!("finger_dent");
                        v["result"] =
                            json!(["springs_back", "returns_slowly", "stays"][(*d + 1) as usize]);
                    }
                    Note::DoughTemperature(c) => {
                        v["kind"] = json!("dough_temperature");
                        v["value"] = json!(c);
                        v["unit"] = json!("Cel");
                    }
                }
                out.push(v);
            }
        }
    }
    for b in batches {
        let last = &b.stages[1];
        for i in (0..BEFORE_MIN + last.start_min + last.end_min + 15).step_by(EVERY_MIN) {
            let value = tenth(b.air_c[i] + kitchen.sensor_k + noise::AIR_C * ink.normal());
            let time = after(b.start, i as f64 - BEFORE_MIN as f64);
            out.push(json!({"record":"reading","time":time.to_string(),"sensor":place(b),"quantity":"air_temperature","value":value,"unit":"Cel"}));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn judged_batches_do_not_depend_on_the_history() {
        let law = laws::Bubbles;
        let (a, b) = (book(&law, 7, 3, 8, 4), book(&law, 7, 3, 0, 4));
        let truths = |k: &Book| {
            k.truth
                .iter()
                .filter(|(id, _)| id.starts_with("2032"))
                .map(|(i, t)| (i.clone(), *t))
                .collect::<Vec<_>>()
        };
        assert_eq!(truths(&a), truths(&b));
        assert_eq!(truths(&a).len(), 8);
    }

    #[test]
    fn the_scenario_is_as_described() {
        let mut rises = 0;
        for law in laws::all() {
            let k = book(law.as_ref(), 11, 0, 30, 10);
            assert!(k.records.iter().all(|r| r["record"].is_string()));
            for b in &k.batches {
                for s in &b.stages {
                    assert!(s.notes.len() <= 5);
                    assert!(s.hurried || s.end_min as f64 >= s.ready_min);
                    assert!(s.end_min as f64 - s.ready_min <= LOOK_MIN.1 + 1.0);
                    rises += s
                        .notes
                        .iter()
                        .filter(|(_, n)| matches!(n, Note::Rise(_)))
                        .count();
                }
                assert!(b.air_c.iter().all(|c| (14.0..38.0).contains(c)));
            }
            assert!(
                k.batches
                    .iter()
                    .skip(30)
                    .all(|b| b.stages.iter().all(|s| !s.hurried))
            );
        }
        assert!(rises > 100);
    }
}

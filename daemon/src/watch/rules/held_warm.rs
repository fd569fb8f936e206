//! Held warm.
//!
//! Egg-and-milk dough's time above the cold-holding limit of food codes (5 °C), counted since its
//! batch's first stage began, shaping included; cooling neither resets nor hides the count.
//! **Shown** from 2 hours, **pushed once** at 4 hours (the figures of the FDA Food Code 3-501.19
//! and of the USDA's two-hour rule), never in quiet hours. A caution that defers to local codes,
//! never a clearance. **Clears** when the last proof has ended; shaping between two is warm work
//! and counts on.

use std::collections::BTreeMap;

use serde_json::json;

use super::{About, Finding, Open, Rule, Severity, Subject};
use crate::batches::record::{Outcome, PlaceKind, StageKind};
use crate::time::{HOUR_MS, UtcMs};
use crate::watch::advice;
use crate::watch::world::{Input, Proof, World};

/// What it is.
pub static ABOUT: About = About {
    name: "held_warm",
    fires: "a dough with egg or milk has been above 5 °C for 2 h (shown) and 4 h (pushed once, never in quiet hours)",
    clears: "the final proof has ended, or 3 h of shaping; cooling neither resets nor hides the count",
    default: "2 h and 4 h",
    why: "food codes count the time above cold holding; the local code decides",
    severity: Severity::Note,
    repeats: false,
    tells_over: false,
    expires_min: 4 * 60,
    gives_way_to: &[],
};

/// The cold-holding limit, °C (FDA Food Code: 41 °F).
const COLD_C: f64 = 5.0;
/// Shown from here, ms.
const SHOWN_MS: i64 = 2 * HOUR_MS;
/// Pushed once here, ms.
const PUSHED_MS: i64 = 4 * HOUR_MS;

#[derive(Debug)]
struct Count {
    warm_ms: i64,
    at: UtcMs,
    /// When it passed two hours.
    began: Option<UtcMs>,
}

impl Count {
    fn note(&mut self, now: UtcMs) {
        if self.warm_ms >= SHOWN_MS {
            self.began.get_or_insert(now);
        }
    }
}

/// After a start the forecast, which knows what was cold, is waited for so long, ms.
const FORECAST_MS: i64 = 5 * 60_000;
/// A dough carried into a fridge passes the limit after so long (our own figure, low for a kilogram:
/// too much counted is the safe side).
const COOLS_MS: i64 = 2 * HOUR_MS;

/// Places are looked up so far apart, ms.
const STEP_MS: i64 = 10 * 60_000;
/// So long after its bulk proof a dough is still on the bench, ms; later nobody said it was baked.
const SHAPING_MS: i64 = 3 * HOUR_MS;

/// The rule.
#[derive(Debug, Default)]
pub struct HeldWarm {
    batches: BTreeMap<String, Count>,
    /// What was told of batches before a restart, and when: no count made anew is less.
    told: BTreeMap<String, (i64, UtcMs)>,
}

fn at_risk(proof: &Proof<'_>) -> bool {
    const RISKY: [&str; 5] = ["egg", "milk", "cream", "custard", "yolk"];
    let named = |text: &str| {
        let text = text.to_lowercase();
        RISKY.iter().any(|word| text.contains(word))
    };
    proof
        .dough
        .is_some_and(|d| d.caution.iter().any(|c| named(c)))
        || proof.formula().iter().any(|i| {
            named(&i.ingredient) || i.kind.as_deref().is_some_and(|k| k == "egg" || k == "milk")
        })
}

/// The time above the limit before the watching began: since the first stage's start, all of it but
/// what the forecast's own curve shows as cold, and in the stage before what the fridge surely made so.
fn before(world: &World, proof: &Proof<'_>) -> i64 {
    let bulk = world.book.stage(&proof.batch.id, StageKind::Bulk);
    let first = bulk.map_or(proof.stage.start, |s| s.start.min(proof.stage.start));
    let curve = proof
        .view
        .as_ref()
        .map(|v| v.document.dough_temperature.curve.clone())
        .unwrap_or_default();
    let cold_ms: i64 = curve
        .windows(2)
        .filter(|w| w[1].time <= world.now && w[1].value <= COLD_C)
        .map(|w| w[1].time.0 - w[0].time.0)
        .sum();
    let chilled_ms = if proof.stage.stage == StageKind::Final {
        in_fridge(world, &proof.batch.id, first, proof.stage.start)
    } else {
        0
    };
    (world.now.0 - first.0 - cold_ms - chilled_ms).max(0)
}

/// How long of a stretch a batch stood in a fridge, less what it took to get cold each time, ms.
fn in_fridge(world: &World, batch: &str, from: UtcMs, to: UtcMs) -> i64 {
    let (mut cold_ms, mut since) = (0, None);
    let mut at = from;
    while at < to {
        if fridge(world, batch, at) {
            let since: UtcMs = *since.get_or_insert(at);
            if at.0 - since.0 >= COOLS_MS {
                cold_ms += STEP_MS;
            }
        } else {
            since = None;
        }
        at = at.plus_ms(STEP_MS);
    }
    cold_ms
}

fn fridge(world: &World, batch: &str, at: UtcMs) -> bool {
    let place = world.book.place_at(batch, at);
    place.is_some_and(|p| world.book.kind_of(p) == PlaceKind::Fridge)
}

/// Whether a batch is on the bench between its two proofs.
fn being_shaped(world: &World, batch: &str) -> bool {
    let bulk = world.book.stage(batch, StageKind::Bulk);
    let since = bulk
        .filter(|s| s.outcome != Some(Outcome::Abandoned))
        .and_then(|s| s.end);
    world.book.stage(batch, StageKind::Final).is_none()
        && since.is_some_and(|t| t <= world.now && world.now.0 - t.0 < SHAPING_MS)
}

impl Rule for HeldWarm {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if !matches!(input, Input::Tick) {
            return;
        }
        let proofs: Vec<Proof<'_>> = world.proofs().into_iter().filter(at_risk).collect();
        // A batch between its stages keeps its count: shaping is warm work.
        self.batches.retain(|id, _| {
            proofs.iter().any(|p| p.batch.id == *id)
                || world
                    .book
                    .stage(id, StageKind::Final)
                    .is_none_or(|s| s.end.is_none())
                    && world.book.batches.contains_key(id)
        });
        for (id, count) in &mut self.batches {
            if being_shaped(world, id) {
                if !fridge(world, id, world.now) {
                    count.warm_ms += (world.now.0 - count.at.0).max(0);
                }
                count.at = world.now;
                count.note(world.now);
            }
        }
        self.told
            .retain(|id, _| world.book.batches.contains_key(id));
        for proof in &proofs {
            let starting =
                world.since == UtcMs::default() || world.now.0 - world.since.0 < FORECAST_MS;
            let known = self.batches.contains_key(&proof.batch.id);
            if !known && proof.view.is_none() && starting {
                continue;
            }
            let told = self.told.remove(&proof.batch.id);
            let count = self
                .batches
                .entry(proof.batch.id.clone())
                .or_insert_with(|| Count {
                    warm_ms: before(world, proof).max(told.map_or(0, |(warm_ms, _)| warm_ms)),
                    at: world.now,
                    began: told.map(|(_, raised)| raised),
                });
            // What the dough is now; where that is not known, a fridge is taken as cold.
            let dough_c = proof
                .view
                .as_ref()
                .map(|v| v.document.dough_temperature.now)
                .or_else(|| world.air_c(proof.place));
            let warm = dough_c.map_or(proof.kind != PlaceKind::Fridge, |c| c > COLD_C);
            if warm {
                count.warm_ms += (world.now.0 - count.at.0).max(0);
            }
            count.at = world.now;
            count.note(world.now);
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let proofs = world.proofs();
        let counted = self.batches.iter().filter(|(_, c)| c.began.is_some());
        let counted = counted.map(|(id, c)| (id, c.warm_ms));
        let told = self.told.iter().map(|(id, (warm_ms, _))| (id, *warm_ms));
        let mut found = Vec::new();
        for (id, warm_ms) in counted.chain(told) {
            let proof = proofs.iter().find(|p| p.batch.id == *id);
            let (Some(batch), true) = (
                world.book.batches.get(id),
                proof.is_some() || being_shaped(world, id),
            ) else {
                continue;
            };
            let bulk = world.book.stage(id, StageKind::Bulk);
            let Some(first) = bulk.or(proof.map(|p| p.stage)) else {
                continue;
            };
            // Told once a batch, whichever stage it is in.
            let subject = Subject {
                batch: Some(id.clone()),
                ..Subject::default()
            };
            let mut finding = Finding::new(&ABOUT, subject, first.start);
            finding.proof = proof.map(Proof::key);
            finding.place = world.book.place_at(id, world.now).map(str::to_owned);
            finding.pushed = warm_ms >= PUSHED_MS;
            let hours = if finding.pushed { 4 } else { 2 };
            finding.title = format!(
                "{}: over {hours} h above {}",
                super::capital(&batch.dough),
                world.say.degrees(COLD_C)
            );
            finding.text = format!("It holds egg or milk. {}", advice::FOOD_CODE);
            finding.memory = json!({ "warm_ms": warm_ms });
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        // The count is made again from the book and the forecast's curve, and cannot be less than
        // what was told.
        if let Some(batch) = &open.subject.batch {
            let warm_ms = open.memory["warm_ms"].as_i64().unwrap_or(SHOWN_MS);
            self.told.insert(batch.clone(), (warm_ms, open.raised));
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::batches::record::StageKind;
    use crate::forecasts::document::TimedValue;
    use crate::watch::quiet::QuietHours;
    use crate::watch::timeline::{Timeline, minute, view};

    fn standing(dough_c: f64) -> Timeline {
        let mut t = Timeline::knots_in("box");
        let mut v = view([900.0, 950.0, 999.0], 0.0, 0.0);
        v.document.dough_temperature.now = dough_c;
        t.forecast(v);
        t
    }

    #[test]
    fn two_hours_are_shown_and_four_pushed_once() {
        let mut t = standing(25.0);
        t.until(119.0);
        assert!(t.holding("held_warm").is_empty());
        t.until(125.0);
        assert_eq!(t.holding("held_warm").len(), 1);
        assert!(t.pushes().is_empty());
        t.until(300.0);
        assert_eq!(t.pushes(), ["held_warm raised"]);
        let told = t.told.iter().find(|m| m.pushed).unwrap();
        assert!((239.5..240.5).contains(&told.min), "{}", told.min);
        let text = told.doc["text"].as_str().unwrap();
        assert!(text.contains("not a clearance") && text.contains("local food code"));
    }

    #[test]
    fn the_cold_does_not_count_and_does_not_reset() {
        let mut t = standing(25.0);
        t.until(130.0);
        let mut cold = view([900.0, 950.0, 999.0], 0.0, 0.0);
        cold.document.dough_temperature.now = 4.0;
        t.forecast(cold);
        t.until(600.0);
        assert!(t.pushes().is_empty());
        assert_eq!(t.holding("held_warm").len(), 1);
    }

    /// Shown in the bulk proof and pushed in the final one: shaping between them ends nothing.
    #[test]
    fn shaping_between_two_proofs_counts_on_and_ends_nothing() {
        let mut t = Timeline::knots_in("room");
        t.book.stages.clear();
        t.book(r#"{"record":"stage","batch":"knots","stage":"bulk","start":"{MIN:0}"}"#);
        let mut v = view([900.0, 950.0, 999.0], 0.0, 0.0);
        v.document.dough_temperature.now = 25.0;
        v.stage = StageKind::Bulk;
        t.forecast(v.clone());
        t.until(150.0);
        assert_eq!(t.holding("held_warm").len(), 1);
        t.end(StageKind::Bulk);
        t.until(175.0);
        t.book(r#"{"record":"stage","batch":"knots","stage":"final","start":"{MIN:175}"}"#);
        v.stage = StageKind::Final;
        t.forecast(v);
        t.until(300.0);
        assert_eq!(t.pushes_of("held_warm"), ["held_warm raised"]);
        let told = t.told.iter().find(|m| m.pushed).unwrap();
        assert!((239.5..240.5).contains(&told.min), "{}", told.min);
        t.end_final();
        t.until(301.0);
        assert!(t.holding("held_warm").is_empty());
    }

    /// A night in the fridge, the daemon started again in the morning: the cold hours were told by
    /// the forecast before and are again after, whenever it is there.
    #[test]
    fn a_restart_after_a_night_in_the_cold_does_not_count_the_night() {
        let mut t = Timeline::knots_in("fridge");
        let mut v = view([1900.0, 1950.0, 1999.0], 0.0, 0.0);
        v.document.dough_temperature.now = 4.0;
        v.document.dough_temperature.curve = (0..=200)
            .map(|k| TimedValue {
                time: minute(f64::from(k) * 5.0),
                value: if k < 28 { 20.0 } else { 4.0 },
            })
            .collect();
        let mut early = v.clone();
        early.document.dough_temperature.now = 20.0;
        t.forecast(early);
        t.until(140.0);
        t.forecast(v.clone());
        t.until(700.0);
        assert_eq!(t.holding("held_warm").len(), 1);
        t.forget_forecasts();
        t.restart();
        t.until(702.0);
        t.forecast(v);
        t.until(720.0);
        assert!(t.pushes().is_empty(), "{:?}", t.pushes());
        assert_eq!(t.holding("held_warm").len(), 1);
        assert_eq!(t.rows.len(), 1);
        assert!(t.rows[0].cleared.is_none());
    }

    #[test]
    fn never_in_quiet_hours() {
        let mut t = standing(25.0);
        t.manner.quiet = Some(QuietHours::parse("09:00-11:00").unwrap());
        t.until(299.0);
        assert!(t.pushes().is_empty());
        t.until(302.0);
        assert_eq!(t.pushes(), ["held_warm raised"]);
        assert_eq!(t.now, minute(302.0));
    }

    #[test]
    fn a_dough_without_egg_or_milk_is_left_alone() {
        let mut t = Timeline::new(
            r#"{"record":"batch","id":"knots","dough":"plain rolls","place":"nook"}
{"record":"stage","batch":"knots","stage":"final","start":"{MIN:0}"}"#,
        );
        t.until(300.0);
        assert!(t.pushes().is_empty());
    }
}

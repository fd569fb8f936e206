//! Held warm.
//!
//! Egg-and-milk dough's time above the cold-holding limit of food codes (5 °C), counted since its
//! batch's first stage began, shaping included; cooling neither resets nor hides the count.
//! **Shown** from 2 hours, **pushed once** at 4 hours (the figures of the FDA Food Code 3-501.19
//! and of the USDA's two-hour rule), never in quiet hours. A caution that defers to local codes,
//! never a clearance. **Clears** when no stage of the batch is in progress.

use std::collections::BTreeMap;

use serde_json::json;

use super::{About, Finding, Open, Rule, Severity};
use crate::batches::record::{PlaceKind, StageKind};
use crate::time::{HOUR_MS, UtcMs};
use crate::watch::advice;
use crate::watch::world::{Input, Proof, World};

/// What it is.
pub static ABOUT: About = About {
    name: "held_warm",
    fires: "a dough with egg or milk has been above 5 °C for 2 h (shown) and 4 h (pushed once, never in quiet hours)",
    clears: "no stage of the batch is in progress; cooling neither resets nor hides the count",
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

/// The rule.
#[derive(Debug, Default)]
pub struct HeldWarm {
    batches: BTreeMap<String, Count>,
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

/// The time above the limit before the watching began: from the first stage's start, all of it but
/// what the forecast's own curve shows as cold.
fn before(world: &World, proof: &Proof<'_>) -> i64 {
    let first = world
        .book
        .stage(&proof.batch.id, StageKind::Bulk)
        .map_or(proof.stage.start, |s| s.start.min(proof.stage.start));
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
    (world.now.0 - first.0 - cold_ms).max(0)
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
        for proof in &proofs {
            let warm_before = before(world, proof);
            let count = self.batches.entry(proof.batch.id.clone()).or_insert(Count {
                warm_ms: warm_before,
                at: world.now,
                began: None,
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
            if count.warm_ms >= SHOWN_MS {
                count.began.get_or_insert(world.now);
            }
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for proof in world.proofs() {
            let Some(count) = self.batches.get(&proof.batch.id) else {
                continue;
            };
            if count.began.is_none() {
                continue;
            }
            let mut finding = Finding::of_stage(&ABOUT, &proof);
            // Told once a batch, whichever stage it is in.
            finding.subject.stage = None;
            finding.began = world
                .book
                .stage(&proof.batch.id, StageKind::Bulk)
                .map_or(proof.stage.start, |s| s.start);
            finding.pushed = count.warm_ms >= PUSHED_MS;
            let hours = if finding.pushed { 4 } else { 2 };
            finding.title = format!(
                "{}: over {hours} h above {}",
                proof.title(),
                world.say.degrees(COLD_C)
            );
            finding.text = format!("It holds egg or milk. {}", advice::FOOD_CODE);
            finding.memory = json!({ "warm_ms": count.warm_ms });
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        // The count is made again from the book and the forecast's curve, and cannot be less than
        // what was told.
        if let Some(batch) = &open.subject.batch {
            let warm_ms = open.memory["warm_ms"].as_i64().unwrap_or(SHOWN_MS);
            let at = open.raised;
            let began = Some(open.raised);
            self.batches
                .insert(batch.clone(), Count { warm_ms, at, began });
        }
    }
}

#[cfg(test)]
mod tests {
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

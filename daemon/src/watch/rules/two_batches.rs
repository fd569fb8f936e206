//! Two batches, one oven.
//!
//! **Fires** when two final proofs will be ready within one bake's length of each other, for five
//! minutes, the first within two hours. **Clears** when they will not, or one ends. Told once for
//! each pair.

use std::collections::BTreeMap;

use super::hold::{Hold, Patience};
use super::{About, Finding, Open, Rule, Severity, Subject};
use crate::batches::record::StageKind;
use crate::time::UtcMs;
use crate::watch::world::{Input, Proof, World};

/// What it is.
pub static ABOUT: About = About {
    name: "two_batches_one_oven",
    fires: "two final proofs will be ready within 25 min of each other, the first within 2 h, for 5 min",
    clears: "they will not, or one ends",
    default: "25 min: one bake's length",
    why: "one of them can go to a cooler spot while there is time",
    severity: Severity::Note,
    repeats: false,
    tells_over: false,
    expires_min: 60,
    gives_way_to: &[],
};

/// One bake's length, minutes.
const BAKE_MIN: f64 = 25.0;
/// How far ahead it looks, minutes.
const AHEAD_MIN: f64 = 120.0;

const PATIENCE: Patience = Patience {
    on_ms: 5 * 60_000,
    off_ms: 10 * 60_000,
};

/// The rule.
#[derive(Debug, Default)]
pub struct TwoBatches {
    pairs: BTreeMap<(String, String), Hold>,
}

fn ready(proof: &Proof<'_>) -> Option<UtcMs> {
    (proof.stage.stage == StageKind::Final)
        .then(|| proof.view.as_ref()?.ready().p50)
        .flatten()
}

impl Rule for TwoBatches {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if !matches!(input, Input::Tick) {
            return;
        }
        let due: Vec<(String, UtcMs)> = world
            .proofs()
            .iter()
            .filter_map(|p| Some((p.batch.id.clone(), ready(p)?)))
            .collect();
        // Just after a start the forecasts are not there yet: what was told still stands.
        self.pairs.retain(|(a, b), _| {
            let proofing = |id| world.proof(id, StageKind::Final).is_some();
            proofing(a) && proofing(b)
        });
        for (at, (a, ready_a)) in due.iter().enumerate() {
            for (b, ready_b) in &due[at + 1..] {
                let apart_min = (ready_b.seconds_since(*ready_a) / 60.0).abs();
                let first_min = ready_a.min(ready_b).seconds_since(world.now) / 60.0;
                let clash = apart_min < BAKE_MIN && first_min < AHEAD_MIN;
                let pair = (a.clone(), b.clone());
                let hold = self.pairs.entry(pair).or_default();
                hold.look(world.now, clash, !clash, PATIENCE);
            }
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for ((a, b), _) in self.pairs.iter().filter(|(_, h)| h.on) {
            let (Some(first), Some(second)) = (
                world.proof(a, StageKind::Final),
                world.proof(b, StageKind::Final),
            ) else {
                continue;
            };
            let subject = Subject {
                batch: Some(a.clone()),
                other: Some(b.clone()),
                ..Subject::default()
            };
            let began = first.stage.start.max(second.stage.start);
            let mut finding = Finding::new(&ABOUT, subject, began);
            let clock = |p: &Proof<'_>| {
                ready(p).map_or_else(String::new, |t| world.say.clock(t, world.now))
            };
            finding.title = "Two batches, one oven".into();
            finding.text = format!(
                "{} at {}, {} at {}. Move one to a cooler spot?",
                first.title(),
                clock(&first),
                second.batch.dough,
                clock(&second)
            );
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        if let (Some(a), Some(b)) = (&open.subject.batch, &open.subject.other) {
            self.pairs
                .insert((a.clone(), b.clone()), Hold::counting(open.raised));
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::watch::timeline::{Timeline, view};

    fn two(apart_min: f64) -> Timeline {
        let mut t = Timeline::knots_in("box");
        t.book(
            r#"{"record":"batch","id":"loaf","dough":"saffron loaf","place":"kitchen"}
{"record":"stage","batch":"loaf","stage":"final","start":"{MIN:0}"}"#,
        );
        t.forecast(view([80.0, 90.0, 100.0], 0.0, 0.0));
        let mut other = view([80.0, 90.0 + apart_min, 140.0], 0.0, 0.0);
        other.document.batch = "loaf".into();
        t.forecast(other);
        t.until(30.0);
        t
    }

    #[test]
    fn ready_within_one_bake_of_each_other_is_told_once() {
        assert_eq!(two(15.0).pushes(), ["two_batches_one_oven raised"]);
    }

    #[test]
    fn a_restart_before_the_forecasts_are_there_ends_nothing() {
        let mut t = two(15.0);
        t.forget_forecasts();
        t.restart();
        t.until(35.0);
        assert_eq!(t.pushes(), ["two_batches_one_oven raised"]);
        assert!(t.rows[0].cleared.is_none());
    }

    #[test]
    fn ready_one_after_the_other_is_not() {
        assert!(two(35.0).pushes().is_empty());
    }
}

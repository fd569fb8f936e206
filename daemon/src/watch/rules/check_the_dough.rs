//! Check the dough.
//!
//! **Fires** when the forecast is wide and one finger dent would narrow it much now, for five
//! minutes, with ready still a quarter of an hour further away than the lead: so shortly before
//! “nearly ready” a look would be one message too many. **Clears** when it does not any more, or
//! the stage ends. Told once a stage, never repeated, and not when the baker looked lately.

use super::hold::{Patience, StageHolds};
use super::{About, Finding, Open, Rule, Severity};
use crate::batches::record::PlaceKind;
use crate::time::UtcMs;
use crate::watch::world::{Input, Proof, World};

/// What it is.
pub static ABOUT: About = About {
    name: "check_the_dough",
    fires: "the forecast is wider than 40 min and one finger dent would narrow it much now, for 5 min, with ready 15 min further away than the lead and nothing seen for 30 min (not in a fridge)",
    clears: "the forecast has narrowed, or the stage ends",
    default: "40 min between early and late; told once a stage",
    why: "one look at the right moment is worth more than an hour of readings",
    severity: Severity::Note,
    repeats: false,
    tells_over: false,
    expires_min: 20,
    gives_way_to: &["nearly_ready", "ready", "over_proofing"],
};

/// Width of the forecast that is worth a look, minutes.
const WIDE_MIN: f64 = 40.0;
/// So far from the word that it is nearly ready, minutes.
const AHEAD_MIN: f64 = 15.0;
/// The baker looked so lately that another look tells little, ms.
const LOOKED_MS: i64 = 30 * 60_000;

const PATIENCE: Patience = Patience {
    on_ms: 5 * 60_000,
    off_ms: 60_000,
};

/// The rule.
#[derive(Debug, Default)]
pub struct CheckTheDough(StageHolds);

fn worth_a_look(world: &World, proof: &Proof<'_>) -> Option<bool> {
    // A night in the cold wakes no one for a note.
    if proof.kind == PlaceKind::Fridge {
        return Some(false);
    }
    let view = proof.view.as_ref()?;
    let ready = view.ready();
    let wide = match (ready.p10, ready.p90) {
        (Some(early), Some(late)) => late.seconds_since(early) / 60.0 > WIDE_MIN,
        _ => true,
    };
    let soon = ready
        .p50
        .is_some_and(|m| m.seconds_since(world.now) / 60.0 <= proof.lead_min() + AHEAD_MIN);
    let from = UtcMs(world.now.0 - LOOKED_MS);
    let looked = world
        .book
        .observations_of(&proof.batch.id, from, world.now)
        .next()
        .is_some();
    Some(wide && view.dent_would_help && !soon && !looked)
}

impl Rule for CheckTheDough {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if matches!(input, Input::Tick | Input::Proofs(_)) {
            self.0.look(world, PATIENCE, |proof| {
                let worth = worth_a_look(world, proof)?;
                Some((worth, !worth))
            });
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let on = self.0.on(world);
        on.iter()
            .map(|(proof, _)| {
                let mut finding = Finding::of_stage(&ABOUT, proof);
                finding.title = format!("{}: check the dough", proof.title());
                finding.text =
                    "Press a floured finger in and say what the dent does: then the time is surer."
                        .into();
                finding
            })
            .collect()
    }

    fn resume(&mut self, open: &Open<'_>) {
        self.0.resume(open);
    }
}

#[cfg(test)]
mod tests {
    use crate::watch::timeline::{Timeline, view};

    #[test]
    fn a_dough_in_the_fridge_wakes_no_one_for_a_look() {
        let mut t = Timeline::knots_in("fridge");
        let mut wide = view([60.0, 100.0, 140.0], 0.0, 0.0);
        wide.dent_would_help = true;
        t.forecast(wide);
        t.until(30.0);
        assert!(t.pushes().is_empty());
    }

    #[test]
    fn a_wide_forecast_that_a_dent_would_narrow_is_told_once() {
        let mut t = Timeline::knots_in("box");
        let mut wide = view([60.0, 100.0, 140.0], 0.0, 0.0);
        wide.dent_would_help = true;
        t.forecast(wide.clone());
        t.until(30.0);
        assert_eq!(t.pushes(), ["check_the_dough raised"]);
        t.book(r#"{"record":"observation","batch":"knots","time":"{MIN:30}","kind":"finger_dent","result":"springs_back"}"#);
        t.until(65.0);
        t.forecast(wide);
        t.until(69.0);
        assert_eq!(t.pushes(), ["check_the_dough raised"]);
    }

    #[test]
    fn a_narrow_forecast_or_one_a_dent_would_not_help_is_left_alone() {
        for (early, late, helps) in [(90.0, 110.0, true), (60.0, 140.0, false)] {
            let mut t = Timeline::knots_in("box");
            let mut v = view([early, 100.0, late], 0.0, 0.0);
            v.dent_would_help = helps;
            t.forecast(v);
            t.until(60.0);
            assert!(t.pushes().is_empty());
        }
    }
}

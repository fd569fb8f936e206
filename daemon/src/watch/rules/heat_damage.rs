//! Lasting harm by heat.
//!
//! **Fires** once a stage when the dough itself has been hot for so long that a good part of its
//! yeast is taken to be dead: cooling does not bring it back. **Clears** when the stage ends.
//! "Too hot" is about now; this is about what stays.

use super::hold::{Patience, StageHolds};
use super::{About, Finding, Open, Rule, Severity};
use crate::watch::world::{Input, World};

/// What it is.
pub static ABOUT: About = About {
    name: "heat_damage",
    fires: "less than 85 % of the yeast is taken to have survived the heat the dough itself went through, for 1 min",
    clears: "the stage ends",
    default: "85 %, by published heat-resistance times of yeast",
    why: "yeast killed by a hot box stays dead when it cools: the proof will be slow or never come, and the forecast counts on that",
    severity: Severity::Warning,
    repeats: false,
    tells_over: false,
    expires_min: 120,
    gives_way_to: &[],
};

/// Surviving share of the yeast below which it fires.
pub const LEVEL: f64 = 0.85;

const PATIENCE: Patience = Patience {
    on_ms: 60_000,
    off_ms: 60_000,
};

/// The rule.
#[derive(Debug, Default)]
pub struct HeatDamage(StageHolds);

impl Rule for HeatDamage {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if matches!(input, Input::Tick | Input::Proofs(_)) {
            self.0.look(world, PATIENCE, |proof| {
                // Yeast does not come back: nothing but the stage's end speaks against it.
                Some((proof.view.as_ref()?.yeast_left < LEVEL, false))
            });
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let on = self.0.on(world);
        on.iter()
            .map(|(proof, _)| {
                let mut finding = Finding::of_stage(&ABOUT, proof);
                let left = proof.view.as_ref().map_or(LEVEL, |v| v.yeast_left);
                finding.title = format!("{}: the heat has harmed it", proof.title());
                finding.text = format!(
                    "About {:.0} % of the yeast is taken to have survived, and cooling does not bring it back. \
                     It will take longer than the recipe says, or not rise at all: go by the dough, or mix anew.",
                    100.0 * left
                );
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
    fn it_is_told_once_and_stays_when_the_dough_has_cooled() {
        let mut t = Timeline::knots_in("box");
        let at = |left: f64| {
            let mut v = view([40.0, 60.0, 90.0], 0.1, 0.0);
            v.yeast_left = left;
            v
        };
        t.forecast(at(0.97));
        t.until(20.0);
        assert!(t.first("heat_damage", "raised").is_none());
        t.forecast(at(0.4));
        t.until(30.0);
        let told = t.first("heat_damage", "raised").expect("told");
        assert!(told.doc["text"].as_str().expect("text").contains("40 %"));
        t.until(120.0);
        assert_eq!(t.holding("heat_damage").len(), 1);
    }

    #[test]
    fn a_warm_box_that_harmed_little_is_left_alone() {
        let mut t = Timeline::knots_in("box");
        let mut v = view([40.0, 60.0, 90.0], 0.1, 0.0);
        v.yeast_left = 0.86;
        t.forecast(v);
        t.until(60.0);
        assert!(t.holding("heat_damage").is_empty());
    }
}

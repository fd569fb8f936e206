//! Over-proofing.
//!
//! **Fires** when the dough has been more likely past its range than not for two minutes.
//! **Clears** when the stage ends, or quietly when something new makes it unlikely (under three in
//! ten) for five minutes. It takes the place of "ready", and repeats until someone has seen it. Should
//! it come again in that stage after being taken back, it is told again.

use super::hold::{Patience, StageHolds};
use super::{About, Finding, Open, Rule, Severity, Subject};
use crate::watch::advice;
use crate::watch::world::{Input, World};

/// What it is.
pub static ABOUT: About = About {
    name: "over_proofing",
    fires: "the dough has been more likely past its range than not for 2 min",
    clears: "the stage ends, or the chance stays under 30 % for 5 min",
    default: "an even chance",
    why: "from here on it loses strength and goes flat",
    severity: Severity::Warning,
    repeats: true,
    tells_over: false,
    expires_min: 60,
    gives_way_to: &[],
};

/// Chance from which it counts as over-proofing.
pub const LEVEL: f64 = 0.5;
/// Chance below which it does not any more.
pub const CLEAR_LEVEL: f64 = 0.3;

const PATIENCE: Patience = Patience {
    on_ms: 120_000,
    off_ms: 300_000,
};

/// The rule.
#[derive(Debug, Default)]
pub struct OverProofing(StageHolds);

impl Rule for OverProofing {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if matches!(input, Input::Tick | Input::Proofs(_)) {
            self.0.look(world, PATIENCE, |proof| {
                let chance = proof.view.as_ref()?.chance_over_now;
                Some((chance >= LEVEL, chance < CLEAR_LEVEL))
            });
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let on = self.0.on(world);
        on.iter()
            .map(|(proof, _)| {
                let mut finding = Finding::of_stage(&ABOUT, proof);
                finding.title = format!("{}: over-proofing", proof.title());
                finding.text = format!("It is going too far. {}", advice::save_it(proof));
                finding
            })
            .collect()
    }

    fn may_come_again(&self, world: &World, subject: &Subject) -> bool {
        // Taken back while the proof goes on; a proof that ended is not told of again.
        let stage = subject.batch_stage();
        world.proofs().iter().any(|p| Some(p.key()) == stage)
    }

    fn resume(&mut self, open: &Open<'_>) {
        self.0.resume(open);
    }
}

#[cfg(test)]
mod tests {
    use crate::watch::timeline::{Timeline, view};

    #[test]
    fn taken_back_it_gives_ready_its_place_again_and_may_come_again() {
        let mut t = Timeline::knots_in("box");
        t.forecast(view([10.0, 10.0, 10.0], 0.9, 0.1));
        t.until(10.0);
        t.forecast(view([10.0, 10.0, 10.0], 0.95, 0.6));
        t.until(20.0);
        assert_eq!(t.pushes(), ["ready raised", "over_proofing raised"]);
        // A dent that springs back: far from ready, then ready after all, then too far.
        t.forecast(view([100.0, 110.0, 120.0], 0.1, 0.0));
        t.until(40.0);
        assert!(t.first("over_proofing", "cleared").is_some());
        t.forecast(view([40.0, 50.0, 60.0], 0.9, 0.1));
        t.until(60.0);
        // What is remembered of it outlives a restart.
        t.restart();
        t.forecast(view([60.0, 60.0, 60.0], 0.95, 0.8));
        t.until(70.0);
        assert_eq!(
            t.pushes(),
            [
                "ready raised",
                "over_proofing raised",
                "ready changed",
                "ready changed",
                "over_proofing raised"
            ]
        );
        let open: Vec<_> = t.rows.iter().filter(|r| r.cleared.is_none()).collect();
        assert_eq!(open.len(), 1);
        assert_eq!(open[0].doc["alert"], "over_proofing");
    }

    #[test]
    fn it_fires_after_two_minutes_past_the_level_and_not_for_less() {
        let mut t = Timeline::knots_in("oven");
        t.forecast(view([0.0, 0.0, 5.0], 0.9, 0.45));
        t.until(20.0);
        assert!(t.first("over_proofing", "raised").is_none());
        t.forecast(view([20.0, 20.0, 20.0], 0.95, 0.55));
        t.until(21.5);
        t.forecast(view([20.0, 20.0, 20.0], 0.95, 0.45));
        t.until(30.0);
        assert!(t.first("over_proofing", "raised").is_none());
        t.forecast(view([20.0, 20.0, 20.0], 0.95, 0.6));
        t.until(40.0);
        let told = t.first("over_proofing", "raised").unwrap();
        assert!((32.0..32.1).contains(&told.min), "{}", told.min);
        assert!(
            told.doc["text"]
                .as_str()
                .unwrap()
                .contains("dough, cloth and sensor out")
        );
    }
}

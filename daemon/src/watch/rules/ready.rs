//! Ready.
//!
//! **Fires** when the dough has been more likely ready than not for a minute. **Corrected** when
//! something new (a finger dent that springs back) moves ready away by over half the lead, and
//! once more when it is ready after all. **Clears** when the stage ends; ending a stage before it
//! is ready means this is never sent. **Repeats** until someone has seen it.

use std::collections::BTreeMap;

use super::{About, Finding, Open, Rule, Severity, hold::Hold, hold::Patience};
use crate::batches::record::StageKind;
use crate::watch::advice;
use crate::watch::rules::nearly_ready::{middle, when};
use crate::watch::world::{Input, World};

/// What it is.
pub static ABOUT: About = About {
    name: "ready",
    fires: "the dough has been more likely ready than not for a minute; corrected if something new moves ready away by over half the lead",
    clears: "the stage ends",
    default: "an even chance",
    why: "the moment the baker waits for",
    severity: Severity::Warning,
    repeats: true,
    tells_over: false,
    expires_min: 60,
    gives_way_to: &["over_proofing"],
};

const PATIENCE: Patience = Patience {
    on_ms: 60_000,
    off_ms: i64::MAX,
};

#[derive(Debug, Default)]
struct Told {
    ready: Hold,
    turning: Hold,
    /// 0 ready, 1 not after all, 2 ready again.
    edition: u32,
}

/// The rule.
#[derive(Debug, Default)]
pub struct Ready {
    stages: BTreeMap<(String, StageKind), Told>,
}

impl Rule for Ready {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if !matches!(input, Input::Tick | Input::Proofs(_)) {
            return;
        }
        let proofs = world.proofs();
        self.stages
            .retain(|key, _| proofs.iter().any(|p| p.key() == *key));
        for proof in &proofs {
            let Some(view) = &proof.view else { continue };
            let told = self.stages.entry(proof.key()).or_default();
            if !told.ready.on {
                // One that is past it already is told as over-proofing.
                let ready = view.chance_ready_now >= 0.5
                    && view.chance_over_now < super::over_proofing::LEVEL;
                told.ready.look(world.now, ready, false, PATIENCE);
                continue;
            }
            let half_lead_ms = (proof.lead_min() * 30_000.0) as i64;
            let away = middle(proof).is_none_or(|m| m.0 - world.now.0 > half_lead_ms);
            let turning = match told.edition {
                0 => away && view.chance_ready_now < 0.5,
                1 => view.chance_ready_now >= 0.5,
                _ => false,
            };
            told.turning.look(world.now, turning, false, PATIENCE);
            if told.turning.on {
                told.turning = Hold::default();
                told.edition += 1;
            }
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for proof in world.proofs() {
            let Some(told) = self.stages.get(&proof.key()).filter(|t| t.ready.on) else {
                continue;
            };
            let mut finding = Finding::of_stage(&ABOUT, &proof);
            finding.edition = told.edition;
            let which = match proof.stage.stage {
                StageKind::Bulk => "bulk proof",
                StageKind::Final => "final proof",
            };
            if told.edition == 1 {
                finding.title = format!("{}: not ready after all", proof.title());
                finding.text = format!("Ready {}.", when(world, &proof));
            } else {
                finding.title = format!("{}: {which} ready", proof.title());
                finding.text = format!(
                    "Ready since about {}. {}",
                    world.say.clock(told.ready.began, world.now),
                    advice::act_now(&proof)
                );
            }
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        let Some(key) = open.subject.batch_stage() else {
            return;
        };
        let told = self.stages.entry(key).or_default();
        told.ready = Hold::counting(open.raised);
        told.edition = open.edition;
    }
}

#[cfg(test)]
mod tests {
    use crate::watch::timeline::{Timeline, view};

    #[test]
    fn it_takes_the_place_of_nearly_ready_and_repeats_until_seen() {
        let mut t = Timeline::knots_in("box");
        t.forecast(view([20.0, 30.0, 40.0], 0.0, 0.0));
        t.until(30.0);
        t.forecast(view([30.0, 30.0, 40.0], 0.55, 0.1));
        t.until(95.0);
        assert_eq!(
            t.pushes(),
            [
                "nearly_ready raised",
                "ready raised",
                "ready repeated",
                "ready repeated"
            ]
        );
        assert!(!t.first("nearly_ready", "cleared").unwrap().pushed);
        for row in &mut t.rows {
            row.seen = Some(t.now);
        }
        t.until(200.0);
        assert_eq!(t.pushes().len(), 4);
    }

    #[test]
    fn a_stage_ended_before_it_is_ready_sends_none() {
        let mut t = Timeline::knots_in("box");
        t.forecast(view([20.0, 30.0, 40.0], 0.0, 0.0));
        t.until(25.0);
        t.end_final();
        t.forecast(view([20.0, 30.0, 40.0], 0.9, 0.0));
        t.until(60.0);
        assert_eq!(t.pushes(), ["nearly_ready raised"]);
    }

    #[test]
    fn a_dent_that_springs_back_is_one_correction_under_the_same_id() {
        let mut t = Timeline::knots_in("box");
        t.forecast(view([0.0, 0.0, 10.0], 0.6, 0.0));
        t.until(5.0);
        t.forecast(view([30.0, 40.0, 50.0], 0.05, 0.0));
        t.until(10.0);
        assert_eq!(t.pushes(), ["ready raised", "ready changed"]);
        assert!(
            t.first("ready", "changed").unwrap().doc["title"]
                .as_str()
                .unwrap()
                .contains("not ready after all")
        );
    }

    #[test]
    fn an_imported_stage_that_is_long_past_is_told_what_is_true_now_once() {
        let mut t = Timeline::knots_in("box");
        t.now = t.now.plus_min(300.0);
        t.forecast(view([300.0, 300.0, 300.0], 0.97, 0.8));
        t.until(310.0);
        assert_eq!(t.pushes_of("over_proofing"), ["over_proofing raised"]);
        assert!(
            t.first("ready", "raised").is_none() && t.first("nearly_ready", "raised").is_none()
        );
    }
}

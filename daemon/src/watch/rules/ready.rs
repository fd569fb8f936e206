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
                let ready = view.chance_ready_now >= 0.5;
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

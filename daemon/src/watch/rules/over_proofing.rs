//! Over-proofing.
//!
//! **Fires** when the dough has been more likely past its range than not for two minutes.
//! **Clears** when the stage ends, or quietly when something new makes it unlikely (under three in
//! ten) for five minutes. It takes the place of "ready", and repeats until someone has seen it.

use std::collections::BTreeMap;

use super::{About, Finding, Open, Rule, Severity, hold::Hold, hold::Patience};
use crate::batches::record::StageKind;
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
pub struct OverProofing {
    stages: BTreeMap<(String, StageKind), Hold>,
}

impl Rule for OverProofing {
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
            let chance = view.chance_over_now;
            self.stages.entry(proof.key()).or_default().look(
                world.now,
                chance >= LEVEL,
                chance < CLEAR_LEVEL,
                PATIENCE,
            );
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for proof in world.proofs() {
            if !self.stages.get(&proof.key()).is_some_and(|h| h.on) {
                continue;
            }
            let mut finding = Finding::of_stage(&ABOUT, &proof);
            finding.title = format!("{}: over-proofing", proof.title());
            finding.text = format!("It is going too far. {}", advice::save_it(&proof));
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        if let Some(key) = open.subject.batch_stage() {
            self.stages.insert(key, Hold::counting(open.began));
        }
    }
}

//! Nearly ready.
//!
//! **Fires** when the forecast's middle has been within the stage's lead for a minute and the
//! dough is not likely ready yet. **Corrected once**, under the same id, when ready then slips by
//! over half the lead. **Clears** when the stage ends or the dough is ready. **Lead**: the dough's
//! `lead_min`, else 10 minutes before the end of bulk and 30 before the end of the final proof.
//! **Why the middle**: early and late by the same minutes are equally bad for a preheat.

use std::collections::BTreeMap;

use serde_json::json;

use super::{About, Finding, Open, Rule, Severity, hold::Hold, hold::Patience};
use crate::batches::record::StageKind;
use crate::time::UtcMs;
use crate::watch::advice;
use crate::watch::world::{Input, Proof, World};

/// What it is.
pub static ABOUT: About = About {
    name: "nearly_ready",
    fires: "the middle of the forecast has been within the stage's lead for a minute; one correction under the same id if ready then slips by over half the lead",
    clears: "the stage ends, or the dough is ready",
    default: "10 min before bulk is ready, 30 min before the final proof is",
    why: "time to clear the bench and make the filling, or to preheat and egg wash",
    severity: Severity::Warning,
    repeats: false,
    tells_over: false,
    expires_min: 45,
    gives_way_to: &["ready", "over_proofing"],
};

const PATIENCE: Patience = Patience {
    on_ms: 60_000,
    off_ms: i64::MAX,
};

#[derive(Debug, Default)]
struct Told {
    due: Hold,
    slipped: Hold,
    edition: u32,
    /// The ready time as last told.
    ready: Option<UtcMs>,
}

/// The rule.
#[derive(Debug, Default)]
pub struct NearlyReady {
    stages: BTreeMap<(String, StageKind), Told>,
}

/// The ready time's middle.
pub(super) fn middle(proof: &Proof<'_>) -> Option<UtcMs> {
    proof.view.as_ref()?.ready().p50
}

/// `about 14:35 (14:20 to 14:55)`: when, and how sure.
pub(super) fn when(world: &World, proof: &Proof<'_>) -> String {
    let Some(ready) = proof.view.as_ref().map(|v| v.ready()) else {
        return String::new();
    };
    let clock = |t: Option<UtcMs>| t.map(|t| world.say.clock(t, world.now));
    match (clock(ready.p10), clock(ready.p50), clock(ready.p90)) {
        (Some(early), Some(middle), Some(late)) if early != late => {
            format!("about {middle} ({early} to {late})")
        }
        (_, Some(middle), _) => format!("about {middle}"),
        _ => String::new(),
    }
}

impl Rule for NearlyReady {
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
            let (Some(middle), Some(view)) = (middle(proof), &proof.view) else {
                continue;
            };
            let lead_ms = (proof.lead_min() * 60_000.0) as i64;
            let told = self.stages.entry(proof.key()).or_default();
            let left_ms = middle.0 - world.now.0;
            if !told.due.on {
                let due = left_ms <= lead_ms && view.chance_ready_now < 0.5;
                told.due.look(world.now, due, false, PATIENCE);
                if told.due.on {
                    told.ready = Some(middle);
                }
            } else if let Some(ready) = told.ready
                && told.edition == 0
            {
                let slipped = middle.0 - ready.0 > lead_ms / 2;
                told.slipped.look(world.now, slipped, false, PATIENCE);
                if told.slipped.on {
                    told.edition = 1;
                    told.ready = Some(middle);
                }
            }
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for proof in world.proofs() {
            let Some(told) = self.stages.get(&proof.key()).filter(|t| t.due.on) else {
                continue;
            };
            let mut finding = Finding::of_stage(&ABOUT, &proof);
            finding.edition = told.edition;
            let which = match proof.stage.stage {
                StageKind::Bulk => "bulk proof",
                StageKind::Final => "final proof",
            };
            finding.title = format!("{}: {which} nearly ready", proof.title());
            finding.text = if told.edition == 0 {
                format!(
                    "Ready {}. {}",
                    when(world, &proof),
                    advice::get_ready(&proof)
                )
            } else {
                format!("It takes longer: now {}.", when(world, &proof))
            };
            finding.memory = json!({ "ready": told.ready });
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        let Some(key) = open.subject.batch_stage() else {
            return;
        };
        let ready = open.memory.get("ready").cloned().unwrap_or_default();
        self.stages.insert(
            key,
            Told {
                due: Hold::counting(open.began),
                slipped: Hold::default(),
                edition: open.edition,
                ready: serde_json::from_value(ready).ok(),
            },
        );
    }
}

#[cfg(test)]
mod tests {
    use crate::watch::timeline::{Timeline, minute, view};

    #[test]
    fn it_fires_once_at_the_lead_and_says_what_to_do() {
        let mut t = Timeline::knots_in("oven");
        t.until(5.0);
        t.forecast(view([70.0, 80.0, 95.0], 0.0, 0.0));
        t.until(49.0);
        assert!(t.pushes().is_empty());
        t.until(75.0);
        assert_eq!(t.pushes(), ["nearly_ready raised"]);
        let told = t.first("nearly_ready", "raised").unwrap();
        assert!((50.9..=51.2).contains(&told.min), "{}", told.min);
        let text = told.doc["text"].as_str().unwrap();
        assert!(
            text.contains("about 07:20 (07:10 to 07:35)")
                && text.contains("ake dough, cloth and sensor out, then preheat"),
            "{text}"
        );
        assert_eq!(told.doc["stage"], "final");
        assert_eq!(told.doc["place"], "nook");
    }

    #[test]
    fn a_forecast_that_touches_the_lead_for_half_a_minute_fires_nothing() {
        let mut t = Timeline::knots_in("box");
        for k in 0..40 {
            let middle = if k % 2 == 0 { 29.0 } else { 33.0 };
            let now = f64::from(k) * 0.5;
            t.forecast(view([now + 20.0, now + middle, now + 50.0], 0.1, 0.0));
            t.until(now + 0.5);
        }
        assert!(t.pushes().is_empty());
    }

    #[test]
    fn one_correction_under_the_same_id_when_ready_slips_by_over_half_the_lead() {
        let mut t = Timeline::knots_in("box");
        t.forecast(view([20.0, 30.0, 40.0], 0.0, 0.0));
        t.until(5.0);
        // Fourteen minutes: less than half of thirty.
        t.forecast(view([34.0, 44.0, 54.0], 0.0, 0.0));
        t.until(8.0);
        assert_eq!(t.pushes(), ["nearly_ready raised"]);
        t.forecast(view([40.0, 50.0, 60.0], 0.0, 0.0));
        t.until(12.0);
        t.forecast(view([80.0, 90.0, 99.0], 0.0, 0.0));
        t.until(20.0);
        assert_eq!(t.pushes(), ["nearly_ready raised", "nearly_ready changed"]);
        let ids: Vec<_> = t.told.iter().map(|m| m.doc["id"].clone()).collect();
        assert_eq!(ids[0], ids[1]);
        assert!(ids[0].as_str().unwrap().starts_with("2026-nearly_ready-"));
        let text = t.first("nearly_ready", "changed").unwrap().doc["text"].clone();
        assert!(text.as_str().unwrap().contains("06:50"), "{text}");
    }

    #[test]
    fn a_restart_in_the_middle_gives_no_second_id_and_keeps_the_correction() {
        let mut t = Timeline::knots_in("box");
        t.forecast(view([20.0, 30.0, 40.0], 0.0, 0.0));
        t.until(2.0);
        t.restart();
        t.until(5.0);
        assert_eq!(t.pushes(), ["nearly_ready raised"]);
        t.forecast(view([50.0, 60.0, 70.0], 0.0, 0.0));
        t.until(7.0);
        t.restart();
        t.until(10.0);
        assert_eq!(t.pushes(), ["nearly_ready raised", "nearly_ready changed"]);
        assert_eq!(t.rows.len(), 1);
    }

    #[test]
    fn ending_the_stage_ends_it_quietly_and_undoing_that_tells_nothing_old() {
        let mut t = Timeline::knots_in("box");
        t.forecast(view([20.0, 30.0, 40.0], 0.0, 0.0));
        t.until(5.0);
        t.end_final();
        t.until(6.0);
        let over = t.first("nearly_ready", "cleared").unwrap();
        assert!(!over.pushed);
        t.book(r#"{"record":"stage","batch":"knots","stage":"final","start":"{MIN:0}"}"#);
        t.until(10.0);
        assert_eq!(t.pushes(), ["nearly_ready raised"]);
        assert_eq!(t.now, minute(10.0));
    }
}

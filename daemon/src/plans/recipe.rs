//! A dough as the planner sees it: when its proofs are ready by what its bakes and its recipe say.

use doughwarden_model::calibration::Subject;
use doughwarden_model::cardinal::RateLaw;
use doughwarden_model::formula::Formula;
use doughwarden_model::planning::ProofAge;

use super::{Grounds, PlanError};
use crate::batches::record::{Batch, Dough, StageKind};
use crate::forecasts::inputs::{Without, stage_of};
use crate::forecasts::outlook;
use crate::forecasts::prior;

/// A dough, ready to be planned with.
#[derive(Clone, Debug)]
pub struct Recipe {
    /// Its name.
    pub dough: String,
    /// Its record, if there is one.
    pub record: Dough,
    /// What a batch of it is like.
    pub batch: Batch,
    /// What it is mixed of.
    pub formula: Option<Formula>,
    /// When bulk is ready.
    pub bulk: ProofAge,
    /// When the final proof is.
    pub final_proof: ProofAge,
    /// Lag of the whole dough, minutes.
    pub bulk_tau_min: f64,
    /// Lag of a piece, minutes.
    pub piece_tau_min: f64,
    /// The temperature law with this house's tilt.
    pub law: RateLaw,
    /// Bakes of it that taught something.
    pub bakes: u32,
    /// One sentence on what it rests on.
    pub rests_on: String,
}

impl Grounds<'_> {
    /// A dough by name; `change` may alter the batch it is planned for (pieces, yeast).
    ///
    /// # Errors
    /// If no record and no batch names it.
    pub fn recipe(
        &self,
        dough: &str,
        change: impl FnOnce(&mut Batch),
    ) -> Result<Recipe, PlanError> {
        let book = self.book();
        let newest = book
            .batches
            .values()
            .filter(|b| b.dough == dough && b.from.is_none())
            .max_by_key(|b| {
                (
                    book.stage(&b.id, StageKind::Bulk).map(|s| s.start),
                    b.id.clone(),
                )
            });
        let record = book.doughs.get(dough);
        if newest.is_none() && record.is_none() {
            let mut known: Vec<&str> = book.doughs.keys().map(String::as_str).collect();
            known.extend(book.batches.values().map(|b| b.dough.as_str()));
            known.sort_unstable();
            known.dedup();
            let known = if known.is_empty() {
                "none yet".to_owned()
            } else {
                known.join(", ")
            };
            return Err(PlanError::NoDough {
                name: dough.to_owned(),
                known,
            });
        }
        let record = record.cloned().unwrap_or_else(|| Dough {
            name: dough.to_owned(),
            ..Dough::default()
        });
        let mut batch = newest.cloned().unwrap_or_else(|| Batch {
            dough: dough.to_owned(),
            ..Batch::default()
        });
        if record.formula.is_some() {
            batch.formula.clone_from(&record.formula);
        }
        change(&mut batch);
        let formula = prior::batch_formula(book, &batch);
        let lag = |kind| {
            self.learned.lag.of(batch.vessel.as_deref())
                * prior::lag_min(&batch, kind, formula.as_ref())
        };
        let ((bulk, stated), (final_proof, _)) = (
            self.proof_age(&batch, StageKind::Bulk, formula.as_ref()),
            self.proof_age(&batch, StageKind::Final, formula.as_ref()),
        );
        let bakes = self
            .learned
            .calibration
            .count(dough, stage_of(StageKind::Bulk));
        let rests_on = match (bakes, stated) {
            (0, true) => "No bake of this dough is logged yet: the times are the recipe's own, adjusted for temperature.".to_owned(),
            (0, false) => "Neither a bake nor a time in the recipe is known for this dough: the times are those of doughs like it, and may be well off.".to_owned(),
            (1, _) => "Rests on 1 bake of this dough.".to_owned(),
            (n, _) => format!("Rests on {n} bakes of this dough."),
        };
        Ok(Recipe {
            dough: dough.to_owned(),
            bulk,
            final_proof,
            bulk_tau_min: lag(StageKind::Bulk),
            piece_tau_min: lag(StageKind::Final),
            law: outlook::law(&self.learned, Without::default()),
            bakes,
            rests_on,
            record,
            batch,
            formula,
        })
    }

    /// When a proof of a batch with its dose is ready, and whether the recipe states it.
    fn proof_age(
        &self,
        batch: &Batch,
        kind: StageKind,
        formula: Option<&Formula>,
    ) -> (ProofAge, bool) {
        let (prior_ln_age, prior_sd, stated) = prior::prior_age(self.book(), batch, kind, formula);
        let usual = self
            .learned
            .usual_yeast
            .get(&batch.dough)
            .copied()
            .or_else(|| prior::usual_yeast(self.book(), &batch.dough, self.now));
        let ln_dose = match (formula.and_then(Formula::yeast_percent_fresh), usual) {
            (Some(own), Some(usual)) => (own / usual).ln().clamp(-1.5, 1.5),
            _ => 0.0,
        };
        let subject = Subject {
            dough: batch.dough.clone(),
            stage: stage_of(kind),
            prior_ln_age,
            prior_sd,
            ln_dose,
            target_rise: None,
            extra_sd: 0.0,
            groups: crate::forecasts::groups::of(
                self.book(),
                batch,
                &batch.place,
                self.now,
                self.now,
            ),
        };
        // The variance is a parabola in warmth: three points give it.
        let variance = |w: f64| {
            let prior = self.learned.calibration.expect(&subject, w, &[]);
            (prior.mean, prior.sd * prior.sd)
        };
        let (low, middle, high) = (variance(-1.0), variance(0.0), variance(1.0));
        let c = (0.5 * (high.1 + low.1) - middle.1).max(1e-6);
        let b = 0.5 * (high.1 - low.1);
        let known_warmth = (-0.5 * b / c).clamp(-1.5, 1.0);
        let least = (middle.1 + b * known_warmth + c * known_warmth * known_warmth).max(1e-4);
        (
            ProofAge {
                ln_age: middle.0,
                sd: least.sqrt(),
                tilt_sd: c.sqrt(),
                known_warmth,
            },
            stated,
        )
    }
}

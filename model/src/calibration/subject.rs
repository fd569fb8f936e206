//! A stage as the fit takes it: which dough and proof, what is expected of it, what it shares with
//! others, and what was seen.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use crate::age::AgePath;
use crate::proof::Evidence;

/// Bulk or final proof.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Stage {
    /// In one piece.
    Bulk,
    /// Shaped.
    Final,
}

/// What is known of a stage besides what is seen of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Subject {
    /// The dough's name.
    pub dough: String,
    /// Which proof.
    pub stage: Stage,
    /// ln of the age the recipe, or the literature, expects at the recipe's usual dose.
    pub prior_ln_age: f64,
    /// How far recipes (0.2) or the literature (0.35) are off.
    pub prior_sd: f64,
    /// ln of this batch's yeast share over the dough's usual one.
    pub ln_dose: f64,
    /// The rise the recipe says it is ready at.
    pub target_rise: Option<f64>,
    /// More spread: a start or an air that nobody measured.
    pub extra_sd: f64,
    /// What else it has in common with some bakes and not with others.
    pub groups: Vec<Group>,
}

/// Bakes that may all be a little slower or faster than the others for a reason the readings do not
/// show: one place, one season, one lot of flour or yeast.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// Its name, the same for each of its bakes.
    pub name: String,
    /// How far such groups differ: standard deviation of ln time.
    pub ln_sd: f64,
}

/// A past stage as the fit sees it.
#[derive(Debug, Clone)]
pub struct PastStage {
    /// The batch; its stages share its pace.
    pub batch: String,
    /// What is known of it.
    pub subject: Subject,
    /// Its path by the law without a tilt.
    pub path: AgePath,
    /// What was seen.
    pub evidence: Evidence,
}

impl Subject {
    /// With everything finite and within what can be computed; what a book can hold is left as it is.
    pub(super) fn tamed(&self) -> Self {
        let or = |v: f64, low: f64, high: f64, otherwise: f64| {
            if v.is_finite() {
                v.clamp(low, high)
            } else {
                otherwise
            }
        };
        Self {
            prior_ln_age: or(self.prior_ln_age, -3.0, 10.0, 4.3),
            prior_sd: or(self.prior_sd, 0.01, 3.0, 0.4),
            ln_dose: or(self.ln_dose, -3.0, 3.0, 0.0),
            target_rise: self.target_rise.filter(|t| t.is_finite()),
            extra_sd: or(self.extra_sd, 0.0, 3.0, 0.0),
            groups: self
                .groups
                .iter()
                .map(|g| Group {
                    name: g.name.clone(),
                    ln_sd: or(g.ln_sd, 0.0, 1.0, 0.0),
                })
                .collect(),
            ..self.clone()
        }
    }
}

/// The stages themselves where every subject is fit to be computed with, else with tamed ones.
pub(super) fn tamed(stages: &[PastStage]) -> Cow<'_, [PastStage]> {
    if stages.iter().all(|s| s.subject == s.subject.tamed()) {
        return Cow::Borrowed(stages);
    }
    stages
        .iter()
        .map(|s| PastStage {
            subject: s.subject.tamed(),
            ..s.clone()
        })
        .collect()
}

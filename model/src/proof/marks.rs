//! What looks, finger dents and the end of a stage say of its threshold.

use super::{Dent, Ending, Evidence};
use crate::age::AgePath;
use crate::censored::normal_cdf;

/// Share of finger dents written down wrong.
const DENT_MISTAKEN: f64 = 0.04;
/// A dent springs back below this (ln age over threshold) …
const DENT_SLOW: f64 = -0.05;
/// … and stays above this: past the range by a fifth (own proposal, common practice has no number).
const DENT_STAYS: f64 = 0.18;
/// How sharply a finger tells (ln age).
const DENT_SD: f64 = 0.09;
/// Share of outcomes tapped by mistake.
const OUTCOME_MISTAKEN: f64 = 0.05;
/// A dough found so far past ready (ln age) is as likely called ready as not: a quarter to a third
/// (own choice; common practice has no number) …
const STILL_READY: f64 = 0.28;
/// … bakers differing in it by this; and as likely "over" as not from here on.
const STILL_READY_SD: f64 = 0.09;
/// See [`STILL_READY_SD`].
const OVER: f64 = 0.24;
/// Share of stages ended a little early and still called right.
const HURRIED: f64 = 0.03;
/// A baker looks in every so many minutes, evenly in the logarithm between these.
const LOOK_MIN: (f64, f64) = (5.0, 45.0);

/// Density of the minutes between ready and the look that ended it: a baker looks every `w` minutes
/// at a random phase, `ln w` even over 5 to 45.
pub(super) fn look_density(lag_min: f64) -> f64 {
    let (low, high) = LOOK_MIN;
    if lag_min < 0.0 {
        return 0.0;
    }
    let sure = ((1.0 / lag_min.max(low)) - 1.0 / high).max(0.0) / (high / low).ln();
    0.97 * sure + 0.03 / 60.0 * (-lag_min / 60.0).exp()
}

/// Everything but the rises: functions of `r` alone.
pub(super) struct Marks<'a> {
    path: &'a AgePath,
    looks: Vec<f64>,
    last_look: f64,
    dents: Vec<(f64, Dent)>,
    ending: Option<(f64, f64, Ending)>,
}

impl<'a> Marks<'a> {
    pub(super) fn new(path: &'a AgePath, evidence: &Evidence) -> Self {
        let ln_age = |m: f64| path.age_at(m).max(1e-6).ln();
        let mut seen: Vec<f64> = evidence
            .looks
            .iter()
            .copied()
            .filter(|m| m.is_finite() && *m > 0.0)
            .collect();
        seen.sort_by(f64::total_cmp);
        // Only the latest look bears on r: the earlier ones lie below it.
        let last_look = seen.last().copied().unwrap_or(0.0);
        Self {
            path,
            looks: seen.last().map(|&m| ln_age(m)).into_iter().collect(),
            last_look,
            dents: evidence
                .dents
                .iter()
                .filter(|(m, _)| m.is_finite())
                .map(|&(m, d)| (ln_age(m), d))
                .collect(),
            ending: evidence
                .ending
                .filter(|(m, _)| m.is_finite())
                .map(|(m, e)| (m, ln_age(m), e)),
        }
    }

    pub(super) fn ln_likelihood(&self, r: f64) -> f64 {
        let mut l = 0.0;
        for &look in &self.looks {
            l += (0.04 + 0.96 * normal_cdf((r - look) / 0.03)).ln();
        }
        for &(age, dent) in &self.dents {
            let d = age - r;
            let below = normal_cdf((DENT_SLOW - d) / DENT_SD);
            let past = normal_cdf((d - DENT_STAYS) / DENT_SD);
            let chance = match dent {
                Dent::SpringsBack => below,
                Dent::ReturnsSlowly => (1.0 - below - past).max(0.0),
                Dent::Stays => past,
            };
            l += (DENT_MISTAKEN / 3.0 + (1.0 - DENT_MISTAKEN) * chance).ln();
        }
        if let Some((minute, age, ending)) = self.ending {
            // Likelihoods as densities per unit of r, so that a mistaken tap (even over 2) compares.
            let wild = 0.5;
            let told = match ending {
                Ending::Ready => {
                    let overdue = age - r;
                    let sure = match self.path.minute_at(r.exp()) {
                        Some(ready) if overdue > 0.0 => {
                            let since = minute - ready.max(self.last_look);
                            // Minutes per unit of r at the threshold.
                            let from = (ready - 1.0).max(0.0);
                            let to = (ready + 1.0).min(self.path.now().minute).max(from + 1e-3);
                            let rate = ((self.path.age_at(to) - self.path.age_at(from))
                                / (to - from))
                                .max(1e-4);
                            let pace = r.exp() / rate;
                            if since < 0.0 {
                                0.0
                            } else {
                                look_density(since)
                                    * pace.min(400.0)
                                    * normal_cdf((STILL_READY - overdue) / STILL_READY_SD)
                            }
                        }
                        _ => 0.0,
                    };
                    let early = -overdue;
                    let hurried = if early > -0.02 {
                        HURRIED * 8.0 * normal_cdf((0.12 - early) / 0.03)
                    } else {
                        0.0
                    };
                    (1.0 - HURRIED) * sure + hurried
                }
                Ending::Under => normal_cdf((r - age - 0.03) / 0.06),
                Ending::Over => normal_cdf((age - r - OVER) / STILL_READY_SD),
            };
            l += (OUTCOME_MISTAKEN * wild + (1.0 - OUTCOME_MISTAKEN) * told).ln();
        }
        l
    }
}

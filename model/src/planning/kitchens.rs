//! How far other kitchens differ from this one, and what testers teach of it.
//!
//! ```text
//! a kitchen's doughs take e^k times the recipe's age       k ~ Normal(0, s)
//! this house is one such kitchen, so   mu - house ~ Normal(0, s)
//! tester j measures                    d_j = ln(age observed / age expected here) ~ Normal(mu - house, s² + e²)
//! ln s ~ Normal(ln of the components' sum, 0.4)
//! ```
//! Summed over a grid of `s`. A recipe baked in one kitchen says nothing of the next: without testers
//! the next one may differ by `s·√2`, for this one may be off as well.

use super::Course;
use super::course::ripen;
use super::readers_table::ReadersRecipe;
use crate::age::AgePath;
use crate::heat::lag_step;
use crate::refusal::{Refusal, within};

/// One cause by which kitchens differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VarianceComponent {
    /// What.
    pub cause: &'static str,
    /// Its standard deviation in the logarithm of the time.
    pub ln_sd: f64,
}

/// What makes one kitchen's proof longer than another's at the same reading of the same thermometer.
/// All four are own proposals within common practice; no published source was found. Testers replace
/// them.
pub const VARIANCE_COMPONENTS: [VarianceComponent; 4] = [
    VarianceComponent {
        cause: "yeast: make, age, how it was kept",
        ln_sd: 0.12,
    },
    VarianceComponent {
        cause: "flour: strength, moisture, its own sugars",
        ln_sd: 0.08,
    },
    VarianceComponent {
        cause: "measuring: spoons, cups, rounding",
        ln_sd: 0.08,
    },
    VarianceComponent {
        cause: "the eye: when it is called ready",
        ln_sd: 0.10,
    },
];

/// A reader's thermometer and the spot where it hangs are off by this, °C (own proposal; testers' rooms
/// and the table's both count it).
pub(super) const THERMOMETER_SD_C: f64 = 1.0;
/// A reader's dough comes off the recipe's starting temperature by this, °C (own proposal).
pub(super) const STARTING_DOUGH_SD_C: f64 = 1.5;
/// A degree is worth this much in the logarithm of the time near room temperature (the gas preset's slope
/// between 20 and 25 °C).
const LN_PER_DEGREE: f64 = 0.08;
/// Prior spread of ln s.
const LN_S_SD: f64 = 0.4;

/// A tester's four numbers: a bake in another house.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tester {
    /// Their room, °C.
    pub room_c: f64,
    /// Their dough out of the mixer, °C.
    pub dough_c: f64,
    /// Their bulk, minutes, if they gave it.
    pub bulk_min: Option<f64>,
    /// Their final proof, minutes, if they gave it.
    pub final_min: Option<f64>,
}

/// What is known of other kitchens, against this house.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kitchens {
    /// The usual kitchen's `ln` time over this house's.
    pub ln_shift: f64,
    /// Spread of the next kitchen around that, in `ln`.
    pub sd: f64,
    /// Testers it rests on.
    pub testers: usize,
    /// The spread among kitchens alone.
    pub between_sd: f64,
}

impl Kitchens {
    /// Before any tester.
    ///
    /// ```
    /// use doughwarden_model::planning::{Kitchens, VARIANCE_COMPONENTS};
    /// let prior: f64 = VARIANCE_COMPONENTS.iter().map(|c| c.ln_sd * c.ln_sd).sum::<f64>().sqrt();
    /// assert_eq!(Kitchens::unknown().testers, 0);
    /// assert!(Kitchens::unknown().sd > prior);
    /// ```
    pub fn unknown() -> Self {
        Self::of_deviations(&[])
    }

    /// After testers: each one's doughs are walked through their own room, and what is left over is
    /// their kitchen's.
    ///
    /// ```
    /// use doughwarden_model::planning::*;
    /// # let recipe = ReadersRecipe::example();
    /// let slow = Tester { room_c: 21.0, dough_c: 24.0, bulk_min: Some(200.0), final_min: Some(120.0) };
    /// let after = Kitchens::after(&recipe, &[slow; 5])?;
    /// assert!(after.ln_shift > Kitchens::unknown().ln_shift && after.sd < Kitchens::unknown().sd);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn after(recipe: &ReadersRecipe, testers: &[Tester]) -> Result<Self, Refusal> {
        let mut seen = Vec::new();
        for t in testers {
            if let Some(d) = deviation(recipe, t)? {
                seen.push(d);
            }
        }
        Ok(Self::of_deviations(&seen))
    }

    /// From deviations and their own variances.
    fn of_deviations(seen: &[(f64, f64)]) -> Self {
        let prior = VARIANCE_COMPONENTS
            .iter()
            .map(|c| c.ln_sd * c.ln_sd)
            .sum::<f64>()
            .sqrt();
        let mut rows = Vec::new();
        for i in 0..81 {
            let z = -3.0 + 6.0 * f64::from(i) / 80.0;
            let s2 = (prior * (LN_S_SD * z).exp()).powi(2);
            // delta = mu - house, given this s: Normal(0, s²) updated by each tester.
            let (mut precision, mut pull, mut ln_z) = (1.0 / s2, 0.0, 0.0);
            for (d, own) in seen {
                let v = s2 + own;
                precision += 1.0 / v;
                pull += d / v;
                ln_z -= 0.5 * (d * d / v + v.ln());
            }
            ln_z += 0.5 * (pull * pull / precision - precision.ln() - s2.ln());
            rows.push((ln_z - 0.5 * z * z, pull / precision, 1.0 / precision, s2));
        }
        let top = rows.iter().map(|r| r.0).fold(f64::NEG_INFINITY, f64::max);
        let (mut total, mut mean, mut second, mut between) = (0.0, 0.0, 0.0, 0.0);
        for (l, delta, variance, s2) in rows {
            let w = (l - top).exp();
            total += w;
            mean += w * delta;
            second += w * (delta * delta + variance + s2);
            between += w * s2;
        }
        mean /= total;
        Self {
            ln_shift: mean,
            sd: (second / total - mean * mean).max(1e-6).sqrt(),
            testers: seen.len(),
            between_sd: (between / total).sqrt(),
        }
    }
}

/// A tester's mean deviation over their proofs and its own variance; none if they gave neither.
fn deviation(recipe: &ReadersRecipe, t: &Tester) -> Result<Option<(f64, f64)>, Refusal> {
    within("tester's room, °C", t.room_c, 5.0, 45.0)?;
    within("tester's dough, °C", t.dough_c, 2.0, 45.0)?;
    for minutes in [t.bulk_min, t.final_min].into_iter().flatten() {
        within("tester's proof, min", minutes, 1.0, 2880.0)?;
    }
    let mut parts = Vec::new();
    let course = Course::Steady(t.room_c);
    let forever = [(f64::INFINITY, &course, 0.0)];
    let bulk_min = match t.bulk_min {
        Some(m) => Some(m),
        None => ripen(
            recipe.law,
            recipe.bulk_tau_min,
            t.dough_c,
            0.0,
            &forever,
            recipe.bulk.ln_age.exp(),
        )
        .map(|r| r.minute),
    };
    let Some(bulk_min) = bulk_min else {
        return Ok(None);
    };
    let mut path = AgePath::begin(recipe.law, recipe.bulk_tau_min, t.dough_c);
    path.advance(bulk_min, t.room_c, t.room_c);
    if t.bulk_min.is_some() {
        parts.push((
            path.now().age_min.max(1e-3).ln() - recipe.bulk.ln_age,
            recipe.bulk.sd,
        ));
    }
    if let Some(final_min) = t.final_min {
        let shaped = lag_step(
            path.now().dough_c,
            t.room_c,
            t.room_c,
            recipe.shaping_min,
            recipe.piece_tau_min,
        );
        let mut path = AgePath::begin(recipe.law, recipe.piece_tau_min, shaped);
        path.advance(final_min, t.room_c, t.room_c);
        parts.push((
            path.now().age_min.max(1e-3).ln() - recipe.final_proof.ln_age,
            recipe.final_proof.sd,
        ));
    }
    if parts.is_empty() {
        return Ok(None);
    }
    let n = parts.len() as f64;
    let mean = parts.iter().map(|p| p.0).sum::<f64>() / n;
    // A batch's two proofs share half of what the day brings.
    let own = parts.iter().map(|p| p.1 * p.1).sum::<f64>() / n * if n > 1.0 { 0.75 } else { 1.0 };
    let degree = LN_PER_DEGREE * THERMOMETER_SD_C;
    Ok(Some((mean.clamp(-2.0, 2.0), own + degree * degree)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_testers_twice_the_variance() {
        let k = Kitchens::unknown();
        let prior: f64 = VARIANCE_COMPONENTS.iter().map(|c| c.ln_sd * c.ln_sd).sum();
        // E[s²] of a lognormal s: s0² e^(2·0.4²); the next kitchen and this one both differ.
        let want = (2.0 * prior * (2.0 * LN_S_SD * LN_S_SD).exp()).sqrt();
        assert!((k.sd - want).abs() < 0.01, "{} {want}", k.sd);
        assert_eq!((k.ln_shift, k.testers), (0.0, 0));
    }

    #[test]
    fn shrinkage_by_the_textbook_where_the_spread_is_known() {
        // Many testers pin s; then delta's posterior is the normal-normal one (Gelman et al., eq. 2.12).
        let seen: Vec<(f64, f64)> = (0..400)
            .map(|i| (0.3 + 0.2 * if i % 2 == 0 { 1.0 } else { -1.0 }, 0.0))
            .collect();
        let k = Kitchens::of_deviations(&seen);
        assert!((k.between_sd - 0.2).abs() < 0.01, "{k:?}");
        assert!((k.ln_shift - 0.3 * 400.0 / 401.0).abs() < 1e-3);
        assert!((k.sd - 0.2).abs() < 0.01);
    }

    #[test]
    fn a_tester_like_us_says_nothing_of_a_shift() {
        let recipe = ReadersRecipe::example();
        let course = Course::Steady(21.0);
        let forever = [(f64::INFINITY, &course, 0.0)];
        let bulk = ripen(
            recipe.law,
            recipe.bulk_tau_min,
            24.0,
            0.0,
            &forever,
            recipe.bulk.ln_age.exp(),
        )
        .expect("comes");
        let same = Tester {
            room_c: 21.0,
            dough_c: 24.0,
            bulk_min: Some(bulk.minute),
            final_min: None,
        };
        let k = Kitchens::after(&recipe, &[same; 6]).expect("valid");
        assert!(k.ln_shift.abs() < 0.005 && k.sd < Kitchens::unknown().sd);
        assert!(
            Kitchens::after(
                &recipe,
                &[Tester {
                    room_c: f64::NAN,
                    ..same
                }]
            )
            .is_err()
        );
        let nothing = Tester {
            bulk_min: None,
            ..same
        };
        assert_eq!(
            Kitchens::after(&recipe, &[nothing]).expect("valid"),
            Kitchens::unknown()
        );
    }
}

//! Law 2: a growing biomass that has to adapt, and a dough that weakens.
//!
//! Adaptation after Baranyi & Roberts 1994 (Int. J. Food Microbiol. 23:277): a physiological state q
//! that grows exponentially and limits the rate by q/(1+q). Biomass grows logistically; both follow
//! the extended square-root law of Ratkowsky et al. 1983 (J. Bacteriol. 154:1222). Gas is made by the
//! biomass present and held the worse the more there is (a logistic limit on volume). The gluten
//! weakens on a clock of its own with Q10 2.2, and the eye presses a finger: what it calls ready is
//! the sum of rise and weakening, so a slow cool proof is ready at a smaller rise than a quick warm one.
//! (Citations from memory; forms as in the science sheet.)

use super::{Dough, Law, Recipe, Stage, sphere_lag_min};

/// The law; its constants are below.
pub struct Biomass;

const T_MIN_C: f64 = 1.5;
const T_MAX_C: f64 = 46.0;
const C_RATKOWSKY: f64 = 0.22;
/// Work to be done before the yeast is at full speed, `h0 = ln(1 + 1/q0)`.
const H0: f64 = 0.9;
/// Adaptation rate at 27 °C, per min.
const ADAPT_PER_MIN: f64 = 1.3 / 60.0;
/// Growth rate of the biomass at 27 °C, per min.
const GROWTH_PER_MIN: f64 = 0.12 / 60.0;
/// The biomass at which growth stops, relative to that at mixing.
const CROWDED: f64 = 2.2;
/// Gas volume over dough volume at which no more is held.
const HELD: f64 = 2.8;
/// Gluten weakening at 27 °C, per min (1 would be ready without any rise).
const WEAKEN_PER_MIN: f64 = 0.09 / 60.0;
const KEPT: f64 = 0.2;

// x: 0 q, 1 biomass, 2 gas over dough volume, 3 weakening, 4 gas at the start of the stage

fn ratkowsky(t_c: f64) -> f64 {
    if t_c <= T_MIN_C || t_c >= T_MAX_C {
        return 0.0;
    }
    let root = |t: f64| (t - T_MIN_C) * (1.0 - (C_RATKOWSKY * (t - T_MAX_C)).exp());
    let r = root(t_c) / root(27.0);
    r * r
}

impl Law for Biomass {
    fn name(&self) -> &'static str {
        "biomass"
    }

    fn source(&self) -> &'static str {
        "Baranyi & Roberts 1994 adaptation, logistic growth, Ratkowsky 1983 response, ready by dent"
    }

    fn dose_exponent(&self) -> f64 {
        0.78
    }

    fn lag_min(&self, mass_kg: f64) -> f64 {
        0.5 * sphere_lag_min(mass_kg)
    }

    fn mixed(&self, _recipe: &Recipe, start_c: f64) -> Dough {
        let q0 = 1.0 / (H0.exp() - 1.0);
        Dough {
            skin_c: start_c,
            core_c: start_c,
            wander: 0.0,
            x: [q0, 1.0, 0.0, 0.0, 0.0],
        }
    }

    fn shaped(&self, _recipe: &Recipe, dough: &Dough) -> Dough {
        let mut d = *dough;
        d.x[2] *= KEPT;
        d.x[4] = d.x[2];
        // Shaping tightens the gluten again.
        d.x[3] = 0.0;
        d
    }

    fn ferment(&self, _recipe: &Recipe, flour: f64, rate: f64, d: &mut Dough, dt: f64) {
        let t = d.mean_c();
        let g = ratkowsky(t);
        let able = d.x[0] / (1.0 + d.x[0]);
        d.x[0] = (d.x[0] * (1.0 + ADAPT_PER_MIN * g * dt)).min(1e6);
        d.x[1] += GROWTH_PER_MIN * g * able * d.x[1] * (1.0 - d.x[1] / CROWDED) * dt;
        d.x[2] += rate / 60.0 * g * able * d.x[1] * (1.0 - d.x[2] / HELD) * dt;
        d.x[3] += WEAKEN_PER_MIN * flour.exp() * 2.2_f64.powf((t - 27.0) / 10.0) * dt;
    }

    fn rise(&self, d: &Dough) -> f64 {
        ((d.x[2] - d.x[4]) / (1.0 + d.x[4])).max(0.0)
    }

    fn readiness(&self, recipe: &Recipe, stage: Stage, eye: f64, d: &Dough) -> f64 {
        (self.rise(d) / recipe.target[stage.index()] + d.x[3]) / eye.exp()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ratkowsky 1983 with Tmin 2.8, Tmax 45.4, c 0.25 has its optimum at 36.43 °C; ours is checked
    /// for the same form: one at the reference, zero at both ends, a single optimum between.
    #[test]
    fn response_has_the_published_form() {
        assert!((ratkowsky(27.0) - 1.0).abs() < 1e-12);
        assert_eq!(ratkowsky(1.5), 0.0);
        assert_eq!(ratkowsky(46.0), 0.0);
        let best = (10..460)
            .map(|i| f64::from(i) / 10.0)
            .max_by(|a, b| ratkowsky(*a).total_cmp(&ratkowsky(*b)));
        assert!((34.0..39.0).contains(&best.expect("a range")));
    }
}

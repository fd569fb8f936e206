//! Law 1: the carbon dioxide budget.
//!
//! Sugar is taken up by a fixed biomass with Michaelis–Menten kinetics (Monod 1949, Annu. Rev.
//! Microbiol. 3:371) and replenished by amylase; 1 g glucose gives 0.4886 g CO2. The dough's water
//! must be saturated before a bubble can grow, with Henry's constant from Weiss 1974 (Mar. Chem.
//! 2:203); that is the lag. Temperature acts through Arrhenius with reversible inactivation (Sharpe &
//! DeMichele 1977, J. Theor. Biol. 64:649) on uptake, through solubility on the lag, and through the
//! gas law on the volume. Gas leaks the faster the further the dough is stretched. Fermentation
//! heats the dough. The eye judges height.
//! (Citations from memory, apart from the constants named in the science sheet.)

use super::{Dough, Law, Recipe, Stage, sphere_lag_min};

/// The law; its constants are below.
pub struct CarbonBudget;

/// Dough without gas, mL per 100 g flour.
const DOUGH_ML: f64 = 130.0;
/// Michaelis constant, g sugar per 100 g flour.
const KM_PCT: f64 = 0.7;
/// Sugar set free by amylase at 27 °C, g per 100 g flour per min.
const AMYLASE_PCT_PER_MIN: f64 = 0.006;
/// Gas lost at small rise, per min.
const LEAK_PER_MIN: f64 = 0.0012;
/// Rise at which stretching has doubled the leak.
const STRETCH: f64 = 1.2;
/// Gas that survives shaping.
const KEPT: f64 = 0.18;
const GAS_R: f64 = 8.314_462_618;

// x: 0 sugar (g/100 g flour), 1 CO2 in the dough (mol/100 g flour), 2 gas at the start of the stage (mL)
// x: 3 present gas (mL)

fn arrhenius(t_c: f64) -> f64 {
    let k = t_c + 273.15;
    let up = 56_000.0 / GAS_R * (1.0 / 300.15 - 1.0 / k);
    let off = 260_000.0 / GAS_R * (1.0 / 314.15 - 1.0 / k);
    up.exp() / (1.0 + off.exp())
}

/// Weiss 1974, fresh water: mol per litre per atmosphere.
fn henry(t_c: f64) -> f64 {
    let k = t_c + 273.15;
    (-58.0931 + 90.5069 * (100.0 / k) + 22.2940 * (k / 100.0).ln()).exp()
}

fn free_ml(recipe: &Recipe, d: &Dough) -> f64 {
    let t = d.mean_c();
    let dissolved = henry(t) * recipe.water_pct * 1e-3;
    (d.x[1] - dissolved).max(0.0) * 82.057 * (t + 273.15)
}

impl Law for CarbonBudget {
    fn name(&self) -> &'static str {
        "carbon budget"
    }

    fn source(&self) -> &'static str {
        "Michaelis-Menten uptake, Arrhenius with inactivation, Henry's constant (Weiss 1974), leak by stretch"
    }

    fn dose_exponent(&self) -> f64 {
        0.85
    }

    fn lag_min(&self, mass_kg: f64) -> f64 {
        0.75 * sphere_lag_min(mass_kg)
    }

    fn mixed(&self, recipe: &Recipe, start_c: f64) -> Dough {
        let mut x = [recipe.sugar_pct.max(0.5), 0.0, 0.0, 0.0, 0.0];
        // Yeast has worked since it met the water: a tenth of saturation at the start.
        x[1] = 0.1 * henry(start_c) * recipe.water_pct * 1e-3;
        Dough {
            skin_c: start_c,
            core_c: start_c,
            wander: 0.0,
            x,
        }
    }

    fn shaped(&self, recipe: &Recipe, dough: &Dough) -> Dough {
        let mut d = *dough;
        d.x[1] -= (1.0 - KEPT) * free_ml(recipe, dough) / (82.057 * (dough.mean_c() + 273.15));
        d.x[2] = KEPT * free_ml(recipe, dough);
        d.x[3] = d.x[2];
        d
    }

    fn ferment(&self, recipe: &Recipe, flour: f64, rate: f64, d: &mut Dough, dt: f64) {
        let k = arrhenius(d.mean_c());
        let used = (rate / 60.0 * k * d.x[0] / (KM_PCT + d.x[0]) * dt).min(d.x[0]);
        d.x[0] += AMYLASE_PCT_PER_MIN * k * dt - used;
        d.x[1] += used * 0.488_571 / 44.01;
        let gas = free_ml(recipe, d);
        let stretch = gas / DOUGH_ML / STRETCH;
        let leak = LEAK_PER_MIN * flour.exp() * (1.0 + stretch * stretch * stretch) * dt;
        d.x[1] -= leak.min(0.5) * gas / (82.057 * (d.mean_c() + 273.15));
        d.x[3] = free_ml(recipe, d);
        // 1 g sugar per 100 g flour warms the dough by 1.07 K when no heat is lost.
        d.core_c += 1.07 * used;
        d.skin_c += 1.07 * used;
    }

    fn rise(&self, d: &Dough) -> f64 {
        ((d.x[3] - d.x[2]) / (DOUGH_ML + d.x[2])).max(0.0)
    }

    fn readiness(&self, recipe: &Recipe, stage: Stage, eye: f64, d: &Dough) -> f64 {
        self.rise(d) / (recipe.target[stage.index()] * eye.exp())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Weiss 1974: 0.033967 mol/L/atm at 25 °C, 0.029829 at 30 °C (handbook 0.034 at 25 °C).
    #[test]
    fn henry_matches_weiss() {
        assert!((henry(25.0) - 0.033967).abs() < 1e-6);
        assert!((henry(30.0) - 0.029829).abs() < 1e-6);
    }
}

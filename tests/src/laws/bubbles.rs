//! Law 3: bubbles that grow by diffusion against a stiff dough.
//!
//! After Shah, Campbell, McKee & Rielly 1998 (doi 10.1205/096030898531828: one-component diffusion to
//! bubbles, growth only above saturation, temperature through Henry's constant) and Córdoba 2010 (J. Food
//! Eng. 96:440: diffusion with a Newtonian viscosity). Yeast adapts by first order; its rate follows a
//! constant Q10 with a roll-off near 40 °C. CO2 dissolves, crosses to the bubbles through their
//! surface (volume^2/3) when supersaturated, coalescing bubbles lose it, and the dough's volume follows the
//! gas with a viscous delay that shortens with warmth and grows with thinning films. The eye judges height.

use super::{Dough, Law, Recipe, Stage, sphere_lag_min};

/// The law; its constants are below.
pub struct Bubbles;

const Q10: f64 = 2.05;
/// Time to adapt at 27 °C, min.
const ADAPT_MIN: f64 = 20.0;
/// CO2 the dough's water holds at 27 °C, gas volume over dough volume.
const SATURATED: f64 = 0.38;
/// Transfer coefficient per unit of bubble surface, per min.
const TRANSFER_PER_MIN: f64 = 0.45;
/// Gas occluded at mixing, over dough volume: the nuclei.
const NUCLEI: f64 = 0.06;
/// Coalescence loss at small volume, per min.
const LOSS_PER_MIN: f64 = 0.0010;
/// Gas volume over dough volume at which coalescence has doubled the loss.
const COALESCE: f64 = 1.3;
/// Viscous delay of the volume at 27 °C, min.
const VISCOUS_MIN: f64 = 6.0;
const KEPT: f64 = 0.25;

// x: 0 adaptation, 1 dissolved CO2, 2 gas in bubbles, 3 volume of gas as seen, 4 that at the start

fn response(t_c: f64) -> f64 {
    let raw = |t: f64| Q10.powf((t - 27.0) / 10.0) / (1.0 + ((t - 41.0) / 2.0).exp());
    raw(t_c) / raw(27.0)
}

/// Solubility relative to 27 °C; 4.6 % less for each kelvin near room temperature falls to 2.5 % near 35 °C, as in
/// the table of Henry's constants (Weiss 1974), here as gas volume over water volume.
fn saturation(t_c: f64) -> f64 {
    // Ostwald coefficients 0.9405 at 20 °C and 0.6691 at 35 °C.
    SATURATED * (-(0.9405_f64 / 0.6691).ln() / 15.0 * (t_c - 27.0)).exp()
}

impl Law for Bubbles {
    fn name(&self) -> &'static str {
        "bubbles"
    }

    fn source(&self) -> &'static str {
        "diffusion to bubbles above saturation (Shah 1998), viscous delay (Córdoba 2010), Q10 with roll-off"
    }

    fn dose_exponent(&self) -> f64 {
        0.9
    }

    fn lag_min(&self, mass_kg: f64) -> f64 {
        0.65 * sphere_lag_min(mass_kg)
    }

    fn mixed(&self, _recipe: &Recipe, start_c: f64) -> Dough {
        let x = [0.25, 0.1 * SATURATED, NUCLEI, NUCLEI, NUCLEI];
        Dough {
            skin_c: start_c,
            core_c: start_c,
            wander: 0.0,
            x,
        }
    }

    fn shaped(&self, _recipe: &Recipe, dough: &Dough) -> Dough {
        let mut d = *dough;
        d.x[2] = NUCLEI + KEPT * (d.x[2] - NUCLEI).max(0.0);
        d.x[3] = d.x[2];
        d.x[4] = d.x[3];
        d
    }

    fn ferment(&self, _recipe: &Recipe, flour: f64, rate: f64, d: &mut Dough, dt: f64) {
        let t = d.mean_c();
        let g = response(t);
        d.x[0] += (1.0 - d.x[0]) * (g * dt / ADAPT_MIN).min(1.0);
        d.x[1] += rate / 60.0 * g * d.x[0] * dt;
        let over = (d.x[1] - saturation(t)).max(0.0);
        let surface = d.x[2].max(NUCLEI).powf(2.0 / 3.0);
        let crossing = over * (TRANSFER_PER_MIN * surface * dt).min(1.0);
        d.x[1] -= crossing;
        let thin = d.x[2] / COALESCE;
        let loss = LOSS_PER_MIN * flour.exp() * (1.0 + thin * thin) * dt;
        d.x[2] += crossing - loss * d.x[2];
        let delay = VISCOUS_MIN * (-0.05 * (t - 27.0)).exp() * (1.0 + 0.5 * d.x[3]);
        d.x[3] += (d.x[2] * (t + 273.15) / 300.15 - d.x[3]) * (dt / delay).min(1.0);
    }

    fn rise(&self, d: &Dough) -> f64 {
        ((d.x[3] - d.x[4]) / (1.0 + d.x[4])).max(0.0)
    }

    fn readiness(&self, recipe: &Recipe, stage: Stage, eye: f64, d: &Dough) -> f64 {
        self.rise(d) / (recipe.target[stage.index()] * eye.exp())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Table of Ostwald coefficients from Weiss 1974: 0.9405 mL/mL at 20 °C, 0.7420 at 30, 0.6691 at 35.
    #[test]
    fn solubility_follows_the_table() {
        let ratio = saturation(20.0) / saturation(30.0);
        assert!((ratio / (0.9405 / 0.7420) - 1.0).abs() < 0.02, "{ratio}");
    }
}

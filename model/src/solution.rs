//! Water activity of the liquid in a dough, and how yeast slows as it falls.
//!
//! ```text
//! Raoult    aw = nw/(nw + ns)
//! Norrish   aw = xw·exp(-K·xs²)
//! Ross      aw = Π aw_i           each solute alone in all the water
//! salt      aw = exp(-0.01801528·2·m·phi)
//!           phi = 1 - A√m/(1 + 1.2√m) + m(B0 + B1·e^(-2√m)) + C·m²      (Pitzer, 25 °C)
//! osmotic   P = -(R·T/Vw)·ln aw,   Vw = 18.07e-6 m³/mol
//! yeast     gamma = (aw - awmin)/(1 - awmin)
//! ```
//! `n` moles, `x` mole fractions, `m` mol salt per kg water. Norrish's form: Baeza et al. 2010, Food
//! Bioprocess Technol. 3:87-92; Ross 1975; the gamma law: Rosso & Robinson 2001. Pitzer's constants
//! and Norrish's for all but sucrose: from memory, checked against handbook osmotic coefficients.
//!
//! The gamma law is a *growth* law borrowed for gassing, and alone it overstates how much sugar
//! slows a dough; [`crate::formula`] uses it as a weak prior between recipes only.

use crate::cardinal::GAS_CONSTANT;
use crate::refusal::{Refusal, within};

/// Molar mass of water, kg/mol.
pub const WATER_MOLAR_MASS: f64 = 0.01801528;
/// Molar mass of sodium chloride, g/mol.
pub const SALT_MOLAR_MASS_G: f64 = 58.4428;
/// Water activity below which *S. cerevisiae* stops: 0.89 (sugar) to 0.92 (salt), from memory;
/// "many yeasts" 0.91 to 0.87 in Beuchat's 1981 table.
pub const YEAST_LEAST_WATER_ACTIVITY: f64 = 0.90;

/// A dissolved sugar or alcohol, by its molar mass and Norrish's constant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Solute {
    /// g/mol.
    pub molar_mass_g: f64,
    /// Norrish's `K`.
    pub norrish: f64,
}

/// Sucrose.
pub const SUCROSE: Solute = Solute {
    molar_mass_g: 342.297,
    norrish: 6.47,
};
/// Glucose and fructose, which share molar mass and constant.
pub const HEXOSE: Solute = Solute {
    molar_mass_g: 180.156,
    norrish: 2.25,
};
/// Lactose: baker's yeast does not ferment it, but it holds water.
pub const LACTOSE: Solute = Solute {
    molar_mass_g: 342.297,
    norrish: 10.2,
};
/// Hexose made when 1 g of sucrose takes up water under invertase: 2·180.156/342.297.
pub const INVERSION_GAIN: f64 = 2.0 * 180.156 / 342.297;

fn mole_fraction(solute: Solute, solute_g: f64, water_g: f64) -> Result<f64, Refusal> {
    let ns = within("dissolved mass, g", solute_g, 0.0, 1e9)? / solute.molar_mass_g;
    let nw = within("water, g", water_g, 1e-6, 1e9)? / (1000.0 * WATER_MOLAR_MASS);
    Ok(ns / (ns + nw))
}

/// Raoult's ideal water activity of `solute_g` in `water_g`: `aw = nw/(nw + ns)`, `n` in moles.
///
/// Any textbook of physical chemistry; for sugars a percent too high from some 2 mol per kg on.
///
/// ```
/// use doughwarden_model::solution::{SUCROSE, raoult};
/// let half_molal = raoult(SUCROSE, 0.5 * 342.297, 1000.0)?;
/// assert!((half_molal - 0.991073).abs() < 1e-5);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn raoult(solute: Solute, solute_g: f64, water_g: f64) -> Result<f64, Refusal> {
    Ok(1.0 - mole_fraction(solute, solute_g, water_g)?)
}

/// Norrish's water activity of `solute_g` in `water_g`: `aw = xw·exp(-K·xs²)`, `x` mole fractions.
///
/// Form: Baeza et al. 2010; `K` of sucrose read in code, of the others from memory. For one sugar up to its
/// saturation; temperature hardly moves it.
///
/// ```
/// use doughwarden_model::solution::{SUCROSE, norrish};
/// let one_molal = norrish(SUCROSE, 342.297, 1000.0)?;
/// assert!((one_molal - 0.980315).abs() < 1e-5);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn norrish(solute: Solute, solute_g: f64, water_g: f64) -> Result<f64, Refusal> {
    let x = mole_fraction(solute, solute_g, water_g)?;
    Ok((1.0 - x) * (-solute.norrish * x * x).exp())
}

/// Pitzer's osmotic coefficient of salt water, `molality` mol NaCl per kg water, 0 to 6.2, at 25 °C:
/// `phi = 1 - A√m/(1 + 1.2√m) + m(B0 + B1·e^(-2√m)) + C·m²` with 0.3915, 0.0765, 0.2664, 0.00127 (Pitzer, from
/// memory; Robinson & Stokes' 0.9355 at 1 mol/kg agrees).
///
/// ```
/// use doughwarden_model::solution::salt_osmotic_coefficient;
/// assert!((salt_osmotic_coefficient(1.0)? - 0.93587).abs() < 1e-5);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn salt_osmotic_coefficient(molality: f64) -> Result<f64, Refusal> {
    let m = within("salt, mol per kg water", molality, 0.0, 6.2)?;
    let root = m.sqrt();
    Ok(1.0 - 0.3915 * root / (1.0 + 1.2 * root)
        + m * (0.0765 + 0.2664 * (-2.0 * root).exp())
        + 0.00127 * m * m)
}

/// Water activity of salt water, `molality` mol NaCl per kg water, 0 to 6.2 (saturated), at 25 °C:
/// `aw = exp(-0.01801528·2·m·phi)`, the definition of `phi` for a salt of two ions.
///
/// ```
/// use doughwarden_model::solution::salt_water_activity;
/// assert!((salt_water_activity(1.0)? - 0.966842).abs() < 1e-5);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn salt_water_activity(molality: f64) -> Result<f64, Refusal> {
    Ok((-WATER_MOLAR_MASS * 2.0 * molality * salt_osmotic_coefficient(molality)?).exp())
}

/// What is dissolved in a dough's water, g.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Dissolved {
    /// Free water (flour's own moisture is bound and not counted), g.
    pub water_g: f64,
    /// Salt, g.
    pub salt_g: f64,
    /// Sucrose still whole, g.
    pub sucrose_g: f64,
    /// Glucose and fructose, g, pooled as one solute.
    pub hexose_g: f64,
    /// Lactose, g.
    pub lactose_g: f64,
}

impl Dissolved {
    /// The same once the yeast's invertase has split the sucrose, a matter of minutes (from memory).
    ///
    /// ```
    /// use doughwarden_model::solution::Dissolved;
    /// let sweet = Dissolved { water_g: 55.0, salt_g: 1.8, sucrose_g: 15.0, ..Dissolved::default() };
    /// assert!(sweet.inverted().water_activity()? < sweet.water_activity()? - 0.01);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    #[must_use]
    pub fn inverted(&self) -> Self {
        Self {
            sucrose_g: 0.0,
            hexose_g: self.hexose_g + INVERSION_GAIN * self.sucrose_g,
            ..*self
        }
    }

    /// Water activity by Ross's product, `aw = Π aw_i`, each solute alone in all the water (Ross 1975).
    /// Salt beyond saturation stays undissolved. Good to about a hundredth of `aw` in mixtures like dough's
    /// (from memory).
    ///
    /// ```
    /// use doughwarden_model::solution::Dissolved;
    /// let lean = Dissolved { water_g: 65.0, salt_g: 2.0, ..Dissolved::default() };
    /// assert!((lean.water_activity()? - 0.98267).abs() < 1e-5);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn water_activity(&self) -> Result<f64, Refusal> {
        let water = within("water, g", self.water_g, 1e-6, 1e9)?;
        let salt = within("salt, g", self.salt_g, 0.0, 1e9)?;
        let molality = salt / SALT_MOLAR_MASS_G / (water / 1000.0);
        Ok(salt_water_activity(molality.min(6.2))?
            * norrish(SUCROSE, self.sucrose_g, water)?
            * norrish(HEXOSE, self.hexose_g, water)?
            * norrish(LACTOSE, self.lactose_g, water)?)
    }
}

/// Osmotic pressure, Pa, of a liquid of water activity `aw` (0 to 1, not 0) at `temperature_c` (-20 to 120):
/// `P = -(R·T/Vw)·ln aw`, `Vw` 18.07e-6 m³/mol, water taken as incompressible. A handbook of dough fermentation
/// gives 35 to 100 atm for doughs.
///
/// ```
/// use doughwarden_model::solution::osmotic_pressure_pa;
/// assert!((osmotic_pressure_pa(0.98267, 30.0)? / 101_325.0 - 24.07).abs() < 0.01);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn osmotic_pressure_pa(aw: f64, temperature_c: f64) -> Result<f64, Refusal> {
    let aw = within("water activity", aw, 1e-6, 1.0)?;
    let kelvin = within("temperature, °C", temperature_c, -20.0, 120.0)? + 273.15;
    Ok(-GAS_CONSTANT * kelvin / 18.07e-6 * aw.ln())
}

/// The share of its full rate that yeast keeps at water activity `aw`: 0 at or below
/// [`YEAST_LEAST_WATER_ACTIVITY`], 1 in pure water: `gamma = (aw - awmin)/(1 - awmin)` (Rosso & Robinson 2001,
/// two parameters). A law of growth; see the module's head on what it is worth for gas.
///
/// ```
/// use doughwarden_model::solution::yeast_gamma;
/// assert!((yeast_gamma(0.98267) - 0.8267).abs() < 1e-9);
/// assert_eq!(yeast_gamma(0.5), 0.0);
/// ```
pub fn yeast_gamma(aw: f64) -> f64 {
    let gamma = (aw - YEAST_LEAST_WATER_ACTIVITY) / (1.0 - YEAST_LEAST_WATER_ACTIVITY);
    if gamma.is_nan() {
        0.0
    } else {
        gamma.clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn close(got: f64, want: f64, tolerance: f64) {
        assert!(
            (got - want).abs() <= tolerance,
            "{got} is not {want} to {tolerance}"
        );
    }

    #[test]
    fn salt_and_sucrose_solutions() {
        // Computed from the equations above with another program, to 1e-6; at 1 mol/kg Robinson &
        // Stokes give phi 0.9355 (from memory).
        for (m, aw) in [
            (0.1, 0.996647),
            (0.5, 0.983541),
            (1.0, 0.966842),
            (2.0, 0.931528),
            (3.0, 0.893125),
        ] {
            close(salt_water_activity(m).expect("valid"), aw, 1e-6);
        }
        close(salt_osmotic_coefficient(1.0).expect("valid"), 0.93587, 5e-6);
        close(salt_osmotic_coefficient(1.0).expect("valid"), 0.9355, 5e-4);
        for (m, by_norrish, by_raoult) in [
            (0.5, 0.990562, 0.991073),
            (1.0, 0.980315, 0.982304),
            (2.0, 0.957699, 0.965222),
        ] {
            close(
                norrish(SUCROSE, m * 342.297, 1000.0).expect("valid"),
                by_norrish,
                1e-6,
            );
            close(
                raoult(SUCROSE, m * 342.297, 1000.0).expect("valid"),
                by_raoult,
                1e-6,
            );
        }
    }

    #[test]
    fn the_table_of_doughs() {
        let dough = |water_g, salt_g, sucrose_g, hexose_g| Dissolved {
            water_g,
            salt_g,
            sucrose_g,
            hexose_g,
            lactose_g: 0.0,
        };
        for (d, aw, atm, gamma) in [
            (dough(65.0, 2.0, 0.0, 0.0), 0.98267, 24.1, 0.8267),
            (dough(65.0, 2.0, 0.0, 1.5), 0.98039, 27.3, 0.8039),
            (dough(60.0, 2.0, 6.0, 0.0), 0.97591, 33.6, 0.7591),
            (dough(55.0, 1.8, 15.0, 0.0), 0.96642, 47.0, 0.6642),
            (dough(55.0, 1.8, 0.0, 7.89 + 7.89), 0.95252, 67.0, 0.5252),
            (
                dough(55.0, 1.5, 25.0, 0.0).inverted(),
                0.93527,
                92.1,
                0.3527,
            ),
        ] {
            let got = d.water_activity().expect("valid");
            close(got, aw, 1.5e-5);
            close(
                osmotic_pressure_pa(got, 30.0).expect("valid") / 101_325.0,
                atm,
                0.1,
            );
            close(yeast_gamma(got), gamma, 1.5e-4);
        }
        // A dough-fermentation handbook: dough osmotic pressure runs from 35 to 100 atm.
        close(
            osmotic_pressure_pa(0.97490, 30.0).expect("valid") / 101_325.0,
            35.0,
            0.01,
        );
        close(
            osmotic_pressure_pa(0.92993, 30.0).expect("valid") / 101_325.0,
            100.0,
            0.01,
        );
    }

    proptest! {
        #[test]
        fn whatever_is_dissolved_the_activity_lies_between_0_and_1(
            v in proptest::array::uniform5(proptest::num::f64::ANY)
        ) {
            let d = Dissolved { water_g: v[0], salt_g: v[1], sucrose_g: v[2], hexose_g: v[3], lactose_g: v[4] };
            for d in [d, d.inverted()] {
                if let Ok(aw) = d.water_activity() {
                    prop_assert!((0.0..=1.0).contains(&aw));
                    prop_assert!((0.0..=1.0).contains(&yeast_gamma(aw)));
                }
            }
        }
    }
}

//! Where the first gas goes: into solution. A dough's lag without a fitted parameter.
//!
//! ```text
//! C6H12O6 -> 2 C2H5OH + 2 CO2                  1 g glucose -> 0.488571 g CO2
//! ln K0 = -58.0931 + 90.5069·(100/T) + 22.2940·ln(T/100)     mol/L/atm, T in K
//! ```
//! `K0`: Weiss 1974 for fresh water (from memory; 0.034 at 25 °C agrees with the handbook). A dough
//! takes up some 37 % of its own volume of CO2 before it needs to rise at all.

use crate::refusal::{Refusal, within};

/// CO2 from one gram of glucose, g: 2·44.0095/180.156.
pub const CO2_PER_GLUCOSE_G: f64 = 2.0 * 44.0095 / 180.156;
/// Gas constant in mL·atm/mol/K.
const R_ML_ATM: f64 = 82.057_366;
/// Molar mass of glucose, g/mol.
const GLUCOSE_MOLAR_MASS_G: f64 = 180.156;

/// Solubility of CO2 in fresh water, mol/L/atm: `ln K0 = -58.0931 + 90.5069·(100/T) + 22.2940·ln(T/100)`, `T`
/// in K (Weiss 1974, from memory).
///
/// `temperature_c` from -2 to 60; Weiss measured up to 40 °C (from memory), beyond it extrapolates. Dough
/// water holds salt and sugar, and takes up a few percent less (from memory).
///
/// ```
/// use doughwarden_model::carbon_dioxide::solubility;
/// assert!((solubility(25.0)? - 0.033967).abs() < 1e-6);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn solubility(temperature_c: f64) -> Result<f64, Refusal> {
    let t = within("temperature, °C", temperature_c, -2.0, 60.0)? + 273.15;
    Ok((-58.0931 + 90.5069 * (100.0 / t) + 22.2940 * (t / 100.0).ln()).exp())
}

/// Millilitres of CO2 (at that temperature, 1 atm) that a millilitre of water holds: `K0·R·T`, the ideal gas
/// law on [`solubility`] and within its range.
///
/// ```
/// use doughwarden_model::carbon_dioxide::dissolved_ml_per_ml;
/// assert!((dissolved_ml_per_ml(30.0)? - 0.7420).abs() < 1e-4);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn dissolved_ml_per_ml(temperature_c: f64) -> Result<f64, Refusal> {
    Ok(solubility(temperature_c)? * R_ML_ATM / 1000.0 * (temperature_c + 273.15))
}

/// Millilitres of CO2 (at that temperature, 1 atm) that yeast makes of `glucose_g`: `2·m/M·R·T`, `M` 180.156
/// g/mol, an ideal gas and every gram fermented (the equation in the module's head). -20 to 120 °C.
///
/// ```
/// use doughwarden_model::carbon_dioxide::gas_from_glucose_ml;
/// assert!((gas_from_glucose_ml(1.0, 30.0)? - 276.16).abs() < 0.01);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn gas_from_glucose_ml(glucose_g: f64, temperature_c: f64) -> Result<f64, Refusal> {
    let glucose = within("glucose, g", glucose_g, 0.0, 1e9)?;
    let kelvin = within("temperature, °C", temperature_c, -20.0, 120.0)? + 273.15;
    Ok(2.0 * glucose / GLUCOSE_MOLAR_MASS_G * R_ML_ATM * kelvin)
}

/// Glucose, g, that it takes to raise `dough_ml` of dough by the ratio `rise` (1 = doubled) when the
/// share `retained` (0.05 to 1) of the gas stays in; the dissolved gas is extra.
///
/// `m = V·rise/retained / (mL of gas per g)`. About 40 % was retained after punching and moulding in one
/// bakery text (an excerpt; weak); the pressure in the bubbles, under 2 % of an atmosphere, is left out.
///
/// ```
/// use doughwarden_model::carbon_dioxide::glucose_for_rise_g;
/// // Doubling a small dough at 40 % retention.
/// assert!((glucose_for_rise_g(130.0, 1.0, 0.4, 30.0)? - 1.18).abs() < 0.01);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn glucose_for_rise_g(
    dough_ml: f64,
    rise: f64,
    retained: f64,
    temperature_c: f64,
) -> Result<f64, Refusal> {
    let dough = within("dough, mL", dough_ml, 0.0, 1e9)?;
    let rise = within("rise", rise, 0.0, 50.0)?;
    let retained = within("share of gas retained", retained, 0.05, 1.0)?;
    Ok(dough * rise / retained / gas_from_glucose_ml(1.0, temperature_c)?)
}

/// The lag as a share of the way to ready: gas that dissolves over all gas made until the dough has
/// risen by `ready_rise`, at a steady rate: `lag = d/(d + rise/retained)`. `dissolved_share` `d` is dissolved
/// gas over dough volume (0 to 2), `retained` the share of the rest that lifts (0.05 to 1). Follows from the
/// budget alone (own derivation): yeast that needs time to wake lags longer.
///
/// ```
/// use doughwarden_model::carbon_dioxide::lag_fraction;
/// // 0.37 dissolves; 0.8 of rise needs 1.14 made at 70 % retention: a quarter of the way is lag.
/// assert!((lag_fraction(0.37, 0.8, 0.7)? - 0.245).abs() < 1e-3);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn lag_fraction(dissolved_share: f64, ready_rise: f64, retained: f64) -> Result<f64, Refusal> {
    let dissolved = within("dissolved gas over dough volume", dissolved_share, 0.0, 2.0)?;
    let rise = within("rise at ready", ready_rise, 0.05, 50.0)?;
    let retained = within("share of gas retained", retained, 0.05, 1.0)?;
    Ok(dissolved / (dissolved + rise / retained))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64, tolerance: f64) {
        assert!(
            (got - want).abs() <= tolerance,
            "{got} is not {want} to {tolerance}"
        );
    }

    #[test]
    fn solubility_table() {
        // Weiss 1974 computed with another program; handbook 0.034 at 25 °C.
        for (t, k, ml) in [
            (5.0, 0.064077, 1.4625),
            (20.0, 0.039099, 0.9405),
            (25.0, 0.033967, 0.8310),
            (30.0, 0.029829, 0.7420),
            (35.0, 0.026463, 0.6691),
            (40.0, 0.023703, 0.6091),
        ] {
            close(solubility(t).expect("valid"), k, 6e-7);
            close(dissolved_ml_per_ml(t).expect("valid"), ml, 6e-5);
        }
        close(solubility(25.0).expect("valid"), 0.034, 5e-4);
    }

    #[test]
    fn the_budget_of_a_small_dough() {
        close(CO2_PER_GLUCOSE_G, 0.488571, 1e-6);
        close(1.0 - CO2_PER_GLUCOSE_G, 0.511423, 1e-5);
        let held = |t| 65.0 * dissolved_ml_per_ml(t).expect("valid");
        close(held(30.0), 48.2, 0.05);
        close(held(30.0) / 130.0, 0.37, 0.002);
        close(held(30.0) - held(35.0), 4.7, 0.05);
        close((held(30.0) - held(35.0)) / 130.0, 0.036, 5e-4);
        close(
            gas_from_glucose_ml(1.0, 30.0).expect("valid"),
            276.16,
            0.005,
        );
        // Doubling 130 mL: 0.65 g with the dissolved gas and no loss; 1.18 g at 40 % retention
        // without the dissolved gas.
        close((130.0 + held(30.0)) / 276.16, 0.65, 0.005);
        close(
            glucose_for_rise_g(130.0, 1.0, 0.4, 30.0).expect("valid"),
            1.18,
            0.005,
        );
    }

    #[test]
    fn absurd_numbers_are_refused() {
        assert!(solubility(f64::NAN).is_err() && solubility(500.0).is_err());
        assert!(gas_from_glucose_ml(-1.0, 20.0).is_err());
        assert!(lag_fraction(0.3, 0.0, 0.5).is_err());
    }
}

//! Lasting damage to yeast from heat: log-linear death with Bigelow's temperature law.
//!
//! ```text
//! dN/dt = -ln10 · N / D(T)          D(T) = D_ref · 10^((T_ref - T)/z)
//! ln(N/N0) = -ln10 · ∫ dt / D(T(t))
//! ```
//! `N` living cells; `D` decimal reduction time (s), the time that kills nine in ten; `z` (°C) the
//! warming that shortens `D` tenfold. Above the optimum the *rate* falls while it is hot and comes
//! back when it cools; the cells that died do not. Death is irreversible here: regrowth in a dough
//! takes hours and is neglected.
//!
//! Source of the law: W. D. Bigelow & J. R. Esty 1920, J. Infect. Dis. 27:602-617 (citation read in
//! a later author's list). It is log-linear; real survivor curves may bend (shoulders, tails).
//! Valid from about 40 to 70 °C; outside it extrapolates.

use crate::refusal::{Refusal, within};

/// Log-linear death with a Bigelow temperature dependence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThermalDeath {
    reference_c: f64,
    decimal_reduction_s: f64,
    z_c: f64,
}

/// Survival is never reported below this, so that its logarithm stays usable.
pub const LEAST_SURVIVAL: f64 = 1e-12;

impl ThermalDeath {
    /// Vegetative baker's yeast in dough, the default: D60 0.2 min, z 5 °C.
    ///
    /// z: "about 5 °C" for vegetative organisms, the heat-resistance table of a food-microbiology
    /// textbook (Adams & Moss, table 4.3). D60: from memory of work on vegetative wine and beer
    /// yeasts (0.1 to 0.35 min); it agrees with the trade's "yeast is dead at 54 to 60 °C". The
    /// spores below bound survival from above wherever the two are compared near 55 to 60 °C.
    ///
    /// The same textbook's table also gives D65 0.5 to 3 min for yeasts and moulds, which at z 5 °C would
    /// make cells up to a hundred times tougher than here, and as tough as spores; its columns were out of
    /// order in the copy read, and it is not used. Take what is lost as an order of magnitude.
    pub const BAKERS_CELLS: Self = Self {
        reference_c: 60.0,
        decimal_reduction_s: 12.0,
        z_c: 5.0,
    };

    /// Ascospores of *S. cerevisiae* DSMZ 70487 in 4 % lager: D60 7.5 min, z 14.3 °C (thesis
    /// abstract on thermal resistance of *Saccharomyces* ascospores in beers). Spores are tougher
    /// than cells; dough holds next to none. For comparison only.
    pub const ASCOSPORES: Self = Self {
        reference_c: 60.0,
        decimal_reduction_s: 450.0,
        z_c: 14.3,
    };

    /// `decimal_reduction_s` at `reference_c`, shortened tenfold by each `z_c` of warming.
    ///
    /// `D(T) = D_ref·10^((T_ref - T)/z)` (Bigelow & Esty 1920), from 0 to 150 °C, 1 ms to 1e9 s and z 0.5 to 100 °C.
    /// The numbers must come from cells like yours: z differs threefold between cells and spores.
    ///
    /// ```
    /// use doughwarden_model::thermal_death::ThermalDeath;
    /// let spores = ThermalDeath::new(60.0, 450.0, 14.3)?;
    /// assert!((spores.decimal_reduction_time_s(60.0) - 450.0).abs() < 1e-9);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn new(reference_c: f64, decimal_reduction_s: f64, z_c: f64) -> Result<Self, Refusal> {
        Ok(Self {
            reference_c: within("reference temperature, °C", reference_c, 0.0, 150.0)?,
            decimal_reduction_s: within(
                "decimal reduction time, s",
                decimal_reduction_s,
                1e-3,
                1e9,
            )?,
            z_c: within("z value, °C", z_c, 0.5, 100.0)?,
        })
    }

    /// `D(T) = D_ref·10^((T_ref - T)/z)`, s. Temperatures are taken within -50 to 200 °C; the law was
    /// measured from about 40 to 70.
    ///
    /// ```
    /// use doughwarden_model::thermal_death::ThermalDeath;
    /// let minutes = ThermalDeath::ASCOSPORES.decimal_reduction_time_s(55.0) / 60.0;
    /// assert!((minutes - 16.777).abs() < 1e-3);
    /// ```
    pub fn decimal_reduction_time_s(&self, temperature_c: f64) -> f64 {
        self.decimal_reduction_s * 10f64.powf(-self.exponent(temperature_c))
    }

    /// Decimal reductions (powers of ten killed) while the temperature goes in a straight line from
    /// `from_c` to `to_c` in `elapsed_s`.
    ///
    /// `n = ∫ dt/D(T(t))`, exact for the straight line: the mean of an exponential along it is the
    /// logarithmic mean of its ends. What is not finite, or runs backwards, kills nothing.
    ///
    /// ```
    /// use doughwarden_model::thermal_death::ThermalDeath;
    /// let death = ThermalDeath::new(60.0, 450.0, 14.3)?;
    /// assert!((death.decimal_reductions(60.0, 60.0, 900.0) - 2.0).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn decimal_reductions(&self, from_c: f64, to_c: f64, elapsed_s: f64) -> f64 {
        if !(from_c.is_finite() && to_c.is_finite() && elapsed_s.is_finite() && elapsed_s > 0.0) {
            return 0.0;
        }
        let (a, b) = (self.exponent(from_c), self.exponent(to_c));
        let difference = (b - a) * std::f64::consts::LN_10;
        let low = 10f64.powf(a.min(b));
        let mean = if difference.abs() < 1e-9 {
            low
        } else {
            low * difference.abs().exp_m1() / difference.abs()
        };
        mean * elapsed_s / self.decimal_reduction_s
    }

    /// The share of the cells alive at each sample of a temperature log of the *dough*,
    /// `(seconds, °C)` in order of time; the first is 1. Between samples the temperature is a
    /// straight line. Never below [`LEAST_SURVIVAL`].
    ///
    /// ```
    /// use doughwarden_model::thermal_death::ThermalDeath;
    /// let half_an_hour_at_48 = [(0.0, 48.0), (1800.0, 48.0), (1860.0, 27.0), (9000.0, 27.0)];
    /// let alive = ThermalDeath::BAKERS_CELLS.survival(&half_an_hour_at_48);
    /// assert!(alive[1] < 0.3);                       // most of the yeast is gone
    /// assert!((alive[3] - alive[2]).abs() < 1e-3);   // and cooling does not bring it back
    /// ```
    pub fn survival(&self, log: &[(f64, f64)]) -> Vec<f64> {
        let mut reductions = 0.0;
        let mut last: Option<(f64, f64)> = None;
        log.iter()
            .map(|&(time_s, temperature_c)| {
                if let Some((then_s, then_c)) = last {
                    reductions += self.decimal_reductions(then_c, temperature_c, time_s - then_s);
                }
                if time_s.is_finite() && temperature_c.is_finite() {
                    last = Some((time_s, temperature_c));
                }
                Self::surviving(reductions)
            })
            .collect()
    }

    /// The share alive after a number of decimal reductions: `10^-n`, not below [`LEAST_SURVIVAL`].
    ///
    /// ```
    /// use doughwarden_model::thermal_death::ThermalDeath;
    /// assert!((ThermalDeath::surviving(1.0) - 0.1).abs() < 1e-15 && ThermalDeath::surviving(-3.0) == 1.0);
    /// ```
    pub fn surviving(decimal_reductions: f64) -> f64 {
        10f64.powf(-decimal_reductions.max(0.0)).max(LEAST_SURVIVAL)
    }

    fn exponent(&self, temperature_c: f64) -> f64 {
        let t = if temperature_c.is_nan() {
            0.0
        } else {
            temperature_c.clamp(-50.0, 200.0)
        };
        ((t - self.reference_c) / self.z_c).clamp(-290.0, 290.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn bigelow_reproduces_the_worked_value() {
        // D60 7.5 min, z 14.3 °C (thesis abstract): D55 16.777 min by arithmetic.
        let d = ThermalDeath::new(60.0, 450.0, 14.3)
            .expect("valid")
            .decimal_reduction_time_s(55.0);
        assert!((d / 60.0 - 16.777).abs() < 5e-4, "{d}");
    }

    #[test]
    fn ten_minutes_of_d_kill_nine_in_ten_and_ramps_agree_with_fine_steps() {
        let death = ThermalDeath::BAKERS_CELLS;
        let d = death.decimal_reduction_time_s(50.0);
        let alive = death.survival(&[(0.0, 50.0), (d, 50.0)]);
        assert!((alive[1] - 0.1).abs() < 1e-12);
        let ramp = death.decimal_reductions(40.0, 52.0, 3600.0);
        let fine: f64 = (0..36_000)
            .map(|i| {
                0.1 / death.decimal_reduction_time_s(40.0 + 12.0 * (f64::from(i) + 0.5) / 36_000.0)
            })
            .sum();
        assert!((ramp / fine - 1.0).abs() < 1e-6, "{ramp} {fine}");
    }

    #[test]
    fn an_ordinary_proof_harms_nothing_and_a_hot_box_does() {
        // Common practice, no published source: doughs are proofed at 35-38 °C for an hour without
        // harm; nothing rises after an hour at 55 °C.
        let death = ThermalDeath::BAKERS_CELLS;
        assert!(death.survival(&[(0.0, 37.0), (3600.0, 37.0)])[1] > 0.97);
        assert!(death.survival(&[(0.0, 55.0), (3600.0, 55.0)])[1] < 1e-6);
    }

    proptest! {
        #[test]
        fn survival_is_a_falling_share_whatever_the_log(
            log in proptest::collection::vec((proptest::num::f64::ANY, proptest::num::f64::ANY), 0..20)
        ) {
            let alive = ThermalDeath::BAKERS_CELLS.survival(&log);
            prop_assert_eq!(alive.len(), log.len());
            prop_assert!(alive.windows(2).all(|w| w[1] <= w[0]));
            prop_assert!(alive.iter().all(|a| (LEAST_SURVIVAL..=1.0).contains(a)));
        }
    }
}

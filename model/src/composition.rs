//! Density, heat capacity and conductivity of a dough from what it is made of.
//!
//! Choi & Okos 1986 (*Food Engineering and Process Applications* 1:93-101), as in the ASHRAE
//! refrigeration handbook's chapter on thermal properties of foods. For each component a property is
//! `a + b·T + c·T²`, `T` in °C, -40 to 150 °C. Mixing, with mass fractions `x`:
//! ```text
//! rho = 1 / Σ x/rho_i      cp = Σ x·cp_i      volume fraction v_i = x_i·rho/rho_i
//! k_parallel = Σ v·k_i     k_perpendicular = 1 / Σ v/k_i     alpha = k / (rho·cp)
//! ```
//! Gas in a risen dough (Maxwell-Eucken, gas dispersed, porosity `e`, gas conductivity `ka`):
//! ```text
//! k = k0·[2k0 + ka - 2e(k0 - ka)] / [2k0 + ka + e(k0 - ka)]     rho = rho0·(1 - e)
//! ```
//! `alpha` barely moves with the rise (conductivity and density fall together), so one diffusivity
//! serves a whole proof.

use crate::refusal::{Refusal, within};

/// Conductivity of the gas in the bubbles, W/m/K (air near 30 °C).
pub const GAS_CONDUCTIVITY: f64 = 0.0264;

/// The coefficients `a, b, c` of a property `a + b·T + c·T²`.
type Quadratic = [f64; 3];

/// One component: conductivity W/m/K, density kg/m³, heat capacity kJ/kg/K.
struct Component {
    conductivity: Quadratic,
    density: Quadratic,
    heat_capacity: Quadratic,
}

// In the order of `Composition::fractions`. Water's heat capacity is the handbook's 4.1762 (pure
// water at 20 °C is 4.18); another published constant, 4.1289, is 1.1 % lower.
const COMPONENTS: [Component; 6] = [
    Component {
        conductivity: [0.57109, 1.7625e-3, -6.7036e-6],
        density: [997.18, 3.1439e-3, -3.7574e-3],
        heat_capacity: [4.1762, -9.0864e-5, 5.4731e-6],
    },
    Component {
        conductivity: [0.17881, 1.1958e-3, -2.7178e-6],
        density: [1329.9, -0.51840, 0.0],
        heat_capacity: [2.0082, 1.2089e-3, -1.3129e-6],
    },
    Component {
        conductivity: [0.18071, -2.7604e-4, -1.7749e-7],
        density: [925.59, -0.41757, 0.0],
        heat_capacity: [1.9842, 1.4733e-3, -4.8008e-6],
    },
    Component {
        conductivity: [0.20141, 1.3874e-3, -4.3312e-6],
        density: [1599.1, -0.31046, 0.0],
        heat_capacity: [1.5488, 1.9625e-3, -5.9399e-6],
    },
    Component {
        conductivity: [0.18331, 1.2497e-3, -3.1683e-6],
        density: [1311.5, -0.36589, 0.0],
        heat_capacity: [1.8459, 1.8306e-3, -4.6509e-6],
    },
    Component {
        conductivity: [0.32962, 1.4011e-3, -2.9069e-6],
        density: [2423.8, -0.28063, 0.0],
        heat_capacity: [1.0926, 1.8896e-3, -3.6817e-6],
    },
];

fn at(q: &Quadratic, t: f64) -> f64 {
    q[0] + t * (q[1] + t * q[2])
}

/// Mass fractions of a food, summing to one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Composition {
    fractions: [f64; 6],
}

/// Masses of the six components, in any one unit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Masses {
    /// Water.
    pub water: f64,
    /// Protein.
    pub protein: f64,
    /// Fat.
    pub fat: f64,
    /// Starch and sugars.
    pub carbohydrate: f64,
    /// Fibre.
    pub fibre: f64,
    /// Ash; salt counts here.
    pub ash: f64,
}

impl Masses {
    /// In the order water, protein, fat, carbohydrate, fibre, ash.
    ///
    /// ```
    /// use doughwarden_model::composition::Masses;
    /// assert_eq!(Masses { water: 65.0, ash: 2.0, ..Masses::default() }.as_array(), [65.0, 0.0, 0.0, 0.0, 0.0, 2.0]);
    /// ```
    pub fn as_array(&self) -> [f64; 6] {
        [
            self.water,
            self.protein,
            self.fat,
            self.carbohydrate,
            self.fibre,
            self.ash,
        ]
    }

    /// These masses plus `share` times `other`.
    ///
    /// ```
    /// use doughwarden_model::composition::Masses;
    /// let milk = Masses { water: 0.88, protein: 0.034, fat: 0.036, carbohydrate: 0.047, ..Masses::default() };
    /// assert!((Masses::default().plus(205.0, &milk).water - 180.4).abs() < 1e-9);
    /// ```
    #[must_use]
    pub fn plus(&self, share: f64, other: &Masses) -> Masses {
        Masses {
            water: self.water + share * other.water,
            protein: self.protein + share * other.protein,
            fat: self.fat + share * other.fat,
            carbohydrate: self.carbohydrate + share * other.carbohydrate,
            fibre: self.fibre + share * other.fibre,
            ash: self.ash + share * other.ash,
        }
    }
}

/// What heat conduction asks of a material.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThermalProperties {
    /// Density, kg/m³.
    pub density: f64,
    /// Heat capacity, J/kg/K.
    pub heat_capacity: f64,
    /// Conductivity, W/m/K.
    pub conductivity: f64,
}

impl ThermalProperties {
    /// Thermal diffusivity `alpha = k/(rho·cp)`, m²/s (its definition): how fast a change of temperature
    /// spreads.
    ///
    /// ```
    /// use doughwarden_model::composition::ThermalProperties;
    /// let water = ThermalProperties { density: 995.74, heat_capacity: 4176.6, conductivity: 0.60366 };
    /// assert!((water.diffusivity() - 1.4515e-7).abs() < 1e-10);
    /// ```
    pub fn diffusivity(&self) -> f64 {
        self.conductivity / (self.density * self.heat_capacity)
    }

    /// The same material blown up to `expansion` times its gas-free volume (at least 1, at most 20):
    /// porosity `e = 1 - 1/expansion`, then Maxwell-Eucken's equation in the module's head.
    ///
    /// It takes the gas as bubbles apart from each other: dough up to about three times its volume, less so a
    /// crumb.
    ///
    /// ```
    /// use doughwarden_model::composition::Composition;
    /// let flat = Composition::lean_dough().properties(30.0);
    /// let doubled = flat.expanded(2.0);
    /// assert!((doubled.conductivity - 0.2010).abs() < 1e-4);
    /// assert!((doubled.diffusivity() / flat.diffusivity() - 1.0).abs() < 0.15);
    /// ```
    #[must_use]
    pub fn expanded(&self, expansion: f64) -> Self {
        let porosity = 1.0
            - 1.0
                / if expansion.is_nan() {
                    1.0
                } else {
                    expansion.clamp(1.0, 20.0)
                };
        let (k0, ka) = (self.conductivity, GAS_CONDUCTIVITY);
        Self {
            density: self.density * (1.0 - porosity),
            heat_capacity: self.heat_capacity,
            conductivity: k0 * (2.0 * k0 + ka - 2.0 * porosity * (k0 - ka))
                / (2.0 * k0 + ka + porosity * (k0 - ka)),
        }
    }
}

impl Composition {
    /// A lean wheat dough: 100 flour, 65 water, 2 salt, 1 instant yeast. The stand-in where a batch
    /// has no formula.
    ///
    /// ```
    /// use doughwarden_model::composition::Composition;
    /// let warm = Composition::lean_dough().properties(30.0);
    /// assert!((warm.density - 1224.29).abs() < 0.01);
    /// assert!((warm.diffusivity() - 1.3114e-7).abs() < 1e-11);
    /// ```
    pub fn lean_dough() -> Self {
        Self::new(&Masses {
            water: 78.55,
            protein: 11.45,
            fat: 1.26,
            carbohydrate: 71.48,
            fibre: 2.7,
            ash: 2.56,
        })
        .expect("the six masses are positive constants")
    }

    /// Fractions from masses. Refuses a negative or non-finite mass, and a total of nothing.
    ///
    /// ```
    /// use doughwarden_model::composition::{Composition, Masses};
    /// let water = Composition::new(&Masses { water: 1.0, ..Masses::default() })?;
    /// assert!((water.properties(20.0).heat_capacity - 4176.572).abs() < 1e-3);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn new(masses: &Masses) -> Result<Self, Refusal> {
        let mut fractions = masses.as_array();
        for mass in fractions {
            within("mass of a component", mass, 0.0, 1e12)?;
        }
        let total: f64 = fractions.iter().sum();
        if total < 1e-12 {
            return Err(Refusal::Inconsistent("a composition needs some mass"));
        }
        for f in &mut fractions {
            *f /= total;
        }
        Ok(Self { fractions })
    }

    /// Mass fractions in the order water, protein, fat, carbohydrate, fibre, ash.
    ///
    /// ```
    /// use doughwarden_model::composition::Composition;
    /// let x = Composition::lean_dough().fractions();
    /// assert!((x[0] - 0.467560).abs() < 1e-6 && (x.iter().sum::<f64>() - 1.0).abs() < 1e-12);
    /// ```
    pub fn fractions(&self) -> [f64; 6] {
        self.fractions
    }

    /// Density, heat capacity and conductivity (components in parallel) at `temperature_c`, taken
    /// within the correlation's -40 to 150 °C.
    ///
    /// `rho = 1/Σ(x/rho_i)`, `cp = Σ x·cp_i`, `k = Σ xv·k_i` with `xv = x·rho/rho_i`: Choi and Okos 1986, in
    /// ASHRAE's handbook.
    ///
    /// ```
    /// use doughwarden_model::composition::Composition;
    /// let at_25 = Composition::lean_dough().properties(25.0);
    /// assert!((at_25.density - 1225.62).abs() < 0.01 && (at_25.heat_capacity - 2833.1).abs() < 0.1);
    /// ```
    pub fn properties(&self, temperature_c: f64) -> ThermalProperties {
        let t = range(temperature_c);
        let density = self.density(t);
        ThermalProperties {
            density,
            heat_capacity: 1000.0 * self.sum(|x, c| x * at(&c.heat_capacity, t)),
            conductivity: self.sum(|x, c| x * density / at(&c.density, t) * at(&c.conductivity, t)),
        }
    }

    /// Conductivity with the components in series, W/m/K: the lower bound.
    ///
    /// `k = 1/Σ(xv/k_i)` (ASHRAE's handbook); the truth of a mixed food lies between this and
    /// [`Composition::properties`].
    ///
    /// ```
    /// use doughwarden_model::composition::Composition;
    /// let dough = Composition::lean_dough();
    /// assert!((dough.conductivity_perpendicular(25.0) - 0.3567).abs() < 1e-4);
    /// assert!(dough.conductivity_perpendicular(25.0) < dough.properties(25.0).conductivity);
    /// ```
    pub fn conductivity_perpendicular(&self, temperature_c: f64) -> f64 {
        let t = range(temperature_c);
        let density = self.density(t);
        1.0 / self.sum(|x, c| x * density / at(&c.density, t) / at(&c.conductivity, t))
    }

    fn density(&self, t: f64) -> f64 {
        1.0 / self.sum(|x, c| x / at(&c.density, t))
    }

    fn sum(&self, term: impl Fn(f64, &Component) -> f64) -> f64 {
        self.fractions
            .iter()
            .zip(&COMPONENTS)
            .map(|(&x, c)| term(x, c))
            .sum()
    }
}

fn range(temperature_c: f64) -> f64 {
    if temperature_c.is_nan() {
        25.0
    } else {
        temperature_c.clamp(-40.0, 150.0)
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
    fn single_components_at_20_agree_with_the_published_correlation() {
        // Choi & Okos 1986 at 20 °C; k, rho and cp (kJ) also agree with a fluid-property library's
        // food tables to rounding, all but water's cp (a different published constant).
        let want = [
            (
                Masses {
                    water: 1.0,
                    ..Masses::default()
                },
                0.603659,
                995.739918,
                4.176572,
            ),
            (
                Masses {
                    protein: 1.0,
                    ..Masses::default()
                },
                0.201639,
                1319.532,
                2.031853,
            ),
            (
                Masses {
                    fat: 1.0,
                    ..Masses::default()
                },
                0.175118,
                917.2386,
                2.011746,
            ),
            (
                Masses {
                    carbohydrate: 1.0,
                    ..Masses::default()
                },
                0.227426,
                1592.8908,
                1.585674,
            ),
            (
                Masses {
                    fibre: 1.0,
                    ..Masses::default()
                },
                0.207037,
                1304.1822,
                1.880652,
            ),
            (
                Masses {
                    ash: 1.0,
                    ..Masses::default()
                },
                0.356479,
                2418.1874,
                1.128919,
            ),
        ];
        for (masses, k, rho, cp) in want {
            let p = Composition::new(&masses).expect("valid").properties(20.0);
            close(p.conductivity, k, 6e-7);
            close(p.density, rho, 6e-5);
            close(p.heat_capacity / 1000.0, cp, 6e-7);
        }
    }

    #[test]
    fn the_worked_lean_dough_and_its_expansion() {
        // Worked with the correlation above; no published dough was found to compare with.
        let dough = Composition::lean_dough();
        for (x, want) in dough
            .fractions()
            .iter()
            .zip([0.467560, 0.068155, 0.0075, 0.425476, 0.016071, 0.015238])
        {
            close(*x, want, 6e-7);
        }
        for (t, rho, cp, par, perp, alpha) in [
            (5.0, 1229.59, 2.8144, 0.4214, 0.3260, 1.2176e-7),
            (25.0, 1225.62, 2.8331, 0.4493, 0.3567, 1.2939e-7),
            (30.0, 1224.29, 2.8378, 0.4556, 0.3636, 1.3114e-7),
        ] {
            let p = dough.properties(t);
            close(p.density, rho, 6e-3);
            close(p.heat_capacity / 1000.0, cp, 6e-5);
            close(p.conductivity, par, 6e-5);
            close(dough.conductivity_perpendicular(t), perp, 6e-5);
            close(p.diffusivity(), alpha, 6e-12);
        }
        let flat = dough.properties(30.0);
        for (expansion, rho, k, alpha) in [
            (2.0, 612.1, 0.2010, 1.1573e-7),
            (3.0, 408.1, 0.1360, 1.1745e-7),
        ] {
            let p = flat.expanded(expansion);
            close(p.density, rho, 0.06);
            close(p.conductivity, k, 6e-5);
            close(p.diffusivity(), alpha, 6e-12);
        }
    }

    proptest! {
        #[test]
        fn absurd_numbers_are_refused_or_give_finite_answers(
            m in proptest::array::uniform6(proptest::num::f64::ANY), t in proptest::num::f64::ANY, e in proptest::num::f64::ANY
        ) {
            let masses = Masses { water: m[0], protein: m[1], fat: m[2], carbohydrate: m[3], fibre: m[4], ash: m[5] };
            if let Ok(c) = Composition::new(&masses) {
                let p = c.properties(t).expanded(e);
                prop_assert!(p.diffusivity().is_finite() && p.diffusivity() > 0.0);
                prop_assert!(c.conductivity_perpendicular(t) > 0.0);
            }
        }
    }
}

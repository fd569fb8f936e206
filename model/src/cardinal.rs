//! Rate against temperature: cardinal-temperature, square-root and Arrhenius laws.
//!
//! The default for dough is the cardinal temperature model with inflection (CTMI) of Rosso, Lobry
//! & Flandrois 1993 (J. Theor. Biol. 162:447-463):
//!
//! ```text
//! gamma(T) = (T-Tmax)(T-Tmin)^2 / { (Topt-Tmin) [ (Topt-Tmin)(T-Topt) - (Topt-Tmax)(Topt+Tmin-2T) ] }
//! ```
//! for `Tmin < T < Tmax`, else 0; `T` in °C; `rate(T) = rate_opt · gamma(T)`. Across 18 to 30 °C
//! every law here agrees within about 20 %; at 35 °C they differ by a third and nobody has
//! published dough's gas rate by temperature, so a fit carries one learned tilt beside it.

use crate::refusal::{Refusal, within};
use serde::{Deserialize, Serialize};

/// Reference temperature of equivalent age, °C.
pub const REFERENCE_C: f64 = 27.0;

/// Gas constant, J/mol/K (CODATA 2018, exact).
pub const GAS_CONSTANT: f64 = 8.314_462_618;

/// The cardinal temperature model with inflection.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Cardinal {
    min_c: f64,
    opt_c: f64,
    max_c: f64,
}

impl Cardinal {
    /// Growth of *S. cerevisiae*: `Topt` 32.3, `Tmax` 45.4 (Salvadó et al. 2011, Appl. Environ.
    /// Microbiol. 77:2292-2302, abstract); `Tmin` 2.8 is the middle of the genus's range there.
    pub const GROWTH: Self = Self {
        min_c: 2.8,
        opt_c: 32.3,
        max_c: 45.4,
    };

    /// Gas production, the default for dough. In a yeasted dough the cells hardly multiply; bakery
    /// sources put the optimum of *gassing* at 32 to 40 °C with activity to 55 °C. Own choice within
    /// those ranges: 2.8, 37, 50.
    pub const GAS: Self = Self {
        min_c: 2.8,
        opt_c: 37.0,
        max_c: 50.0,
    };

    /// Cardinal temperatures, °C, from -30 to 120. Refuses `Topt <= (Tmin + Tmax)/2`, where the
    /// bracket in the equation changes sign inside the range and the curve is no curve.
    ///
    /// ```
    /// use doughwarden_model::cardinal::Cardinal;
    /// assert!(Cardinal::new(2.8, 37.0, 50.0).is_ok());
    /// assert!(Cardinal::new(2.8, 20.0, 50.0).is_err());
    /// ```
    pub fn new(min_c: f64, opt_c: f64, max_c: f64) -> Result<Self, Refusal> {
        within("lowest temperature, °C", min_c, -30.0, 120.0)?;
        within("optimum temperature, °C", opt_c, -30.0, 120.0)?;
        within("highest temperature, °C", max_c, -30.0, 120.0)?;
        if opt_c > 0.5 * (min_c + max_c) && max_c > opt_c {
            Ok(Self {
                min_c,
                opt_c,
                max_c,
            })
        } else {
            Err(Refusal::Inconsistent(
                "the optimum must lie above the middle of the lowest and highest temperature, and below the highest",
            ))
        }
    }

    /// The share of the optimum's rate at `temperature_c`, 0 to 1; 0 outside `Tmin..Tmax` and for
    /// what is not a number.
    ///
    /// ```
    /// use doughwarden_model::cardinal::Cardinal;
    /// assert!((Cardinal::GAS.gamma(27.0) - 0.747914).abs() < 1e-6);
    /// assert_eq!(Cardinal::GAS.gamma(60.0), 0.0);
    /// ```
    pub fn gamma(&self, temperature_c: f64) -> f64 {
        let t = temperature_c;
        if !(t > self.min_c && t < self.max_c) {
            return 0.0;
        }
        let span = self.opt_c - self.min_c;
        let numerator = (t - self.max_c) * (t - self.min_c) * (t - self.min_c);
        let bracket = span * (t - self.opt_c)
            - (self.opt_c - self.max_c) * (self.opt_c + self.min_c - 2.0 * t);
        (numerator / (span * bracket)).clamp(0.0, 1.0)
    }

    /// Lowest, optimum and highest temperature, °C.
    ///
    /// ```
    /// use doughwarden_model::cardinal::Cardinal;
    /// assert_eq!(Cardinal::GAS.temperatures(), (2.8, 37.0, 50.0));
    /// ```
    pub fn temperatures(&self) -> (f64, f64, f64) {
        (self.min_c, self.opt_c, self.max_c)
    }
}

/// Ratkowsky's square-root law over the whole range (Ratkowsky et al. 1983, J. Bacteriol.
/// 154:1222-1226): `sqrt(mu) = b (T - Tmin) {1 - exp[c (T - Tmax)]}`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SquareRoot {
    min_c: f64,
    max_c: f64,
    c: f64,
}

impl SquareRoot {
    /// Lowest and highest temperature, °C, each -30 to 120; `c` in 1/°C, 0.001 to 10, how sharply the rate
    /// falls towards the highest.
    ///
    /// ```
    /// use doughwarden_model::cardinal::SquareRoot;
    /// assert!(SquareRoot::new(2.8, 45.4, 0.25).is_ok() && SquareRoot::new(45.4, 2.8, 0.25).is_err());
    /// ```
    pub fn new(min_c: f64, max_c: f64, c: f64) -> Result<Self, Refusal> {
        within("lowest temperature, °C", min_c, -30.0, 120.0)?;
        within("highest temperature, °C", max_c, -30.0, 120.0)?;
        within("c of the square-root law, 1/°C", c, 1e-3, 10.0)?;
        if max_c > min_c {
            Ok(Self { min_c, max_c, c })
        } else {
            Err(Refusal::Inconsistent(
                "the highest temperature must lie above the lowest",
            ))
        }
    }

    /// `Topt = { W0( exp(1 + c (Tmax - Tmin)) ) + c Tmin - 1 } / c`, `W0` Lambert's function.
    ///
    /// ```
    /// use doughwarden_model::cardinal::SquareRoot;
    /// let law = SquareRoot::new(2.8, 45.4, 0.25)?;
    /// assert!((law.optimum_c() - 36.433589).abs() < 1e-6);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn optimum_c(&self) -> f64 {
        // W(e^a) solves w + ln w = a: Newton, without ever forming e^a.
        let a = 1.0 + self.c * (self.max_c - self.min_c);
        let mut w = if a > 1.0 { a - a.ln() } else { a.exp() }.max(1e-12);
        for _ in 0..60 {
            let step = (w + w.ln() - a) / (1.0 + 1.0 / w);
            w = (w - step).max(1e-12);
            if step.abs() < 1e-15 * w {
                break;
            }
        }
        (w + self.c * self.min_c - 1.0) / self.c
    }

    /// The share of the optimum's rate at `temperature_c`, °C; 0 outside `Tmin..Tmax`.
    ///
    /// `{(T - Tmin)(1 - e^{c(T - Tmax)})}²` over the same at `Topt`.
    ///
    /// ```
    /// use doughwarden_model::cardinal::SquareRoot;
    /// let law = SquareRoot::new(2.8, 45.4, 0.25)?;
    /// assert!((law.gamma(27.0) - 0.635205).abs() < 1e-6);   // arithmetic of the published form
    /// assert_eq!(law.gamma(50.0), 0.0);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn gamma(&self, temperature_c: f64) -> f64 {
        let root = |t: f64| (t - self.min_c) * -(self.c * (t - self.max_c)).exp_m1();
        if !(temperature_c > self.min_c && temperature_c < self.max_c) {
            return 0.0;
        }
        let share = root(temperature_c) / root(self.optimum_c());
        (share * share).clamp(0.0, 1.0)
    }

    /// The simple law below the optimum (Ratkowsky et al. 1982, J. Bacteriol. 149:1-5):
    /// `mu(to)/mu(from) = [(to - Tmin)/(from - Tmin)]²`, °C. Above the optimum it goes on rising, where
    /// yeast does not.
    ///
    /// ```
    /// use doughwarden_model::cardinal::SquareRoot;
    /// assert!((SquareRoot::simple_ratio(2.8, 27.0, 37.0)? - 1.997200).abs() < 1e-6);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn simple_ratio(min_c: f64, from_c: f64, to_c: f64) -> Result<f64, Refusal> {
        let from = within(
            "temperature over the lowest, °C",
            from_c - min_c,
            1e-9,
            200.0,
        )?;
        let to = within("temperature over the lowest, °C", to_c - min_c, 0.0, 200.0)?;
        Ok((to / from) * (to / from))
    }
}

/// Arrhenius: `k(to)/k(from) = exp[Ea/R (1/T_from - 1/T_to)]`, `activation_j_mol` 0 to 1e6 J/mol, `T` in K
/// (given in °C, -100 to 200).
///
/// Any textbook of physical chemistry. For yeast it serves over some ten degrees below the optimum; it has no
/// optimum of its own.
///
/// ```
/// use doughwarden_model::cardinal::arrhenius_ratio;
/// assert!((arrhenius_ratio(60_000.0, 25.0, 35.0)? - 2.193400).abs() < 1e-6);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn arrhenius_ratio(activation_j_mol: f64, from_c: f64, to_c: f64) -> Result<f64, Refusal> {
    let ea = within("activation energy, J/mol", activation_j_mol, 0.0, 1e6)?;
    let from = within("temperature, °C", from_c, -100.0, 200.0)? + 273.15;
    let to = within("temperature, °C", to_c, -100.0, 200.0)? + 273.15;
    Ok((ea / GAS_CONSTANT * (1.0 / from - 1.0 / to)).exp())
}

/// `Q10 = (k2/k1)^(10/(T2-T1))`: the factor of 10 °C, from a ratio of rates (above 0) over a span `T2 - T1`
/// in °C (not 0, either sign). The rule of thumb behind "doubles per …"; like Arrhenius, without an optimum.
///
/// ```
/// use doughwarden_model::cardinal::q10;
/// assert!((q10(2.193400, 10.0)? - 2.193400).abs() < 1e-12);
/// assert!((q10(2.0, 8.0)? - 2.3784).abs() < 1e-4);   // "doubles per 8 °C", common practice
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn q10(rate_ratio: f64, span_c: f64) -> Result<f64, Refusal> {
    let ratio = within("ratio of rates", rate_ratio, 1e-9, 1e9)?;
    let span = within("span of temperature, °C", span_c.abs(), 1e-6, 200.0)?;
    Ok(ratio.powf(10.0 * span_c.signum() / span))
}

/// The span, °C, over which a rate doubles: `10 ln2 / ln Q10`, for `Q10 > 1`.
///
/// ```
/// use doughwarden_model::cardinal::{doubling_span_c, q10};
/// let rule = q10(2.0, 17.0 / 1.8)?;           // "doubles per 17 °F"
/// assert!((rule - 2.0832).abs() < 1e-4);
/// assert!((doubling_span_c(rule)? - 9.444).abs() < 1e-3);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn doubling_span_c(q10: f64) -> Result<f64, Refusal> {
    Ok(10.0 * std::f64::consts::LN_2 / within("Q10", q10, 1.000_001, 1e6)?.ln())
}

/// The activation energy, J/mol, that gives a `Q10` over `from_c..to_c`: `R T1 T2 ln Q10 / 10`, `T` in K (given
/// in °C, -100 to 200): Arrhenius and Q10 set equal at the two ends, so it belongs to that span only.
///
/// ```
/// use doughwarden_model::cardinal::activation_j_mol;
/// // "Doubles per 10 °C" between 25 and 35 °C: 52.95 kJ/mol.
/// assert!((activation_j_mol(2.0, 25.0, 35.0)? / 1000.0 - 52.95).abs() < 0.01);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn activation_j_mol(q10: f64, from_c: f64, to_c: f64) -> Result<f64, Refusal> {
    let q = within("Q10", q10, 1e-6, 1e6)?;
    let from = within("temperature, °C", from_c, -100.0, 200.0)? + 273.15;
    let to = within("temperature, °C", to_c, -100.0, 200.0)? + 273.15;
    Ok(GAS_CONSTANT * from * to * q.ln() / 10.0)
}

/// How fast dough ages at a temperature, 1 at [`REFERENCE_C`]:
/// `g(T) = gamma(T)/gamma(27) · exp[tilt (T - 27)/10]`, the exponent held within ±1.5.
///
/// `gamma` is Rosso's law above; the tilt is an own choice: the one number about temperature that a
/// kitchen's own log can show. Best known from 18 to 30 °C; above, nobody has published dough's rate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RateLaw {
    cardinal: Cardinal,
    tilt: f64,
    per_gamma: f64,
}

impl Default for RateLaw {
    fn default() -> Self {
        Self::new(Cardinal::GAS, 0.0)
    }
}

impl RateLaw {
    /// With the house's learned `tilt` (per 10 °C; taken within ±2, 0 if not a number).
    ///
    /// ```
    /// use doughwarden_model::cardinal::{Cardinal, RateLaw};
    /// let steeper = RateLaw::new(Cardinal::GAS, 0.3);
    /// assert!((steeper.rate(37.0) / RateLaw::default().rate(37.0) - 0.3f64.exp()).abs() < 1e-9);
    /// assert_eq!(RateLaw::new(Cardinal::GAS, f64::NAN), RateLaw::default());
    /// ```
    pub fn new(cardinal: Cardinal, tilt: f64) -> Self {
        let at_reference = cardinal.gamma(REFERENCE_C);
        Self {
            cardinal,
            tilt: if tilt.is_finite() {
                tilt.clamp(-2.0, 2.0)
            } else {
                0.0
            },
            per_gamma: if at_reference > 1e-9 {
                1.0 / at_reference
            } else {
                1.0
            },
        }
    }

    /// The learned tilt, per 10 °C.
    ///
    /// ```
    /// use doughwarden_model::cardinal::{Cardinal, RateLaw};
    /// assert_eq!(RateLaw::new(Cardinal::GAS, 0.2).tilt(), 0.2);
    /// ```
    pub fn tilt(&self) -> f64 {
        self.tilt
    }

    /// `g(T)`, minutes at 27 °C per minute at `temperature_c`; 0 outside `Tmin..Tmax`, finite and not
    /// negative whatever it is given.
    ///
    /// ```
    /// use doughwarden_model::cardinal::RateLaw;
    /// assert!((RateLaw::default().rate(27.0) - 1.0).abs() < 1e-12);
    /// assert!(RateLaw::default().rate(4.0) < 0.01);
    /// ```
    pub fn rate(&self, temperature_c: f64) -> f64 {
        let gamma = self.cardinal.gamma(temperature_c);
        if gamma <= 0.0 {
            return 0.0;
        }
        let lean = if self.tilt == 0.0 {
            1.0
        } else {
            (self.tilt * (temperature_c - REFERENCE_C) / 10.0)
                .clamp(-1.5, 1.5)
                .exp()
        };
        gamma * self.per_gamma * lean
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_table_of_the_published_equation() {
        // Rosso et al. 1993 evaluated independently (numpy) at the two presets.
        let rows = [
            (4.0, 0.004212, 0.002708),
            (10.0, 0.135223, 0.091038),
            (15.0, 0.345811, 0.243715),
            (20.0, 0.596486, 0.444364),
            (25.0, 0.830154, 0.663468),
            (27.0, 0.904294, 0.747914),
            (30.0, 0.980158, 0.861862),
            (32.3, 1.000000, 0.932220),
            (35.0, 0.968189, 0.986452),
            (37.0, 0.897854, 1.000000),
            (40.0, 0.701621, 0.963409),
            (42.0, 0.499673, 0.890604),
            (45.0, 0.070085, 0.686957),
            (48.0, 0.0, 0.337122),
        ];
        for (t, growth, gas) in rows {
            assert!(
                (Cardinal::GROWTH.gamma(t) - growth).abs() < 1e-6,
                "growth at {t}"
            );
            assert!((Cardinal::GAS.gamma(t) - gas).abs() < 1e-6, "gas at {t}");
        }
    }

    #[test]
    fn the_cardinal_points_are_where_the_equation_says() {
        for law in [Cardinal::GROWTH, Cardinal::GAS] {
            let (min, opt, max) = law.temperatures();
            assert_eq!(law.gamma(min), 0.0);
            assert_eq!(law.gamma(max), 0.0);
            assert!((law.gamma(opt) - 1.0).abs() < 1e-12);
            let slope = |t: f64| (law.gamma(t + 1e-4) - law.gamma(t - 1e-4)) / 2e-4;
            assert!(slope(opt).abs() < 1e-3);
            assert!(slope(min + 1e-3).abs() < 1e-3);
        }
    }

    #[test]
    fn square_root_and_bakers_rules() {
        let law = SquareRoot::new(2.8, 45.4, 0.25).expect("valid");
        assert!((law.gamma(27.0) - 0.635205).abs() < 1e-6);
        assert!((law.gamma(law.optimum_c()) - 1.0).abs() < 1e-12);
        // Baking blogs' "doubles per 17 °F" and a trade article's "+10 % per °C", in kJ/mol.
        let ea = |q: f64| activation_j_mol(q, 25.0, 35.0).expect("valid") / 1000.0;
        for (q, kj) in [
            (2.0832, 56.06),
            (2.2974, 63.54),
            (2.0, 52.95),
            (2.3784, 66.19),
            (2.5937, 72.81),
        ] {
            assert!((ea(q) - kj).abs() < 0.01, "{q}: {}", ea(q));
        }
    }

    proptest! {
        #[test]
        fn the_rate_is_a_finite_share(t in proptest::num::f64::ANY, tilt in proptest::num::f64::ANY) {
            let g = RateLaw::new(Cardinal::GAS, tilt).rate(t);
            prop_assert!(g.is_finite() && g >= 0.0);
            prop_assert!((0.0..=1.0).contains(&Cardinal::GROWTH.gamma(t)));
        }
    }
}

//! Growth curves, and the shape of a dough's rise on equivalent age.
//!
//! `y` is a rise ratio, `V/V0 - 1`; `A` its asymptote, `mu` the steepest slope (1/h), `lam` the lag (h),
//! `e` = 2.718…:
//! ```text
//! Gompertz   y = A·exp{-exp[mu·e/A·(lam - t) + 1]}
//! logistic   y = A/{1 + exp[4·mu/A·(lam - t) + 2]}
//! Richards   y = A·{1 + v·e^(1+v)·exp[mu/A·(1+v)^(1+1/v)·(lam - t)]}^(-1/v)
//! ```
//! Zwietering et al. 1990, Appl. Environ. Microbiol. 56:1875-1881, natural logarithms (some packages
//! work in log10 and differ by 2.303). `y(0)` is not 0 in any of them; a dough's rise is, so the
//! shapes below are anchored: `[y(x) - y(0)]/[y(1) - y(0)]`.
//!
//! Romano et al. 2007, J. Food Eng. 83:142-148, chose a modified Gompertz for dough volume. The shape
//! is not universal and the forecast does not rest on it; [`RiseShape`] keeps it exchangeable.
//!
//! With a temperature that changes, time is replaced by equivalent age (`crate::age`); that equals
//! integrating the differential form exactly when every rate scales alike.

use crate::refusal::{Refusal, within};
use std::f64::consts::E;

/// How much of the ready rise a dough shows at a share of its ready age.
pub trait RiseShape {
    /// Share of the ready rise at `relative_age` (equivalent age over the ready age): 0 at 0, 1 at 1,
    /// above 1 beyond. Ages below 0 count as 0.
    fn fraction(&self, relative_age: f64) -> f64;

    /// The relative age at which the share is `fraction`; 0 for a share of 0 or less, none where the
    /// curve never gets there.
    fn relative_age(&self, fraction: f64) -> Option<f64>;

    /// d fraction / d relative age.
    fn slope(&self, relative_age: f64) -> f64;
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Family {
    Gompertz,
    Logistic,
}

impl Family {
    /// Curve of asymptote 1, its slope, both at `x` for steepness `mu` and lag `lam`.
    fn value_slope(self, mu: f64, lam: f64, x: f64) -> (f64, f64) {
        match self {
            Family::Gompertz => {
                let u = (mu * E * (lam - x) + 1.0).min(690.0).exp();
                let y = (-u).exp();
                (y, if y > 0.0 { y * u * mu * E } else { 0.0 })
            }
            Family::Logistic => {
                let y = 1.0 / (1.0 + (4.0 * mu * (lam - x) + 2.0).min(690.0).exp());
                (y, 4.0 * mu * y * (1.0 - y))
            }
        }
    }

    fn inverse(self, mu: f64, lam: f64, y: f64) -> f64 {
        match self {
            Family::Gompertz => lam - ((-y.ln()).ln() - 1.0) / (mu * E),
            Family::Logistic => lam - ((1.0 / y - 1.0).ln() - 2.0) / (4.0 * mu),
        }
    }
}

/// A sigmoid anchored at zero and scaled to 1 at the ready age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AnchoredShape {
    family: Family,
    steepness: f64,
    lag: f64,
    ceiling: f64,
    at_zero: f64,
}

impl AnchoredShape {
    /// Gompertz with its lag as a share of the ready age (0 to 0.8) and its ceiling as a multiple of
    /// the ready rise (1.02 to 20); the steepness follows from being 1 at 1.
    ///
    /// ```
    /// use doughwarden_model::curves::{AnchoredShape, RiseShape};
    /// let shape = AnchoredShape::gompertz(0.2, 1.5)?;
    /// assert_eq!(shape.fraction(0.0), 0.0);
    /// assert!((shape.fraction(1.0) - 1.0).abs() < 1e-12);
    /// let half = shape.relative_age(0.5).unwrap();
    /// assert!((shape.fraction(half) - 0.5).abs() < 1e-9 && half > 0.5);
    /// assert_eq!(shape.relative_age(1.6), None);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn gompertz(lag: f64, ceiling: f64) -> Result<Self, Refusal> {
        Self::anchored(Family::Gompertz, lag, ceiling)
    }

    /// The same with a logistic: the double that shows how little rests on the shape.
    ///
    /// ```
    /// use doughwarden_model::curves::{AnchoredShape, RiseShape};
    /// let shape = AnchoredShape::logistic(0.2, 1.5)?;
    /// assert!(shape.fraction(0.0).abs() < 1e-12 && (shape.fraction(1.0) - 1.0).abs() < 1e-9);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn logistic(lag: f64, ceiling: f64) -> Result<Self, Refusal> {
        Self::anchored(Family::Logistic, lag, ceiling)
    }

    fn anchored(family: Family, lag: f64, ceiling: f64) -> Result<Self, Refusal> {
        let lag = within("lag, share of the ready age", lag, 0.0, 0.8)?;
        let ceiling = within("ceiling, multiple of the ready rise", ceiling, 1.02, 20.0)?;
        // The share at 1 grows with the steepness from 1/ceiling-ish to 1: bisect its logarithm.
        let share = |mu: f64| {
            let (zero, _) = family.value_slope(mu, lag, 0.0);
            let (one, _) = family.value_slope(mu, lag, 1.0);
            ceiling * (one - zero) / (1.0 - zero)
        };
        let (mut low, mut high) = (1e-4f64.ln(), 1e4f64.ln());
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if share(middle.exp()) < 1.0 {
                low = middle
            } else {
                high = middle
            }
        }
        let steepness = (0.5 * (low + high)).exp();
        let (at_zero, _) = family.value_slope(steepness, lag, 0.0);
        Ok(Self {
            family,
            steepness,
            lag,
            ceiling,
            at_zero,
        })
    }

    /// The rise at the end of time as a multiple of the ready rise.
    ///
    /// ```
    /// use doughwarden_model::curves::AnchoredShape;
    /// assert_eq!(AnchoredShape::gompertz(0.2, 1.5)?.ceiling(), 1.5);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn ceiling(&self) -> f64 {
        self.ceiling
    }
}

impl Default for AnchoredShape {
    /// Gompertz, lag 0.2 (what dissolving the first gas takes, see [`crate::carbon_dioxide`]), ceiling
    /// 1.5 times the ready rise. Own choice.
    fn default() -> Self {
        Self::gompertz(0.2, 1.5).expect("two constants within their ranges")
    }
}

impl RiseShape for AnchoredShape {
    fn fraction(&self, relative_age: f64) -> f64 {
        let x = relative_age.max(0.0);
        let (y, _) = self.family.value_slope(self.steepness, self.lag, x);
        self.ceiling * (y - self.at_zero) / (1.0 - self.at_zero)
    }

    fn relative_age(&self, fraction: f64) -> Option<f64> {
        if fraction.is_nan() {
            return None;
        }
        if fraction <= 0.0 {
            return Some(0.0);
        }
        let y = self.at_zero + fraction * (1.0 - self.at_zero) / self.ceiling;
        let x = self.family.inverse(self.steepness, self.lag, y);
        (y < 1.0 && x.is_finite()).then_some(x.max(0.0))
    }

    fn slope(&self, relative_age: f64) -> f64 {
        let x = relative_age.max(0.0);
        let (_, slope) = self.family.value_slope(self.steepness, self.lag, x);
        self.ceiling * slope / (1.0 - self.at_zero)
    }
}

/// `fraction = relative_age^p`: no ceiling, no lag. The simplest thing a rise could do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PowerShape {
    exponent: f64,
}

impl PowerShape {
    /// Exponent 0.2 to 5.
    ///
    /// ```
    /// use doughwarden_model::curves::{PowerShape, RiseShape};
    /// assert!((PowerShape::new(1.5)?.relative_age(0.5).unwrap() - 0.62996).abs() < 1e-5);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn new(exponent: f64) -> Result<Self, Refusal> {
        Ok(Self {
            exponent: within("exponent of the rise", exponent, 0.2, 5.0)?,
        })
    }
}

impl RiseShape for PowerShape {
    fn fraction(&self, relative_age: f64) -> f64 {
        relative_age.max(0.0).powf(self.exponent)
    }

    fn relative_age(&self, fraction: f64) -> Option<f64> {
        (!fraction.is_nan()).then(|| fraction.max(0.0).powf(1.0 / self.exponent))
    }

    fn slope(&self, relative_age: f64) -> f64 {
        self.exponent * relative_age.max(1e-9).powf(self.exponent - 1.0)
    }
}

/// A growth curve in Zwietering's parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Growth {
    asymptote: f64,
    max_slope: f64,
    lag: f64,
}

impl Growth {
    /// `asymptote` `A` and `max_slope` `mu` (1/h) above 0, `lag` `lam` (h) any sign; all below 1e6
    /// (Zwietering et al. 1990).
    ///
    /// ```
    /// use doughwarden_model::curves::Growth;
    /// let g = Growth::new(1.5, 1.0, 0.5)?;
    /// assert!((g.gompertz(2.0) - 1.25368978).abs() < 1e-8);
    /// assert!((g.gompertz_inverse(1.0).unwrap() - 1.5499576).abs() < 1e-7);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn new(asymptote: f64, max_slope: f64, lag: f64) -> Result<Self, Refusal> {
        Ok(Self {
            asymptote: within("asymptote", asymptote, 1e-9, 1e6)?,
            max_slope: within("steepest slope, 1/h", max_slope, 1e-9, 1e6)?,
            lag: within("lag, h", lag, -1e6, 1e6)?,
        })
    }

    /// Gompertz at `t`, h.
    ///
    /// `y = A·exp{-exp[mu·e/A·(lam - t) + 1]}` (Zwietering et al. 1990).
    ///
    /// ```
    /// use doughwarden_model::curves::Growth;
    /// let g = Growth::new(1.5, 1.0, 0.5)?;
    /// assert!((g.gompertz(2.0) - 1.25368978).abs() < 1e-7);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn gompertz(&self, t: f64) -> f64 {
        self.asymptote * (-(self.max_slope * E / self.asymptote * (self.lag - t) + 1.0).exp()).exp()
    }

    /// The `t` at which Gompertz is `y`; none outside 0 to the asymptote.
    ///
    /// `t = lam - A/(mu·e)·[ln(-ln(y/A)) - 1]`.
    ///
    /// ```
    /// use doughwarden_model::curves::Growth;
    /// let g = Growth::new(1.5, 1.0, 0.5)?;
    /// assert!((g.gompertz_inverse(1.0).unwrap() - 1.5499576).abs() < 1e-6);   // doubled
    /// assert_eq!(g.gompertz_inverse(1.6), None);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn gompertz_inverse(&self, y: f64) -> Option<f64> {
        let share = y / self.asymptote;
        (share > 0.0 && share < 1.0)
            .then(|| self.lag - self.asymptote / (self.max_slope * E) * ((-share.ln()).ln() - 1.0))
    }

    /// Where Gompertz is steepest: `(t, y) = (lam + A/(mu·e), A/e)`.
    ///
    /// ```
    /// use doughwarden_model::curves::Growth;
    /// let (t, y) = Growth::new(1.5, 1.0, 0.5)?.gompertz_inflexion();
    /// assert!((t - 1.0518192).abs() < 1e-7 && (y - 0.5518192).abs() < 1e-7);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn gompertz_inflexion(&self) -> (f64, f64) {
        (
            self.lag + self.asymptote / (self.max_slope * E),
            self.asymptote / E,
        )
    }

    /// The differential form for live use, `dy/dt = g·k·y·ln(A/y)` with `k = mu·e/A`: the rise after
    /// `equivalent_h` hours at the reference temperature, from `y` (above 0, below the asymptote).
    /// Exact, since `ln(A/y)` falls exponentially.
    ///
    /// ```
    /// use doughwarden_model::curves::Growth;
    /// let g = Growth::new(1.5, 1.0, 0.5)?;
    /// assert!((g.gompertz_advance(g.gompertz(0.5), 1.5) - g.gompertz(2.0)).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn gompertz_advance(&self, y: f64, equivalent_h: f64) -> f64 {
        let y = y.clamp(1e-300, self.asymptote);
        let left = (self.asymptote / y).ln();
        self.asymptote
            * (-left * (-self.max_slope * E / self.asymptote * equivalent_h.max(0.0)).exp()).exp()
    }

    /// Logistic at `t`, h.
    ///
    /// `y = A/{1 + exp[4·mu/A·(lam - t) + 2]}` (Zwietering et al. 1990). At 0 it stands at some percent of
    /// `A`, more than Gompertz does.
    ///
    /// ```
    /// use doughwarden_model::curves::Growth;
    /// let g = Growth::new(1.5, 1.0, 0.5)?;
    /// assert!((g.logistic(g.logistic_inverse(1.0).unwrap()) - 1.0).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn logistic(&self, t: f64) -> f64 {
        self.asymptote
            / (1.0 + (4.0 * self.max_slope / self.asymptote * (self.lag - t) + 2.0).exp())
    }

    /// The `t` at which the logistic is `y`; none outside 0 to the asymptote.
    ///
    /// `t = lam - A/(4·mu)·[ln(A/y - 1) - 2]`.
    ///
    /// ```
    /// use doughwarden_model::curves::Growth;
    /// let g = Growth::new(1.5, 1.0, 0.5)?;
    /// assert!((g.logistic_inverse(1.0).unwrap() - 1.5099302).abs() < 1e-6);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn logistic_inverse(&self, y: f64) -> Option<f64> {
        (y > 0.0 && y < self.asymptote).then(|| {
            self.lag
                - self.asymptote / (4.0 * self.max_slope) * ((self.asymptote / y - 1.0).ln() - 2.0)
        })
    }

    /// Richards at `t`, h: `y = A·{1 + v·e^(1+v)·exp[mu/A·(1+v)^(1+1/v)·(lam - t)]}^(-1/v)`
    /// (Zwietering et al. 1990), with shape `v` (0.01 to 20; towards 0 Gompertz, 1 the logistic). The shape
    /// is unidentified even by 15 good points: never fit it to a dough.
    ///
    /// ```
    /// use doughwarden_model::curves::Growth;
    /// assert!((Growth::new(1.5, 1.0, 0.5)?.richards(0.5, 1.0)? - 0.50264030).abs() < 1e-7);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn richards(&self, v: f64, t: f64) -> Result<f64, Refusal> {
        let v = within("Richards shape", v, 0.01, 20.0)?;
        let rate = self.max_slope / self.asymptote * (1.0 + v).powf(1.0 + 1.0 / v);
        // In logarithms, for a long way before the lag the bracket overflows.
        let exponent = v.ln() + 1.0 + v + rate * (self.lag - t);
        let ln_bracket = if exponent > 30.0 {
            exponent
        } else {
            exponent.exp().ln_1p()
        };
        Ok(self.asymptote * (-ln_bracket / v).exp())
    }
}

/// Baranyi & Roberts 1994, Int. J. Food Microbiol. 23:277-294: logarithm of a cell count with a lag
/// that is work to be done, `h0 = mu·lag`.
/// ```text
/// A(t) = t + ln[e^(-mu·t) + e^(-h0) - e^(-mu·t - h0)]/mu
/// ln N = ln N0 + mu·A - ln{1 + (e^(mu·A) - 1)/e^(ln K - ln N0)}
/// ```
/// Meant for counts; a dough's lag is better explained by dissolved gas.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Baranyi {
    ln_start: f64,
    ln_capacity: f64,
    rate: f64,
    work: f64,
}

/// Where a Baranyi culture stands: `ln N` and the readiness `q`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BaranyiState {
    /// `ln N`.
    pub ln_count: f64,
    /// `q`, 1/(e^h0 - 1) at the start, growing as `dq/dt = mu·q`.
    pub readiness: f64,
}

impl Baranyi {
    /// `ln N0` (-500 to 500) below `ln K` (to 600), `rate` `mu` (1/h) and `work` `h0 = mu·lag` above 0: the
    /// lag is the time the cells need to do that work.
    ///
    /// ```
    /// use doughwarden_model::curves::Baranyi;
    /// let b = Baranyi::new(0.0, 2.0, 0.5, 1.0)?;
    /// assert!((b.ln_count(8.0) - 1.73120492).abs() < 1e-8);
    /// assert!((b.lag_h() - 2.0).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn new(ln_start: f64, ln_capacity: f64, rate: f64, work: f64) -> Result<Self, Refusal> {
        let ln_start = within("ln of the count at the start", ln_start, -500.0, 500.0)?;
        Ok(Self {
            ln_start,
            ln_capacity: within("ln of the final count", ln_capacity, ln_start + 1e-9, 600.0)?,
            rate: within("growth rate, 1/h", rate, 1e-9, 1e3)?,
            work: within("h0", work, 1e-9, 500.0)?,
        })
    }

    /// Lag `h0/mu`, h.
    ///
    /// ```
    /// use doughwarden_model::curves::Baranyi;
    /// assert_eq!(Baranyi::new(0.0, 2.0, 0.5, 1.0)?.lag_h(), 2.0);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn lag_h(&self) -> f64 {
        self.work / self.rate
    }

    /// `ln N` after `t` h at the constant rate.
    ///
    /// `ln N = ln N0 + mu·A(t) - ln{1 + (e^(mu·A) - 1)/e^(lnK - lnN0)}` (Baranyi and Roberts 1994).
    ///
    /// ```
    /// use doughwarden_model::curves::Baranyi;
    /// let b = Baranyi::new(0.0, 2.0, 0.5, 1.0)?;
    /// assert!((b.ln_count(4.0) - 0.93289494).abs() < 1e-8);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn ln_count(&self, t: f64) -> f64 {
        self.advance(self.start(), t).ln_count
    }

    /// The state at the start: `ln N0`, and `q = 1/(e^h0 - 1)`.
    ///
    /// ```
    /// use doughwarden_model::curves::Baranyi;
    /// assert!((Baranyi::new(0.0, 2.0, 0.5, 1.0)?.start().readiness - 0.58197671).abs() < 1e-8);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn start(&self) -> BaranyiState {
        BaranyiState {
            ln_count: self.ln_start,
            readiness: 1.0 / self.work.exp_m1(),
        }
    }

    /// The state `equivalent_h` hours at the reference temperature later: exact for the dynamic form
    /// `dq/dt = mu·q`, `dN/dt = mu·q/(1+q)·(1 - N/K)·N` while mu is constant.
    ///
    /// ```
    /// use doughwarden_model::curves::Baranyi;
    /// let b = Baranyi::new(0.0, 2.0, 0.5, 1.0)?;
    /// let half_way = b.advance(b.start(), 4.0);
    /// assert!((b.advance(half_way, 4.0).ln_count - b.ln_count(8.0)).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn advance(&self, state: BaranyiState, equivalent_h: f64) -> BaranyiState {
        let grown = self.rate * equivalent_h.max(0.0);
        let readiness = state.readiness * grown.min(600.0).exp();
        // The adjusted growth, ∫ mu·q/(1+q) dt; (1+q) is kept in logarithms.
        let growth = readiness.ln_1p() - state.readiness.ln_1p();
        let below = self.ln_capacity - state.ln_count;
        let limit = (growth.exp_m1() * (-below).exp()).ln_1p();
        BaranyiState {
            ln_count: state.ln_count + growth - limit,
            readiness,
        }
    }
}

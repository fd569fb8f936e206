//! Marks that are intervals: a look says "not yet", a later look says "ready", and the moment lies
//! between. Normal and lognormal likelihoods with tails that do not underflow, their maximum, and a
//! Laplace posterior for one unknown.
//!
//! ```text
//! L = Phi((b - m)/s) - Phi((a - m)/s)          a < b; a = -inf: left-censored; b = +inf: right
//! ```
//! For proofs the bounds are logarithms of equivalent ages. Finger test "springs back" at `a` and
//! "returns slowly" at `b`: the interval `(a, b)`; baked with no mark: `(a, inf)`; found
//! over-proofed: `(-inf, b)`. Reference results: scipy and R's `survreg` agree to 1e-7.

use crate::refusal::{Refusal, within};
use statrs::distribution::{ContinuousCDF, Normal};

const LN_SQRT_2PI: f64 = 0.918_938_533_204_672_7;

/// `ln phi(x)` of the standard normal density.
///
/// `-x²/2 - ln sqrt(2π)`.
///
/// ```
/// use doughwarden_model::censored::ln_normal_density;
/// assert!((ln_normal_density(0.0) + 0.5 * (2.0 * std::f64::consts::PI).ln()).abs() < 1e-15);
/// ```
pub fn ln_normal_density(x: f64) -> f64 {
    -0.5 * x * x - LN_SQRT_2PI
}

/// `Phi(x)`, standard normal.
///
/// ```
/// use doughwarden_model::censored::{normal_cdf, normal_quantile};
/// assert!((normal_cdf(1.2815515655) - 0.9).abs() < 1e-9);
/// assert!((normal_quantile(0.9) - 1.2815515655).abs() < 1e-8);
/// ```
pub fn normal_cdf(x: f64) -> f64 {
    0.5 * libm::erfc(-x * std::f64::consts::FRAC_1_SQRT_2)
}

/// `Phi^-1(p)`; minus or plus infinity at 0 and 1, `NaN` outside.
///
/// ```
/// use doughwarden_model::censored::normal_quantile;
/// assert!((normal_quantile(0.975) - 1.959964).abs() < 1e-6);   // any table of the normal distribution
/// assert!(normal_quantile(1.5).is_nan());
/// ```
pub fn normal_quantile(p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    Normal::standard().inverse_cdf(p)
}

/// `ln Phi(x)`, accurate to about 1e-13 relative however far out: below -30 by Laplace's continued
/// fraction, between by `erfc`, above 0 by `ln_1p`.
///
/// ```
/// use doughwarden_model::censored::ln_normal_cdf;
/// assert!((ln_normal_cdf(0.0) - 0.5f64.ln()).abs() < 1e-15);
/// assert!((ln_normal_cdf(-40.0) - -804.608442).abs() < 1e-6); // Phi itself underflows to 0
/// ```
pub fn ln_normal_cdf(x: f64) -> f64 {
    if x > 0.0 {
        (-normal_cdf(-x)).ln_1p()
    } else if x > -30.0 {
        normal_cdf(x).ln()
    } else {
        // Mills ratio: 1/(t + 1/(t + 2/(t + 3/(t + ...))))
        let t = -x;
        let mut fraction = t;
        for k in (1..=12).rev() {
            fraction = t + f64::from(k) / fraction;
        }
        ln_normal_density(x) - fraction.ln()
    }
}

/// `ln[Phi(b) - Phi(a)]` for `a < b`, either may be infinite; minus infinity when `a >= b`.
///
/// Reflected into the lower tail, where the difference of two logarithms keeps its digits; for an
/// interval much narrower than one sd by the density at its middle.
///
/// ```
/// use doughwarden_model::censored::ln_normal_between;
/// assert!(ln_normal_between(30.0, 31.0).is_finite());   // 1 - 1 in naive arithmetic
/// assert_eq!(ln_normal_between(f64::NEG_INFINITY, f64::INFINITY), 0.0);
/// ```
pub fn ln_normal_between(a: f64, b: f64) -> f64 {
    if a.is_nan() || b.is_nan() || a >= b {
        return f64::NEG_INFINITY;
    }
    if a > 0.0 {
        return ln_normal_between(-b, -a);
    }
    let (width, middle) = (b - a, 0.5 * (a + b));
    if width * middle.abs().max(1.0) < 1e-4 {
        return ln_normal_density(middle)
            + width.ln()
            + ((middle * middle - 1.0) * width * width / 24.0).ln_1p();
    }
    if b > 0.0 {
        return (-normal_cdf(a) - normal_cdf(-b)).ln_1p();
    }
    let (low, high) = (ln_normal_cdf(a), ln_normal_cdf(b));
    if low == f64::NEG_INFINITY {
        return high;
    }
    high + (-(low - high).exp_m1()).ln()
}

/// Where one unknown moment lies: after `after` and not after `before`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    after: f64,
    before: f64,
}

impl Interval {
    /// Both bounds may be infinite; `after < before` and neither `NaN`.
    ///
    /// ```
    /// use doughwarden_model::censored::Interval;
    /// assert!(Interval::new(60.0, 75.0).is_ok() && Interval::new(75.0, 60.0).is_err());
    /// ```
    pub fn new(after: f64, before: f64) -> Result<Self, Refusal> {
        if after < before && after < f64::INFINITY && before > f64::NEG_INFINITY {
            Ok(Self { after, before })
        } else {
            Err(Refusal::Inconsistent(
                "an interval's end must lie after its start",
            ))
        }
    }

    /// The moment came after `after`.
    ///
    /// ```
    /// use doughwarden_model::censored::Interval;
    /// assert_eq!(Interval::after(90.0)?.bounds(), (90.0, f64::INFINITY));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn after(after: f64) -> Result<Self, Refusal> {
        Self::new(after, f64::INFINITY)
    }

    /// The moment came before `before`.
    ///
    /// ```
    /// use doughwarden_model::censored::Interval;
    /// assert_eq!(Interval::before(90.0)?.bounds(), (f64::NEG_INFINITY, 90.0));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn before(before: f64) -> Result<Self, Refusal> {
        Self::new(f64::NEG_INFINITY, before)
    }

    /// Lower and upper bound.
    ///
    /// ```
    /// use doughwarden_model::censored::Interval;
    /// assert_eq!(Interval::new(60.0, 75.0)?.bounds(), (60.0, 75.0));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn bounds(&self) -> (f64, f64) {
        (self.after, self.before)
    }

    /// The interval of the logarithm; a lower bound at or below 0 becomes minus infinity.
    ///
    /// ```
    /// use doughwarden_model::censored::Interval;
    /// assert_eq!(Interval::new(0.0, 1.0)?.ln()?.bounds(), (f64::NEG_INFINITY, 0.0));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn ln(&self) -> Result<Self, Refusal> {
        let lower = if self.after > 0.0 {
            self.after.ln()
        } else {
            f64::NEG_INFINITY
        };
        if self.before > 0.0 {
            Self::new(lower, self.before.ln())
        } else {
            Err(Refusal::Inconsistent(
                "a time that ends before zero has no logarithm",
            ))
        }
    }

    /// The log likelihood of this interval under a normal of `mean` and `sd > 0`, with its
    /// derivatives in the mean and in `ln sd`.
    ///
    /// ```
    /// use doughwarden_model::censored::Interval;
    /// let not_yet_then_ready = Interval::new(0.6, 0.8)?;
    /// let at = not_yet_then_ready.ln_likelihood(0.7, 0.1);
    /// assert!((at.value.exp() - 0.6827).abs() < 1e-4 && at.mean.abs() < 1e-9); // one sd each way
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn ln_likelihood(&self, mean: f64, sd: f64) -> Derivatives {
        let (a, b) = ((self.after - mean) / sd, (self.before - mean) / sd);
        let value = ln_normal_between(a, b);
        // r(x) = phi(x)/[Phi(b) - Phi(a)], 0 at infinity; x·r likewise.
        let ratio = |x: f64| {
            if x.is_infinite() {
                0.0
            } else {
                (ln_normal_density(x) - value).min(690.0).exp()
            }
        };
        let moment = |x: f64, power: i32| {
            if x.is_infinite() {
                0.0
            } else {
                x.powi(power) * ratio(x)
            }
        };
        let r0 = ratio(b) - ratio(a);
        let r1 = moment(b, 1) - moment(a, 1);
        let r2 = moment(b, 2) - moment(a, 2);
        let r3 = moment(b, 3) - moment(a, 3);
        Derivatives {
            value,
            mean: -r0 / sd,
            ln_sd: -r1,
            mean_mean: -(r1 + r0 * r0) / (sd * sd),
            mean_ln_sd: (r0 - r2 - r0 * r1) / sd,
            ln_sd_ln_sd: r1 - r3 - r1 * r1,
        }
    }
}

/// A log likelihood and its first and second derivatives in the mean and in `ln sd`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Derivatives {
    /// The log likelihood.
    pub value: f64,
    /// d/dm.
    pub mean: f64,
    /// d/d ln s.
    pub ln_sd: f64,
    /// d²/dm².
    pub mean_mean: f64,
    /// d²/dm d ln s.
    pub mean_ln_sd: f64,
    /// d²/d(ln s)².
    pub ln_sd_ln_sd: f64,
}

/// The maximum-likelihood normal of a set of intervals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CensoredFit {
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub sd: f64,
    /// Standard error of the mean.
    pub mean_se: f64,
    /// Standard error of `ln sd`.
    pub ln_sd_se: f64,
    /// Log likelihood at the maximum.
    pub ln_likelihood: f64,
}

/// Fits a normal to intervals by Newton's method with step halving.
///
/// Refuses fewer than two intervals, or none with both ends finite (one bound alone has no
/// maximum), and reports when no maximum was found.
///
/// ```
/// use doughwarden_model::censored::{Interval, fit_normal};
/// let minutes = [(60., 75.), (75., 85.), (80., 100.), (70., 80.), (90., f64::INFINITY), (85., 95.), (65., 80.), (95., 110.)];
/// let logs: Result<Vec<_>, _> = minutes.iter().map(|&(a, b)| Interval::new(a, b)?.ln()).collect();
/// let fit = fit_normal(&logs?)?;
/// assert!((fit.mean - 4.4286178).abs() < 1e-6 && (fit.sd - 0.1341434).abs() < 1e-6);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn fit_normal(intervals: &[Interval]) -> Result<CensoredFit, Refusal> {
    let middles: Vec<f64> = intervals
        .iter()
        .filter(|i| i.after.is_finite() && i.before.is_finite())
        .map(|i| 0.5 * (i.after + i.before))
        .collect();
    if intervals.len() < 2 || middles.is_empty() {
        return Err(Refusal::TooFew {
            what: "intervals, one of them closed on both sides",
            needed: 2,
            given: intervals.len(),
        });
    }
    let last_start = intervals
        .iter()
        .map(|i| i.after)
        .fold(f64::NEG_INFINITY, f64::max);
    let first_end = intervals
        .iter()
        .map(|i| i.before)
        .fold(f64::INFINITY, f64::min);
    if last_start < first_end {
        return Err(NO_SPREAD); // one moment satisfies them all: the likelihood rises as sd -> 0
    }
    let n = middles.len() as f64;
    let mean0 = middles.iter().sum::<f64>() / n;
    let spread = (middles.iter().map(|m| (m - mean0).powi(2)).sum::<f64>() / n).sqrt();
    let widths = intervals
        .iter()
        .map(|i| i.before - i.after)
        .filter(|w| w.is_finite())
        .fold(f64::INFINITY, f64::min);
    let (mut mean, mut ln_sd) = (mean0, spread.max(0.5 * widths).max(1e-9).ln());
    let mut here = total(intervals, mean, ln_sd.exp());
    for _ in 0..200 {
        let Some((step_mean, step_ln)) = newton_step(&here) else {
            break;
        };
        let mut share = 1.0;
        let mut moved = false;
        while share > 1e-10 {
            let (m, l) = (
                mean + share * step_mean,
                ln_sd + (share * step_ln).clamp(-1.0, 1.0),
            );
            let there = total(intervals, m, l.exp());
            if there.value.is_finite() && there.value >= here.value {
                moved = there.value > here.value;
                (mean, ln_sd, here) = (m, l, there);
                break;
            }
            share *= 0.5;
        }
        if !moved || here.mean.abs() * here.ln_sd.exp() + here.ln_sd.abs() < 1e-12 {
            break;
        }
    }
    let determinant = here.mean_mean * here.ln_sd_ln_sd - here.mean_ln_sd * here.mean_ln_sd;
    let sd = ln_sd.exp();
    let gradient = (here.mean * sd).abs() + here.ln_sd.abs();
    if !(here.mean_mean < 0.0 && determinant > 0.0 && gradient < 1e-6 && ln_sd > -20.0) {
        return Err(NO_SPREAD);
    }
    Ok(CensoredFit {
        mean,
        sd,
        mean_se: (-here.ln_sd_ln_sd / determinant).sqrt(),
        ln_sd_se: (-here.mean_mean / determinant).sqrt(),
        ln_likelihood: here.value,
    })
}

const NO_SPREAD: Refusal = Refusal::Inconsistent(
    "the intervals do not pin down a spread: they all share a common moment, or too few are closed",
);

fn total(intervals: &[Interval], mean: f64, sd: f64) -> Derivatives {
    intervals
        .iter()
        .map(|i| i.ln_likelihood(mean, sd))
        .fold(Derivatives::default(), |sum, d| Derivatives {
            value: sum.value + d.value,
            mean: sum.mean + d.mean,
            ln_sd: sum.ln_sd + d.ln_sd,
            mean_mean: sum.mean_mean + d.mean_mean,
            mean_ln_sd: sum.mean_ln_sd + d.mean_ln_sd,
            ln_sd_ln_sd: sum.ln_sd_ln_sd + d.ln_sd_ln_sd,
        })
}

/// Uphill step: Newton where the surface is curved downward, else along the gradient, scaled.
fn newton_step(d: &Derivatives) -> Option<(f64, f64)> {
    let determinant = d.mean_mean * d.ln_sd_ln_sd - d.mean_ln_sd * d.mean_ln_sd;
    let step = if d.mean_mean < 0.0 && determinant > 0.0 {
        (
            (d.mean_ln_sd * d.ln_sd - d.ln_sd_ln_sd * d.mean) / determinant,
            (d.mean_ln_sd * d.mean - d.mean_mean * d.ln_sd) / determinant,
        )
    } else {
        let scale = d.mean_mean.abs().max(1e-300);
        (d.mean / scale, d.ln_sd / d.ln_sd_ln_sd.abs().max(1.0))
    };
    (step.0.is_finite() && step.1.is_finite()).then_some(step)
}

/// A normal stand-in for a posterior, with the evidence for the model behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Laplace {
    /// The most probable value.
    pub mode: f64,
    /// Standard deviation from the curvature there.
    pub sd: f64,
    /// Laplace's estimate of the log evidence (a priori probability of these data).
    pub ln_evidence: f64,
}

/// Posterior of a mean `m` with prior `Normal(prior_mean, prior_sd)` after intervals that are each
/// normal around `m` with `sd`: Newton to the mode, curvature there. The log posterior is concave,
/// so the mode is the only one; good to 0.3 % with a single mark.
///
/// ```
/// use doughwarden_model::censored::{Interval, posterior_mean};
/// let mark = Interval::new(2.0, 2.3)?.ln()?;
/// let p = posterior_mean(&[mark], 0.12, 1.8f64.ln(), 0.25)?;
/// assert!((p.mode - 0.7270616).abs() < 1e-6 && (p.sd - 0.1132384).abs() < 1e-6);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn posterior_mean(
    intervals: &[Interval],
    sd: f64,
    prior_mean: f64,
    prior_sd: f64,
) -> Result<Laplace, Refusal> {
    let sd = within("spread of the marks", sd, 1e-9, 1e9)?;
    let prior_mean = within("prior mean", prior_mean, -1e9, 1e9)?;
    let prior_sd = within("prior spread", prior_sd, 1e-9, 1e9)?;
    let at = |m: f64| {
        let z = (m - prior_mean) / prior_sd;
        let d = total(intervals, m, sd);
        (
            d.value + ln_normal_density(z) - prior_sd.ln(),
            d.mean - z / prior_sd,
            d.mean_mean - 1.0 / (prior_sd * prior_sd),
        )
    };
    let mut mode = prior_mean;
    let mut here = at(mode);
    for _ in 0..200 {
        let step = -here.1 / here.2;
        let mut share = 1.0;
        let mut moved = false;
        while share > 1e-12 {
            let there = at(mode + share * step);
            if there.0.is_finite() && there.0 >= here.0 {
                moved = there.0 > here.0;
                mode += share * step;
                here = there;
                break;
            }
            share *= 0.5;
        }
        if !moved || step.abs() < 1e-13 * (1.0 + mode.abs()) {
            break;
        }
    }
    let curvature = -here.2;
    if !(here.0.is_finite() && curvature > 0.0 && curvature.is_finite()) {
        return Err(Refusal::Inconsistent(
            "the marks contradict the prior beyond what can be computed",
        ));
    }
    let sd = curvature.sqrt().recip();
    Ok(Laplace {
        mode,
        sd,
        ln_evidence: here.0 + LN_SQRT_2PI + sd.ln(),
    })
}

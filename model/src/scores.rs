//! How good a forecast was: CRPS, pinball loss, PIT, and how many hits out of how many are still
//! consistent with the coverage a forecast claims.
//!
//! ```text
//! CRPS normal     s·{z·[2·Phi(z) - 1] + 2·phi(z) - 1/√π},   z = (y - m)/s
//! CRPS lognormal  y·[2·Phi(w) - 1] - 2·e^(m + s²/2)·[Phi(w - s) + Phi(s/√2) - 1],   w = (ln y - m)/s
//! pinball at u    (y - q)·u  if y >= q,  else (q - y)·(1 - u)
//! ```
//! Gneiting et al. 2005; Gneiting & Raftery 2007, J. Am. Stat. Assoc. 102:359-378. CRPS and pinball
//! are in the unit of the thing forecast (minutes); smaller is better; the CRPS of a point forecast is
//! its absolute error.
//!
//! Below about 200 judged stages nobody can tell 84 % coverage from 95 %: prove calibration on
//! simulation, watch it on real data.

use crate::censored::{ln_normal_density, normal_cdf};
use crate::refusal::{Refusal, within};
use nalgebra::DMatrix;
use statrs::distribution::{Binomial, DiscreteCDF};

/// CRPS of a normal forecast. `sd` above 0.
///
/// ```
/// use doughwarden_model::scores::crps_normal;
/// assert!((crps_normal(90.0, 10.0, 75.0)? - 9.94424004).abs() < 1e-7);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn crps_normal(mean: f64, sd: f64, outcome: f64) -> Result<f64, Refusal> {
    let sd = within("sd of the forecast", sd, 1e-12, 1e12)?;
    let z = (within("outcome", outcome, -1e12, 1e12)? - within("mean", mean, -1e12, 1e12)?) / sd;
    let density = ln_normal_density(z).exp();
    Ok(sd
        * (z * (2.0 * normal_cdf(z) - 1.0) + 2.0 * density
            - std::f64::consts::FRAC_2_SQRT_PI / 2.0))
}

/// CRPS of a lognormal forecast with `ln y ~ Normal(ln_mean, ln_sd)`; `ln_sd` 1e-6 to 5.
///
/// ```
/// use doughwarden_model::scores::crps_lognormal;
/// assert!((crps_lognormal(90f64.ln(), 0.15, 100.0)? - 5.90243962).abs() < 1e-7);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn crps_lognormal(ln_mean: f64, ln_sd: f64, outcome: f64) -> Result<f64, Refusal> {
    let m = within("log mean of the forecast", ln_mean, -100.0, 100.0)?;
    let s = within("log sd of the forecast", ln_sd, 1e-6, 5.0)?;
    let y = within("outcome", outcome, 1e-12, 1e12)?;
    let w = (y.ln() - m) / s;
    Ok(y * (2.0 * normal_cdf(w) - 1.0)
        - 2.0
            * (m + s * s / 2.0).exp()
            * (normal_cdf(w - s) + normal_cdf(s * std::f64::consts::FRAC_1_SQRT_2) - 1.0))
}

/// CRPS of a forecast given as equally likely values: `mean |X - y| - ½·mean |X - X'|`.
///
/// ```
/// use doughwarden_model::scores::crps_sample;
/// assert_eq!(crps_sample(&[80.0], 95.0)?, 15.0); // one value: the absolute error
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn crps_sample(values: &[f64], outcome: f64) -> Result<f64, Refusal> {
    if values.is_empty() {
        return Err(Refusal::TooFew {
            what: "forecast values",
            needed: 1,
            given: 0,
        });
    }
    let y = within("outcome", outcome, -1e12, 1e12)?;
    let mut sorted = Vec::with_capacity(values.len());
    for &v in values {
        sorted.push(within("forecast value", v, -1e12, 1e12)?);
    }
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len() as f64;
    let near = sorted.iter().map(|x| (x - y).abs()).sum::<f64>() / n;
    // Half the mean difference of all pairs, from the order: Σ (2i - n + 1)·x_i / n².
    let spread = sorted
        .iter()
        .enumerate()
        .map(|(i, x)| (2.0 * i as f64 - n + 1.0) * x)
        .sum::<f64>()
        / (n * n);
    Ok(near - spread)
}

/// Pinball loss of the quantile forecast `quantile` at `level` (0 to 1).
///
/// ```
/// use doughwarden_model::scores::pinball;
/// assert!((pinball(0.9, 100.0, 110.0) - 9.0).abs() < 1e-12);
/// assert!((pinball(0.9, 100.0, 90.0) - 1.0).abs() < 1e-12);
/// ```
pub fn pinball(level: f64, quantile: f64, outcome: f64) -> f64 {
    if outcome >= quantile {
        (outcome - quantile) * level
    } else {
        (quantile - outcome) * (1.0 - level)
    }
}

/// The PIT of an outcome known only to an interval, given the forecast's cumulative probability at
/// its two ends: their middle (mid-PIT).
///
/// ```
/// use doughwarden_model::scores::mid_pit;
/// assert!((mid_pit(0.4, 0.5) - 0.45).abs() < 1e-12);
/// ```
pub fn mid_pit(probability_at_start: f64, probability_at_end: f64) -> f64 {
    0.5 * (probability_at_start.clamp(0.0, 1.0) + probability_at_end.clamp(0.0, 1.0))
}

/// Hits out of `n` that agree with a claimed `coverage` at two-sided `confidence` (binomial).
///
/// ```
/// use doughwarden_model::scores::coverage_acceptance;
/// assert_eq!(coverage_acceptance(200, 0.8, 0.99)?, (145, 174));
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn coverage_acceptance(n: u64, coverage: f64, confidence: f64) -> Result<(u64, u64), Refusal> {
    let p = within("coverage", coverage, 0.0, 1.0)?;
    let tail = 0.5 * (1.0 - within("confidence", confidence, 0.0, 0.999_999)?);
    if n == 0 {
        return Err(Refusal::TooFew {
            what: "judged forecasts",
            needed: 1,
            given: 0,
        });
    }
    let law =
        Binomial::new(p, n).map_err(|_| Refusal::Inconsistent("coverage is no probability"))?;
    Ok((law.inverse_cdf(tail), law.inverse_cdf(1.0 - tail)))
}

/// Kolmogorov-Smirnov distance of PIT values from the uniform; 0 for none.
///
/// ```
/// use doughwarden_model::scores::ks_uniform;
/// assert!((ks_uniform(&[0.25, 0.75]) - 0.25).abs() < 1e-12);
/// ```
pub fn ks_uniform(pits: &[f64]) -> f64 {
    let mut sorted: Vec<f64> = pits.iter().map(|p| p.clamp(0.0, 1.0)).collect();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len() as f64;
    sorted
        .iter()
        .enumerate()
        .map(|(i, p)| {
            (p - i as f64 / n)
                .abs()
                .max((p - (i as f64 + 1.0) / n).abs())
        })
        .fold(0.0, f64::max)
}

/// Two-sided KS critical value for `n` values at significance `alpha`: exact by the matrix power of
/// Marsaglia, Tsang & Wang 2003 up to n = 400, above by Stephens' correction of the limit.
///
/// ```
/// use doughwarden_model::scores::ks_critical;
/// assert!((ks_critical(200, 0.01)? - 0.11416).abs() < 1e-5);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn ks_critical(n: usize, alpha: f64) -> Result<f64, Refusal> {
    let alpha = within("significance", alpha, 1e-6, 0.5)?;
    within("number of values", n as f64, 1.0, 1e9)?;
    let root = (n as f64).sqrt();
    // Kolmogorov's limit has tail 2·exp(-2x²) for all alphas of use.
    let limit = (-0.5 * (alpha / 2.0).ln()).sqrt() / (root + 0.12 + 0.11 / root);
    if n > 400 {
        return Ok(limit);
    }
    let (mut low, mut high) = (0.5 * limit, (2.0 * limit).min(1.0));
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if ks_cdf(n, middle) < 1.0 - alpha {
            low = middle
        } else {
            high = middle
        }
    }
    Ok(0.5 * (low + high))
}

/// `P(D_n < d)`.
fn ks_cdf(n: usize, d: f64) -> f64 {
    if d >= 1.0 {
        return 1.0;
    }
    let nd = n as f64 * d;
    let k = nd.floor() as usize + 1;
    let m = 2 * k - 1;
    let h = k as f64 - nd;
    let mut a = DMatrix::<f64>::from_fn(m, m, |i, j| if i + 1 >= j { 1.0 } else { 0.0 });
    for i in 0..m {
        a[(i, 0)] -= h.powi(i as i32 + 1);
        a[(m - 1, i)] -= h.powi((m - i) as i32);
    }
    a[(m - 1, 0)] += if 2.0 * h > 1.0 {
        (2.0 * h - 1.0).powi(m as i32)
    } else {
        0.0
    };
    for i in 0..m {
        for j in 0..m {
            if i + 1 > j {
                for g in 1..=(i + 1 - j) {
                    a[(i, j)] /= g as f64;
                }
            }
        }
    }
    // a^n by squaring, its scale kept apart, then times n!/n^n.
    let (mut power, mut ln_scale) = (DMatrix::<f64>::identity(m, m), 0.0);
    let (mut base, mut base_ln, mut left) = (a, 0.0, n);
    while left > 0 {
        if left % 2 == 1 {
            power = &power * &base;
            ln_scale += base_ln + rescale(&mut power);
        }
        base = &base * &base;
        base_ln = 2.0 * base_ln + rescale(&mut base);
        left /= 2;
    }
    let ln_factor: f64 = (1..=n).map(|i| (i as f64 / n as f64).ln()).sum();
    (power[(k - 1, k - 1)].ln() + ln_scale + ln_factor)
        .exp()
        .clamp(0.0, 1.0)
}

fn rescale(matrix: &mut DMatrix<f64>) -> f64 {
    let largest = matrix.amax();
    if largest > 0.0 {
        *matrix /= largest;
        largest.ln()
    } else {
        0.0
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
    fn crps_values() {
        // Gneiting's closed form; scipy quadrature agrees to 1e-12.
        for (m, s, y, want) in [
            (0.0, 1.0, 0.0, 0.23369498),
            (0.0, 1.0, 1.0, 0.60244136),
            (0.0, 1.0, 2.0, 1.45279182),
            (90.0, 10.0, 75.0, 9.94424004),
        ] {
            close(crps_normal(m, s, y).expect("valid"), want, 5e-9);
        }
        close(
            crps_lognormal(90f64.ln(), 0.15, 100.0).expect("valid"),
            5.90243962,
            5e-9,
        );
        // And the definition: ∫ (F - 1[x >= y])² dx.
        let (m, s, y) = (90f64.ln(), 0.15, 100.0);
        let integral: f64 = (0..400_000)
            .map(|i| {
                let x = (f64::from(i) + 0.5) * 1e-3;
                let f = normal_cdf((x.ln() - m) / s);
                (f - if x >= y { 1.0 } else { 0.0 }).powi(2) * 1e-3
            })
            .sum();
        close(crps_lognormal(m, s, y).expect("valid"), integral, 1e-4);
        // A fine sample of quantiles scores as its law does.
        let sample: Vec<f64> = (0..4000)
            .map(|i| 90.0 + 10.0 * crate::censored::normal_quantile((f64::from(i) + 0.5) / 4000.0))
            .collect();
        close(crps_sample(&sample, 75.0).expect("valid"), 9.94424004, 2e-3);
    }

    #[test]
    fn coverage_bands_and_ks() {
        // scipy.stats.binom.interval(0.99).
        for (n, p, want) in [
            (50, 0.9, (39, 50)),
            (100, 0.9, (82, 97)),
            (200, 0.9, (168, 190)),
            (200, 0.8, (145, 174)),
            (500, 0.9, (432, 466)),
        ] {
            assert_eq!(coverage_acceptance(n, p, 0.99).expect("valid"), want);
        }
        close(ks_critical(200, 0.01).expect("valid"), 0.11416, 5e-6);
        // Textbook tables: n 10, 5 %: 0.409; n 20, 1 %: 0.352 (from memory).
        close(ks_critical(10, 0.05).expect("valid"), 0.409, 6e-4);
        close(ks_critical(20, 0.01).expect("valid"), 0.352, 6e-4);
        close(
            ks_critical(401, 0.01).expect("valid") / ks_critical(400, 0.01).expect("valid"),
            1.0,
            0.003,
        );
        close(ks_uniform(&[0.1, 0.4, 0.95]), 0.28333333333, 1e-9);
    }

    proptest! {
        #[test]
        fn scores_are_finite_and_not_negative(m in -1e3f64..1e3, s in 1e-3f64..1e3, y in -1e3f64..1e3, u in 0.0f64..1.0,
            sample in proptest::collection::vec(-1e3f64..1e3, 1..30)) {
            prop_assert!(crps_normal(m, s, y).expect("valid") >= -1e-9);
            prop_assert!(pinball(u, m, y) >= 0.0);
            prop_assert!(crps_sample(&sample, y).expect("valid") >= -1e-9);
            if let Ok(c) = crps_lognormal(m / 100.0, s / 300.0, y.abs() + 1e-6) { prop_assert!(c.is_finite()); }
        }

        #[test]
        fn any_bits_are_refused_or_finite(m in proptest::num::f64::ANY, s in proptest::num::f64::ANY, y in proptest::num::f64::ANY) {
            for v in [crps_normal(m, s, y), crps_lognormal(m, s, y), crps_sample(&[m, s], y)].into_iter().flatten() {
                prop_assert!(v.is_finite());
            }
            let _ = coverage_acceptance(7, m, s);
        }
    }
}

//! Borrowing strength: a level seen a few times, held to what is known of its kind.
//!
//! Normal shrinkage, known spread `s` within and `tau` between:
//! ```text
//! v = 1/(n/s² + 1/tau²)      mean = v·(n·ybar/s² + m0/tau²)      weight on data = (n/s²)·v
//! ```
//! Two marks with no prior give a useless interval ([`half_width_unknown_spread`]): the prior on the
//! spread matters most.
//!
//! And curves of many individuals that share a shape and differ in height,
//! `y_ij = (A + u_i)·g(x_ij; shape) + e`, `u ~ N(0, r²·sigma²)`, `e ~ N(0, sigma²)`: as the height
//! enters linearly the marginal likelihood is exact,
//! ```text
//! y_i ~ N(A·g_i, sigma²·(I + r²·g_i·g_i'))
//! ```
//! with `A` and `sigma` profiled out (Pinheiro & Bates 2000 for the model; checked against R's nlme).

use crate::censored::normal_quantile;
use crate::least_squares::Curve;
use crate::refusal::{Refusal, within};
use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, StudentsT};
use std::f64::consts::PI;

/// A level after shrinkage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shrunk {
    /// Posterior mean.
    pub mean: f64,
    /// Posterior standard deviation.
    pub sd: f64,
    /// Share of the answer that comes from the data, 0 to 1.
    pub weight: f64,
    /// Standard deviation of one further value.
    pub predictive_sd: f64,
}

impl Shrunk {
    /// Two-sided interval of one further value at `level` (0 to 1).
    ///
    /// ```
    /// use doughwarden_model::shrinkage::shrink;
    /// let (low, high) = shrink(3, 2.4f64.ln(), 0.12, 2f64.ln(), 0.35)?.predictive_interval(0.90);
    /// assert!((low.exp() - 1.8998).abs() < 1e-4 && (high.exp() - 2.9905).abs() < 1e-4);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn predictive_interval(&self, level: f64) -> (f64, f64) {
        let z = normal_quantile(0.5 + 0.5 * level.clamp(0.0, 0.999_999));
        (
            self.mean - z * self.predictive_sd,
            self.mean + z * self.predictive_sd,
        )
    }
}

/// Posterior of a level after `n` values of mean `mean` and known spread `sd`, prior
/// `Normal(prior_mean, prior_sd)`. With `n = 0` the prior.
///
/// ```
/// use doughwarden_model::shrinkage::shrink;
/// let h = shrink(3, 2.4f64.ln(), 0.12, 2f64.ln(), 0.35)?;
/// assert!((h.mean.exp() - 2.383557).abs() < 1e-6);
/// assert!((h.weight - 0.9622938).abs() < 1e-7);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn shrink(
    n: usize,
    mean: f64,
    sd: f64,
    prior_mean: f64,
    prior_sd: f64,
) -> Result<Shrunk, Refusal> {
    let mean = if n == 0 {
        0.0
    } else {
        within("mean of the values", mean, -1e12, 1e12)?
    };
    let sd = within("spread of the values", sd, 1e-9, 1e9)?;
    let prior_mean = within("prior mean", prior_mean, -1e12, 1e12)?;
    let prior_sd = within("prior spread", prior_sd, 1e-9, 1e9)?;
    let data = n as f64 / (sd * sd);
    let variance = 1.0 / (data + 1.0 / (prior_sd * prior_sd));
    Ok(Shrunk {
        mean: variance * (data * mean + prior_mean / (prior_sd * prior_sd)),
        sd: variance.sqrt(),
        weight: data * variance,
        predictive_sd: (variance + sd * sd).sqrt(),
    })
}

/// Half-width of the two-sided prediction interval for one further value when `n` values are all that
/// is known, their spread `sd` included: `t(n - 1)·sd·√(1 + 1/n)`.
///
/// ```
/// use doughwarden_model::shrinkage::half_width_unknown_spread;
/// assert!((half_width_unknown_spread(2, 0.12, 0.90)? - 0.92793).abs() < 1e-5); // a factor of 2.5
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn half_width_unknown_spread(n: usize, sd: f64, level: f64) -> Result<f64, Refusal> {
    if n < 2 {
        return Err(Refusal::TooFew {
            what: "values",
            needed: 2,
            given: n,
        });
    }
    let sd = within("spread of the values", sd, 0.0, 1e9)?;
    let level = within("level", level, 0.0, 0.9999)?;
    Ok(student_quantile(0.5 + 0.5 * level, n as f64 - 1.0)? * sd * (1.0 + 1.0 / n as f64).sqrt())
}

/// Student's t quantile.
pub(crate) fn student_quantile(p: f64, degrees: f64) -> Result<f64, Refusal> {
    let t = StudentsT::new(0.0, 1.0, degrees)
        .map_err(|_| Refusal::Inconsistent("no degrees of freedom are left"))?;
    Ok(t.inverse_cdf(p))
}

/// One individual's curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Individual {
    /// Abscissae.
    pub x: Vec<f64>,
    /// Ordinates.
    pub y: Vec<f64>,
}

/// A fitted family of curves that differ in height.
#[derive(Debug, Clone, PartialEq)]
pub struct Family {
    /// `A`, the typical height.
    pub height: f64,
    /// Parameters of the shape.
    pub shape: Vec<f64>,
    /// Standard errors of `A`, then of the shape, linearised at the individuals' own curves.
    pub standard_errors: Vec<f64>,
    /// Standard deviation of heights between individuals.
    pub between_sd: f64,
    /// Residual standard deviation.
    pub within_sd: f64,
    /// Log likelihood at the maximum.
    pub ln_likelihood: f64,
    /// Each individual's deviation from the typical height, shrunken (BLUP).
    pub deviations: Vec<f64>,
}

/// Maximum likelihood of the family `(A + u_i)·g(x; shape)` from `start` (height, then shape).
///
/// Starts from ordinary least squares of all points together; refuses when that, or the search after
/// it, finds no maximum.
///
/// ```
/// use doughwarden_model::shrinkage::{Individual, fit_family};
/// let x: Vec<f64> = (1..=6).map(f64::from).collect();
/// let grow = |x: f64, s: &[f64]| 1.0 - (-x / s[0]).exp();
/// let people: Vec<_> = [9.0, 10.0, 11.5].iter().enumerate().map(|(k, a)| Individual {
///     x: x.clone(),
///     y: x.iter().map(|&x| a * grow(x, &[2.0]) + 0.1 * ((x + k as f64) * 7.0).sin()).collect(),
/// }).collect();
/// let family = fit_family(&people, grow, &[10.0, 1.5])?;
/// assert!((family.height - 10.2).abs() < 0.3 && (family.shape[0] - 2.0).abs() < 0.1);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn fit_family(
    individuals: &[Individual],
    shape: impl Fn(f64, &[f64]) -> f64,
    start: &[f64],
) -> Result<Family, Refusal> {
    if individuals.len() < 2 || start.len() < 2 {
        return Err(Refusal::TooFew {
            what: "individuals, and parameters to fit",
            needed: 2,
            given: individuals.len().min(start.len()),
        });
    }
    if individuals
        .iter()
        .any(|i| i.x.len() != i.y.len() || i.x.is_empty())
    {
        return Err(Refusal::Inconsistent(
            "each individual needs as many x as y",
        ));
    }
    let all_x: Vec<f64> = individuals
        .iter()
        .flat_map(|i| i.x.iter().copied())
        .collect();
    let all_y: Vec<f64> = individuals
        .iter()
        .flat_map(|i| i.y.iter().copied())
        .collect();
    let pooled = Curve {
        x: &all_x,
        y: &all_y,
        model: |x: f64, b: &[f64]| b[0] * shape(x, &b[1..]),
    }
    .fit(start)
    .map_err(|_| Refusal::Inconsistent("no common curve fits the individuals together"))?;
    // Search variables: the shape scaled by its own errors, then ln r.
    let unit: Vec<f64> = pooled.standard_errors[1..]
        .iter()
        .map(|s| s.max(1e-9))
        .collect();
    let at = |v: &DVector<f64>| -> Option<Profile> {
        let parameters: Vec<f64> = (0..unit.len())
            .map(|k| pooled.parameters[k + 1] + v[k] * unit[k])
            .collect();
        profile(individuals, &shape, &parameters, v[unit.len()])
    };
    let mut v = DVector::zeros(unit.len() + 1);
    // r = between sd over residual sd times height; start where the two are alike.
    v[unit.len()] = (pooled.sigma.max(1e-12) / pooled.parameters[0].abs().max(1e-12))
        .max(1e-3)
        .ln();
    let ratios: Vec<f64> = (-12..=12).map(f64::from).collect();
    let best_start = ratios
        .iter()
        .filter_map(|&ln_r| {
            let mut w = v.clone();
            w[unit.len()] = ln_r * 0.75;
            at(&w).map(|p| (p.ln_likelihood, w))
        })
        .max_by(|a, b| a.0.total_cmp(&b.0));
    if let Some((_, w)) = best_start {
        v = w;
    }
    let v = maximise(&|v: &DVector<f64>| at(v).map(|p| p.ln_likelihood), v).ok_or(
        Refusal::Inconsistent("the likelihood of the family has no maximum to be found"),
    )?;
    let end = at(&v).ok_or(Refusal::Inconsistent(
        "the family's likelihood is not finite",
    ))?;
    let parameters: Vec<f64> = (0..unit.len())
        .map(|k| pooled.parameters[k + 1] + v[k] * unit[k])
        .collect();
    family_at(
        individuals,
        shape,
        end.height,
        &parameters,
        end.ratio * end.sigma,
        end.sigma,
    )
}

/// The family at given parameters instead of fitted ones: likelihood, standard errors and individual
/// deviations. For comparing a fit with another program's.
///
/// Linear in the individuals' height: `y = (height + d_i)·shape(x)`, `d_i ~ Normal(0, between_sd²)`, noise
/// `Normal(0, within_sd²)`, the deviations integrated out exactly.
///
/// ```
/// use doughwarden_model::shrinkage::{Individual, family_at};
/// let tree = |top: f64| Individual { x: vec![1.0, 2.0, 3.0], y: vec![0.2 * top, 0.5 * top, 0.8 * top] };
/// let shape = |x: f64, p: &[f64]| p[0] * x;
/// let family = family_at(&[tree(90.0), tree(110.0)], shape, 100.0, &[0.26], 10.0, 3.0)?;
/// assert!(family.ln_likelihood.is_finite());
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn family_at(
    individuals: &[Individual],
    shape: impl Fn(f64, &[f64]) -> f64,
    height: f64,
    parameters: &[f64],
    between_sd: f64,
    within_sd: f64,
) -> Result<Family, Refusal> {
    let between_sd = within("spread between individuals", between_sd, 0.0, 1e12)?;
    let sigma = within("residual spread", within_sd, 1e-12, 1e12)?;
    let ratio = between_sd / sigma;
    let mut ln_likelihood = 0.0;
    let mut deviations = Vec::with_capacity(individuals.len());
    for i in individuals {
        let (gg, along, rest) =
            i.x.iter()
                .zip(&i.y)
                .fold((0.0, 0.0, 0.0), |(gg, gr, rr), (&x, &y)| {
                    let g = shape(x, parameters);
                    let r = y - height * g;
                    (gg + g * g, gr + g * r, rr + r * r)
                });
        let held = 1.0 + ratio * ratio * gg;
        let quadratic = rest - ratio * ratio * along * along / held;
        ln_likelihood -= 0.5
            * (i.x.len() as f64 * (2.0 * PI * sigma * sigma).ln()
                + quadratic / (sigma * sigma)
                + held.ln());
        deviations.push(ratio * ratio * along / held);
    }
    let end = Profile {
        height,
        sigma,
        ratio,
        ln_likelihood,
        deviations,
    };
    let standard_errors = errors(individuals, &shape, parameters, &end).ok_or(
        Refusal::Inconsistent("the individuals cannot tell the parameters apart"),
    )?;
    Ok(Family {
        height,
        shape: parameters.to_vec(),
        standard_errors,
        between_sd,
        within_sd: sigma,
        ln_likelihood: end.ln_likelihood,
        deviations: end.deviations,
    })
}

struct Profile {
    height: f64,
    sigma: f64,
    ratio: f64,
    ln_likelihood: f64,
    deviations: Vec<f64>,
}

/// Best height and sigma at a fixed shape and `ln r`, by the Woodbury identity per individual.
fn profile(
    individuals: &[Individual],
    shape: impl Fn(f64, &[f64]) -> f64,
    parameters: &[f64],
    ln_ratio: f64,
) -> Option<Profile> {
    let r2 = (2.0 * ln_ratio.clamp(-30.0, 30.0)).exp();
    let sums: Vec<(f64, f64, f64)> = individuals
        .iter()
        .map(|i| {
            i.x.iter()
                .zip(&i.y)
                .fold((0.0, 0.0, 0.0), |(gg, gy, yy), (&x, &y)| {
                    let g = shape(x, parameters);
                    (gg + g * g, gy + g * y, yy + y * y)
                })
        })
        .collect();
    let (mut top, mut bottom) = (0.0, 0.0);
    for (gg, gy, _) in &sums {
        top += gy / (1.0 + r2 * gg);
        bottom += gg / (1.0 + r2 * gg);
    }
    let height = top / bottom;
    let count: usize = individuals.iter().map(|i| i.x.len()).sum();
    let n = count as f64;
    let (mut quadratic, mut ln_determinant) = (0.0, 0.0);
    for (gg, gy, yy) in &sums {
        let rest = yy - 2.0 * height * gy + height * height * gg;
        let along = gy - height * gg;
        quadratic += rest - r2 * along * along / (1.0 + r2 * gg);
        ln_determinant += (r2 * gg).ln_1p();
    }
    let variance = quadratic / n;
    let ln_likelihood = -0.5 * (n * (2.0 * PI * variance).ln() + n + ln_determinant);
    (ln_likelihood.is_finite() && height.is_finite() && variance > 0.0).then(|| Profile {
        height,
        sigma: variance.sqrt(),
        ratio: r2.sqrt(),
        ln_likelihood,
        deviations: Vec::new(),
    })
}

/// Newton on finite differences with a ridge where the surface is not yet curved downward.
fn maximise(f: &dyn Fn(&DVector<f64>) -> Option<f64>, start: DVector<f64>) -> Option<DVector<f64>> {
    let p = start.len();
    let mut v = start;
    let mut here = f(&v)?;
    let h = 1e-3;
    for _ in 0..200 {
        let shifted = |i: usize, a: f64, j: usize, b: f64| {
            let mut w = v.clone();
            w[i] += a;
            w[j] += b;
            f(&w)
        };
        let mut gradient = DVector::zeros(p);
        let mut hessian = DMatrix::zeros(p, p);
        for i in 0..p {
            let (up, down) = (shifted(i, h, i, 0.0)?, shifted(i, -h, i, 0.0)?);
            gradient[i] = (up - down) / (2.0 * h);
            hessian[(i, i)] = -(up + down - 2.0 * here) / (h * h);
            for j in 0..i {
                let mixed = (shifted(i, h, j, h)? - shifted(i, h, j, -h)? - shifted(i, -h, j, h)?
                    + shifted(i, -h, j, -h)?)
                    / (4.0 * h * h);
                hessian[(i, j)] = -mixed;
                hessian[(j, i)] = -mixed;
            }
        }
        let mut ridge = 0.0;
        let factor = loop {
            let mut damped = hessian.clone();
            for i in 0..p {
                damped[(i, i)] += ridge;
            }
            if let Some(c) = damped.cholesky() {
                break c;
            }
            ridge = if ridge > 0.0 { ridge * 4.0 } else { 1e-6 };
            if ridge > 1e12 {
                return None;
            }
        };
        let step = factor.solve(&gradient);
        if step.norm() < 1e-7 && ridge <= 0.0 {
            return Some(v);
        }
        let mut share = (3.0 / step.norm()).min(1.0);
        let moved = loop {
            let next = &v + share * &step;
            match f(&next) {
                Some(there) if there > here => {
                    (v, here) = (next, there);
                    break true;
                }
                _ if share < 1e-9 => break false,
                _ => share *= 0.5,
            }
        };
        if !moved {
            // No uphill left at this precision: a maximum if the slope is flat there.
            return (gradient.norm() < 1e-2 && ridge <= 0.0).then_some(v);
        }
    }
    None
}

/// `√diag (Σ X_i'·V_i⁻¹·X_i)⁻¹` with `X_i` the slopes in height and shape at the individual's own curve.
fn errors(
    individuals: &[Individual],
    shape: impl Fn(f64, &[f64]) -> f64,
    parameters: &[f64],
    end: &Profile,
) -> Option<Vec<f64>> {
    let p = parameters.len() + 1;
    let r2 = end.ratio * end.ratio;
    let mut information = DMatrix::<f64>::zeros(p, p);
    for (individual, deviation) in individuals.iter().zip(&end.deviations) {
        let n = individual.x.len();
        let mut x = DMatrix::zeros(n, p);
        let mut moved = parameters.to_vec();
        for (row, &at) in individual.x.iter().enumerate() {
            x[(row, 0)] = shape(at, parameters);
            for k in 0..parameters.len() {
                let h = 1e-6 * parameters[k].abs().max(1e-6);
                moved[k] = parameters[k] + h;
                let up = shape(at, &moved);
                moved[k] = parameters[k] - h;
                x[(row, k + 1)] = (end.height + deviation) * (up - shape(at, &moved)) / (2.0 * h);
                moved[k] = parameters[k];
            }
        }
        let g = x.column(0).into_owned();
        let along = x.transpose() * &g;
        information +=
            x.transpose() * &x - (r2 / (1.0 + r2 * g.norm_squared())) * &along * along.transpose();
    }
    information /= end.sigma * end.sigma;
    let inverse = information.try_inverse()?;
    let errors: Vec<f64> = (0..p).map(|i| inverse[(i, i)].sqrt()).collect();
    errors.iter().all(|e| e.is_finite()).then_some(errors)
}

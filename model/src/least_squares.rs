//! Nonlinear least squares of a curve `y = f(x, b)`: Levenberg-Marquardt that says when it failed.
//!
//! Each step solves `[J; √λ·D]·d = [r; 0]` by QR, with `D` the largest column norms of the Jacobian
//! seen so far and `λ` by Nielsen's rule (K. Madsen, H. B. Nielsen & O. Tingleff, *Methods for
//! Non-Linear Least Squares Problems*, 2004; from memory). The Jacobian is by central differences.
//!
//! Convergence is judged by the relative offset of Bates & Watts 1981 (from memory): the part of the
//! residuals still explainable by the tangent plane, over the part that is not,
//! ```text
//! offset = (|Q1'·r|/√p) / (|Q2'·r|/√(n - p))
//! ```
//! and a fit is only handed out if that is small *and* the scaled Jacobian has full rank. A search
//! that stalls, runs out or ends where parameters cannot be told apart is a [`Failure`], not a fit.
//!
//! Standard errors are `s·√diag (J'J)^-1` with `s² = RSS/(n - p)`; intervals by profile likelihood where
//! the curve bends: `(RSS_p - RSS)/s² = F(1, n - p)`.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};
use thiserror::Error;

/// Trial steps after which [`Curve::fit`] gives up: a search that needs more started too far off to
/// trust where it lands.
pub const MOST_ITERATIONS: usize = 60;
/// Relative offset at which a fit counts as found.
const OFFSET_FOUND: f64 = 1e-7;
/// Relative offset that is still accepted when no step makes progress.
const OFFSET_STALLED: f64 = 1e-4;
/// Smallest diagonal of R over the largest (columns scaled to length one) that still tells the
/// parameters apart.
const LEAST_RANK: f64 = 1e-7;
/// Step of the central differences, relative: the cube root of the machine's precision.
const DIFFERENCE: f64 = 6.055_454_452_393_343e-6;

/// Why there is no fit.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum Failure {
    /// The numbers cannot be fitted at all.
    #[error("cannot fit: {0}")]
    Input(&'static str),
    /// The search ended where the parameters cannot be told apart.
    #[error("the data cannot tell the parameters apart (stopped at {parameters:?})")]
    NotIdentified {
        /// Where it stood.
        parameters: Vec<f64>,
    },
    /// The search stopped without reaching a minimum.
    #[error(
        "no minimum found in {iterations} steps (stopped at {parameters:?}, relative offset {offset:e})"
    )]
    NotConverged {
        /// Where it stood.
        parameters: Vec<f64>,
        /// Steps taken.
        iterations: usize,
        /// Relative offset there.
        offset: f64,
    },
}

/// Data and the curve they are thought to follow.
#[derive(Debug, Clone, Copy)]
pub struct Curve<'a, F> {
    /// Abscissae.
    pub x: &'a [f64],
    /// Ordinates.
    pub y: &'a [f64],
    /// `f(x, b)`.
    pub model: F,
}

/// A fit that was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Parameters.
    pub parameters: Vec<f64>,
    /// Standard errors.
    pub standard_errors: Vec<f64>,
    /// Residual sum of squares.
    pub rss: f64,
    /// Residual standard deviation.
    pub sigma: f64,
    /// Degrees of freedom, `n - p`.
    pub degrees_of_freedom: usize,
    /// Relative offset at the end.
    pub offset: f64,
    /// Steps taken.
    pub iterations: usize,
}

impl<F: Fn(f64, &[f64]) -> f64> Curve<'_, F> {
    /// Fits all parameters from `start`. Needs more points than parameters.
    ///
    /// ```
    /// use doughwarden_model::least_squares::Curve;
    /// let x = [0.0, 1.0, 2.0, 3.0, 4.0];
    /// let y = [1.0, 0.61, 0.37, 0.22, 0.14];
    /// let fit = Curve { x: &x, y: &y, model: |x: f64, b: &[f64]| b[0] * (-b[1] * x).exp() }.fit(&[2.0, 0.1])?;
    /// assert!((fit.parameters[1] - 0.5).abs() < 0.01);
    /// # Ok::<(), doughwarden_model::least_squares::Failure>(())
    /// ```
    pub fn fit(&self, start: &[f64]) -> Result<Fit, Failure> {
        self.fit_free(start, None, MOST_ITERATIONS)
    }

    /// [`Curve::fit`] with a budget of `most_iterations` trial steps of one's own.
    ///
    /// ```
    /// use doughwarden_model::least_squares::Curve;
    /// let (x, y) = ([0.0, 1.0, 2.0, 3.0], [1.0, 0.6, 0.37, 0.22]);
    /// let curve = Curve { x: &x, y: &y, model: |x: f64, b: &[f64]| b[0] * (-b[1] * x).exp() };
    /// assert!(curve.fit_within(&[2.0, 0.1], 500).is_ok());
    /// ```
    pub fn fit_within(&self, start: &[f64], most_iterations: usize) -> Result<Fit, Failure> {
        self.fit_free(start, None, most_iterations)
    }

    /// Two-sided profile-likelihood interval of parameter `index` at `level` (0.5 to 0.999), around a
    /// fit of this curve. An end the data do not bound is infinite.
    ///
    /// ```
    /// use doughwarden_model::least_squares::Curve;
    /// let x = [0.02, 0.06, 0.11, 0.22, 0.56, 1.1];
    /// let y = [61.0, 102.0, 131.0, 155.0, 196.0, 203.5];
    /// let curve = Curve { x: &x, y: &y, model: |x: f64, b: &[f64]| b[0] * x / (b[1] + x) };
    /// let fit = curve.fit(&[200.0, 0.05])?;
    /// let (low, high) = curve.profile_interval(&fit, 1, 0.95)?;
    /// assert!(low < fit.parameters[1] && fit.parameters[1] < high);
    /// # Ok::<(), doughwarden_model::least_squares::Failure>(())
    /// ```
    pub fn profile_interval(
        &self,
        fit: &Fit,
        index: usize,
        level: f64,
    ) -> Result<(f64, f64), Failure> {
        if index >= fit.parameters.len() || !(0.5..=0.999).contains(&level) {
            return Err(Failure::Input(
                "no such parameter, or a level outside 0.5 to 0.999",
            ));
        }
        let f = FisherSnedecor::new(1.0, fit.degrees_of_freedom as f64)
            .map_err(|_| Failure::Input("no degrees of freedom"))?
            .inverse_cdf(level);
        let goal = fit.rss + f * fit.sigma * fit.sigma;
        let end = |direction: f64| -> f64 {
            // Walk outward in standard errors with the others re-fitted, then bisect.
            let mut inside = (fit.parameters[index], fit.parameters.clone());
            let mut step = 0.5 * fit.standard_errors[index];
            for _ in 0..60 {
                let at = inside.0 + direction * step;
                let mut start = inside.1.clone();
                start[index] = at;
                match self.fit_free(&start, Some(index), MOST_ITERATIONS) {
                    Ok(there) if there.rss < goal => inside = (at, there.parameters),
                    Ok(_) => {
                        let (mut low, mut high) = (inside.0, at);
                        for _ in 0..50 {
                            let middle = 0.5 * (low + high);
                            start.clone_from(&inside.1);
                            start[index] = middle;
                            match self.fit_free(&start, Some(index), MOST_ITERATIONS) {
                                Ok(f) if f.rss < goal => low = middle,
                                _ => high = middle,
                            }
                        }
                        return 0.5 * (low + high);
                    }
                    Err(_) => return direction * f64::INFINITY,
                }
                step *= 1.2;
            }
            direction * f64::INFINITY
        };
        Ok((end(-1.0), end(1.0)))
    }

    fn fit_free(&self, start: &[f64], fixed: Option<usize>, most: usize) -> Result<Fit, Failure> {
        let n = self.x.len();
        let free: Vec<usize> = (0..start.len()).filter(|i| Some(*i) != fixed).collect();
        let p = free.len();
        if n != self.y.len() || n <= p || n <= start.len() {
            return Err(Failure::Input(
                "needs as many x as y, and more points than parameters",
            ));
        }
        if start
            .iter()
            .chain(self.x)
            .chain(self.y)
            .any(|v| !v.is_finite())
        {
            return Err(Failure::Input("a number is not finite"));
        }
        let mut b = start.to_vec();
        let mut r = self
            .residuals(&b)
            .ok_or(Failure::Input("the curve is not finite at the start"))?;
        let mut rss = r.norm_squared();
        if !rss.is_finite() {
            return Err(Failure::Input("the curve is not finite at the start"));
        }
        let size = self
            .y
            .iter()
            .map(|y| y * y)
            .sum::<f64>()
            .max(f64::MIN_POSITIVE);
        let mut scale = vec![0.0f64; p];
        let (mut lambda, mut growth) = (1e-3, 2.0);
        let mut iterations = 0;
        let mut stalled = false;
        let (jacobian, offset) = loop {
            let Some(j) = self.jacobian(&b, &free) else {
                return Err(Failure::NotConverged {
                    parameters: b,
                    iterations,
                    offset: f64::NAN,
                });
            };
            for (s, column) in scale.iter_mut().zip(j.column_iter()) {
                *s = s.max(column.norm());
            }
            let offset = relative_offset(&j, &r, n, p);
            if offset < OFFSET_FOUND
                || rss <= 1e-26 * size
                || stalled
                || iterations >= most
                || p == 0
            {
                break (j, offset);
            }
            // One accepted step, or none to be had.
            stalled = true;
            for _ in 0..60 {
                if iterations >= most {
                    break;
                }
                iterations += 1;
                let Some(step) = damped_step(&j, &r, &scale, lambda) else {
                    break;
                };
                let mut next = b.clone();
                for (i, s) in free.iter().zip(step.iter()) {
                    next[*i] += s;
                }
                let tried = self.residuals(&next).map(|q| (q.norm_squared(), q));
                let promised = rss - (&r - &j * &step).norm_squared();
                match tried {
                    Some((there, q)) if there < rss => {
                        let ratio = (rss - there) / promised.max(f64::MIN_POSITIVE);
                        lambda = (lambda * (1.0 - (2.0 * ratio - 1.0).powi(3)).max(1.0 / 3.0))
                            .max(1e-18);
                        growth = 2.0;
                        stalled = false;
                        (b, r, rss) = (next, q, there);
                        break;
                    }
                    _ => {
                        lambda *= growth;
                        growth *= 2.0;
                        if !lambda.is_finite() || lambda > 1e24 {
                            break;
                        }
                    }
                }
            }
            if stalled {
                (lambda, growth) = (1e-3, 2.0);
            }
        };
        let exact = rss <= 1e-20 * size;
        if !(offset < OFFSET_FOUND || exact || (stalled && offset < OFFSET_STALLED)) && p > 0 {
            return Err(Failure::NotConverged {
                parameters: b,
                iterations,
                offset,
            });
        }
        let Some(errors) = inverse_diagonal(&jacobian) else {
            return Err(Failure::NotIdentified { parameters: b });
        };
        let degrees = n - start.len();
        let sigma = (rss / degrees as f64).sqrt();
        let mut standard_errors = vec![0.0; start.len()];
        for (i, e) in free.iter().zip(errors) {
            standard_errors[*i] = sigma * e;
        }
        Ok(Fit {
            parameters: b,
            standard_errors,
            rss,
            sigma,
            degrees_of_freedom: degrees,
            offset,
            iterations,
        })
    }

    /// `y - f`, none where the curve is not finite.
    fn residuals(&self, b: &[f64]) -> Option<DVector<f64>> {
        let r = DVector::from_iterator(
            self.x.len(),
            self.x
                .iter()
                .zip(self.y)
                .map(|(&x, &y)| y - (self.model)(x, b)),
        );
        r.iter().all(|v| v.is_finite()).then_some(r)
    }

    fn jacobian(&self, b: &[f64], free: &[usize]) -> Option<DMatrix<f64>> {
        let mut j = DMatrix::zeros(self.x.len(), free.len());
        let mut moved = b.to_vec();
        for (column, &i) in free.iter().enumerate() {
            let h = DIFFERENCE * b[i].abs().max(1e-8);
            let (up, down) = (b[i] + h, b[i] - h);
            for (row, &x) in self.x.iter().enumerate() {
                moved[i] = up;
                let high = (self.model)(x, &moved);
                moved[i] = down;
                j[(row, column)] = (high - (self.model)(x, &moved)) / (up - down);
            }
            moved[i] = b[i];
        }
        j.iter().all(|v| v.is_finite()).then_some(j)
    }
}

fn damped_step(
    j: &DMatrix<f64>,
    r: &DVector<f64>,
    scale: &[f64],
    lambda: f64,
) -> Option<DVector<f64>> {
    let (n, p) = j.shape();
    let mut a = DMatrix::zeros(n + p, p);
    a.view_mut((0, 0), (n, p)).copy_from(j);
    for (i, s) in scale.iter().enumerate() {
        a[(n + i, i)] = lambda.sqrt() * s.max(1e-300);
    }
    let mut rhs = DVector::zeros(n + p);
    rhs.rows_mut(0, n).copy_from(r);
    let qr = a.qr();
    qr.q_tr_mul(&mut rhs);
    let step = qr
        .r()
        .solve_upper_triangular(&rhs.rows(0, p).into_owned())?;
    step.iter().all(|v| v.is_finite()).then_some(step)
}

fn relative_offset(j: &DMatrix<f64>, r: &DVector<f64>, n: usize, p: usize) -> f64 {
    let mut rotated = r.clone();
    let mut scaled = j.clone();
    for mut column in scaled.column_iter_mut() {
        let norm = column.norm();
        if norm > 0.0 {
            column /= norm;
        }
    }
    scaled.qr().q_tr_mul(&mut rotated);
    let tangent = rotated.rows(0, p).norm() / (p as f64).sqrt();
    let rest = rotated.rows(p, n - p).norm() / ((n - p) as f64).sqrt();
    if rest > 0.0 {
        tangent / rest
    } else if tangent > 0.0 {
        f64::INFINITY
    } else {
        0.0
    }
}

/// Square roots of the diagonal of `(J'J)^-1`; none where the columns cannot be told apart.
fn inverse_diagonal(j: &DMatrix<f64>) -> Option<Vec<f64>> {
    let mut scaled = j.clone();
    let mut norms = Vec::with_capacity(j.ncols());
    for mut column in scaled.column_iter_mut() {
        let norm = column.norm();
        if norm.is_nan() || norm <= 0.0 {
            return None;
        }
        column /= norm;
        norms.push(norm);
    }
    let p = j.ncols();
    let r = scaled.qr().r();
    let diagonal: Vec<f64> = (0..p).map(|i| r[(i, i)].abs()).collect();
    let largest = diagonal.iter().copied().fold(0.0, f64::max);
    if diagonal.iter().any(|d| *d < LEAST_RANK * largest) {
        return None;
    }
    let inverse = r.solve_upper_triangular(&DMatrix::identity(p, p))?;
    Some((0..p).map(|i| inverse.row(i).norm() / norms[i]).collect())
}

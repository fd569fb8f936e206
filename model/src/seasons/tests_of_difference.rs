//! The classical tests behind a comparison: least squares, Welch's t, Holm's correction.

use crate::refusal::{Refusal, within};
use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, StudentsT};

const LEAST_RANK: f64 = 1e-6;

/// An ordinary-least-squares fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Linear {
    /// Coefficients, in the order of the columns.
    pub coefficients: Vec<f64>,
    /// Their standard errors.
    pub standard_errors: Vec<f64>,
    /// Residual sum of squares.
    pub rss: f64,
    /// Residual standard deviation.
    pub sigma: f64,
    /// `n - p`.
    pub degrees_of_freedom: usize,
}

/// Ordinary least squares of `y` on `columns` (each as long as `y`; put a column of ones for a
/// level). None if there are not more rows than columns, or columns that cannot be told apart.
///
/// ```
/// use doughwarden_model::seasons::ordinary_least_squares;
/// let fit = ordinary_least_squares(&[vec![1.0; 4], vec![0.0, 1.0, 2.0, 3.0]], &[1.0, 3.0, 5.0, 7.1]).unwrap();
/// assert!((fit.coefficients[1] - 2.03).abs() < 1e-12);
/// ```
pub fn ordinary_least_squares(columns: &[Vec<f64>], y: &[f64]) -> Option<Linear> {
    let (n, p) = (y.len(), columns.len());
    if p == 0 || n <= p || columns.iter().any(|c| c.len() != n) {
        return None;
    }
    if columns
        .iter()
        .flatten()
        .chain(y)
        .any(|v| v.is_nan() || v.abs() >= 1e12)
    {
        return None;
    }
    let mut x = DMatrix::from_fn(n, p, |i, j| columns[j][i]);
    let norms: Vec<f64> = x.column_iter().map(|c| c.norm()).collect();
    for (mut column, norm) in x.column_iter_mut().zip(&norms) {
        if *norm <= 1e-12 {
            return None;
        }
        column /= *norm;
    }
    let qr = x.clone().qr();
    let r = qr.r();
    if (0..p).any(|i| r[(i, i)].abs() < LEAST_RANK) {
        return None;
    }
    let mut rotated = DVector::from_column_slice(y);
    qr.q_tr_mul(&mut rotated);
    let scaled = r.solve_upper_triangular(&rotated.rows(0, p).into_owned())?;
    let rss = rotated.rows(p, n - p).norm_squared();
    let sigma = (rss / (n - p) as f64).sqrt();
    let inverse = r.solve_upper_triangular(&DMatrix::identity(p, p))?;
    Some(Linear {
        coefficients: (0..p).map(|j| scaled[j] / norms[j]).collect(),
        standard_errors: (0..p)
            .map(|j| sigma * inverse.row(j).norm() / norms[j])
            .collect(),
        rss,
        sigma,
        degrees_of_freedom: n - p,
    })
}

/// Two-sided p value of Student's `t`.
pub(super) fn student_p(t: f64, degrees: f64) -> Result<f64, Refusal> {
    let law = StudentsT::new(0.0, 1.0, degrees)
        .map_err(|_| Refusal::Inconsistent("no degrees of freedom are left"))?;
    Ok((2.0 * law.cdf(-t.abs())).clamp(0.0, 1.0))
}

/// Welch's test of two means: `(t, degrees of freedom, p)`. No covariates: for a first look only.
///
/// ```
/// use doughwarden_model::seasons::welch;
/// let (t, _, p) = welch(&[1.0, 1.1, 0.9, 1.0], &[2.0, 2.1, 1.9, 2.05])?;
/// assert!(t < -10.0 && p < 0.001);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn welch(first: &[f64], second: &[f64]) -> Result<(f64, f64, f64), Refusal> {
    let moments = |v: &[f64]| -> Result<(f64, f64), Refusal> {
        if v.len() < 2 {
            return Err(Refusal::TooFew {
                what: "values in a group",
                needed: 2,
                given: v.len(),
            });
        }
        for x in v {
            within("value", *x, -1e12, 1e12)?;
        }
        let n = v.len() as f64;
        let mean = v.iter().sum::<f64>() / n;
        Ok((
            mean,
            v.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0) / n,
        ))
    };
    let ((m1, v1), (m2, v2)) = (moments(first)?, moments(second)?);
    let v = v1 + v2;
    if v <= 0.0 {
        return Err(Refusal::Inconsistent(
            "values without any scatter cannot be tested",
        ));
    }
    let degrees =
        v * v / (v1 * v1 / (first.len() as f64 - 1.0) + v2 * v2 / (second.len() as f64 - 1.0));
    let t = (m1 - m2) / v.sqrt();
    Ok((t, degrees, student_p(t, degrees)?))
}

/// Holm's step-down correction of p values, in their order.
///
/// ```
/// use doughwarden_model::seasons::holm;
/// let p = holm(&[0.01, 0.04, 0.03]);
/// assert!((p[0] - 0.03).abs() < 1e-12 && (p[1] - 0.06).abs() < 1e-12 && (p[2] - 0.06).abs() < 1e-12);
/// ```
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let mut out = vec![1.0; p.len()];
    let mut least: f64 = 0.0;
    for (rank, &i) in order.iter().enumerate() {
        least = least.max(((p.len() - rank) as f64 * p[i]).min(1.0));
        out[i] = least;
    }
    out
}

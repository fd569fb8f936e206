//! One coefficient of a linear model, sure of no more than its own bakes show: each group's scatter is
//! taken as its own, and a house's tilt is held by a row of its own.

use nalgebra::{DMatrix, DVector};

const LEAST_RANK: f64 = 1e-6;
/// No baker's "ready" is surer than this, however alike a few of them are (own choice): ln time.
const LEAST_SCATTER: f64 = 0.005;
/// Degrees of freedom beyond which Student's t is the normal.
const MOST_DEGREES: f64 = 1e4;

/// What is asked: columns as long as `y`, and the prior of one of them.
pub(super) struct Question<'a> {
    /// Columns.
    pub(super) columns: &'a [Vec<f64>],
    /// Left side.
    pub(super) y: &'a [f64],
    /// The coefficient that is asked for.
    pub(super) wanted: usize,
    /// A column whose coefficient is `Normal(0, sd)` beforehand, and that `sd`.
    pub(super) held: Option<(usize, f64)>,
}

/// An estimated coefficient.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Contrast {
    /// All coefficients.
    pub(super) coefficients: Vec<f64>,
    /// Standard error of the one asked for.
    pub(super) standard_error: f64,
    /// Its degrees of freedom.
    pub(super) degrees_of_freedom: f64,
    /// Scatter about the fit.
    pub(super) sigma: f64,
    /// The part of its variance that comes from what is held by a prior.
    pub(super) held_share: f64,
    /// The share of its column that no other column explains.
    pub(super) own_share: f64,
}

struct Solved {
    coefficients: Vec<f64>,
    /// The coefficient asked for is `weights · y`.
    weights: Vec<f64>,
    /// Orthonormal columns, hat matrix `Q·Q'`.
    q: DMatrix<f64>,
    residuals: Vec<f64>,
    sigma: f64,
}

/// Solves with the held column's prior as one more row, `(scatter/sd)·coefficient = 0`.
fn solve(ask: &Question<'_>, scatter: f64) -> Option<Solved> {
    let (n, p) = (ask.y.len(), ask.columns.len());
    let rows = n + usize::from(ask.held.is_some());
    if p == 0 || ask.wanted >= p || n < p || ask.columns.iter().any(|c| c.len() != n) {
        return None;
    }
    let mut x = DMatrix::from_fn(rows, p, |i, j| match ask.held {
        _ if i < n => ask.columns[j][i],
        Some((held, sd)) if held == j => scatter / sd,
        _ => 0.0,
    });
    if x.iter().chain(ask.y).any(|v| v.is_nan() || v.abs() >= 1e12) {
        return None;
    }
    let norms: Vec<f64> = x.column_iter().map(|c| c.norm()).collect();
    for (mut column, norm) in x.column_iter_mut().zip(&norms) {
        if *norm <= 1e-12 {
            return None;
        }
        column /= *norm;
    }
    let qr = x.qr();
    let (q, r) = (qr.q(), qr.r());
    if (0..p).any(|i| r[(i, i)].abs() < LEAST_RANK) {
        return None;
    }
    let inverse = r.solve_upper_triangular(&DMatrix::identity(p, p))?;
    let mut y = DVector::zeros(rows);
    y.rows_mut(0, n).copy_from_slice(ask.y);
    let along = q.transpose() * &y;
    let scaled = &inverse * &along;
    let residuals: Vec<f64> = (&y - &q * &along).iter().copied().collect();
    let weights = &q * inverse.row(ask.wanted).transpose() / norms[ask.wanted];
    let rss: f64 = residuals[..n].iter().map(|e| e * e).sum();
    Some(Solved {
        coefficients: (0..p).map(|j| scaled[j] / norms[j]).collect(),
        weights: weights.iter().copied().collect(),
        q,
        residuals,
        sigma: (rss / (rows - p).max(1) as f64).sqrt(),
    })
}

/// The coefficient of a column of noughts and ones, its standard error by each bake's own residual (HC2:
/// MacKinnon & White 1985) and degrees of freedom after Bell & McCaffrey 2002, each side with the scatter
/// it shows (both from memory). With two groups and nothing else that is Welch's test, digit for digit.
/// The prior's row adds its known variance (Satterthwaite). None where the columns cannot be told apart.
pub(super) fn contrast(ask: &Question<'_>) -> Option<Contrast> {
    let n = ask.y.len();
    // The scatter weighs the prior's row; any value is unbiased, the right one wastes nothing.
    let mut solved = solve(ask, 0.1)?;
    if ask.held.is_some() {
        for _ in 0..3 {
            solved = solve(ask, solved.sigma.clamp(LEAST_SCATTER, 1.0))?;
        }
    }
    let Solved {
        coefficients,
        weights,
        q,
        residuals,
        sigma,
    } = solved;
    let leverage: Vec<f64> = (0..n).map(|i| q.row(i).norm_squared()).collect();
    // A bake that is alone in its recipe fits itself and says nothing of the groups.
    let speaks = |i: usize| 1.0 - leverage[i] > 1e-9;
    // The scatter of each side, for the degrees of freedom.
    let mine = &ask.columns[ask.wanted];
    let side = |i: usize| usize::from(mine[i] > 0.5);
    let (mut square, mut free) = ([0.0; 2], [0.0; 2]);
    for (i, (left, fitted)) in residuals.iter().zip(&leverage).enumerate() {
        square[side(i)] += left * left;
        free[side(i)] += 1.0 - fitted;
    }
    let scatter: [f64; 2] =
        std::array::from_fn(|k| (square[k] / free[k].max(1e-9)).sqrt().max(LEAST_SCATTER));
    let (mut own, mut flat, mut trace) = (0.0, 0.0, 0.0);
    for i in (0..n).filter(|i| speaks(*i)) {
        let weight = weights[i] * weights[i];
        own += weight * residuals[i] * residuals[i] / (1.0 - leverage[i]);
        flat += weight;
        trace += weight * scatter[side(i)].powi(2);
    }
    if !(flat > 0.0) {
        return None;
    }
    let mut squares = 0.0;
    for i in (0..n).filter(|i| speaks(*i)) {
        for j in (0..n).filter(|j| speaks(*j)) {
            let left = f64::from(u8::from(i == j)) - q.row(i).dot(&q.row(j));
            let both = weights[i] * weights[j] * scatter[side(i)] * scatter[side(j)] * left;
            squares += both * both / ((1.0 - leverage[i]) * (1.0 - leverage[j]));
        }
    }
    let own = own.max(LEAST_SCATTER * LEAST_SCATTER * flat);
    let own_degrees = trace * trace / squares.max(1e-300);
    let held = ask.held.map_or(0.0, |_| {
        (weights[n] * sigma.clamp(LEAST_SCATTER, 1.0)).powi(2)
    });
    let variance = own + held;
    let mean = mine.iter().sum::<f64>() / n as f64;
    let about: f64 = mine.iter().map(|v| (v - mean).powi(2)).sum();
    Some(Contrast {
        coefficients,
        standard_error: variance.sqrt(),
        degrees_of_freedom: (variance * variance / (own * own) * own_degrees).min(MOST_DEGREES),
        sigma,
        held_share: held / variance,
        // Without others the weights' square sum would be 1/about.
        own_share: if about > 0.0 {
            1.0 / (about * weights.iter().map(|w| w * w).sum::<f64>())
        } else {
            0.0
        },
    })
}

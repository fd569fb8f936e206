//! Each dough's rise curve and the noise of rise readings, within a fit.

use std::collections::BTreeMap;

use nalgebra::{Cholesky, Matrix3, Vector3};

use super::fit::Fit;
use super::{BETWEEN, EYE_SD, FittedCurve, Stage, TEXTBOOK, curve_key, textbook};
use crate::proof::{RiseCurve, rise_density};

/// Stages of one dough and proof that its curve is fitted to: the newest; more would add nothing.
const CURVE_STAGES: usize = 60;

impl Fit<'_> {
    /// Each dough's rise curve.
    pub(super) fn fit_curves(&mut self) {
        let mut groups: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        for (i, s) in self.stages.iter().enumerate() {
            if !s.evidence.rises.is_empty() {
                groups
                    .entry(curve_key(&s.subject.dough, s.subject.stage))
                    .or_default()
                    .push(i);
            }
        }
        for group in groups.values_mut() {
            let surplus = group.len().saturating_sub(CURVE_STAGES);
            group.drain(..surplus);
        }
        for (which, stage) in [Stage::Bulk, Stage::Final].into_iter().enumerate() {
            let members: Vec<&Vec<usize>> = groups
                .values()
                .filter(|g| self.stages[g[0]].subject.stage == stage)
                .collect();
            if members.is_empty() {
                continue;
            }
            let all: Vec<usize> = members.iter().flat_map(|m| m.iter().copied()).collect();
            let book = textbook(stage);
            let wide =
                [0, 1, 2].map(|i| TEXTBOOK[i].hypot(BETWEEN[i] / (members.len() as f64).sqrt()));
            let usual = self.fit_curve(&all, book.curve, book.curve, wide);
            let mut covariance = usual.covariance;
            for (i, row) in covariance.iter_mut().enumerate() {
                row[i] += BETWEEN[i] * BETWEEN[i];
            }
            self.now.usual_curves[which] = FittedCurve {
                curve: usual.curve,
                covariance,
            };
            for (key, group) in groups
                .iter()
                .filter(|(_, g)| self.stages[g[0]].subject.stage == stage)
            {
                let mut centre = usual.curve;
                let mut sds = BETWEEN;
                if members.len() == 1 {
                    (centre, sds) = (book.curve, [0, 1, 2].map(|i| TEXTBOOK[i].hypot(BETWEEN[i])));
                }
                if let Some(target) = self.stages[group[0]]
                    .subject
                    .target_rise
                    .filter(|t| *t > 0.05 && *t < 10.0)
                {
                    centre.ln_rise = target.ln();
                    sds[0] = 0.14;
                }
                let from = self.now.curves.get(key).map_or(usual.curve, |c| c.curve);
                let fitted = self.fit_curve(group, from, centre, sds);
                self.now.curves.insert(key.clone(), fitted);
            }
        }
        self.fit_noise();
    }

    fn ln_posterior(
        &self,
        group: &[usize],
        eta: &Vector3<f64>,
        centre: RiseCurve,
        sds: [f64; 3],
    ) -> f64 {
        let curve = RiseCurve {
            ln_rise: eta[0],
            lag: eta[1],
            ln_power: eta[2],
        };
        let mut l = -0.5
            * (((eta[0] - centre.ln_rise) / sds[0]).powi(2)
                + ((eta[1] - centre.lag) / sds[1]).powi(2)
                + ((eta[2] - centre.ln_power) / sds[2]).powi(2));
        for &i in group {
            l += self.ln_rises(i, curve);
        }
        l
    }

    /// ln of the marginal likelihood of a stage's rises under a curve, given its other evidence.
    fn ln_rises(&self, i: usize, curve: RiseCurve) -> f64 {
        let (mean, sd) = self.evidence_only[i];
        let slope = curve.slope_at_ready();
        let eye = self.now.eye_sd;
        let tie = (eye / slope / sd).clamp(0.0, 0.95);
        let conditional = eye * (1.0 - tie * tie).sqrt();
        let scale = curve.ln_rise.exp();
        let prepared = curve.prepared();
        let mut sum = 0.0;
        for (u, wu) in FIVE {
            let ready = (-(mean + sd * u)).exp();
            let mut products = THREE.map(|(_, w)| wu * w);
            for (age, y) in &self.rises[i] {
                let shape = scale * (tie * eye * u).exp() * prepared.shape(age * ready);
                for (product, (v, _)) in products.iter_mut().zip(THREE) {
                    let e = shape * (1.0 + conditional * v).max(0.1);
                    *product *= rise_density(*y, e, self.now.noise_share, self.now.noise);
                }
            }
            sum += products.iter().sum::<f64>();
        }
        sum.max(1e-300).ln()
    }

    /// Newton's method with a ridge where the surface is not curved downward (the mixture for
    /// mistakes can bend it up); the covariance is the inverse curvature at the end.
    fn fit_curve(
        &self,
        group: &[usize],
        from: RiseCurve,
        centre: RiseCurve,
        sds: [f64; 3],
    ) -> FittedCurve {
        let f = |eta: &Vector3<f64>| self.ln_posterior(group, eta, centre, sds);
        let prior_precision = Matrix3::from_diagonal(&Vector3::from(sds.map(|s| s.powi(-2))));
        let mut eta = Vector3::new(from.ln_rise, from.lag, from.ln_power);
        let mut here = f(&eta);
        let mut covariance = Matrix3::from_diagonal(&Vector3::from(sds.map(|s| s * s)));
        for _ in 0..6 {
            let (gradient, hessian) = curvature(&f, &eta, here);
            let mut ridge = 0.0;
            let mut chol = Cholesky::new(hessian);
            while chol.is_none() && ridge < 1e4 {
                ridge = if ridge == 0.0 { 0.3 } else { ridge * 3.0 };
                chol = Cholesky::new(hessian + prior_precision * ridge);
            }
            let Some(chol) = chol else { break };
            covariance = chol.inverse();
            let step = chol.solve(&gradient);
            let mut share = 1.0;
            let mut gained = 0.0;
            while share > 0.02 {
                let mut next = eta + step * share;
                next[0] = next[0].clamp(-3.0, 2.5);
                next[1] = next[1].clamp(-0.2, 0.7);
                next[2] = next[2].clamp(-1.2, 1.2);
                let there = f(&next);
                if there > here {
                    gained = there - here;
                    (eta, here) = (next, there);
                    break;
                }
                share *= 0.4;
            }
            if gained < 1e-3 {
                break;
            }
        }
        let mut c = [[0.0; 3]; 3];
        for (i, row) in c.iter_mut().enumerate() {
            for (j, x) in row.iter_mut().enumerate() {
                *x = covariance[(i, j)];
            }
        }
        FittedCurve {
            curve: RiseCurve {
                ln_rise: eta[0],
                lag: eta[1],
                ln_power: eta[2],
            },
            covariance: c,
        }
    }

    /// The noise of rise readings and the baker's eye, by coordinate search with priors.
    fn fit_noise(&mut self) {
        let mut with: Vec<(usize, RiseCurve)> = self
            .stages
            .iter()
            .enumerate()
            .filter(|(_, s)| !s.evidence.rises.is_empty())
            .filter_map(|(i, s)| {
                self.now
                    .curves
                    .get(&curve_key(&s.subject.dough, s.subject.stage))
                    .map(|c| (i, c.curve))
            })
            .collect();
        if with.len() < 3 {
            return;
        }
        let stride = with.len().div_ceil(150);
        with = with.into_iter().step_by(stride).collect();
        let score = |fit: &Self| -> f64 {
            let prior = ((fit.now.noise_share / 0.07).ln() / 0.4).powi(2)
                + ((fit.now.eye_sd / EYE_SD).ln() / 0.4).powi(2);
            with.iter().map(|(i, c)| fit.ln_rises(*i, *c)).sum::<f64>() - 0.5 * prior
        };
        let mut best = score(self);
        for factor in [1.5, 1.2, 1.1] {
            for which in 0..2 {
                for towards in [factor, 1.0 / factor] {
                    let old = (self.now.noise_share, self.now.eye_sd);
                    if which == 0 {
                        self.now.noise_share = (old.0 * towards).clamp(0.02, 0.4);
                    } else {
                        self.now.eye_sd = (old.1 * towards).clamp(0.03, 0.4);
                    }
                    let now = score(self);
                    if now > best {
                        best = now;
                        break;
                    }
                    (self.now.noise_share, self.now.eye_sd) = old;
                }
            }
        }
    }
}

/// Gradient and negated second derivatives by central differences.
fn curvature(
    f: &impl Fn(&Vector3<f64>) -> f64,
    eta: &Vector3<f64>,
    here: f64,
) -> (Vector3<f64>, Matrix3<f64>) {
    let h = [0.03, 0.015, 0.03];
    let at = |i: usize, x: f64, j: usize, y: f64| {
        let mut e = *eta;
        e[i] += x * h[i];
        e[j] += y * h[j];
        f(&e)
    };
    let mut gradient = Vector3::zeros();
    let mut hessian = Matrix3::zeros();
    for i in 0..3 {
        let (up, down) = (at(i, 1.0, i, 0.0), at(i, -1.0, i, 0.0));
        gradient[i] = (up - down) / (2.0 * h[i]);
        hessian[(i, i)] = (2.0 * here - up - down) / (h[i] * h[i]);
        for j in 0..i {
            let cross = -(at(i, 1.0, j, 1.0) + at(i, -1.0, j, -1.0)
                - at(i, 1.0, j, -1.0)
                - at(i, -1.0, j, 1.0))
                / (4.0 * h[i] * h[j]);
            hessian[(i, j)] = cross;
            hessian[(j, i)] = cross;
        }
    }
    (gradient, hessian)
}

/// Five- and three-point Gauss-Hermite rules for a standard normal (Abramowitz & Stegun, table
/// 25.10, scaled).
const FIVE: [(f64, f64); 5] = [
    (-2.856_970_013_872_806, 0.011_257_411_327_720_7),
    (-1.355_626_179_974_266, 0.222_075_922_005_612_6),
    (0.0, 0.533_333_333_333_333_3),
    (1.355_626_179_974_266, 0.222_075_922_005_612_6),
    (2.856_970_013_872_806, 0.011_257_411_327_720_7),
];
const THREE: [(f64, f64); 3] = [
    (-1.732_050_807_568_877_2, 1.0 / 6.0),
    (0.0, 2.0 / 3.0),
    (1.732_050_807_568_877_2, 1.0 / 6.0),
];

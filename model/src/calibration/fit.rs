//! The fit itself: generalised least squares, expectation propagation and the spreads.

use std::collections::BTreeMap;

use nalgebra::{Cholesky, DMatrix, DVector};

use super::{Calibration, Column, LEAST_PRECISION, PastStage, Site, curve_key, row};
use crate::proof::{Evidence, Posterior};

/// Sweeps over all stages; the normals settle in four or five.
const SWEEPS: usize = 5;
/// Points of the grid in the fit: coarser than a live forecast's.
const FIT_GRID: usize = 61;
/// From so many stages of a dough and proof on, its curve is taken as known within the fit.
const ENOUGH: usize = 8;
/// How far a stage's normal moves towards its new value in one sweep.
const DAMPING: f64 = 0.8;
/// Prior of ln s: about 0.09, own choice within the sheet of a home baker's scatter.
const SPREAD: (f64, f64) = (-2.4, 0.35);

/// A fit on its way.
pub(super) struct Fit<'a> {
    pub(super) stages: &'a [PastStage],
    blocks: Vec<Vec<usize>>,
    pub(super) rows: Vec<Vec<(usize, f64)>>,
    pub(super) named: Vec<Vec<(Column, f64)>>,
    sites: Vec<Site>,
    pub(super) evidence_only: Vec<(f64, f64)>,
    sizes: Vec<usize>,
    /// Each stage's rises by age, a stream thinned to what it is worth.
    pub(super) rises: Vec<Vec<(f64, f64)>>,
    pub(super) now: Calibration,
}

impl<'a> Fit<'a> {
    pub(super) fn new(stages: &'a [PastStage]) -> Self {
        let mut now = Calibration::default();
        let base = Calibration::default();
        let mut columns = base.columns.clone();
        let named: Vec<Vec<(Column, f64)>> = stages
            .iter()
            .map(|s| {
                // The warmth up to the end, or as far as the path goes.
                let until = s.evidence.ending.map_or(s.path.now().minute, |(m, _)| m);
                row(&s.subject, s.path.mean_warmth(until))
            })
            .collect();
        for (c, _) in named.iter().flatten() {
            if !columns.contains(c) {
                columns.push(c.clone());
            }
        }
        let index: BTreeMap<&Column, usize> =
            columns.iter().enumerate().map(|(i, c)| (c, i)).collect();
        let rows = named
            .iter()
            .map(|r| r.iter().map(|(c, x)| (index[c], *x)).collect())
            .collect();
        let p = columns.len();
        let mut mean = vec![0.0; p];
        let mut covariance = vec![0.0; p * p];
        for i in 0..p {
            mean[i] = if i < base.mean.len() {
                base.mean[i]
            } else {
                0.0
            };
            covariance[i * p + i] = if i < base.mean.len() {
                base.covariance[i * base.columns.len() + i]
            } else {
                1.0
            };
        }
        now.columns = columns;
        now.mean = mean;
        now.covariance = covariance;
        let groups = stages.iter().flat_map(|s| &s.subject.groups);
        now.groups = groups.map(|g| (g.name.clone(), g.ln_sd)).collect();
        let rises = stages
            .iter()
            .map(|s| {
                let (alone, stream): (Vec<_>, Vec<_>) =
                    s.evidence.rises.iter().partition(|r| r.2 >= 1.0);
                alone
                    .into_iter()
                    .chain(stream.into_iter().step_by(3))
                    .take(40)
                    .map(|(m, y, _)| {
                        (
                            s.path.age_at(m),
                            if y.is_finite() {
                                y.clamp(-0.5, 20.0)
                            } else {
                                0.0
                            },
                        )
                    })
                    .collect()
            })
            .collect();
        let mut of_kind: BTreeMap<String, usize> = BTreeMap::new();
        for s in stages {
            *of_kind
                .entry(curve_key(&s.subject.dough, s.subject.stage))
                .or_default() += 1;
        }
        let sizes = stages
            .iter()
            .map(|s| of_kind[&curve_key(&s.subject.dough, s.subject.stage)])
            .collect();
        let mut by_batch: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (i, s) in stages.iter().enumerate() {
            by_batch.entry(&s.batch).or_default().push(i);
        }
        Self {
            stages,
            blocks: by_batch.into_values().collect(),
            rows,
            named,
            sites: vec![Site::default(); stages.len()],
            evidence_only: vec![(0.0, 0.0); stages.len()],
            sizes,
            rises,
            now,
        }
    }

    fn prior_moments(&self) -> (Vec<f64>, Vec<f64>) {
        let base = Calibration::default();
        let p = self.now.columns.len();
        let mut mean = vec![0.0; p];
        let mut precision = vec![1.0; p];
        for i in 0..base.columns.len() {
            mean[i] = base.mean[i];
            precision[i] = 1.0 / base.covariance[i * base.columns.len() + i];
        }
        (mean, precision)
    }

    /// The informative stages of a block and their covariance given beta.
    fn noise(&self, block: &[usize], spread: f64, shared: f64) -> (Vec<usize>, DMatrix<f64>) {
        let seen: Vec<usize> = block
            .iter()
            .copied()
            .filter(|i| self.sites[*i].precision > LEAST_PRECISION)
            .collect();
        let s2 = spread * spread;
        let n = seen.len();
        let mut m = DMatrix::from_element(n, n, shared * s2);
        for (a, i) in seen.iter().enumerate() {
            let extra = self.stages[*i].subject.extra_sd;
            m[(a, a)] += (1.0 - shared) * s2 + extra * extra + 1.0 / self.sites[*i].precision;
        }
        (seen, m)
    }

    /// Generalised least squares with the present normals; gives the ln marginal likelihood too.
    fn solve(
        &self,
        spread: f64,
        shared: f64,
    ) -> Option<(DVector<f64>, Cholesky<f64, nalgebra::Dyn>, f64)> {
        let p = self.now.columns.len();
        let (prior_mean, prior_precision) = self.prior_moments();
        let mut lambda = DMatrix::from_diagonal(&DVector::from_vec(prior_precision.clone()));
        let mut b = DVector::zeros(p);
        let mut ln_z = 0.5 * prior_precision.iter().map(|x| x.ln()).sum::<f64>();
        for block in &self.blocks {
            let (seen, m) = self.noise(block, spread, shared);
            if seen.is_empty() {
                continue;
            }
            let chol = Cholesky::new(m)?;
            // Residuals about the prior mean, so that b is in deviations from it.
            let e = DVector::from_iterator(
                seen.len(),
                seen.iter().map(|i| {
                    self.sites[*i].mean
                        - self.stages[*i].subject.prior_ln_age
                        - self.rows[*i]
                            .iter()
                            .map(|(c, x)| x * prior_mean[*c])
                            .sum::<f64>()
                }),
            );
            let inverse = chol.inverse();
            let weighted = &inverse * &e;
            ln_z -= 0.5 * e.dot(&weighted)
                + chol
                    .l_dirty()
                    .diagonal()
                    .iter()
                    .map(|d| d.abs().ln())
                    .sum::<f64>();
            for (a, i) in seen.iter().enumerate() {
                for (c, x) in &self.rows[*i] {
                    b[*c] += x * weighted[a];
                    for (bb, j) in seen.iter().enumerate() {
                        for (d, y) in &self.rows[*j] {
                            lambda[(*c, *d)] += x * y * inverse[(a, bb)];
                        }
                    }
                }
            }
        }
        let chol = Cholesky::new(lambda)?;
        let deviation = chol.solve(&b);
        ln_z += 0.5 * b.dot(&deviation)
            - chol
                .l_dirty()
                .diagonal()
                .iter()
                .map(|d| d.abs().ln())
                .sum::<f64>();
        let mean = DVector::from_iterator(p, deviation.iter().zip(&prior_mean).map(|(d, m)| d + m));
        Some((mean, chol, ln_z))
    }

    pub(super) fn run(mut self) -> Calibration {
        if self.stages.is_empty() {
            return self.finish();
        }
        for sweep in 0..SWEEPS {
            let Some((mean, chol, _)) = self.solve(self.now.spread, self.now.shared) else {
                break;
            };
            self.now.mean = mean.as_slice().to_vec();
            self.now.covariance = chol.inverse().as_slice().to_vec();
            self.sweep(if sweep == 0 { 1.0 } else { DAMPING });
            if sweep >= 1 {
                self.fit_spread();
            }
            if sweep == 0 || sweep == 2 {
                self.fit_curves();
            }
        }
        if let Some((mean, chol, _)) = self.solve(self.now.spread, self.now.shared) {
            self.now.mean = mean.as_slice().to_vec();
            self.now.covariance = chol.inverse().as_slice().to_vec();
        }
        self.finish()
    }

    /// One sweep: each stage's normal anew, given everything but its own evidence.
    fn sweep(&mut self, damping: f64) {
        let s2 = self.now.spread * self.now.spread;
        let shared = self.now.shared;
        let mut new_sites = self.sites.clone();
        let mut evidence_only = self.evidence_only.clone();
        for block in &self.blocks {
            let named: Vec<Vec<(Column, f64)>> =
                block.iter().map(|i| self.named[*i].clone()).collect();
            let (mut offset, mut g) = self.moments_of(block, &named);
            // Leave this batch out of beta.
            let (seen, m) = self.noise(block, self.now.spread, shared);
            if !seen.is_empty() {
                let at: Vec<usize> = seen
                    .iter()
                    .filter_map(|i| block.iter().position(|b| b == i))
                    .collect();
                let n = at.len();
                let g_oo = DMatrix::from_fn(n, n, |a, b| g[(at[a], at[b])]);
                let g_ao = DMatrix::from_fn(block.len(), n, |a, b| g[(a, at[b])]);
                if let Some(inverse) = (m - g_oo).try_inverse() {
                    let residual = DVector::from_iterator(
                        n,
                        at.iter().map(|a| {
                            let i = block[*a];
                            self.stages[i].subject.prior_ln_age + offset[*a] - self.sites[i].mean
                        }),
                    );
                    let shift = &g_ao * (&inverse * residual);
                    for (o, s) in offset.iter_mut().zip(shift.iter()) {
                        *o += s;
                    }
                    g += &g_ao * inverse * g_ao.transpose();
                }
            }
            for (a, &i) in block.iter().enumerate() {
                let subject = &self.stages[i].subject;
                let mut mean = subject.prior_ln_age + offset[a];
                let mut variance = g[(a, a)] + s2 + subject.extra_sd * subject.extra_sd;
                let others: Vec<usize> = (0..block.len())
                    .filter(|b| *b != a && self.sites[block[*b]].precision > LEAST_PRECISION)
                    .collect();
                if !others.is_empty() {
                    let n = others.len();
                    let m = DMatrix::from_fn(n, n, |x, y| {
                        let j = block[others[x]];
                        let own = if x == y {
                            let extra = self.stages[j].subject.extra_sd;
                            (1.0 - shared) * s2 + extra * extra + 1.0 / self.sites[j].precision
                        } else {
                            0.0
                        };
                        g[(others[x], others[y])] + shared * s2 + own
                    });
                    let cross =
                        DVector::from_iterator(n, others.iter().map(|b| g[(a, *b)] + shared * s2));
                    let residual = DVector::from_iterator(
                        n,
                        others.iter().map(|b| {
                            let j = block[*b];
                            self.sites[j].mean - self.stages[j].subject.prior_ln_age - offset[*b]
                        }),
                    );
                    if let Some(c) = Cholesky::new(m) {
                        let gain = c.solve(&cross);
                        mean += gain.dot(&residual).clamp(-1.0, 1.0);
                        variance -= gain.dot(&cross);
                    }
                }
                let sd = variance.clamp(1e-4, 4.0).sqrt();
                let prior = self.now.prior(subject, mean, sd);
                let mut prior = prior;
                if self.group_size(i) > ENOUGH {
                    // Well-known curves need no alternatives.
                    prior.curves = vec![self.now.curve(subject).curve];
                }
                let after =
                    prior.after_on(&self.stages[i].path, &self.stages[i].evidence, FIT_GRID);
                let site = Site::between(mean, sd, after.mean(), after.sd());
                let old = self.sites[i];
                let precision = old.precision + damping * (site.precision - old.precision);
                new_sites[i] = if precision > LEAST_PRECISION {
                    let pull = old.precision * old.mean
                        + damping * (site.precision * site.mean - old.precision * old.mean);
                    Site {
                        mean: pull / precision,
                        precision,
                    }
                } else {
                    Site::default()
                };
                // Without its rises, for the fit of the curve.
                evidence_only[i] = if self.stages[i].evidence.rises.is_empty() {
                    (after.mean(), after.sd())
                } else {
                    let marks = Evidence {
                        rises: Vec::new(),
                        ..self.stages[i].evidence.clone()
                    };
                    let alone: Posterior = prior.after_on(&self.stages[i].path, &marks, FIT_GRID);
                    (alone.mean(), alone.sd())
                };
            }
        }
        self.sites = new_sites;
        self.evidence_only = evidence_only;
    }

    /// How many stages of the same dough and proof there are.
    fn group_size(&self, i: usize) -> usize {
        self.sizes[i]
    }

    fn moments_of(
        &self,
        block: &[usize],
        named: &[Vec<(Column, f64)>],
    ) -> (Vec<f64>, DMatrix<f64>) {
        let _ = named;
        let p = self.now.columns.len();
        let offset = block
            .iter()
            .map(|i| {
                self.rows[*i]
                    .iter()
                    .map(|(c, x)| self.now.mean[*c] * x)
                    .sum()
            })
            .collect();
        let g = DMatrix::from_fn(block.len(), block.len(), |a, b| {
            let mut sum = 0.0;
            for (i, x) in &self.rows[block[a]] {
                for (j, y) in &self.rows[block[b]] {
                    sum += x * y * self.now.covariance[i * p + j];
                }
            }
            sum
        });
        (offset, g)
    }

    /// Spread and shared part: the mean over a grid of the marginal likelihood times the prior.
    fn fit_spread(&mut self) {
        let (mut total, mut spread2, mut shared_sum) = (0.0, 0.0, 0.0);
        let mut rows = Vec::new();
        for k in 0..10 {
            let spread = 0.05 * (0.4f64 / 0.05).powf(f64::from(k) / 9.0);
            for shared in [0.1, 0.3, 0.5, 0.7, 0.9] {
                if let Some((_, _, ln_z)) = self.solve(spread, shared) {
                    let z = (spread.ln() - SPREAD.0) / SPREAD.1;
                    rows.push((ln_z - 0.5 * z * z, spread, shared));
                }
            }
        }
        let top = rows.iter().map(|r| r.0).fold(f64::NEG_INFINITY, f64::max);
        for (l, spread, shared) in rows {
            let w = (l - top).exp();
            total += w;
            spread2 += w * spread * spread;
            shared_sum += w * shared;
        }
        if total > 0.0 && spread2.is_finite() {
            self.now.spread = (spread2 / total).sqrt();
            self.now.shared = shared_sum / total;
        }
    }

    fn finish(mut self) -> Calibration {
        self.now.stages = 0;
        self.now.counts.clear();
        let mut range: Option<(f64, f64)> = None;
        for (s, site) in self.stages.iter().zip(&self.sites) {
            if site.precision > 1.0 {
                self.now.stages += 1;
                let key = curve_key(&s.subject.dough, s.subject.stage);
                self.now
                    .levels
                    .insert(key.clone(), (s.subject.prior_ln_age, s.subject.prior_sd));
                *self.now.counts.entry(key).or_default() += 1;
                let c = 27.0 + 10.0 * s.path.mean_warmth(s.path.now().minute);
                range = Some(range.map_or((c, c), |(a, b)| (a.min(c), b.max(c))));
            }
        }
        self.now.temperatures_c = range;
        self.now
    }
}

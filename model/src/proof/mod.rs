//! One stage's proof, live: the posterior of its threshold and the forecast of its ready time.
//!
//! ```text
//! r      = ln of the equivalent age at which this batch is ready     ~ Normal(mean, sd)
//! alpha  = ln of its rise then, against the dough's usual            ~ Normal(0, rise_sd), tied to r
//! rise_j = A e^alpha G(theta_j/e^r) + noise      G(u) = [soft(u - lag)/soft(1 - lag)]^p, G(1) = 1
//! dent   springs back: theta below the window; returns slowly: inside; stays: past it
//! look   the baker saw the dough and let it stand: not ready then (with a small doubt)
//! end    "ready": became so since the last look; "early": not yet; "late": well past
//! ```
//! A batch that needs a longer age because its baker wants more rise, rises further by then: the tie
//! between `r` and `alpha`. The posterior lives on a grid of `r` with a few nodes of `alpha` at each
//! point, so one more note costs the same whatever came before, and no mark, however absurd, can make
//! it fail: every likelihood has a floor for the button pressed by mistake.

mod marks;
mod ready;
mod rise;

pub use ready::ReadyTime;
pub use rise::{PreparedCurve, RiseBand, RiseCurve};

use self::marks::Marks;
use self::rise::Drawn;
use crate::age::AgePath;
use serde::{Deserialize, Serialize};

/// Points of the grid in `r`.
pub const GRID: usize = 121;
/// The grid reaches so many prior standard deviations to each side.
const REACH: f64 = 4.5;
/// Nodes and weights of a seven-point Gauss-Hermite rule for a standard normal (Abramowitz & Stegun,
/// table 25.10, scaled).
const NODES: [(f64, f64); 7] = [
    (-3.750_439_717_725_742, 5.482_688_559_722_194e-4),
    (-2.366_759_410_734_541, 3.075_712_396_758_645e-2),
    (-1.154_405_394_739_968, 0.240_123_178_605_012_7),
    (0.0, 0.457_142_857_142_857_1),
    (1.154_405_394_739_968, 0.240_123_178_605_012_7),
    (2.366_759_410_734_541, 3.075_712_396_758_645e-2),
    (3.750_439_717_725_742, 5.482_688_559_722_194e-4),
];
/// What a rise reading counts beside the others of its stage: they share the error of the curve's
/// shape and the wander of the dough's pace, so two tell little more than one (own choice: what
/// served best on simulated kitchens whose doughs follow other laws than this one).
const RISE_WEIGHT: f64 = 0.5;
/// Share of rise readings that are wrong altogether.
const RISE_MISTAKEN: f64 = 0.03;

/// What is expected of a stage before anything is seen of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Prior {
    /// Mean of `r`.
    pub mean: f64,
    /// Standard deviation of `r`.
    pub sd: f64,
    /// The dough's rise as it may be: one curve where it is well known, else several, equally likely.
    pub curves: Vec<RiseCurve>,
    /// Standard deviation of `alpha`.
    pub rise_sd: f64,
    /// Correlation of `r` and `alpha`.
    pub tie: f64,
    /// Noise of a rise reading in proportion to it …
    pub noise_share: f64,
    /// … and apart from it (a step of the ruler, the rounding).
    pub noise: f64,
}

/// How a finger dent came back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Dent {
    /// Needs longer.
    SpringsBack,
    /// Ready.
    ReturnsSlowly,
    /// Gone too far.
    Stays,
}

/// How a stage was ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Ending {
    /// Right.
    Ready,
    /// Early.
    Under,
    /// Late.
    Over,
}

/// What was seen of a stage, in minutes since it began.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Evidence {
    /// Rise readings: minute, rise, weight (1 for a reading of its own, less for one of a stream).
    pub rises: Vec<(f64, f64, f64)>,
    /// Finger dents.
    pub dents: Vec<(f64, Dent)>,
    /// Moments at which the baker saw the dough and let it stand.
    pub looks: Vec<f64>,
    /// The end, if it was ended and somebody knows how.
    pub ending: Option<(f64, Ending)>,
}

/// The posterior of one stage.
#[derive(Debug, Clone)]
pub struct Posterior {
    first: f64,
    step: f64,
    weights: Vec<f64>,
    branches: Vec<Branch>,
    ln_evidence: f64,
}

/// The posterior's share under one curve.
#[derive(Debug, Clone)]
struct Branch {
    curve: RiseCurve,
    weights: Vec<f64>,
    amplitude: Vec<(f64, f64)>,
}

impl Prior {
    /// The prior with everything finite and within what can be computed.
    fn tamed(&self) -> Self {
        let or = |v: f64, low: f64, high: f64, otherwise: f64| {
            if v.is_finite() {
                v.clamp(low, high)
            } else {
                otherwise
            }
        };
        Self {
            mean: or(self.mean, -3.0, 10.0, 4.3),
            sd: or(self.sd, 0.01, 3.0, 0.4),
            curves: if self.curves.is_empty() {
                vec![RiseCurve::UNKNOWN]
            } else {
                self.curves
                    .iter()
                    .map(|c| RiseCurve {
                        ln_rise: or(c.ln_rise, -4.0, 3.0, 0.0),
                        lag: or(c.lag, -0.2, 0.8, 0.15),
                        ln_power: or(c.ln_power, -1.5, 1.5, 0.1),
                    })
                    .collect()
            },
            rise_sd: or(self.rise_sd, 0.01, 2.0, 0.3),
            tie: or(self.tie, -0.98, 0.98, 0.0),
            noise_share: or(self.noise_share, 0.01, 1.0, 0.08),
            noise: or(self.noise, 0.005, 1.0, 0.04),
        }
    }

    /// The posterior after the evidence, along the path it was seen on.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let half_way = Evidence { rises: vec![(40.0, 0.6, 1.0)], ..Evidence::default() };
    /// let after = prior.after(&path, &half_way);
    /// assert!(after.mean() < prior.mean && after.sd() < prior.sd);
    /// ```
    pub fn after(&self, path: &AgePath, evidence: &Evidence) -> Posterior {
        self.after_on(path, evidence, GRID)
    }

    /// [`Prior::after`] on a grid of so many points (at least 31): coarser is quicker.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let after = prior.after(&path, &Evidence::default());
    /// let coarse = prior.after_on(&path, &Evidence::default(), 61);
    /// assert!((coarse.mean() - after.mean()).abs() < 1e-3);
    /// ```
    pub fn after_on(&self, path: &AgePath, evidence: &Evidence, points: usize) -> Posterior {
        let points = points.max(31);
        let p = self.tamed();
        let step = 2.0 * REACH * p.sd / (points - 1) as f64;
        let first = p.mean - REACH * p.sd;
        let rises: Vec<(f64, f64, f64)> = evidence
            .rises
            .iter()
            .filter(|(m, y, w)| m.is_finite() && y.is_finite() && *w > 0.0)
            .map(|&(m, y, w)| {
                (
                    path.age_at(m),
                    y.clamp(-0.5, 20.0),
                    RISE_WEIGHT * w.min(1.0),
                )
            })
            .collect();
        let marks = Marks::new(path, evidence);
        let alone: Vec<f64> = (0..points)
            .map(|k| {
                let z = -REACH + 2.0 * REACH * k as f64 / (points - 1) as f64;
                -0.5 * z * z + marks.ln_likelihood(first + step * k as f64)
            })
            .collect();
        let curves = if rises.is_empty() {
            &p.curves[..1]
        } else {
            &p.curves[..]
        };
        let mut branches: Vec<Branch> = curves
            .iter()
            .map(|c| branch(&p, *c, &rises, &alone, first, step))
            .collect();
        let top = branches
            .iter()
            .flat_map(|b| b.weights.iter())
            .copied()
            .fold(f64::NEG_INFINITY, f64::max);
        let mut sum = 0.0;
        for w in branches.iter_mut().flat_map(|b| b.weights.iter_mut()) {
            *w = (*w - top).exp();
            sum += *w;
        }
        let mut weights = vec![0.0; points];
        for b in &mut branches {
            for (w, total) in b.weights.iter_mut().zip(&mut weights) {
                *w /= sum;
                *total += *w;
            }
        }
        let ln_evidence =
            top + (sum / curves.len() as f64 * step / p.sd).ln() - 0.918_938_533_204_672_7;
        Posterior {
            first,
            step,
            weights,
            branches,
            ln_evidence,
        }
    }
}

/// The grid's ln weights under one curve, and what is known of alpha at each point.
fn branch(
    p: &Prior,
    curve: RiseCurve,
    rises: &[(f64, f64, f64)],
    alone: &[f64],
    first: f64,
    step: f64,
) -> Branch {
    let conditional_sd = p.rise_sd * (1.0 - p.tie * p.tie).sqrt();
    let scale = curve.ln_rise.exp();
    let prepared = curve.prepared();
    let mut shapes = vec![0.0; rises.len()];
    let mut weights = Vec::with_capacity(alone.len());
    let mut amplitude = Vec::with_capacity(alone.len());
    let ln_node = NODES.map(|(_, w)| w.ln());
    let highest = alone.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    for (k, &ln_alone) in alone.iter().enumerate() {
        let r = first + step * k as f64;
        let centre = p.tie * p.rise_sd * (r - p.mean) / p.sd;
        // Rises can lift a point by no more than a few dozen: what lies far below stays there.
        if rises.is_empty() || ln_alone < highest - 60.0 {
            amplitude.push((centre, conditional_sd));
            weights.push(ln_alone);
            continue;
        }
        let age = r.exp();
        for (s, (theta, _, _)) in shapes.iter_mut().zip(rises) {
            *s = scale * prepared.shape(theta / age);
        }
        let mut logs = ln_node;
        for (l, (node, _)) in logs.iter_mut().zip(NODES) {
            let factor = (centre + conditional_sd * node).exp();
            let mut product = 1.0;
            for (s, (_, y, w)) in shapes.iter().zip(rises) {
                let density = rise_density(*y, s * factor, p.noise_share, p.noise);
                product *= density.powf(*w);
                if !(1e-200..=1e200).contains(&product) {
                    *l += product.ln();
                    product = 1.0;
                }
            }
            *l += product.ln();
        }
        let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let (mut sum, mut mean, mut second) = (0.0, 0.0, 0.0);
        for (l, (node, _)) in logs.iter().zip(NODES) {
            let w = (l - top).exp();
            let a = centre + conditional_sd * node;
            sum += w;
            mean += w * a;
            second += w * a * a;
        }
        mean /= sum;
        weights.push(ln_alone + top + sum.ln());
        amplitude.push((mean, (second / sum - mean * mean).max(1e-6).sqrt()));
    }
    Branch {
        curve,
        weights,
        amplitude,
    }
}

/// Density of a rise reading: normal, with a floor for mistaken ones.
pub(crate) fn rise_density(seen: f64, expected: f64, share: f64, apart: f64) -> f64 {
    let e = expected.min(1e3);
    let variance = share * share * e * e + apart * apart;
    let q = (seen - e) * (seen - e) / variance;
    let sure =
        (1.0 - RISE_MISTAKEN) * (-0.5 * q).exp() / (2.506_628_274_631_000_5 * variance.sqrt());
    sure + RISE_MISTAKEN * 0.5
}

impl Posterior {
    /// Mean of `r`.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let after = prior.after(&path, &Evidence::default());
    /// assert!((after.mean() - 70f64.ln()).abs() < 1e-3);   // nothing seen: the prior
    /// ```
    pub fn mean(&self) -> f64 {
        self.weights
            .iter()
            .enumerate()
            .map(|(k, w)| w * self.value(k))
            .sum()
    }

    /// Standard deviation of `r`.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let after = prior.after(&path, &Evidence::default());
    /// assert!((after.sd() - 0.2).abs() < 5e-3);
    /// ```
    pub fn sd(&self) -> f64 {
        let m = self.mean();
        self.weights
            .iter()
            .enumerate()
            .map(|(k, w)| w * (self.value(k) - m).powi(2))
            .sum::<f64>()
            .max(1e-12)
            .sqrt()
    }

    /// ln of the prior probability of this evidence (up to the units of its marks).
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let after = prior.after(&path, &Evidence::default());
    /// let likely = prior.after(&path, &Evidence { rises: vec![(40.0, 0.45, 1.0)], ..Evidence::default() });
    /// let odd = prior.after(&path, &Evidence { rises: vec![(40.0, 3.0, 1.0)], ..Evidence::default() });
    /// assert!(likely.ln_evidence() > odd.ln_evidence());
    /// ```
    pub fn ln_evidence(&self) -> f64 {
        self.ln_evidence
    }

    fn value(&self, k: usize) -> f64 {
        self.first + self.step * k as f64
    }

    /// `P(r <= ln_age)`, straight within each cell of the grid.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let after = prior.after(&path, &Evidence::default());
    /// assert!((after.chance_below(70f64.ln()) - 0.5).abs() < 0.01);
    /// ```
    pub fn chance_below(&self, ln_age: f64) -> f64 {
        let position = (ln_age - self.first) / self.step + 0.5;
        if !(position > 0.0) {
            return 0.0;
        }
        let whole = position.floor() as usize;
        if whole >= self.weights.len() {
            return 1.0;
        }
        let below: f64 = self.weights[..whole].iter().sum();
        (below + self.weights[whole] * (position - whole as f64)).min(1.0)
    }

    /// The cumulative weights at the cells' upper edges, for repeated look-ups.
    fn cumulative(&self) -> Vec<f64> {
        self.weights
            .iter()
            .scan(0.0, |sum, w| {
                *sum += w;
                Some(*sum)
            })
            .collect()
    }

    /// The `r` below which a share `p` of the posterior lies.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let after = prior.after(&path, &Evidence::default());
    /// // The normal's: mean - 1.2816 sd.
    /// assert!((after.quantile(0.1) - (70f64.ln() - 1.2816 * 0.2)).abs() < 0.01);
    /// ```
    pub fn quantile(&self, p: f64) -> f64 {
        let p = if p.is_finite() {
            p.clamp(1e-9, 1.0 - 1e-9)
        } else {
            0.5
        };
        let mut below = 0.0;
        for (k, w) in self.weights.iter().enumerate() {
            if below + w >= p && *w > 0.0 {
                return self.value(k) - 0.5 * self.step + self.step * (p - below) / w;
            }
            below += w;
        }
        self.value(self.weights.len() - 1)
    }

    /// 10 %, 50 % and 90 % of the rise at an equivalent age.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let after = prior.after(&path, &Evidence::default());
    /// let [low, middle, high] = after.rise_at(70.0);
    /// assert!(low < middle && middle < high && (0.6..1.2).contains(&middle));
    /// ```
    pub fn rise_at(&self, age_min: f64) -> [f64; 3] {
        self.rise_band().at(age_min)
    }

    /// The rise band, prepared for many ages.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let after = prior.after(&path, &Evidence::default());
    /// let band = after.rise_band();
    /// assert!(band.at(70.0)[1] > band.at(40.0)[1]);
    /// ```
    pub fn rise_band(&self) -> RiseBand {
        const PARTS: usize = 10;
        let mut curves = Vec::with_capacity(PARTS * 5 * self.branches.len());
        for b in &self.branches {
            let share: f64 = b.weights.iter().sum();
            if !(share > 1e-3) {
                continue;
            }
            let mut below = 0.0;
            let mut part = 0;
            for (k, w) in b.weights.iter().enumerate() {
                below += w / share;
                while part < PARTS && below >= (part as f64 + 0.5) / PARTS as f64 {
                    part += 1;
                    let (mean, sd) = b.amplitude[k];
                    for node in [-1.2816, -0.5244, 0.0, 0.5244, 1.2816] {
                        curves.push(Drawn {
                            ready: self.value(k).exp(),
                            rise: (b.curve.ln_rise + mean + sd * node).exp(),
                            curve: b.curve.prepared(),
                            weight: share,
                        });
                    }
                }
            }
        }
        RiseBand { curves }
    }
}

#[cfg(test)]
mod tests;

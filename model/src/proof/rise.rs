//! How a dough rises over its way to ready, and the band of what it may do.

use serde::{Deserialize, Serialize};

/// The shape of a dough's rise over its threshold.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RiseCurve {
    /// ln of the rise when ready.
    pub ln_rise: f64,
    /// Share of the way before anything shows: dissolved gas.
    pub lag: f64,
    /// ln of the power.
    pub ln_power: f64,
}

/// Width of the bend at the end of the lag, as a share of the way.
const BEND: f64 = 0.06;

impl RiseCurve {
    /// What is taken where nothing is known: doubled, after a seventh of the way without a sign.
    pub const UNKNOWN: Self = Self {
        ln_rise: 0.0,
        lag: 0.15,
        ln_power: 0.1,
    };

    /// `G(u)`: 0 at the start, 1 at the threshold, finite for every `u`.
    ///
    /// ```
    /// use doughwarden_model::proof::RiseCurve;
    /// let curve = RiseCurve { ln_rise: 0.0, lag: 0.2, ln_power: 0.1 };
    /// assert!((curve.shape(1.0) - 1.0).abs() < 1e-12 && curve.shape(0.0) == 0.0);
    /// ```
    pub fn shape(&self, u: f64) -> f64 {
        self.prepared().shape(u)
    }

    /// The same with its constants worked out, for many `u`.
    ///
    /// ```
    /// use doughwarden_model::proof::RiseCurve;
    /// let curve = RiseCurve::UNKNOWN;
    /// assert_eq!(curve.prepared().shape(0.7), curve.shape(0.7));
    /// ```
    pub fn prepared(&self) -> PreparedCurve {
        let floor = soft(-self.lag);
        PreparedCurve {
            lag: self.lag,
            floor,
            per_whole: 1.0 / (soft(1.0 - self.lag) - floor).max(1e-9),
            power: self.ln_power.exp(),
        }
    }

    /// `d ln G / d ln u` at the threshold.
    ///
    /// ```
    /// use doughwarden_model::proof::RiseCurve;
    /// // Straight from the start, the slope in logarithms is the power: 1.
    /// let straight = RiseCurve { ln_rise: 0.0, lag: -0.2, ln_power: 0.0 };
    /// assert!(straight.slope_at_ready() > 0.7 && straight.slope_at_ready() < 1.1);
    /// ```
    pub fn slope_at_ready(&self) -> f64 {
        let h = 1e-4;
        ((self.shape(1.0 + h).ln() - self.shape(1.0 - h).ln()) / (2.0 * h)).clamp(0.2, 6.0)
    }
}

/// A [`RiseCurve`] with its constants worked out.
#[derive(Debug, Clone, Copy)]
pub struct PreparedCurve {
    lag: f64,
    floor: f64,
    per_whole: f64,
    power: f64,
}

impl PreparedCurve {
    /// `G(u)`.
    ///
    /// ```
    /// use doughwarden_model::proof::RiseCurve;
    /// let curve = RiseCurve::UNKNOWN.prepared();
    /// assert!(curve.shape(0.0) == 0.0 && (curve.shape(1.0) - 1.0).abs() < 1e-12);
    /// ```
    pub fn shape(&self, u: f64) -> f64 {
        if !(u > 0.0) {
            return 0.0;
        }
        let share = (soft(u.min(3.0) - self.lag) - self.floor) * self.per_whole;
        if share > 0.0 {
            share.powf(self.power).min(20.0)
        } else {
            0.0
        }
    }
}

fn soft(x: f64) -> f64 {
    let z = x / BEND;
    if z > 15.0 {
        x
    } else if z < -30.0 {
        0.0
    } else {
        BEND * z.exp().ln_1p()
    }
}

#[derive(Debug, Clone)]
pub(super) struct Drawn {
    pub(super) ready: f64,
    pub(super) rise: f64,
    pub(super) curve: PreparedCurve,
    pub(super) weight: f64,
}

/// A family of rise curves drawn evenly from a posterior.
#[derive(Debug, Clone)]
pub struct RiseBand {
    pub(super) curves: Vec<Drawn>,
}

impl RiseBand {
    /// 10 %, 50 % and 90 % of the rise at an equivalent age.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, RiseCurve};
    /// let path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// assert_eq!(prior.after(&path, &Evidence::default()).rise_band().at(0.0)[1], 0.0);
    /// ```
    pub fn at(&self, age_min: f64) -> [f64; 3] {
        let mut rises: Vec<(f64, f64)> = self
            .curves
            .iter()
            .map(|d| (d.rise * d.curve.shape(age_min / d.ready), d.weight))
            .collect();
        rises.sort_by(|a, b| a.0.total_cmp(&b.0));
        let total: f64 = rises.iter().map(|r| r.1).sum();
        let mut out = [0.0; 3];
        for (o, p) in out.iter_mut().zip([0.1, 0.5, 0.9]) {
            let (mut below, mut last) = (0.0, (0.0, 0.0));
            for (i, &(rise, weight)) in rises.iter().enumerate() {
                let middle = (below + 0.5 * weight) / total;
                if middle >= p || i + 1 == rises.len() {
                    let span: f64 = middle - last.0;
                    let share = if i > 0 && span > 0.0 {
                        ((p - last.0) / span).clamp(0.0, 1.0)
                    } else {
                        1.0
                    };
                    *o = if i == 0 {
                        rise
                    } else {
                        last.1 + share * (rise - last.1)
                    };
                    break;
                }
                last = (middle, rise);
                below += weight;
            }
        }
        out
    }
}

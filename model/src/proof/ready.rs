//! From a threshold and the paths the dough may take to the time it is ready.

use super::Posterior;
use crate::age::AgePath;

/// Of a dough that is all but surely ready this much stays open: it may have been misjudged.
const DOUBT: f64 = 0.02;

/// How the ready time is spread: quantiles in minutes since the stage began.
#[derive(Debug, Clone)]
pub struct ReadyTime {
    /// Minutes of the table, rising.
    minutes: Vec<f64>,
    /// Chance of being ready by then.
    chances: Vec<f64>,
}

impl ReadyTime {
    /// From a posterior and what the dough may go through: the path so far and, for each scenario of
    /// the air, its weight and the path that goes on from there (sharing the past).
    ///
    /// `P(ready by t) = Σ w_s·P(r <= ln theta_s(t))` over the scenarios `s` of the air.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, ReadyTime, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let after = prior.after(&path, &Evidence::default());
    /// let mut future = path.branch();
    /// future.advance(400.0, 27.0, 27.0);
    /// let ready = ReadyTime::new(&after, &path, &[(1.0, future)]);
    /// assert!(ready.quantile(0.5).is_some());
    /// ```
    pub fn new(posterior: &Posterior, past: &AgePath, futures: &[(f64, AgePath)]) -> Self {
        let cumulative = posterior.cumulative();
        let below = |age: f64| -> f64 {
            if !(age > 0.0) {
                return 0.0;
            }
            let position = (age.ln() - posterior.first) / posterior.step + 0.5;
            if !(position > 0.0) {
                return 0.0;
            }
            let whole = position.floor() as usize;
            if whole >= posterior.weights.len() {
                return 1.0;
            }
            let under = if whole == 0 {
                0.0
            } else {
                cumulative[whole - 1]
            };
            (under + posterior.weights[whole] * (position - whole as f64)).min(1.0)
        };
        let total: f64 = futures.iter().map(|(w, _)| w).sum();
        let mut minutes = Vec::new();
        let mut chances: Vec<f64> = Vec::new();
        // The past in at most some hundreds of steps.
        let knots = past.knots();
        let stride = (knots.len() / 300).max(1);
        for k in knots.iter().step_by(stride) {
            minutes.push(k.minute);
            chances.push(below(k.age_min));
        }
        let now = past.now();
        let push = |minutes: &mut Vec<f64>, chances: &mut Vec<f64>, m: f64, c: f64| {
            let floor = chances.last().copied().unwrap_or(0.0);
            if minutes.last().is_none_or(|last| m > *last) {
                minutes.push(m);
                chances.push(c.max(floor));
            }
        };
        push(&mut minutes, &mut chances, now.minute, below(now.age_min));
        if let Some((_, first)) = futures.first() {
            for (i, k) in first.knots().iter().enumerate().skip(1) {
                let c = futures
                    .iter()
                    .map(|(w, f)| {
                        let age = match f.knots().get(i) {
                            Some(other) if (other.minute - k.minute).abs() < 1e-6 => other.age_min,
                            _ => f.age_at(k.minute),
                        };
                        w * below(age)
                    })
                    .sum::<f64>()
                    / total.max(1e-12);
                push(&mut minutes, &mut chances, k.minute, c);
            }
        }
        Self { minutes, chances }
    }

    /// The minute by which it is ready with chance `p`; `None` beyond the table.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, ReadyTime, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let after = prior.after(&path, &Evidence::default());
    /// let mut future = path.branch();
    /// future.advance(400.0, 27.0, 27.0);
    /// let ready = ReadyTime::new(&after, &path, &[(1.0, future)]);
    /// assert!((ready.quantile(0.5).unwrap() - 70.0).abs() < 1.0);   // 70 minutes at 27 °C
    /// ```
    pub fn quantile(&self, p: f64) -> Option<f64> {
        let i = self.chances.partition_point(|c| *c < p);
        if i >= self.chances.len() {
            return None;
        }
        if i == 0 {
            return self.minutes.first().copied();
        }
        let (a, b) = (self.chances[i - 1], self.chances[i]);
        let share = if b > a { (p - a) / (b - a) } else { 1.0 };
        Some(self.minutes[i - 1] + share * (self.minutes[i] - self.minutes[i - 1]))
    }

    /// Chance of being ready by a minute.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, ReadyTime, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let after = prior.after(&path, &Evidence::default());
    /// let mut future = path.branch();
    /// future.advance(400.0, 27.0, 27.0);
    /// let ready = ReadyTime::new(&after, &path, &[(1.0, future)]);
    /// assert!(ready.chance_by(50.0) < 0.1 && ready.chance_by(100.0) > 0.9);
    /// ```
    pub fn chance_by(&self, minute: f64) -> f64 {
        let i = self.minutes.partition_point(|m| *m < minute);
        if i >= self.minutes.len() {
            return self.chances.last().copied().unwrap_or(0.0);
        }
        if i == 0 {
            return self.chances.first().copied().unwrap_or(0.0);
        }
        let (a, b) = (self.minutes[i - 1], self.minutes[i]);
        let share = if b > a { (minute - a) / (b - a) } else { 1.0 };
        self.chances[i - 1] + share * (self.chances[i] - self.chances[i - 1])
    }

    /// The same given that it is not ready yet at a minute: `(F(t) - F(m)) / (1 - F(m))`. Whoever asks
    /// when a dough in progress will be ready asks this. `F(m)` counts as 0.98 at most, so that a
    /// dough all but surely ready is said to be ready now.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, ReadyTime, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(70.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let mut future = path.branch();
    /// future.advance(300.0, 27.0, 27.0);
    /// let after = prior.after(&path, &Evidence::default());
    /// let ready = ReadyTime::new(&after, &path, &[(1.0, future)]);
    /// // An even chance that it was ready by now; if it was not, three in four say by then:
    /// let not_yet = ready.given_not_ready_at(70.0);
    /// let (median, upper) = (not_yet.quantile(0.5).unwrap(), ready.quantile(0.75).unwrap());
    /// assert!((median - upper).abs() < 0.5 && not_yet.chance_by(69.0) == 0.0);
    /// ```
    #[must_use]
    pub fn given_not_ready_at(&self, minute: f64) -> Self {
        if !minute.is_finite() {
            return self.clone();
        }
        let before = self.chance_by(minute).clamp(0.0, 1.0 - DOUBT);
        let share = |c: f64| ((c - before) / (1.0 - before)).clamp(0.0, 1.0);
        // Whatever the chance that it was misjudged, it did not come before this minute.
        let mut minutes = vec![minute - 1e-6, minute];
        let mut chances = vec![0.0, share(self.chance_by(minute))];
        for (m, c) in self.minutes.iter().zip(&self.chances) {
            if *m > minute {
                minutes.push(*m);
                chances.push(share(*c));
            }
        }
        Self { minutes, chances }
    }

    /// The table: minutes and chances, both rising.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::proof::{Evidence, Prior, ReadyTime, RiseCurve};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(40.0, 27.0, 27.0);
    /// let prior = Prior { mean: 70f64.ln(), sd: 0.2, curves: vec![RiseCurve::UNKNOWN],
    ///     rise_sd: 0.1, tie: 0.5, noise_share: 0.08, noise: 0.04 };
    /// let after = prior.after(&path, &Evidence::default());
    /// let mut future = path.branch();
    /// future.advance(400.0, 27.0, 27.0);
    /// let ready = ReadyTime::new(&after, &path, &[(1.0, future)]);
    /// let (minutes, chances) = ready.table();
    /// assert!(minutes.len() == chances.len() && chances.windows(2).all(|w| w[1] >= w[0]));
    /// ```
    pub fn table(&self) -> (&[f64], &[f64]) {
        (&self.minutes, &self.chances)
    }
}

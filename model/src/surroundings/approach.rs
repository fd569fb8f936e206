//! Fitting an approach to a log, one pole or two: where the air is heading, how fast, and how sure that is.

use super::{Spread, check_log};
use crate::refusal::{Refusal, within};

/// A log with less movement than this (°C) identifies no box.
pub const LEAST_MOVEMENT_C: f64 = 1.0;

/// Time constants a log must span for its plateau to count as seen.
pub const SPAN_TO_TRUST: f64 = 2.0;

/// Two-sided 90 %: chi-square(1) and standard normal.
const CHI_SQUARE_90: f64 = 2.705_543_454_095_414;

const NORMAL_90: f64 = 1.644_853_626_951_472_7;

/// A second pole is believed when it explains this much of the misfit (an F statistic), and the misfit
/// without it is more than a sensor's rounding.
const F_FOR_SECOND_POLE: f64 = 8.0;
const ROUNDING_C: f64 = 0.02;

/// The fast pole of an oven stands at least this factor below its slow one.
const POLES_APART: f64 = 3.0;

/// Readings used at most; a longer log is thinned evenly, which loses nothing a pole could show.
const MOST_READINGS: usize = 240;

/// The quick part of a two-pole approach: the air before the walls follow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FastPole {
    /// Its part of the way, °C (start less plateau, like the slow part's).
    pub amplitude_c: f64,
    /// Its time constant, s.
    pub time_constant_s: f64,
}

/// An approach to a plateau fitted to a log.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Approach {
    /// `T_inf`, °C.
    pub plateau_c: f64,
    /// 90 % interval of the plateau, °C, from the profile over the time constant; its ends are cut at
    /// -40 and 300.
    pub plateau_90_c: (f64, f64),
    /// `tau` of the slow (or only) pole, s.
    pub time_constant_s: f64,
    /// Standard error of `ln tau`.
    pub ln_time_constant_se: f64,
    /// The fast pole, where the log shows one.
    pub fast: Option<FastPole>,
    /// Fitted temperature at the log's first moment, °C.
    pub start_c: f64,
    /// Scatter of the readings around the curve, °C.
    pub scatter_c: f64,
    /// Log length in (slow) time constants.
    pub spans: f64,
}

impl Approach {
    /// Least squares of an approach to `(seconds, °C)` in order of time. For each time constant (a
    /// minute to 20 times the log's length) the plateau and the amplitude are linear, so only `ln tau`
    /// is searched. If one pole leaves more than chance, a second, faster one is added: forced onto
    /// two poles, one would put the plateau of an oven degrees too low and be sure of it. Scatter that
    /// hangs together from reading to reading widens the intervals.
    ///
    /// Refuses fewer than 8 readings, disorder, and a log that moves less than
    /// [`LEAST_MOVEMENT_C`].
    ///
    /// ```
    /// use doughwarden_model::surroundings::Approach;
    /// let log: Vec<_> = (0..180).map(|i| {
    ///     let t = 60.0 * f64::from(i);
    ///     (t, 35.625 - 15.625 * (-t / 5000.0).exp())
    /// }).collect();
    /// let oven = Approach::identify(&log)?;
    /// assert!((oven.plateau_c - 35.625).abs() < 1e-4 && (oven.time_constant_s - 5000.0).abs() < 0.1);
    /// assert!(oven.plateau_seen());
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn identify(log: &[(f64, f64)]) -> Result<Self, Refusal> {
        check_log(log, 8)?;
        let span = log[log.len() - 1].0 - log[0].0;
        within("length of the log, s", span, 120.0, 1e8)?;
        let low = log.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
        let high = log.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
        if high - low < LEAST_MOVEMENT_C {
            return Err(Refusal::Inconsistent(
                "the air hardly moves in this log: there is no warming or cooling to learn from",
            ));
        }
        let every = log.len().div_ceil(MOST_READINGS);
        let thin: Vec<(f64, f64)> = log.iter().copied().step_by(every).collect();
        let n = thin.len() as f64;
        let one = Search::run(&thin, span, false);
        if thin.len() >= 12 && one.fit.rss / n > ROUNDING_C * ROUNDING_C {
            let two = Search::run(&thin, span, true);
            let f = (one.fit.rss - two.fit.rss) / 2.0 / (two.fit.rss / (n - 5.0)).max(1e-12);
            if f > F_FOR_SECOND_POLE && two.fit.fast.is_some() {
                return Ok(two.approach(&thin, span, 5.0));
            }
        }
        Ok(one.approach(&thin, span, 3.0))
    }

    /// Whether the log ran long enough ([`SPAN_TO_TRUST`] time constants) and pins the plateau to
    /// better than ±1.5 °C. If not, show it as uncertain.
    ///
    /// ```
    /// use doughwarden_model::surroundings::Approach;
    /// let run = |minutes: i32| Approach::identify(&(0..minutes).map(|i| { let t = 60.0 * f64::from(i);
    ///     (t, 34.0 - 14.0 * (-t / 4000.0).exp() + 0.02 * f64::from(i * 7 % 5)) }).collect::<Vec<_>>());
    /// assert!(run(200)?.plateau_seen() && !run(40)?.plateau_seen());
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn plateau_seen(&self) -> bool {
        self.spans >= SPAN_TO_TRUST && self.plateau_90_c.1 - self.plateau_90_c.0 < 3.0
    }

    /// The air `ahead_s` after it was at `now_c`, with a spread that grows from the readings' scatter
    /// to the plateau's own uncertainty.
    ///
    /// ```
    /// use doughwarden_model::surroundings::Approach;
    /// let log: Vec<_> = (0..60).map(|i| (120.0 * f64::from(i), 32.0 - 10.0 * (-f64::from(i) / 15.0).exp())).collect();
    /// let next = Approach::identify(&log)?.predict(26.0, 1800.0);
    /// assert!((next.mean_c - (32.0 - 6.0 / std::f64::consts::E)).abs() < 0.01);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn predict(&self, now_c: f64, ahead_s: f64) -> Spread {
        let kept = (-ahead_s.max(0.0) / self.time_constant_s).exp();
        let plateau_sd = (self.plateau_90_c.1 - self.plateau_90_c.0) / (2.0 * NORMAL_90);
        // d T / d ln tau at fixed plateau.
        let timing = (now_c - self.plateau_c) * kept * ahead_s.max(0.0) / self.time_constant_s
            * self.ln_time_constant_se.min(1.0);
        let variance =
            self.scatter_c.powi(2) + ((1.0 - kept) * plateau_sd).powi(2) + timing * timing;
        Spread {
            mean_c: self.plateau_c + (now_c - self.plateau_c) * kept,
            sd_c: variance.sqrt(),
        }
    }
}

/// The search over `ln tau` of the slow pole, with its whole grid kept for the profile.
struct Search {
    second: bool,
    grid: Vec<(f64, Line)>,
    ln_tau: f64,
    fit: Line,
}

impl Search {
    fn run(log: &[(f64, f64)], span: f64, second: bool) -> Self {
        let bounds = (60f64.min(0.1 * span).ln(), (20.0 * span).ln());
        let steps = if second { 70 } else { 150 };
        let grid: Vec<(f64, Line)> = (0..=steps)
            .map(|i| {
                let u = bounds.0 + (bounds.1 - bounds.0) * f64::from(i) / f64::from(steps);
                (u, Line::fit(log, u.exp(), second))
            })
            .collect();
        let best = (0..grid.len())
            .min_by(|&a, &b| grid[a].1.rss.total_cmp(&grid[b].1.rss))
            .unwrap_or(0);
        let bracket = (
            grid[best.saturating_sub(1)].0,
            grid[(best + 1).min(grid.len() - 1)].0,
        );
        let ln_tau = least(bracket, if second { 20 } else { 50 }, |u| {
            Line::fit(log, u.exp(), second).rss
        });
        let fit = Line::fit(log, ln_tau.exp(), second);
        Self {
            second,
            grid,
            ln_tau,
            fit,
        }
    }

    fn approach(&self, log: &[(f64, f64)], span: f64, parameters: f64) -> Approach {
        let (fit, ln_tau) = (&self.fit, self.ln_tau);
        // Readings a minute apart are not independent: count as many as their scatter allows.
        let inflation = fit.inflation(log, ln_tau.exp());
        let variance = (fit.rss / (log.len() as f64 - parameters)).max(1e-12);
        let limit = fit.rss + CHI_SQUARE_90 * variance * inflation;
        let mut interval = (fit.plateau, fit.plateau);
        let (mut first, mut last) = (ln_tau, ln_tau);
        for (u, f) in &self.grid {
            if f.rss <= limit {
                interval = (interval.0.min(f.plateau), interval.1.max(f.plateau));
                (first, last) = (first.min(*u), last.max(*u));
            }
        }
        // Near the best fit the grid is coarser than the interval: there the curvature speaks.
        let h = 0.02;
        let up = Line::fit(log, (ln_tau + h).exp(), self.second);
        let down = Line::fit(log, (ln_tau - h).exp(), self.second);
        let curvature = (up.rss + down.rss - 2.0 * fit.rss) / (h * h);
        let local = (2.0 * variance * inflation / curvature.max(1e-12)).sqrt();
        let moved = (up.plateau - down.plateau) / (2.0 * h) * local.min(1.0);
        let direct =
            NORMAL_90 * (variance * inflation * fit.plateau_variance + moved * moved).sqrt();
        let profile = (last - first) / (2.0 * NORMAL_90);
        Approach {
            plateau_c: fit.plateau.clamp(-40.0, 300.0),
            plateau_90_c: (
                interval.0.min(fit.plateau - direct).clamp(-40.0, 300.0),
                interval.1.max(fit.plateau + direct).clamp(-40.0, 300.0),
            ),
            time_constant_s: ln_tau.exp(),
            ln_time_constant_se: local.max(profile).min(5.0),
            fast: fit.fast.map(|(tau, amplitude_c)| FastPole {
                amplitude_c,
                time_constant_s: tau,
            }),
            start_c: fit.plateau + fit.amplitude + fit.fast.map_or(0.0, |f| f.1),
            scatter_c: variance.sqrt(),
            spans: span / ln_tau.exp(),
        }
    }
}

/// Where `f` is least between the ends of a bracket, by thirds.
fn least(mut bracket: (f64, f64), rounds: usize, f: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..rounds {
        let third = (bracket.1 - bracket.0) / 3.0;
        let (a, b) = (bracket.0 + third, bracket.1 - third);
        if f(a) < f(b) {
            bracket.1 = b
        } else {
            bracket.0 = a
        }
    }
    0.5 * (bracket.0 + bracket.1)
}

/// `T = plateau + amplitude·exp(-(t - t0)/tau)` at a fixed time constant, and if asked for with the
/// best second, faster exponential.
#[derive(Clone)]
struct Line {
    plateau: f64,
    amplitude: f64,
    fast: Option<(f64, f64)>,
    plateau_variance: f64,
    rss: f64,
}

impl Line {
    fn fit(log: &[(f64, f64)], tau: f64, second: bool) -> Self {
        let slow: Vec<f64> = log
            .iter()
            .map(|p| (-(p.0 - log[0].0) / tau).exp())
            .collect();
        if !second {
            return Self::linear(log, &slow, None);
        }
        let ends = (20f64.min(tau / 10.0).ln(), (tau / POLES_APART).ln());
        let at = |u: f64| Self::linear(log, &slow, Some(u.exp()));
        let coarse = 8;
        let width = (ends.1 - ends.0) / f64::from(coarse);
        let start = (0..=coarse)
            .map(|i| ends.0 + width * f64::from(i))
            .map(|u| (at(u).rss, u))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map_or(ends.0, |best| best.1);
        let bracket = ((start - width).max(ends.0), (start + width).min(ends.1));
        at(least(bracket, 7, |u| at(u).rss))
    }

    /// Ordinary least squares on a constant, the slow exponential and perhaps a fast one.
    fn linear(log: &[(f64, f64)], slow: &[f64], fast_tau: Option<f64>) -> Self {
        let n = log.len() as f64;
        let quick = |t: f64| fast_tau.map_or(0.0, |tau| (-(t - log[0].0) / tau).exp());
        let (mut mean_s, mut mean_q, mut mean_t) = (0.0, 0.0, 0.0);
        for (p, s) in log.iter().zip(slow) {
            mean_s += s / n;
            mean_q += quick(p.0) / n;
            mean_t += p.1 / n;
        }
        let (mut ss, mut sq, mut qq, mut st, mut qt) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (p, s) in log.iter().zip(slow) {
            let (s, q, t) = (s - mean_s, quick(p.0) - mean_q, p.1 - mean_t);
            ss += s * s;
            sq += s * q;
            qq += q * q;
            st += s * t;
            qt += q * t;
        }
        let determinant = ss * qq - sq * sq;
        let two = fast_tau.is_some() && determinant > 1e-9 * ss * qq && qq > 1e-12;
        let (amplitude, fast_amplitude, leverage) = if two {
            (
                (qq * st - sq * qt) / determinant,
                (ss * qt - sq * st) / determinant,
                (qq * mean_s * mean_s - 2.0 * sq * mean_s * mean_q + ss * mean_q * mean_q)
                    / determinant,
            )
        } else if ss > 1e-14 {
            (st / ss, 0.0, mean_s * mean_s / ss)
        } else {
            (0.0, 0.0, 1e14)
        };
        let plateau = mean_t - amplitude * mean_s - fast_amplitude * mean_q;
        let rss = log
            .iter()
            .zip(slow)
            .map(|(p, s)| (p.1 - plateau - amplitude * s - fast_amplitude * quick(p.0)).powi(2))
            .sum();
        Self {
            plateau,
            amplitude,
            fast: fast_tau.filter(|_| two).map(|tau| (tau, fast_amplitude)),
            plateau_variance: 1.0 / n + leverage,
            rss,
        }
    }

    /// How much the residuals' first-order autocorrelation widens a variance, (1 + r)/(1 - r).
    fn inflation(&self, log: &[(f64, f64)], tau: f64) -> f64 {
        let residuals: Vec<f64> = log
            .iter()
            .map(|p| {
                let t = p.0 - log[0].0;
                let fast = self.fast.map_or(0.0, |(tau, a)| a * (-t / tau).exp());
                p.1 - self.plateau - self.amplitude * (-t / tau).exp() - fast
            })
            .collect();
        let total: f64 = residuals.iter().map(|r| r * r).sum();
        let lagged: f64 = residuals.windows(2).map(|w| w[0] * w[1]).sum();
        let r = if total > 1e-20 {
            (lagged / total).clamp(0.0, 0.98)
        } else {
            0.0
        };
        (1.0 + r) / (1.0 - r)
    }
}

/// Time constant and dead time, s, by the two-point method: `tau = 1.5·(t63.2 - t28.3)`,
/// `dead = t63.2 - tau` (a control textbook's; its own error is 0.05 %). `start_c` and `plateau_c`
/// must be known; the log must pass 28.3 % and 63.2 % of the way between them.
///
/// ```
/// use doughwarden_model::surroundings::two_point;
/// let log: Vec<_> = (0..400).map(|i| { let t = 30.0 * f64::from(i);
///     (t, 20.0 + 15.0 * (1.0 - (-(t - 300.0f64).max(0.0) / 3600.0).exp())) }).collect();
/// let (tau, dead) = two_point(&log, 20.0, 35.0)?;
/// assert!((tau / 3600.0 - 1.0).abs() < 0.002 && (dead - 300.0).abs() < 10.0);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn two_point(log: &[(f64, f64)], start_c: f64, plateau_c: f64) -> Result<(f64, f64), Refusal> {
    check_log(log, 2)?;
    let rise = within(
        "rise to the plateau, °C",
        (plateau_c - start_c).abs(),
        0.1,
        400.0,
    )? * (plateau_c - start_c).signum();
    let crossing = |share: f64| {
        let level = |p: &(f64, f64)| (p.1 - start_c) / rise - share;
        log.windows(2)
            .find(|w| level(&w[0]) < 0.0 && level(&w[1]) >= 0.0)
            .map(|w| {
                let (a, b) = (level(&w[0]), level(&w[1]));
                w[0].0 + (w[1].0 - w[0].0) * a / (a - b) - log[0].0
            })
    };
    match (crossing(0.283), crossing(0.632)) {
        (Some(early), Some(late)) if late > early => {
            let tau = 1.5 * (late - early);
            Ok((tau, late - tau))
        }
        _ => Err(Refusal::Inconsistent(
            "the log does not pass both 28.3 % and 63.2 % of the way",
        )),
    }
}

//! A room that wanders around its usual temperature: fitting it, foretelling it, bridging gaps.

use super::{Spread, check_log};
use crate::refusal::{Refusal, within};

/// A room that wanders around its usual temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    /// `m`, °C.
    pub mean_c: f64,
    /// Time constant of forgetting, s.
    pub time_constant_s: f64,
    /// Long-run standard deviation, °C.
    pub sd_c: f64,
}

/// One reading in this time is used to fit a room, s: closer ones differ mostly by sensor noise,
/// which would pass for a restless room; averages would pass for a calm one.
const ROOM_SAMPLE_S: f64 = 900.0;

/// Prior of a room (own choice): forgets in four hours, give or take a factor of two; wanders by
/// 1.5 °C, worth ten quarters of an hour of data.
const ROOM_PRIOR_S: f64 = 14_400.0;

const ROOM_PRIOR_LN_SD: f64 = 0.7;

const ROOM_PRIOR_SPREAD_C: f64 = 1.5;

const ROOM_PRIOR_WEIGHT: f64 = 10.0;

const ROOM_PRIOR_MEAN_SD_C: f64 = 2.0;

impl Room {
    /// A room of known habits; time constant a minute to a year, spread 0.01 to 30 °C.
    ///
    /// ```
    /// use doughwarden_model::surroundings::Room;
    /// assert!(Room::new(21.0, 14_400.0, 1.5).is_ok() && Room::new(21.0, 14_400.0, -1.0).is_err());
    /// ```
    pub fn new(mean_c: f64, time_constant_s: f64, sd_c: f64) -> Result<Self, Refusal> {
        Ok(Self {
            mean_c: within("usual temperature, °C", mean_c, -60.0, 100.0)?,
            time_constant_s: within("time constant of the room, s", time_constant_s, 60.0, 3.2e7)?,
            sd_c: within("spread of the room, °C", sd_c, 0.01, 30.0)?,
        })
    }

    /// The room before anything was logged.
    ///
    /// ```
    /// use doughwarden_model::surroundings::Room;
    /// let room = Room::usual(21.0)?;
    /// assert!((room.predict(25.0, 14_400.0).mean_c - (21.0 + 4.0 / std::f64::consts::E)).abs() < 1e-9);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn usual(mean_c: f64) -> Result<Self, Refusal> {
        Self::new(mean_c, ROOM_PRIOR_S, ROOM_PRIOR_SPREAD_C)
    }

    /// Fits a room to a log `(seconds, °C)` in order of time: exact likelihood of the process on
    /// quarter-hourly readings with any gaps, weakly held to the prior; `usual_c` is what the place is
    /// usually at, if known, else the log's own mean.
    ///
    /// ```
    /// use doughwarden_model::surroundings::Room;
    /// let log: Vec<_> = (0..200).map(|i| (600.0 * f64::from(i), 21.0 + (f64::from(i) * 0.7).sin())).collect();
    /// let room = Room::identify(&log, None)?;
    /// assert!((room.mean_c - 21.0).abs() < 0.3 && room.sd_c < 2.0);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn identify(log: &[(f64, f64)], usual_c: Option<f64>) -> Result<Self, Refusal> {
        check_log(log, 1)?;
        let mut points: Vec<(f64, f64)> = Vec::new();
        for &(t, c) in log {
            if points.last().is_none_or(|last| t - last.0 >= ROOM_SAMPLE_S) {
                points.push((t, c));
            }
        }
        let own_mean = points.iter().map(|p| p.1).sum::<f64>() / points.len() as f64;
        let usual = within(
            "usual temperature, °C",
            usual_c.unwrap_or(own_mean),
            -60.0,
            100.0,
        )?;
        let mut best = (f64::NEG_INFINITY, Self::usual(usual)?);
        for i in 0..=60 {
            let tau = 900.0 * (400.0f64).powf(f64::from(i) / 60.0); // 15 min to 100 h
            let (value, room) = room_at(&points, tau, usual);
            if value > best.0 {
                best = (value, room);
            }
        }
        Self::new(
            best.1.mean_c.clamp(-60.0, 100.0),
            best.1.time_constant_s,
            best.1.sd_c.clamp(0.01, 30.0),
        )
    }

    /// The air `ahead_s` after it was at `now_c`.
    ///
    /// ```
    /// use doughwarden_model::surroundings::Room;
    /// let room = Room::new(21.0, 3600.0, 1.5)?;
    /// let hour = room.predict(25.0, 3600.0);
    /// assert!((hour.mean_c - (21.0 + 4.0 / std::f64::consts::E)).abs() < 1e-12);
    /// assert!((room.predict(25.0, 1e7).sd_c - 1.5).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn predict(&self, now_c: f64, ahead_s: f64) -> Spread {
        let x = ahead_s.max(0.0) / self.time_constant_s;
        Spread {
            mean_c: self.mean_c + (now_c - self.mean_c) * (-x).exp(),
            sd_c: self.sd_c * (-(-2.0 * x).exp_m1()).max(0.0).sqrt(),
        }
    }

    /// The air `since_s` into a gap of `gap_s` that began at `before_c` and ended at `after_c`: the
    /// process's bridge, mean and spread.
    /// ```text
    /// E = m + [sinh((g - t)/tau)·(T_before - m) + sinh(t/tau)·(T_after - m)]/sinh(g/tau)
    /// ```
    ///
    /// ```
    /// use doughwarden_model::surroundings::Room;
    /// let room = Room::new(20.0, 3600.0, 1.0)?;
    /// let middle_of_a_long_gap = room.bridge(27.0, 26.0, 200_000.0, 100_000.0);
    /// assert!((middle_of_a_long_gap.mean_c - 20.0).abs() < 1e-6);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn bridge(&self, before_c: f64, after_c: f64, gap_s: f64, since_s: f64) -> Spread {
        if gap_s.is_nan() || gap_s <= 0.0 {
            return Spread {
                mean_c: after_c,
                sd_c: 0.0,
            };
        }
        let t = since_s.clamp(0.0, gap_s) / self.time_constant_s;
        let g = gap_s / self.time_constant_s;
        // sinh(a)/sinh(g) without overflow: e^(a-g)·(1 - e^-2a)/(1 - e^-2g).
        let weight = |a: f64| (a - g).exp() * (-2.0 * a).exp_m1() / (-2.0 * g).exp_m1();
        let (first, second) = (weight(g - t), weight(t));
        let variance = (-2.0 * t).exp_m1() * (-2.0 * (g - t)).exp_m1() / -(-2.0 * g).exp_m1();
        Spread {
            mean_c: self.mean_c
                + first * (before_c - self.mean_c)
                + second * (after_c - self.mean_c),
            sd_c: self.sd_c * variance.max(0.0).sqrt(),
        }
    }
}

/// The best mean and spread at a fixed time constant, with the log posterior.
fn room_at(points: &[(f64, f64)], tau: f64, usual: f64) -> (f64, Room) {
    let mut variance = ROOM_PRIOR_SPREAD_C * ROOM_PRIOR_SPREAD_C;
    let mut mean = usual;
    let terms: Vec<(f64, f64, f64)> = points
        .windows(2)
        .map(|w| {
            let phi = (-(w[1].0 - w[0].0) / tau).exp();
            (
                w[1].1 - phi * w[0].1,
                1.0 - phi,
                (1.0 - phi * phi).max(1e-12),
            )
        })
        .collect();
    let first = points[0].1;
    for _ in 0..20 {
        let prior_weight = variance / (ROOM_PRIOR_MEAN_SD_C * ROOM_PRIOR_MEAN_SD_C);
        let weight = prior_weight + 1.0 + terms.iter().map(|t| t.1 * t.1 / t.2).sum::<f64>();
        mean = (prior_weight * usual + first + terms.iter().map(|t| t.0 * t.1 / t.2).sum::<f64>())
            / weight;
        let squares = (first - mean).powi(2)
            + terms
                .iter()
                .map(|t| (t.0 - t.1 * mean).powi(2) / t.2)
                .sum::<f64>();
        variance = ((ROOM_PRIOR_WEIGHT * ROOM_PRIOR_SPREAD_C * ROOM_PRIOR_SPREAD_C + squares)
            / (ROOM_PRIOR_WEIGHT + points.len() as f64))
            .max(1e-4);
    }
    let n = points.len() as f64 + ROOM_PRIOR_WEIGHT;
    let ln_tau = (tau / ROOM_PRIOR_S).ln() / ROOM_PRIOR_LN_SD;
    let value = -0.5 * n * variance.ln()
        - 0.5 * terms.iter().map(|t| t.2.ln()).sum::<f64>()
        - 0.5 * ln_tau * ln_tau
        - 0.5 * ((mean - usual) / ROOM_PRIOR_MEAN_SD_C).powi(2);
    (
        value,
        Room {
            mean_c: mean,
            time_constant_s: tau,
            sd_c: variance.sqrt(),
        },
    )
}

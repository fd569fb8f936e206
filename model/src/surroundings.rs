//! What the air around a dough is doing, and what it will do: a box or an oven approaching its
//! plateau, its lamp on or off, and a room that wanders around its usual temperature.
//!
//! **Box.** One pole, `dT/dt = (T_inf - T)/tau`, `T_inf = T_room + P/UA`, `tau = C/UA`, so
//! ```text
//! T(t) = T_inf + (T_0 - T_inf)·exp(-t/tau)       T[k+1] = phi·T[k] + (1 - phi)·T_inf,  phi = exp(-dt/tau)
//! ```
//! An oven has two poles (its air minutes, its walls an hour): a fit over less than two time
//! constants leaves the plateau uncertain, and [`Approach`] says so with an interval.
//!
//! **Room.** A mean-reverting (Ornstein-Uhlenbeck) process: mean `m`, time constant `tau`, spread `s`,
//! ```text
//! E[T(t)] = m + (T_0 - m)·e^(-t/tau)             sd[T(t)] = s·sqrt(1 - e^(-2t/tau))
//! ```
//! and in a gap between two readings its bridge, which relaxes towards the mean in between.

use crate::heat::lag_step;
use crate::refusal::{Refusal, within};

/// A log with less movement than this (°C) identifies no box.
pub const LEAST_MOVEMENT_C: f64 = 1.0;
/// Time constants a log must span for its plateau to count as seen.
pub const SPAN_TO_TRUST: f64 = 2.0;
/// Two-sided 90 %: chi-square(1) and standard normal.
const CHI_SQUARE_90: f64 = 2.705_543_454_095_414;
const NORMAL_90: f64 = 1.644_853_626_951_472_7;

/// A temperature with a standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Mean, °C.
    pub mean_c: f64,
    /// Standard deviation, °C.
    pub sd_c: f64,
}

/// A one-pole approach fitted to a log.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Approach {
    /// `T_inf`, °C.
    pub plateau_c: f64,
    /// 90 % interval of the plateau, °C, from the profile over the time constant; its ends are cut at
    /// -40 and 300.
    pub plateau_90_c: (f64, f64),
    /// `tau`, s.
    pub time_constant_s: f64,
    /// Standard error of `ln tau`.
    pub ln_time_constant_se: f64,
    /// Fitted temperature at the log's first moment, °C.
    pub start_c: f64,
    /// Scatter of the readings around the curve, °C.
    pub scatter_c: f64,
    /// Log length in time constants.
    pub spans: f64,
}

impl Approach {
    /// Least squares of a one-pole approach to `(seconds, °C)` in order of time: for each time
    /// constant (a minute to 20 times the log's length) the other two are linear, so only `ln tau` is
    /// searched. Scatter that hangs together from reading to reading widens the intervals.
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
        let bounds = (60f64.min(0.1 * span).ln(), (20.0 * span).ln());
        let steps = 200;
        let grid: Vec<f64> = (0..=steps)
            .map(|i| bounds.0 + (bounds.1 - bounds.0) * f64::from(i) / f64::from(steps))
            .collect();
        let fits: Vec<Line> = grid.iter().map(|&u| Line::fit(log, u.exp())).collect();
        let best = (0..fits.len())
            .min_by(|&a, &b| fits[a].rss.total_cmp(&fits[b].rss))
            .expect("the grid is not empty");
        let mut bracket = (
            grid[best.saturating_sub(1)],
            grid[(best + 1).min(grid.len() - 1)],
        );
        for _ in 0..80 {
            let third = (bracket.1 - bracket.0) / 3.0;
            let (a, b) = (bracket.0 + third, bracket.1 - third);
            if Line::fit(log, a.exp()).rss < Line::fit(log, b.exp()).rss {
                bracket.1 = b
            } else {
                bracket.0 = a
            }
        }
        let ln_tau = 0.5 * (bracket.0 + bracket.1);
        let fit = Line::fit(log, ln_tau.exp());
        let n = log.len() as f64;
        // Readings a minute apart are not independent: count as many as their scatter allows.
        let inflation = fit.inflation(log, ln_tau.exp());
        let variance = (fit.rss / (n - 3.0)).max(1e-12);
        let limit = fit.rss + CHI_SQUARE_90 * variance * inflation;
        let mut interval = (fit.plateau, fit.plateau);
        let (mut first, mut last) = (ln_tau, ln_tau);
        for (u, f) in grid.iter().zip(&fits) {
            if f.rss <= limit {
                interval = (interval.0.min(f.plateau), interval.1.max(f.plateau));
                (first, last) = (first.min(*u), last.max(*u));
            }
        }
        // Near the best fit the grid is coarser than the interval: there the curvature speaks.
        let h = 0.02;
        let (up, down) = (
            Line::fit(log, (ln_tau + h).exp()),
            Line::fit(log, (ln_tau - h).exp()),
        );
        let curvature = (up.rss + down.rss - 2.0 * fit.rss) / (h * h);
        let local = (2.0 * variance * inflation / curvature.max(1e-12)).sqrt();
        let moved = (up.plateau - down.plateau) / (2.0 * h) * local.min(1.0);
        let direct = NORMAL_90
            * (variance * inflation * fit.plateau_variance + moved * moved).sqrt();
        let profile = (last - first) / (2.0 * NORMAL_90);
        Ok(Self {
            plateau_c: fit.plateau.clamp(-40.0, 300.0),
            plateau_90_c: (
                interval.0.min(fit.plateau - direct).clamp(-40.0, 300.0),
                interval.1.max(fit.plateau + direct).clamp(-40.0, 300.0),
            ),
            time_constant_s: ln_tau.exp(),
            ln_time_constant_se: local.max(profile).min(5.0),
            start_c: fit.plateau + fit.amplitude,
            scatter_c: variance.sqrt(),
            spans: span / ln_tau.exp(),
        })
    }

    /// Whether the log ran long enough ([`SPAN_TO_TRUST`] time constants) and pins the plateau to
    /// better than ±1.5 °C. If not, show it as uncertain.
    pub fn plateau_seen(&self) -> bool {
        self.spans >= SPAN_TO_TRUST && self.plateau_90_c.1 - self.plateau_90_c.0 < 3.0
    }

    /// The air `ahead_s` after it was at `now_c`, with a spread that grows from the readings' scatter
    /// to the plateau's own uncertainty.
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

/// The straight line `T = plateau + amplitude·exp(-(t - t0)/tau)` at a fixed time constant.
struct Line {
    plateau: f64,
    amplitude: f64,
    plateau_variance: f64,
    rss: f64,
}

impl Line {
    fn fit(log: &[(f64, f64)], tau: f64) -> Self {
        let n = log.len() as f64;
        let q = |t: f64| (-(t - log[0].0) / tau).exp();
        let mean_q = log.iter().map(|p| q(p.0)).sum::<f64>() / n;
        let mean_t = log.iter().map(|p| p.1).sum::<f64>() / n;
        let (mut sqq, mut sqt) = (0.0, 0.0);
        for p in log {
            let d = q(p.0) - mean_q;
            sqq += d * d;
            sqt += d * (p.1 - mean_t);
        }
        let amplitude = if sqq > 1e-14 { sqt / sqq } else { 0.0 };
        let plateau = mean_t - amplitude * mean_q;
        let rss = log
            .iter()
            .map(|p| (p.1 - plateau - amplitude * q(p.0)).powi(2))
            .sum();
        Self {
            plateau,
            amplitude,
            plateau_variance: 1.0 / n + mean_q * mean_q / sqq.max(1e-14),
            rss,
        }
    }

    /// How much the residuals' first-order autocorrelation widens a variance, (1 + r)/(1 - r).
    fn inflation(&self, log: &[(f64, f64)], tau: f64) -> f64 {
        let residuals: Vec<f64> = log
            .iter()
            .map(|p| p.1 - self.plateau - self.amplitude * (-(p.0 - log[0].0) / tau).exp())
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

fn check_log(log: &[(f64, f64)], needed: usize) -> Result<(), Refusal> {
    if log.len() < needed {
        return Err(Refusal::TooFew {
            what: "readings",
            needed,
            given: log.len(),
        });
    }
    for p in log {
        within("time of a reading, s", p.0, -1e12, 1e12)?;
        within("air temperature, °C", p.1, -60.0, 400.0)?;
    }
    if log.windows(2).any(|w| w[1].0 < w[0].0) {
        return Err(Refusal::Inconsistent("readings must be in order of time"));
    }
    Ok(())
}

/// A box or an oven warmed by its lamp alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LampBox {
    /// `tau`, s.
    pub time_constant_s: f64,
    /// Plateau over the room with the lamp on, `P/UA`, °C.
    pub lamp_rise_c: f64,
}

/// What dough and air do after the lamp goes off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coast {
    /// The warmest the dough gets, °C.
    pub dough_peak_c: f64,
    /// When, s after the lamp goes off; 0 if the dough only cools.
    pub after_s: f64,
}

impl LampBox {
    /// Time constant a minute to ten days, rise 0 to 100 °C.
    pub fn new(time_constant_s: f64, lamp_rise_c: f64) -> Result<Self, Refusal> {
        Ok(Self {
            time_constant_s: within(
                "time constant of the box, s",
                time_constant_s,
                60.0,
                864_000.0,
            )?,
            lamp_rise_c: within("rise of the box over the room, °C", lamp_rise_c, 0.0, 100.0)?,
        })
    }

    /// From lamp power (W), heat loss (W/K) and heat capacity (J/K).
    ///
    /// ```
    /// use doughwarden_model::surroundings::LampBox;
    /// let b = LampBox::from_watts(25.0, 1.6, 8000.0)?;
    /// assert!((b.lamp_rise_c - 15.625).abs() < 1e-12);
    /// assert!((b.air_c(20.0, 20.0, true, 1800.0) - 24.723807).abs() < 1e-6);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn from_watts(
        lamp_w: f64,
        loss_w_per_k: f64,
        capacity_j_per_k: f64,
    ) -> Result<Self, Refusal> {
        let loss = within("heat loss, W/K", loss_w_per_k, 1e-3, 1e4)?;
        Self::new(capacity_j_per_k / loss, lamp_w / loss)
    }

    /// From a guided run with the lamp on in a room at `room_c`.
    pub fn from_run(run: &Approach, room_c: f64) -> Result<Self, Refusal> {
        Self::new(run.time_constant_s, run.plateau_c - room_c)
    }

    /// Where the air is heading, °C.
    pub fn plateau_c(&self, room_c: f64, lamp_on: bool) -> f64 {
        room_c + if lamp_on { self.lamp_rise_c } else { 0.0 }
    }

    /// The air `after_s` later, °C.
    pub fn air_c(&self, now_c: f64, room_c: f64, lamp_on: bool, after_s: f64) -> f64 {
        let plateau = self.plateau_c(room_c, lamp_on);
        lag_step(now_c, plateau, plateau, after_s, self.time_constant_s)
    }

    /// The air at each of `times_s` (rising, the first is now) while the lamp is switched as
    /// `switches` say: `(from when, on?)` in order; before the first it is as `lamp_now`.
    pub fn air_under_switching(
        &self,
        now_c: f64,
        room_c: f64,
        lamp_now: bool,
        switches: &[(f64, bool)],
        times_s: &[f64],
    ) -> Vec<f64> {
        let (mut air, mut on) = (now_c, lamp_now);
        let mut clock = times_s.first().copied().unwrap_or(0.0);
        let mut next = 0;
        times_s
            .iter()
            .map(|&t| {
                while next < switches.len() && switches[next].0 <= t {
                    let (at, becomes) = switches[next];
                    air = self.air_c(air, room_c, on, at - clock);
                    clock = clock.max(at);
                    on = becomes;
                    next += 1;
                }
                air = self.air_c(air, room_c, on, t - clock);
                clock = clock.max(t);
                air
            })
            .collect()
    }

    /// How long the lamp must be on to bring the air from `now_c` to `target_c`, s; none if its
    /// plateau stays below; 0 if it is there already.
    pub fn lamp_time_s(&self, now_c: f64, room_c: f64, target_c: f64) -> Option<f64> {
        if now_c >= target_c {
            return Some(0.0);
        }
        let plateau = self.plateau_c(room_c, true);
        (plateau > target_c)
            .then(|| self.time_constant_s * ((plateau - now_c) / (plateau - target_c)).ln())
    }

    /// The dough coasts up after the lamp is switched off, until the falling air meets it. Two poles
    /// in a row: `air = room + B·e^(-t/tau_box)`, the dough lagging with `dough_time_constant_s`.
    pub fn coast(
        &self,
        air_c: f64,
        dough_c: f64,
        room_c: f64,
        dough_time_constant_s: f64,
    ) -> Coast {
        let excess = air_c - room_c;
        if !(air_c > dough_c && dough_time_constant_s > 0.0) {
            return Coast {
                dough_peak_c: dough_c,
                after_s: 0.0,
            };
        }
        let tau_box = self.time_constant_s;
        // Equal poles have a limit of their own; moving one by a ten-thousandth reaches it closely.
        let tau = if (dough_time_constant_s / tau_box - 1.0).abs() < 1e-4 {
            tau_box * (1.0 + 1e-4)
        } else {
            dough_time_constant_s
        };
        let forced = excess * tau_box / (tau_box - tau);
        let own = dough_c - room_c - forced;
        let dough = |t: f64| room_c + forced * (-t / tau_box).exp() + own * (-t / tau).exp();
        // Zero of the derivative: forced/tau_box·e^(-t/tau_box) = -own/tau·e^(-t/tau).
        let ratio = -(own / tau) / (forced / tau_box);
        let rate = 1.0 / tau - 1.0 / tau_box;
        let after_s = if ratio > 0.0 {
            ratio.ln() / rate
        } else {
            f64::INFINITY
        };
        if excess <= 0.0 || !after_s.is_finite() || after_s < 0.0 {
            // The air itself is below the room: both only drift to it, the dough never above.
            return Coast {
                dough_peak_c: dough_c.max(room_c),
                after_s: 0.0,
            };
        }
        Coast {
            dough_peak_c: dough(after_s),
            after_s,
        }
    }
}

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
    pub fn new(mean_c: f64, time_constant_s: f64, sd_c: f64) -> Result<Self, Refusal> {
        Ok(Self {
            mean_c: within("usual temperature, °C", mean_c, -60.0, 100.0)?,
            time_constant_s: within("time constant of the room, s", time_constant_s, 60.0, 3.2e7)?,
            sd_c: within("spread of the room, °C", sd_c, 0.01, 30.0)?,
        })
    }

    /// The room before anything was logged.
    pub fn usual(mean_c: f64) -> Result<Self, Refusal> {
        Self::new(mean_c, ROOM_PRIOR_S, ROOM_PRIOR_SPREAD_C)
    }

    /// Fits a room to a log `(seconds, °C)` in order of time: exact likelihood of the process on
    /// quarter-hourly readings with any gaps, weakly held to the prior; `usual_c` is what the place is
    /// usually at, if known, else the log's own mean.
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
    pub fn bridge(&self, before_c: f64, after_c: f64, gap_s: f64, since_s: f64) -> Spread {
        if !(gap_s > 0.0) {
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

//! Equivalent age (thermal time): a proof's progress in minutes at a reference temperature.
//!
//! ```text
//! dTd/dt = (T_air - Td)/tau1(piece)          the dough's volume-mean temperature
//! theta(t) = ∫ g(Td(s)) ds                   minutes at 27 °C
//! ```
//! Average rates, not temperatures: 25 → 35 °C over three hours is 3.4 % younger than three hours
//! at the mean of 30 °C. One first-order lag at `tau1` is within 2 % of the conduction series. The
//! path is interpolated between its knots, never floored to a sample: a floored index once cost two
//! minutes of bias with everything else right.

use crate::cardinal::{REFERENCE_C, RateLaw};
use crate::heat::lag_step;
use crate::thermal_death::ThermalDeath;
use serde::{Deserialize, Serialize};

/// Longest step that is integrated as one, minutes (Simpson's rule on each).
const STEP_MIN: f64 = 2.0;
/// Knots lie at least so far apart, minutes: ten-second logs do not need one each.
const KNOT_MIN: f64 = 0.5;
/// Steps a single stretch may take, however long it claims to be.
const MOST_STEPS: usize = 4000;
/// Temperatures are taken within these, °C.
const COLDEST_C: f64 = -40.0;
const HOTTEST_C: f64 = 150.0;

/// Where a dough stands at one moment of its path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Knot {
    /// Minutes since the stage began.
    pub minute: f64,
    /// Equivalent age, minutes at the reference temperature.
    pub age_min: f64,
    /// `∫ g (Td - 27)/10 dt`: the derivative of the age in the house's tilt.
    pub tilt_moment: f64,
    /// The dough's temperature, °C.
    pub dough_c: f64,
    /// Share of the yeast alive (1 = unharmed).
    pub alive: f64,
}

/// A dough's way through time: temperature and age, grown step by step as readings come in.
#[derive(Debug, Clone)]
pub struct AgePath {
    law: RateLaw,
    tau_min: f64,
    now: Knot,
    reductions: f64,
    knots: Vec<Knot>,
}

fn sane(c: f64, otherwise: f64) -> f64 {
    if c.is_finite() {
        c.clamp(COLDEST_C, HOTTEST_C)
    } else {
        otherwise
    }
}

impl AgePath {
    /// A dough at `start_c` throughout at minute 0, that follows its air with `tau_min` (0: at once).
    ///
    /// The start is held within what a dough can be; a lag that is no number becomes an hour.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// let path = AgePath::begin(RateLaw::default(), 60.0, 24.0);
    /// assert_eq!((path.now().minute, path.now().age_min, path.now().dough_c), (0.0, 0.0, 24.0));
    /// ```
    pub fn begin(law: RateLaw, tau_min: f64, start_c: f64) -> Self {
        let now = Knot {
            minute: 0.0,
            age_min: 0.0,
            tilt_moment: 0.0,
            dough_c: sane(start_c, 24.0),
            alive: 1.0,
        };
        Self {
            law,
            tau_min: if tau_min.is_finite() {
                tau_min.clamp(0.0, 1e5)
            } else {
                60.0
            },
            now,
            reductions: 0.0,
            knots: vec![now],
        }
    }

    /// Moves on to `to_min` while the air goes in a straight line; a step backwards does nothing.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(60.0, 27.0, 27.0);
    /// assert!((path.age_at(60.0) - 60.0).abs() < 1e-9);
    /// ```
    pub fn advance(&mut self, to_min: f64, air_from_c: f64, air_to_c: f64) {
        let span = to_min - self.now.minute;
        if !(span > 0.0 && span.is_finite()) {
            return;
        }
        let from = sane(air_from_c, self.now.dough_c);
        let to = sane(air_to_c, from);
        let longest = if self.tau_min > 0.0 {
            STEP_MIN.min((self.tau_min / 4.0).max(0.25))
        } else {
            STEP_MIN
        };
        let steps = ((span / longest).ceil() as usize).clamp(1, MOST_STEPS);
        let start = self.now.minute;
        for i in 0..steps {
            let a = i as f64 / steps as f64;
            let b = (i + 1) as f64 / steps as f64;
            let air_at = |x: f64| from + (to - from) * x;
            self.step(start + span * b, air_at(a), air_at(b));
        }
    }

    fn step(&mut self, to_min: f64, air_from: f64, air_to: f64) {
        let h = to_min - self.now.minute;
        let t0 = if self.tau_min > 0.0 {
            self.now.dough_c
        } else {
            air_from
        };
        let middle_air = 0.5 * (air_from + air_to);
        let (tm, t1) = if self.tau_min > 0.0 {
            let tm = lag_step(t0, air_from, middle_air, 0.5 * h, self.tau_min);
            (tm, lag_step(tm, middle_air, air_to, 0.5 * h, self.tau_min))
        } else {
            (middle_air, air_to)
        };
        let alive0 = self.now.alive;
        if t0.max(tm).max(t1) > 40.0 {
            self.reductions += ThermalDeath::BAKERS_CELLS.decimal_reductions(t0, t1, h * 60.0);
        }
        let alive1 = if self.reductions > 0.0 {
            ThermalDeath::surviving(self.reductions)
        } else {
            1.0
        };
        let x = |t: f64| (t - REFERENCE_C) / 10.0;
        let (g0, gm, g1) = (
            self.law.rate(t0) * alive0,
            self.law.rate(tm) * 0.5 * (alive0 + alive1),
            self.law.rate(t1) * alive1,
        );
        self.now.age_min += h / 6.0 * (g0 + 4.0 * gm + g1);
        self.now.tilt_moment += h / 6.0 * (g0 * x(t0) + 4.0 * gm * x(tm) + g1 * x(t1));
        self.now.minute = to_min;
        self.now.dough_c = t1;
        self.now.alive = alive1;
        let last = self.knots.len() - 1;
        // The last knot always is where the dough stands; it is moved along until it is far enough on.
        if last > 0 && self.knots[last].minute - self.knots[last - 1].minute < KNOT_MIN {
            self.knots[last] = self.now;
        } else {
            self.knots.push(self.now);
        }
    }

    /// Takes over a measured temperature of the dough itself.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// let mut path = AgePath::begin(RateLaw::default(), 60.0, 24.0);
    /// path.advance(30.0, 30.0, 30.0);
    /// path.measured(25.0);
    /// assert_eq!(path.now().dough_c, 25.0);   // the age so far stays
    /// ```
    pub fn measured(&mut self, dough_c: f64) {
        self.now.dough_c = sane(dough_c, self.now.dough_c);
        if let Some(last) = self.knots.last_mut() {
            last.dough_c = self.now.dough_c;
        }
    }

    /// Where the dough stands at the end of the path.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// let mut path = AgePath::begin(RateLaw::default(), 60.0, 4.0);
    /// path.advance(60.0, 24.0, 24.0);
    /// // One time constant on: 24 - 20/e.
    /// assert!((path.now().dough_c - (24.0 - 20.0 / std::f64::consts::E)).abs() < 1e-9);
    /// ```
    pub fn now(&self) -> Knot {
        self.now
    }

    /// The path's knots, in order of time; never empty.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(60.0, 27.0, 27.0);
    /// assert!(path.knots().windows(2).all(|w| w[1].minute > w[0].minute));
    /// ```
    pub fn knots(&self) -> &[Knot] {
        &self.knots
    }

    /// The lag behind the air, minutes.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// assert_eq!(AgePath::begin(RateLaw::default(), 75.0, 24.0).tau_min(), 75.0);
    /// ```
    pub fn tau_min(&self) -> f64 {
        self.tau_min
    }

    /// The law it ages by.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// assert_eq!(AgePath::begin(RateLaw::default(), 75.0, 24.0).law().tilt(), 0.0);
    /// ```
    pub fn law(&self) -> RateLaw {
        self.law
    }

    /// A path that goes on from here, without the past's knots.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(60.0, 27.0, 27.0);
    /// let mut warmer = path.branch();
    /// warmer.advance(90.0, 32.0, 32.0);
    /// assert!(warmer.now().age_min > 90.0 && path.now().minute == 60.0);
    /// ```
    pub fn branch(&self) -> Self {
        Self {
            law: self.law,
            tau_min: self.tau_min,
            now: self.now,
            reductions: self.reductions,
            knots: vec![self.now],
        }
    }

    /// Everything at `minute`, straight between knots; held at the ends.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(60.0, 27.0, 27.0);
    /// assert!((path.at(15.0).age_min - 15.0).abs() < 1e-9);   // between samples, never floored to one
    /// assert_eq!(path.at(1e6).minute, path.now().minute);
    /// ```
    pub fn at(&self, minute: f64) -> Knot {
        let first = self.knots[0];
        if !(minute > first.minute) {
            return first;
        }
        if minute >= self.now.minute {
            return self.now;
        }
        let i = self
            .knots
            .partition_point(|k| k.minute <= minute)
            .clamp(1, self.knots.len() - 1);
        blend(&self.knots[i - 1], &self.knots[i], minute)
    }

    /// Equivalent age at `minute`.
    ///
    /// `theta(t) = ∫ g(Td) ds`, minutes at 27 °C (section on equivalent age in the module's head).
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 37.0);
    /// path.advance(60.0, 37.0, 37.0);
    /// // At the optimum the gas law goes 1/0.747914 times as fast as at 27 °C.
    /// assert!((path.age_at(60.0) - 60.0 / 0.747914).abs() < 1e-3);
    /// ```
    pub fn age_at(&self, minute: f64) -> f64 {
        self.at(minute).age_min
    }

    /// The minute at which the age is reached, straight between knots; `None` past the path's end.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    /// path.advance(60.0, 27.0, 27.0);
    /// assert!((path.minute_at(45.0).unwrap() - 45.0).abs() < 1e-9);
    /// assert_eq!(path.minute_at(61.0), None);
    /// ```
    pub fn minute_at(&self, age_min: f64) -> Option<f64> {
        let first = self.knots[0];
        if age_min <= first.age_min {
            return Some(first.minute);
        }
        if !(age_min <= self.now.age_min) {
            return None;
        }
        let i = self
            .knots
            .partition_point(|k| k.age_min < age_min)
            .clamp(1, self.knots.len() - 1);
        let (a, b) = (&self.knots[i - 1], &self.knots[i]);
        let rise = b.age_min - a.age_min;
        let share = if rise > 0.0 {
            ((age_min - a.age_min) / rise).clamp(0.0, 1.0)
        } else {
            1.0
        };
        Some(a.minute + share * (b.minute - a.minute))
    }

    /// Age-weighted mean of `(Td - 27)/10` up to `minute`: `d ln theta / d tilt`.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// let mut path = AgePath::begin(RateLaw::default(), 0.0, 32.0);
    /// path.advance(60.0, 32.0, 32.0);
    /// assert!((path.mean_warmth(60.0) - 0.5).abs() < 1e-9);
    /// ```
    pub fn mean_warmth(&self, minute: f64) -> f64 {
        let k = self.at(minute);
        if k.age_min > 1e-9 {
            k.tilt_moment / k.age_min
        } else {
            (k.dough_c - REFERENCE_C) / 10.0
        }
    }
}

fn blend(a: &Knot, b: &Knot, minute: f64) -> Knot {
    let span = b.minute - a.minute;
    let s = if span > 0.0 {
        ((minute - a.minute) / span).clamp(0.0, 1.0)
    } else {
        1.0
    };
    let mix = |x: f64, y: f64| x + s * (y - x);
    Knot {
        minute,
        age_min: mix(a.age_min, b.age_min),
        tilt_moment: mix(a.tilt_moment, b.tilt_moment),
        dough_c: mix(a.dough_c, b.dough_c),
        alive: mix(a.alive, b.alive),
    }
}

/// What is known of a dough's temperature at the start of a stage, after the notes of it: a normal
/// with this mean and standard deviation, °C.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StartTemperature {
    /// Mean, °C.
    pub mean_c: f64,
    /// Standard deviation, °C.
    pub sd_c: f64,
}

impl StartTemperature {
    /// Learns from spot readings of the dough: a start that was wrong by `e` is wrong by
    /// `e·exp(-t/tau)` at `t`, so each reading `(minute, value − path)` is a straight-line
    /// observation of `e` with noise `noise_sd_c`. Readings that are off by over 8 °C say nothing.
    ///
    /// ```
    /// use doughwarden_model::age::StartTemperature;
    /// let assumed = StartTemperature { mean_c: 24.0, sd_c: 2.0 };
    /// // Read at once, 2 °C warmer than the path, with a good thermometer: nearly all of it was the start.
    /// let learned = assumed.after_readings(60.0, &[(0.0, 2.0)], 0.3);
    /// assert!((learned.mean_c - 26.0).abs() < 0.1 && learned.sd_c < 0.35);
    /// ```
    pub fn after_readings(self, tau_min: f64, residuals: &[(f64, f64)], noise_sd_c: f64) -> Self {
        let noise = noise_sd_c.max(0.05);
        let sd = self.sd_c.max(1e-3);
        let (mut precision, mut pull) = (1.0 / (sd * sd), 0.0);
        for &(minute, residual) in residuals {
            if !(residual.abs() < 8.0) || !minute.is_finite() {
                continue;
            }
            let keep = if tau_min > 0.0 {
                (-(minute.max(0.0)) / tau_min).exp()
            } else {
                0.0
            };
            precision += keep * keep / (noise * noise);
            pull += keep * residual / (noise * noise);
        }
        Self {
            mean_c: self.mean_c + pull / precision,
            sd_c: precision.sqrt().recip(),
        }
    }
}

/// How warm a kitchen's doughs are when they start, by the room they start in:
/// `Td0 = mean + slope (air - 22)`, learned with a prior from starts that were measured.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StartHabit {
    /// Dough temperature at the start in a room of 22 °C.
    pub mean_c: f64,
    /// Degrees of dough per degree of air.
    pub slope: f64,
    /// Scatter, °C.
    pub sd_c: f64,
}

impl Default for StartHabit {
    /// 24.5 °C in a room of 22 °C, a third of a degree per degree, give or take 1.6 (common
    /// practice: desired dough temperatures of 23 to 26 °C; the slope is an own choice).
    fn default() -> Self {
        Self {
            mean_c: 24.5,
            slope: 0.35,
            sd_c: 1.6,
        }
    }
}

/// The room in which a habit's mean holds, °C.
const HABIT_AIR_C: f64 = 22.0;

impl StartHabit {
    /// From measured starts `(air_c, dough_c)`, shrunk towards the default.
    ///
    /// Ridge regression of the dough on its air, residuals cut at 5 °C, four bakes' worth of the prior's
    /// scatter (own choice).
    ///
    /// ```
    /// use doughwarden_model::age::StartHabit;
    /// let warm: Vec<(f64, f64)> = (0..20).map(|_| (22.0, 27.0)).collect();
    /// assert!(StartHabit::learn(&warm).expect(22.0).mean_c > StartHabit::default().expect(22.0).mean_c);
    /// assert_eq!(StartHabit::learn(&[(f64::NAN, 27.0)]).mean_c, StartHabit::default().mean_c);
    /// ```
    pub fn learn(starts: &[(f64, f64)]) -> Self {
        let base = Self::default();
        let (mut a11, mut a12, mut a22, mut b1, mut b2) =
            (1.0 / 1.5f64.powi(2), 0.0, 1.0 / 0.25f64.powi(2), 0.0, 0.0);
        let noise = 1.2f64.powi(-2);
        let usable: Vec<(f64, f64)> = starts
            .iter()
            .filter(|(a, d)| {
                a.is_finite()
                    && d.is_finite()
                    && (5.0..45.0).contains(d)
                    && (-5.0..50.0).contains(a)
            })
            .map(|&(a, d)| (a - HABIT_AIR_C, d))
            .collect();
        for &(x, d) in &usable {
            let y = (d - base.mean_c - base.slope * x).clamp(-5.0, 5.0);
            a11 += noise;
            a12 += noise * x;
            a22 += noise * x * x;
            b1 += noise * y;
            b2 += noise * x * y;
        }
        let det = a11 * a22 - a12 * a12;
        let (m, s) = ((a22 * b1 - a12 * b2) / det, (a11 * b2 - a12 * b1) / det);
        let mut fitted = Self {
            mean_c: base.mean_c + m,
            slope: (base.slope + s).clamp(-0.2, 1.2),
            sd_c: base.sd_c,
        };
        let rss: f64 = usable
            .iter()
            .map(|&(x, d)| {
                (d - fitted.mean_c - fitted.slope * x)
                    .clamp(-5.0, 5.0)
                    .powi(2)
            })
            .sum();
        // Four bakes' worth of the prior's scatter.
        fitted.sd_c = ((rss + 4.0 * base.sd_c * base.sd_c) / (usable.len() as f64 + 4.0))
            .sqrt()
            .clamp(0.5, 4.0);
        fitted
    }

    /// What a dough that nobody measured starts at in such air.
    ///
    /// ```
    /// use doughwarden_model::age::StartHabit;
    /// let habit = StartHabit::default();
    /// assert!(habit.expect(28.0).mean_c > habit.expect(18.0).mean_c);
    /// assert!(habit.expect(f64::NAN).mean_c.is_finite());
    /// ```
    pub fn expect(&self, air_c: f64) -> StartTemperature {
        let x = if air_c.is_finite() {
            (air_c - HABIT_AIR_C).clamp(-15.0, 15.0)
        } else {
            0.0
        };
        StartTemperature {
            mean_c: (self.mean_c + self.slope * x).clamp(2.0, 40.0),
            sd_c: self.sd_c,
        }
    }
}

#[cfg(test)]
mod tests;

//! What the air around a dough is doing, and what it will do: a box or an oven approaching its
//! plateau, its lamp on or off, and a room that wanders around its usual temperature.
//!
//! **Box.** One pole, `dT/dt = (T_inf - T)/tau`, `T_inf = T_room + P/UA`, `tau = C/UA`, so
//! ```text
//! T(t) = T_inf + (T_0 - T_inf)·exp(-t/tau)       T[k+1] = phi·T[k] + (1 - phi)·T_inf,  phi = exp(-dt/tau)
//! ```
//! An oven has two poles (its air minutes, its walls an hour): [`Approach`] adds the fast one where the
//! log shows it. A log of less than two time constants leaves the plateau uncertain, and its interval
//! says so.
//!
//! **Room.** A mean-reverting (Ornstein-Uhlenbeck) process: mean `m`, time constant `tau`, spread `s`,
//! ```text
//! E[T(t)] = m + (T_0 - m)·e^(-t/tau)             sd[T(t)] = s·sqrt(1 - e^(-2t/tau))
//! ```
//! and in a gap between two readings its bridge, which relaxes towards the mean in between.

mod approach;

mod room;

pub use approach::{Approach, FastPole, LEAST_MOVEMENT_C, SPAN_TO_TRUST, two_point};
pub use room::Room;

use crate::heat::lag_step;
use crate::refusal::{Refusal, within};

/// A temperature with a standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Mean, °C.
    pub mean_c: f64,
    /// Standard deviation, °C.
    pub sd_c: f64,
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
    ///
    /// ```
    /// use doughwarden_model::surroundings::LampBox;
    /// assert!(LampBox::new(3600.0, 12.0).is_ok() && LampBox::new(1.0, 12.0).is_err());
    /// ```
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

    /// From lamp power `P` (W), heat loss `UA` (W/K) and heat capacity `C` (J/K): rise `P/UA`, `tau = C/UA`.
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
    ///
    /// ```
    /// use doughwarden_model::surroundings::{Approach, LampBox};
    /// let log: Vec<_> = (0..180).map(|i| { let t = 60.0 * f64::from(i); (t, 34.0 - 14.0 * (-t / 4000.0).exp()) }).collect();
    /// let oven = LampBox::from_run(&Approach::identify(&log)?, 20.0)?;
    /// assert!((oven.time_constant_s - 4000.0).abs() < 10.0);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn from_run(run: &Approach, room_c: f64) -> Result<Self, Refusal> {
        Self::new(run.time_constant_s, run.plateau_c - room_c)
    }

    /// Where the air is heading, °C.
    ///
    /// ```
    /// use doughwarden_model::surroundings::LampBox;
    /// let oven = LampBox::new(3600.0, 12.0)?;
    /// assert_eq!((oven.plateau_c(20.0, true), oven.plateau_c(20.0, false)), (32.0, 20.0));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn plateau_c(&self, room_c: f64, lamp_on: bool) -> f64 {
        room_c + if lamp_on { self.lamp_rise_c } else { 0.0 }
    }

    /// The air `after_s` later, °C.
    ///
    /// ```
    /// use doughwarden_model::surroundings::LampBox;
    /// let oven = LampBox::new(3600.0, 12.0)?;
    /// assert!((oven.air_c(20.0, 20.0, true, 3600.0 * 2f64.ln()) - 26.0).abs() < 1e-9);   // half way
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn air_c(&self, now_c: f64, room_c: f64, lamp_on: bool, after_s: f64) -> f64 {
        let plateau = self.plateau_c(room_c, lamp_on);
        lag_step(now_c, plateau, plateau, after_s, self.time_constant_s)
    }

    /// The air at each of `times_s` (rising, the first is now) while the lamp is switched as
    /// `switches` say: `(from when, on?)` in order; before the first it is as `lamp_now`.
    ///
    /// ```
    /// use doughwarden_model::surroundings::LampBox;
    /// let b = LampBox::new(3600.0, 12.0)?;
    /// let air = b.air_under_switching(20.0, 20.0, true, &[(3600.0, false)], &[0.0, 3600.0, 7200.0]);
    /// assert!(air[1] > 27.0 && air[2] < air[1]);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
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

    /// `t = tau·ln[(T_inf - T_now)/(T_inf - T_target)]`: how long the lamp must be on to bring the air from
    /// `now_c` to `target_c`, s; none if its
    /// plateau stays below; 0 if it is there already.
    ///
    /// ```
    /// use doughwarden_model::surroundings::LampBox;
    /// let b = LampBox::new(3600.0, 12.0)?;
    /// assert!((b.lamp_time_s(20.0, 20.0, 26.0).unwrap() - 3600.0 * 2f64.ln()).abs() < 1e-6);
    /// assert_eq!(b.lamp_time_s(20.0, 20.0, 33.0), None);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn lamp_time_s(&self, now_c: f64, room_c: f64, target_c: f64) -> Option<f64> {
        if now_c >= target_c {
            return Some(0.0);
        }
        let plateau = self.plateau_c(room_c, true);
        (plateau > target_c)
            .then(|| self.time_constant_s * ((plateau - now_c) / (plateau - target_c)).ln())
    }

    /// The dough `after_s` later, °C: two poles in a row, the air heading for its plateau and the dough
    /// lagging behind it with `dough_time_constant_s`.
    /// ```text
    /// T = T_inf + F·e^(-t/tau_box) + (T_0 - T_inf - F)·e^(-t/tau),  F = (T_air - T_inf)·tau_box/(tau_box - tau)
    /// ```
    /// The solution of the two lags' equations (own derivation); the dough is taken to be too small to cool
    /// its box.
    ///
    /// ```
    /// use doughwarden_model::surroundings::LampBox;
    /// let oven = LampBox::new(3000.0, 14.0)?;
    /// // Heading for 34 °C: the air has gone 63 % of the way after 50 min, the dough at 90 min of lag 17 %.
    /// let dough = oven.dough_c(20.0, 20.0, 34.0, 5400.0, 3000.0);
    /// assert!((oven.air_c(20.0, 20.0, true, 3000.0) - 28.85).abs() < 0.01 && (dough - 22.364).abs() < 0.001);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn dough_c(
        &self,
        air_c: f64,
        dough_c: f64,
        plateau_c: f64,
        dough_time_constant_s: f64,
        after_s: f64,
    ) -> f64 {
        let tau = self.apart(dough_time_constant_s);
        let forced = self.forced(air_c - plateau_c, tau);
        let t = after_s.max(0.0);
        plateau_c
            + forced * (-t / self.time_constant_s).exp()
            + (dough_c - plateau_c - forced) * (-t / tau).exp()
    }

    /// Equal poles have a limit of their own; moving one by a ten-thousandth reaches it closely.
    fn apart(&self, dough_time_constant_s: f64) -> f64 {
        if (dough_time_constant_s / self.time_constant_s - 1.0).abs() < 1e-4 {
            self.time_constant_s * (1.0 + 1e-4)
        } else {
            dough_time_constant_s.max(1e-3)
        }
    }

    fn forced(&self, excess: f64, tau: f64) -> f64 {
        excess * self.time_constant_s / (self.time_constant_s - tau)
    }

    /// The dough coasts up after the lamp is switched off, until the falling air meets it.
    ///
    /// ```
    /// use doughwarden_model::surroundings::LampBox;
    /// let oven = LampBox::new(3000.0, 14.0)?;
    /// let coast = oven.coast(34.0, 25.0, 20.0, 5400.0);
    /// assert!(coast.dough_peak_c > 26.5 && coast.dough_peak_c < 29.0 && coast.after_s > 600.0);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn coast(
        &self,
        air_c: f64,
        dough_c: f64,
        room_c: f64,
        dough_time_constant_s: f64,
    ) -> Coast {
        let now = Coast {
            dough_peak_c: dough_c,
            after_s: 0.0,
        };
        if dough_time_constant_s.is_nan() || dough_time_constant_s <= 0.0 || air_c <= dough_c {
            return now;
        }
        let excess = air_c - room_c;
        let (tau_box, tau) = (self.time_constant_s, self.apart(dough_time_constant_s));
        let forced = self.forced(excess, tau);
        let own = dough_c - room_c - forced;
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
            dough_peak_c: self.dough_c(air_c, dough_c, room_c, tau, after_s),
            after_s,
        }
    }

    /// How long to leave the lamp on so that the dough, coasting on after it is off, peaks at
    /// `peak_c`: s; 0 if it gets there without, none if it never does. With a ceiling for `peak_c`
    /// this is the longest the lamp may stay on.
    ///
    /// ```
    /// use doughwarden_model::surroundings::LampBox;
    /// let oven = LampBox::new(3000.0, 14.0)?;
    /// let on = oven.lamp_time_for_dough_s(20.0, 22.0, 20.0, 5400.0, 27.0).unwrap();
    /// let air = oven.air_c(20.0, 20.0, true, on);
    /// let dough = oven.dough_c(20.0, 22.0, 34.0, 5400.0, on);
    /// assert!((oven.coast(air, dough, 20.0, 5400.0).dough_peak_c - 27.0).abs() < 1e-6);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn lamp_time_for_dough_s(
        &self,
        air_c: f64,
        dough_c: f64,
        room_c: f64,
        dough_time_constant_s: f64,
        peak_c: f64,
    ) -> Option<f64> {
        let plateau = self.plateau_c(room_c, true);
        let peak = |on: f64| {
            let air = self.air_c(air_c, room_c, true, on);
            let dough = self.dough_c(air_c, dough_c, plateau, dough_time_constant_s, on);
            self.coast(air, dough, room_c, dough_time_constant_s)
                .dough_peak_c
        };
        if peak(0.0) >= peak_c {
            return Some(0.0);
        }
        if plateau.is_nan() || peak_c.is_nan() || plateau <= peak_c {
            return None;
        }
        let (mut low, mut high) = (0.0, self.time_constant_s);
        for _ in 0..40 {
            if peak(high) >= peak_c {
                break;
            }
            (low, high) = (high, 2.0 * high);
        }
        for _ in 0..80 {
            let middle = 0.5 * (low + high);
            if peak(middle) < peak_c {
                low = middle
            } else {
                high = middle
            }
        }
        let found = 0.5 * (low + high);
        found.is_finite().then_some(found)
    }
}

//! The oven light as a heater: how long on, when off, the peak it coasts to, and whether the limit is
//! safe.
//!
//! The box answers as [`LampBox`] (identified by [`super::guided_run`]); the dough lags behind the air
//! and coasts on after the lamp is off. Its safety is judged in the *hot case*: the plateau at
//! the upper end of its interval, the speed wherever within its own it warms most.
//!
//! Where somebody meets the answer: only the lamp, never the oven's heat, with dough, cloth or plastic
//! inside; a note on the oven door, so that nobody preheats it; a lamp is mains heat and gets hot itself;
//! raw egg or milk held warm is a matter for the local food code.

use crate::refusal::{Refusal, within};
use crate::surroundings::{Approach, LampBox};

/// One-sided 95 %, the normal's.
const HOT_Z: f64 = 1.644_853_626_951_472_7;
/// Speeds tried for the hot case, in parts of the interval's half.
const SPEEDS: [f64; 5] = [-1.0, -0.5, 0.0, 0.5, 1.0];
/// The air is kept within this of its target when the lamp goes on and off, °C (own choice).
const BAND_C: f64 = 1.0;

/// Whether a dough's ceiling is safe from this lamp.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LampSafety {
    /// Even left on, and even in the hot case, the air stays below the ceiling.
    SafeIfForgotten,
    /// The lamp must go off: in the hot case, after `by_s` of light the dough coasts to the ceiling.
    MustGoOff {
        /// From now, s.
        by_s: f64,
    },
    /// Already now the dough is, or coasts, above the ceiling.
    TooWarmNow,
}

/// Keeping a temperature by switching the lamp: so long on, so long off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rhythm {
    /// Lamp on, s.
    pub on_s: f64,
    /// Lamp off, s.
    pub off_s: f64,
}

/// An oven as a guided run knows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownOven {
    /// Its response.
    pub oven: LampBox,
    /// Standard deviation of its plateau, °C.
    pub plateau_sd_c: f64,
    /// Standard error of `ln` of its time constant.
    pub ln_tau_se: f64,
}

impl KnownOven {
    /// From a guided run made in a room at `room_c`.
    ///
    /// ```
    /// use doughwarden_model::{planning::KnownOven, surroundings::Approach};
    /// let log: Vec<_> = (0..180).map(|i| { let t = 60.0 * f64::from(i); (t, 34.0 - 14.0 * (-t / 4000.0).exp()) }).collect();
    /// let known = KnownOven::from_run(&Approach::identify(&log)?, 20.0)?;
    /// assert!((known.oven.lamp_rise_c - 14.0).abs() < 0.1);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn from_run(run: &Approach, room_c: f64) -> Result<Self, Refusal> {
        let (low, high) = run.plateau_90_c;
        Ok(Self {
            oven: LampBox::from_run(run, room_c)?,
            plateau_sd_c: (0.5 * (high - low) / HOT_Z).clamp(0.2, 50.0),
            ln_tau_se: run.ln_time_constant_se.clamp(0.02, 5.0),
        })
    }
}

/// How things stand, and what is wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LampCase {
    /// The room around the oven, °C.
    pub room_c: f64,
    /// The air in it now, °C.
    pub air_c: f64,
    /// The dough now, °C.
    pub dough_c: f64,
    /// How the dough lags behind the air, s.
    pub dough_tau_s: f64,
    /// The dough is to peak here, °C …
    pub target_c: f64,
    /// … and never pass this, °C.
    pub ceiling_c: f64,
}

/// The plan for the oven light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LampPlan {
    /// How long to leave the lamp on from now, s; 0: not at all; none: as long as you like, it never gets
    /// the dough there.
    pub on_s: Option<f64>,
    /// Whether the time was cut so that the ceiling is safe even in the hot case.
    pub cut_short: bool,
    /// The air when the lamp goes off (or at its plateau), °C.
    pub air_at_off_c: f64,
    /// The dough's peak, °C.
    pub dough_peak_c: f64,
    /// When it peaks, s after the lamp went off.
    pub peak_after_s: f64,
    /// The peak in the hot case, °C.
    pub hot_case_peak_c: f64,
    /// Where the air goes with the lamp left on: expected and hot case, °C.
    pub plateau_c: (f64, f64),
    /// Whether the ceiling is safe.
    pub safety: LampSafety,
    /// How to keep the air at the target afterwards; none where the room is as warm, or the lamp too weak
    /// or always needed.
    pub rhythm: Option<Rhythm>,
}

impl LampPlan {
    /// How long to leave the light on.
    ///
    /// ```
    /// use doughwarden_model::planning::{KnownOven, LampCase, LampPlan, LampSafety};
    /// use doughwarden_model::surroundings::LampBox;
    /// let known = KnownOven { oven: LampBox::new(3000.0, 14.0)?, plateau_sd_c: 0.5, ln_tau_se: 0.1 };
    /// let case = LampCase { room_c: 20.0, air_c: 20.0, dough_c: 23.0, dough_tau_s: 5400.0,
    ///     target_c: 26.0, ceiling_c: 28.0 };
    /// let plan = LampPlan::new(known, case)?;
    /// assert!((plan.dough_peak_c - 26.0).abs() < 1e-6 && plan.hot_case_peak_c < 28.0);
    /// assert!(matches!(plan.safety, LampSafety::MustGoOff { by_s } if by_s > plan.on_s.unwrap()));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn new(known: KnownOven, case: LampCase) -> Result<Self, Refusal> {
        let oven = known.oven;
        let plateau_sd = within("doubt of the plateau, °C", known.plateau_sd_c, 0.0, 50.0)?;
        let tau_se = within("doubt of the time constant, ln", known.ln_tau_se, 0.0, 5.0)?;
        let room = within("room, °C", case.room_c, -10.0, 45.0)?;
        let air = within("air in the oven, °C", case.air_c, -10.0, 100.0)?;
        let dough = within("dough, °C", case.dough_c, -5.0, 60.0)?;
        let tau = within("lag of the dough, s", case.dough_tau_s, 1.0, 1e6)?;
        let target = within("temperature wanted, °C", case.target_c, 5.0, 45.0)?;
        let ceiling = within("ceiling, °C", case.ceiling_c, 5.0, 50.0)?;
        if target > ceiling {
            return Err(Refusal::Inconsistent(
                "the temperature wanted lies above the dough's ceiling",
            ));
        }
        let hot_rise = (oven.lamp_rise_c + HOT_Z * plateau_sd).min(100.0);
        // Neither end of the speed's interval need be the worst: an oven that is slow to warm is slow to
        // cool as well.
        let hot = SPEEDS
            .map(|side| {
                let tau = oven.time_constant_s * (side * HOT_Z * tau_se).exp();
                LampBox::new(tau.clamp(60.0, 864_000.0), hot_rise)
            })
            .into_iter()
            .collect::<Result<Vec<_>, _>>()?;
        let peak = |b: &LampBox, on: f64| {
            let a = b.air_c(air, room, true, on);
            let d = b.dough_c(air, dough, b.plateau_c(room, true), tau, on);
            (a, d, b.coast(a, d, room, tau))
        };
        let hot_peak = |on: f64| {
            hot.iter()
                .map(|b| peak(b, on).2.dough_peak_c)
                .fold(dough, f64::max)
        };
        let hot_plateau = room + hot_rise;
        let by = hot
            .iter()
            .filter_map(|b| b.lamp_time_for_dough_s(air, dough, room, tau, ceiling))
            .fold(f64::INFINITY, f64::min);
        let safety = if hot_peak(0.0) > ceiling {
            LampSafety::TooWarmNow
        } else if hot_plateau.max(air) <= ceiling || !by.is_finite() {
            LampSafety::SafeIfForgotten
        } else {
            LampSafety::MustGoOff { by_s: by }
        };
        let wish = if safety == LampSafety::TooWarmNow {
            Some(0.0)
        } else {
            oven.lamp_time_for_dough_s(air, dough, room, tau, target)
        };
        let limit = if let LampSafety::MustGoOff { by_s } = safety {
            by_s
        } else {
            f64::INFINITY
        };
        let cut_short = wish.unwrap_or(f64::INFINITY) > limit;
        let on_s = if cut_short { Some(limit) } else { wish };
        let plateau = oven.plateau_c(room, true);
        let (air_at_off_c, dough_peak_c, peak_after_s) = match on_s {
            Some(on) => {
                let (a, _, coast) = peak(&oven, on);
                (a, coast.dough_peak_c, coast.after_s)
            }
            None => (plateau, plateau.max(dough), 0.0),
        };
        Ok(Self {
            on_s,
            cut_short,
            air_at_off_c,
            dough_peak_c,
            peak_after_s,
            hot_case_peak_c: on_s.map_or(hot_plateau.max(dough), hot_peak),
            plateau_c: (plateau, hot_plateau),
            safety,
            rhythm: rhythm(oven, room, target),
        })
    }
}

/// The lamp goes on a degree below the target and off a degree above.
/// ```text
/// on  = tau·ln((P - t + b)/(P - t - b))      off = tau·ln((t + b - room)/(t - b - room))
/// ```
fn rhythm(oven: LampBox, room: f64, target: f64) -> Option<Rhythm> {
    let plateau = oven.plateau_c(room, true);
    let (low, high) = (target - BAND_C, target + BAND_C);
    if plateau <= high || room >= low {
        return None;
    }
    Some(Rhythm {
        on_s: oven.time_constant_s * ((plateau - low) / (plateau - high)).ln(),
        off_s: oven.time_constant_s * ((high - room) / (low - room)).ln(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Room, air, dough, its lag, target and ceiling.
    fn planned(
        oven: LampBox,
        plateau_sd_c: f64,
        ln_tau_se: f64,
        case: [f64; 6],
    ) -> Result<LampPlan, Refusal> {
        let [room_c, air_c, dough_c, dough_tau_s, target_c, ceiling_c] = case;
        LampPlan::new(
            KnownOven {
                oven,
                plateau_sd_c,
                ln_tau_se,
            },
            LampCase {
                room_c,
                air_c,
                dough_c,
                dough_tau_s,
                target_c,
                ceiling_c,
            },
        )
    }

    /// The same oven and dough by small explicit steps of their two differential equations.
    fn euler(oven: LampBox, room: f64, mut air: f64, mut dough: f64, tau: f64, on_s: f64) -> f64 {
        let (mut peak, dt) = (dough, 0.5);
        for i in 0..(40_000.0 / dt) as usize {
            let rise = if (i as f64) * dt < on_s {
                oven.lamp_rise_c
            } else {
                0.0
            };
            let d_air = (room + rise - air) / oven.time_constant_s;
            let d_dough = (air - dough) / tau;
            (air, dough) = (air + d_air * dt, dough + d_dough * dt);
            peak = peak.max(dough);
        }
        peak
    }

    #[test]
    fn the_peak_by_small_steps() {
        for (tau_box, rise, tau) in [
            (3000.0, 14.0, 5400.0),
            (1500.0, 12.0, 3600.0),
            (5000.0, 15.6, 5000.0),
        ] {
            let oven = LampBox::new(tau_box, rise).expect("valid");
            let plan = planned(oven, 0.0, 0.0, [20.0, 20.0, 22.0, tau, 25.0, 40.0]).expect("valid");
            let got = euler(oven, 20.0, 20.0, 22.0, tau, plan.on_s.expect("gets there"));
            assert!((got - 25.0).abs() < 0.01, "{got}");
        }
    }

    #[test]
    fn doubt_cuts_the_time_short() {
        let oven = LampBox::new(3000.0, 16.0).expect("valid");
        let plan = planned(oven, 4.0, 0.3, [21.0, 21.0, 24.0, 4000.0, 27.5, 28.0]).expect("valid");
        assert!(plan.cut_short && plan.dough_peak_c < 27.0);
        assert!(
            (plan.hot_case_peak_c - 28.0).abs() < 0.01,
            "{}",
            plan.hot_case_peak_c
        );
        // A weak lamp is safe even forgotten.
        let weak = planned(
            LampBox::new(3000.0, 4.0).expect("valid"),
            0.3,
            0.1,
            [20.0, 20.0, 22.0, 4000.0, 26.0, 30.0],
        )
        .expect("valid");
        assert_eq!(
            (weak.on_s, weak.safety),
            (None, LampSafety::SafeIfForgotten)
        );
        // A dough that is too warm gets no lamp.
        let hot = planned(oven, 0.3, 0.1, [20.0, 35.0, 31.0, 4000.0, 26.0, 28.0]).expect("valid");
        assert_eq!((hot.on_s, hot.safety), (Some(0.0), LampSafety::TooWarmNow));
        assert!(planned(oven, 0.3, 0.1, [20.0, 20.0, 22.0, 4000.0, 30.0, 28.0]).is_err());
    }

    #[test]
    fn the_rhythm_keeps_the_band() {
        let oven = LampBox::new(3000.0, 14.0).expect("valid");
        let r = rhythm(oven, 20.0, 27.0).expect("in reach");
        assert!((oven.air_c(26.0, 20.0, true, r.on_s) - 28.0).abs() < 1e-9);
        assert!((oven.air_c(28.0, 20.0, false, r.off_s) - 26.0).abs() < 1e-9);
        // Half the lamp's rise: half the time on.
        assert!((r.on_s / r.off_s - 1.0).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn any_bits_are_refused_or_answered(v in proptest::array::uniform8(proptest::num::f64::ANY)) {
            if let Ok(oven) = LampBox::new(3000.0, 12.0)
                && let Ok(plan) = planned(oven, v[6], v[7], [v[0], v[1], v[2], v[3], v[4], v[5]])
            {
                prop_assert!(plan.dough_peak_c.is_finite() && plan.on_s.is_none_or(f64::is_finite));
            }
        }

        #[test]
        fn the_ceiling_holds_in_the_hot_case(
            tau_box in 600.0..9000.0f64, rise in 2.0..40.0f64, sd in 0.0..3.0f64, se in 0.0..0.5f64,
            room in 10.0..26.0f64, dough in 4.0..27.0f64, tau in 600.0..12_000.0f64,
        ) {
            let oven = LampBox::new(tau_box, rise).expect("valid");
            let plan = planned(oven, sd, se, [room, room, dough, tau, 27.0, 29.0]).expect("valid");
            if plan.on_s.is_some() {
                prop_assert!(plan.hot_case_peak_c <= 29.0 + 1e-3);
                prop_assert!(plan.dough_peak_c <= plan.hot_case_peak_c + 1e-3);
            }
        }
    }
}

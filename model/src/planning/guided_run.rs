//! The guided empty run that learns an oven: light on, heat off, nothing inside, about 90 minutes.
//!
//! [`guided_run`] looks at the log so far and says what to do next. It waits until the plateau is seen
//! (two time constants, known to ±1.5 °C), gives up when something spoilt the run, and stops at once
//! when the air warms as no lamp warms it.

use crate::refusal::Refusal;
use crate::surroundings::{Approach, LampBox};

/// A reading of the run: seconds since the light went on, air in °C.
pub type RunReading = (f64, f64);

/// A run is as a rule this long, minutes.
const USUAL_MIN: f64 = 90.0;
/// Nothing is concluded before, minutes.
const EARLIEST_MIN: f64 = 60.0;
/// After this long it is given up, minutes: walls that slow are heated by something else as well.
const LONGEST_MIN: f64 = 240.0;
/// No warming by then, minutes: the light is off, or gives too little.
const NO_WARMING_BY_MIN: f64 = 25.0;
/// Warming that counts, °C.
const WARMING_C: f64 = 1.0;
/// Air above this is no lamp's, °C (lamps reach 24 to 38 °C; several pages, and they disagree).
const NO_LAMP_C: f64 = 55.0;
/// Nor is air above 40 °C that still rises faster than this, °C per minute.
const NO_LAMP_RATE: f64 = 1.0;
const NO_LAMP_RATE_ABOVE_C: f64 = 40.0;
/// A fall of this much within ten minutes: the door was opened, or the light went off, °C.
const FALL_C: f64 = 1.5;
/// A gap longer than this spoils a run, minutes.
const LONGEST_GAP_MIN: f64 = 15.0;

/// Why a run taught nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Inconclusive {
    /// No warming: the light is off, or an LED that gives too little.
    NoWarming,
    /// The air fell: the door was opened, or the light went off.
    Fell,
    /// Readings were missing for too long.
    Gap,
    /// Still rising after four hours.
    StillRising,
}

/// What to do next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RunAdvice {
    /// Go on for about so long.
    Wait {
        /// Minutes more.
        minutes_more: f64,
        /// Where the air seems to be heading, °C, from and to; none before that can be said.
        heading_c: Option<(f64, f64)>,
    },
    /// The oven is known: the light may go off.
    Enough {
        /// Its response.
        oven: LampBox,
        /// The fit, with its intervals.
        fit: Approach,
    },
    /// Start again, after seeing to the reason.
    Inconclusive(Inconclusive),
    /// This is the oven's heat, not its light: switch it off now.
    HeatIsOn,
}

/// What to do next, from the room's temperature and the log so far (in order of time, the first reading
/// close to when the light went on).
///
/// ```
/// use doughwarden_model::planning::{RunAdvice, guided_run};
/// let log = |minutes: u32| -> Vec<(f64, f64)> {
///     (0..=minutes).map(|m| (60.0 * f64::from(m), 20.0 + 9.0 * (1.0 - (-f64::from(m) / 35.0).exp()))).collect()
/// };
/// assert!(matches!(guided_run(20.0, &log(30))?, RunAdvice::Wait { .. }));
/// assert!(matches!(guided_run(20.0, &log(95))?, RunAdvice::Enough { oven, .. } if (oven.lamp_rise_c - 9.0).abs() < 0.1));
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn guided_run(room_c: f64, log: &[RunReading]) -> Result<RunAdvice, Refusal> {
    crate::refusal::within("room, °C", room_c, -10.0, 45.0)?;
    if log.iter().any(|r| !r.0.is_finite() || !r.1.is_finite())
        || log.windows(2).any(|w| w[1].0 < w[0].0)
    {
        return Err(Refusal::Inconsistent(
            "readings must be numbers in order of time",
        ));
    }
    let (Some(first), Some(last)) = (log.first(), log.last()) else {
        return Ok(RunAdvice::Wait {
            minutes_more: USUAL_MIN,
            heading_c: None,
        });
    };
    let elapsed = (last.0 - first.0) / 60.0;
    let earlier = |minutes: f64| log.iter().rev().find(|r| r.0 <= last.0 - 60.0 * minutes);
    let rate = earlier(5.0).map_or(0.0, |r| (last.1 - r.1) / ((last.0 - r.0) / 60.0).max(1.0));
    if last.1 > NO_LAMP_C || (last.1 > NO_LAMP_RATE_ABOVE_C && rate > NO_LAMP_RATE) {
        return Ok(RunAdvice::HeatIsOn);
    }
    let gap = log
        .windows(2)
        .map(|w| (w[1].0 - w[0].0) / 60.0)
        .fold(0.0, f64::max);
    if gap > LONGEST_GAP_MIN {
        return Ok(RunAdvice::Inconclusive(Inconclusive::Gap));
    }
    if fell(log) {
        return Ok(RunAdvice::Inconclusive(Inconclusive::Fell));
    }
    let warmest = log.iter().map(|r| r.1).fold(f64::NEG_INFINITY, f64::max);
    if elapsed >= NO_WARMING_BY_MIN && warmest - first.1 < WARMING_C {
        return Ok(RunAdvice::Inconclusive(Inconclusive::NoWarming));
    }
    let usual_rest = (USUAL_MIN - elapsed).max(5.0);
    let Ok(fit) = Approach::identify(log) else {
        return Ok(if elapsed > USUAL_MIN {
            RunAdvice::Inconclusive(Inconclusive::NoWarming)
        } else {
            RunAdvice::Wait {
                minutes_more: usual_rest,
                heading_c: None,
            }
        });
    };
    if elapsed >= EARLIEST_MIN && fit.plateau_seen() {
        return Ok(match LampBox::from_run(&fit, room_c) {
            Ok(oven) => RunAdvice::Enough { oven, fit },
            Err(_) => RunAdvice::Inconclusive(Inconclusive::NoWarming),
        });
    }
    if elapsed >= LONGEST_MIN {
        return Ok(RunAdvice::Inconclusive(Inconclusive::StillRising));
    }
    // Two time constants by the present fit, though not past the end.
    let rest = (2.1 * fit.time_constant_s / 60.0 - elapsed).max(if elapsed < USUAL_MIN {
        usual_rest
    } else {
        10.0
    });
    let (low, high) = fit.plateau_90_c;
    Ok(RunAdvice::Wait {
        minutes_more: rest.min(LONGEST_MIN - elapsed),
        heading_c: (high - low < 10.0 && elapsed >= 20.0).then_some((low, high)),
    })
}

/// Whether the air fell by [`FALL_C`] within ten minutes.
fn fell(log: &[RunReading]) -> bool {
    let mut from = 0;
    log.iter().enumerate().any(|(i, r)| {
        while log[from].0 < r.0 - 600.0 {
            from += 1;
        }
        log[from..i].iter().any(|before| before.1 - r.1 > FALL_C)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// An oven with two poles, read once a minute to a tenth of a degree.
    fn run(minutes: u32, rise: f64, tau_min: f64) -> Vec<RunReading> {
        (0..=minutes)
            .map(|m| {
                let t = f64::from(m);
                let air = 20.0
                    + rise * (0.8 * (1.0 - (-t / tau_min).exp()) + 0.2 * (1.0 - (-t / 4.0).exp()));
                (60.0 * t, (air * 10.0).round() / 10.0)
            })
            .collect()
    }

    #[test]
    fn it_waits_and_then_knows() {
        let log = run(240, 10.0, 35.0);
        let mut done = None;
        for m in 1..=240 {
            match guided_run(20.0, &log[..=m]).expect("valid") {
                RunAdvice::Wait { minutes_more, .. } => assert!(minutes_more > 0.0),
                RunAdvice::Enough { oven, .. } => {
                    done = Some((m, oven));
                    break;
                }
                other => panic!("{m}: {other:?}"),
            }
        }
        let (minutes, oven) = done.expect("it ends");
        assert!((60..150).contains(&minutes), "{minutes}");
        // The truth of the simulated oven: 10 °C over the room.
        assert!((oven.lamp_rise_c - 10.0).abs() < 1.0, "{oven:?}");
    }

    #[test]
    fn what_spoils_a_run() {
        let spoilt = |log: &[RunReading]| guided_run(20.0, log).expect("valid");
        assert_eq!(
            spoilt(&run(30, 0.4, 35.0)),
            RunAdvice::Inconclusive(Inconclusive::NoWarming)
        );
        let mut door = run(60, 10.0, 35.0);
        door[50].1 -= 3.0;
        assert_eq!(spoilt(&door), RunAdvice::Inconclusive(Inconclusive::Fell));
        let mut gap = run(80, 10.0, 35.0);
        gap.drain(30..50);
        assert_eq!(spoilt(&gap), RunAdvice::Inconclusive(Inconclusive::Gap));
        // Preheating: 8 °C a minute.
        let heat: Vec<RunReading> = (0..10)
            .map(|m| (60.0 * f64::from(m), 20.0 + 8.0 * f64::from(m)))
            .collect();
        assert_eq!(spoilt(&heat), RunAdvice::HeatIsOn);
        assert_eq!(spoilt(&heat[..7]), RunAdvice::HeatIsOn);
        assert!(matches!(spoilt(&[]), RunAdvice::Wait { .. }));
        assert!(guided_run(20.0, &[(10.0, 20.0), (0.0, 20.0)]).is_err());
    }

    #[test]
    fn a_wall_that_never_settles_is_given_up() {
        assert_eq!(
            guided_run(20.0, &run(245, 30.0, 400.0)).expect("valid"),
            RunAdvice::Inconclusive(Inconclusive::StillRising)
        );
    }

    proptest! {
        #[test]
        fn any_log_gets_an_answer(log in proptest::collection::vec((0.0..20_000.0f64, -10.0..90.0f64), 0..60)) {
            let mut log = log;
            log.sort_by(|a, b| a.0.total_cmp(&b.0));
            prop_assert!(guided_run(20.0, &log).is_ok());
        }
    }
}

//! Waiting in the fridge: the latest time in, how long it holds, when to take it out.
//!
//! A dough does not stop at the fridge's door: it goes on ageing while it cools, by its own lag, and
//! takes as long to wake again. Both are in its path. It holds as long as the chance that it has passed
//! [`super::OVER_PROOFED`] times its ready age stays small.
//!
//! Where somebody meets the answer: a dough with raw egg or milk belongs in the cold within the hours
//! the local food code says, and covered.

use super::course::{LONGEST_MIN, Place, walk};
use super::{Moment, OVER_PROOFED, ProofAge};
use crate::age::AgePath;
use crate::cardinal::REFERENCE_C;
use crate::censored::normal_cdf;
use crate::refusal::{Refusal, within};

/// Three-point Gauss-Hermite rule for a standard normal.
const THREE: [(f64, f64); 3] = [
    (-1.732_050_807_568_877_2, 1.0 / 6.0),
    (0.0, 2.0 / 3.0),
    (1.732_050_807_568_877_2, 1.0 / 6.0),
];

/// A dough that may have to wait.
#[derive(Debug, Clone)]
pub struct Hold {
    /// Its way so far; its end is now.
    pub path: AgePath,
    /// The plan's clock now, minutes.
    pub now_min: f64,
    /// When it is ready, after everything seen of it.
    pub ready: ProofAge,
    /// Where it stands.
    pub room: Place,
    /// The fridge.
    pub fridge: Place,
}

/// Whether it can wait until somebody is back.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HoldAnswer {
    /// It may stay where it is: by then it is hardly over.
    StayOut {
        /// The chance that it is over-proofed by then.
        chance_over: f64,
    },
    /// Into the fridge, at the latest at this minute.
    Fridge {
        /// The latest time in.
        latest_in_min: f64,
        /// Put in then, it holds until this minute; none: longer than three days, as far as the
        /// rule goes.
        holds_until_min: Option<f64>,
    },
    /// Even put in now it is over-proofed by then, with this chance: bake first, or knock it back.
    TooLate {
        /// The chance.
        chance_over: f64,
    },
}

/// When to take it out for a wanted minute.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TakeOut {
    /// Out at this minute; ready about the wanted one.
    At {
        /// Out of the fridge.
        minute: f64,
        /// Ready.
        ready: Moment,
    },
    /// It is ready in the cold before then: leave it in, bake from the fridge.
    ReadyInFridge {
        /// Ready.
        ready: Moment,
    },
    /// It cannot be ready by then; even without the fridge only at this moment.
    NotByThen {
        /// Ready if it stays out.
        ready: Moment,
    },
}

/// Ways the dough may go, with their weights.
struct Ways(Vec<(f64, AgePath)>);

impl Hold {
    fn checked(&self) -> Result<(), Refusal> {
        within("now, min", self.now_min, -1e8, 1e8)?;
        self.ready.checked()?;
        self.room.checked()?;
        self.fridge.checked()
    }

    /// Out until `put_in`, in the fridge until `take_out`, out again.
    fn ways(&self, put_in: f64, take_out: f64) -> Ways {
        let mut ways = Vec::with_capacity(9);
        for (zr, wr) in THREE {
            for (zf, wf) in THREE {
                let (out, cold) = (zr * self.room.sd_c, zf * self.fridge.sd_c);
                let mut path = self.path.branch();
                let stays = [
                    (put_in, &self.room.course, out),
                    (take_out.max(put_in), &self.fridge.course, cold),
                    (f64::INFINITY, &self.room.course, out),
                ];
                // Far beyond ready nothing more is asked of it.
                let enough =
                    OVER_PROOFED * (self.ready.ln_age + 5.0 * self.ready.sd.max(0.1)).exp();
                walk(&mut path, self.now_min, &stays, |p| {
                    p.now().age_min > enough
                });
                ways.push((wr * wf, path));
            }
        }
        Ways(ways)
    }

    fn chance(&self, ways: &Ways, minute: f64, share: f64) -> f64 {
        let began = self.path.now().minute;
        ways.0
            .iter()
            .map(|(w, path)| {
                let at = began + minute - self.now_min;
                let age = path.age_at(at);
                let sd = self
                    .ready
                    .sd_at(REFERENCE_C + 10.0 * path.mean_warmth(at))
                    .max(1e-6);
                w * normal_cdf(((age / share).max(1e-9).ln() - self.ready.ln_age) / sd)
            })
            .sum()
    }

    fn when(&self, ways: &Ways, share: f64, p: f64) -> Option<f64> {
        let end = self.now_min + LONGEST_MIN;
        if self.chance(ways, end, share) < p {
            return None;
        }
        Some(last_before(self.now_min, end, |m| {
            self.chance(ways, m, share) < p
        }))
    }

    fn ready_moment(&self, ways: &Ways) -> Moment {
        let at = |p| self.when(ways, 1.0, p);
        Moment {
            p10: at(0.1),
            p50: at(0.5),
            p90: at(0.9),
        }
    }

    /// Whether it can wait until `back_min` with at most the chance `risk` of being over-proofed then.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::planning::{Hold, HoldAnswer, Place, ProofAge};
    /// let mut path = AgePath::begin(RateLaw::default(), 60.0, 25.0);
    /// path.advance(30.0, 24.0, 24.0);
    /// let hold = Hold { path, now_min: 600.0, ready: ProofAge::of_minutes(90.0, 0.1)?,
    ///     room: Place::steady("counter", 24.0, 1.0), fridge: Place::steady("fridge", 4.0, 1.0) };
    /// let HoldAnswer::Fridge { latest_in_min, .. } = hold.until(600.0 + 8.0 * 60.0, 0.1)? else { panic!() };
    /// assert!(latest_in_min > 600.0 && latest_in_min < 700.0);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn until(&self, back_min: f64, risk: f64) -> Result<HoldAnswer, Refusal> {
        self.checked()?;
        let back = within(
            "minutes until back",
            back_min - self.now_min,
            0.0,
            LONGEST_MIN,
        )? + self.now_min;
        within("chance of being over-proofed", risk, 0.001, 0.9)?;
        let over = |put_in: f64| self.chance(&self.ways(put_in, f64::INFINITY), back, OVER_PROOFED);
        let out = over(back);
        if out <= risk {
            return Ok(HoldAnswer::StayOut { chance_over: out });
        }
        let now = over(self.now_min);
        if now > risk {
            return Ok(HoldAnswer::TooLate { chance_over: now });
        }
        let latest = last_before(self.now_min, back, |m| over(m) <= risk);
        Ok(HoldAnswer::Fridge {
            latest_in_min: latest,
            holds_until_min: self.holds_until(latest, risk)?,
        })
    }

    /// Put in at `put_in_min`, how long it holds; none: longer than three days from now, as far as the
    /// rule goes.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::planning::{Hold, Place, ProofAge};
    /// let mut path = AgePath::begin(RateLaw::default(), 60.0, 25.0);
    /// path.advance(30.0, 24.0, 24.0);
    /// let hold = Hold { path, now_min: 600.0, ready: ProofAge::of_minutes(90.0, 0.1)?,
    ///     room: Place::steady("counter", 24.0, 1.0), fridge: Place::steady("fridge", 4.0, 1.0) };
    /// // The sooner it goes in, the longer it holds.
    /// let (now, later) = (hold.holds_until(600.0, 0.1)?, hold.holds_until(640.0, 0.1)?);
    /// assert!(now.unwrap_or(f64::INFINITY) >= later.unwrap_or(f64::INFINITY));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn holds_until(&self, put_in_min: f64, risk: f64) -> Result<Option<f64>, Refusal> {
        self.checked()?;
        let put_in = within(
            "minutes until put in",
            put_in_min - self.now_min,
            0.0,
            LONGEST_MIN,
        )? + self.now_min;
        Ok(self.when(&self.ways(put_in, f64::INFINITY), OVER_PROOFED, risk))
    }

    /// Put in at `put_in_min`, when to take it out so that it is ready (even chances) at `wanted_min`.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::planning::{Hold, Place, ProofAge, TakeOut};
    /// let mut path = AgePath::begin(RateLaw::default(), 60.0, 25.0);
    /// path.advance(30.0, 24.0, 24.0);
    /// let hold = Hold { path, now_min: 600.0, ready: ProofAge::of_minutes(90.0, 0.1)?,
    ///     room: Place::steady("counter", 24.0, 1.0), fridge: Place::steady("fridge", 4.0, 1.0) };
    /// let TakeOut::At { minute, .. } = hold.take_out(610.0, 1200.0)? else { panic!("the fridge keeps it") };
    /// assert!(minute > 610.0 && minute < 1200.0);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn take_out(&self, put_in_min: f64, wanted_min: f64) -> Result<TakeOut, Refusal> {
        self.checked()?;
        let put_in = within(
            "minutes until put in",
            put_in_min - self.now_min,
            0.0,
            LONGEST_MIN,
        )? + self.now_min;
        let wanted = within(
            "minutes until wanted",
            wanted_min - self.now_min,
            0.0,
            LONGEST_MIN,
        )? + self.now_min;
        let ready_by = |out: f64| self.chance(&self.ways(put_in, out), wanted, 1.0);
        let cold = self.ways(put_in, f64::INFINITY);
        if self.chance(&cold, wanted, 1.0) >= 0.5 {
            return Ok(TakeOut::ReadyInFridge {
                ready: self.ready_moment(&cold),
            });
        }
        if ready_by(put_in) < 0.5 {
            return Ok(TakeOut::NotByThen {
                ready: self.ready_moment(&self.ways(put_in, put_in)),
            });
        }
        let minute = last_before(put_in, wanted, |m| ready_by(m) >= 0.5);
        Ok(TakeOut::At {
            minute,
            ready: self.ready_moment(&self.ways(put_in, minute)),
        })
    }
}

/// The last point of `from..to` at which `holds`, which does so first and then no more; to a quarter of
/// a minute.
fn last_before(from: f64, to: f64, holds: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (from, to);
    while high - low > 0.25 {
        let middle = 0.5 * (low + high);
        if holds(middle) {
            low = middle
        } else {
            high = middle
        }
    }
    low
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cardinal::RateLaw;
    use proptest::prelude::*;

    fn hold(tau: f64, sd: f64, room_c: f64, fridge_c: f64) -> Hold {
        Hold {
            path: AgePath::begin(RateLaw::default(), tau, room_c),
            now_min: 0.0,
            ready: ProofAge {
                ln_age: 100f64.ln(),
                sd,
                tilt_sd: 0.0,
                known_warmth: 0.0,
            },
            room: Place::steady("room", room_c, 0.0),
            fridge: Place::steady("fridge", fridge_c, 0.0),
        }
    }

    #[test]
    fn without_lag_it_is_two_rates() {
        // Room 27 °C: a minute a minute. Fridge 10 °C: 0.091038/0.747914 of it (Rosso's equation).
        let slow = 0.091_038 / 0.747_914;
        let h = hold(0.0, 0.0, 27.0, 10.0);
        // Over at 120 min of age; back after 500: x + (500 - x)·slow = 120.
        let want = (120.0 - 500.0 * slow) / (1.0 - slow);
        let HoldAnswer::Fridge {
            latest_in_min,
            holds_until_min,
        } = h.until(500.0, 0.5).expect("valid")
        else {
            panic!("fridge");
        };
        assert!((latest_in_min - want).abs() < 0.6, "{latest_in_min} {want}");
        assert!((holds_until_min.expect("ends") - 500.0).abs() < 3.0);
        // Out so that 100 min of age are reached after 400: 20 + (y - 20)·slow + (400 - y) = 100.
        let TakeOut::At { minute, ready } = h.take_out(20.0, 400.0).expect("valid") else {
            panic!("out")
        };
        let y = (320.0 - 20.0 * slow) / (1.0 - slow);
        assert!((minute - y).abs() < 0.6, "{minute} {y}");
        assert!((ready.p50.expect("comes") - 400.0).abs() < 0.6);
    }

    #[test]
    fn the_lag_makes_it_earlier() {
        // A big dough goes on ageing in the fridge: it must go in sooner.
        let latest = |tau| match hold(tau, 0.1, 24.0, 4.0).until(720.0, 0.1).expect("valid") {
            HoldAnswer::Fridge { latest_in_min, .. } => latest_in_min,
            other => panic!("{other:?}"),
        };
        assert!(latest(150.0) < latest(40.0) - 40.0);
    }

    #[test]
    fn the_other_answers() {
        let h = hold(60.0, 0.1, 24.0, 4.0);
        assert!(
            matches!(h.until(60.0, 0.1).expect("valid"), HoldAnswer::StayOut { chance_over } if chance_over < 0.01)
        );
        let mut late = h.clone();
        late.path.advance(200.0, 27.0, 27.0);
        late.now_min = 200.0;
        assert!(
            matches!(late.until(600.0, 0.1).expect("valid"), HoldAnswer::TooLate { chance_over } if chance_over > 0.9)
        );
        assert!(
            matches!(h.take_out(10.0, 60.0).expect("valid"), TakeOut::NotByThen { ready } if ready.p50 > Some(100.0))
        );
        let warm_fridge = hold(60.0, 0.1, 24.0, 14.0);
        assert!(matches!(
            warm_fridge.take_out(0.0, 2000.0).expect("valid"),
            TakeOut::ReadyInFridge { .. }
        ));
        assert!(h.until(-5.0, 0.1).is_err());
        assert_eq!(h.holds_until(10.0, 0.1).expect("valid"), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(16))]
        #[test]
        fn there_and_back(tau in 10.0..150.0f64, sd in 0.05..0.3f64, room in 19.0..29.0f64, wanted in 500.0..1500.0f64) {
            let h = hold(tau, sd, room, 4.0);
            if let TakeOut::At { minute, ready } = h.take_out(30.0, wanted).expect("valid") {
                prop_assert!(minute >= 30.0 && minute <= wanted);
                prop_assert!((ready.p50.expect("comes") - wanted).abs() < 2.0);
            }
        }
    }
}

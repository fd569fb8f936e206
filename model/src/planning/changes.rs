//! What to change so that a given start meets a given hour: the yeast, a place, or the dough.
//!
//! Each answer is the *slowest* change that still keeps the chance of being late at the wished one, so
//! the same search speeds a late plan up and slows an early one down. Yeast goes as `dose^b`; the
//! exponent's own doubt widens the answer the further it is from 1.

use super::backwards::{Bake, Plan};
use crate::refusal::{Refusal, within};

/// Yeast is not changed by more than this factor either way: beyond, the recipe is another one.
pub const MOST_YEAST: f64 = 3.0;
/// A place is set no cooler than this, °C …
const COOLEST_PLACE_C: f64 = 12.0;
/// … and a dough mixed within these, °C (24 to 26.7 is usual in wheat; common practice beyond).
const DOUGH_C: (f64, f64) = (18.0, 30.0);
/// Halvings of the bracket.
const ROUNDS: usize = 13;

/// What may be changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Lever {
    /// The yeast, by a factor; with the exponent of the dose and its doubt
    /// ([`crate::calibration::Calibration::dose_exponent`]).
    Yeast {
        /// `b` in rate ~ dose^b.
        exponent: f64,
        /// Its standard deviation.
        sd: f64,
    },
    /// The air of one of the places, up to a ceiling (the dough's own, or the butter's).
    Place {
        /// Its number in [`Bake::places`].
        place: usize,
        /// No warmer than this, °C.
        ceiling_c: f64,
    },
    /// The dough out of the mixer, by the water's temperature, up to its ceiling.
    Dough {
        /// No warmer than this, °C.
        ceiling_c: f64,
    },
}

/// A change and what it does.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Which.
    pub lever: Lever,
    /// The factor on the yeast, or the temperature in °C.
    pub to: f64,
    /// What it is now: 1, or °C.
    pub from: f64,
    /// The chance of being late with it.
    pub risk: f64,
    /// Whether that meets the wish. If not, `to` is as far as this lever goes.
    pub enough: bool,
}

impl Bake {
    /// The bake with a lever set.
    fn with(&self, lever: Lever, to: f64) -> Self {
        let mut bake = self.clone();
        match lever {
            Lever::Yeast { exponent, sd } => {
                let ln = to.ln();
                for age in [&mut bake.bulk.age, &mut bake.final_proof.age] {
                    age.ln_age -= exponent * ln;
                    age.sd = age.sd.hypot(sd * ln);
                }
            }
            Lever::Place { place, .. } => {
                use super::Course;
                let course = &mut bake.places[place].course;
                let more = to - course.mean_c();
                match course {
                    Course::Steady(c) => *c = to,
                    Course::Daily { mean_c, .. } => *mean_c = to,
                    Course::Points(points) => points.iter_mut().for_each(|p| p.1 += more),
                }
            }
            Lever::Dough { .. } => bake.dough_c = to,
        }
        bake
    }

    /// How far to move a lever so that mixing at `start_min` is on the table at `table_min` with the
    /// chance `risk` of being late.
    ///
    /// ```
    /// # use doughwarden_model::{cardinal::RateLaw, planning::*};
    /// # let bake = Bake {
    /// #     places: vec![Place::steady("kitchen", 22.0, 1.0)], law: RateLaw::default(),
    /// #     mixing: Step::about(20.0), dough_c: 25.0, dough_sd_c: 1.0,
    /// #     bulk: Proof::at(0, ProofAge::of_minutes(60.0, 0.15)?, 110.0),
    /// #     shaping: Step::about(20.0),
    /// #     final_proof: Proof::at(0, ProofAge::of_minutes(40.0, 0.15)?, 55.0),
    /// #     baking: Step::about(18.0), cooling: Step::about(25.0), shared: 0.5, look_every_min: 15.0,
    /// # };
    /// let usual = bake.latest_start(900.0, 0.1)?;
    /// let late_riser = bake.change(Lever::Yeast { exponent: 0.85, sd: 0.1 }, usual.start_min + 40.0, 900.0, 0.1)?;
    /// assert!(late_riser.enough && late_riser.to > 1.1 && late_riser.to < 2.5);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn change(
        &self,
        lever: Lever,
        start_min: f64,
        table_min: f64,
        risk: f64,
    ) -> Result<Change, Refusal> {
        within("chance of being late", risk, 0.001, 0.9)?;
        let (from, slow, quick) = match lever {
            Lever::Yeast { exponent, sd } => {
                within("exponent of the yeast dose", exponent, 0.1, 2.0)?;
                within("doubt of that exponent", sd, 0.0, 1.0)?;
                (1.0, 1.0 / MOST_YEAST, MOST_YEAST)
            }
            Lever::Place { place, ceiling_c } => {
                let Some(p) = self.places.get(place) else {
                    return Err(Refusal::Inconsistent("the plan does not name that place"));
                };
                // Above 35 °C more warmth hardly speeds the yeast, and nobody has numbers.
                let ceiling = within(
                    "ceiling of the place, °C",
                    ceiling_c,
                    COOLEST_PLACE_C + 1.0,
                    60.0,
                )?
                .min(35.0);
                (p.course.mean_c(), COOLEST_PLACE_C, ceiling)
            }
            Lever::Dough { ceiling_c } => {
                let ceiling = within("ceiling of the dough, °C", ceiling_c, DOUGH_C.0 + 1.0, 60.0)?;
                (self.dough_c, DOUGH_C.0, DOUGH_C.1.min(ceiling))
            }
        };
        let late = |to: f64| {
            Ok::<f64, Refusal>(self.with(lever, to).run(start_min)?.chance_late(table_min))
        };
        let found = |to: f64, chance: f64, enough: bool| Change {
            lever,
            to,
            from,
            risk: chance,
            enough,
        };
        let quickest = late(quick)?;
        if quickest > risk {
            return Ok(found(quick, quickest, false));
        }
        let slowest = late(slow)?;
        if slowest <= risk {
            return Ok(found(slow, slowest, true));
        }
        let (mut low, mut high) = (slow, quick);
        let mut chance = quickest;
        for _ in 0..ROUNDS {
            let middle = if matches!(lever, Lever::Yeast { .. }) {
                (low * high).sqrt()
            } else {
                0.5 * (low + high)
            };
            let c = late(middle)?;
            if c > risk {
                low = middle
            } else {
                (high, chance) = (middle, c)
            }
        }
        Ok(found(high, chance, true))
    }

    /// The plan with a change made: the same hour, the latest start.
    ///
    /// ```
    /// use doughwarden_model::{cardinal::RateLaw, planning::*};
    /// let proof = |minutes| Ok::<_, doughwarden_model::refusal::Refusal>(Proof::at(0, ProofAge::of_minutes(minutes, 0.15)?, 30.0));
    /// let bake = Bake { places: vec![Place::steady("shelf", 25.0, 1.0)], law: RateLaw::default(),
    ///     mixing: Step::about(20.0), dough_c: 25.0, dough_sd_c: 1.0, bulk: proof(75.0)?,
    ///     shaping: Step::about(20.0), final_proof: proof(50.0)?, baking: Step::about(20.0),
    ///     cooling: Step::about(30.0), shared: 0.5, look_every_min: 15.0 };
    /// let usual = bake.latest_start(900.0, 0.1)?.start_min;
    /// let more_yeast = bake.change(Lever::Yeast { exponent: 0.85, sd: 0.1 }, usual + 30.0, 900.0, 0.1)?;
    /// // Half an hour longer in bed, for the same hour at the table and the same risk.
    /// let plan = bake.with_change(&more_yeast, 900.0, 0.1)?;
    /// assert!((plan.start_min - usual - 30.0).abs() < 2.0 && plan.risk <= 0.105);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn with_change(&self, change: &Change, table_min: f64, risk: f64) -> Result<Plan, Refusal> {
        self.with(change.lever, change.to)
            .latest_start(table_min, risk)
    }
}

#[cfg(test)]
mod tests {
    use super::super::backwards::tests::plain;
    use super::*;

    #[test]
    fn yeast_goes_as_the_dose_to_its_power() {
        // Both proofs 150 min at 27 °C; 85 min by the clock. To be done (even chances) after
        // 85 + 150/2^0.85 the yeast must double: the trade's power law, by hand.
        let bake = plain(27.0, 0.0);
        let table = 85.0 + 150.0 / 2f64.powf(0.85);
        let change = bake
            .change(
                Lever::Yeast {
                    exponent: 0.85,
                    sd: 0.0,
                },
                0.0,
                table,
                0.5,
            )
            .expect("valid");
        assert!(
            change.enough && (change.to - 2.0).abs() < 0.02,
            "{change:?}"
        );
    }

    #[test]
    fn the_place_and_the_dough_answer_too() {
        let bake = plain(20.0, 0.1);
        let usual = bake.latest_start(900.0, 0.1).expect("valid");
        let start = usual.start_min + 45.0;
        for lever in [
            Lever::Place {
                place: 0,
                ceiling_c: 30.0,
            },
            Lever::Yeast {
                exponent: 0.85,
                sd: 0.1,
            },
        ] {
            let change = bake.change(lever, start, 900.0, 0.1).expect("valid");
            assert!(
                change.enough && change.to > change.from && (change.risk - 0.1).abs() < 0.01,
                "{change:?}"
            );
            // There and back: with the change made, that start is the latest.
            let again = bake.with_change(&change, 900.0, 0.1).expect("valid");
            assert!(
                (again.start_min - start).abs() < 2.0,
                "{} {start}",
                again.start_min
            );
        }
        let far = bake
            .change(Lever::Dough { ceiling_c: 40.0 }, start + 200.0, 900.0, 0.1)
            .expect("valid");
        assert!(!far.enough && far.risk > 0.1 && (far.to - 30.0).abs() < 1e-9);
        // An early start is met by slowing down.
        let slow = bake
            .change(
                Lever::Yeast {
                    exponent: 0.85,
                    sd: 0.0,
                },
                usual.start_min - 60.0,
                900.0,
                0.1,
            )
            .expect("valid");
        assert!(slow.enough && slow.to < 1.0);
    }
}

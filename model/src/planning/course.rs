//! The air a plan counts on, and a dough's way through it until ready.

use crate::age::AgePath;
use crate::cardinal::RateLaw;
use crate::refusal::{Refusal, within};
use std::f64::consts::TAU;

/// Minutes in a day.
const DAY_MIN: f64 = 1440.0;
/// Air that is not steady is followed in straight pieces of this length, minutes.
const PIECE_MIN: f64 = 10.0;
/// A proof that takes longer than this does not come, minutes (three days).
pub(crate) const LONGEST_MIN: f64 = 4320.0;

/// The air of a place over time.
#[derive(Debug, Clone, PartialEq)]
pub enum Course {
    /// The same throughout, °C.
    Steady(f64),
    /// Once round a day: `mean + swing·cos(2π (minute - warmest)/1440)`.
    Daily {
        /// Mean, °C.
        mean_c: f64,
        /// Half the difference between the warmest and the coolest hour, °C.
        swing_c: f64,
        /// The minute of the day at which it is warmest.
        warmest_min: f64,
    },
    /// Straight between `(minute, °C)` in order of time, held at the ends.
    Points(Vec<(f64, f64)>),
}

impl Course {
    /// The air at a minute, °C.
    ///
    /// ```
    /// use doughwarden_model::planning::Course;
    /// let kitchen = Course::Daily { mean_c: 21.0, swing_c: 2.0, warmest_min: 16.0 * 60.0 };
    /// assert!((kitchen.at(16.0 * 60.0) - 23.0).abs() < 1e-12);
    /// assert!((kitchen.at(4.0 * 60.0) - 19.0).abs() < 1e-12);
    /// ```
    pub fn at(&self, minute: f64) -> f64 {
        match self {
            Course::Steady(c) => *c,
            Course::Daily {
                mean_c,
                swing_c,
                warmest_min,
            } => mean_c + swing_c * (TAU * (minute - warmest_min) / DAY_MIN).cos(),
            Course::Points(points) => {
                let i = points.partition_point(|p| p.0 <= minute);
                match (i.checked_sub(1).and_then(|b| points.get(b)), points.get(i)) {
                    (Some(a), Some(b)) if b.0 > a.0 => {
                        a.1 + (b.1 - a.1) * (minute - a.0) / (b.0 - a.0)
                    }
                    (Some(p), _) | (None, Some(p)) => p.1,
                    (None, None) => 24.0,
                }
            }
        }
    }

    /// The mean over a day, or over the points, °C.
    ///
    /// ```
    /// use doughwarden_model::planning::Course;
    /// assert_eq!(Course::Points(vec![(0.0, 20.0), (60.0, 24.0)]).mean_c(), 22.0);
    /// ```
    pub fn mean_c(&self) -> f64 {
        match self {
            Course::Steady(c) => *c,
            Course::Daily { mean_c, .. } => *mean_c,
            Course::Points(points) => {
                points.iter().map(|p| p.1).sum::<f64>() / points.len().max(1) as f64
            }
        }
    }

    /// The warmest that counts, °C: the mean of a day that swings, the warmest of the points.
    ///
    /// ```
    /// use doughwarden_model::planning::Course;
    /// let heated = Course::Points(vec![(360.0, 18.0), (420.0, 23.0), (540.0, 20.0)]);
    /// assert_eq!(heated.warmest_c(), 23.0);
    /// ```
    pub fn warmest_c(&self) -> f64 {
        match self {
            Course::Points(points) => points.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max),
            _ => self.mean_c(),
        }
    }

    fn checked(&self) -> Result<(), Refusal> {
        let air = |c: f64| within("air temperature of a place, °C", c, -30.0, 60.0);
        match self {
            Course::Steady(c) => air(*c).map(drop),
            Course::Daily {
                mean_c,
                swing_c,
                warmest_min,
            } => {
                air(*mean_c)?;
                within("swing of a day, °C", *swing_c, -30.0, 30.0)?;
                within("warmest minute", *warmest_min, -1e9, 1e9).map(drop)
            }
            Course::Points(points) => {
                if points.is_empty() {
                    return Err(Refusal::TooFew {
                        what: "points of a course",
                        needed: 1,
                        given: 0,
                    });
                }
                for p in points {
                    within("minute of a course", p.0, -1e9, 1e9)?;
                    air(p.1)?;
                }
                if points.windows(2).any(|w| w[1].0 < w[0].0) {
                    return Err(Refusal::Inconsistent(
                        "a course's points must be in order of time",
                    ));
                }
                Ok(())
            }
        }
    }
}

/// A place with the air it will have, and how far that may be off as a whole.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Its name.
    pub name: String,
    /// Its air.
    pub course: Course,
    /// Standard deviation of the whole course, °C.
    pub sd_c: f64,
}

impl Place {
    /// A place at one temperature, give or take `sd_c`.
    ///
    /// ```
    /// use doughwarden_model::planning::Place;
    /// assert_eq!(Place::steady("counter", 22.0, 1.0).course.at(600.0), 22.0);
    /// ```
    pub fn steady(name: &str, air_c: f64, sd_c: f64) -> Self {
        Self {
            name: name.to_owned(),
            course: Course::Steady(air_c),
            sd_c,
        }
    }

    pub(crate) fn checked(&self) -> Result<(), Refusal> {
        within("doubt of a place's air, °C", self.sd_c, 0.0, 15.0)?;
        self.course.checked()
    }
}

/// A dough at the moment it is ready.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ripe {
    /// When, on the plan's clock.
    pub minute: f64,
    /// Its temperature, °C.
    pub dough_c: f64,
    /// Age-weighted mean of `(T - 27)/10`.
    pub warmth: f64,
}

/// Walks a path on from `start_min` of the plan's clock through stays `(until which minute, its air,
/// offset)`, the last one open, until `done` or three days are over.
pub(crate) fn walk(
    path: &mut AgePath,
    start_min: f64,
    stays: &[(f64, &Course, f64)],
    mut done: impl FnMut(&AgePath) -> bool,
) {
    let began = path.now().minute;
    for (until, course, offset) in stays {
        let until = (until - start_min).min(LONGEST_MIN);
        while path.now().minute - began < until {
            let from = path.now().minute - began;
            let piece = if matches!(course, Course::Steady(_)) {
                3.0 * PIECE_MIN
            } else {
                PIECE_MIN
            };
            let to = (from + piece).min(until);
            path.advance(
                began + to,
                course.at(start_min + from) + offset,
                course.at(start_min + to) + offset,
            );
            if done(path) || path.now().minute - began <= from {
                return;
            }
        }
    }
}

/// When a dough of `dough_c` that starts at `start_min` and follows its air with `tau_min` reaches
/// `age_min`, going through stays `(until which minute, air, offset in °C)`; `None` if not within
/// three days. The last stay should end at infinity.
///
/// ```
/// use doughwarden_model::{cardinal::RateLaw, planning::{Course, ripen}};
/// let room = Course::Steady(27.0);
/// let ripe = ripen(RateLaw::default(), 60.0, 27.0, 480.0, &[(f64::INFINITY, &room, 0.0)], 90.0).unwrap();
/// assert!((ripe.minute - 570.0).abs() < 1e-6);
/// ```
pub fn ripen(
    law: RateLaw,
    tau_min: f64,
    dough_c: f64,
    start_min: f64,
    stays: &[(f64, &Course, f64)],
    age_min: f64,
) -> Option<Ripe> {
    let mut path = AgePath::begin(law, tau_min, dough_c);
    walk(&mut path, start_min, stays, |p| p.now().age_min >= age_min);
    let minute = path.minute_at(age_min)?;
    Some(Ripe {
        minute: start_min + minute,
        dough_c: path.at(minute).dough_c,
        warmth: path.mean_warmth(minute),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::composition::Composition;
    use crate::heat::{Piece, STILL_AIR_FILM, Shape};

    #[test]
    fn the_conduction_series_ages() {
        // Textbook eigenvalue series: mass kg, start, air, minutes, age in hours at 27 °C.
        for (kg, start, air, minutes, hours) in [
            (0.9, 24.0, 35.0, 120.0, 2.0529),
            (0.25, 24.0, 35.0, 90.0, 1.5795),
            (0.08, 24.0, 35.0, 60.0, 1.0545),
        ] {
            let piece = Piece::of_mass(
                kg,
                Shape::Sphere,
                &Composition::lean_dough(),
                STILL_AIR_FILM,
            )
            .expect("valid");
            let course = Course::Steady(air);
            let ripe = ripen(
                RateLaw::default(),
                piece.time_constant_s() / 60.0,
                start,
                0.0,
                &[(f64::INFINITY, &course, 0.0)],
                hours * 60.0,
            )
            .expect("comes");
            assert!(
                (ripe.minute / minutes - 1.0).abs() < 0.01,
                "{kg} kg: {}",
                ripe.minute
            );
        }
    }

    #[test]
    fn a_ramp_in_points_is_the_worked_history() {
        // 25 °C for 1 h, a straight line to 35 °C over 1 h, 35 °C for 1 h: 3.34208815 h at 27 °C by
        // independent quadrature (scipy).
        let course = Course::Points(vec![(60.0, 25.0), (120.0, 35.0)]);
        let ripe = ripen(
            RateLaw::default(),
            0.0,
            25.0,
            0.0,
            &[(f64::INFINITY, &course, 0.0)],
            3.342_088_15 * 60.0,
        )
        .expect("comes");
        assert!((ripe.minute - 180.0).abs() < 0.01, "{}", ripe.minute);
    }

    #[test]
    fn cold_dough_never_comes_and_bad_courses_are_refused() {
        let fridge = Course::Steady(2.0);
        assert!(
            ripen(
                RateLaw::default(),
                60.0,
                5.0,
                0.0,
                &[(f64::INFINITY, &fridge, 0.0)],
                60.0
            )
            .is_none()
        );
        for bad in [
            Course::Steady(f64::NAN),
            Course::Points(vec![]),
            Course::Points(vec![(2.0, 20.0), (1.0, 20.0)]),
        ] {
            assert!(bad.checked().is_err());
        }
    }
}

//! The air a place will have, from what it had lately: a room by the hour of the day, a box, an oven
//! or a fridge by its usual.

use doughwarden_model::planning::{Course, Place};
use doughwarden_model::seasons::ordinary_least_squares;
use serde::Serialize;

use super::{Grounds, PlanError, tenth};
use crate::batches::record::{PlaceKind, Quantity};
use crate::forecasts::air::UNKNOWN_AIR_C;
use crate::time::UtcMs;

/// A room's habit is taken from so many days.
const HABIT_DAYS: f64 = 14.0;
/// Hours of readings a daily habit needs.
const LEAST_HOURS: usize = 48;
/// Air somebody states is good to this, °C (own choice).
const STATED_SD_C: f64 = 0.8;
/// Air that is a place's usual, but for a room by the hour, °C (own choice).
const USUAL_SD_C: f64 = 1.5;
/// Air nobody knows, °C (own choice).
const UNKNOWN_SD_C: f64 = 2.5;
/// A fridge without a thermometer, °C.
const FRIDGE_C: f64 = 4.0;
/// Planned changes are followed from this long before now, minutes: a dough may be mixed already.
const PLANNED_FROM_MIN: f64 = 720.0;
/// To so long after: the longest proof of a plan, and its day.
const PLANNED_TO_MIN: f64 = 5760.0;
/// In steps of this, minutes.
const PLANNED_STEP_MIN: f64 = 15.0;
/// No room is foretold closer than this, °C.
const LEAST_SD_C: f64 = 0.6;

/// Air that a plan counts on, for documents.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AssumedAir {
    /// Which place.
    pub place: String,
    /// Its mean, °C.
    pub air_c: f64,
    /// Half the difference between its warmest and its coolest hour, °C.
    pub swing_c: f64,
    /// How far it may be off, °C (two times in three).
    pub within_c: f64,
    /// Where that comes from.
    pub from: String,
    /// Changes planned for it that the plan counts on, in the next two days.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub planned: Vec<PlannedAir>,
}

/// A planned change that a plan counts on.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PlannedAir {
    /// When.
    pub at: UtcMs,
    /// Where to, °C; null: to what the place is by itself.
    pub air_c: Option<f64>,
}

impl Grounds<'_> {
    /// The air a place will have: stated, by habit, usual, or assumed.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn place(
        &self,
        name: &str,
        stated_c: Option<f64>,
    ) -> Result<(Place, AssumedAir), PlanError> {
        let kind = self.book().kind_of(name);
        let (course, sd_c, from) = if let Some(c) = stated_c {
            (Course::Steady(c), STATED_SD_C, "as you said".to_owned())
        } else if let Some((course, sd)) = if kind == PlaceKind::Room {
            self.habit_of(name)?
        } else {
            None
        } {
            (
                course,
                sd,
                "its habit by the hour over the last two weeks".to_owned(),
            )
        } else if let Some(c) = self.sources.usual_air(name, self.now)? {
            (
                Course::Steady(c),
                USUAL_SD_C,
                "what it usually is".to_owned(),
            )
        } else if kind == PlaceKind::Fridge {
            (
                Course::Steady(FRIDGE_C),
                USUAL_SD_C,
                "assumed: no thermometer in it".to_owned(),
            )
        } else {
            (
                Course::Steady(UNKNOWN_AIR_C),
                UNKNOWN_SD_C,
                "assumed: no reading of it yet".to_owned(),
            )
        };
        let (course, planned) = match stated_c {
            Some(_) => (course, Vec::new()),
            None => self.with_plans(name, course)?,
        };
        let swing_c = if let Course::Daily { swing_c, .. } = &course {
            *swing_c
        } else {
            0.0
        };
        let assumed = AssumedAir {
            place: name.to_owned(),
            air_c: tenth(course.mean_c()),
            swing_c: tenth(swing_c),
            within_c: tenth(sd_c),
            from,
            planned,
        };
        Ok((
            Place {
                name: name.to_owned(),
                course,
                sd_c,
            },
            assumed,
        ))
    }

    /// A place's own course with the changes planned for it: from half a day before now to four days
    /// after, by the quarter of an hour.
    fn with_plans(&self, name: &str, own: Course) -> Result<(Course, Vec<PlannedAir>), PlanError> {
        let (from, to) = (
            self.now.plus_min(-PLANNED_FROM_MIN),
            self.now.plus_min(PLANNED_TO_MIN),
        );
        let falling = self.sources.falling(name, from, to)?;
        if falling.is_empty() {
            return Ok((own, Vec::new()));
        }
        let changes: Vec<(f64, Option<f64>, f64)> = falling
            .iter()
            .map(|f| (self.minute(f.at), f.goal_c, f.tau_min))
            .collect();
        let begin = self.minute(from);
        // What fell before has led there by now.
        let mut next = changes.partition_point(|c| c.0 <= begin);
        let mut in_force = next
            .checked_sub(1)
            .and_then(|i| changes.get(i))
            .map(|&(_, goal, tau)| (goal, tau));
        let mut air = in_force
            .and_then(|(goal, _)| goal)
            .unwrap_or_else(|| own.at(begin));
        let steps = ((PLANNED_FROM_MIN + PLANNED_TO_MIN) / PLANNED_STEP_MIN) as usize;
        let mut points = Vec::with_capacity(steps + 1);
        for k in 0..=steps {
            let at = begin + PLANNED_STEP_MIN * k as f64;
            air = match in_force {
                None => own.at(at),
                Some((goal, tau)) => {
                    let goal = goal.unwrap_or_else(|| own.at(at));
                    goal + (air - goal) * (-PLANNED_STEP_MIN / tau).exp()
                }
            };
            points.push((at, air));
            while let Some(&(_, goal, tau)) = changes
                .get(next)
                .filter(|c| c.0 < at + 0.5 * PLANNED_STEP_MIN)
            {
                in_force = Some((goal, tau));
                next += 1;
            }
        }
        let told = falling
            .into_iter()
            .filter(|f| f.at >= self.now && f.at < self.now.plus_min(2.0 * 1440.0))
            .map(|f| PlannedAir {
                at: f.at,
                air_c: f.goal_c.map(tenth),
            })
            .collect();
        Ok((Course::Points(points), told))
    }

    /// The fridge: the one named, else the only one, else one at 4 °C.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn fridge(
        &self,
        name: Option<&str>,
        stated_c: Option<f64>,
    ) -> Result<(Place, AssumedAir), PlanError> {
        let of_kind = self
            .book()
            .places
            .values()
            .find(|p| p.kind == Some(PlaceKind::Fridge));
        match name.or(of_kind.map(|p| p.name.as_str())) {
            Some(name) => self.place(
                name,
                stated_c.or(if self.book().kind_of(name) == PlaceKind::Fridge {
                    None
                } else {
                    Some(FRIDGE_C)
                }),
            ),
            None => self.place("fridge", Some(stated_c.unwrap_or(FRIDGE_C))),
        }
    }

    /// Once round the day by least squares on hourly means; `None` with too few.
    fn habit_of(&self, place: &str) -> Result<Option<(Course, f64)>, PlanError> {
        let from = self.now.plus_min(-HABIT_DAYS * 1440.0);
        let readings =
            self.sources
                .readings
                .of_place(place, Quantity::AirTemperature, from, self.now)?;
        let mut hours: std::collections::BTreeMap<i64, (f64, f64)> =
            std::collections::BTreeMap::new();
        for r in readings.iter().filter(|r| r.value.is_finite()) {
            let hour = hours
                .entry((self.minute(r.time) / 60.0).floor() as i64)
                .or_default();
            hour.0 += r.value;
            hour.1 += 1.0;
        }
        if hours.len() < LEAST_HOURS {
            return Ok(None);
        }
        let turn = |h: &i64| std::f64::consts::TAU * (*h as f64 + 0.5) / 24.0;
        let columns = vec![
            vec![1.0; hours.len()],
            hours.keys().map(|h| turn(h).cos()).collect(),
            hours.keys().map(|h| turn(h).sin()).collect(),
        ];
        let y: Vec<f64> = hours.values().map(|(sum, n)| sum / n).collect();
        let Some(fit) = ordinary_least_squares(&columns, &y) else {
            return Ok(None);
        };
        let (a, b) = (fit.coefficients[1], fit.coefficients[2]);
        let course = Course::Daily {
            mean_c: fit.coefficients[0],
            swing_c: a.hypot(b),
            warmest_min: b.atan2(a) / std::f64::consts::TAU * 1440.0,
        };
        Ok(Some((course, fit.sigma.clamp(LEAST_SD_C, 4.0))))
    }

    /// The places' names, rooms first.
    #[must_use]
    pub fn place_names(&self) -> Vec<String> {
        let mut names: Vec<(bool, String)> = self
            .book()
            .places
            .keys()
            .map(|n| (self.book().kind_of(n) != PlaceKind::Room, n.clone()))
            .collect();
        names.sort();
        names.into_iter().map(|n| n.1).collect()
    }

    /// A place to bake in when none is named: where this dough last stood, else the first room.
    pub(crate) fn default_place(&self, last: &str) -> String {
        if !last.is_empty() {
            return last.to_owned();
        }
        self.place_names()
            .into_iter()
            .next()
            .unwrap_or_else(|| "kitchen".to_owned())
    }
}

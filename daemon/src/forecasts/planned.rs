//! Changes that a place has planned for its air: which fall when, where they lead, how fast.

use jiff::ToSpan as _;
use jiff::tz::TimeZone;

use super::air::{Sources, UNKNOWN_AIR_C};
use crate::batches::record::{PlaceKind, PlannedChange, Quantity};
use crate::store::Result;
use crate::time::UtcMs;

/// How fast a place's air follows a change, minutes (own choice; what is measured soon after a change
/// takes its place): a heated room, a box or an oven by its lamp, a fridge that warms.
const FOLLOWS_MIN: [f64; 3] = [60.0, 45.0, 90.0];
/// A box or an oven with its lamp on of which nothing is known, °C (baking pages give 24 to 26).
const LAMP_ON_C: f64 = 25.5;
/// Where something switched on leads: this share of the place's readings lies nearer the room.
const SWITCHED_ON: f64 = 0.9;
/// A daily change that began to count longer ago than this is not gone through day by day.
const DAYS: i64 = 400;

/// One change, on a stage's clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// When, minutes since the stage began.
    pub minute: f64,
    /// Where the air heads from then on, °C.
    pub goal_c: f64,
    /// How fast, minutes.
    pub tau_min: f64,
}

/// A change at its moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Falling {
    /// When.
    pub at: UtcMs,
    /// Where to, °C; `None`: to what the place is by itself.
    pub goal_c: Option<f64>,
    /// How fast, minutes.
    pub tau_min: f64,
}

/// When a planned change falls between two moments (`from` included, `to` not).
#[must_use]
pub fn moments(change: &PlannedChange, from: UtcMs, to: UtcMs) -> Vec<UtcMs> {
    if let Some(once) = change.time {
        return if once >= from && once < to {
            vec![once]
        } else {
            Vec::new()
        };
    }
    let from = change.from.map_or(from, |f| f.max(from));
    let Some(clock) = change
        .daily
        .as_deref()
        .and_then(|t| t.parse::<jiff::civil::Time>().ok())
    else {
        return Vec::new();
    };
    let zone = change
        .zone
        .as_deref()
        .and_then(|z| TimeZone::get(z).ok())
        .unwrap_or(TimeZone::UTC);
    let first = from.timestamp().to_zoned_datetime(zone.clone()).date();
    let mut out = Vec::new();
    for days in 0..DAYS {
        let Ok(day) = first.checked_add(days.days()) else {
            break;
        };
        // A clock time that a change of clocks skips or doubles means the usual one of the two.
        let Ok(moment) = day.to_datetime(clock).to_zoned_datetime(zone.clone()) else {
            continue;
        };
        let moment = UtcMs(moment.timestamp().as_millisecond());
        if moment >= to {
            break;
        }
        if moment >= from {
            out.push(moment);
        }
    }
    out
}

/// The air of a place over a while, or what follows from its changes.
pub struct Pull<'a> {
    /// In order of time.
    pub changes: &'a [Change],
    /// Where it heads before the first, °C.
    pub base_c: f64,
    /// How fast, minutes.
    pub base_tau_min: f64,
}

impl Pull<'_> {
    /// The air at `to`, from `air_c` at `from` (minutes).
    #[must_use]
    pub fn step(&self, mut air_c: f64, from: f64, to: f64) -> f64 {
        let next = self.changes.partition_point(|c| c.minute <= from);
        let (mut goal, mut tau) = match next.checked_sub(1).and_then(|i| self.changes.get(i)) {
            Some(c) => (c.goal_c, c.tau_min),
            None => (self.base_c, self.base_tau_min),
        };
        let mut at = from;
        for c in self.changes[next..].iter().take_while(|c| c.minute < to) {
            air_c = goal + (air_c - goal) * (-(c.minute - at) / tau).exp();
            (at, goal, tau) = (c.minute, c.goal_c, c.tau_min);
        }
        goal + (air_c - goal) * (-(to - at).max(0.0) / tau).exp()
    }
}

impl Sources<'_> {
    /// What is planned for a place's air from a moment to another, in order of time; the change in
    /// force at `from` stands first.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn falling(&self, place: &str, from: UtcMs, to: UtcMs) -> Result<Vec<Falling>> {
        let Some(record) = self
            .book
            .places
            .get(place)
            .filter(|p| !p.planned.is_empty())
        else {
            return Ok(Vec::new());
        };
        let kind = self.book.kind_of(place);
        let tau_min = match kind {
            PlaceKind::Room => FOLLOWS_MIN[0],
            PlaceKind::Box | PlaceKind::Oven => FOLLOWS_MIN[1],
            PlaceKind::Fridge => FOLLOWS_MIN[2],
        };
        let mut all = Vec::new();
        for change in &record.planned {
            let goal_c = match (change.air, change.on) {
                (Some(c), _) => Some(c),
                (None, Some(true)) => Some(self.switched_on(place, kind, from)?),
                (None, _) => match kind {
                    PlaceKind::Room => None,
                    _ => Some(self.room(place, from)?),
                },
            };
            // A daily change of yesterday may be in force still; a dated one is however old it is.
            let early = change
                .time
                .map_or_else(|| from.plus_min(-1441.0), |t| t.min(from));
            all.extend(moments(change, early, to).into_iter().map(|at| Falling {
                at,
                goal_c,
                tau_min,
            }));
        }
        all.sort_by_key(|f| f.at);
        let in_force = all.partition_point(|f| f.at <= from).saturating_sub(1);
        all.drain(..in_force);
        Ok(all)
    }

    /// The same on a stage's clock.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn changes(
        &self,
        place: &str,
        start: UtcMs,
        from: UtcMs,
        to: UtcMs,
    ) -> Result<Vec<Change>> {
        let falling = self.falling(place, from, to)?;
        if falling.is_empty() {
            return Ok(Vec::new());
        }
        let usual = self.usual_air(place, from)?.unwrap_or(UNKNOWN_AIR_C);
        Ok(falling
            .into_iter()
            .map(|f| Change {
                minute: f.at.seconds_since(start) / 60.0,
                goal_c: f.goal_c.unwrap_or(usual),
                tau_min: f.tau_min,
            })
            .collect())
    }

    /// Where a place goes when its lamp, heating or cooling is switched on: near the end of its
    /// readings that lies away from its room.
    fn switched_on(&self, place: &str, kind: PlaceKind, before: UtcMs) -> Result<f64> {
        let mut values: Vec<f64> = self
            .readings
            .newest_of_place(place, Quantity::AirTemperature, before, 400)?
            .into_iter()
            .map(|r| r.value)
            .filter(|v| v.is_finite())
            .collect();
        values.sort_by(f64::total_cmp);
        let share = match kind {
            PlaceKind::Fridge => 1.0 - SWITCHED_ON,
            _ => SWITCHED_ON,
        };
        let known = values
            .get(((values.len().max(1) - 1) as f64 * share).round() as usize)
            .copied();
        Ok(known.unwrap_or(match kind {
            PlaceKind::Fridge => super::air::UNKNOWN_FRIDGE_C,
            PlaceKind::Room => UNKNOWN_AIR_C,
            PlaceKind::Box | PlaceKind::Oven => LAMP_ON_C,
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> UtcMs {
        UtcMs::parse(text).expect("a time")
    }

    #[test]
    fn a_daily_change_keeps_its_clock_time_when_clocks_change() {
        // Clocks in Oslo go forward on 29 March 2026: 06:30 is 05:30 UTC before and 04:30 after
        // (IANA time zone database).
        let heating = PlannedChange {
            daily: Some("06:30".into()),
            zone: Some("Europe/Oslo".into()),
            air: Some(22.0),
            ..PlannedChange::default()
        };
        let found = moments(
            &heating,
            at("2026-03-28T00:00:00Z"),
            at("2026-03-30T12:00:00Z"),
        );
        let told: Vec<String> = found.iter().map(ToString::to_string).collect();
        assert_eq!(
            told,
            [
                "2026-03-28T05:30:00Z",
                "2026-03-29T04:30:00Z",
                "2026-03-30T04:30:00Z"
            ]
        );
        let later = PlannedChange {
            from: Some(at("2026-03-29T12:00:00Z")),
            ..heating
        };
        assert_eq!(
            moments(
                &later,
                at("2026-03-28T00:00:00Z"),
                at("2026-03-30T12:00:00Z")
            )
            .len(),
            1
        );
    }

    #[test]
    fn air_is_pulled_from_goal_to_goal() {
        let changes = [Change {
            minute: 60.0,
            goal_c: 24.0,
            tau_min: 30.0,
        }];
        let pull = Pull {
            changes: &changes,
            base_c: 4.0,
            base_tau_min: 60.0,
        };
        assert!((pull.step(4.0, 0.0, 60.0) - 4.0).abs() < 1e-12);
        let half = pull.step(4.0, 0.0, 60.0 + 30.0 * std::f64::consts::LN_2);
        assert!((half - 14.0).abs() < 1e-9, "{half}");
        // In one step or in many.
        let mut c = 4.0;
        for k in 0..40 {
            c = pull.step(c, f64::from(k) * 5.0, f64::from(k + 1) * 5.0);
        }
        assert!((c - pull.step(4.0, 0.0, 200.0)).abs() < 1e-9);
    }

    use crate::forecasts::tests::{KITCHEN, air, bench, t};

    fn with(plan: &str, lines: &str) -> crate::forecasts::document::ForecastDocument {
        let kitchen = KITCHEN.replace(
            r#""name":"shelf","kind":"room""#,
            &format!(r#""name":"shelf","kind":"room","planned":[{plan}]"#),
        );
        bench(&format!("{kitchen}{lines}")).forecast("08:20")
    }

    #[test]
    fn a_heating_hour_to_come_is_counted_on_and_told() {
        let steady = air("shelf", -60, 20, |_| 20.0);
        let none = with("", &steady);
        let heated = with(r#"{"daily":"08:40","air":26}"#, &steady);
        let cooled = with(r#"{"time":"2026-02-01T08:40:00Z","air":15}"#, &steady);
        let ready = |d: &crate::forecasts::document::ForecastDocument| {
            d.ready.p50.expect("soon").seconds_since(t("08:00")) / 60.0
        };
        // The dough lags by an hour and more: half an hour of warmer air near the end saves minutes.
        assert!(
            ready(&heated) + 1.5 < ready(&none),
            "{} {}",
            ready(&heated),
            ready(&none)
        );
        assert!(ready(&cooled) > ready(&none) + 1.5, "{}", ready(&cooled));
        // The scenario: 20 °C until 08:40, then towards 26 °C with an hour's time constant.
        let at = |clock: &str| {
            heated
                .assumed_air_temperature
                .iter()
                .find(|p| p.time == t(clock))
                .expect("in the curve")
                .value
        };
        assert!((at("08:40") - 20.0).abs() < 0.05, "{}", at("08:40"));
        let expected = 26.0 - 6.0 * (-50.0f64 / 60.0).exp();
        assert!(
            (at("09:30") - expected).abs() < 0.05,
            "{} {expected}",
            at("09:30")
        );
        let told = heated.evidence.join(" ");
        assert!(
            told.contains("Planned for shelf at 8:40: heading for 26 °C"),
            "{told}"
        );
        assert_eq!(
            none.ready,
            with(r#"{"time":"2026-01-01T08:40:00Z","on":false}"#, &steady).ready
        );
    }

    #[test]
    fn a_change_underway_leads_on_unless_the_readings_show_nothing_of_it() {
        let warming = air("shelf", -60, 20, |m| {
            if m < -30.0 {
                18.0
            } else {
                24.0 - 6.0 * (-(m + 30.0) / 50.0).exp()
            }
        });
        let plan = r#"{"time":"2026-02-01T07:30:00Z","air":24}"#;
        let followed = with(plan, &warming);
        let last = followed.assumed_air_temperature.last().expect("a curve");
        assert!((last.value - 24.0).abs() < 1.0, "{last:?}");
        assert!(followed.evidence.iter().any(|e| e.contains("underway")));
        let cold = with(plan, &air("shelf", -60, 20, |_| 18.0));
        let last = cold.assumed_air_temperature.last().expect("a curve");
        assert!((last.value - 18.0).abs() < 0.3, "{last:?}");
        assert!(
            cold.evidence
                .iter()
                .any(|e| e.contains("show nothing of it"))
        );
    }

    #[test]
    fn a_retarder_without_a_thermometer_warms_when_it_is_planned_to() {
        let night = r#"
{"record":"place","name":"retarder","kind":"fridge","inside":"shelf","planned":[{"daily":"03:00","air":22},{"daily":"18:00","on":true}]}
{"record":"dough","name":"plum braid","bulk":{"usual_min":90,"at":24}}
{"record":"batch","id":"2026-0001","dough":"plum braid","place":"retarder"}
{"record":"stage","batch":"2026-0001","stage":"bulk","start":"2026-01-31T20:00:00Z","dough_temperature":22}
"#;
        let cold = night.replace(r#"{"daily":"03:00","air":22},"#, "");
        let at = |lines: &str, clock: &str| bench(lines).forecast(clock).dough_temperature.now;
        // Cold by two in the morning either way; warm by eight only where it was planned.
        assert!(at(night, "02:00") < 8.0, "{}", at(night, "02:00"));
        assert!((at(night, "02:00") - at(&cold, "02:00")).abs() < 0.2);
        assert!(at(night, "08:00") > 15.0, "{}", at(night, "08:00"));
        assert!(at(&cold, "08:00") < 6.0, "{}", at(&cold, "08:00"));
        // And the evening before it is counted on.
        let evening = bench(&night.replace("2026-01-31T20", "2026-02-01T00")).forecast("01:00");
        let held = bench(&cold.replace("2026-01-31T20", "2026-02-01T00")).forecast("01:00");
        let p50 = evening.ready.p50.expect("in the morning");
        assert!(
            held.ready.p50.is_none_or(|t| t > p50.plus_min(180.0)),
            "{p50}"
        );
    }
}

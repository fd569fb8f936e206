//! Sensor stuck.
//!
//! **Fires** when a thermometer or a hygrometer has said the very same number for long although
//! something moved: a sensor of the same kind in the same place by at least 2 °C (10 % humidity)
//! and four of the stuck one's own steps, over at least 30 minutes and 20 readings; or its own
//! history says so: it has said the same for 2 hours and 40 readings, and five times as long as it
//! ever stayed within one step of its own in the hours before (six at least, and ten changes).
//! **Clears** when it has changed twice.
//!
//! A coarse sensor in a quiet room says the same for hours and is not stuck: its own quiet
//! stretches, its flicker between two numbers included, are what it is held against. Air that is
//! full of water (99 % and more) says the same because it can say no more. Told to phones only
//! while dough stands there.

use std::collections::BTreeMap;

use serde_json::json;
use smol_str::SmolStr;

use super::{About, Finding, Open, Rule, Severity, Subject};
use crate::batches::record::Quantity;
use crate::store::StoredReading;
use crate::time::{HOUR_MS, MINUTE_MS, UtcMs};
use crate::watch::world::{Input, World};

/// What it is.
pub static ABOUT: About = About {
    name: "sensor_stuck",
    fires: "the very same number for 30 min and 20 readings while another sensor in the place moved by 2 °C (10 % humidity) and four of this one's steps; or for 2 h and 40 readings, and five times as long as it ever kept within one step in at least six hours before",
    clears: "it has changed twice",
    default: "2 °C or 10 % humidity beside it; else five of its own longest quiet stretches",
    why: "a frozen value looks like a steady place; a coarse sensor in a quiet room is held against its own pace",
    severity: Severity::Warning,
    repeats: false,
    tells_over: false,
    expires_min: 4 * 60,
    gives_way_to: &["sensor_fault"],
};

/// The shortest stretch judged against another sensor, ms and readings.
const BESIDE_MS: i64 = 30 * MINUTE_MS;
const BESIDE_READINGS: u32 = 20;
/// How far the other must have moved, in steps of the judged one.
const STEPS: f64 = 4.0;
/// The shortest stretch judged against the sensor's own history, ms and readings.
const ALONE_MS: i64 = 2 * HOUR_MS;
const ALONE_READINGS: u32 = 40;
/// How many times its longest quiet stretch before.
const TIMES: i64 = 5;
/// Changes and hours without which its history says nothing.
const CHANGES: u32 = 10;
const HISTORY_MS: i64 = 6 * HOUR_MS;
/// Changes that end it.
const CLEARS_AFTER: u32 = 2;
/// The step of a sensor that has never been seen to change: as coarse as any.
const UNKNOWN_STEP: f64 = 1.0;
/// Air that is full of water, %.
const FULL_HUMIDITY: f64 = 99.0;

/// One sensor's quantity.
#[derive(Debug, Default)]
struct Series {
    place: Option<SmolStr>,
    value: f64,
    /// Since when, and for how many readings, it has said `value`.
    since: UtcMs,
    readings: u32,
    newest: UtcMs,
    /// Its place among all series.
    number: usize,
    /// What stood in the place beside it meanwhile: lowest and highest, by the other's number.
    beside: Vec<Option<(f64, f64)>>,
    /// Its smallest change ever.
    step: Option<f64>,
    /// When it was first heard here, and how often it changed since.
    first: UtcMs,
    changes: u32,
    /// Since when it has kept within one step, lowest and highest.
    quiet: (UtcMs, f64, f64),
    /// The longest such stretch that ended, ms.
    longest_ms: i64,
    stuck: Option<UtcMs>,
    changed_since_stuck: u32,
}

/// The rule.
#[derive(Debug, Default)]
pub struct SensorStuck {
    series: BTreeMap<(String, Quantity), Series>,
}

/// How far a neighbour must move to count, in the quantity's unit; `None`: not judged. A dough that
/// does not rise and a battery that lasts are no fault.
fn movement(quantity: Quantity) -> Option<f64> {
    match quantity {
        Quantity::AirTemperature | Quantity::SurfaceTemperature => Some(2.0),
        Quantity::Humidity => Some(10.0),
        Quantity::DoughTemperature | Quantity::DoughHeight | Quantity::Battery => None,
    }
}

impl Series {
    fn take(&mut self, r: &StoredReading) {
        let first = self.readings == 0;
        self.newest = r.time;
        // Carried elsewhere: what is said there is another story.
        let carried = self.place != r.place;
        self.place.clone_from(&r.place);
        let change = (r.value - self.value).abs();
        if first || carried {
            (self.first, self.changes, self.longest_ms) = (r.time, 0, 0);
            self.quiet = (r.time, r.value, r.value);
            // What was said of it elsewhere stands until it changes here.
            (self.value, self.since, self.readings) = (r.value, r.time, 1);
            self.beside.clear();
            return;
        }
        if change < f64::EPSILON {
            self.readings += 1;
            return;
        }
        let step = self.step.map_or(change, |s| s.min(change));
        self.step = Some(step);
        self.changes += 1;
        let (began, low, high) = self.quiet;
        let (low, high) = (low.min(r.value), high.max(r.value));
        if high - low > 1.5 * step {
            self.longest_ms = self.longest_ms.max(r.time.0 - began.0);
            self.quiet = (r.time, r.value, r.value);
        } else {
            self.quiet = (began, low, high);
        }
        if self.stuck.is_some() {
            self.changed_since_stuck += 1;
            if self.changed_since_stuck >= CLEARS_AFTER {
                (self.stuck, self.changed_since_stuck) = (None, 0);
                // The frozen stretch was no quiet one of its own.
                (self.first, self.changes, self.longest_ms) = (r.time, 0, 0);
            }
        }
        (self.value, self.since, self.readings) = (r.value, r.time, 1);
        self.beside.clear();
    }

    /// Another in its place said this.
    fn saw(&mut self, other: usize, value: f64) {
        if self.beside.len() <= other {
            self.beside.resize(other + 1, None);
        }
        if let Some(seen) = self.beside.get_mut(other) {
            let (low, high) = seen.unwrap_or((value, value));
            *seen = Some((low.min(value), high.max(value)));
        }
    }

    fn judge(&mut self, quantity: Quantity, moves_by: f64) {
        if self.stuck.is_some() || (quantity == Quantity::Humidity && self.value >= FULL_HUMIDITY) {
            return;
        }
        let stood_ms = self.newest.0 - self.since.0;
        let enough = moves_by.max(STEPS * self.step.unwrap_or(UNKNOWN_STEP));
        let beside = stood_ms >= BESIDE_MS
            && self.readings >= BESIDE_READINGS
            && self
                .beside
                .iter()
                .flatten()
                .any(|(low, high)| high - low >= enough);
        let alone = stood_ms >= ALONE_MS
            && self.readings >= ALONE_READINGS
            && self.changes >= CHANGES
            && self.since.0 - self.first.0 >= HISTORY_MS
            // The stretch it stands in began as a quiet one of its own.
            && stood_ms >= TIMES * self.longest_ms.max(self.since.0 - self.quiet.0.0);
        if beside || alone {
            self.stuck = Some(self.since);
        }
    }
}

impl SensorStuck {
    fn series(&mut self, sensor: &str, quantity: Quantity) -> &mut Series {
        let number = self.series.len();
        let key = (sensor.to_owned(), quantity);
        self.series.entry(key).or_insert_with(|| Series {
            number,
            ..Series::default()
        })
    }
}

impl Rule for SensorStuck {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        let Input::Readings(readings) = input else {
            return;
        };
        for r in readings.iter().filter(|r| r.kept_out.is_none()) {
            let Some(moves_by) = movement(r.quantity) else {
                continue;
            };
            let series = self.series(&r.sensor, r.quantity);
            if !world.is_news(r) || r.time < series.newest {
                continue;
            }
            series.take(r);
            series.judge(r.quantity, moves_by);
            let number = series.number;
            for ((_, quantity), other) in &mut self.series {
                if *quantity == r.quantity && other.number != number && other.place == r.place {
                    other.saw(number, r.value);
                }
            }
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for ((sensor, quantity), series) in &self.series {
            let Some(since) = series.stuck else { continue };
            let mut subject = Subject::sensor(sensor);
            subject.other = Some(quantity.as_str().into());
            let mut finding = Finding::new(&ABOUT, subject, since);
            let dough_there = series
                .place
                .as_ref()
                .is_some_and(|p| !world.standing_in(p).is_empty());
            if !dough_there {
                finding.severity = Severity::Note;
            }
            finding.pushed = dough_there;
            finding.place = series.place.as_ref().map(ToString::to_string);
            finding.link = "/sensors".into();
            let said = if *quantity == Quantity::Humidity {
                format!("{:.0} %", series.value)
            } else {
                world.say.degrees(series.value)
            };
            finding.title = format!("Sensor {sensor} seems stuck at {said}");
            finding.text = format!(
                "The same since {}. Warm it in your hand: if it does not move, unplug it or change \
                 its battery.",
                world.say.clock(since, world.now)
            );
            finding.over = format!("Sensor {sensor} moves again.");
            finding.memory = json!({ "quantity": quantity.as_str(), "value": series.value });
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        let quantity = open.memory["quantity"]
            .as_str()
            .and_then(Quantity::from_name);
        if let (Some(sensor), Some(quantity)) = (&open.subject.sensor, quantity) {
            let series = self.series(sensor, quantity);
            series.stuck = Some(open.began);
            if series.readings == 0 {
                series.value = open.memory["value"].as_f64().unwrap_or_default();
                series.readings = 1;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::watch::timeline::Timeline;

    /// Two sensors in a box, a reading a minute each; `values` gives what they say at a minute.
    fn two(minutes: usize, values: impl Fn(f64) -> (f64, f64)) -> Timeline {
        let mut t = Timeline::knots_in("box");
        t.tick_ms = 20_000;
        t.sensor("probe", "nook", 60.0);
        t.sensor("other", "nook", 60.0);
        for minute in 0..minutes {
            let (probe, other) = values(minute as f64);
            t.air("probe", probe);
            t.air("other", other);
            t.until(minute as f64 + 1.0);
        }
        t
    }

    #[test]
    fn a_value_that_stands_while_the_one_beside_it_moves_is_told_once() {
        let mut t = two(45, |m| {
            (if m < 5.0 { 24.0 + 0.1 * m } else { 24.5 }, 24.0 + 0.1 * m)
        });
        assert_eq!(t.pushes(), ["sensor_stuck raised"]);
        assert_eq!(
            t.holding("sensor_stuck")[0].subject.sensor.as_deref(),
            Some("probe")
        );
        t.restart();
        t.air("probe", 24.5);
        assert_eq!(t.holding("sensor_stuck").len(), 1);
        // One change is a twitch; two are a sensor that lives.
        t.until(46.0);
        t.air("probe", 24.7);
        assert_eq!(t.holding("sensor_stuck").len(), 1);
        t.until(47.0);
        t.air("probe", 24.9);
        assert!(t.holding("sensor_stuck").is_empty());
    }

    #[test]
    fn a_coarse_sensor_in_a_slowly_warming_box_is_not_stuck() {
        // Whole degrees beside tenths: 1.8 °C in an hour.
        let t = two(120, |m| {
            let air_c = 24.0 + 0.03 * m;
            (air_c.round(), air_c)
        });
        assert!(t.holding("sensor_stuck").is_empty() && t.pushes().is_empty());
    }

    /// Alone in a room for fourteen hours: one value a minute.
    fn alone(air_c: impl Fn(f64) -> f64) -> Timeline {
        let mut t = Timeline::new(r#"{"record":"place","name":"nook","kind":"room"}"#);
        t.tick_ms = 60_000;
        t.sensor("probe", "nook", 60.0);
        for minute in 0..840 {
            t.air("probe", air_c(f64::from(minute)));
            t.until(f64::from(minute) + 1.0);
        }
        t
    }

    #[test]
    fn a_lively_sensor_that_freezes_is_found_by_its_own_history_and_wakes_no_one() {
        let lively = |m: f64| ((21.0 + 0.3 * (m / 5.0).sin()) * 10.0).round() / 10.0;
        let t = alone(|m| if m < 400.0 { lively(m) } else { 21.2 });
        assert_eq!(t.holding("sensor_stuck").len(), 1);
        assert!(t.pushes().is_empty());
        assert!(alone(lively).holding("sensor_stuck").is_empty());
    }

    #[test]
    fn a_coarse_sensor_is_held_against_its_own_quiet_stretches() {
        // Whole degrees: a flicker at the edge of one for half the night, then seven hours on it.
        let t = alone(|m| if m < 400.0 { 20.0 + m % 2.0 } else { 21.0 });
        assert!(t.holding("sensor_stuck").is_empty());
    }

    #[test]
    fn air_full_of_water_can_say_no_more() {
        let mut t = Timeline::knots_in("box");
        t.tick_ms = 60_000;
        t.sensor("probe", "nook", 60.0);
        t.sensor("other", "nook", 60.0);
        for minute in 0..60 {
            let humidity = crate::batches::record::Quantity::Humidity;
            t.reading("probe", humidity, 100.0, None);
            t.reading("other", humidity, 60.0 + f64::from(minute) / 2.0, None);
            t.until(f64::from(minute) + 1.0);
        }
        assert!(t.holding("sensor_stuck").is_empty());
    }
}

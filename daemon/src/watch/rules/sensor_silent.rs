//! Sensor silent.
//!
//! **Fires** when a sensor has not been heard for two of its own longest normal gaps (configured
//! or measured). **Clears** when it is heard again. A fridge's sensor is shown and wakes no one: a
//! night in the cold has time. Several that fall silent together are one message that names them,
//! and those lost with the broker are told of by the broker's. After a start, and after the clock
//! was set, ages count from there.

use std::collections::BTreeMap;

use serde_json::json;

use super::{About, Finding, Open, Rule, Severity, Subject};
use crate::batches::record::PlaceKind;
use crate::time::UtcMs;
use crate::watch::world::{Input, SensorFacts, World};

/// What it is.
pub static ABOUT: About = About {
    name: "sensor_silent",
    fires: "not heard for two of the sensor's own longest normal gaps",
    clears: "heard again",
    default: "the gap that is configured, else measured; several together are one message",
    why: "a forecast without readings guesses, and no other rule can speak for that place",
    severity: Severity::Warning,
    repeats: true,
    tells_over: true,
    expires_min: 12 * 60,
    gives_way_to: &[],
};

/// Gaps after which a sensor is silent.
pub const GAPS: f64 = 2.0;
/// Gaps after which a sensor is late enough to be named in a message about others.
const LATE_GAPS: f64 = 1.5;
/// A sensor that falls silent so soon after a group did joins it, ms.
const JOIN_MS: i64 = 10 * 60_000;

#[derive(Clone, Debug, PartialEq)]
enum With {
    Nobody,
    /// A group, known by when it began.
    Group(UtcMs),
    /// The broker.
    Broker,
}

#[derive(Clone, Debug)]
struct Silence {
    /// When it was last heard.
    began: UtcMs,
    with: With,
}

/// The rule.
#[derive(Debug, Default)]
pub struct SensorSilent {
    silent: BTreeMap<String, Silence>,
    /// Members with when each was last heard, by when the group began.
    groups: BTreeMap<UtcMs, Vec<(String, UtcMs)>>,
}

/// For how many of its gaps a sensor has not been heard.
fn gaps_late(world: &World, sensor: &SensorFacts) -> Option<f64> {
    let gap_s = sensor.longest_gap_s.filter(|g| *g > 0.0)?;
    let from = sensor.last_heard?.max(world.since);
    Some(world.now.seconds_since(from) / gap_s)
}

impl SensorSilent {
    /// Ids of the sensors' alerts that the broker's stands for.
    fn id_of(sensor: &str, began: UtcMs) -> String {
        Finding::new(&ABOUT, Subject::sensor(sensor), began).id()
    }

    fn hear(&mut self, world: &World) {
        // Just after a start the list may not be complete yet.
        let starting = world.now.0 - world.since.0 < 60_000;
        self.silent.retain(|name, silence| {
            match world.sensors.iter().find(|s| s.sensor == *name) {
                Some(sensor) => sensor.last_heard.is_none_or(|heard| heard <= silence.began),
                None => starting,
            }
        });
        let silent = &self.silent;
        self.groups.retain(|began, members| {
            members
                .iter()
                .any(|(m, _)| silent.get(m).is_some_and(|s| s.with == With::Group(*began)))
        });
    }

    fn judge(&mut self, world: &World) {
        // The broker is back and these are still silent: they speak for themselves.
        if world.around.broker_ready {
            for silence in self.silent.values_mut() {
                if silence.with == With::Broker {
                    silence.with = With::Nobody;
                }
            }
        }
        let late = |limit: f64| -> Vec<(String, UtcMs)> {
            world
                .sensors
                .iter()
                .filter(|s| !self.silent.contains_key(&s.sensor))
                .filter(|s| gaps_late(world, s).is_some_and(|gaps| gaps >= limit))
                .filter_map(|s| Some((s.sensor.clone(), s.last_heard?)))
                .collect()
        };
        let silent_now = late(GAPS);
        if silent_now.is_empty() {
            return;
        }
        let (with, joining) = if !world.around.broker_ready {
            (With::Broker, late(LATE_GAPS))
        } else if let Some(group) = self
            .groups
            .keys()
            .next_back()
            .filter(|began| world.now.0 - began.0 <= JOIN_MS)
        {
            (With::Group(*group), silent_now)
        } else {
            let together = late(LATE_GAPS);
            if together.len() > 1 {
                (With::Group(world.now), together)
            } else {
                (With::Nobody, silent_now)
            }
        };
        for (sensor, began) in joining {
            if let With::Group(group) = with {
                self.groups
                    .entry(group)
                    .or_default()
                    .push((sensor.clone(), began));
            }
            self.silent.insert(
                sensor,
                Silence {
                    began,
                    with: with.clone(),
                },
            );
        }
    }

    fn one(&self, world: &World, name: &str, silence: &Silence) -> Finding {
        let mut finding = Finding::new(&ABOUT, Subject::sensor(name), silence.began);
        finding.link = "/sensors".into();
        finding.place = world
            .sensors
            .iter()
            .find(|s| s.sensor == name)
            .and_then(|s| s.place.clone());
        let standing = finding
            .place
            .as_ref()
            .map(|p| world.standing_in(p))
            .unwrap_or_default();
        let fridge = finding
            .place
            .as_ref()
            .is_some_and(|p| world.book.kind_of(p) == PlaceKind::Fridge);
        if standing.is_empty() || fridge {
            finding.severity = Severity::Note;
        }
        finding.pushed = !fridge && silence.with == With::Nobody;
        finding.title = format!("Sensor {name} is silent");
        finding.text = format!(
            "Last heard {}. Battery, reach, plug?{}",
            world.say.clock(silence.began, world.now),
            if standing.is_empty() {
                ""
            } else {
                " The forecast guesses until it is back."
            }
        );
        finding.over = format!("Sensor {name} is heard again.");
        finding.memory = json!({
            "with": match silence.with {
                With::Nobody => json!(null),
                With::Broker => json!("broker"),
                With::Group(began) => json!(began),
            }
        });
        finding
    }
}

impl Rule for SensorSilent {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        match input {
            Input::Sensors(_) => self.hear(world),
            Input::Tick => self.judge(world),
            _ => {}
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found: Vec<Finding> = self
            .silent
            .iter()
            .map(|(name, silence)| self.one(world, name, silence))
            .collect();
        for (began, members) in &self.groups {
            let names: Vec<&str> = members.iter().map(|(m, _)| m.as_str()).collect();
            let mut finding = Finding::new(
                &ABOUT,
                Subject {
                    other: Some(format!("group {}", began.0)),
                    ..Subject::default()
                },
                *began,
            );
            let singles: Vec<Finding> = members
                .iter()
                .filter_map(|(m, _)| Some(self.one(world, m, self.silent.get(m)?)))
                .collect();
            finding.severity = singles
                .iter()
                .map(|f| f.severity)
                .max()
                .unwrap_or(Severity::Note);
            finding.link = "/sensors".into();
            finding.title = format!("{} sensors are silent", names.len());
            finding.text = format!(
                "{}. Something they share: plug, hub, network?",
                super::capital(&world.say.list(&names))
            );
            finding.over = "They are heard again.".into();
            finding.includes = members
                .iter()
                .map(|(m, heard)| Self::id_of(m, *heard))
                .collect();
            finding.memory = json!({ "members": members });
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        if let Some(name) = &open.subject.sensor {
            let with = match &open.memory["with"] {
                serde_json::Value::String(s) if s == "broker" => With::Broker,
                other => serde_json::from_value(other.clone()).map_or(With::Nobody, With::Group),
            };
            self.silent.insert(
                name.clone(),
                Silence {
                    began: open.began,
                    with,
                },
            );
        } else {
            let members = open.memory.get("members").cloned().unwrap_or_default();
            self.groups.insert(
                open.began,
                serde_json::from_value(members).unwrap_or_default(),
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::watch::timeline::Timeline;

    #[test]
    fn two_gaps_of_silence_are_told_once_and_so_is_the_return() {
        let mut t = Timeline::knots_in("box");
        t.sensor("probe", "nook", 30.0);
        t.air_while("probe", 30.0, 10.0, |_| 25.0);
        t.until(10.4);
        assert!(t.pushes().is_empty());
        t.until(20.0);
        assert_eq!(t.pushes(), ["sensor_silent raised"]);
        let told = t.first("sensor_silent", "raised").unwrap();
        // Last heard at 9:30, so silent from 10:30.
        assert!((10.5..10.6).contains(&told.min), "{}", told.min);
        t.restart();
        t.until(25.0);
        assert_eq!(t.pushes().len(), 1);
        t.air("probe", 25.0);
        t.until(25.1);
        assert_eq!(
            t.pushes(),
            ["sensor_silent raised", "sensor_silent cleared"]
        );
    }

    #[test]
    fn a_sensor_that_keeps_its_own_slow_pace_is_not_silent() {
        let mut t = Timeline::knots_in("box");
        t.sensor("probe", "nook", 300.0);
        t.air_while("probe", 300.0, 120.0, |_| 25.0);
        assert!(t.pushes().is_empty());
    }

    #[test]
    fn a_fridge_wakes_no_one() {
        let mut t = Timeline::knots_in("fridge");
        t.sensor("probe", "nook", 30.0);
        t.until(60.0);
        assert!(t.pushes().is_empty());
        assert_eq!(t.holding("sensor_silent").len(), 1);
    }

    #[test]
    fn several_at_once_are_one_message_that_lists_the_others() {
        let mut t = Timeline::knots_in("box");
        for k in 0..8 {
            t.sensor(&format!("probe {k}"), "nook", 30.0 + f64::from(k));
        }
        t.until(30.0);
        assert_eq!(t.pushes(), ["sensor_silent raised"]);
        let doc = &t.told.iter().find(|m| m.pushed).unwrap().doc;
        let includes = doc["includes"].as_array().unwrap();
        assert_eq!(includes.len(), 8);
        for id in includes {
            assert!(t.rows.iter().any(|r| r.id == *id.as_str().unwrap()));
            assert_ne!(*id, doc["id"]);
        }
        // Nobody saw it: the group alone repeats.
        t.until(70.0);
        assert_eq!(
            t.pushes(),
            [
                "sensor_silent raised",
                "sensor_silent repeated",
                "sensor_silent repeated"
            ]
        );
    }

    #[test]
    fn nothing_more_is_said_of_a_place_whose_sensor_is_silent() {
        let mut t = Timeline::knots_in("box");
        t.sensor("probe", "nook", 30.0);
        t.air_while("probe", 30.0, 10.0, |_| 31.0);
        assert_eq!(t.pushes_of("too_hot"), ["too_hot raised"]);
        t.until(80.0);
        assert_eq!(t.pushes_of("too_hot"), ["too_hot raised"]);
        assert_eq!(t.pushes_of("sensor_silent")[0], "sensor_silent raised");
    }

    #[test]
    fn after_a_start_the_age_counts_from_there() {
        let mut t = Timeline::knots_in("box");
        t.sensor("probe", "nook", 60.0);
        t.now = t.now.plus_min(600.0);
        t.see(&super::Input::Afresh);
        t.until(601.5);
        assert!(t.pushes_of("sensor_silent").is_empty());
        t.until(602.5);
        assert_eq!(t.pushes_of("sensor_silent"), ["sensor_silent raised"]);
    }
}

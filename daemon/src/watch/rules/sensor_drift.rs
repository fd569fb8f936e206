//! Sensor drift.
//!
//! **Fires** when a sensor reads 0.8 °C more or less against those beside it than it used to: over
//! the last day, hour by hour, its difference from the median of the others in the place, less what
//! that difference was in earlier hours in which the others read about the same (so that a lamp
//! which warms one of them more is no drift). **Clears** under 0.5 °C. A note on the sensor's page,
//! never pushed: nothing is lost tonight. Looked at a few times a day from the stored hours.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::json;

use super::{About, Finding, Open, Rule, Severity, Subject};
use crate::time::UtcMs;
use crate::watch::world::{Input, World};

/// What it is.
pub static ABOUT: About = About {
    name: "sensor_drift",
    fires: "against the other thermometers in its place it has read 0.8 °C more or less for a day than in earlier hours at the same temperature (a note on the sensor's page, not pushed)",
    clears: "under 0.5 °C",
    default: "0.8 °C over 6 shared hours, against up to three weeks before",
    why: "a probe that slips out of its place or ages shifts every forecast a little",
    severity: Severity::Note,
    repeats: false,
    tells_over: false,
    expires_min: 60,
    gives_way_to: &[],
};

/// A shift from which it fires, and under which it clears, °C.
const FIRES_C: f64 = 0.8;
const CLEARS_C: f64 = 0.5;
/// The last hours, ms.
const RECENT_MS: i64 = 24 * crate::time::HOUR_MS;
/// Hours without which nothing is said: recent ones, and earlier ones for each of them.
const HOURS: usize = 6;
/// So near is "about the same temperature", °C.
const ALIKE_C: f64 = 1.5;

/// One sensor beside others: the hours in which both it and they were heard.
#[derive(Clone, Debug, PartialEq)]
pub struct Beside {
    /// The sensor.
    pub sensor: String,
    /// Those beside it.
    pub others: Vec<String>,
    /// Where they stand.
    pub place: String,
    /// Hour, its mean and the median of the others' means, °C; in order of time.
    pub hours: Vec<(UtcMs, f64, f64)>,
}

/// The hours of one place's thermometers, `means` by sensor, laid beside each other. Of two sensors
/// one is enough: nobody can tell which of them it is.
#[must_use]
pub fn beside(place: &str, means: &BTreeMap<String, BTreeMap<UtcMs, f64>>) -> Vec<Beside> {
    let judged = if means.len() == 2 { 1 } else { means.len() };
    let mut all = Vec::new();
    for (sensor, own) in means.iter().take(judged) {
        let others: Vec<&String> = means.keys().filter(|n| *n != sensor).collect();
        let hours = own
            .iter()
            .filter_map(|(hour, mean)| {
                let theirs = others.iter().filter_map(|n| means[*n].get(hour).copied());
                Some((*hour, *mean, median(theirs.collect())?))
            })
            .collect();
        all.push(Beside {
            sensor: sensor.clone(),
            others: others.into_iter().cloned().collect(),
            place: place.to_owned(),
            hours,
        });
    }
    all
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    (n > 0).then(|| f64::midpoint(values[(n - 1) / 2], values[n / 2]))
}

impl Beside {
    /// How much more it reads against the others than it used to, °C; `None`: too little to tell.
    #[must_use]
    pub fn shift_c(&self) -> Option<f64> {
        let newest = self.hours.last()?.0;
        let split = |t: UtcMs| newest.0 - t.0 < RECENT_MS;
        let shifts: Vec<f64> = self
            .hours
            .iter()
            .filter(|(t, ..)| split(*t))
            .filter_map(|(_, own, theirs)| {
                let before: Vec<f64> = self
                    .hours
                    .iter()
                    .filter(|(t, _, then)| !split(*t) && (then - theirs).abs() <= ALIKE_C)
                    .map(|(_, own, then)| own - then)
                    .collect();
                (before.len() >= HOURS).then_some(own - theirs - median(before)?)
            })
            .collect();
        (shifts.len() >= HOURS).then_some(median(shifts)?)
    }
}

#[derive(Debug)]
struct Drift {
    began: UtcMs,
    shift_c: f64,
    others: Vec<String>,
    place: Option<String>,
}

/// The rule.
#[derive(Debug, Default)]
pub struct SensorDrift {
    drifting: BTreeMap<String, Drift>,
}

impl Rule for SensorDrift {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        let Input::Beside(all) = input else { return };
        let known: BTreeSet<&String> = all.iter().map(|b| &b.sensor).collect();
        self.drifting.retain(|sensor, _| known.contains(sensor));
        for b in all {
            let Some(shift_c) = b.shift_c() else { continue };
            if shift_c.abs() < CLEARS_C {
                self.drifting.remove(&b.sensor);
            } else if shift_c.abs() >= FIRES_C || self.drifting.contains_key(&b.sensor) {
                let began = self.drifting.get(&b.sensor).map_or(world.now, |d| d.began);
                self.drifting.insert(
                    b.sensor.clone(),
                    Drift {
                        began,
                        shift_c,
                        others: b.others.clone(),
                        place: Some(b.place.clone()),
                    },
                );
            }
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for (sensor, drift) in &self.drifting {
            let mut finding = Finding::new(&ABOUT, Subject::sensor(sensor), drift.began);
            finding.pushed = false;
            finding.place.clone_from(&drift.place);
            finding.link = "/sensors".into();
            finding.title = format!(
                "Sensor {sensor} reads {} {} than it used to beside {}",
                world.say.difference(drift.shift_c.abs()),
                if drift.shift_c > 0.0 { "more" } else { "less" },
                world.say.list(&drift.others)
            );
            finding.text = "One of them was moved or goes wrong. Hold a thermometer you trust \
                            beside each, and correct the one that is off."
                .into();
            finding.memory = json!({ "shift_c": drift.shift_c, "others": drift.others });
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        if let Some(sensor) = &open.subject.sensor {
            let others = open.memory.get("others").cloned().unwrap_or_default();
            self.drifting.insert(
                sensor.clone(),
                Drift {
                    began: open.began,
                    shift_c: open.memory["shift_c"].as_f64().unwrap_or_default(),
                    others: serde_json::from_value(others).unwrap_or_default(),
                    place: None,
                },
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::beside;
    use crate::time::HOUR_MS;
    use crate::watch::timeline::{Timeline, minute};
    use crate::watch::world::Input;

    /// Ten days of hours: a room that swings by 3 °C a day, four lamp-lit hours a day in which the
    /// probe is 1.5 °C warmer than the other, and what is added to the probe at an hour.
    fn told(added_c: impl Fn(i64) -> f64) -> Timeline {
        let mut means: BTreeMap<String, BTreeMap<_, f64>> = BTreeMap::new();
        for hour in 0..240_i64 {
            let at = minute(0.0).plus_ms((hour - 240) * HOUR_MS);
            let lit = hour % 24 >= 18 && hour % 24 < 22;
            let room_c = 21.0 + 1.5 * (hour as f64 / 24.0 * std::f64::consts::TAU).sin();
            let other_c = room_c + if lit { 7.0 } else { 0.0 };
            let probe_c = other_c + if lit { 1.5 } else { 0.2 } + added_c(hour);
            means.entry("probe".into()).or_default().insert(at, probe_c);
            means.entry("other".into()).or_default().insert(at, other_c);
        }
        let mut t = Timeline::knots_in("oven");
        t.see(&Input::Beside(beside("nook", &means)));
        t
    }

    #[test]
    fn a_probe_that_reads_more_than_it_used_to_is_noted_on_its_page() {
        let mut t = told(|hour| if hour < 210 { 0.0 } else { 1.0 });
        let found = t.holding("sensor_drift");
        assert_eq!(found.len(), 1);
        // Of two nobody knows which: the first by name speaks for both.
        assert!(found[0].title.contains("1 °C less"), "{}", found[0].title);
        assert!(t.pushes().is_empty());
        t.restart();
        assert_eq!(t.holding("sensor_drift").len(), 1);
        t.see(&Input::Beside(beside("nook", &BTreeMap::new())));
        assert!(t.holding("sensor_drift").is_empty());
    }

    #[test]
    fn a_lamp_that_warms_one_more_and_a_small_shift_are_none() {
        assert!(told(|_| 0.0).holding("sensor_drift").is_empty());
        assert!(
            told(|hour| if hour < 210 { 0.0 } else { 0.6 })
                .holding("sensor_drift")
                .is_empty()
        );
    }

    #[test]
    fn of_three_the_one_that_moved_is_named() {
        let mut means: BTreeMap<String, BTreeMap<_, f64>> = BTreeMap::new();
        for hour in 0..120_i64 {
            let at = minute(0.0).plus_ms((hour - 120) * HOUR_MS);
            for (sensor, c) in [
                ("a", 21.0),
                ("b", if hour < 90 { 21.3 } else { 19.9 }),
                ("c", 21.1),
            ] {
                means.entry(sensor.into()).or_default().insert(at, c);
            }
        }
        let mut t = Timeline::knots_in("box");
        t.see(&Input::Beside(beside("nook", &means)));
        let found = t.holding("sensor_drift");
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].subject.sensor.as_deref(), Some("b"));
        assert!(found[0].title.contains("1.4 °C less"), "{}", found[0].title);
    }
}

//! Battery low.
//!
//! **Fires** when a sensor's battery reads under 15 %. **Clears** above 25 % (a new one). A note,
//! told once, before a bake depends on it. Kept over restarts like every alert.

use std::collections::BTreeMap;

use serde_json::json;

use super::{About, Finding, Open, Rule, Severity, Subject};
use crate::batches::record::Quantity;
use crate::time::UtcMs;
use crate::watch::world::{Input, World};

/// What it is.
pub static ABOUT: About = About {
    name: "battery_low",
    fires: "a sensor's battery reads under 15 %",
    clears: "it reads over 25 %",
    default: "15 % and 25 %",
    why: "a warning before it dies, not in the middle of a proof",
    severity: Severity::Note,
    repeats: false,
    tells_over: false,
    expires_min: 24 * 60,
    gives_way_to: &[],
};

/// Charge under which it fires, %.
const LOW: f64 = 15.0;
/// Charge over which it clears, %.
const CLEAR: f64 = 25.0;

/// The rule.
#[derive(Debug, Default)]
pub struct BatteryLow {
    low: BTreeMap<String, (UtcMs, f64)>,
}

impl Rule for BatteryLow {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        let Input::Readings(readings) = input else {
            return;
        };
        for r in readings
            .iter()
            .filter(|r| r.quantity == Quantity::Battery && r.kept_out.is_none() && world.is_news(r))
        {
            if r.value < LOW {
                let entry = self.low.entry(r.sensor.to_string());
                entry.or_insert((r.time, r.value)).1 = r.value;
            } else if r.value > CLEAR {
                self.low.remove(r.sensor.as_str());
            }
        }
    }

    fn findings(&self, _world: &World) -> Vec<Finding> {
        self.low
            .iter()
            .map(|(sensor, (began, charge))| {
                let mut finding = Finding::new(&ABOUT, Subject::sensor(sensor), *began);
                finding.link = "/sensors".into();
                finding.title = format!("Sensor {sensor}: battery low");
                finding.text = format!("{charge:.0} % left. Change it before the next bake.");
                finding.memory = json!({ "charge": charge });
                finding
            })
            .collect()
    }

    fn resume(&mut self, open: &Open<'_>) {
        if let Some(sensor) = &open.subject.sensor {
            let charge = open.memory["charge"].as_f64().unwrap_or(LOW);
            self.low.insert(sensor.clone(), (open.began, charge));
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::batches::record::Quantity;
    use crate::watch::timeline::Timeline;

    #[test]
    fn a_battery_that_wavers_about_the_level_is_told_once() {
        let mut t = Timeline::knots_in("box");
        for charge in [40.0, 16.0, 14.0, 16.0, 14.0, 20.0, 13.0] {
            t.reading("probe", Quantity::Battery, charge, None);
        }
        t.restart();
        t.reading("probe", Quantity::Battery, 12.0, None);
        assert_eq!(t.pushes(), ["battery_low raised"]);
        t.reading("probe", Quantity::Battery, 100.0, None);
        assert!(t.holding("battery_low").is_empty());
    }

    #[test]
    fn a_good_battery_says_nothing() {
        let mut t = Timeline::knots_in("box");
        t.reading("probe", Quantity::Battery, 15.0, None);
        assert!(t.pushes().is_empty());
    }
}

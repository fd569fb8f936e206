//! Sensor fault.
//!
//! **Fires** when three readings in a row of one sensor's quantity could not be believed (not a
//! number, out of range, a probe's error code, jumps that nothing confirms). **Clears** when three
//! in a row can. The values stay viewable on the sensor's page.

use std::collections::BTreeMap;

use serde_json::json;
use smol_str::SmolStr;

use super::{About, Finding, Open, Rule, Severity, Subject};
use crate::batches::record::Quantity;
use crate::store::KeptOut;
use crate::time::UtcMs;
use crate::watch::world::{Input, World};

/// What it is.
pub static ABOUT: About = About {
    name: "sensor_fault",
    fires: "three readings in a row of one sensor could not be believed",
    clears: "three in a row could",
    default: "three",
    why: "a broken probe is not a reading, and the forecast goes without it",
    severity: Severity::Warning,
    repeats: false,
    tells_over: true,
    expires_min: 12 * 60,
    gives_way_to: &["oven_on"],
};

/// Readings in a row.
const IN_A_ROW: u32 = 3;

#[derive(Debug, Default)]
struct Row {
    bad: u32,
    good: u32,
    fault_since: Option<UtcMs>,
    why: &'static str,
}

/// The rule.
#[derive(Debug, Default)]
pub struct SensorFault {
    rows: BTreeMap<(SmolStr, Quantity), Row>,
}

impl Rule for SensorFault {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        let Input::Readings(readings) = input else {
            return;
        };
        for r in readings.iter().filter(|r| world.is_news(r)) {
            let row = self.rows.entry((r.sensor.clone(), r.quantity)).or_default();
            match r.kept_out {
                // These say something of the clock or the network, not of the probe.
                Some(KeptOut::Future | KeptOut::UnknownTime | KeptOut::Other) => {}
                Some(why) => {
                    row.good = 0;
                    row.bad += 1;
                    row.why = match why {
                        KeptOut::NotANumber => "no number",
                        KeptOut::ProbeFault => "the probe's error code",
                        KeptOut::LoneJump => "jumps",
                        _ => "values that cannot be",
                    };
                    if row.bad >= IN_A_ROW && row.fault_since.is_none() {
                        row.fault_since = Some(r.time);
                    }
                }
                None => {
                    row.bad = 0;
                    row.good += 1;
                    if row.good >= IN_A_ROW {
                        row.fault_since = None;
                    }
                }
            }
        }
    }

    fn findings(&self, _world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for ((sensor, quantity), row) in &self.rows {
            let Some(since) = row.fault_since else {
                continue;
            };
            let mut subject = Subject::sensor(sensor);
            subject.other = Some(quantity.as_str().into());
            let mut finding = Finding::new(&ABOUT, subject, since);
            finding.link = "/sensors".into();
            finding.title = format!("Sensor {sensor}: fault");
            finding.text = format!(
                "It sends {}. Plug, cable, probe? It is left out until it makes sense.",
                row.why
            );
            finding.over = format!("Sensor {sensor} makes sense again.");
            finding.memory = json!({ "quantity": quantity.as_str() });
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        let quantity = open.memory["quantity"]
            .as_str()
            .and_then(Quantity::from_name);
        if let (Some(sensor), Some(quantity)) = (&open.subject.sensor, quantity) {
            let row = self
                .rows
                .entry((sensor.as_str().into(), quantity))
                .or_default();
            row.fault_since = Some(open.began);
            row.why = "values that cannot be";
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::batches::record::Quantity;
    use crate::store::KeptOut;
    use crate::watch::timeline::Timeline;

    fn send(t: &mut Timeline, value: f64, why: Option<KeptOut>) {
        t.reading("probe", Quantity::AirTemperature, value, why);
    }

    #[test]
    fn three_in_a_row_are_told_once_and_three_good_ones_end_it() {
        let mut t = Timeline::knots_in("box");
        t.sensor("probe", "nook", 30.0);
        for _ in 0..6 {
            send(&mut t, -127.0, Some(KeptOut::ProbeFault));
        }
        assert_eq!(t.pushes(), ["sensor_fault raised"]);
        for _ in 0..3 {
            send(&mut t, 25.0, None);
        }
        assert_eq!(t.pushes(), ["sensor_fault raised", "sensor_fault cleared"]);
    }

    #[test]
    fn two_bad_ones_at_a_time_are_no_fault() {
        let mut t = Timeline::knots_in("box");
        t.sensor("probe", "nook", 30.0);
        for _ in 0..5 {
            send(&mut t, 85.0, Some(KeptOut::ProbeFault));
            send(&mut t, f64::NAN, Some(KeptOut::NotANumber));
            send(&mut t, 25.0, None);
        }
        assert!(t.pushes().is_empty());
    }
}

//! Too slow to warn of the oven.
//!
//! A mark, shown on the page and at the start of a batch, never pushed. **Holds** while dough
//! stands in an oven place whose fastest air sensor may be more than 30 s between readings, or
//! which has none at all.

use super::{About, Finding, Rule, Severity, Subject};
use crate::batches::record::PlaceKind;
use crate::watch::world::{Input, World};

/// What it is.
pub static ABOUT: About = About {
    name: "too_slow_for_oven",
    fires: "dough stands in an oven place whose fastest air sensor is slower than 30 s, or which has none (shown, not pushed)",
    clears: "a faster sensor stands there, or no dough does",
    default: "30 s",
    why: "“the oven has come on” needs two readings",
    severity: Severity::Note,
    repeats: false,
    tells_over: false,
    expires_min: 60,
    gives_way_to: &[],
};

/// The slowest pace that warns in time, s.
pub const SLOWEST_S: f64 = 30.0;

/// The rule; it remembers nothing.
#[derive(Debug, Default)]
pub struct TooSlowForOven;

/// Whether an oven place's air sensors, given their longest gaps, are too slow to warn of the oven
/// (`None`: the pace is not known yet).
#[must_use]
pub fn too_slow(gaps: &[Option<f64>]) -> Option<bool> {
    if gaps.is_empty() {
        return Some(true);
    }
    // A little over the nominal pace is the network's.
    let fastest = gaps.iter().flatten().min_by(|a, b| a.total_cmp(b))?;
    Some(*fastest > SLOWEST_S * 1.1)
}

impl Rule for TooSlowForOven {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, _world: &World, _input: &Input<'_>) {}

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for place in world.places_in_use() {
            let sensors = world.sensors.iter();
            let gaps: Vec<Option<f64>> = sensors
                .filter(|s| s.air && s.place.as_ref() == Some(&place))
                .map(|s| s.longest_gap_s)
                .collect();
            if world.book.kind_of(&place) != PlaceKind::Oven || too_slow(&gaps) != Some(true) {
                continue;
            }
            let start = world
                .standing_in(&place)
                .iter()
                .map(|p| p.stage.start)
                .min();
            let mut finding =
                Finding::new(&ABOUT, Subject::place(&place), start.unwrap_or(world.now));
            finding.pushed = false;
            finding.title = format!("{place}: too slow to warn of the oven");
            finding.text =
                "Its sensor should send every 30 s or faster. Hang a note on the oven's knob."
                    .into();
            found.push(finding);
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use crate::watch::timeline::Timeline;

    #[test]
    fn a_slow_sensor_in_an_oven_is_marked_and_a_fast_one_is_not() {
        for (gap_s, marked) in [(120.0, true), (30.0, false), (5.0, false)] {
            let mut t = Timeline::knots_in("oven");
            t.sensor("probe", "nook", gap_s);
            t.until(0.1);
            assert_eq!(
                !t.holding("too_slow_for_oven").is_empty(),
                marked,
                "{gap_s}"
            );
            assert!(t.pushes().is_empty());
        }
        let mut t = Timeline::knots_in("box");
        t.sensor("probe", "nook", 120.0);
        t.until(0.1);
        assert!(t.holding("too_slow_for_oven").is_empty());
    }
}

//! The oven has come on.
//!
//! Only in an oven place with dough inside. Reads raw readings, before the plausibility gate and
//! without its delays (a probe's own error codes aside). **Fires** when the air climbs faster than
//! any lamp can make it (an oven light adds some tenths of a degree a minute, an oven 10 to 13)
//! and above where it stood: within two readings or 60 s of the oven coming on, whichever is
//! later; also when the sensor falls silent straight after a steep rise. **Urgent**; passes quiet
//! hours. **Clears** with the tap "all out, preheating" (which records the move), when no dough is
//! inside, or when for 5 minutes the air is back near where it stood or lies still, no warmer than the
//! light alone makes it.
//!
//! Not an oven: a door that was open (the air comes back to where it was), a sensor carried in
//! from the counter or the fridge and a boiling-water pan (a fall or a new track comes first, the
//! climb slows down from its first moment, and ends about where the light alone has brought the
//! place before). After such a disturbance the rule asks for more for 8 minutes: above where the
//! way back from a fall can go by then, at most the place's usual top, and not slowing. It asks no
//! more once the air has come to rest for two minutes, near where a fall began if there was one.
//! So a sensor that is carried into a warm oven more than two minutes after its dough's stage was
//! begun, and rested until then, may be taken for an oven coming on: at 30 s between readings the two
//! look the same. That ends by itself when the air has come to rest.

use std::collections::BTreeMap;

use serde_json::json;
use smol_str::SmolStr;

use super::oven_climb::{ABOVE_C, STEEP_C_PER_MIN, STOOD_MS, Track, USUAL_TOP_C, WINDOW_MS};
use super::{About, Finding, Open, Rule, Severity, hold::Hold, hold::Patience};
use crate::batches::record::{PlaceKind, Quantity};
use crate::store::StoredReading;
use crate::time::UtcMs;
use crate::watch::advice;
use crate::watch::world::{Input, World, is_error_code};

/// What it is.
pub static ABOUT: About = About {
    name: "oven_on",
    fires: "in an oven place with dough inside, the raw air climbs over 3.5 °C in a minute (or 4.5 °C/min for 20 s, or over 1 °C/min and gathering speed, or for four minutes) above where it stood; over 5 °C/min without slowing, and higher than the way back can go, for 8 min after a door, a move or a new sensor unless the air came to rest; or the sensor falls silent straight after a steep rise",
    clears: "the tap “all out, preheating”, no dough inside, or for 5 min the air back near where it stood or still, no warmer than the light alone makes it",
    default: "within two readings or 60 s of the oven coming on, whichever is later",
    why: "no lamp can make such a rise: somebody switched the oven on with dough, cloth, plastic or a battery sensor inside",
    severity: Severity::Urgent,
    repeats: true,
    tells_over: false,
    expires_min: 30,
    gives_way_to: &[],
};

/// What air in a house can be, °C; the rest is a broken probe.
const AIR_C: std::ops::RangeInclusive<f64> = -30.0..=350.0;

const PATIENCE: Patience = Patience {
    on_ms: 0,
    off_ms: 5 * 60_000,
};

#[derive(Debug, Default)]
struct Oven {
    on: Hold,
    /// Where the air stood before, °C.
    stood_c: f64,
    newest_c: f64,
    silent: bool,
}

/// The rule.
#[derive(Debug, Default)]
pub struct OvenOn {
    tracks: BTreeMap<(SmolStr, SmolStr), Track>,
    ovens: BTreeMap<String, Oven>,
}

fn gap_ms(world: &World, sensor: &str) -> i64 {
    world
        .sensors
        .iter()
        .find(|s| s.sensor == sensor)
        .and_then(|s| s.longest_gap_s)
        .map_or(60_000, |s| (s * 1000.0) as i64)
}

/// When dough was last put into a place.
fn put_in(world: &World, place: &str) -> Option<UtcMs> {
    let standing = world.standing_in(place);
    standing.iter().map(|p| world.put_there(p)).max()
}

impl OvenOn {
    fn take(&mut self, world: &World, reading: &StoredReading) {
        let Some(place) = &reading.place else { return };
        if !matches!(
            reading.quantity,
            Quantity::AirTemperature | Quantity::SurfaceTemperature
        ) || is_error_code(reading)
            || !AIR_C.contains(&reading.value)
            || !world.is_news(reading)
            || world.book.kind_of(place) != PlaceKind::Oven
        {
            return;
        }
        let usual_top_c = world
            .usual_tops
            .get(place.as_str())
            .copied()
            .unwrap_or(USUAL_TOP_C);
        let key = (place.clone(), reading.sensor.clone());
        let track = self.tracks.entry(key).or_default();
        let fires = track.take(
            reading.time,
            reading.value,
            gap_ms(world, &reading.sensor),
            usual_top_c,
            put_in(world, place),
        );
        let inside = !world.standing_in(place).is_empty();
        if let Some(oven) = self.ovens.get_mut(place.as_str()).filter(|o| o.on.on) {
            oven.newest_c = reading.value;
            oven.silent = false;
            let lit = reading.value <= usual_top_c + ABOVE_C && track.lies_still();
            let cool = reading.value <= oven.stood_c + 2.0 || lit;
            oven.on.look(reading.time, !cool, cool, PATIENCE);
        } else if fires && inside {
            let stood_c = track
                .highest(reading.time.0 - STOOD_MS, reading.time.0 - WINDOW_MS)
                .unwrap_or(reading.value - STEEP_C_PER_MIN);
            self.fire(place, reading.time, stood_c, reading.value, false);
        }
    }

    fn fire(&mut self, place: &str, at: UtcMs, stood_c: f64, newest_c: f64, silent: bool) {
        self.ovens.insert(
            place.to_owned(),
            Oven {
                on: Hold::counting(at),
                stood_c,
                newest_c,
                silent,
            },
        );
    }

    /// A sensor that fell silent straight after a steep rise.
    fn listen(&mut self, world: &World) {
        let mut fired = Vec::new();
        for ((place, sensor), track) in &self.tracks {
            let Some((at, value)) = track.points.back().filter(|_| track.steep) else {
                continue;
            };
            let wait_ms = (gap_ms(world, sensor) * 3 / 2).max(20_000);
            if world.now.0 - at.0 > wait_ms
                && world.now.0 - at.0 < 10 * 60_000
                && !self.ovens.get(place.as_str()).is_some_and(|o| o.on.on)
                && !world.standing_in(place).is_empty()
            {
                fired.push((place.clone(), *at, *value));
            }
        }
        for (place, at, value) in fired {
            self.fire(&place, at, value - STEEP_C_PER_MIN, value, true);
        }
    }
}

impl Rule for OvenOn {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        match input {
            Input::Readings(readings) => {
                for reading in *readings {
                    self.take(world, reading);
                }
            }
            Input::Tick => self.listen(world),
            Input::Book(_) => {
                let used = world.places_in_use();
                self.ovens.retain(|place, _| used.contains(place));
            }
            _ => {}
        }
        if matches!(input, Input::Tick) {
            let used = world.places_in_use();
            self.ovens
                .retain(|place, o| o.on.on && used.contains(place));
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for (place, oven) in self.ovens.iter().filter(|(_, o)| o.on.on) {
            let mut finding = Finding::of_place(&ABOUT, place, oven.on.began, world);
            // Where the tap is.
            finding.link = "/".into();
            let doughs: Vec<String> = world
                .standing_in(place)
                .iter()
                .map(|p| p.batch.dough.clone())
                .collect();
            finding.title = format!(
                "OVEN ON? {} inside {place}",
                super::capital(&world.say.list(&doughs))
            );
            finding.text = format!(
                "{} {}",
                if oven.silent {
                    "A steep rise, then silence.".to_owned()
                } else {
                    format!("{} and climbing.", world.say.degrees(oven.newest_c))
                },
                advice::OVEN_ON
            );
            finding.over = format!("{}: out, or cool again.", super::capital(place));
            finding.memory = json!({ "stood_c": oven.stood_c, "newest_c": oven.newest_c });
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        if let Some(place) = &open.subject.place {
            self.fire(
                place,
                open.began,
                open.memory["stood_c"].as_f64().unwrap_or(USUAL_TOP_C),
                open.memory["newest_c"].as_f64().unwrap_or(USUAL_TOP_C),
                false,
            );
        }
    }
}

#[cfg(test)]
#[path = "oven_on_tests.rs"]
mod tests;

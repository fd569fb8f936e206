//! It will be too hot.
//!
//! **Fires** when the air that the forecast assumes (the place's identified response to its lamp)
//! has passed the lowest limit of the doughs standing there within two hours, for five minutes.
//! **Clears** when it does not any more. Says when to switch the lamp off. Rooms and fridges have
//! no switch, and are left alone; so is a place that is too hot already.

use std::collections::BTreeMap;

use super::hold::{Hold, Patience};
use super::too_hot::limit;
use super::{About, Finding, Open, Rule, Severity};
use crate::batches::record::PlaceKind;
use crate::time::{HOUR_MS, UtcMs};
use crate::watch::world::{Input, World};

/// What it is.
pub static ABOUT: About = About {
    name: "will_be_too_hot",
    fires: "the air the forecast assumes passes the limit of a box or oven place within 2 h, for 5 min",
    clears: "it does not any more, or it is too hot now",
    default: "the limit of “too hot”",
    why: "a lamp switched off in time needs no rescue",
    severity: Severity::Warning,
    repeats: false,
    tells_over: false,
    expires_min: 30,
    gives_way_to: &["too_hot", "oven_on"],
};

/// How far ahead it looks, ms.
const AHEAD_MS: i64 = 2 * HOUR_MS;
/// How long before passing the limit the lamp should go off, ms: walls go on giving.
const BEFORE_MS: i64 = 5 * 60_000;

const PATIENCE: Patience = Patience {
    on_ms: 5 * 60_000,
    off_ms: 5 * 60_000,
};

/// The rule.
#[derive(Debug, Default)]
pub struct WillBeTooHot {
    places: BTreeMap<String, Hold>,
}

/// When the assumed air of a place passes its limit, if within [`AHEAD_MS`].
fn passes(world: &World, place: &str) -> Option<UtcMs> {
    let (limit_c, _) = limit(world, place)?;
    world
        .standing_in(place)
        .iter()
        .filter_map(|p| p.view.clone())
        .flat_map(|v| v.document.assumed_air_temperature.clone())
        .filter(|a| a.time >= world.now && a.time.0 - world.now.0 <= AHEAD_MS)
        .filter(|a| a.value > limit_c)
        .map(|a| a.time)
        .min()
}

impl Rule for WillBeTooHot {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if !matches!(input, Input::Tick | Input::Proofs(_)) {
            return;
        }
        let used = world.places_in_use();
        self.places.retain(|place, _| used.contains(place));
        for place in used {
            if !matches!(world.book.kind_of(&place), PlaceKind::Box | PlaceKind::Oven) {
                continue;
            }
            let will = passes(world, &place).is_some();
            let hold = self.places.entry(place).or_default();
            hold.look(world.now, will, !will, PATIENCE);
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for (place, hold) in self.places.iter().filter(|(_, h)| h.on) {
            let (Some(at), Some((limit_c, doughs))) = (passes(world, place), limit(world, place))
            else {
                continue;
            };
            let already = world.air_c(place).is_some_and(|air_c| air_c > limit_c);
            if already {
                continue;
            }
            let mut finding = Finding::of_place(&ABOUT, place, hold.began, world);
            let off = UtcMs((at.0 - BEFORE_MS).max(world.now.0));
            finding.title = format!(
                "{} will be too hot for {}",
                super::capital(place),
                world.say.list(&doughs)
            );
            let what = match world.book.kind_of(place) {
                PlaceKind::Oven => "Lamp off",
                _ => "Set-point down",
            };
            finding.text = format!(
                "It passes {} in {}. {what} at {}.",
                world.say.degrees(limit_c),
                world.say.span(at.seconds_since(world.now)),
                world.say.clock(off, world.now)
            );
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        if let Some(place) = &open.subject.place {
            self.places
                .insert(place.clone(), Hold::counting(open.began));
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::forecasts::document::TimedValue;
    use crate::watch::timeline::{Timeline, minute, view};

    fn warming(c_per_min: f64) -> Timeline {
        let mut t = Timeline::knots_in("oven");
        let mut v = view([200.0, 240.0, 280.0], 0.0, 0.0);
        v.document.assumed_air_temperature = (0..24)
            .map(|k| TimedValue {
                time: minute(f64::from(k) * 5.0),
                value: 27.0 + c_per_min * f64::from(k) * 5.0,
            })
            .collect();
        t.forecast(v);
        t.until(20.0);
        t
    }

    #[test]
    fn it_says_when_to_switch_the_lamp_off() {
        // 27 °C and 0.05 °C a minute: 30 °C are passed at the point after one hour, 07:05.
        let t = warming(0.05);
        assert_eq!(t.pushes(), ["will_be_too_hot raised"]);
        let told = t.first("will_be_too_hot", "raised").unwrap();
        let text = told.doc["text"].as_str().unwrap();
        assert!(text.contains("Lamp off at 07:00"), "{text}");
    }

    #[test]
    fn one_that_stays_below_is_left_alone() {
        assert!(warming(0.02).pushes().is_empty());
    }
}

//! Sweating.
//!
//! **Fires** when the dough's surface has been colder than the dew point of the air it stands in
//! for 5 minutes: water settles on it. The surface is the place's surface sensor where there is
//! one, else the dough as the forecast has it. **Clears** when it has been half a degree over the
//! dew point for 5 minutes, or no dough stands there. A note on the place's page: it does no harm
//! by itself and passes as the dough warms, so it wakes no one. A batch marked covered
//! (`"covered": true`) is left out: its air is its own.

use std::collections::BTreeMap;

use doughwarden_model::humid_air::dew_point_c;
use serde_json::json;

use super::{About, Finding, Open, Rule, Severity, Subject, hold::Hold, hold::Patience};
use crate::batches::record::Quantity;
use crate::time::{MINUTE_MS, UtcMs};
use crate::watch::world::{AIR_STALE_MS, Input, World};

/// What it is.
pub static ABOUT: About = About {
    name: "sweating",
    fires: "the dough's surface has been colder than the dew point of the place's air for 5 min (a note on the place's page, not pushed)",
    clears: "half a degree over the dew point for 5 min, or no dough stands there",
    default: "the dew point; needs a humidity sensor in the place",
    why: "water that settles on a cool dough makes it stick and hides a skin; more steam does not help",
    severity: Severity::Note,
    repeats: false,
    tells_over: false,
    expires_min: 60,
    gives_way_to: &[],
};

/// So far over the dew point it is over, °C.
const CLEAR_ABOVE_C: f64 = 0.5;
const PATIENCE: Patience = Patience {
    on_ms: 5 * MINUTE_MS,
    off_ms: 5 * MINUTE_MS,
};

#[derive(Debug, Default)]
struct Place {
    hold: Hold,
    dew_point_c: f64,
    surface: Option<(UtcMs, f64)>,
}

/// The rule.
#[derive(Debug, Default)]
pub struct Sweating {
    places: BTreeMap<String, Place>,
}

/// The coldest surface in a place, °C, by its doughs' forecasts.
fn coldest_dough_c(world: &World, place: &str) -> Option<f64> {
    let bare = world.standing_in(place);
    bare.iter()
        .filter(|p| p.batch.covered() != Some(true))
        .filter_map(|p| Some(p.view.as_ref()?.document.dough_temperature.now))
        .min_by(f64::total_cmp)
}

impl Rule for Sweating {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        match input {
            Input::Readings(readings) => {
                for r in readings.iter().filter(|r| {
                    r.quantity == Quantity::SurfaceTemperature
                        && r.kept_out.is_none()
                        && world.is_news(r)
                }) {
                    if let Some(place) = r
                        .place
                        .as_ref()
                        .and_then(|p| self.places.get_mut(p.as_str()))
                    {
                        place.surface = Some((r.time, r.value));
                    }
                }
            }
            Input::Tick => {
                let used = world.places_in_use();
                self.places.retain(|name, _| used.contains(name));
                for name in used {
                    let fresh = |at: UtcMs| world.now.0 - at.0 <= AIR_STALE_MS;
                    let place = self.places.entry(name.clone()).or_default();
                    let covered_only = coldest_dough_c(world, &name);
                    let surface_c = covered_only.map(|dough_c| {
                        place
                            .surface
                            .filter(|(at, _)| fresh(*at))
                            .map_or(dough_c, |(_, c)| c)
                    });
                    let humidity = world
                        .humidity
                        .get(name.as_str())
                        .filter(|(at, _)| fresh(*at));
                    let (Some(surface_c), Some(air_c), Some((_, humidity))) =
                        (surface_c, world.air_c(&name), humidity)
                    else {
                        continue;
                    };
                    if let Ok(dew_c) = dew_point_c(air_c, humidity.min(100.0)) {
                        place.dew_point_c = dew_c;
                        place.hold.look(
                            world.now,
                            surface_c < dew_c,
                            surface_c > dew_c + CLEAR_ABOVE_C,
                            PATIENCE,
                        );
                    }
                }
            }
            _ => {}
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for (name, place) in self.places.iter().filter(|(_, p)| p.hold.on) {
            let mut finding = Finding::new(&ABOUT, Subject::place(name), place.hold.began);
            finding.pushed = false;
            finding.link = "/places".into();
            finding.title = format!("{}: water settles on the dough", super::capital(name));
            finding.text = format!(
                "It is colder than {}, where this air gives off its water. No more steam; it dries \
                 as the dough warms. Dab it before you glaze.",
                world.say.degrees(place.dew_point_c)
            );
            finding.memory = json!({ "dew_point_c": place.dew_point_c });
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        if let Some(name) = &open.subject.place {
            let place = self.places.entry(name.clone()).or_default();
            place.hold = Hold::counting(open.began);
            place.dew_point_c = open.memory["dew_point_c"].as_f64().unwrap_or_default();
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::batches::record::Quantity;
    use crate::watch::timeline::{Timeline, view};

    /// A dough at `dough_c` for 20 min in air of `air_c` and `humidity`.
    fn standing(dough_c: f64, air_c: f64, humidity: f64) -> Timeline {
        let mut t = Timeline::knots_in("box");
        t.tick_ms = 10_000;
        t.sensor("probe", "nook", 60.0);
        let mut v = view([200.0, 240.0, 280.0], 0.0, 0.0);
        v.document.dough_temperature.now = dough_c;
        t.forecast(v);
        for minute in 0..20 {
            t.air("probe", air_c);
            t.reading("probe", Quantity::Humidity, humidity, None);
            t.until(f64::from(minute + 1));
        }
        t
    }

    /// The verdicts of psychrometry (Magnus over water; dew points of 31.0 and 22.2 °C): a dough at
    /// 24 °C sweats in air of 35 °C and 80 %, not in air of 27 °C and 75 %; at 32 °C it dries.
    #[test]
    fn a_cool_dough_in_a_warm_wet_box_sweats_on_the_page_only() {
        let t = standing(24.0, 30.0, 85.0);
        assert_eq!(t.holding("sweating").len(), 1);
        assert!(t.pushes().is_empty(), "{:?}", t.pushes());
        assert!(standing(24.0, 27.0, 75.0).holding("sweating").is_empty());
        assert!(standing(32.0, 35.0, 80.0).holding("sweating").is_empty());
        assert_eq!(standing(24.0, 35.0, 80.0).holding("sweating").len(), 1);
    }

    #[test]
    fn about_the_dew_point_it_does_not_flap_and_a_covered_dough_is_left_out() {
        let mut t = standing(24.0, 30.0, 85.0);
        let mut v = view([200.0, 240.0, 280.0], 0.0, 0.0);
        // The dew point is 27.2 °C: a little over it is not over yet.
        v.document.dough_temperature.now = 27.4;
        t.forecast(v.clone());
        t.until(30.0);
        assert_eq!(t.holding("sweating").len(), 1);
        t.restart();
        assert_eq!(t.holding("sweating").len(), 1);
        v.document.dough_temperature.now = 28.5;
        t.forecast(v);
        t.air("probe", 30.0);
        t.reading("probe", Quantity::Humidity, 85.0, None);
        t.until(36.0);
        assert!(t.holding("sweating").is_empty());

        let mut t = Timeline::knots_in("box");
        t.sensor("probe", "nook", 60.0);
        t.book(r#"{"record":"batch","id":"knots","dough":"cardamom knots","place":"nook","covered":true}"#);
        let mut v = view([200.0, 240.0, 280.0], 0.0, 0.0);
        v.document.dough_temperature.now = 20.0;
        t.forecast(v);
        t.air("probe", 30.0);
        t.reading("probe", Quantity::Humidity, 90.0, None);
        t.until(12.0);
        assert!(t.holding("sweating").is_empty());
    }
}

//! Too cold, or stalled.
//!
//! **Fires** when the air has been 5 °C under the temperature at which the recipe's time holds
//! for 20 minutes. **Clears** when it is within 4 °C of it for 5 minutes. Where the lamp is said
//! to be on, it asks whether the light has gone out. A fridge is meant to be cold. In a room it is
//! told once, and only shown where the room has not grown 3 °C colder since the dough was put
//! there: the baker knows, and the forecast reckons with it.

use std::collections::BTreeMap;

use serde_json::json;

use super::hold::{Patience, StageHolds};
use super::{About, Finding, Open, Rule, Severity};
use crate::batches::record::{PlaceKind, StageKind};
use crate::watch::advice;
use crate::watch::world::{Input, Proof, World};

/// What it is.
pub static ABOUT: About = About {
    name: "too_cold",
    fires: "the air has been 5 °C under the recipe's usual temperature for 20 min (not in a fridge; in a room that has not grown 3 °C colder since the dough was put there it is shown, not pushed)",
    clears: "within 4 °C of it for 5 min, or the stage ends",
    default: "the recipe's usual temperature; without one, 24 °C",
    why: "a light that has gone out looks like a dough that is late; told once a stage and place",
    severity: Severity::Warning,
    repeats: false,
    tells_over: false,
    expires_min: 60,
    gives_way_to: &["ready", "over_proofing"],
};

/// So far under the usual temperature it fires, °C.
const UNDER_C: f64 = 5.0;
/// So near to it, it clears, °C.
const NEAR_C: f64 = 4.0;
/// A room that has fallen so far since the dough was put there has grown cold, °C: a room cools by a
/// degree or two on any evening.
const FELL_C: f64 = 3.0;
/// Taken where a recipe names none, °C.
const USUAL_C: f64 = 24.0;

const PATIENCE: Patience = Patience {
    on_ms: 20 * 60_000,
    off_ms: 5 * 60_000,
};

/// The rule.
#[derive(Debug, Default)]
pub struct TooCold {
    holds: StageHolds,
    /// Where each stage stands, and the warmest air since it was put there, °C.
    warmest_c: BTreeMap<(String, StageKind), (String, f64)>,
}

fn usual_c(proof: &Proof<'_>) -> f64 {
    let usual = proof.dough.and_then(|d| match proof.stage.stage {
        StageKind::Bulk => d.bulk,
        StageKind::Final => d.final_,
    });
    usual.and_then(|u| u.at).unwrap_or(USUAL_C)
}

impl Rule for TooCold {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if matches!(input, Input::Tick) {
            for proof in world.proofs() {
                let air_c = world.air_c(proof.place).unwrap_or(f64::NEG_INFINITY);
                let here = || (proof.place.to_owned(), air_c);
                let (place, warmest_c) = self.warmest_c.entry(proof.key()).or_insert_with(here);
                if place == proof.place {
                    *warmest_c = warmest_c.max(air_c);
                } else {
                    // Another place is judged by itself: what was cold in the room is no news in
                    // the fridge.
                    (*place, *warmest_c) = here();
                    self.holds.forget(&proof.key());
                }
            }
            self.warmest_c
                .retain(|(batch, stage), _| world.proof(batch, *stage).is_some());
            self.holds.look(world, PATIENCE, |proof| {
                if proof.kind == PlaceKind::Fridge {
                    return Some((false, true));
                }
                // A silent sensor's last word is no reading: the air of a while ago is `None`.
                let air_c = world.air_c(proof.place)?;
                let usual_c = usual_c(proof);
                Some((air_c < usual_c - UNDER_C, air_c >= usual_c - NEAR_C))
            });
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let on = self.holds.on(world);
        on.iter()
            // Until the next look a dough just carried elsewhere is judged by nothing.
            .filter(|(proof, _)| {
                let stood = self.warmest_c.get(&proof.key());
                stood.is_none_or(|(place, _)| place == proof.place)
            })
            .map(|(proof, _)| {
                let mut finding = Finding::of_stage(&ABOUT, proof);
                // Another place is another event; where it stood before was told or shown.
                finding.began = world.put_there(proof);
                let air_c = world.air_c(proof.place);
                let stood = self.warmest_c.get(&proof.key());
                finding.pushed = proof.kind != PlaceKind::Room
                    || stood
                        .zip(air_c)
                        .is_some_and(|((_, warmest_c), air_c)| warmest_c - air_c >= FELL_C);
                finding.memory = json!({ "stood": stood });
                let lamp = world
                    .book
                    .places
                    .get(proof.place)
                    .is_some_and(|p| p.lamp == Some(true));
                let air = air_c.map_or_else(
                    || "It is cold".to_owned(),
                    |air_c| format!("{} there", world.say.degrees(air_c)),
                );
                finding.title = format!("{}: cold, it will be late", proof.title());
                finding.text = format!(
                    "{air}; its recipe's time holds at {}. {}",
                    world.say.degrees(usual_c(proof)),
                    advice::warm_up(proof.kind, lamp)
                );
                finding
            })
            .collect()
    }

    fn resume(&mut self, open: &Open<'_>) {
        self.holds.resume(open);
        let stood = serde_json::from_value(open.memory["stood"].clone()).ok();
        if let (Some(key), Some(stood)) = (open.subject.batch_stage(), stood) {
            self.warmest_c.insert(key, stood);
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::watch::timeline::Timeline;

    fn standing_at(kind: &str, lamp: bool, air_c: f64) -> Timeline {
        let mut t = Timeline::knots_in(kind);
        t.sensor("probe", "nook", 60.0);
        t.book(&format!(
            r#"{{"record":"place","name":"nook","kind":"{kind}","lamp":{lamp}}}"#
        ));
        t.air_while("probe", 60.0, 60.0, |_| air_c);
        t
    }

    #[test]
    fn a_light_that_went_out_is_asked_about() {
        let t = standing_at("oven", true, 18.0);
        assert_eq!(t.pushes(), ["too_cold raised"]);
        let text = t.first("too_cold", "raised").unwrap().doc["text"].clone();
        assert!(text.as_str().unwrap().contains("Has the light gone out?"));
    }

    #[test]
    fn a_room_that_was_cold_from_the_start_is_shown_and_one_that_grew_cold_is_told() {
        let mut t = standing_at("room", false, 17.0);
        assert!(t.pushes().is_empty());
        assert_eq!(t.holding("too_cold").len(), 1);
        t = standing_at("room", false, 23.0);
        t.air_while("probe", 60.0, 100.0, |_| 17.0);
        assert_eq!(t.pushes(), ["too_cold raised"]);
    }

    /// An evening's degree is no news, however near the line the room stood.
    #[test]
    fn a_room_a_little_over_the_line_that_cools_a_little_is_shown() {
        let mut t = standing_at("room", false, 20.5);
        t.air_while("probe", 60.0, 120.0, |_| 18.5);
        assert!(t.pushes().is_empty(), "{:?}", t.pushes());
        assert_eq!(t.holding("too_cold").len(), 1);
    }

    /// Out of the fridge into a kitchen that has cooled overnight: whoever carried it knows.
    #[test]
    fn a_room_that_grew_cold_while_the_dough_was_elsewhere_is_shown() {
        let mut t = standing_at("room", false, 23.0);
        t.book(r#"{"record":"move","batch":"knots","time":"{MIN:60}","place":"fridge"}"#);
        t.air_while("probe", 60.0, 100.0, |_| 17.0);
        t.book(r#"{"record":"move","batch":"knots","time":"{MIN:100}","place":"nook"}"#);
        t.air_while("probe", 60.0, 140.0, |_| 17.0);
        assert!(t.pushes_of("too_cold").is_empty(), "{:?}", t.pushes());
        assert_eq!(t.holding("too_cold").len(), 1);
    }

    /// On the counter it is shown; the fridge it goes into is meant to be cold.
    #[test]
    fn a_dough_shown_as_cold_in_the_room_is_not_told_of_in_the_fridge() {
        let mut t = standing_at("room", false, 17.0);
        assert_eq!(t.holding("too_cold").len(), 1);
        t.sensor("shelf", "fridge", 60.0);
        t.book(r#"{"record":"place","name":"fridge","kind":"fridge"}"#);
        t.book(r#"{"record":"move","batch":"knots","time":"{MIN:61}","place":"fridge"}"#);
        t.air_while("shelf", 60.0, 120.0, |_| 4.0);
        assert!(t.pushes_of("too_cold").is_empty(), "{:?}", t.pushes());
        assert!(t.holding("too_cold").is_empty());
    }

    /// From a cold room into a box that is not warm yet: the box has its own twenty minutes.
    #[test]
    fn a_box_is_given_its_own_time() {
        let mut t = standing_at("room", false, 17.0);
        t.sensor("probe 2", "crate", 60.0);
        t.book(r#"{"record":"place","name":"crate","kind":"box"}"#);
        t.book(r#"{"record":"move","batch":"knots","time":"{MIN:60}","place":"crate"}"#);
        t.air_while("probe 2", 60.0, 75.0, |_| 17.0);
        assert!(t.pushes_of("too_cold").is_empty(), "{:?}", t.pushes());
        t.air_while("probe 2", 60.0, 90.0, |_| 17.0);
        assert_eq!(t.pushes_of("too_cold"), ["too_cold raised"]);
    }

    /// It had grown cold when the daemon ended, and has when it is there again: still one alert.
    #[test]
    fn a_restart_forgets_neither_the_place_nor_its_warmest() {
        let mut t = standing_at("room", false, 23.0);
        t.air_while("probe", 60.0, 100.0, |_| 18.9);
        assert_eq!(t.pushes_of("too_cold"), ["too_cold raised"]);
        t.restart();
        t.air_while("probe", 60.0, 130.0, |_| 18.5);
        assert_eq!(t.pushes_of("too_cold"), ["too_cold raised"]);
        assert!(t.holding("too_cold")[0].pushed);
    }

    #[test]
    fn a_fridge_and_a_place_a_little_cool_are_left_alone() {
        assert!(standing_at("fridge", false, 4.0).pushes().is_empty());
        assert!(standing_at("room", false, 20.0).pushes().is_empty());
    }
}

//! What to do, by kind of place. The one file in which a message's advice is worded.

use super::world::Proof;
use crate::batches::record::{PlaceKind, StageKind};

/// Against too much heat.
#[must_use]
pub fn cool_down(kind: PlaceKind) -> &'static str {
    match kind {
        PlaceKind::Oven => "Lamp off, door ajar.",
        PlaceKind::Box => "Turn the set-point down, lid ajar.",
        PlaceKind::Room => "Find it a cooler spot, or give it twenty minutes in the fridge.",
        PlaceKind::Fridge => "Is the fridge shut and running?",
    }
}

/// Against too much cold.
#[must_use]
pub fn warm_up(kind: PlaceKind, lamp_said_on: bool) -> &'static str {
    match (kind, lamp_said_on) {
        (PlaceKind::Oven | PlaceKind::Box, true) => "Has the light gone out?",
        (PlaceKind::Oven, false) => "Switch the lamp on, or give it longer.",
        (PlaceKind::Box, false) => "Is the box on? Turn the set-point up a little.",
        (PlaceKind::Room, _) => "Find it a warmer spot, or give it longer.",
        (PlaceKind::Fridge, _) => "It will take its time there.",
    }
}

/// Before a proof is ready.
#[must_use]
pub fn get_ready(proof: &Proof<'_>) -> &'static str {
    match (proof.stage.stage, proof.kind) {
        (StageKind::Bulk, _) => "Clear the bench, make the filling.",
        (StageKind::Final, PlaceKind::Oven) => {
            "Take dough, cloth and sensor out, then preheat. Egg wash."
        }
        (StageKind::Final, _) => "Preheat the oven. Egg wash.",
    }
}

/// Once a proof is ready.
#[must_use]
pub fn act_now(proof: &Proof<'_>) -> &'static str {
    match (proof.stage.stage, proof.kind) {
        (StageKind::Bulk, _) => "Shape it now.",
        (StageKind::Final, PlaceKind::Oven) => {
            "Bake it now: dough, cloth and sensor out before you preheat."
        }
        (StageKind::Final, _) => "Bake it now.",
    }
}

/// Once a proof goes past ready.
#[must_use]
pub fn save_it(proof: &Proof<'_>) -> &'static str {
    match (proof.stage.stage, proof.kind) {
        (StageKind::Bulk, _) => "Fold it, shape it now, keep it cool.",
        (StageKind::Final, PlaceKind::Oven) => {
            "Take dough, cloth and sensor out, keep it cool, then preheat."
        }
        (StageKind::Final, _) => "Bake it now; keep it cool until the oven is hot.",
    }
}

/// When an oven has come on with dough inside.
pub const OVEN_ON: &str = "Everything out: dough, cloth, plastic, sensor? If not, oven off and take it \
out. Smoke: oven off, door shut; if it does not go out, leave and call the fire service.";

/// With every word on egg and milk held warm.
pub const FOOD_CODE: &str =
    "A caution, not a clearance: your local food code decides. Fillings and egg wash count too.";

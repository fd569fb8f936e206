//! Skinning over.
//!
//! Only for a batch marked uncovered (`"covered": false` on the batch). **Fires** when the water
//! lost from the dough's surface since it stands so has passed 100 g/m². **Clears** when it is
//! covered or the stage ends. A rate, not a yes or no: below 97 % humidity a dough always dries.

use std::collections::BTreeMap;

use doughwarden_model::humid_air::Skin;

use super::{About, Finding, Open, Rule, Severity};
use crate::batches::record::StageKind;
use crate::time::UtcMs;
use crate::watch::world::{AIR_STALE_MS, Input, Proof, World};
use serde_json::json;

/// What it is.
pub static ABOUT: About = About {
    name: "skinning",
    fires: "a batch marked uncovered has lost over 100 g of water a square metre of its surface",
    clears: "covered, or the stage ends",
    default: "100 g/m²; needs a humidity sensor in the place",
    why: "a skin holds the dough back and shows in the crust",
    severity: Severity::Warning,
    repeats: false,
    tells_over: false,
    expires_min: 60,
    gives_way_to: &["ready", "over_proofing"],
};

/// Water lost from which a skin shows, g/m² (our own figure).
pub const LIMIT_G_M2: f64 = 100.0;
/// How often the account is carried forward, ms.
const STEP_MS: i64 = 60_000;

#[derive(Debug)]
struct Account {
    skin: Skin,
    at: UtcMs,
}

/// The rule.
#[derive(Debug, Default)]
pub struct Skinning {
    stages: BTreeMap<(String, StageKind), Account>,
}

fn uncovered(proof: &Proof<'_>) -> bool {
    proof.batch.covered() == Some(false)
}

impl Rule for Skinning {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if !matches!(input, Input::Tick) {
            return;
        }
        let proofs: Vec<Proof<'_>> = world.proofs().into_iter().filter(uncovered).collect();
        self.stages
            .retain(|key, _| proofs.iter().any(|p| p.key() == *key));
        for proof in &proofs {
            let account = self.stages.entry(proof.key()).or_insert(Account {
                skin: Skin::default(),
                at: world.now,
            });
            let passed_ms = world.now.0 - account.at.0;
            if passed_ms < STEP_MS {
                continue;
            }
            account.at = world.now;
            // Nothing is said about skin from a silent sensor.
            let humidity = world
                .humidity
                .get(proof.place)
                .filter(|(time, _)| world.now.0 - time.0 <= AIR_STALE_MS);
            let (Some(air_c), Some((_, humidity))) = (world.air_c(proof.place), humidity) else {
                continue;
            };
            let surface_c = proof
                .view
                .as_ref()
                .map_or(air_c, |v| v.document.dough_temperature.now);
            let passed_s = passed_ms.min(AIR_STALE_MS) as f64 / 1000.0;
            if let Ok(skin) = account.skin.advance(surface_c, air_c, *humidity, passed_s) {
                account.skin = skin;
            }
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for proof in world.proofs() {
            let Some(account) = self
                .stages
                .get(&proof.key())
                .filter(|a| a.skin.lost_g_m2 >= LIMIT_G_M2)
            else {
                continue;
            };
            let mut finding = Finding::of_stage(&ABOUT, &proof);
            finding.title = format!("{}: skinning over", proof.title());
            finding.text = "Cover it, or mist it and cover it.".into();
            finding.memory =
                json!({ "lost_g_m2": account.skin.lost_g_m2, "film_g_m2": account.skin.film_g_m2 });
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        if let Some(key) = open.subject.batch_stage() {
            let number = |name: &str| open.memory[name].as_f64().unwrap_or_default();
            let skin = Skin {
                film_g_m2: number("film_g_m2"),
                lost_g_m2: number("lost_g_m2"),
            };
            let at = open.raised;
            self.stages.insert(key, Account { skin, at });
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::batches::record::Quantity;
    use crate::watch::timeline::{Timeline, view};

    fn drying(covered: bool, humidity: f64) -> Timeline {
        drying_for(covered, humidity, 90)
    }

    fn drying_for(covered: bool, humidity: f64, minutes: i32) -> Timeline {
        let mut t = Timeline::knots_in("room");
        t.sensor("probe", "nook", 60.0);
        t.book(&format!(
            r#"{{"record":"batch","id":"knots","dough":"cardamom knots","place":"nook","covered":{covered}}}"#
        ));
        let mut v = view([200.0, 240.0, 280.0], 0.0, 0.0);
        v.document.dough_temperature.now = 24.0;
        t.forecast(v);
        for minute in 0..minutes {
            t.air("probe", 24.0);
            t.reading("probe", Quantity::Humidity, humidity, None);
            t.until(f64::from(minute + 1));
        }
        t
    }

    /// The sheet's worked figure: a dough at 24 °C in air of 24 °C and 45 % loses 175 g/m²/h, so
    /// 100 g/m² after 34.3 min (Lewis analogy, Magnus; see `doughwarden_model::humid_air`).
    #[test]
    fn a_bare_dough_in_a_dry_kitchen_skins_over_in_about_half_an_hour() {
        let t = drying(false, 45.0);
        let told = t.first("skinning", "raised").unwrap();
        assert!((34.0..36.5).contains(&told.min), "{}", told.min);
    }

    #[test]
    fn nothing_is_said_about_skin_from_a_dead_sensor() {
        let mut t = drying_for(false, 45.0, 15);
        t.until(120.0);
        assert_eq!(t.pushes_of("sensor_silent")[0], "sensor_silent raised");
        assert!(t.pushes_of("skinning").is_empty());
    }

    #[test]
    fn a_covered_dough_and_a_wet_box_are_left_alone() {
        assert!(drying(true, 45.0).pushes().is_empty());
        assert!(drying(false, 92.0).pushes().is_empty());
    }
}

//! Too hot.
//!
//! A place is judged once, at the lowest top proofing temperature of the doughs standing there,
//! naming them. **Fires** when air (or a dough's own sensor) has been over it for 2 minutes and a
//! reading confirms it; at once above 55 °C, where yeast dies. **Clears** when every reading of 5
//! minutes is at least 1 °C under the limit. An empty place rests. In a room, where nothing can be
//! done about the weather, it is told once a stage. **Urgent** above 46 °C for ten minutes or
//! 55 °C at once. Only believed readings count: a lone jump or an error code fires nothing (the
//! oven rule alone reads the raw stream).

use std::collections::BTreeMap;

use serde_json::json;

use super::{About, Finding, Open, Rule, Severity, Subject, hold::Hold, hold::Patience};
use crate::batches::record::{PlaceKind, Quantity};
use crate::time::UtcMs;
use crate::watch::advice;
use crate::watch::world::{Input, World};

/// What it is.
pub static ABOUT: About = About {
    name: "too_hot",
    fires: "air or dough has been over the lowest top proofing temperature of the doughs standing there for 2 min; at once above 55 °C",
    clears: "at least 1 °C under the limit for 5 min, or no dough stands there",
    default: "the recipe's top proofing temperature; 32 °C for enriched, 38 °C for lean doughs without one",
    why: "butter melts from 28 °C and yeast suffers; a separate clear level and hold keep a cycling lamp to one message",
    severity: Severity::Warning,
    repeats: true,
    tells_over: true,
    expires_min: 60,
    gives_way_to: &["oven_on"],
};

/// How far under the limit it must fall to clear, °C.
pub const CLEAR_BELOW_C: f64 = 1.0;
/// Air that hurts the yeast within minutes, °C.
pub const HARM_C: f64 = 46.0;
/// Air that kills it, °C (bakers' books put the yeast's death at 54 to 60 °C).
pub const DEATH_C: f64 = 55.0;

const PATIENCE: Patience = Patience {
    on_ms: 2 * 60_000,
    off_ms: 5 * 60_000,
};
const HARM_PATIENCE: Patience = Patience {
    on_ms: 10 * 60_000,
    off_ms: 5 * 60_000,
};

#[derive(Debug, Default)]
struct Heat {
    over: Hold,
    harm: Hold,
    edition: u32,
    urgent: bool,
    newest_c: f64,
}

/// The rule.
#[derive(Debug, Default)]
pub struct TooHot {
    places: BTreeMap<String, Heat>,
}

/// The lowest limit in a place, and the names of the doughs that have it.
#[must_use]
pub fn limit(world: &World, place: &str) -> Option<(f64, Vec<String>)> {
    let standing = world.standing_in(place);
    let lowest = standing
        .iter()
        .map(super::super::world::Proof::ceiling_c)
        .min_by(f64::total_cmp)?;
    let mut names: Vec<String> = standing.iter().map(|p| p.batch.dough.clone()).collect();
    names.dedup();
    Some((lowest, names))
}

impl TooHot {
    fn look(&mut self, limit_c: f64, place: &str, at: UtcMs, value_c: f64) {
        let heat = self.places.entry(place.to_owned()).or_default();
        heat.newest_c = value_c;
        let patience = Patience {
            on_ms: if value_c > DEATH_C { 0 } else { PATIENCE.on_ms },
            ..PATIENCE
        };
        heat.over.look(
            at,
            value_c > limit_c,
            value_c <= limit_c - CLEAR_BELOW_C,
            patience,
        );
        heat.harm
            .look(at, value_c > HARM_C, value_c <= HARM_C - 1.0, HARM_PATIENCE);
        let urgent = heat.over.on && (value_c > DEATH_C || heat.harm.on);
        if urgent && !heat.urgent {
            heat.urgent = true;
            // New facts only if the milder words went out before.
            if heat.over.began != at {
                heat.edition += 1;
            }
        }
        if !heat.over.on {
            heat.urgent = false;
        }
    }
}

impl Rule for TooHot {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        match input {
            Input::Readings(readings) => {
                // Those that come together meet one world: a place's air and limit are asked once.
                let mut airs: BTreeMap<&str, Option<f64>> = BTreeMap::new();
                let mut limits: BTreeMap<&str, Option<f64>> = BTreeMap::new();
                let lowest = |place: &str| limit(world, place).map(|(limit_c, _)| limit_c);
                for r in *readings {
                    if r.kept_out.is_some() || !r.value.is_finite() || !world.is_news(r) {
                        continue;
                    }
                    match (r.quantity, &r.place) {
                        (Quantity::AirTemperature, Some(place)) => {
                            // The place's air, so that one sensor in a warm corner is outvoted.
                            let air_c = airs.entry(place).or_insert_with(|| world.air_c(place));
                            let limit_c = limits.entry(place).or_insert_with(|| lowest(place));
                            if let Some(limit_c) = *limit_c {
                                self.look(limit_c, place, r.time, air_c.unwrap_or(r.value));
                            }
                        }
                        // The dough's own sensor can only add heat, not clear it.
                        (Quantity::DoughTemperature, Some(place)) => {
                            let limit_c = limits.entry(place).or_insert_with(|| lowest(place));
                            if let Some(limit_c) = limit_c.filter(|l| r.value > *l) {
                                self.look(limit_c, place, r.time, r.value);
                            }
                        }
                        _ => {}
                    }
                }
            }
            Input::Tick | Input::Book(_) => {
                let used = world.places_in_use();
                self.places.retain(|place, _| used.contains(place));
            }
            _ => {}
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let mut found = Vec::new();
        for (place, heat) in self.places.iter().filter(|(_, h)| h.over.on) {
            let Some((limit_c, doughs)) = limit(world, place) else {
                continue;
            };
            let kind = world.book.kind_of(place);
            let standing = world.standing_in(place);
            let first_start = standing.iter().map(|p| p.stage.start).min();
            let began = match (kind, first_start) {
                // Told once a stage: the weather cannot be helped. But it is never that hot.
                (PlaceKind::Room, Some(start)) if !heat.urgent => start,
                _ => heat.over.began,
            };
            let mut finding = Finding::of_place(&ABOUT, place, began, world);
            if heat.urgent {
                finding.severity = Severity::Urgent;
            }
            finding.edition = heat.edition;
            finding.title = format!(
                "{} too hot for {}: {}",
                super::capital(place),
                world.say.list(&doughs),
                world.say.degrees(heat.newest_c)
            );
            finding.text = format!(
                "Its limit is {}. {}",
                world.say.degrees(limit_c),
                advice::cool_down(kind)
            );
            finding.over = format!(
                "{}: back under {}.",
                super::capital(place),
                world.say.degrees(limit_c)
            );
            finding.memory = json!({
                "urgent": heat.urgent, "newest_c": heat.newest_c, "since": heat.over.began,
            });
            found.push(finding);
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        let Some(place) = &open.subject.place else {
            return;
        };
        let heat = self.places.entry(place.clone()).or_default();
        let since = open.memory.get("since").cloned().unwrap_or_default();
        heat.over = Hold::counting(serde_json::from_value(since).unwrap_or(open.began));
        heat.edition = open.edition;
        heat.urgent = open.memory["urgent"].as_bool().unwrap_or(false);
        heat.newest_c = open.memory["newest_c"].as_f64().unwrap_or_default();
    }

    fn tells_over(&self, world: &World, subject: &Subject) -> bool {
        // Carried away or ended: the baker did it, and knows.
        subject
            .place
            .as_ref()
            .is_some_and(|p| !world.standing_in(p).is_empty())
    }
}

#[cfg(test)]
mod tests {
    use crate::batches::record::Quantity;
    use crate::store::KeptOut;
    use crate::watch::timeline::Timeline;

    fn boxed(kind: &str) -> Timeline {
        let mut t = Timeline::knots_in(kind);
        t.sensor("probe", "nook", 30.0);
        t
    }

    #[test]
    fn one_message_and_one_when_it_is_over() {
        let mut t = boxed("box");
        t.air_while("probe", 30.0, 10.0, |_| 28.0);
        t.air_while("probe", 30.0, 25.0, |_| 31.5);
        t.air_while("probe", 30.0, 60.0, |_| 28.9);
        assert_eq!(t.pushes(), ["too_hot raised", "too_hot cleared"]);
        let told = t.first("too_hot", "raised").unwrap();
        assert!((12.0..12.6).contains(&told.min), "{}", told.min);
        let title = told.doc["title"].as_str().unwrap();
        assert!(
            title.contains("cardamom knots") && title.contains("31.5 °C"),
            "{title}"
        );
        let over = t.first("too_hot", "cleared").unwrap();
        assert!((29.9..30.6).contains(&over.min), "{}", over.min);
    }

    #[test]
    fn crossing_the_line_every_half_minute_or_noise_on_it_is_one_message_at_most() {
        let mut t = boxed("box");
        t.air_while("probe", 30.0, 60.0, |m| {
            if ((m * 2.0).round() as i64) % 2 == 0 {
                30.4
            } else {
                29.6
            }
        });
        assert!(t.pushes().is_empty());
        // One sigma (0.3) of noise on the line, then a slow drift through it: an outside generator
        // of a fixed seed stands in for the sensor.
        use rand::{RngExt as _, SeedableRng as _};
        let mut t = boxed("box");
        let mut noise = Vec::new();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        for _ in 0..4000 {
            let sum: f64 = (0..12).map(|_| rng.random::<f64>()).sum();
            noise.push(0.3 * (sum - 6.0));
        }
        let at = |m: f64| noise[(m * 6.0).round() as usize % noise.len()];
        t.air_while("probe", 10.0, 60.0, |m| 30.0 + at(m));
        t.air_while("probe", 10.0, 120.0, |m| 29.5 + (m - 60.0) / 60.0 + at(m));
        let raised = t.pushes().iter().filter(|p| *p == "too_hot raised").count();
        let cleared = t
            .pushes()
            .iter()
            .filter(|p| *p == "too_hot cleared")
            .count();
        assert!(raised <= 1 && cleared <= 1, "{:?}", t.pushes());
    }

    #[test]
    fn error_codes_jumps_and_late_history_fire_nothing() {
        let mut t = boxed("box");
        t.air_while("probe", 30.0, 5.0, |_| 28.0);
        for (value, why) in [
            (85.0, KeptOut::ProbeFault),
            (127.94, KeptOut::ProbeFault),
            (f64::NAN, KeptOut::NotANumber),
            (1e308, KeptOut::OutOfRange),
            (38.0, KeptOut::LoneJump),
        ] {
            for _ in 0..10 {
                t.reading("probe", Quantity::AirTemperature, value, Some(why));
                t.until(
                    t.now
                        .seconds_since(super::UtcMs::parse(crate::watch::timeline::START).unwrap())
                        / 60.0
                        + 0.5,
                );
            }
        }
        assert!(t.first("too_hot", "raised").is_none());
    }

    #[test]
    fn the_lowest_limit_counts_and_an_empty_place_rests() {
        let mut t = boxed("box");
        t.book(
            r#"{"record":"dough","name":"saffron loaf","ceiling":27}
{"record":"batch","id":"loaf","dough":"saffron loaf","place":"nook"}
{"record":"stage","batch":"loaf","stage":"bulk","start":"{MIN:1}"}"#,
        );
        t.air_while("probe", 30.0, 10.0, |_| 28.5);
        assert_eq!(t.pushes(), ["too_hot raised"]);
        let title = t.told[0].doc["title"].clone();
        assert!(title.as_str().unwrap().contains("saffron loaf"), "{title}");
        // Carried away: the baker did it and is told nothing; the other dough bears 28.5.
        t.book(r#"{"record":"move","batch":"loaf","time":"{MIN:10}","place":"kitchen"}"#);
        t.end_final();
        t.air_while("probe", 30.0, 30.0, |_| 45.0);
        assert_eq!(t.pushes(), ["too_hot raised"]);
        assert!(!t.first("too_hot", "cleared").unwrap().pushed);
    }

    #[test]
    fn a_hot_room_is_told_once_a_stage() {
        let mut t = boxed("room");
        for round in 0..3 {
            let begin = f64::from(round) * 60.0;
            t.air_while("probe", 30.0, begin + 30.0, |_| 31.0);
            t.air_while("probe", 30.0, begin + 60.0, |_| 27.0);
        }
        let raised = t.pushes().iter().filter(|p| *p == "too_hot raised").count();
        assert_eq!(raised, 1, "{:?}", t.pushes());
        // A box that nobody declared is a room to us: what kills the yeast is news again.
        t.air_while("probe", 30.0, 190.0, |_| 60.0);
        let told = t.told.iter().rfind(|m| m.pushed).unwrap();
        assert_eq!(told.doc["alert"], "too_hot");
        assert_eq!(told.doc["severity"], "urgent");
    }

    #[test]
    fn above_fifty_five_it_is_urgent_at_once() {
        let mut t = boxed("box");
        t.air_while("probe", 30.0, 5.0, |_| 28.0);
        t.air("probe", 56.0);
        let told = t.first("too_hot", "raised").unwrap();
        assert_eq!(told.doc["severity"], "urgent");
    }

    #[test]
    fn a_pending_wait_and_an_open_alert_survive_a_restart_under_one_id() {
        let mut t = boxed("box");
        t.air_while("probe", 30.0, 5.0, |_| 31.0);
        let id = t.rows[0].id.clone();
        t.restart();
        t.air_while("probe", 30.0, 10.0, |_| 31.0);
        assert_eq!(t.pushes(), ["too_hot raised"]);
        assert_eq!(t.rows.len(), 1);
        assert_eq!(t.rows[0].id, id);
        assert!(t.rows[0].cleared.is_none());
    }

    #[test]
    fn what_to_do_depends_on_the_kind_of_place() {
        for (kind, advice) in [
            ("oven", "Lamp off"),
            ("box", "set-point down"),
            ("room", "twenty minutes in the fridge"),
        ] {
            let mut t = boxed(kind);
            t.air_while("probe", 30.0, 5.0, |_| 31.0);
            let text = t.first("too_hot", "raised").unwrap().doc["text"].clone();
            assert!(text.as_str().unwrap().contains(advice), "{kind}: {text}");
        }
    }
}

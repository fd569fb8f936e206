//! Topics that nothing claims: their newest message and what it seems to hold, so that one tap can
//! assign it. A guess is only ever offered, never acted on.

use serde_json::Value;
use smol_str::SmolStr;

use super::board::{Guess, HEARD_TOPICS, Heard, SensorBoard};
use super::payload::Body;
use crate::batches::record::{Quantity, Unit};
use crate::time::UtcMs;

/// Characters of a message shown in the list.
pub const PREVIEW: usize = 120;
/// Levels of a JSON payload looked through.
const DEPTH: usize = 4;
/// Guesses offered for one topic.
const GUESSES: usize = 12;

/// Notes a message; `claimed` names the pointers that mappings already take from it. Gives whether
/// the list changed its topics.
pub fn note(
    board: &SensorBoard,
    topic: &str,
    payload: &[u8],
    at: UtcMs,
    retained: bool,
    claimed: Option<&[SmolStr]>,
) -> bool {
    let mut guesses = guesses(topic, payload);
    if let Some(claimed) = claimed {
        guesses.retain(|g| {
            g.senml_name.is_none()
                && !claimed
                    .iter()
                    .any(|c| c == g.pointer.as_deref().unwrap_or_default())
        });
        if guesses.is_empty() || claimed.iter().any(|c| c.is_empty()) {
            return board.with_heard(|heard| heard.remove(topic).is_some());
        }
    }
    let message = Heard {
        topic: topic.to_owned(),
        at,
        preview: Body::preview(payload, PREVIEW),
        retained,
        guesses,
    };
    board.with_heard(|heard| {
        let new = heard.insert(topic.to_owned(), message).is_none();
        while heard.len() > HEARD_TOPICS {
            let oldest = heard
                .iter()
                .min_by_key(|(_, h)| h.at)
                .map(|(topic, _)| topic.clone());
            match oldest {
                Some(topic) => heard.remove(&topic),
                None => break,
            };
        }
        new
    })
}

/// What a payload seems to hold.
#[must_use]
pub fn guesses(topic: &str, payload: &[u8]) -> Vec<Guess> {
    let body = Body::parse(payload);
    let mut found = Vec::new();
    match body.json() {
        Some(Value::Array(records)) => senml(records, &mut found),
        Some(json @ Value::Object(_)) => look(json, "", "", DEPTH, &mut found),
        _ => {
            let text = String::from_utf8_lossy(payload);
            let value = text.trim().trim_matches('"').parse::<f64>().ok();
            if let Some(value) = value.filter(|v| v.is_finite()) {
                let last = topic.rsplit('/').next().unwrap_or(topic);
                // A bare number on a topic that says nothing is most often a temperature.
                let (quantity, unit) = by_name(last, value)
                    .or_else(|| by_name(topic, value))
                    .unwrap_or((Quantity::AirTemperature, Unit::Cel));
                found.push(Guess {
                    pointer: None,
                    quantity,
                    unit,
                    value,
                    senml_name: None,
                });
            }
        }
    }
    found.truncate(GUESSES);
    found
}

fn look(json: &Value, pointer: &str, name: &str, depth: usize, found: &mut Vec<Guess>) {
    if depth == 0 || found.len() >= GUESSES {
        return;
    }
    match json {
        Value::Object(fields) => {
            for (key, value) in fields {
                let escaped = key.replace('~', "~0").replace('/', "~1");
                // A field called `value` is named by what holds it.
                let name = if matches!(key.as_str(), "value" | "val" | "v") {
                    name
                } else {
                    key
                };
                look(
                    value,
                    &format!("{pointer}/{escaped}"),
                    name,
                    depth - 1,
                    found,
                );
            }
        }
        Value::Number(_) | Value::String(_) => {
            let value = match json {
                Value::Number(n) => n.as_f64(),
                Value::String(text) => text.trim().parse::<f64>().ok(),
                _ => None,
            };
            if let Some(value) = value.filter(|v| v.is_finite())
                && let Some((quantity, unit)) = by_name(name, value)
            {
                found.push(Guess {
                    pointer: Some(pointer.to_owned()),
                    quantity,
                    unit,
                    value,
                    senml_name: None,
                });
            }
        }
        _ => {}
    }
}

fn senml(records: &[Value], found: &mut Vec<Guess>) {
    let (mut base_name, mut base_unit) = (String::new(), None);
    for record in records {
        let text = |key: &str| record.get(key).and_then(Value::as_str);
        if let Some(name) = text("bn") {
            name.clone_into(&mut base_name);
        }
        if let Some(unit) = text("bu") {
            base_unit = Some(unit.to_owned());
        }
        let unit = text("u").or(base_unit.as_deref()).and_then(Unit::from_name);
        let (Some(value), Some(unit)) = (record.get("v").and_then(Value::as_f64), unit) else {
            continue;
        };
        let name = format!("{base_name}{}", text("n").unwrap_or(""));
        let quantity = match unit {
            Unit::PercentRh => Quantity::Humidity,
            Unit::PercentCharge => Quantity::Battery,
            Unit::Metre => Quantity::DoughHeight,
            Unit::Cel | Unit::Kelvin | Unit::DegF => {
                by_name(&name, value).map_or(Quantity::AirTemperature, |(q, _)| q)
            }
        };
        if found.iter().any(|g| g.senml_name.as_deref() == Some(&name)) {
            continue;
        }
        found.push(Guess {
            pointer: None,
            quantity,
            unit,
            value,
            senml_name: Some(name),
        });
    }
}

/// A quantity by the name of a column, where no value is known yet.
#[must_use]
pub fn by_header(name: &str) -> Option<(Quantity, Unit)> {
    // A value that any of them can have.
    let (quantity, unit) = by_name(name, 1.0)?;
    let fahrenheit = ["°f", "(f)", "[f]"]
        .iter()
        .any(|f| name.to_lowercase().contains(f));
    let unit = if unit == Unit::Cel && fahrenheit {
        Unit::DegF
    } else {
        unit
    };
    Some((quantity, unit))
}

/// A quantity by a field's or a topic's name.
fn by_name(name: &str, value: f64) -> Option<(Quantity, Unit)> {
    let name = name.to_lowercase();
    let has = |words: &[&str]| words.iter().any(|w| name.contains(w));
    let parts: Vec<&str> = name
        .split(|c: char| !c.is_alphanumeric())
        .filter(|p| !p.is_empty())
        .collect();
    let is = |words: &[&str]| parts.iter().any(|p| words.contains(p));
    if has(&["battery"]) || is(&["batt", "bat", "soc"]) {
        // A battery in volts is not a charge.
        return (!has(&["volt"]) && (0.0..=100.0).contains(&value))
            .then_some((Quantity::Battery, Unit::PercentCharge));
    }
    if has(&["humid", "fukt", "feucht"]) || is(&["rh", "hum"]) {
        return (0.0..=105.0)
            .contains(&value)
            .then_some((Quantity::Humidity, Unit::PercentRh));
    }
    if has(&["temp"]) || is(&["t", "tc", "tf", "celsius", "fahrenheit", "degc", "degf"]) {
        let unit = if has(&["fahrenheit", "degf", "_f"]) || is(&["f", "tf"]) {
            Unit::DegF
        } else if has(&["kelvin"]) || is(&["k"]) {
            Unit::Kelvin
        } else {
            Unit::Cel
        };
        let quantity = if has(&["dough", "core"]) {
            Quantity::DoughTemperature
        } else if has(&["surface", "skin", "wall"]) {
            Quantity::SurfaceTemperature
        } else {
            Quantity::AirTemperature
        };
        return Some((quantity, unit));
    }
    if has(&["distance", "height", "level"]) && (0.0..=3.0).contains(&value) {
        return Some((Quantity::DoughHeight, Unit::Metre));
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantities_are_guessed_from_names_and_units() {
        let payload = br#"{"temperature":24.1,"humidity":"61","battery":87,"linkquality":120,"device":{"temp_F":{"value":70}}}"#;
        let found: Vec<_> = guesses("k/box", payload)
            .into_iter()
            .map(|g| (g.pointer.unwrap(), g.quantity, g.unit))
            .collect();
        assert_eq!(
            found,
            [
                ("/temperature".into(), Quantity::AirTemperature, Unit::Cel),
                ("/humidity".into(), Quantity::Humidity, Unit::PercentRh),
                ("/battery".into(), Quantity::Battery, Unit::PercentCharge),
                (
                    "/device/temp_F/value".into(),
                    Quantity::AirTemperature,
                    Unit::DegF
                ),
            ]
        );
        let bare = guesses("kitchen/box/humidity", b"55");
        assert_eq!(bare[0].quantity, Quantity::Humidity);
        assert_eq!(bare[0].pointer, None);
        let pack = guesses(
            "s",
            br#"[{"bn":"d:","n":"h","u":"%RH","v":50},{"n":"t","u":"Cel","v":20}]"#,
        );
        assert_eq!(pack[1].senml_name.as_deref(), Some("d:t"));
        assert!(guesses("s", b"hello").is_empty());
    }

    #[test]
    fn the_list_is_bounded_and_forgets_the_oldest() {
        let board = SensorBoard::default();
        for i in 0..10_000_i64 {
            note(
                &board,
                &format!("made/up/{i}"),
                b"20",
                UtcMs(i),
                false,
                None,
            );
        }
        let heard = board.heard();
        assert_eq!(heard.len(), HEARD_TOPICS);
        assert!(heard.iter().all(|h| h.at.0 >= 10_000 - HEARD_TOPICS as i64));
    }

    #[test]
    fn what_a_device_says_beside_the_claimed_is_still_offered() {
        let board = SensorBoard::default();
        let payload = br#"{"temperature":24.1,"humidity":61}"#;
        note(
            &board,
            "box",
            payload,
            UtcMs(0),
            false,
            Some(&["/temperature".into()]),
        );
        let heard = board.heard();
        assert_eq!(heard[0].guesses.len(), 1);
        assert_eq!(heard[0].guesses[0].quantity, Quantity::Humidity);
        let all = ["/temperature".into(), "/humidity".into()];
        note(&board, "box", payload, UtcMs(100_000), false, Some(&all));
        assert!(board.heard().is_empty());
    }
}

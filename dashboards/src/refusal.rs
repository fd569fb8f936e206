//! A refusal as a baker is told it. The rooms behind write theirs for programs, the log and the pages
//! alike: fields by name, moments in UTC, temperatures in °C. Here these become the words of the form,
//! the baker's own clock and unit. And the labels of what was typed, for the page that shows it again.

use jiff::Timestamp;

use crate::sensors::{UNITS, quantity_words};
use crate::show::{Show, number};

/// A form's fields: name, and label.
pub type Labels = &'static [(&'static str, &'static str)];

/// What only programs can use of a refusal.
const FOR_PROGRAMS: [&str; 2] = [
    ", or RFC 3339 like 2026-01-10T15:00:00Z",
    ": `export` lists them",
];

/// Fields of a log-book record or a sensor that a page's form can get wrong.
const FIELDS: Labels = &[
    ("air", "the air"),
    ("daily", "the clock time"),
    ("end", "the end"),
    ("name", "the name"),
    ("outcome", "how it went"),
    ("place", "the place"),
    ("planned", "the plan"),
    ("start", "the start"),
    ("time", "the time"),
    ("topic", "the topic"),
    ("unit", "the unit"),
    ("zone", "the time zone"),
];

/// A refusal in a baker's words. `labels`: those of the form that was sent, for refusals that begin with
/// a field's name.
#[must_use]
pub fn words(refusal: &str, labels: Labels, show: &Show) -> String {
    let text = put(refusal, labels, show);
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// The same where a refusal names none of a form's own fields.
#[must_use]
pub fn said(refusal: &str, show: &Show) -> String {
    words(refusal, &[], show)
}

/// The same for a part of a sentence.
#[must_use]
pub fn part(refusal: &str, show: &Show) -> String {
    put(refusal, &[], show)
}

fn put(refusal: &str, labels: Labels, show: &Show) -> String {
    let mut text = refusal.to_owned();
    for part in FOR_PROGRAMS {
        text = text.replace(part, "");
    }
    // Whole refusals of the model: `room, °C is 60; it must lie from -10 to 45`.
    if let Some((what, rest)) = text.split_once(", °C is ") {
        let rest: Vec<String> = rest.split(' ').map(|w| with_unit(w, "°C")).collect();
        text = format!("{what} is {}", rest.join(" "));
    }
    let mut all: Vec<String> = text.split(' ').map(str::to_owned).collect();
    if let Some(first) = all.first_mut() {
        let label = first.strip_suffix(':').and_then(|name| {
            let name = name.to_lowercase();
            labels.iter().find(|(n, _)| *n == name)
        });
        if let Some((_, label)) = label {
            *first = format!("{label}:");
        }
    }
    for at in 0..all.len() {
        let next = all.get(at + 1).cloned().unwrap_or_default();
        if let Some(plain) = word(&all[at], &next, show) {
            all[at] = plain;
        }
    }
    if show.fahrenheit {
        for at in 1..all.len() {
            if !all[at].starts_with("°C") || !convert(&mut all[at - 1], show) {
                continue;
            }
            all[at] = all[at].replacen("°C", show.unit(), 1);
            if at > 2 && all[at - 2] == "to" {
                convert(&mut all[at - 3], show);
            }
        }
    }
    quoted(&all.join(" "))
}

/// What somebody typed, between quotation marks.
fn quoted(text: &str) -> String {
    let parts: Vec<&str> = text.split('`').collect();
    if parts.len().is_multiple_of(2) {
        // One mark has no other: it may belong to what was typed.
        return text.to_owned();
    }
    let marks = ["“", "”"].into_iter().cycle();
    let mut whole = String::new();
    for (part, mark) in parts.iter().zip(marks) {
        whole.push_str(part);
        whole.push_str(mark);
    }
    // One mark too many: behind the last part.
    whole.pop();
    whole
}

/// One word of a refusal, if a page says it otherwise.
fn word(word: &str, next: &str, show: &Show) -> Option<String> {
    let marks = |c: char| matches!(c, '(' | ')' | '.' | ',' | ';' | ':');
    let bare = word.trim_matches(marks);
    let put = |plain: &str| Some(word.replacen(bare, plain, 1));
    if bare.ends_with('Z')
        && let Ok(at) = bare.parse::<Timestamp>()
    {
        return put(&show.when(at));
    }
    let name = bare.strip_prefix('`')?.strip_suffix('`')?;
    let quantity = quantity_words(name);
    if quantity != name || name == "humidity" || name == "battery" {
        return put(quantity);
    }
    if let Some((_, unit)) = UNITS.iter().find(|(unit, _)| *unit == name) {
        return put(unit);
    }
    // What somebody typed stands in the same marks: only where a field is spoken of is it one.
    let of_field = word.ends_with(':')
        || matches!(next, "is" | "lies" | "without" | "has" | "needs")
        || next.starts_with(|c: char| c.is_ascii_digit());
    let (_, label) = FIELDS.iter().find(|(n, _)| *n == name)?;
    if of_field { put(label) } else { None }
}

/// A number with its unit behind it, before what else stands there; other words stay.
fn with_unit(word: &str, unit: &str) -> String {
    let bare = word.trim_end_matches([';', '.', ',']);
    match bare.parse::<f64>() {
        Ok(_) => format!("{bare} {unit}{}", &word[bare.len()..]),
        Err(_) => word.to_owned(),
    }
}

/// A number in °C in the baker's unit.
fn convert(word: &mut String, show: &Show) -> bool {
    let bare = word.trim_start_matches('(');
    let Ok(celsius) = bare.parse::<f64>() else {
        return false;
    };
    let before = &word[..word.len() - bare.len()];
    *word = format!("{before}{}", number(show.degrees(celsius), 1));
    true
}

/// Where a form is sent, a field's name, and its label there. `{unit}`: °C or °F.
const TYPED: [(&str, &str, &str); 46] = [
    ("/batches", "dough", "Dough"),
    ("/batches", "new_dough", "Its name"),
    ("/batches", "place", "It stands in"),
    ("/batches", "new_place", "Name of the place"),
    ("/batches", "pieces", "Pieces"),
    (
        "/batches/",
        "dough_temperature",
        "The dough's own temperature, {unit}",
    ),
    (
        "/batches",
        "dough_temperature",
        "Dough out of the mixer, {unit}",
    ),
    ("/batches", "vessel", "Bowl, tub or tin"),
    ("/batches", "flour_lot", "Flour: which bag or lot"),
    ("/batches", "yeast_lot", "Yeast: which pack or lot"),
    ("/batches", "ago_min", "How many minutes ago"),
    ("/batches", "clock", "Clock time"),
    ("/batches/", "height_start", "Height at the start, mm"),
    ("/batches/", "height_now", "Height now, mm"),
    ("/batches/", "note", "What to remember"),
    ("/batches/", "split_pieces", "Pieces that go"),
    ("/batches/", "split_place", "They stand in"),
    ("/doughs", "name", "Its name"),
    ("/doughs", "bulk_min", "Bulk proof: usual time, min"),
    ("/doughs", "bulk_at", "Bulk proof: at {unit}"),
    ("/doughs", "bulk_rise", "Bulk proof: ready when up by, %"),
    ("/doughs", "bulk_lead", "Bulk proof: tell me before, min"),
    ("/doughs", "final_min", "Final proof: usual time, min"),
    ("/doughs", "final_at", "Final proof: at {unit}"),
    ("/doughs", "final_rise", "Final proof: ready when up by, %"),
    ("/doughs", "final_lead", "Final proof: tell me before, min"),
    ("/doughs", "ceiling", "Warn me above, {unit}"),
    ("/doughs", "ingredient", "Ingredient"),
    ("/doughs", "mass", "Grams"),
    ("/places/plan", "clock", "When the clock shows"),
    ("/places/plan", "day", "Only on this day (else every day)"),
    ("/places/plan", "air", "How warm, in {unit}"),
    ("/places", "name", "Its name"),
    ("/sensors/assign", "name", "Call it"),
    ("/sensors/assign", "place", "It stands in"),
    ("/sensors/assign", "topic", "Topic"),
    ("/sensors/correct", "shown", "It says"),
    ("/sensors/correct", "is", "It is"),
    ("/sensors/correct", "shown2", "It says (2)"),
    ("/sensors/correct", "is2", "It is (2)"),
    ("/settings", "zone", "Time zone, like Europe/Oslo"),
    ("/reader-table", "room", "Their room, {unit}"),
    (
        "/reader-table",
        "dough_temperature",
        "Their dough out of the mixer, {unit}",
    ),
    ("/reader-table", "bulk_min", "Bulk, min"),
    ("/reader-table", "final_min", "Final proof, min"),
    ("/clock", "typed", "It is"),
];

/// The label under which a field of a form was typed; `None`: it was chosen or carried along, and is
/// nothing to type.
#[must_use]
pub fn label(sent_to: &str, name: &str, show: &Show) -> Option<String> {
    let here = |path: &str| sent_to == path || sent_to.starts_with(path);
    let (.., label) = TYPED.iter().find(|(path, n, _)| *n == name && here(path))?;
    Some(label.replace("{unit}", show.unit()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn show(fahrenheit: bool) -> Show {
        Show {
            now: "2026-01-10T07:00:00Z".parse().unwrap(),
            zone: jiff::tz::TimeZone::get("Europe/Oslo").unwrap(),
            fahrenheit,
        }
    }

    #[test]
    fn fields_moments_and_degrees_become_the_bakers_own() {
        let labels: Labels = &[("bulk_c", "Its air"), ("table", "On the table at")];
        for (fahrenheit, refusal, said) in [
            (
                false,
                "the bulk proof of `2026-knots` was started at 2026-01-10T06:05:00Z already: change that instead",
                "The bulk proof of “2026-knots” was started at 7:05 already: change that instead",
            ),
            (
                false,
                "`end` 2026-01-10T05:00:00Z is not after `start` 2026-01-10T06:05:00Z.",
                "The end 6:00 is not after the start 7:05.",
            ),
            (
                false,
                "`time` 2026-01-11T06:05:00Z lies over 10 minutes ahead (it is 2026-01-10T07:00:00Z)",
                "The time tomorrow 7:05 lies over 10 minutes ahead (it is 8:00)",
            ),
            (
                false,
                "table: `noon` is not a time: write 15:00, or RFC 3339 like 2026-01-10T15:00:00Z",
                "On the table at: “noon” is not a time: write 15:00",
            ),
            (
                true,
                "bulk_c: 100 °C is out of range: give -5 to 45 °C",
                "Its air: 212 °F is out of range: give 23 to 113 °F",
            ),
            (
                true,
                "tester's room, °C is 60; it must lie from 5 to 45.",
                "Tester's room is 140 °F; it must lie from 41 °F to 113 °F.",
            ),
            (
                true,
                "`planned`: `air` is 260 °C: a place is -20 to 60 °C",
                "The plan: the air is 500 °F: a place is -4 to 140 °F",
            ),
            (
                false,
                "sensor `shelf`: `unit`: `%RH` does not measure `air_temperature`",
                "Sensor “shelf”: the unit: % humidity does not measure air",
            ),
            // A place may be called like a field.
            (
                false,
                "there is no place `end`; known are: air.",
                "There is no place “end”; known are: air.",
            ),
            (false, "a lone ` stays", "A lone ` stays"),
            (false, "", ""),
        ] {
            assert_eq!(words(refusal, labels, &show(fahrenheit)), said);
        }
    }

    #[test]
    fn what_was_typed_has_the_label_of_its_form_and_what_was_tapped_none() {
        let label = |path, name| label(path, name, &show(true));
        assert_eq!(
            label("/doughs", "ceiling").as_deref(),
            Some("Warn me above, °F")
        );
        let of_batch = label("/batches/2026-knots/do", "dough_temperature");
        assert_eq!(of_batch.as_deref(), Some("The dough's own temperature, °F"));
        let of_start = label("/batches", "dough_temperature");
        assert_eq!(of_start.as_deref(), Some("Dough out of the mixer, °F"));
        assert_eq!(label("/batches/2026-knots/do", "do"), None);
        assert_eq!(label("/places", "kind"), None);
    }
}

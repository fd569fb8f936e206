//! What makes a log-book record acceptable by itself, before anything else is looked at.

use super::record::{
    Batch, Dough, Observation, ObservationKind, PlaceKind, PlannedChange, Reading, Record, Season,
    StageRecord, Unit,
};
use crate::time::{MINUTE_MS, UtcMs};

/// Times further ahead of now are refused (the bound that a well-known metrics server sets too).
pub const AHEAD_MS: i64 = 10 * MINUTE_MS;

/// The longest id.
pub const ID_LENGTH: usize = 64;

/// Checks a record and fills in what follows from it (an end without an outcome is `unknown`).
///
/// # Errors
/// What is wrong, and what to do.
pub fn record(record: Record, now: UtcMs) -> Result<Record, String> {
    Ok(match record {
        Record::Place(r) => {
            named("name", &r.name)?;
            for change in &r.planned {
                planned(change, r.kind.unwrap_or(PlaceKind::Room))
                    .map_err(|why| format!("`planned`: {why}"))?;
            }
            seasons(&r.seasons).map_err(|why| format!("`seasons`: {why}"))?;
            Record::Place(r)
        }
        Record::Dough(r) => Record::Dough(dough(r)?),
        Record::Batch(r) => Record::Batch(batch(r)?),
        Record::Stage(r) => Record::Stage(stage(r, now)?),
        Record::Move(r) => {
            named("place", &r.place)?;
            not_ahead("time", r.time, now)?;
            Record::Move(r)
        }
        Record::Observation(r) => Record::Observation(observation(r, now)?),
        Record::Reading(r) => Record::Reading(reading(r, now)?),
    })
}

/// The year cut into two or more, each from a day of its own.
fn seasons(all: &[Season]) -> Result<(), String> {
    let mut days = Vec::new();
    for season in all {
        named("name", &season.name)?;
        let Some(day) = season.first_day() else {
            return Err(format!(
                "`from` is `{}`: write month and day like 10-15",
                season.from
            ));
        };
        if days.contains(&day) {
            return Err(format!("two seasons begin on {}", season.from));
        }
        days.push(day);
    }
    if all.len() == 1 {
        return Err("one season is the whole year: name at least two, or none".into());
    }
    Ok(())
}

fn planned(change: &PlannedChange, kind: PlaceKind) -> Result<(), String> {
    match (&change.daily, change.time) {
        (Some(clock), None) if clock.parse::<jiff::civil::Time>().is_err() => {
            return Err(format!(
                "`daily` is `{clock}`: write a clock time like 06:30"
            ));
        }
        (Some(_), None) | (None, Some(_)) => {}
        _ => return Err("say either `daily` (a clock time) or `time`".into()),
    }
    if let Some(zone) = &change.zone
        && jiff::tz::TimeZone::get(zone).is_err()
    {
        return Err(format!("`zone` is `{zone}`: write a name like Europe/Oslo"));
    }
    match (change.air, change.on) {
        (Some(c), None) if !(PLANNED_AIR_C.contains(&c)) => Err(format!(
            "`air` is {c} °C: a place is {} to {} °C",
            PLANNED_AIR_C.start(),
            PLANNED_AIR_C.end()
        )),
        (None, Some(true)) if kind == PlaceKind::Room => {
            Err("a room that goes on needs `air`: how warm it gets".into())
        }
        (Some(_), None) | (None, Some(_)) => Ok(()),
        _ => Err("say either `air` (°C) or `on`".into()),
    }
}

/// Air somebody can plan for dough, °C: from a freezer's edge to past any yeast.
const PLANNED_AIR_C: std::ops::RangeInclusive<f64> = -20.0..=60.0;

fn dough(r: Dough) -> Result<Dough, String> {
    named("name", &r.name)?;
    Ok(r)
}

fn batch(r: Batch) -> Result<Batch, String> {
    id(&r.id)?;
    named("dough", &r.dough)?;
    named("place", &r.place)?;
    if r.from.as_deref() == Some(r.id.as_str()) {
        return Err("`from` names the batch itself".into());
    }
    Ok(r)
}

fn stage(mut r: StageRecord, now: UtcMs) -> Result<StageRecord, String> {
    not_ahead("start", r.start, now)?;
    if let Some(place) = &r.place {
        named("place", place)?;
    }
    match (r.end, r.outcome) {
        (None, Some(_)) => {
            return Err("`outcome` without `end`: say when it ended, or leave both out".into());
        }
        (Some(end), _) if end <= r.start => {
            return Err(format!("`end` {end} is not after `start` {}", r.start));
        }
        (Some(end), _) => {
            not_ahead("end", end, now)?;
            r.outcome.get_or_insert(super::record::Outcome::Unknown);
        }
        (None, None) => {}
    }
    Ok(r)
}

fn observation(r: Observation, now: UtcMs) -> Result<Observation, String> {
    not_ahead("time", r.time, now)?;
    let (there, field) = match r.kind {
        ObservationKind::Rise => (r.rise.is_some(), "rise"),
        ObservationKind::FingerDent => (r.result.is_some(), "result"),
        ObservationKind::DoughTemperature => (r.value.is_some(), "value"),
        ObservationKind::Note => (r.text.is_some(), "text"),
    };
    if !there {
        return Err(format!("a `{}` needs `{field}`", r.kind.as_str()));
    }
    if r.kind == ObservationKind::DoughTemperature
        && let Some(unit) = &r.unit
        && unit != Unit::Cel.as_str()
    {
        return Err(format!("`unit` is `{unit}`: the log book holds `Cel`"));
    }
    Ok(r)
}

fn reading(r: Reading, now: UtcMs) -> Result<Reading, String> {
    named("sensor", &r.sensor)?;
    not_ahead("time", r.time, now)?;
    if r.unit != r.quantity.unit() {
        return Err(format!(
            "`unit` is `{}`: the log book holds {} in `{}`",
            r.unit.as_str(),
            r.quantity.as_str(),
            r.quantity.unit().as_str()
        ));
    }
    Ok(r)
}

fn named(field: &str, name: &str) -> Result<(), String> {
    if name.trim().is_empty() {
        return Err(format!("`{field}` is empty"));
    }
    Ok(())
}

/// Whether a text can be a batch's id.
///
/// # Errors
/// What an id must look like.
pub fn id(id: &str) -> Result<(), String> {
    let fits = (1..=ID_LENGTH).contains(&id.len())
        && id
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.'));
    if fits {
        return Ok(());
    }
    Err(format!(
        "`{}` is no id: 1 to {ID_LENGTH} of letters, digits, `-`, `_`, `.`",
        id.chars().take(ID_LENGTH).collect::<String>()
    ))
}

fn not_ahead(field: &str, time: UtcMs, now: UtcMs) -> Result<(), String> {
    if time > now.plus_ms(AHEAD_MS) {
        return Err(format!(
            "`{field}` {time} lies over 10 minutes ahead (it is {now})"
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seasons_cut_the_year_or_are_refused() {
        let now = UtcMs::parse("2026-01-10T06:00:00Z").unwrap();
        let check = |seasons: &str| {
            let line = format!(r#"{{"record":"place","name":"p","seasons":[{seasons}]}}"#);
            record(serde_json::from_str(&line).unwrap(), now).map(drop)
        };
        let cold = r#"{"name":"cold","from":"10-15"}"#;
        assert_eq!(check(""), Ok(()));
        assert_eq!(
            check(&format!(r#"{cold},{{"name":"warm","from":"02-29"}}"#)),
            Ok(())
        );
        for (bad, word) in [
            (cold.to_owned(), "at least two"),
            (
                format!(r#"{cold},{{"name":"warm","from":"02-30"}}"#),
                "10-15",
            ),
            (
                format!(r#"{cold},{{"name":"warm","from":"10-15"}}"#),
                "two seasons begin",
            ),
            (format!(r#"{cold},{{"name":" ","from":"05-01"}}"#), "empty"),
        ] {
            let reason = check(&bad).unwrap_err();
            assert!(reason.contains(word), "{bad}: {reason}");
        }
    }

    #[test]
    fn a_plan_says_when_and_what_or_is_refused_with_what_to_do() {
        let now = UtcMs::parse("2026-01-10T06:00:00Z").unwrap();
        let check = |kind: &str, plan: &str| {
            let line =
                format!(r#"{{"record":"place","name":"p","kind":"{kind}","planned":[{plan}]}}"#);
            record(serde_json::from_str(&line).unwrap(), now).map(drop)
        };
        for fine in [
            r#"{"daily":"06:30","zone":"Europe/Oslo","air":22}"#,
            r#"{"time":"2027-01-10T06:00:00Z","on":false,"note":"kept"}"#,
        ] {
            assert_eq!(check("room", fine), Ok(()), "{fine}");
        }
        assert_eq!(check("oven", r#"{"daily":"05:00","on":true}"#), Ok(()));
        for (bad, word) in [
            (r#"{"air":22}"#, "`daily`"),
            (
                r#"{"daily":"06:30","time":"2026-01-10T06:00:00Z","air":22}"#,
                "either",
            ),
            (r#"{"daily":"half past","air":22}"#, "06:30"),
            (
                r#"{"daily":"06:30","zone":"Mars/Base","air":22}"#,
                "Europe/Oslo",
            ),
            (r#"{"daily":"06:30","air":220}"#, "220"),
            (r#"{"daily":"06:30"}"#, "`on`"),
            (r#"{"daily":"06:30","air":22,"on":true}"#, "either"),
            (r#"{"daily":"06:30","on":true}"#, "how warm"),
        ] {
            let reason = check("room", bad).unwrap_err();
            assert!(reason.contains(word), "{bad}: {reason}");
        }
    }
}

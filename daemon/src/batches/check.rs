//! What makes a log-book record acceptable by itself, before anything else is looked at.

use super::record::{
    Batch, Dough, Observation, ObservationKind, Reading, Record, StageRecord, Unit,
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

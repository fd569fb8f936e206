//! One line of a log book: what it is, a reading read fast, and how it waits for its turn.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::io::BufRead;

use serde::Deserialize;
use serde::de::IgnoredAny;

use crate::batches::record::{Quantity, Reading, Unit, num};
use crate::time::UtcMs;

/// The record of a line, without reading the rest.
pub(super) fn record_name(text: &str) -> Result<Cow<'_, str>, String> {
    #[derive(Deserialize)]
    struct Head<'a> {
        #[serde(borrow, default)]
        record: Option<Cow<'a, str>>,
    }
    if !text.starts_with('{') {
        return Err("is no JSON object".into());
    }
    let head: Head<'_> = serde_json::from_str(text).map_err(|e| {
        if e.is_data() {
            "`record` is not a text".to_owned()
        } else {
            format!("is not JSON: {e}")
        }
    })?;
    head.record
        .ok_or_else(|| "has no `record`, which says what it is".to_owned())
}

pub(super) fn without_position(error: &serde_json::Error) -> String {
    // The position is that of the line's end, which helps nobody.
    let text = error.to_string();
    text.split(" at line ").next().unwrap_or(&text).to_owned()
}

/// A reading, and the names of its unknown fields.
pub(super) fn parse_reading(text: &str) -> Result<(Reading, Vec<String>), String> {
    #[derive(Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Exact {
        #[serde(rename = "record")]
        _record: IgnoredAny,
        time: UtcMs,
        sensor: String,
        quantity: Quantity,
        #[serde(with = "num")]
        value: f64,
        unit: Unit,
        #[serde(default)]
        batch: Option<String>,
        #[serde(default)]
        kept_out: Option<String>,
        #[serde(default)]
        place: Option<String>,
        #[serde(default)]
        raw: Option<f64>,
        #[serde(default)]
        raw_unit: Option<Unit>,
    }
    const KNOWN: [&str; 11] = [
        "record", "time", "sensor", "quantity", "value", "unit", "batch", "kept_out", "place",
        "raw", "raw_unit",
    ];
    if let Ok(exact) = serde_json::from_str::<Exact>(text) {
        let reading = Reading {
            time: exact.time,
            sensor: exact.sensor,
            quantity: exact.quantity,
            value: exact.value,
            unit: exact.unit,
            batch: exact.batch,
            kept_out: exact.kept_out,
            place: exact.place,
            raw: exact.raw,
            raw_unit: exact.raw_unit,
        };
        return Ok((reading, Vec::new()));
    }
    let reading: Reading = serde_json::from_str(text).map_err(|e| without_position(&e))?;
    let fields: BTreeMap<String, IgnoredAny> =
        serde_json::from_str(text).map_err(|e| without_position(&e))?;
    let unknown = fields
        .into_keys()
        .filter(|name| !KNOWN.contains(&name.as_str()))
        .collect();
    Ok((reading, unknown))
}

pub(super) fn spooled(text: &str) -> Option<(usize, usize, Reading)> {
    let (source, rest) = text.split_once(' ')?;
    let (line, json) = rest.split_once(' ')?;
    let (reading, _) = parse_reading(json).ok()?;
    Some((source.parse().ok()?, line.parse().ok()?, reading))
}

/// Reads on to the end of an over-long line.
pub(super) fn skip_line(input: &mut dyn BufRead) -> std::io::Result<u64> {
    let mut skipped = 0;
    loop {
        let buffer = input.fill_buf()?;
        if buffer.is_empty() {
            return Ok(skipped);
        }
        let (length, found) = match buffer.iter().position(|b| *b == b'\n') {
            Some(at) => (at + 1, true),
            None => (buffer.len(), false),
        };
        input.consume(length);
        skipped += length as u64;
        if found {
            return Ok(skipped);
        }
    }
}

//! Bytes and a mapping in, measured values out: JSON by pointer, bare numbers, SenML (RFC 8428).
//!
//! Never panics and never guesses: what cannot be read is [`Bad`] with one line that says why, and
//! what merely lacks the mapping's field is passed over.

use serde_json::Value;
use smallvec::{SmallVec, smallvec};

use crate::batches::record::{Quantity, Unit};
use crate::config::sensor::Sensor;
use crate::time::UtcMs;

/// Largest payload read, bytes: an hour of a sensor's buffered records fits twice.
pub const MAX_PAYLOAD: usize = 64 * 1024;
/// Numbers from here up are milliseconds since 1970, below they are seconds (as the contract says).
const MILLISECONDS_FROM: f64 = 1e11;
/// The year 2000: a sensor's clock that is behind it counts from its start.
const NO_SENSOR_BEFORE: UtcMs = UtcMs(946_684_800_000);
/// The last second of the year 9999: beyond it a time cannot be written as RFC 3339.
const LAST_SECOND: f64 = 253_402_300_799.0;
/// RFC 8428, section 4.5.3: below 2^28 s a SenML time is relative to now.
const SENML_ABSOLUTE_FROM: f64 = 268_435_456.0;
/// The SenML version this reads (RFC 8428, section 4.4).
const SENML_VERSION: f64 = 10.0;

/// Why a payload could not be read: one line.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Bad(pub String);

/// One value as the payload says it.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// The number; `None`: there is something, but no finite number (`null`, `NaN`, "unavailable").
    pub number: Option<f64>,
    /// Its unit.
    pub unit: Unit,
    /// The payload's own time.
    pub time: When,
}

/// What one mapping finds in a payload: nearly always one value.
pub type Found = SmallVec<[Measured; 1]>;

/// When a value was true, as far as the payload says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// Nothing said: the time of arrival.
    Arrival,
    /// So many milliseconds from the time of arrival (SenML relative time): not the payload's own.
    Relative(i64),
    /// The payload's own time.
    Own(UtcMs),
}

/// A payload, parsed once for all mappings that claim it.
#[derive(Debug)]
pub struct Body<'a> {
    text: Option<&'a str>,
    json: Option<Value>,
    why_not_json: Option<String>,
}

impl<'a> Body<'a> {
    /// Parses; nothing is wrong until a mapping asks for what is not there.
    #[must_use]
    pub fn parse(payload: &'a [u8]) -> Self {
        if payload.len() > MAX_PAYLOAD {
            return Self {
                text: None,
                json: None,
                why_not_json: Some(format!(
                    "the payload has {} bytes, the most is {MAX_PAYLOAD}",
                    payload.len()
                )),
            };
        }
        let text = std::str::from_utf8(payload)
            .ok()
            .map(|t| t.trim_start_matches('\u{feff}').trim());
        let (json, why_not_json) = match text {
            None => (None, Some("the payload is not UTF-8 text".to_owned())),
            Some(t) => match serde_json::from_str::<Value>(t) {
                Ok(json) => (Some(json), None),
                Err(e) => (None, Some(format!("the payload is not JSON ({e})"))),
            },
        };
        Self {
            text,
            json,
            why_not_json,
        }
    }

    /// The payload as JSON, if it is.
    #[must_use]
    pub fn json(&self) -> Option<&Value> {
        self.json.as_ref()
    }

    /// The payload as one line of text of at most `length` characters, for people.
    #[must_use]
    pub fn preview(payload: &[u8], length: usize) -> String {
        let text = String::from_utf8_lossy(payload.get(..length * 4).unwrap_or(payload));
        let mut line: String = text
            .chars()
            .map(|c| if c.is_control() { ' ' } else { c })
            .take(length)
            .collect();
        if payload.len() > line.len() && text.chars().count() > length {
            line.push('…');
        }
        line
    }

    /// What this mapping finds here; nothing if the payload lacks the field or is another device's.
    ///
    /// # Errors
    /// If the payload should hold the value and cannot be read.
    pub fn measured(&self, spec: &Sensor) -> Result<Found, Bad> {
        if !spec.matches.is_empty() {
            let Some(json) = &self.json else {
                return Ok(Found::new());
            };
            let fits = spec
                .matches
                .iter()
                .all(|(pointer, wanted)| json.pointer(pointer).is_some_and(|v| same(v, wanted)));
            if !fits {
                return Ok(Found::new());
            }
        }
        match (&self.json, &spec.pointer) {
            (Some(Value::Array(records)), None) => senml(records, spec),
            (Some(json), Some(pointer)) => {
                let Some(value) = json.pointer(pointer) else {
                    return Ok(Found::new());
                };
                let number = number(value)
                    .map_err(|what| Bad(format!("`{pointer}` is {what}, not a number")))?;
                let time = own_time(json, spec)?;
                Ok(smallvec![Measured {
                    number,
                    unit: spec.unit,
                    time,
                }])
            }
            (None, Some(_)) => Err(Bad(self
                .why_not_json
                .clone()
                .unwrap_or_else(|| "the payload is not JSON".into()))),
            (_, None) => self.bare(spec),
        }
    }

    fn bare(&self, spec: &Sensor) -> Result<Found, Bad> {
        let found = match &self.json {
            Some(Value::Object(_)) => {
                return Err(Bad(
                    "the payload is a JSON object, not a bare number: give the mapping a `pointer`"
                        .into(),
                ));
            }
            Some(json) => number(json).map_err(|what| Bad(format!("the payload is {what}")))?,
            None => {
                let text = self.text.ok_or_else(|| {
                    Bad(self
                        .why_not_json
                        .clone()
                        .unwrap_or_else(|| "the payload cannot be read".into()))
                })?;
                if text.is_empty() {
                    return Err(Bad("the payload is empty".into()));
                }
                text_number(text)
            }
        };
        Ok(smallvec![Measured {
            number: found,
            unit: spec.unit,
            time: When::Arrival,
        }])
    }
}

/// `Ok(None)`: something that stands for "no number".
fn number(value: &Value) -> Result<Option<f64>, &'static str> {
    match value {
        Value::Number(n) => Ok(n.as_f64().filter(|v| v.is_finite())),
        Value::String(text) => Ok(text_number(text)),
        Value::Null => Ok(None),
        Value::Bool(_) => Err("true or false"),
        Value::Array(_) => Err("a list"),
        Value::Object(_) => Err("an object"),
    }
}

fn text_number(text: &str) -> Option<f64> {
    text.trim().parse::<f64>().ok().filter(|v| v.is_finite())
}

/// Equal, or the same number written differently (`42`, `42.0`, `"42"`).
fn same(found: &Value, wanted: &Value) -> bool {
    if found == wanted {
        return true;
    }
    match (number(found), number(wanted)) {
        (Ok(Some(a)), Ok(Some(b))) => (a - b).abs() <= f64::EPSILON * a.abs().max(b.abs()),
        _ => false,
    }
}

/// A sensor that says a time before the year 2000 has not heard yet what time it is.
fn set(time: UtcMs) -> When {
    if time < NO_SENSOR_BEFORE {
        When::Arrival
    } else {
        When::Own(time)
    }
}

fn own_time(json: &Value, spec: &Sensor) -> Result<When, Bad> {
    let Some(pointer) = &spec.time_pointer else {
        return Ok(When::Arrival);
    };
    match json.pointer(pointer) {
        None | Some(Value::Null) => Ok(When::Arrival),
        Some(Value::Number(n)) => n
            .as_f64()
            .and_then(from_1970)
            .map(set)
            .ok_or_else(|| Bad(format!("`{pointer}` holds {n}, which is no time"))),
        Some(Value::String(text)) => {
            if let Some(number) = text_number(text) {
                return from_1970(number)
                    .map(set)
                    .ok_or_else(|| Bad(format!("`{pointer}` holds {text}, which is no time")));
            }
            UtcMs::parse(text).map(set).map_err(Bad)
        }
        Some(_) => Err(Bad(format!("`{pointer}` holds no time"))),
    }
}

/// Seconds, or milliseconds from 1e11 up; `None` beyond what a date can be.
fn from_1970(number: f64) -> Option<UtcMs> {
    let ms = if number.abs() >= MILLISECONDS_FROM {
        number
    } else {
        number * 1000.0
    };
    (ms.is_finite() && ms.abs() <= LAST_SECOND * 1000.0).then(|| UtcMs(ms.round() as i64))
}

/// The records of a SenML pack that this mapping wants.
fn senml(records: &[Value], spec: &Sensor) -> Result<Found, Bad> {
    let mut base = Base::default();
    let mut found: Vec<(String, Measured)> = Vec::new();
    for (i, record) in records.iter().enumerate() {
        let Value::Object(fields) = record else {
            return Err(Bad(format!("SenML record {} is not an object", i + 1)));
        };
        // RFC 8428, section 4.4: a label that ends in `_` must be understood, and none is.
        if let Some(label) = fields.keys().find(|k| k.ends_with('_')) {
            return Err(Bad(format!(
                "SenML record {} holds `{label}`, which must be understood and is not",
                i + 1
            )));
        }
        let text = |key: &str| fields.get(key).and_then(Value::as_str);
        let num = |key: &str| -> Result<Option<f64>, Bad> {
            match fields.get(key) {
                None => Ok(None),
                Some(v) => v
                    .as_f64()
                    .filter(|v| v.is_finite())
                    .map(Some)
                    .ok_or_else(|| Bad(format!("SenML record {}: `{key}` is no number", i + 1))),
            }
        };
        if num("bver")?.is_some_and(|v| v > SENML_VERSION) {
            return Err(Bad("a SenML version newer than 10".into()));
        }
        if let Some(name) = text("bn") {
            name.clone_into(&mut base.name);
        }
        if let Some(t) = num("bt")? {
            base.time_s = t;
        }
        if let Some(unit) = text("bu") {
            base.unit = Some(unit.to_owned());
        }
        if let Some(v) = num("bv")? {
            base.value = v;
        }
        // A value that is no number may be in the pack; it is only bad if it is the one wanted.
        let value = match fields.get("v") {
            None => continue,
            Some(v) => number(v).ok().flatten().map(|v| v + base.value),
        };
        let name = format!("{}{}", base.name, text("n").unwrap_or(""));
        if spec
            .senml_name
            .as_ref()
            .is_some_and(|wanted| *wanted != name)
        {
            continue;
        }
        let unit = match text("u").or(base.unit.as_deref()) {
            None => spec.unit,
            Some(u) => match Unit::from_name(u) {
                Some(unit) if fits(unit, spec.quantity) => unit,
                _ if spec.senml_name.is_none() => continue,
                _ => {
                    return Err(Bad(format!(
                        "SenML record `{name}` is in `{u}`, which is no unit of {}",
                        spec.quantity.as_str()
                    )));
                }
            },
        };
        let total_s = base.time_s + num("t")?.unwrap_or(0.0);
        let time = senml_time(total_s)
            .ok_or_else(|| Bad(format!("SenML record `{name}`: {total_s} is no time")))?;
        found.push((
            name,
            Measured {
                number: value.filter(|v| v.is_finite()),
                unit,
                time,
            },
        ));
    }
    if spec.senml_name.is_none()
        && let Some((first, _)) = found.first()
        && let Some((other, _)) = found.iter().find(|(name, _)| name != first)
    {
        return Err(Bad(format!(
            "the SenML pack holds `{first}` and `{other}`: say which with `senml_name`"
        )));
    }
    Ok(found.into_iter().map(|(_, m)| m).collect())
}

#[derive(Default)]
struct Base {
    name: String,
    time_s: f64,
    unit: Option<String>,
    value: f64,
}

fn senml_time(total_s: f64) -> Option<When> {
    if total_s.abs() > LAST_SECOND || !total_s.is_finite() {
        return None;
    }
    let ms = (total_s * 1000.0).round() as i64;
    Some(if total_s >= SENML_ABSOLUTE_FROM {
        When::Own(UtcMs(ms))
    } else if ms == 0 {
        When::Arrival
    } else {
        When::Relative(ms)
    })
}

/// Whether a value in this unit can be this quantity.
#[must_use]
pub fn fits(unit: Unit, quantity: Quantity) -> bool {
    match quantity.unit() {
        Unit::Cel => matches!(unit, Unit::Cel | Unit::Kelvin | Unit::DegF),
        stored => unit == stored,
    }
}

#[cfg(test)]
#[path = "payload_tests.rs"]
mod tests;

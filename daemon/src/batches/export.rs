//! Export: the log book as text, always in the same order, with the same fields and numbers, so
//! that export, import into an empty directory and export give the same bytes.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;

use serde_json::{Map, Value};

use super::book::Book;
use super::record::{Quantity, Reading, Record};
use crate::store::{ReadingQuery, Store, StoreError, StoredReading};
use crate::time::UtcMs;

/// What goes out; nothing set: everything.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Filter {
    /// Batches whose first stage starts, and readings taken, not before.
    pub from: Option<UtcMs>,
    /// And before.
    pub to: Option<UtcMs>,
    /// Only this batch, with its places' readings from its first start to its last end.
    pub batch: Option<String>,
}

/// How much went out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Exported {
    /// Records other than readings.
    pub records: u64,
    /// Readings.
    pub readings: u64,
    /// Readings left out, because their value is not a number and the log book has no word for it.
    pub not_a_number: u64,
}

/// Why an export stopped.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The batch asked for does not exist.
    #[error("there is no batch `{0}`: `export` without `--batch` lists them")]
    NoBatch(String),
    /// The output cannot be written.
    #[error("the export cannot be written")]
    Output(#[source] std::io::Error),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Writes the log book.
///
/// # Errors
/// If store or output fail; what was written by then is no whole log book.
pub fn export(
    store: &dyn Store,
    filter: &Filter,
    out: &mut dyn Write,
) -> Result<Exported, ExportError> {
    export_told(store, filter, out, &mut |_| ())
}

/// The same, telling now and then how far it is.
///
/// # Errors
/// As [`export`].
pub fn export_told(
    store: &dyn Store,
    filter: &Filter,
    out: &mut dyn Write,
    progress: &mut dyn FnMut(Exported),
) -> Result<Exported, ExportError> {
    const TELL_EVERY: u64 = 4096;
    let book = Book::from_records(store.book()?);
    let scope = Scope::new(&book, filter, store)?;
    let mut so_far = Exported::default();
    for record in scope.records(&book) {
        write_line(out, &line(&record)).map_err(ExportError::Output)?;
        so_far.records += 1;
    }
    progress(so_far);
    let mut failed = None;
    let query = ReadingQuery {
        from: scope.from,
        to: scope.to,
        with_kept_out: true,
        ..ReadingQuery::default()
    };
    store
        .each_reading(&query, &mut |reading| {
            if failed.is_some() || !scope.has(&reading) {
                return Ok(());
            }
            if !reading.value.is_finite() {
                so_far.not_a_number += 1;
                return Ok(());
            }
            failed = write_line(out, &reading_line(reading)).err();
            so_far.readings += 1;
            if so_far.readings.is_multiple_of(TELL_EVERY) {
                progress(so_far);
            }
            match failed {
                // Ends the walk; the output's own error is told below.
                Some(_) => Err(StoreError::Corrupt("the output failed".into())),
                None => Ok(()),
            }
        })
        .or_else(|error| match &failed {
            Some(_) => Ok(()),
            None => Err(error),
        })?;
    if let Some(error) = failed {
        return Err(ExportError::Output(error));
    }
    out.flush().map_err(ExportError::Output)?;
    progress(so_far);
    Ok(so_far)
}

fn write_line(out: &mut dyn Write, line: &str) -> std::io::Result<()> {
    out.write_all(line.as_bytes())?;
    out.write_all(b"\n")
}

/// Which records and readings a filter chooses.
struct Scope {
    from: Option<UtcMs>,
    to: Option<UtcMs>,
    /// `None`: all.
    batches: Option<BTreeSet<String>>,
    /// `None`: all. With `--batch`: only readings from these places, or of this batch.
    stood_in: Option<(BTreeSet<String>, String)>,
}

impl Scope {
    fn new(book: &Book, filter: &Filter, store: &dyn Store) -> Result<Self, ExportError> {
        let mut scope = Self {
            from: filter.from,
            to: filter.to,
            batches: None,
            stood_in: None,
        };
        if let Some(id) = &filter.batch {
            if !book.batches.contains_key(id) {
                return Err(ExportError::NoBatch(id.clone()));
            }
            scope.narrow_to(book, id);
            scope.batches = Some(BTreeSet::from([id.clone()]));
        } else if filter.from.is_some() || filter.to.is_some() {
            let chosen = book.batches.keys().filter(|id| {
                book.own_stages(id)
                    .map(|s| s.start)
                    .min()
                    .is_some_and(|start| scope.spans(start))
            });
            scope.batches = Some(chosen.cloned().collect());
        }
        let Some(mut chosen) = scope.batches.take() else {
            return Ok(scope);
        };
        // A reading that names a batch is of use only with that batch.
        for quantity in Quantity::ALL.into_iter().filter(|q| q.is_of_dough()) {
            let query = ReadingQuery {
                quantity: Some(quantity),
                from: scope.from,
                to: scope.to,
                with_kept_out: true,
                ..ReadingQuery::default()
            };
            store.each_reading(&query, &mut |reading| {
                if scope.has(&reading)
                    && let Some(batch) = reading.batch
                {
                    chosen.insert(batch.into());
                }
                Ok(())
            })?;
        }
        // And a part is of use only with the whole it was split from.
        let mut wholes: Vec<String> = chosen.iter().cloned().collect();
        while let Some(id) = wholes.pop() {
            if let Some(from) = book.batches.get(&id).and_then(|b| b.from.clone())
                && chosen.insert(from.clone())
            {
                wholes.push(from);
            }
        }
        scope.batches = Some(chosen);
        Ok(scope)
    }

    /// Only one batch: its places, from its first start to its last end.
    fn narrow_to(&mut self, book: &Book, id: &str) {
        let stages: Vec<_> = super::record::StageKind::BOTH
            .into_iter()
            .filter_map(|kind| book.stage(id, kind))
            .collect();
        let mut places = BTreeSet::new();
        if let Some(first) = stages.iter().map(|s| s.start).min() {
            let last = if stages.iter().any(|s| s.end.is_none()) {
                UtcMs(i64::MAX)
            } else {
                let ends = stages.iter().filter_map(|s| s.end);
                // The end itself is included.
                ends.max().unwrap_or(first).plus_ms(1)
            };
            places.extend(book.stays(id, first, last).into_iter().map(|(_, p)| p));
            self.from = Some(self.from.map_or(first, |from| from.max(first)));
            self.to = Some(self.to.map_or(last, |to| to.min(last)));
        } else {
            self.to = Some(UtcMs(i64::MIN));
        }
        self.stood_in = Some((places, id.to_owned()));
    }

    fn spans(&self, time: UtcMs) -> bool {
        self.from.is_none_or(|from| from <= time) && self.to.is_none_or(|to| time < to)
    }

    /// Whether a reading within the span goes out.
    fn has(&self, reading: &StoredReading) -> bool {
        self.stood_in.as_ref().is_none_or(|(places, batch)| {
            let place = reading.place.as_ref().unwrap_or(&reading.sensor);
            places.contains(place.as_str()) || reading.batch.as_deref() == Some(batch.as_str())
        })
    }

    /// The records that go out, in order.
    fn records(&self, book: &Book) -> Vec<Record> {
        let chosen = |id: &str| self.batches.as_ref().is_none_or(|ids| ids.contains(id));
        let mut records: Vec<Record> = book
            .records()
            .into_iter()
            .filter(|record| match record {
                Record::Batch(r) => chosen(&r.id),
                Record::Stage(r) => chosen(&r.batch),
                Record::Move(r) => chosen(&r.batch),
                Record::Observation(r) => chosen(&r.batch),
                Record::Place(_) | Record::Dough(_) => true,
                Record::Reading(_) => false,
            })
            .collect();
        if self.batches.is_some() {
            let (places, doughs) = brought_along(book, &records);
            records.retain(|record| match record {
                Record::Place(r) => places.contains(&r.name),
                Record::Dough(r) => doughs.contains(&r.name),
                _ => true,
            });
        }
        records.sort_by_cached_key(|record| order(book, record));
        records
    }
}

/// Names of the places and doughs that records speak of.
fn brought_along(book: &Book, records: &[Record]) -> (BTreeSet<String>, BTreeSet<String>) {
    let mut doughs = BTreeSet::new();
    let mut places = BTreeSet::new();
    for record in records {
        match record {
            Record::Batch(r) => {
                doughs.insert(r.dough.clone());
                places.insert(r.place.clone());
            }
            Record::Stage(r) => places.extend(r.place.clone()),
            Record::Move(r) => {
                places.insert(r.place.clone());
            }
            _ => {}
        }
    }
    let mut inner: Vec<String> = places.iter().cloned().collect();
    while let Some(name) = inner.pop() {
        if let Some(around) = book.places.get(&name).and_then(|p| p.inside.clone())
            && places.insert(around.clone())
        {
            inner.push(around);
        }
    }
    (places, doughs)
}

/// Kind of record, then time (none first), then id or name, then kind or stage.
fn order(book: &Book, record: &Record) -> (u8, Option<UtcMs>, String, &'static str) {
    match record {
        Record::Place(r) => (0, None, r.name.clone(), ""),
        Record::Dough(r) => (1, None, r.name.clone(), ""),
        Record::Batch(r) => (
            2,
            book.own_stages(&r.id).map(|s| s.start).min(),
            r.id.clone(),
            "",
        ),
        Record::Stage(r) => (3, Some(r.start), r.batch.clone(), r.stage.as_str()),
        Record::Move(r) => (4, Some(r.time), r.batch.clone(), ""),
        Record::Observation(r) => (5, Some(r.time), r.batch.clone(), r.kind.as_str()),
        Record::Reading(r) => (6, Some(r.time), r.sensor.clone(), r.quantity.as_str()),
    }
}

/// A reading's line. Its fields stand in order already.
fn reading_line(reading: StoredReading) -> String {
    let place = reading.place.filter(|place| *place != reading.sensor);
    // A raw value that is no number has no word in the log book.
    let raw = reading.raw.filter(|(raw, _)| raw.is_finite());
    line_of(&Record::Reading(Reading {
        time: reading.time,
        unit: reading.quantity.unit(),
        batch: reading.batch.map(Into::into),
        kept_out: reading.kept_out.map(|reason| reason.as_str().to_owned()),
        place: place.map(Into::into),
        raw: raw.map(|(raw, _)| raw),
        raw_unit: raw.map(|(_, unit)| unit),
        sensor: reading.sensor.into(),
        quantity: reading.quantity,
        value: reading.value,
    }))
}

fn line_of(record: &Record) -> String {
    serde_json::to_string(record).expect("records have text keys and finite numbers only")
}

/// A record's line: the fields of the interface's examples in their order, others after them by
/// name.
#[must_use]
pub fn line(record: &Record) -> String {
    let first: &[&str] = match record {
        Record::Place(_) => &["record", "name", "kind"],
        Record::Dough(_) => &[
            "record", "name", "bulk", "final", "ceiling", "lead_min", "caution",
        ],
        Record::Batch(_) => &[
            "record",
            "id",
            "dough",
            "place",
            "pieces",
            "piece_mass_g",
            "formula",
        ],
        Record::Stage(_) => &[
            "record",
            "batch",
            "stage",
            "start",
            "end",
            "outcome",
            "dough_temperature",
        ],
        Record::Move(_) => &["record", "batch", "time", "place"],
        Record::Observation(_) => &[
            "record", "batch", "time", "kind", "rise", "result", "value", "unit",
        ],
        Record::Reading(_) => return line_of(record),
    };
    let value = serde_json::to_value(record).expect("records have text keys");
    tidy(value, first).to_string()
}

/// Puts fields in order and whole numbers without `.0`.
fn tidy(value: Value, first: &[&str]) -> Value {
    match value {
        Value::Object(mut fields) => {
            let mut ordered = Map::new();
            for name in first {
                if let Some(inner) = fields.shift_remove(*name) {
                    ordered.insert((*name).to_owned(), tidy(inner, inside(name)));
                }
            }
            let others: BTreeMap<String, Value> = fields.into_iter().collect();
            for (name, inner) in others {
                let within = inside(&name);
                ordered.insert(name, tidy(inner, within));
            }
            Value::Object(ordered)
        }
        Value::Array(items) => items.into_iter().map(|item| tidy(item, first)).collect(),
        Value::Number(number) => match number.as_f64() {
            // Whole numbers below 2^53 are the same in both types.
            Some(float) if number.is_f64() && float.fract() == 0.0 && float.abs() < 1e16 => {
                Value::from(float as i64)
            }
            _ => Value::Number(number),
        },
        other => other,
    }
}

/// The order of the fields inside a field, as the examples have it.
fn inside(field: &str) -> &'static [&'static str] {
    match field {
        "bulk" | "final" => &["usual_min", "at", "target_rise"],
        "lead_min" => &["bulk", "final"],
        "formula" => &["ingredient", "mass_g"],
        _ => &[],
    }
}

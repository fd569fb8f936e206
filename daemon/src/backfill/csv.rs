//! A CSV file's rows to readings: any of the usual separators, decimal commas, a byte-order mark,
//! times in a zone of their own. A bad line is named by its number and the rest goes in; with
//! `strict` nothing does.

use std::io::{BufReader, Read, Seek, SeekFrom};

use ::csv::{ByteRecord, Reader};
use jiff::tz::TimeZone;
use serde::Serialize;

use super::dates::{DateOrder, Dates};
use super::head::{self, Find, Head, Lines, text};
use super::mapping::{Column, Mapping};
use super::moment::{Moments, zone};
use super::{Progress, Report, Taker, number};
use crate::batches::book::Book;
use crate::batches::record::{Quantity, Unit};
use crate::store::{KeptOut, Store, StoreError, StoredReading};
use crate::time::{MINUTE_MS, UtcMs};

/// Times further ahead of now are bad lines (import's rule).
const AHEAD_MS: i64 = 10 * MINUTE_MS;
/// Rows shown as they stand in the file.
const ROWS_SHOWN: usize = 5;
/// Rows looked at for how dates are written.
const ROWS_LOOKED_AT: usize = 2_000;
/// Readings shown as they will be stored.
const READINGS_SHOWN: usize = 12;
/// Lines between two tellings of progress.
const TELL_EVERY: u64 = 2_048;

/// Why a file cannot be taken in.
#[derive(Debug, thiserror::Error)]
pub enum CsvError {
    /// It cannot be read.
    #[error("the file cannot be read: {0}")]
    Input(#[source] std::io::Error),
    /// It has no header, or one that does not fit.
    #[error("{0}")]
    Header(String),
    /// The mapping cannot work.
    #[error("{0}")]
    Mapping(String),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Told to stop.
    #[error("stopped before the end")]
    Stopped,
}

/// A file that can be gone through more than once.
pub trait Input: Read + Seek {}
impl<T: Read + Seek> Input for T {}

/// The beginning of a file.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Beginning {
    /// The names in the header.
    pub header: Vec<String>,
    /// The header's line, from 1.
    pub header_line: u64,
    /// The first rows, as they stand there.
    pub rows: Vec<Vec<String>>,
    /// For each column in which order the first rows' dates seem to be written; `None` where there are
    /// none or it makes no difference.
    pub dates: Vec<Option<DateOrder>>,
}

impl Beginning {
    /// In which order the dates of a column seem to be written.
    #[must_use]
    pub fn dates_in(&self, column: &str) -> Option<DateOrder> {
        let at = self.header.iter().position(|name| name == column)?;
        *self.dates.get(at)?
    }
}

/// One reading as it will be stored.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Shown {
    /// The line it stands in.
    pub line: u64,
    /// When it was true.
    pub time: UtcMs,
    /// Which sensor.
    pub sensor: String,
    /// What.
    pub quantity: Quantity,
    /// Its value, in the unit it is stored in.
    pub value: f64,
    /// That unit.
    pub unit: Unit,
    /// Why it is kept out of the forecasts, if it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kept_out: Option<KeptOut>,
}

/// What a run would do.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Preview {
    /// The first readings.
    pub first: Vec<Shown>,
    /// How many there are in all.
    pub readings: u64,
    /// Counts, span and bad lines; nothing is stored.
    #[serde(flatten)]
    pub report: Report,
}

/// What a run needs to know besides file and mapping.
#[derive(Clone, Copy, Debug)]
pub struct Around<'a> {
    /// The book: its places.
    pub book: &'a Book,
    /// The moment it is.
    pub now: UtcMs,
    /// The zone of times that say none, where the mapping has none.
    pub usual_zone: &'a str,
}

/// Looks at the beginning of a file.
///
/// # Errors
/// If it cannot be read or has no header.
pub fn beginning(input: &mut dyn Input, find: Find<'_>, now: UtcMs) -> Result<Beginning, CsvError> {
    let (mut reader, head) = open(input, find)?;
    let (mut rows, mut looked_at) = (Vec::new(), 0);
    let mut dates = vec![Dates::default(); head.names.len()];
    let today = TimeZone::UTC.to_datetime(now.timestamp()).date();
    let mut record = ByteRecord::new();
    while looked_at < ROWS_LOOKED_AT && next(&mut reader, &mut record)? {
        looked_at += 1;
        for (dates, cell) in dates.iter_mut().zip(record.iter()) {
            dates.see(&text(cell));
        }
        if rows.len() < ROWS_SHOWN {
            rows.push(record.iter().map(text).collect());
        }
    }
    Ok(Beginning {
        header: head.names,
        header_line: head.line,
        rows,
        dates: dates.iter().map(|d| d.order(today)).collect(),
    })
}

/// The first kept mapping that fits a file, and the file's beginning as it reads it.
///
/// # Errors
/// If the file cannot be read.
pub fn known(
    input: &mut dyn Input,
    kept: Vec<Mapping>,
    now: UtcMs,
) -> Result<Option<(Mapping, Beginning)>, CsvError> {
    for mapping in kept {
        match beginning(input, Find::Of(&mapping), now) {
            Ok(found) if mapping.fits(&found.header) => return Ok(Some((mapping, found))),
            Ok(_) | Err(CsvError::Header(_)) => {}
            Err(error) => return Err(error),
        }
    }
    Ok(None)
}

/// Goes through the whole file and stores nothing.
///
/// # Errors
/// If the file cannot be read or the mapping does not fit it.
pub fn preview(
    input: &mut dyn Input,
    mapping: &Mapping,
    around: &Around<'_>,
) -> Result<Preview, CsvError> {
    let mut preview = Preview::default();
    let (mut first, mut readings) = (Vec::new(), 0);
    let mut report = Report::default();
    walk(
        input,
        mapping,
        around,
        &mut report,
        &mut |_| true,
        &mut |line, r, _| {
            readings += 1;
            if first.len() < READINGS_SHOWN {
                first.push(Shown {
                    line,
                    time: r.time,
                    unit: r.quantity.unit(),
                    kept_out: r.kept_out,
                    sensor: r.sensor.into(),
                    quantity: r.quantity,
                    value: r.value,
                });
            }
            Ok(())
        },
    )?;
    (preview.first, preview.readings, preview.report) = (first, readings, report);
    Ok(preview)
}

/// Told how far a run is; `false` stops it (what is stored stays).
pub type Tell<'t> = dyn FnMut(Progress) -> bool + 't;

/// Takes the whole file in. What is stored already is passed over, so that a run that was cut off is
/// repeated; with `strict` the file is gone through first and nothing goes in when a line is bad.
///
/// # Errors
/// If the file cannot be read, the mapping does not fit it or the store cannot be written; whole
/// chunks written until then stay.
pub fn import(
    store: &dyn Store,
    input: &mut dyn Input,
    mapping: &Mapping,
    around: &Around<'_>,
    strict: bool,
    progress: &mut Tell<'_>,
) -> Result<Report, CsvError> {
    if strict {
        let mut report = Report::default();
        walk(
            input,
            mapping,
            around,
            &mut report,
            progress,
            &mut |_, _, _| Ok(()),
        )?;
        if report.bad > 0 {
            report.refused = true;
            return Ok(report);
        }
    }
    let mut report = Report::default();
    let mut taker = Taker::new(store);
    let walked = walk(
        input,
        mapping,
        around,
        &mut report,
        progress,
        &mut |_, r, report| taker.put(r, report),
    );
    taker.finish(around.now, &mut report)?;
    walked?;
    Ok(report)
}

/// What is done with each reading and the number of its line.
type Each<'e> = dyn FnMut(u64, StoredReading, &mut Report) -> Result<(), StoreError> + 'e;

fn walk(
    input: &mut dyn Input,
    mapping: &Mapping,
    around: &Around<'_>,
    report: &mut Report,
    progress: &mut Tell<'_>,
    each: &mut Each<'_>,
) -> Result<(), CsvError> {
    mapping.check().map_err(CsvError::Mapping)?;
    let size = input.seek(SeekFrom::End(0)).map_err(CsvError::Input)?;
    let (mut reader, head) = open(input, Find::Of(mapping))?;
    let header = head.names;
    let at = |name: &str| {
        header.iter().position(|h| h == name).ok_or_else(|| {
            CsvError::Header(format!(
                "the file has no column `{}`; its columns are {}",
                number::cut(name),
                listed(&header)
            ))
        })
    };
    let time_at = at(&mapping.time)?;
    let clock_at = mapping.clock.as_deref().map(at).transpose()?;
    let columns: Vec<(usize, &Column, Option<String>)> = mapping
        .values
        .iter()
        .map(|c| {
            let named = around.book.places.contains_key(&c.sensor);
            let place = c.place.clone().or_else(|| named.then(|| c.sensor.clone()));
            Ok((at(&c.column)?, c, place))
        })
        .collect::<Result<_, CsvError>>()?;
    let zone =
        zone(mapping.zone.as_deref().unwrap_or(around.usual_zone)).map_err(CsvError::Mapping)?;
    let mut moments = Moments::new(zone, mapping.dates);
    let mut record = ByteRecord::new();
    let mut readings = 0;
    while next(&mut reader, &mut record)? {
        let line = reader.get_ref().line();
        report.lines += 1;
        if report.lines.is_multiple_of(TELL_EVERY)
            && !progress(Progress {
                done: reader.position().byte().min(size),
                of: size,
                readings,
            })
        {
            return Err(CsvError::Stopped);
        }
        let row = match row(&record, (time_at, clock_at), &columns, &mut moments, around) {
            Ok(row) => row,
            Err(why) => {
                report.bad(line, why);
                continue;
            }
        };
        report.empty += row.empty;
        for reading in row.readings {
            report.met(reading.time);
            readings += 1;
            each(line, reading, report)?;
        }
    }
    if report.lines == 0 {
        report
            .notes
            .push("no line stands below the columns' names".into());
    }
    if moments.told_by_order > 0 {
        report.notes.push(format!(
            "{} times lie in the hour that the clocks went through twice; they were told by the order of the lines",
            moments.told_by_order
        ));
    }
    progress(Progress {
        done: size,
        of: size,
        readings,
    });
    Ok(())
}

struct Row {
    readings: Vec<StoredReading>,
    empty: u64,
}

/// One line: all of it, or what is wrong.
fn row(
    record: &ByteRecord,
    (time_at, clock_at): (usize, Option<usize>),
    columns: &[(usize, &Column, Option<String>)],
    moments: &mut Moments,
    around: &Around<'_>,
) -> Result<Row, String> {
    let cell = |at: usize| {
        record
            .get(at)
            .map(text)
            .ok_or_else(|| format!("has {} columns, too few for the header", record.len()))
    };
    let time = match clock_at {
        None => moments.read(&cell(time_at)?)?,
        Some(clock_at) => moments.read_two(&cell(time_at)?, &cell(clock_at)?)?,
    };
    if time > around.now.plus_ms(AHEAD_MS) {
        return Err(format!(
            "{time} lies over 10 minutes ahead (it is {})",
            around.now
        ));
    }
    let mut row = Row {
        readings: Vec::with_capacity(columns.len()),
        empty: 0,
    };
    for (at, column, place) in columns {
        let number = number::read(&cell(*at)?)
            .map_err(|why| format!("column `{}`: {why}", number::cut(&column.column)))?;
        let Some(number) = number else {
            row.empty += 1;
            continue;
        };
        let value = column.unit.to_stored(number);
        row.readings.push(StoredReading {
            time,
            arrived: around.now,
            sensor: column.sensor.as_str().into(),
            quantity: column.quantity,
            value,
            raw: (column.unit != column.quantity.unit()).then_some((number, column.unit)),
            kept_out: column.quantity.implausible(value),
            place: place.as_deref().map(Into::into),
            batch: None,
        });
    }
    Ok(row)
}

/// Reads the rows of a file.
type Rows<'i> = Reader<Lines<BufReader<&'i mut dyn Input>>>;

/// A reader behind the header, and the header.
fn open<'i>(input: &'i mut dyn Input, find: Find<'_>) -> Result<(Rows<'i>, Head), CsvError> {
    let head = head::find(input, find)?;
    input.rewind().map_err(CsvError::Input)?;
    let mut reader = head::reader(head.separator, BufReader::new(input));
    let mut record = ByteRecord::new();
    while next(&mut reader, &mut record)? && reader.get_ref().line() < head.line {}
    Ok((reader, head))
}

fn next<R: Read>(reader: &mut Reader<R>, record: &mut ByteRecord) -> Result<bool, CsvError> {
    reader.read_byte_record(record).map_err(|e| {
        CsvError::Input(match e.into_kind() {
            ::csv::ErrorKind::Io(e) => e,
            other => std::io::Error::other(format!("{other:?}")),
        })
    })
}

fn listed(header: &[String]) -> String {
    let names: Vec<String> = header
        .iter()
        .map(|h| format!("`{}`", number::cut(h)))
        .collect();
    names.join(", ")
}

#[cfg(test)]
#[path = "csv_tests.rs"]
mod tests;

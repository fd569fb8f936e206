//! Import: log-book lines of any number into a store, by the contract's rules, with or without a
//! daemon beside it.
//!
//! References may point anywhere within the run, so nothing is written before the last line is
//! read. The book's records wait in memory (a book is small); readings wait in a spool that goes to
//! disk beyond `SPOOL_IN_MEMORY`, so that memory does not grow with them. Then the book is written
//! in one transaction and the readings in chunks; a run that is cut off there can be repeated,
//! because importing a file twice changes nothing.

mod line;
mod references;

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom, Write};

use tempfile::SpooledTempFile;

use self::line::{parse_reading, record_name, skip_line, spooled, without_position};
use self::references::{bad_reference, cut, stands_in, unknown_batch, with_formula};
use super::apply::BadLine;
use super::book::Book;
use super::check;
use super::record::{Batch, Reading, Record};
use crate::store::{Arrival, Edit, KeptOut, Store, StoreError, StoredReading};
use crate::time::UtcMs;

/// Readings waiting in memory before they go to a temporary file.
const SPOOL_IN_MEMORY: usize = 8 << 20;

/// The longest line: far above any record, far below what would hurt.
const LONGEST_LINE: u64 = 1 << 20;

/// Readings written in one transaction: short enough that a daemon beside the import does not
/// notice, long enough that the disk's wait is shared by many.
const CHUNK: usize = 2_000;

/// Names of unknown fields and records listed in a warning; more are only counted.
const NAMES_LISTED: usize = 20;

/// How far a run is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// Lines read.
    pub lines: u64,
    /// Bytes read.
    pub bytes: u64,
    /// Readings waiting or stored: all that will be looked at in the second part.
    pub readings: u64,
    /// Readings looked at in the second part.
    pub done: u64,
}

/// Told what happens during a run.
pub trait Listener {
    /// A bad line, as soon as it is known to be one.
    fn bad(&mut self, source: &str, line: BadLine);
    /// Now and then.
    fn progress(&mut self, _so_far: Progress) {}
    /// New readings, after they were stored.
    fn stored(&mut self, _readings: Vec<StoredReading>) {}
}

/// What became of a run.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// Records written: new or different ones.
    pub written: usize,
    /// Readings stored.
    pub readings: u64,
    /// Readings that were there already.
    pub again: u64,
    /// Bad lines.
    pub bad: u64,
    /// Unknown records and fields dropped, one sentence each.
    pub warnings: Vec<String>,
    /// Number under which the book's changes can be undone.
    pub group: Option<i64>,
}

/// Why a run stopped.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// The input cannot be read.
    #[error("{name} cannot be read")]
    Input {
        /// The file's name.
        name: String,
        /// The system's own error.
        #[source]
        source: std::io::Error,
    },
    /// The waiting readings cannot be written to a temporary file or read back.
    #[error("the readings could not wait in a temporary file: free some space in {}", std::env::temp_dir().display())]
    Spool(#[source] std::io::Error),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// One run over any number of inputs.
pub struct Importer<'a> {
    store: &'a dyn Store,
    base: &'a Book,
    now: UtcMs,
    sources: Vec<String>,
    waiting: Vec<Waiting>,
    spool: SpooledTempFile,
    named_by_readings: BTreeSet<String>,
    unknown_records: BTreeMap<String, u64>,
    unknown_fields: BTreeSet<String>,
    with_unknown_fields: u64,
    so_far: Progress,
    bad: u64,
}

/// What is done with a chunk of readings.
type WriteChunk<'w> =
    dyn FnMut(Vec<StoredReading>, &mut dyn Listener) -> Result<(), StoreError> + 'w;

/// A good record whose references are still to be looked at.
struct Waiting {
    source: usize,
    line: usize,
    record: Record,
}

impl<'a> Importer<'a> {
    /// A run into `store`, whose book is `base`, at the moment `now`.
    #[must_use]
    pub fn new(store: &'a dyn Store, base: &'a Book, now: UtcMs) -> Self {
        Self {
            store,
            base,
            now,
            sources: Vec::new(),
            waiting: Vec::new(),
            spool: SpooledTempFile::new(SPOOL_IN_MEMORY),
            named_by_readings: BTreeSet::new(),
            unknown_records: BTreeMap::new(),
            unknown_fields: BTreeSet::new(),
            with_unknown_fields: 0,
            so_far: Progress::default(),
            bad: 0,
        }
    }

    /// Reads one input to its end; its lines count from 1.
    ///
    /// # Errors
    /// If it cannot be read. Bad lines are no error: the listener is told.
    pub fn read(
        &mut self,
        name: &str,
        input: &mut dyn BufRead,
        listener: &mut dyn Listener,
    ) -> Result<(), ImportError> {
        const TELL_EVERY: u64 = 4096;
        let reading = |source| ImportError::Input {
            name: name.to_owned(),
            source,
        };
        self.sources.push(name.to_owned());
        let mut line = Vec::new();
        for number in 1.. {
            line.clear();
            let length = Read::take(&mut *input, LONGEST_LINE)
                .read_until(b'\n', &mut line)
                .map_err(reading)?;
            if length == 0 {
                break;
            }
            self.so_far.lines += 1;
            self.so_far.bytes += length as u64;
            let outcome = if length as u64 == LONGEST_LINE && line.last() != Some(&b'\n') {
                self.so_far.bytes += skip_line(input).map_err(reading)?;
                Err(format!("is longer than {LONGEST_LINE} bytes"))
            } else {
                self.take(&line, number)?
            };
            if let Err(reason) = outcome {
                self.bad += 1;
                listener.bad(
                    name,
                    BadLine {
                        line: number,
                        reason,
                    },
                );
            }
            if self.so_far.lines.is_multiple_of(TELL_EVERY) {
                listener.progress(self.so_far);
            }
        }
        listener.progress(self.so_far);
        Ok(())
    }

    /// One line: the outer error stops the run, the inner one is a bad line.
    fn take(&mut self, line: &[u8], number: usize) -> Result<Result<(), String>, ImportError> {
        let Ok(text) = std::str::from_utf8(line) else {
            return Ok(Err("is not UTF-8 text".into()));
        };
        let text = text.trim_start_matches('\u{feff}').trim();
        if text.is_empty() {
            return Ok(Ok(()));
        }
        let record = match record_name(text) {
            Ok(record) => record,
            Err(reason) => return Ok(Err(reason)),
        };
        match record.as_ref() {
            "reading" => match self.check_reading(text) {
                Err(reason) => return Ok(Err(reason)),
                Ok(()) => {
                    let source = self.sources.len() - 1;
                    writeln!(self.spool, "{source} {number} {text}").map_err(ImportError::Spool)?;
                    self.so_far.readings += 1;
                }
            },
            "place" | "dough" | "batch" | "stage" | "move" | "observation" => {
                let record = serde_json::from_str::<Record>(text)
                    .map_err(|e| without_position(&e))
                    .and_then(|record| check::record(record, self.now));
                match record {
                    Err(reason) => return Ok(Err(reason)),
                    Ok(record) => self.waiting.push(Waiting {
                        source: self.sources.len() - 1,
                        line: number,
                        record,
                    }),
                }
            }
            unknown => {
                if self.unknown_records.len() < NAMES_LISTED
                    || self.unknown_records.contains_key(unknown)
                {
                    *self.unknown_records.entry(unknown.to_owned()).or_default() += 1;
                }
            }
        }
        Ok(Ok(()))
    }

    fn check_reading(&mut self, text: &str) -> Result<(), String> {
        let (reading, unknown) = parse_reading(text)?;
        let reading = match check::record(Record::Reading(reading), self.now)? {
            Record::Reading(reading) => reading,
            _ => return Err("is no reading".into()),
        };
        let mut dropped = !unknown.is_empty();
        for name in unknown {
            if self.unknown_fields.len() < NAMES_LISTED {
                self.unknown_fields.insert(name);
            }
        }
        if let Some(batch) = reading.batch {
            if reading.quantity.is_of_dough() {
                self.named_by_readings.insert(batch);
            } else {
                dropped = true;
                self.unknown_fields.insert("batch".into());
            }
        }
        self.with_unknown_fields += u64::from(dropped);
        Ok(())
    }

    /// Looks at the references and writes what is good; with `strict` nothing when a line is bad.
    ///
    /// # Errors
    /// If the store or the spool fails; what was written until then stays.
    pub fn finish(
        mut self,
        strict: bool,
        listener: &mut dyn Listener,
    ) -> Result<Report, ImportError> {
        let mut report = Report {
            warnings: self.warnings(),
            ..Report::default()
        };
        self.drop_bad_references(listener);
        let mut merged = self.base.clone();
        for waiting in &self.waiting {
            merged.put(waiting.record.clone());
        }
        let unknown_batch = self
            .named_by_readings
            .iter()
            .any(|id| !merged.batches.contains_key(id));
        if strict && (self.bad > 0 || unknown_batch) {
            if unknown_batch {
                self.each_spooled(listener, &merged, &mut |_, _| Ok(()))?;
            }
            report.bad = self.bad;
            return Ok(report);
        }
        let edits = self.edits(&mut merged);
        report.written = edits
            .iter()
            .filter(|edit| match edit {
                Edit::Put(record) => stands_in(self.base, record).as_ref() != Some(record),
                Edit::Remove(_) => true,
            })
            .count();
        if !edits.is_empty() {
            report.group = Some(self.store.edit(self.now, &edits)?).filter(|group| *group != 0);
        }
        let store = self.store;
        let (mut new, mut again) = (0_u64, 0_u64);
        let mut write = |chunk: Vec<StoredReading>, listener: &mut dyn Listener| {
            let arrival = Arrival {
                readings: chunk.into(),
                own_time: true,
                packet: None,
            };
            for stored in store.append(&[arrival])? {
                new += stored.new.len() as u64;
                again += u64::from(stored.again);
                if !stored.new.is_empty() {
                    listener.stored(stored.new.into_vec());
                }
            }
            Ok(())
        };
        self.each_spooled(listener, &merged, &mut write)?;
        if new > 0 {
            // A daemon beside this one hears of readings only so.
            self.store.edit(self.now, &[])?;
        }
        report.readings = new;
        report.again = again;
        report.bad = self.bad;
        Ok(report)
    }

    /// Takes out records that name an unknown batch, until none is left: a batch that goes may
    /// take others with it.
    fn drop_bad_references(&mut self, listener: &mut dyn Listener) {
        loop {
            let mut batches: BTreeMap<&str, &Batch> = self
                .base
                .batches
                .iter()
                .map(|(id, batch)| (id.as_str(), batch))
                .collect();
            for waiting in &self.waiting {
                if let Record::Batch(batch) = &waiting.record {
                    batches.insert(&batch.id, batch);
                }
            }
            let bad: BTreeMap<usize, String> = self
                .waiting
                .iter()
                .enumerate()
                .filter_map(|(at, w)| Some((at, bad_reference(&w.record, &batches)?)))
                .collect();
            if bad.is_empty() {
                return;
            }
            let waiting = std::mem::take(&mut self.waiting);
            for (at, record) in waiting.into_iter().enumerate() {
                match bad.get(&at) {
                    None => self.waiting.push(record),
                    Some(reason) => {
                        self.bad += 1;
                        listener.bad(
                            &self.sources[record.source],
                            BadLine {
                                line: record.line,
                                reason: reason.clone(),
                            },
                        );
                    }
                }
            }
        }
    }

    /// The run's records, each key once as it stands at the end, and the formulas that batches take
    /// over at their first stage.
    fn edits(&mut self, merged: &mut Book) -> Vec<Edit> {
        let mut touched: BTreeSet<String> = BTreeSet::new();
        let mut keys = BTreeSet::new();
        let mut edits = Vec::new();
        // The last line of a key counts, and stands where it stood.
        for waiting in self.waiting.drain(..).rev() {
            match &waiting.record {
                Record::Batch(batch) => {
                    touched.insert(batch.id.clone());
                }
                Record::Stage(stage) => {
                    touched.insert(stage.batch.clone());
                }
                _ => {}
            }
            if let Some(key) = waiting.record.key()
                && keys.insert(key)
            {
                edits.push(Edit::Put(waiting.record));
            }
        }
        edits.reverse();
        for id in touched {
            let Some(batch) = with_formula(self.base, merged, &id) else {
                continue;
            };
            merged.put(Record::Batch(batch.clone()));
            let own = edits.iter_mut().find_map(|edit| match edit {
                Edit::Put(Record::Batch(put)) if put.id == id => Some(put),
                _ => None,
            });
            match own {
                Some(put) => *put = batch,
                None => edits.push(Edit::Put(Record::Batch(batch))),
            }
        }
        edits
    }

    /// Gives the waiting readings in chunks, as they are to be stored.
    fn each_spooled(
        &mut self,
        listener: &mut dyn Listener,
        book: &Book,
        write: &mut WriteChunk<'_>,
    ) -> Result<(), ImportError> {
        let places = book.places_named();
        self.so_far.done = 0;
        self.spool
            .seek(SeekFrom::Start(0))
            .map_err(ImportError::Spool)?;
        let mut spool = BufReader::new(&mut self.spool);
        let mut text = String::new();
        let mut chunk = Vec::with_capacity(CHUNK);
        loop {
            text.clear();
            let ended = spool.read_line(&mut text).map_err(ImportError::Spool)? == 0;
            if !ended {
                self.so_far.done += 1;
                let (source, line, reading) = spooled(text.trim_end())
                    .ok_or_else(|| ImportError::Spool(std::io::ErrorKind::InvalidData.into()))?;
                match &reading.batch {
                    Some(id)
                        if reading.quantity.is_of_dough() && !book.batches.contains_key(id) =>
                    {
                        self.bad += 1;
                        listener.bad(
                            self.sources.get(source).map_or("", String::as_str),
                            BadLine {
                                line,
                                reason: unknown_batch(id),
                            },
                        );
                    }
                    _ => chunk.push(to_store(reading, self.now, &places)),
                }
            }
            if chunk.len() >= CHUNK || (ended && !chunk.is_empty()) {
                write(std::mem::take(&mut chunk), listener)?;
                listener.progress(self.so_far);
            }
            if ended {
                return Ok(());
            }
        }
    }

    fn warnings(&self) -> Vec<String> {
        let mut warnings: Vec<String> = self
            .unknown_records
            .iter()
            .map(|(name, count)| {
                let lines = if *count == 1 {
                    "line was"
                } else {
                    "lines were"
                };
                format!("unknown record `{}`: {count} {lines} not kept", cut(name))
            })
            .collect();
        if self.with_unknown_fields > 0 {
            let names: Vec<String> = self
                .unknown_fields
                .iter()
                .map(|name| format!("`{}`", cut(name)))
                .collect();
            let readings = if self.with_unknown_fields == 1 {
                "reading"
            } else {
                "readings"
            };
            warnings.push(format!(
                "unknown fields on {} {readings} were dropped: {}",
                self.with_unknown_fields,
                names.join(", ")
            ));
        }
        warnings
    }
}

/// As it is stored: its place said, or that of the sensor's name where there is one.
fn to_store(reading: Reading, now: UtcMs, places: &BTreeSet<&str>) -> StoredReading {
    let place = reading.place.or_else(|| {
        places
            .contains(reading.sensor.as_str())
            .then(|| reading.sensor.clone())
    });
    let kept_out = match &reading.kept_out {
        Some(reason) => Some(KeptOut::from_name(reason)),
        None => reading.quantity.implausible(reading.value),
    };
    StoredReading {
        time: reading.time,
        arrived: now,
        raw: reading
            .raw
            .map(|raw| (raw, reading.raw_unit.unwrap_or(reading.unit))),
        kept_out,
        place: place.map(Into::into),
        batch: reading
            .batch
            .filter(|_| reading.quantity.is_of_dough())
            .map(Into::into),
        sensor: reading.sensor.into(),
        quantity: reading.quantity,
        value: reading.value,
    }
}

//! Readings from before: a CSV file that another logger wrote, or what an earlier installation left
//! in the user's InfluxDB bucket. Either way they are taken as written (import's rule: nothing is
//! corrected again), land where their own times put them, and are stored once: the same series at
//! the same time is the same reading, so a run that was cut off is simply repeated.

pub mod csv;
pub mod dates;
pub mod flux;
pub mod head;
pub mod mapping;
pub mod moment;
pub mod number;
pub mod uploads;

use serde::Serialize;

use crate::app::App;
use crate::store::{Arrival, Store, StoreError, StoredReading};
use crate::time::UtcMs;

/// Readings written in one transaction: short enough that live readings do not wait for it, long
/// enough that the disk's wait is shared by many.
const CHUNK: usize = 2_000;
/// Bad lines that are kept to be shown; the rest are counted.
pub const BAD_SHOWN: usize = 100;

/// One bad line of a file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct BadLine {
    /// Its number, from 1 (the header is a line too).
    pub line: u64,
    /// What is wrong with it.
    pub reason: String,
}

/// How far a run is, in parts of the whole.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Progress {
    /// What is done, in bytes of a file or milliseconds of a span.
    pub done: u64,
    /// Of so much.
    pub of: u64,
    /// Readings met so far.
    pub readings: u64,
}

/// What became of a run.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Report {
    /// Lines (or points) read.
    pub lines: u64,
    /// Readings newly stored.
    pub stored: u64,
    /// Readings that were there already.
    pub again: u64,
    /// Of the new ones, how many are kept out of the forecasts because they cannot be true.
    pub kept_out: u64,
    /// Cells without a number, passed over.
    pub empty: u64,
    /// Bad lines.
    pub bad: u64,
    /// The first of them.
    pub bad_lines: Vec<BadLine>,
    /// The earliest time.
    pub from: Option<UtcMs>,
    /// The latest time.
    pub to: Option<UtcMs>,
    /// What is worth knowing, one sentence each.
    pub notes: Vec<String>,
    /// Whether nothing went in because a line was bad.
    pub refused: bool,
}

impl Report {
    fn bad(&mut self, line: u64, reason: String) {
        self.bad += 1;
        if self.bad_lines.len() < BAD_SHOWN {
            self.bad_lines.push(BadLine { line, reason });
        }
    }

    fn met(&mut self, time: UtcMs) {
        self.from = Some(self.from.map_or(time, |t| t.min(time)));
        self.to = Some(self.to.map_or(time, |t| t.max(time)));
    }
}

/// Writes readings in chunks, each whole or not at all.
struct Taker<'a> {
    store: &'a dyn Store,
    waiting: Vec<StoredReading>,
}

impl<'a> Taker<'a> {
    fn new(store: &'a dyn Store) -> Self {
        Self {
            store,
            waiting: Vec::with_capacity(CHUNK),
        }
    }

    fn put(&mut self, reading: StoredReading, report: &mut Report) -> Result<(), StoreError> {
        self.waiting.push(reading);
        if self.waiting.len() >= CHUNK {
            return self.write(report);
        }
        Ok(())
    }

    fn write(&mut self, report: &mut Report) -> Result<(), StoreError> {
        if self.waiting.is_empty() {
            return Ok(());
        }
        let arrival = Arrival {
            readings: std::mem::take(&mut self.waiting).into(),
            own_time: true,
            packet: None,
        };
        for stored in self.store.append(&[arrival])? {
            report.stored += stored.new.len() as u64;
            report.again += u64::from(stored.again);
            report.kept_out += stored.new.iter().filter(|r| r.kept_out.is_some()).count() as u64;
        }
        Ok(())
    }

    /// Writes the rest, and has a daemon beside this process look again.
    fn finish(mut self, now: UtcMs, report: &mut Report) -> Result<(), StoreError> {
        self.write(report)?;
        if report.stored > 0 {
            self.store.edit(now, &[])?;
        }
        Ok(())
    }
}

/// Has this process's own rooms look again after a run: every forecast is redone from the whole.
///
/// # Errors
/// If the store cannot be read.
pub fn tell(app: &App, report: &Report) -> Result<(), StoreError> {
    if report.stored > 0 {
        app.metrics.stored.inc_by(report.stored);
        app.live.memory().forget();
        app.reload_book()?;
    }
    Ok(())
}

#[cfg(test)]
mod late_tests;

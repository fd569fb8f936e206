//! The embedded store: one SQLite file, `doughwarden.db`, in the data directory.
//!
//! Limits and invariants:
//! - WAL with `synchronous = FULL`: a write that returned is on disk; a torn tail loses only what
//!   had not returned.
//! - One writing connection behind a mutex, reading connections beside it; another process (a
//!   command beside the daemon) may write too, each transaction waits for the other's.
//! - A reading is one row of `reading`, keyed by series and time; names are kept once in `name`.
//!   Nothing asked at start-up walks through the readings: counts stand in `series`, the newest is
//!   found by its key.
//! - On a full or read-only disk a write fails as [`StoreError::NoRoom`] and nothing is changed; the
//!   writing connection is opened afresh with the next write, so that it recovers alone. A small
//!   reserve on the disk is given up then, for what is no reading; see `reserve.rs`.
//! - Schema versions stand in `user_version`; see `schema.rs`.

mod alerts;
mod book;
mod copy_queue;
mod packets;
mod pool;
mod readings;
mod repair;
mod reserve;
mod schema;
mod settings;
mod summaries;
mod upkeep;

use std::path::{Path, PathBuf};

use rusqlite::Connection;
use serde_json::Value;

use self::pool::Pool;
use super::{
    AlertRow, Arrival, Bucket, CalibrationRow, ChangeLogEntry, CopyItem, CopyQueue, Edit, KeptOut,
    OutboxRow, ReadingQuery, Result, SeriesStatus, Store, StoreError, Stored, StoredReading,
};
use crate::batches::record::{Quantity, Record};
use crate::time::{HOUR_MS, MINUTE_MS, UtcMs};

pub use self::repair::{Kept, repair, repair_in_place};
pub use self::schema::SCHEMA;
pub use self::upkeep::{back_up, check, file_in, restore};

/// The file's name in the data directory.
pub const FILE: &str = "doughwarden.db";

/// The embedded store.
#[derive(Debug)]
pub struct SqliteStore {
    pool: Pool,
}

impl SqliteStore {
    /// Opens the store of a data directory; creates both if need be, and brings an older schema up
    /// to this version's (a copy is taken first).
    ///
    /// # Errors
    /// [`StoreError::Newer`] for a newer version's data, else what the system or SQLite says.
    pub fn open(data_dir: &Path) -> Result<Self> {
        super::lock::make_dir(data_dir)?;
        let file = data_dir.join(FILE);
        let expected = upkeep::frames_in_wal(&file);
        let mut writer = pool::connect(&file)?;
        if let Some(expected) = expected {
            upkeep::report_lost_tail(&writer, expected);
        }
        schema::bring_up(&mut writer, &file)?;
        Ok(Self {
            pool: Pool::new(file, writer),
        })
    }

    /// Where the file is.
    #[must_use]
    pub fn file(&self) -> PathBuf {
        self.pool.file().to_path_buf()
    }
}

/// Turns SQLite's error into ours, with what was being done.
fn failed(doing: &'static str) -> impl Fn(rusqlite::Error) -> StoreError {
    move |source| {
        use rusqlite::ErrorCode::{CannotOpen, DiskFull, ReadOnly, SystemIoFailure};
        match source.sqlite_error_code() {
            Some(DiskFull | ReadOnly | SystemIoFailure | CannotOpen) => {
                StoreError::NoRoom(source.to_string())
            }
            _ => StoreError::Sqlite { doing, source },
        }
    }
}

/// Reads a stored document.
fn document(text: &str) -> Result<Value> {
    serde_json::from_str(text).map_err(|e| StoreError::Corrupt(e.to_string()))
}

/// Moves the counter on that tells other processes to look again.
fn touch(tx: &Connection) -> rusqlite::Result<()> {
    tx.prepare_cached("UPDATE revision SET number = number + 1")?
        .execute([])?;
    Ok(())
}

impl Store for SqliteStore {
    fn append(&self, arrivals: &[Arrival]) -> Result<Vec<Stored>> {
        self.pool.write_readings("store readings", |tx, names| {
            readings::append(tx, names, arrivals)
        })
    }

    fn readings(&self, query: &ReadingQuery<'_>) -> Result<Vec<StoredReading>> {
        let mut found = Vec::new();
        self.each_reading(query, &mut |reading| {
            found.push(reading);
            Ok(())
        })?;
        Ok(found)
    }

    fn each_reading(
        &self,
        query: &ReadingQuery<'_>,
        each: &mut dyn FnMut(StoredReading) -> Result<()>,
    ) -> Result<()> {
        self.pool.read(|conn| readings::each(conn, query, each))
    }

    fn buckets(
        &self,
        sensor: &str,
        quantity: Quantity,
        from: UtcMs,
        to: UtcMs,
        bucket_s: u32,
    ) -> Result<Vec<Bucket>> {
        self.pool
            .read(|conn| readings::buckets(conn, sensor, quantity, from, to, bucket_s))
    }

    fn series(&self) -> Result<Vec<SeriesStatus>> {
        self.pool.read(readings::series)
    }

    fn mark(
        &self,
        sensor: &str,
        quantity: Quantity,
        time: UtcMs,
        kept_out: Option<KeptOut>,
    ) -> Result<()> {
        self.pool.write_readings("mark a reading", |tx, names| {
            readings::mark(tx, names, sensor, quantity, time, kept_out)
        })
    }

    fn book(&self) -> Result<Vec<Record>> {
        self.pool.read(book::all)
    }

    fn edit(&self, at: UtcMs, edits: &[Edit]) -> Result<i64> {
        self.pool
            .write_told("change the log book", |tx| book::edit(tx, at, edits))
    }

    fn changes(&self, newest: usize) -> Result<Vec<ChangeLogEntry>> {
        self.pool.read(|conn| book::changes(conn, newest))
    }

    fn undo(&self, at: UtcMs, group: i64) -> Result<bool> {
        self.pool
            .write_told("undo a change", |tx| book::undo(tx, at, group))
    }

    fn revision(&self) -> Result<i64> {
        self.pool.others_revision()
    }

    fn alert(&self, id: &str) -> Result<Option<AlertRow>> {
        self.pool.read(|conn| alerts::one(conn, id))
    }

    fn alerts(&self, from: Option<UtcMs>, to: Option<UtcMs>) -> Result<Vec<AlertRow>> {
        self.pool.read(|conn| alerts::raised(conn, from, to))
    }

    fn open_alerts(&self) -> Result<Vec<AlertRow>> {
        self.pool.read(alerts::open)
    }

    fn put_alerts(&self, alerts: &[AlertRow], outbox: &[OutboxRow]) -> Result<()> {
        self.pool.write("store an alert", |tx, _| {
            alerts.iter().try_for_each(|row| alerts::put(tx, row))?;
            outbox
                .iter()
                .try_for_each(|row| alerts::put_outbox(tx, row))
        })
    }

    fn outbox(&self, channel: &str) -> Result<Vec<OutboxRow>> {
        self.pool.read(|conn| alerts::waiting(conn, channel))
    }

    fn outbox_history(&self, newest: usize) -> Result<Vec<OutboxRow>> {
        self.pool.read(|conn| alerts::history(conn, newest))
    }

    fn put_outbox(&self, row: &OutboxRow) -> Result<()> {
        self.pool.write("store a message's fate", |tx, _| {
            alerts::put_outbox(tx, row)
        })
    }

    fn file_calibration(&self, at: UtcMs, stages: u32, doc: &Value) -> Result<i64> {
        self.pool.write_told("file a calibration", |tx| {
            settings::file_calibration(tx, at, stages, doc)
        })
    }

    fn calibrations(&self) -> Result<Vec<CalibrationRow>> {
        self.pool.read(settings::calibrations)
    }

    fn roll_back_to(&self, version: i64) -> Result<bool> {
        self.pool.write_told("roll a calibration back", |tx| {
            settings::roll_back_to(tx, version)
        })
    }

    fn setting(&self, name: &str) -> Result<Option<Value>> {
        self.pool.read(|conn| settings::get(conn, name))
    }

    fn set_setting(&self, name: &str, value: Option<&Value>) -> Result<()> {
        self.pool
            .write_told("store a setting", |tx| settings::set(tx, name, value))
    }

    fn copy_bound(&self, items: Option<u64>) -> Result<()> {
        self.pool.write("set the copy's bound", |tx, _| {
            copy_queue::set_bound(tx, items)
        })
    }

    fn copy_again(&self, from: UtcMs, to: UtcMs) -> Result<u64> {
        self.pool
            .write("queue readings for the copy again", |tx, _| {
                copy_queue::again(tx, from, to)
            })
    }

    fn copy_take(&self, most: usize) -> Result<Vec<CopyItem>> {
        self.pool.read(|conn| copy_queue::take(conn, most))
    }

    fn copy_done(&self, up_to: i64) -> Result<()> {
        self.pool
            .write("take sent readings off the copy's queue", |tx, _| {
                copy_queue::done(tx, up_to)
            })
    }

    fn copy_queue(&self) -> Result<CopyQueue> {
        self.pool.read(copy_queue::status)
    }

    fn sum_up(&self, to: UtcMs) -> Result<()> {
        let to = summaries::floor(to.0, HOUR_MS);
        for series in self.pool.read(readings::series_ids)? {
            while self.pool.write_readings("sum readings up", |tx, _| {
                summaries::sum_stretch(tx, series, to)
            })? {}
        }
        Ok(())
    }

    fn thin(&self, before: UtcMs, spared: &[(UtcMs, UtcMs)]) -> Result<u64> {
        self.sum_up(before)?;
        // What waits for the copy is still to be read.
        let waits = self.pool.read(copy_queue::earliest)?;
        let before = before.min(waits.unwrap_or(before));
        let before = summaries::floor(before.0, HOUR_MS);
        // The stretches between what is spared, in whole minutes.
        let mut spared = spared.to_vec();
        spared.sort_unstable();
        let mut gaps = Vec::with_capacity(spared.len() + 1);
        let mut from = i64::MIN;
        for (start, end) in spared {
            let start = summaries::floor(start.0, MINUTE_MS).min(before);
            if from < start {
                gaps.push((from, start));
            }
            from = from.max(summaries::ceil(end.0.saturating_add(1), MINUTE_MS));
        }
        if from < before {
            gaps.push((from, before));
        }
        let mut gone = 0;
        for series in self.pool.read(readings::series_ids)? {
            for (from, to) in &gaps {
                loop {
                    let some = self.pool.write("thin old readings", |tx, _| {
                        summaries::thin_some(tx, series, *from, *to)
                    })?;
                    gone += some;
                    if some == 0 {
                        break;
                    }
                }
            }
        }
        Ok(gone)
    }

    fn forget_packets(&self, before: UtcMs) -> Result<u64> {
        self.pool.write("forget old packets", |tx, names| {
            names.packets.forget(tx, before)
        })
    }

    fn probe_write(&self) -> Result<()> {
        self.pool.write_readings("try a write", |tx, _| {
            tx.execute(
                "INSERT INTO probe (id, tries) VALUES (1, 1)
                 ON CONFLICT (id) DO UPDATE SET tries = (tries + 1) % 256",
                [],
            )
            .map_err(failed("try a write"))?;
            Ok(())
        })
    }
}

#[cfg(test)]
mod file_tests;
#[cfg(test)]
mod packet_tests;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod thin_tests;
#[cfg(test)]
mod time_tests;

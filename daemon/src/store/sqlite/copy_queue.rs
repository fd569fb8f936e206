//! Which readings still wait to be copied to the outside store, in order of storing.
//!
//! The queue holds keys, not readings: some twenty bytes each. `copy_bound` has its one row only
//! while a copy is configured; past that many items the oldest are dropped and counted. Items are
//! taken away only from the old end, so the queue's length is the span of its numbers.

use rusqlite::{Connection, OptionalExtension, params};

use super::{failed, readings};
use crate::store::{CopyItem, CopyQueue, Result, StoreError};
use crate::time::UtcMs;

const QUEUEING: &str = "queue readings for the copy";
const READING: &str = "read the copy's queue";

pub(super) fn queue(tx: &Connection, series: i64, time: UtcMs) -> rusqlite::Result<()> {
    tx.prepare_cached("INSERT INTO copy (series, time) VALUES (?1, ?2)")?
        .execute(params![series, time.0])?;
    Ok(())
}

/// Whether a copy is configured: asked once a transaction, not with each reading.
pub(super) fn wanted(tx: &Connection) -> Result<bool> {
    tx.prepare_cached("SELECT EXISTS (SELECT 1 FROM copy_bound)")
        .and_then(|mut query| query.query_row([], |row| row.get(0)))
        .map_err(failed(QUEUEING))
}

/// Queues what is stored of a span once more, in order of time; nothing of it where the queue has no
/// room for all.
pub(super) fn again(tx: &Connection, from: UtcMs, to: UtcMs) -> Result<u64> {
    let queued = tx
        .prepare_cached(
            "INSERT INTO copy (series, time)
             SELECT series.id, reading.time FROM series
             JOIN reading ON reading.series = series.id
                 AND reading.time >= ?1 AND reading.time < ?2
             WHERE EXISTS (SELECT 1 FROM copy_bound)
             ORDER BY reading.time, series.id",
        )
        .and_then(|mut insert| insert.execute(params![from.0, to.0]))
        .map_err(failed(QUEUEING))?;
    let full: Option<bool> = tx
        .query_row(
            "SELECT max(seq) - min(seq) + 1 > (SELECT items FROM copy_bound) FROM copy",
            [],
            |row| row.get(0),
        )
        .map_err(failed(QUEUEING))?;
    if queued > 0 && full == Some(true) {
        return Err(StoreError::Unusable(format!(
            "the queue for the copy has no room for {queued} readings more (`influx.queue_mib`)"
        )));
    }
    Ok(queued as u64)
}

/// Drops the oldest items past the bound, and counts them.
pub(super) fn keep_bound(tx: &Connection) -> Result<()> {
    let dropped = tx
        .prepare_cached(
            "DELETE FROM copy WHERE seq <=
                 (SELECT max(seq) FROM copy) - (SELECT items FROM copy_bound)",
        )
        .and_then(|mut delete| delete.execute([]))
        .map_err(failed(QUEUEING))?;
    if dropped > 0 {
        let dropped = i64::try_from(dropped).unwrap_or(i64::MAX);
        tx.execute("UPDATE copy_bound SET dropped = dropped + ?1", [dropped])
            .map_err(failed(QUEUEING))?;
    }
    Ok(())
}

pub(super) fn set_bound(tx: &Connection, items: Option<u64>) -> Result<()> {
    let bounding = failed(QUEUEING);
    let Some(items) = items else {
        // Nobody will ever take them: a copy set up later is filled from the store on request.
        tx.execute("DELETE FROM copy_bound", [])
            .map_err(&bounding)?;
        tx.execute("DELETE FROM copy", []).map_err(&bounding)?;
        return Ok(());
    };
    let items = i64::try_from(items).unwrap_or(i64::MAX);
    tx.execute(
        "INSERT INTO copy_bound (id, items, dropped) VALUES (1, ?1, 0)
         ON CONFLICT (id) DO UPDATE SET items = excluded.items",
        [items],
    )
    .map_err(&bounding)?;
    Ok(())
}

pub(super) fn take(conn: &Connection, most: usize) -> Result<Vec<CopyItem>> {
    let mut query = conn
        .prepare_cached("SELECT seq, series, time FROM copy ORDER BY seq LIMIT ?1")
        .map_err(failed(READING))?;
    let keys: Vec<(i64, i64, i64)> = query
        .query_map([i64::try_from(most).unwrap_or(i64::MAX)], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?))
        })
        .and_then(Iterator::collect)
        .map_err(failed(READING))?;
    let series = readings::all_series(conn)?;
    let mut texts = readings::Texts::default();
    keys.into_iter()
        .map(|(seq, id, time)| {
            let known = series.iter().find(|s| s.id == id);
            let reading = match known {
                // Thinned meanwhile: the item stays, so that the queue can move past it.
                None => None,
                Some(s) => readings::at_key(conn, &mut texts, s, time).map_err(failed(READING))?,
            };
            Ok(CopyItem { seq, reading })
        })
        .collect()
}

pub(super) fn done(tx: &Connection, up_to: i64) -> Result<()> {
    tx.prepare_cached("DELETE FROM copy WHERE seq <= ?1")
        .and_then(|mut delete| delete.execute([up_to]))
        .map_err(failed("take sent readings off the copy's queue"))?;
    Ok(())
}

/// The earliest time of a reading that waits.
pub(super) fn earliest(conn: &Connection) -> Result<Option<UtcMs>> {
    let earliest: Option<i64> = conn
        .query_row("SELECT min(time) FROM copy", [], |row| row.get(0))
        .map_err(failed(READING))?;
    Ok(earliest.map(UtcMs))
}

pub(super) fn status(conn: &Connection) -> Result<CopyQueue> {
    let reading = failed(READING);
    let span: (Option<i64>, Option<i64>) = conn
        .query_row("SELECT min(seq), max(seq) FROM copy", [], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .map_err(&reading)?;
    let oldest: Option<i64> = conn
        .query_row("SELECT time FROM copy ORDER BY seq LIMIT 1", [], |row| {
            row.get(0)
        })
        .optional()
        .map_err(&reading)?;
    let dropped: Option<i64> = conn
        .query_row("SELECT dropped FROM copy_bound", [], |row| row.get(0))
        .optional()
        .map_err(&reading)?;
    let waiting = match span {
        (Some(first), Some(last)) => u64::try_from(last - first + 1).unwrap_or(0),
        _ => 0,
    };
    Ok(CopyQueue {
        waiting,
        oldest: oldest.map(UtcMs),
        dropped: dropped.and_then(|n| u64::try_from(n).ok()).unwrap_or(0),
    })
}

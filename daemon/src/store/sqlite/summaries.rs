//! Summaries, and thinning readings to them.
//!
//! - Every hour that is over has a summary (width 3600) of its believed readings, which charts of
//!   long spans are drawn from. `series.summed_to`, a whole hour, says up to where; a late reading
//!   or a mark before it sums its hour up again in the same transaction.
//! - Thinning puts a summary of each minute (width 60) in the place of its readings. So minute
//!   summaries and readings never stand for the same thing, and what is known of a span is both
//!   together.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, OptionalExtension, Rows, params};

use super::failed;
use crate::store::{Bucket, Result};
use crate::time::{HOUR_MS, MINUTE_MS, UtcMs};

const HOUR_S: i64 = 3600;

/// Time summed up in one transaction: short enough that live readings do not wait.
const STRETCH_MS: i64 = 24 * HOUR_MS;

/// Readings thinned in one transaction, for the same reason.
const THINNED_AT_ONCE: i64 = 5_000;

/// What is known of a span (?2 to ?3) of series ?1, one row a reading or a thinned minute.
/// Division rounds towards zero; the remainder is taken off so that it rounds down before 1970 too.
const KNOWN: &str = "
    SELECT time - ((time % ?4) + ?4) % ?4 AS start,
           1 AS n, value AS low, value AS mean, value AS high
    FROM reading
    WHERE series = ?1 AND time >= ?2 AND time < ?3 AND kept_out = 0 AND value IS NOT NULL
    UNION ALL
    SELECT time - ((time % ?4) + ?4) % ?4, count, min, mean, max
    FROM summary
    WHERE series = ?1 AND width = 60 AND time >= ?2 AND time < ?3";

/// Sums hours that are summed up already again: a late reading came in, or one was marked.
pub(super) fn sum_again(
    tx: &Connection,
    series: i64,
    times: impl IntoIterator<Item = i64>,
) -> Result<()> {
    let again = || -> rusqlite::Result<()> {
        let summed_to = summed_to(tx, series)?;
        let hours: BTreeSet<i64> = times
            .into_iter()
            .filter(|time| *time < summed_to)
            .map(|time| floor(time, HOUR_MS))
            .collect();
        for hour in hours {
            sum_span(tx, series, hour, hour.saturating_add(HOUR_MS))?;
        }
        Ok(())
    };
    again().map_err(failed("sum late readings up"))
}

/// Sums one stretch of one series up; `false` when nothing is left to sum before `to` (a whole
/// hour).
pub(super) fn sum_stretch(tx: &Connection, series: i64, to: i64) -> Result<bool> {
    let stretch = || -> rusqlite::Result<bool> {
        let summed_to = summed_to(tx, series)?;
        if summed_to >= to {
            return Ok(false);
        }
        // Gaps are stepped over: the next stretch begins at the next reading's hour.
        let next: Option<i64> = tx
            .prepare_cached("SELECT min(time) FROM reading WHERE series = ?1 AND time >= ?2")?
            .query_row((series, summed_to), |row| row.get(0))?;
        let next = next
            .map(|time| floor(time, HOUR_MS))
            .filter(|from| *from < to);
        let until = match next {
            Some(from) => {
                let until = from.saturating_add(STRETCH_MS).min(to);
                sum_span(tx, series, from, until)?;
                until
            }
            None => to,
        };
        tx.prepare_cached("UPDATE series SET summed_to = ?2 WHERE id = ?1")?
            .execute((series, until))?;
        Ok(until < to)
    };
    stretch().map_err(failed("sum readings up"))
}

/// Sums whole hours up, in the place of what stood there.
fn sum_span(tx: &Connection, series: i64, from: i64, until: i64) -> rusqlite::Result<()> {
    tx.prepare_cached(
        "DELETE FROM summary WHERE series = ?1 AND width = 3600 AND time >= ?2 AND time < ?3",
    )?
    .execute((series, from, until))?;
    tx.prepare_cached(&format!(
        "INSERT INTO summary (series, width, time, count, min, mean, max)
         SELECT ?1, 3600, start, sum(n), min(low), sum(mean * n) / sum(n), max(high)
         FROM ({KNOWN}) GROUP BY start"
    ))?
    .execute((series, from, until, HOUR_MS))?;
    Ok(())
}

/// The moment up to which any series has summaries: later readings need nothing summed again.
pub(super) fn latest(tx: &Connection) -> Result<i64> {
    let latest: rusqlite::Result<Option<i64>> = tx
        .prepare_cached("SELECT max(summed_to) FROM series")
        .and_then(|mut query| query.query_row([], |row| row.get(0)));
    Ok(latest
        .map_err(failed("sum late readings up"))?
        .unwrap_or(i64::MIN))
}

fn summed_to(conn: &Connection, series: i64) -> rusqlite::Result<i64> {
    Ok(conn
        .prepare_cached("SELECT summed_to FROM series WHERE id = ?1")?
        .query_row([series], |row| row.get(0))
        .optional()?
        .unwrap_or(i64::MIN))
}

/// Thins some readings between two whole minutes to their minutes; gives how many went, 0 when none
/// is left.
pub(super) fn thin_some(tx: &Connection, series: i64, from: i64, before: i64) -> Result<u64> {
    let some = || -> rusqlite::Result<i64> {
        let next: Option<i64> = tx
            .prepare_cached(
                "SELECT time FROM reading WHERE series = ?1 AND time >= ?2 AND time < ?3
                 ORDER BY time LIMIT 1 OFFSET ?4",
            )?
            .query_row((series, from, before, THINNED_AT_ONCE), |row| row.get(0))
            .optional()?;
        // Whole minutes only, at least the one that the last of them is in.
        let end = next.map_or(before, |time| ceil(time, MINUTE_MS).min(before));
        tx.prepare_cached(
            "INSERT INTO summary (series, width, time, count, min, mean, max)
             SELECT ?1, 60, time - ((time % ?4) + ?4) % ?4 AS start,
                    count(*), min(value), avg(value), max(value)
             FROM reading
             WHERE series = ?1 AND time >= ?2 AND time < ?3
               AND kept_out = 0 AND value IS NOT NULL
             GROUP BY start
             ON CONFLICT (series, width, time) DO UPDATE SET
                 mean = (mean * count + excluded.mean * excluded.count)
                        / (count + excluded.count),
                 min = min(min, excluded.min),
                 max = max(max, excluded.max),
                 count = count + excluded.count",
        )?
        .execute((series, from, end, MINUTE_MS))?;
        let kept_out: i64 = tx
            .prepare_cached(
                "SELECT count(*) FROM reading
                 WHERE series = ?1 AND time >= ?2 AND time < ?3 AND kept_out != 0",
            )?
            .query_row((series, from, end), |row| row.get(0))?;
        let gone = tx
            .prepare_cached("DELETE FROM reading WHERE series = ?1 AND time >= ?2 AND time < ?3")?
            .execute((series, from, end))?;
        let gone = i64::try_from(gone).unwrap_or(i64::MAX);
        tx.prepare_cached(
            "UPDATE series SET count = count - ?2, kept_out = kept_out - ?3 WHERE id = ?1",
        )?
        .execute((series, gone, kept_out))?;
        Ok(gone)
    };
    some()
        .map(|gone| gone.max(0).cast_unsigned())
        .map_err(failed("thin old readings"))
}

/// The last whole multiple of `width` not after `time`.
pub(super) fn floor(time: i64, width: i64) -> i64 {
    time.saturating_sub(time.rem_euclid(width))
}

/// The first whole multiple of `width` not before `time`.
pub(super) fn ceil(time: i64, width: i64) -> i64 {
    floor(time.saturating_add(width - 1), width)
}

/// Minimum, mean, maximum and count of a series in stretches of `width` ms, from the hours' summaries
/// where stretches are whole hours.
pub(super) fn buckets(
    conn: &Connection,
    series: i64,
    from: i64,
    to: i64,
    width: i64,
) -> rusqlite::Result<Vec<Bucket>> {
    let mut sums = Sums::default();
    let start = ceil(from, HOUR_MS);
    let end = floor(to, HOUR_MS).min(summed_to(conn, series)?);
    if width % HOUR_MS == 0 && start < end {
        add_known(conn, series, (from, start), width, &mut sums)?;
        let mut hours = conn.prepare_cached(
            "SELECT time - ((time % ?5) + ?5) % ?5 AS start,
                    min(min), sum(mean * count) / sum(count), max(max), sum(count)
             FROM summary
             WHERE series = ?1 AND width = ?2 AND time >= ?3 AND time < ?4
             GROUP BY start",
        )?;
        sums.add(hours.query(params![series, HOUR_S, start, end, width])?)?;
        add_known(conn, series, (end, to), width, &mut sums)?;
    } else {
        add_known(conn, series, (from, to), width, &mut sums)?;
    }
    Ok(sums.0.into_values().collect())
}

fn add_known(
    conn: &Connection,
    series: i64,
    (from, to): (i64, i64),
    width: i64,
    sums: &mut Sums,
) -> rusqlite::Result<()> {
    if from >= to {
        return Ok(());
    }
    let mut query = conn.prepare_cached(&format!(
        "SELECT start, min(low), sum(mean * n) / sum(n), max(high), sum(n)
         FROM ({KNOWN}) GROUP BY start"
    ))?;
    sums.add(query.query(params![series, from, to, width])?)
}

/// Parts of stretches, put together.
#[derive(Default)]
struct Sums(BTreeMap<i64, Bucket>);

impl Sums {
    fn add(&mut self, mut rows: Rows<'_>) -> rusqlite::Result<()> {
        while let Some(row) = rows.next()? {
            let part = Bucket {
                time: UtcMs(row.get(0)?),
                min: row.get(1)?,
                mean: row.get(2)?,
                max: row.get(3)?,
                count: row.get::<_, i64>(4)?.max(0).cast_unsigned(),
            };
            self.0
                .entry(part.time.0)
                .and_modify(|sum| {
                    let count = sum.count + part.count;
                    sum.mean += (part.mean - sum.mean) * part.count as f64 / count.max(1) as f64;
                    sum.min = sum.min.min(part.min);
                    sum.max = sum.max.max(part.max);
                    sum.count = count;
                })
                .or_insert(part);
        }
        Ok(())
    }
}

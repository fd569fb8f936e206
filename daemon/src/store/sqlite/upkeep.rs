//! Looking after the file: summaries and thinning, copies, integrity, what a crash cost.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::backup::Backup;
use rusqlite::{Connection, params};

use super::{SqliteStore, failed};
use crate::store::{Bucket, Result, StoreError};
use crate::time::UtcMs;

/// What thinning took away.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Thinned {
    /// Readings deleted.
    pub readings: u64,
}

/// The log beside the file.
fn wal(file: &Path) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push("-wal");
    PathBuf::from(name)
}

/// How many frames of its newest round the log beside the file holds, whole or torn, before SQLite
/// opens it; `None` when there is no log. (The log's layout: "WAL file format" in SQLite's
/// documentation: a header of 32 bytes with page size and two salts, then frames of a 24-byte
/// header, which repeats the salts, and a page.)
pub(super) fn frames_in_wal(file: &Path) -> Option<u64> {
    let mut log = std::fs::File::open(wal(file)).ok()?;
    let length = log.metadata().ok()?.len();
    let mut header = [0_u8; 32];
    log.read_exact(&mut header).ok()?;
    let page = u64::from(u32::from_be_bytes(header[8..12].try_into().ok()?));
    if page < 512 {
        return None;
    }
    let mut frames = 0;
    let mut frame = [0_u8; 24];
    let mut at = 32;
    while at < length {
        use std::io::Seek;
        log.seek(std::io::SeekFrom::Start(at)).ok()?;
        if log.read_exact(&mut frame).is_err() {
            // Too short even for its header: torn.
            return Some(frames + 1);
        }
        if frame[8..16] != header[16..24] {
            break;
        }
        frames += 1;
        at += 24 + page;
    }
    Some(frames)
}

/// Logs what the log held that SQLite did not take over: frames of a write that never returned.
pub(super) fn report_lost_tail(conn: &Connection, expected: u64) {
    let taken: rusqlite::Result<i64> =
        conn.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |row| row.get(1));
    if let Ok(taken) = taken
        && let Ok(taken) = u64::try_from(taken)
        && taken < expected
    {
        tracing::warn!(
            pages_found = expected,
            pages_taken = taken,
            "the last write before the stop was cut short and was dropped; it had not been acknowledged"
        );
    }
}

/// Copies a store into a new file while it is in use.
pub(super) fn copy_to(conn: &Connection, to: &Path) -> Result<()> {
    let copying = failed("copy the store");
    // Pages between pauses, and the pause: a copy does not hold writers up for longer than this.
    const PAGES: i32 = 1024;
    const PAUSE: Duration = Duration::from_millis(2);
    let part = to.with_extension("part");
    if part.exists() {
        std::fs::remove_file(&part).map_err(|source| StoreError::Io {
            doing: format!("take away the unfinished copy {}", part.display()),
            source,
        })?;
    }
    {
        let mut target = Connection::open(&part).map_err(&copying)?;
        Backup::new(conn, &mut target)
            .and_then(|backup| backup.run_to_completion(PAGES, PAUSE, None))
            .map_err(&copying)?;
        // The copy is one file, whole on disk.
        target
            .pragma_update(None, "journal_mode", "delete")
            .map_err(&copying)?;
    }
    std::fs::File::open(&part)
        .and_then(|file| file.sync_all())
        .and_then(|()| std::fs::rename(&part, to))
        .map_err(|source| StoreError::Io {
            doing: format!("finish the copy {}", to.display()),
            source,
        })
}

/// Sums a series up again from a moment on (a late reading, or a mark).
pub(super) fn sum_again_from(tx: &Connection, series: i64, from: i64) -> Result<()> {
    tx.prepare_cached("UPDATE series SET summed_to = min(summed_to, ?2) WHERE id = ?1")
        .and_then(|mut update| update.execute((series, from)))
        .map_err(failed("note a late reading"))?;
    Ok(())
}

/// Minimum, mean, maximum and count of a series in stretches of `width` ms.
pub(super) fn buckets(
    conn: &Connection,
    series: i64,
    from: i64,
    to: i64,
    width: i64,
) -> rusqlite::Result<Vec<Bucket>> {
    // Division rounds towards zero; taking the remainder off first makes it round down before
    // 1970 too.
    conn.prepare_cached(
        "SELECT time - ((time % ?4) + ?4) % ?4 AS start,
                min(value), avg(value), max(value), count(*)
         FROM reading
         WHERE series = ?1 AND time >= ?2 AND time < ?3 AND kept_out = 0 AND value IS NOT NULL
         GROUP BY start ORDER BY start",
    )?
    .query_map(params![series, from, to, width], |row| {
        Ok(Bucket {
            time: UtcMs(row.get(0)?),
            min: row.get(1)?,
            mean: row.get(2)?,
            max: row.get(3)?,
            count: row.get::<_, i64>(4)?.max(0).cast_unsigned(),
        })
    })?
    .collect()
}

impl SqliteStore {
    /// What is wrong with the file, one line each; empty: nothing.
    ///
    /// # Errors
    /// If it cannot be read at all.
    pub fn integrity(&self) -> Result<Vec<String>> {
        let checking = failed("check the store");
        self.pool.read(|conn| {
            let mut check = conn.prepare("PRAGMA integrity_check").map_err(&checking)?;
            let lines = check
                .query_map([], |row| row.get::<_, String>(0))
                .and_then(Iterator::collect::<rusqlite::Result<Vec<_>>>)
                .map_err(&checking)?;
            Ok(lines.into_iter().filter(|line| line != "ok").collect())
        })
    }

    /// Copies the store into one file while it is in use.
    ///
    /// # Errors
    /// If either cannot be used.
    pub fn back_up(&self, to: &Path) -> Result<()> {
        self.pool.read(|conn| copy_to(conn, to))
    }
}

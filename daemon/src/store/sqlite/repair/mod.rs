//! Repair: every row of a damaged file that can still be read goes into a new, sound one.
//!
//! The damaged file is only read, from a scratch copy of it and its log, so that nothing is made
//! worse. Tables keyed by a number are walked in order of their key; where a page cannot be read the
//! walk feels its way to the next key that can (small steps, then ever larger ones);
//! pages of readings that no sound page leads to any more are then read one by one.
//! Tables keyed by a text, all of them small, are read from both ends; a record of the log book lost
//! in between is taken from the log of changes. What stands in a row is not second-guessed beyond
//! its types: SQLite keeps no checksums, so a flipped bit inside a value cannot be told from a value.

mod pages;
mod walk;

use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use self::pages::page_by_page;
use self::walk::{Walk, copy_table};
use super::{FILE, failed, upkeep};
use crate::batches::record::Record;
use crate::store::lock::DirLock;
use crate::store::{Result, StoreError};

const REPAIRING: &str = "repair the store";

/// What a repair kept of one table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kept {
    /// The table.
    pub table: &'static str,
    /// Rows in the new file.
    pub rows: u64,
    /// Places that could not be read.
    pub gaps: u64,
    /// Rows that were no rows of ours any more, left out.
    pub nonsense: u64,
}

/// Every table but `revision`, in the order they are filled. The name and series tables come first:
/// rows of the others point to them.
const TABLES: [(&str, Walk); 14] = [
    ("name", Walk::Number("id")),
    ("series", Walk::Number("id")),
    ("record", Walk::Text("kind, key")),
    ("change", Walk::Number("seq")),
    ("setting", Walk::Text("name")),
    ("calibration", Walk::Number("version")),
    ("alert", Walk::Text("id")),
    ("outbox", Walk::Number("seq")),
    ("copy_bound", Walk::Number("id")),
    ("copy", Walk::Number("seq")),
    ("packet", Walk::Text("session, row")),
    ("probe", Walk::Number("id")),
    ("summary", Walk::Times(&[Some(60), Some(3600)])),
    ("reading", Walk::Times(&[None])),
];

/// Makes a sound file of all that can be read of a damaged one. `into` must not exist yet.
///
/// # Errors
/// If nothing can be read of it at all, or the new file cannot be written.
pub fn repair(damaged: &Path, into: &Path) -> Result<Vec<Kept>> {
    upkeep::must_exist(damaged)?;
    if into.exists() {
        return Err(StoreError::Unusable(format!(
            "{} exists already: name a new file",
            into.display()
        )));
    }
    let scratch = with_ending(into, ".scratch");
    let part = with_ending(into, ".part");
    let made = build(damaged, &scratch, &part);
    for leftover in [
        &scratch,
        &upkeep::log_of(&scratch),
        &with_ending(&scratch, "-shm"),
    ] {
        // Nothing depends on it; a leftover is only in the way.
        let _ = std::fs::remove_file(leftover);
    }
    let kept = match made {
        Ok(kept) => kept,
        Err(error) => {
            let _ = std::fs::remove_file(&part);
            return Err(error);
        }
    };
    upkeep::put_in_place(&part, into)?;
    Ok(kept)
}

/// Repairs a data directory's store where it is; the damaged file is kept beside it. Gives what was
/// kept and where the damaged file now is.
///
/// # Errors
/// If a daemon runs there, or as [`repair`]; nothing is changed then.
pub fn repair_in_place(data_dir: &Path) -> Result<(Vec<Kept>, PathBuf)> {
    let file = upkeep::file_in(data_dir)?;
    let _lock = DirLock::take(data_dir)?;
    let fresh = data_dir.join(format!("{FILE}.repaired"));
    if fresh.exists() {
        std::fs::remove_file(&fresh).map_err(|source| StoreError::Io {
            doing: format!("take away the unfinished {}", fresh.display()),
            source,
        })?;
    }
    let kept = repair(&file, &fresh)?;
    let aside = upkeep::swap(&fresh, &file, "damaged")?;
    Ok((kept, aside))
}

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

fn build(damaged: &Path, scratch: &Path, part: &Path) -> Result<Vec<Kept>> {
    let copying = |source| StoreError::Io {
        doing: format!("copy {} before it is repaired", damaged.display()),
        source,
    };
    std::fs::copy(damaged, scratch).map_err(copying)?;
    let log = upkeep::log_of(damaged);
    if log.exists() {
        std::fs::copy(&log, upkeep::log_of(scratch)).map_err(copying)?;
    }
    let repairing = failed(REPAIRING);
    let from = Connection::open_with_flags(scratch, OpenFlags::SQLITE_OPEN_READ_WRITE)
        .map_err(&repairing)?;
    let _ = from.pragma_update(None, "cell_size_check", true);
    from.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(()))
        .map_err(|error| {
            StoreError::Unusable(format!(
                "nothing can be read of {} ({error}): restore a back-up instead",
                damaged.display()
            ))
        })?;
    super::schema::not_newer(&from)?;
    if part.exists() {
        std::fs::remove_file(part).map_err(copying)?;
    }
    upkeep::make_private(part)?;
    let mut to = Connection::open(part).map_err(&repairing)?;
    for (pragma, value) in [
        ("journal_mode", "off"),
        ("synchronous", "off"),
        ("foreign_keys", "off"),
    ] {
        // Until it is finished the new file is worth nothing: it is synced as a whole at the end.
        to.pragma_update_and_check(None, pragma, value, |_| Ok(()))
            .or_else(|e| match e {
                rusqlite::Error::QueryReturnedNoRows => Ok(()),
                other => Err(other),
            })
            .map_err(&repairing)?;
    }
    super::schema::bring_up(&mut to, part)?;
    to.execute_batch("BEGIN").map_err(&repairing)?;
    let mut kept = Vec::with_capacity(TABLES.len());
    for (table, walk) in &TABLES {
        kept.push(copy_table(&from, &to, table, walk).map_err(&repairing)?);
    }
    mend_book(&from, &to, &mut kept).map_err(&repairing)?;
    // Closing it writes the log back into the scratch copy.
    drop(from);
    if kept.iter().any(|k| k.table == "reading" && k.gaps > 0) {
        let found = page_by_page(scratch, &to).map_err(&repairing)?;
        for k in kept.iter_mut().filter(|k| k.table == "reading") {
            k.rows += found;
        }
    }
    mend_links(&to).map_err(&repairing)?;
    to.execute_batch("COMMIT").map_err(&repairing)?;
    if let Some(first) = upkeep::troubles(&to)?.into_iter().next() {
        return Err(StoreError::Unusable(format!(
            "the repaired file is not sound ({first}): is the disk well?"
        )));
    }
    Ok(kept)
}

/// Records lost between both ends of their table, from what the log of changes says of them last.
fn mend_book(from: &Connection, to: &Connection, kept: &mut [Kept]) -> rusqlite::Result<()> {
    let lost_some = kept.iter().any(|k| k.table == "record" && k.gaps > 0);
    if lost_some {
        let mut newest = to.prepare(
            "SELECT kind, key, after FROM change AS c
             WHERE seq = (SELECT max(seq) FROM change WHERE kind = c.kind AND key = c.key)
               AND NOT EXISTS (SELECT 1 FROM record WHERE kind = c.kind AND key = c.key)",
        )?;
        let found = newest
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
            .collect::<rusqlite::Result<Vec<(String, String, Option<String>)>>>()?;
        for (kind, key, after) in found {
            let stands: Option<String> = from
                .query_row(
                    "SELECT doc FROM record WHERE kind = ?1 AND key = ?2",
                    (&kind, &key),
                    |row| row.get(0),
                )
                .ok();
            let doc = stands.or(after);
            if let Some(doc) = doc.filter(|d| serde_json::from_str::<Record>(d).is_ok()) {
                to.execute(
                    "INSERT OR IGNORE INTO record (kind, key, doc) VALUES (?1, ?2, ?3)",
                    (&kind, &key, &doc),
                )?;
            }
        }
        if let Some(k) = kept.iter_mut().find(|k| k.table == "record") {
            let rows: i64 = to.query_row("SELECT count(*) FROM record", [], |row| row.get(0))?;
            k.rows = rows.max(0).cast_unsigned();
        }
    }
    Ok(())
}

/// What rows of different tables must agree on, after some were lost.
fn mend_links(to: &Connection) -> rusqlite::Result<()> {
    // Names and series that rows point to and nothing tells of any more. What a lost series measured
    // is not known either: its readings are kept, and kept out of the model (7: another reason).
    to.execute_batch(
        "INSERT OR IGNORE INTO series (id, sensor, quantity)
             SELECT DISTINCT series, 'lost sensor ' || series, 'air_temperature' FROM reading
             WHERE series NOT IN (SELECT id FROM series);
         UPDATE reading SET kept_out = 7 WHERE kept_out = 0 AND series IN
             (SELECT id FROM series WHERE sensor = 'lost sensor ' || id);
         DELETE FROM summary WHERE series NOT IN (SELECT id FROM series);
         INSERT OR IGNORE INTO name (id, text)
             SELECT n, 'lost name ' || n FROM (
                 SELECT DISTINCT place AS n FROM reading WHERE place IS NOT NULL
                 UNION SELECT DISTINCT batch FROM reading WHERE batch IS NOT NULL
                 UNION SELECT DISTINCT raw_unit FROM reading WHERE raw_unit IS NOT NULL
                 UNION SELECT DISTINCT kept_out - 16 FROM reading WHERE kept_out > 16)
             WHERE n NOT IN (SELECT id FROM name);
         UPDATE series SET
             count = (SELECT count(*) FROM reading WHERE series = series.id),
             kept_out = (SELECT count(*) FROM reading
                         WHERE series = series.id AND kept_out != 0);",
    )
}

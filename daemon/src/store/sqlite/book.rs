//! The log book's records but readings, the log of changes, and undo.

use rusqlite::{Connection, OptionalExtension};
use serde_json::Value;

use super::{document, failed};
use crate::batches::book::SEPARATOR;
use crate::batches::record::Record;
use crate::store::{ChangeLogEntry, Edit, RecordKey, Result, StoreError};
use crate::time::UtcMs;

/// Changes kept for undo and for the page's history; older groups are forgotten. A year of a busy
/// shop's entries.
const CHANGES_KEPT: i64 = 20_000;

pub(super) fn all(conn: &Connection) -> Result<Vec<Record>> {
    let reading = failed("read the log book");
    let mut query = conn
        .prepare_cached("SELECT kind, key, doc FROM record")
        .map_err(&reading)?;
    let rows = query
        .query_map([], |row| {
            Ok((
                row.get::<_, String>(0)?,
                row.get::<_, String>(1)?,
                row.get::<_, String>(2)?,
            ))
        })
        .map_err(&reading)?;
    rows.map(|row| {
        let (kind, key, doc) = row.map_err(&reading)?;
        serde_json::from_str(&doc)
            .map_err(|e| StoreError::Corrupt(format!("{kind} `{}`: {e}", shown(&key))))
    })
    .collect()
}

fn shown(key: &str) -> String {
    key.replace(SEPARATOR, " ")
}

pub(super) fn edit(tx: &Connection, at: UtcMs, edits: &[Edit]) -> Result<i64> {
    let changes = edits
        .iter()
        .map(|edit| match edit {
            Edit::Put(record) => {
                let key = record.key().ok_or_else(|| {
                    StoreError::Corrupt("a reading is no record of the book".into())
                })?;
                let doc = serde_json::to_string(record)
                    .map_err(|e| StoreError::Corrupt(e.to_string()))?;
                Ok((key, Some(doc)))
            }
            Edit::Remove(key) => Ok((key.clone(), None)),
        })
        .collect::<Result<Vec<_>>>()?;
    make(tx, at, changes).map_err(failed("change the log book"))
}

/// Makes changes and logs them; gives their group, 0 when nothing changed.
fn make(
    tx: &Connection,
    at: UtcMs,
    changes: Vec<(RecordKey, Option<String>)>,
) -> rusqlite::Result<i64> {
    let mut first = None;
    let mut last = 0;
    for (key, after) in changes {
        let before = current(tx, &key)?;
        if before == after {
            continue;
        }
        match &after {
            Some(doc) => tx
                .prepare_cached(
                    "INSERT OR REPLACE INTO record (kind, key, doc) VALUES (?1, ?2, ?3)",
                )?
                .execute((&key.record, &key.key, doc))?,
            None => tx
                .prepare_cached("DELETE FROM record WHERE kind = ?1 AND key = ?2")?
                .execute((&key.record, &key.key))?,
        };
        tx.prepare_cached(
            "INSERT INTO change (at, part_of, kind, key, before, after)
             VALUES (?1, 0, ?2, ?3, ?4, ?5)",
        )?
        .execute((at.0, &key.record, &key.key, &before, &after))?;
        last = tx.last_insert_rowid();
        first.get_or_insert(last);
    }
    if let Some(first) = first {
        // The number of the last change is the group's.
        tx.prepare_cached("UPDATE change SET part_of = ?2 WHERE seq >= ?1")?
            .execute((first, last))?;
        // A group is forgotten as a whole, and never the one just made.
        tx.prepare_cached("DELETE FROM change WHERE part_of <= ?1 AND part_of < ?2")?
            .execute((last - CHANGES_KEPT, last))?;
    }
    Ok(last)
}

fn current(tx: &Connection, key: &RecordKey) -> rusqlite::Result<Option<String>> {
    tx.prepare_cached("SELECT doc FROM record WHERE kind = ?1 AND key = ?2")?
        .query_row((&key.record, &key.key), |row| row.get(0))
        .optional()
}

pub(super) fn changes(conn: &Connection, newest: usize) -> Result<Vec<ChangeLogEntry>> {
    let reading = failed("read the log of changes");
    let mut query = conn
        .prepare_cached(
            "SELECT seq, at, part_of, kind, key, before, after FROM change
             ORDER BY seq DESC LIMIT ?1",
        )
        .map_err(&reading)?;
    let rows = query
        .query_map([i64::try_from(newest).unwrap_or(i64::MAX)], |row| {
            Ok((
                ChangeLogEntry {
                    seq: row.get(0)?,
                    at: UtcMs(row.get(1)?),
                    group: row.get(2)?,
                    key: RecordKey {
                        record: row.get(3)?,
                        key: row.get(4)?,
                    },
                    before: None,
                    after: None,
                },
                row.get::<_, Option<String>>(5)?,
                row.get::<_, Option<String>>(6)?,
            ))
        })
        .map_err(&reading)?;
    rows.map(|row| {
        let (entry, before, after) = row.map_err(&reading)?;
        Ok(ChangeLogEntry {
            before: before.as_deref().map(document).transpose()?,
            after: after.as_deref().map(document).transpose()?,
            ..entry
        })
    })
    .collect()
}

pub(super) fn undo(tx: &Connection, at: UtcMs, group: i64) -> Result<bool> {
    let undoing = failed("undo a change");
    let mut query = tx
        .prepare_cached(
            "SELECT kind, key, before, after FROM change WHERE part_of = ?1 ORDER BY seq DESC",
        )
        .map_err(&undoing)?;
    let made = query
        .query_map([group], |row| {
            Ok((
                RecordKey {
                    record: row.get(0)?,
                    key: row.get(1)?,
                },
                row.get::<_, Option<String>>(2)?,
                row.get::<_, Option<String>>(3)?,
            ))
        })
        .and_then(Iterator::collect::<rusqlite::Result<Vec<_>>>)
        .map_err(&undoing)?;
    if made.is_empty() {
        return Ok(false);
    }
    for (key, _, after) in &made {
        let later: bool = tx
            .prepare_cached(
                "SELECT EXISTS (SELECT 1 FROM change WHERE kind = ?1 AND key = ?2 AND part_of > ?3)",
            )
            .and_then(|mut query| query.query_row((&key.record, &key.key, group), |row| row.get(0)))
            .map_err(&undoing)?;
        if later || current(tx, key).map_err(&undoing)? != *after {
            return Ok(false);
        }
    }
    let back: Vec<_> = made
        .into_iter()
        .map(|(key, before, _)| (key, before))
        .collect();
    for (key, before) in &back {
        if key.record == "batch" && before.is_none() && rested_on(tx, &key.key, &back)? {
            return Ok(false);
        }
    }
    make(tx, at, back).map_err(&undoing)?;
    Ok(true)
}

/// Whether a record that stays names the batch.
fn rested_on(tx: &Connection, batch: &str, going: &[(RecordKey, Option<String>)]) -> Result<bool> {
    let stays = |record: &str, key: &str| {
        !going
            .iter()
            .any(|(k, before)| k.record == record && k.key == key && before.is_none())
    };
    let undoing = failed("undo a change");
    let mut query = tx
        .prepare_cached(
            "SELECT kind, key, doc FROM record
             WHERE kind = 'batch'
                OR (kind IN ('move', 'observation', 'stage') AND key > ?1 AND key < ?2)",
        )
        .map_err(&undoing)?;
    // The separator is one character, so everything of this batch lies between these.
    let low = format!("{batch}{SEPARATOR}");
    let high = format!("{batch}{}", '\u{20}');
    let mut rows = query.query((low, high)).map_err(&undoing)?;
    while let Some(row) = rows.next().map_err(&undoing)? {
        let (kind, key, doc) = (|| {
            Ok((
                row.get::<_, String>(0)?,
                row.get::<_, String>(1)?,
                row.get::<_, String>(2)?,
            ))
        })()
        .map_err(&undoing)?;
        let names_it = kind != "batch"
            || document(&doc)?
                .get("from")
                .and_then(Value::as_str)
                .is_some_and(|from| from == batch);
        if names_it && stays(&kind, &key) {
            return Ok(true);
        }
    }
    Ok(false)
}

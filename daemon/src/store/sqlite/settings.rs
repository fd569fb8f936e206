//! Settings (one JSON document each) and filed calibrations.

use rusqlite::{Connection, OptionalExtension};
use serde_json::Value;

use super::{document, failed};
use crate::store::{CalibrationRow, Result};
use crate::time::UtcMs;

pub(super) fn get(conn: &Connection, name: &str) -> Result<Option<Value>> {
    let text: Option<String> = conn
        .prepare_cached("SELECT value FROM setting WHERE name = ?1")
        .and_then(|mut query| query.query_row([name], |row| row.get(0)).optional())
        .map_err(failed("read a setting"))?;
    text.as_deref().map(document).transpose()
}

pub(super) fn set(tx: &Connection, name: &str, value: Option<&Value>) -> Result<()> {
    match value {
        Some(value) => tx
            .prepare_cached("INSERT OR REPLACE INTO setting (name, value) VALUES (?1, ?2)")
            .and_then(|mut put| put.execute((name, value.to_string()))),
        None => tx
            .prepare_cached("DELETE FROM setting WHERE name = ?1")
            .and_then(|mut delete| delete.execute([name])),
    }
    .map_err(failed("store a setting"))?;
    Ok(())
}

pub(super) fn file_calibration(
    tx: &Connection,
    at: UtcMs,
    stages: u32,
    doc: &Value,
) -> Result<i64> {
    let filing = failed("file a calibration");
    // A new fit ends what was rolled back by hand.
    tx.execute("UPDATE calibration SET in_force = 0 WHERE in_force", [])
        .map_err(&filing)?;
    tx.execute(
        "INSERT INTO calibration (at, stages, doc) VALUES (?1, ?2, ?3)",
        (at.0, stages, doc.to_string()),
    )
    .map_err(&filing)?;
    Ok(tx.last_insert_rowid())
}

pub(super) fn calibrations(conn: &Connection) -> Result<Vec<CalibrationRow>> {
    let reading = failed("read the calibrations");
    let mut query = conn
        .prepare_cached(
            "SELECT version, at, stages, doc, in_force FROM calibration ORDER BY version",
        )
        .map_err(&reading)?;
    query
        .query_map([], |row| {
            Ok((
                row.get(0)?,
                row.get(1)?,
                row.get(2)?,
                row.get::<_, String>(3)?,
                row.get(4)?,
            ))
        })
        .map_err(&reading)?
        .map(|row| {
            let (version, at, stages, doc, in_force) = row.map_err(&reading)?;
            Ok(CalibrationRow {
                version,
                at: UtcMs(at),
                stages,
                doc: document(&doc)?,
                in_force,
            })
        })
        .collect()
}

/// Rolling "back" to the newest only takes an earlier roll-back off.
pub(super) fn roll_back_to(tx: &Connection, version: i64) -> Result<bool> {
    let rolling = failed("roll a calibration back");
    let newest: Option<i64> = tx
        .query_row("SELECT max(version) FROM calibration", [], |row| row.get(0))
        .map_err(&rolling)?;
    let exists: bool = tx
        .query_row(
            "SELECT EXISTS (SELECT 1 FROM calibration WHERE version = ?1)",
            [version],
            |row| row.get(0),
        )
        .map_err(&rolling)?;
    if !exists {
        return Ok(false);
    }
    tx.execute(
        "UPDATE calibration SET in_force = (version = ?1 AND ?1 IS NOT ?2)",
        (version, newest),
    )
    .map_err(&rolling)?;
    Ok(true)
}

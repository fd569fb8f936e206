//! The schema and its history. A migration once released is never edited: expand, move, contract.
//!
//! All steps that a file lacks run in one transaction together with the number in `user_version`, so
//! that a kill leaves the old version or the new one, never something between. Before the first step on
//! data that exists, the whole file is copied beside itself (`doughwarden.db.before-N`): never a version
//! between, which the program that left the data could not read.

use std::path::Path;

use rusqlite::{Connection, TransactionBehavior};

use super::failed;
use crate::store::{Result, StoreError};

/// The schema version this program writes.
pub const SCHEMA: i64 = STEPS.len() as i64;

/// Says that the file is ours ("DOUG"), for tools that look at SQLite files.
pub(super) const APPLICATION_ID: i64 = 0x444f_5547;

/// Step `n` brings version `n` to `n + 1`.
const STEPS: [&str; 3] = [
    include_str!("schema_1.sql"),
    include_str!("schema_2.sql"),
    include_str!("schema_3.sql"),
];

/// Brings the file to [`SCHEMA`].
pub(super) fn bring_up(conn: &mut Connection, file: &Path) -> Result<()> {
    let found = not_newer(conn)?;
    if found == SCHEMA {
        return Ok(());
    }
    if found > 0 {
        let copy = format!("{}.before-{SCHEMA}", file.display());
        tracing::info!(
            from = found,
            to = SCHEMA,
            copy,
            "the data is of an older version: copied, then brought up to this one"
        );
        super::upkeep::copy_to(conn, Path::new(&copy))?;
    }
    let doing = failed("bring the schema up to date");
    let tx = conn
        .transaction_with_behavior(TransactionBehavior::Immediate)
        .map_err(&doing)?;
    // Another process may have done it while this one waited.
    let found = not_newer(&tx)?;
    for (step, sql) in (0..).zip(STEPS) {
        if found <= step {
            tx.execute_batch(sql).map_err(&doing)?;
        }
    }
    tx.pragma_update(None, "user_version", SCHEMA)
        .map_err(&doing)?;
    tx.pragma_update(None, "application_id", APPLICATION_ID)
        .map_err(&doing)?;
    tx.commit().map_err(doing)
}

/// The file's version, unless this program does not know it.
pub(super) fn not_newer(conn: &Connection) -> Result<i64> {
    let found = version(conn)?;
    if found > SCHEMA {
        return Err(StoreError::Newer {
            found,
            known: SCHEMA,
        });
    }
    Ok(found)
}

fn version(conn: &Connection) -> Result<i64> {
    conn.pragma_query_value(None, "user_version", |row| row.get(0))
        .map_err(failed("read the schema's version"))
}

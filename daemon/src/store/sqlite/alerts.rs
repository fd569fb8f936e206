//! Alerts and the messages they cause.

use rusqlite::{Connection, OptionalExtension, Row, params};

use super::{document, failed};
use crate::store::{AlertRow, OutboxRow, Result, StoreError};
use crate::time::UtcMs;

const ALERT: &str = "id, cause, raised, seen, cleared, quiet_until, told, doc, memory";
const MESSAGE: &str =
    "seq, channel, alert, doc, queued, expires, next_try, tries, accepted, failed, last_error";

fn time(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<UtcMs>> {
    Ok(row.get::<_, Option<i64>>(column)?.map(UtcMs))
}

/// Rows whose documents are still text.
fn collect<R>(
    conn: &Connection,
    sql: &str,
    params: impl rusqlite::Params,
    decode: impl Fn(&Row<'_>) -> rusqlite::Result<Result<R>>,
) -> Result<Vec<R>> {
    let reading = failed("read the alerts");
    let mut query = conn.prepare_cached(sql).map_err(&reading)?;
    query
        .query_map(params, decode)
        .map_err(&reading)?
        .map(|row| row.map_err(&reading)?)
        .collect()
}

fn alert(row: &Row<'_>) -> rusqlite::Result<Result<AlertRow>> {
    let doc: String = row.get(7)?;
    let memory: String = row.get(8)?;
    let (id, cause) = (row.get(0)?, row.get(1)?);
    let raised = UtcMs(row.get(2)?);
    let (seen, cleared) = (time(row, 3)?, time(row, 4)?);
    let (quiet_until, told) = (time(row, 5)?, time(row, 6)?);
    Ok((|| {
        Ok(AlertRow {
            id,
            cause,
            raised,
            seen,
            cleared,
            quiet_until,
            told,
            doc: document(&doc)?,
            memory: document(&memory)?,
        })
    })())
}

pub(super) fn one(conn: &Connection, id: &str) -> Result<Option<AlertRow>> {
    let sql = format!("SELECT {ALERT} FROM alert WHERE id = ?1");
    Ok(collect(conn, &sql, [id], alert)?.pop())
}

pub(super) fn raised(
    conn: &Connection,
    from: Option<UtcMs>,
    to: Option<UtcMs>,
) -> Result<Vec<AlertRow>> {
    let sql = format!(
        "SELECT {ALERT} FROM alert WHERE raised >= ?1 AND (?2 IS NULL OR raised < ?2)
         ORDER BY raised, id"
    );
    let from = from.map_or(i64::MIN, |t| t.0);
    collect(conn, &sql, params![from, to.map(|t| t.0)], alert)
}

pub(super) fn open(conn: &Connection) -> Result<Vec<AlertRow>> {
    let sql = format!("SELECT {ALERT} FROM alert WHERE cleared IS NULL ORDER BY raised, id");
    collect(conn, &sql, [], alert)
}

pub(super) fn put(tx: &Connection, row: &AlertRow) -> Result<()> {
    // A second id for a cause that has one is refused by the table: one event, one id.
    tx.prepare_cached(
        "INSERT INTO alert (id, cause, raised, seen, cleared, quiet_until, told, doc, memory)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)
         ON CONFLICT (id) DO UPDATE SET
             cause = excluded.cause, raised = excluded.raised, seen = excluded.seen,
             cleared = excluded.cleared, quiet_until = excluded.quiet_until,
             told = excluded.told, doc = excluded.doc, memory = excluded.memory",
    )
    .and_then(|mut statement| {
        statement.execute(params![
            row.id,
            row.cause,
            row.raised.0,
            row.seen.map(|t| t.0),
            row.cleared.map(|t| t.0),
            row.quiet_until.map(|t| t.0),
            row.told.map(|t| t.0),
            row.doc.to_string(),
            row.memory.to_string(),
        ])
    })
    .map_err(failed("store an alert"))?;
    Ok(())
}

fn message(row: &Row<'_>) -> rusqlite::Result<Result<OutboxRow>> {
    let doc: String = row.get(3)?;
    let parsed = document(&doc);
    let message = OutboxRow {
        seq: row.get(0)?,
        channel: row.get(1)?,
        alert: row.get(2)?,
        doc: serde_json::Value::Null,
        queued: UtcMs(row.get(4)?),
        expires: UtcMs(row.get(5)?),
        next_try: UtcMs(row.get(6)?),
        tries: row.get(7)?,
        accepted: time(row, 8)?,
        failed: time(row, 9)?,
        last_error: row.get(10)?,
    };
    Ok(parsed.map(|doc| OutboxRow { doc, ..message }))
}

pub(super) fn waiting(conn: &Connection, channel: &str) -> Result<Vec<OutboxRow>> {
    let sql = format!(
        "SELECT {MESSAGE} FROM outbox
         WHERE channel = ?1 AND accepted IS NULL AND failed IS NULL ORDER BY seq"
    );
    collect(conn, &sql, [channel], message)
}

pub(super) fn history(conn: &Connection, newest: usize) -> Result<Vec<OutboxRow>> {
    let sql = format!("SELECT {MESSAGE} FROM outbox ORDER BY seq DESC LIMIT ?1");
    collect(
        conn,
        &sql,
        [i64::try_from(newest).unwrap_or(i64::MAX)],
        message,
    )
}

pub(super) fn put_outbox(tx: &Connection, row: &OutboxRow) -> Result<()> {
    let seq = (row.seq != 0).then_some(row.seq);
    let known: Option<i64> = tx
        .prepare_cached(
            "INSERT INTO outbox (seq, channel, alert, doc, queued, expires, next_try, tries,
                                 accepted, failed, last_error)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)
             ON CONFLICT (seq) DO UPDATE SET
                 channel = excluded.channel, alert = excluded.alert, doc = excluded.doc,
                 queued = excluded.queued, expires = excluded.expires,
                 next_try = excluded.next_try, tries = excluded.tries,
                 accepted = excluded.accepted, failed = excluded.failed,
                 last_error = excluded.last_error
             RETURNING seq",
        )
        .and_then(|mut statement| {
            statement
                .query_row(
                    params![
                        seq,
                        row.channel,
                        row.alert,
                        row.doc.to_string(),
                        row.queued.0,
                        row.expires.0,
                        row.next_try.0,
                        row.tries,
                        row.accepted.map(|t| t.0),
                        row.failed.map(|t| t.0),
                        row.last_error,
                    ],
                    |row| row.get(0),
                )
                .optional()
        })
        .map_err(failed("store a message"))?;
    known
        .map(|_| ())
        .ok_or_else(|| StoreError::Corrupt("a message was stored without a number".into()))
}

//! The walk through a damaged table along its key, which feels its way over what cannot be read.

use std::collections::BTreeSet;

use rusqlite::types::{Value, ValueRef};
use rusqlite::{Connection, params_from_iter};

use super::Kept;
use crate::batches::record::Record;

/// Small steps tried behind an unreadable place before they grow: a minute each for readings, so a
/// week. What larger steps pass over is found page by page.
const FINE_STEPS: i64 = 10_000;
/// Series looked for where their list is lost: more than a kitchen may have.
const SERIES_TRIED: i64 = 2_000;
/// Times of readings that are taken for one: the years 1900 to 2200.
pub(super) const TIMES: std::ops::Range<i64> = -2_208_988_800_000..7_258_118_400_000;

/// How a table is walked.
pub(super) enum Walk {
    /// By a number, the whole table in one.
    Number(&'static str),
    /// By series (and width) and then time, in steps of a minute.
    Times(&'static [Option<i64>]),
    /// By a text key.
    Text(&'static str),
}

/// A table's columns that both files have, with their declared types.
pub(super) fn columns(
    from: &Connection,
    to: &Connection,
    table: &str,
) -> rusqlite::Result<Vec<(String, String)>> {
    let list = |conn: &Connection| {
        conn.prepare(&format!("PRAGMA table_info({table})"))?
            .query_map([], |row| Ok((row.get(1)?, row.get(2)?)))?
            .collect::<rusqlite::Result<Vec<(String, String)>>>()
    };
    let there = list(from)?;
    Ok(list(to)?
        .into_iter()
        .filter(|(name, _)| there.iter().any(|(n, _)| n == name))
        .collect())
}

/// One table on its way.
struct Move<'c> {
    from: &'c Connection,
    to: &'c Connection,
    table: &'static str,
    columns: Vec<(String, String)>,
    kept: Kept,
}

pub(super) fn copy_table(
    from: &Connection,
    to: &Connection,
    table: &'static str,
    walk: &Walk,
) -> rusqlite::Result<Kept> {
    let mut moving = Move {
        from,
        to,
        table,
        columns: columns(from, to, table)?,
        kept: Kept {
            table,
            rows: 0,
            gaps: 0,
            nonsense: 0,
        },
    };
    if moving.columns.is_empty() {
        // Lost from the schema, or not there yet in that version.
        return Ok(moving.kept);
    }
    match walk {
        Walk::Number(key) => {
            moving.by_number("1", key, 1)?;
            // What an index holds whole survives the loss of the table's own page.
            let by_index = match table {
                "name" => Some("SELECT id, text FROM name ORDER BY text"),
                "series" => {
                    Some("SELECT id, sensor, quantity FROM series ORDER BY sensor, quantity")
                }
                _ => None,
            };
            if let Some(sql) = by_index {
                moving.whole(sql)?;
            }
        }
        Walk::Text(key) => {
            if !moving.whole(&moving.select(&format!("1 ORDER BY {key}")))? {
                moving.kept.gaps += 1;
                let down = key.replace(',', " DESC,") + " DESC";
                moving.whole(&moving.select(&format!("1 ORDER BY {down}")))?;
            }
        }
        Walk::Times(widths) => {
            let known: BTreeSet<i64> = to
                .prepare("SELECT id FROM series")?
                .query_map([], |row| row.get(0))?
                .collect::<rusqlite::Result<_>>()?;
            let last = known.last().copied().unwrap_or(0).max(SERIES_TRIED);
            for series in 1..=last {
                for width in *widths {
                    let mut which = format!("series = {series}");
                    if let Some(width) = width {
                        which += &format!(" AND width = {width}");
                    }
                    // A series that nothing tells of is felt for once, not step by step.
                    if known.contains(&series) || moving.first(&which).is_some() {
                        moving.by_number(&which, "time", 60_000)?;
                    }
                }
            }
        }
    }
    moving.kept.rows = to
        .query_row(&format!("SELECT count(*) FROM {table}"), [], |row| {
            row.get::<_, i64>(0)
        })?
        .max(0)
        .cast_unsigned();
    Ok(moving.kept)
}

impl Move<'_> {
    fn select(&self, which: &str) -> String {
        let names: Vec<&str> = self.columns.iter().map(|(name, _)| name.as_str()).collect();
        format!(
            "SELECT {} FROM {} WHERE {which}",
            names.join(", "),
            self.table
        )
    }

    fn first(&self, which: &str) -> Option<i64> {
        self.from
            .query_row(
                &format!("SELECT time FROM {} WHERE {which} LIMIT 1", self.table),
                [],
                |row| row.get(0),
            )
            .ok()
    }

    /// Reads a query to its end or to the first row that cannot be read; `false` then.
    fn whole(&mut self, sql: &str) -> rusqlite::Result<bool> {
        let mut nonsense = 0;
        let mut query = match self.from.prepare(sql) {
            Ok(query) => query,
            Err(_) => return Ok(false),
        };
        let names: Vec<String> = query.column_names().map(str::to_owned).collect();
        let mut rows = match query.query([]) {
            Ok(rows) => rows,
            Err(_) => return Ok(false),
        };
        let whole = loop {
            match rows.next() {
                Ok(Some(row)) => match self.values(&names, row) {
                    Some(values) => {
                        put(self.to, self.table, &names, values)?;
                    }
                    None => nonsense += 1,
                },
                Ok(None) => break true,
                Err(_) => break false,
            }
        };
        drop(rows);
        drop(query);
        self.kept.nonsense += nonsense;
        Ok(whole)
    }

    /// The row's values, if each is of its column's type.
    fn values(&self, names: &[String], row: &rusqlite::Row<'_>) -> Option<Vec<Value>> {
        let mut values = Vec::with_capacity(names.len());
        for (at, name) in names.iter().enumerate() {
            let (_, declared) = self.columns.iter().find(|(n, _)| n == name)?;
            let value = row.get_ref(at).ok()?;
            let fits = match (value, declared.as_str()) {
                (ValueRef::Null, _) | (ValueRef::Integer(_), "INTEGER" | "REAL") => true,
                (ValueRef::Real(_), "REAL") => true,
                (ValueRef::Text(text), "TEXT") => self.text_fits(name, text),
                _ => false,
            };
            if !fits {
                return None;
            }
            values.push(value.try_into().ok()?);
        }
        Some(values)
    }

    fn text_fits(&self, column: &str, text: &[u8]) -> bool {
        let Ok(text) = std::str::from_utf8(text) else {
            return false;
        };
        match (self.table, column) {
            ("record", "doc") => serde_json::from_str::<Record>(text).is_ok(),
            (_, "doc" | "memory" | "before" | "after") | ("setting", "value") => {
                serde_json::from_str::<serde_json::Value>(text).is_ok()
            }
            ("series", "quantity") => crate::batches::record::Quantity::from_name(text).is_some(),
            _ => true,
        }
    }

    /// Walks one stretch of a table by a whole-number key.
    fn by_number(&mut self, which: &str, key: &str, step: i64) -> rusqlite::Result<()> {
        let names: Vec<String> = self.columns.iter().map(|(name, _)| name.clone()).collect();
        let key_at = names.iter().position(|n| n == key).unwrap_or_default();
        let rows_sql = self.select(&format!("{which} AND {key} >= ?1 ORDER BY {key}"));
        let probe_sql = format!(
            "SELECT {key} FROM {} WHERE {which} AND {key} >= ?1 ORDER BY {key} LIMIT 1",
            self.table
        );
        let mut from = if key == "time" { TIMES.start } else { 0 };
        loop {
            let began = from;
            let mut query = self.from.prepare_cached(&rows_sql)?;
            let whole = match query.query([from]) {
                Err(_) => false,
                Ok(mut rows) => loop {
                    match rows.next() {
                        Ok(None) => break true,
                        Err(_) => break false,
                        Ok(Some(row)) => {
                            let at = row.get::<_, i64>(key_at).ok().filter(|at| *at >= from);
                            let at = at.filter(|at| key != "time" || TIMES.contains(at));
                            match (at, self.values(&names, row)) {
                                (Some(at), Some(values)) => {
                                    put(self.to, self.table, &names, values)?;
                                    from = at + 1;
                                }
                                _ => self.kept.nonsense += 1,
                            }
                        }
                    }
                },
            };
            if whole {
                return Ok(());
            }
            self.kept.gaps += 1;
            // Where the walk broke down right away, its beginning is what cannot be read.
            let behind = if from == began { from + 1 } else { from };
            match self.feel(&probe_sql, behind, step) {
                Some(next) => from = next,
                None => return Ok(()),
            }
        }
    }

    /// The first key at or behind `from` from which on something can be read again.
    fn feel(&self, probe_sql: &str, from: i64, step: i64) -> Option<i64> {
        let readable = |at: i64| {
            self.from.prepare_cached(probe_sql).is_ok_and(|mut query| {
                let found = query.query_row([at], |row| row.get::<_, i64>(0));
                matches!(found, Ok(_) | Err(rusqlite::Error::QueryReturnedNoRows))
            })
        };
        let (mut low, mut stride, mut tries) = (from - 1, 1_i64, 0_i64);
        let mut high = from;
        while !readable(high) {
            tries += 1;
            if tries > FINE_STEPS {
                stride = stride.checked_mul(2)?;
            } else {
                stride = (stride * 2).min(step);
            }
            low = high;
            high = high.checked_add(stride)?;
        }
        // Between the last place that cannot be read and the first that can.
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            if readable(middle) {
                high = middle;
            } else {
                low = middle;
            }
        }
        Some(high)
    }
}

/// One row into the new file, unless its key is there; gives how many went in.
pub(super) fn put(
    to: &Connection,
    table: &str,
    names: &[String],
    values: Vec<Value>,
) -> rusqlite::Result<u64> {
    let marks: Vec<String> = (1..=values.len()).map(|n| format!("?{n}")).collect();
    to.prepare_cached(&format!(
        "INSERT OR IGNORE INTO {table} ({}) VALUES ({})",
        names.join(", "),
        marks.join(", ")
    ))?
    .execute(params_from_iter(values))
    .map(|rows| rows as u64)
}

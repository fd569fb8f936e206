//! Repair: every row of a damaged file that can still be read goes into a new, sound one.
//!
//! The damaged file is only read, from a scratch copy of it and its log, so that nothing is made
//! worse. Tables keyed by a number are walked in order of their key; where a page cannot be read the
//! walk feels its way to the next key that can ([`FINE_STEPS`] small steps, then ever larger ones);
//! pages of readings that no sound page leads to any more are then read one by one.
//! Tables keyed by a text, all of them small, are read from both ends; a record of the log book lost
//! in between is taken from the log of changes. What stands in a row is not second-guessed beyond
//! its types: SQLite keeps no checksums, so a flipped bit inside a value cannot be told from a value.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use rusqlite::types::{Value, ValueRef};
use rusqlite::{Connection, OpenFlags, params_from_iter};

use super::{FILE, failed, upkeep};
use crate::batches::record::Record;
use crate::store::lock::DirLock;
use crate::store::{Result, StoreError};

const REPAIRING: &str = "repair the store";

/// Small steps tried behind an unreadable place before they grow: a minute each for readings, so a
/// week. What larger steps pass over is found page by page.
const FINE_STEPS: i64 = 10_000;
/// Series looked for where their list is lost: more than a kitchen may have.
const SERIES_TRIED: i64 = 2_000;
/// Times of readings that are taken for one: the years 1900 to 2200.
const TIMES: std::ops::Range<i64> = -2_208_988_800_000..7_258_118_400_000;

/// Widths of summaries and numbers of rows are smaller than this, ms; times of readings are not.
const LEAST_TIME: i64 = 1_000_000_000;

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

/// How a table is walked.
enum Walk {
    /// By a number, the whole table in one.
    Number(&'static str),
    /// By series (and width) and then time, in steps of a minute.
    Times(&'static [Option<i64>]),
    /// By a text key.
    Text(&'static str),
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
    ("packet", Walk::Text("session, id")),
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

/// A table's columns that both files have, with their declared types.
fn columns(
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

fn copy_table(
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

/// Readings that the walk did not reach, because a page between is damaged: each page that may hold
/// readings is made the table's root for a moment, so that SQLite itself reads what is on it. Gives
/// how many were found that way. This spoils the scratch copy.
fn page_by_page(scratch: &Path, to: &Connection) -> rusqlite::Result<u64> {
    let Ok(pages) = leaves_of(scratch) else {
        return Ok(0);
    };
    let from = &Connection::open(scratch)?;
    for (pragma, value) in [("locking_mode", "exclusive"), ("journal_mode", "memory")] {
        from.pragma_update_and_check(None, pragma, value, |_| Ok(()))?;
    }
    from.pragma_update(None, "synchronous", "off")?;
    from.pragma_update(None, "writable_schema", true)?;
    // The moment before the first `UPDATE`, the root is still what it was: only its schema is read.
    let names: Vec<String> = columns(from, to, "reading")?
        .into_iter()
        .map(|(name, _)| name)
        .collect();
    let known: BTreeSet<i64> = to
        .prepare("SELECT id FROM series")?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    let mut found = 0;
    for page in pages {
        from.execute(
            "UPDATE sqlite_schema SET rootpage = ?1 WHERE name = 'reading'",
            [page],
        )?;
        from.execute_batch("PRAGMA writable_schema = RESET; PRAGMA writable_schema = ON")?;
        let Ok(mut query) = from.prepare(&format!("SELECT {} FROM reading", names.join(", ")))
        else {
            continue;
        };
        let Ok(mut rows) = query.query([]) else {
            continue;
        };
        while let Ok(Some(row)) = rows.next() {
            let values: Vec<Value> = (0..names.len())
                .map(|at| row.get(at))
                .collect::<rusqlite::Result<_>>()
                .unwrap_or_default();
            // Other tables' pages look different: no series of ours, no time, or too few columns.
            let ours = matches!(
                values.as_slice(),
                [
                    Value::Integer(series),
                    Value::Integer(time),
                    Value::Real(_) | Value::Integer(_) | Value::Null,
                    Value::Integer(_),
                    Value::Integer(_),
                    place,
                    batch,
                    raw,
                    unit,
                ] if known.contains(series)
                    && time.abs() > LEAST_TIME
                    && TIMES.contains(time)
                    && [place, batch, unit].iter().all(|v| matches!(v, Value::Integer(_) | Value::Null))
                    && matches!(raw, Value::Integer(_) | Value::Real(_) | Value::Null)
            );
            if ours {
                found += put(to, "reading", &names, values)?;
            }
        }
    }
    Ok(found)
}

/// The file's pages that look like those of an index or of a table without row ids, free ones left
/// out. Inner pages of these, which hold rows too, are turned into leaves on the way: their type, a
/// header shorter by the pointer to the last child, and rows without a pointer to a child before
/// them. ("Database File Format", sections 1.5 and 1.6, in SQLite's documentation.)
fn leaves_of(file: &Path) -> std::io::Result<Vec<u32>> {
    use std::os::unix::fs::FileExt as _;
    const INNER: u8 = 2;
    const LEAF: u8 = 10;
    let file = std::fs::File::options().read(true).write(true).open(file)?;
    let mut header = [0_u8; 100];
    file.read_exact_at(&mut header, 0)?;
    let word = |bytes: &[u8], at: usize| {
        bytes
            .get(at..at + 4)
            .and_then(|b| b.try_into().ok())
            .map_or(0, u32::from_be_bytes)
    };
    let size = match u16::from_be_bytes([header[16], header[17]]) {
        1 => 65_536,
        size => u64::from(size).max(512),
    };
    let count = u32::try_from(file.metadata()?.len() / size).unwrap_or(u32::MAX);
    let at = |page: u32| u64::from(page - 1) * size;
    let mut page = vec![0; size as usize];
    let mut free = BTreeSet::new();
    let mut trunk = word(&header, 32);
    while trunk > 1 && trunk <= count && free.insert(trunk) {
        file.read_exact_at(&mut page, at(trunk))?;
        let leaves = (word(&page, 4) as usize).min(page.len() / 4 - 2);
        free.extend((0..leaves).map(|leaf| word(&page, 8 + 4 * leaf)));
        trunk = word(&page, 0);
    }
    let mut found = Vec::new();
    for number in (2..=count).filter(|page| !free.contains(page)) {
        file.read_exact_at(&mut page, at(number))?;
        if page[0] == INNER {
            let cells = usize::from(u16::from_be_bytes([page[3], page[4]]));
            if 12 + 2 * cells > page.len() {
                continue;
            }
            for cell in 0..cells {
                let from = 12 + 2 * cell;
                let offset = u16::from_be_bytes([page[from], page[from + 1]]).saturating_add(4);
                page[from - 4..from - 2].copy_from_slice(&offset.to_be_bytes());
            }
            page[0] = LEAF;
            file.write_all_at(&page, at(number))?;
        }
        if page[0] == LEAF {
            found.push(number);
        }
    }
    Ok(found)
}

fn put(
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

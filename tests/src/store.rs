//! A store's file: by the program's own commands, and by hand.

use std::collections::BTreeSet;
use std::path::Path;

use rusqlite::Connection;

use crate::harness::doughwarden;

/// Runs `store …` on a data directory: exit code, standard output, standard error.
///
/// # Panics
/// If what it writes is no text.
pub fn store_command(data: &Path, args: &[&str]) -> (Option<i32>, String, String) {
    let data = data.to_str().expect("a path of a test's own");
    let out = doughwarden(&[&["store"], args, &["--data", data]].concat());
    let text = |bytes| String::from_utf8(bytes).expect("it writes text");
    (out.status.code(), text(out.stdout), text(out.stderr))
}

/// What a `store …` that must succeed writes.
///
/// # Panics
/// If it fails.
pub fn well((code, out, err): (Option<i32>, String, String)) -> String {
    assert_eq!(code, Some(0), "{out}{err}");
    out
}

/// The lines of a data directory's log book.
///
/// # Panics
/// If it cannot be exported.
pub fn exported(data: &Path) -> BTreeSet<String> {
    let out = doughwarden(&["export", "--data", data.to_str().expect("a path")]);
    assert!(out.status.success());
    let text = String::from_utf8(out.stdout).expect("a log book is text");
    text.lines().map(str::to_owned).collect()
}

/// Copies a table's first row so often, `key` counted on, past rows that are there; whatever columns that
/// version has.
///
/// # Panics
/// If the store cannot be written.
pub fn multiply(store: &Connection, table: &str, key: &str, step: i64, times: i64) {
    let columns: Vec<String> = store
        .prepare(&format!("PRAGMA table_info({table})"))
        .expect("a store of the test's own")
        .query_map([], |row| row.get(1))
        .expect("a store of the test's own")
        .collect::<rusqlite::Result<_>>()
        .expect("a store of the test's own");
    let counted = |c: &String| format!("{c} + n * {step}");
    let values: Vec<String> = columns
        .iter()
        .map(|c| if c == key { counted(c) } else { c.clone() })
        .collect();
    store
        .execute_batch(&format!(
            "WITH RECURSIVE counted (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM counted WHERE n < {times})
             INSERT OR IGNORE INTO {table} ({}) SELECT {} FROM counted, (SELECT * FROM {table} LIMIT 1)",
            columns.join(", "),
            values.join(", ")
        ))
        .expect("a store of the test's own");
}

//! Changes to the book: log-book lines from HTTP, the page, import and the commands, all by the
//! contract's import rules; undo.

use serde::Serialize;

use crate::app::App;
use crate::store::StoreError;

/// One bad line: its number (from 1) and what is wrong.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct BadLine {
    /// Counted from 1.
    pub line: usize,
    /// What was wrong and what to do.
    pub reason: String,
}

/// What became of the lines.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Applied {
    /// Records written.
    pub written: usize,
    /// Readings stored.
    pub readings: usize,
    /// Readings that were there already.
    pub again: usize,
    /// Bad lines.
    pub bad: Vec<BadLine>,
    /// Unknown records and fields dropped, one sentence each.
    pub warnings: Vec<String>,
    /// Number under which the whole can be undone.
    pub group: Option<i64>,
}

/// Applies log-book lines (JSON Lines); with `strict`, nothing goes in when one is bad.
///
/// # Errors
/// If the store cannot be written.
pub fn apply(_app: &App, _lines: &str, _strict: bool) -> Result<Applied, StoreError> {
    Err(StoreError::Corrupt("applying is not built yet".into()))
}

/// Undoes a change. `Ok(false)`: a later change stands in the way.
///
/// # Errors
/// If the store cannot be written.
pub fn undo(app: &App, group: i64) -> Result<bool, StoreError> {
    let done = app.store.undo(app.clock.now(), group)?;
    if done {
        app.reload_book()?;
    }
    Ok(done)
}

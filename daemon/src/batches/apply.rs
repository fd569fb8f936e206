//! Changes to the book: log-book lines from HTTP, the page, import and the commands, all by the
//! contract's import rules; undo.

use std::sync::{Mutex, MutexGuard, PoisonError};

use serde::Serialize;

use super::import::{ImportError, Importer, Listener};
use crate::app::App;
use crate::events::Event;
use crate::store::{StoreError, StoredReading};

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

/// One change at a time: what is checked against the book must still hold when it is written.
static DOOR: Mutex<()> = Mutex::new(());

/// Holds other changes off.
pub(super) fn door() -> MutexGuard<'static, ()> {
    DOOR.lock().unwrap_or_else(PoisonError::into_inner)
}

#[derive(Default)]
struct Collected {
    bad: Vec<BadLine>,
    stored: Vec<StoredReading>,
}

impl Listener for Collected {
    fn bad(&mut self, _source: &str, line: BadLine) {
        self.bad.push(line);
    }

    fn stored(&mut self, readings: Vec<StoredReading>) {
        self.stored.extend(readings);
    }
}

/// Applies log-book lines (JSON Lines); with `strict`, nothing goes in when one is bad. Everyone is
/// told of what changed.
///
/// # Errors
/// If the store cannot be written.
pub fn apply(app: &App, lines: &str, strict: bool) -> Result<Applied, StoreError> {
    let _door = door();
    apply_behind_door(app, lines, strict)
}

pub(super) fn apply_behind_door(
    app: &App,
    lines: &str,
    strict: bool,
) -> Result<Applied, StoreError> {
    let book = app.book();
    let mut collected = Collected::default();
    let mut import = Importer::new(&*app.store, &book, app.clock.now());
    let outcome = import
        .read("the lines", &mut lines.as_bytes(), &mut collected)
        .and_then(|()| import.finish(strict, &mut collected));
    // Also after a failure: the book may have been written before the readings failed.
    if outcome
        .as_ref()
        .map_or(true, |report| report.group.is_some())
    {
        app.reload_book()?;
    }
    let Collected { mut bad, stored } = collected;
    if !stored.is_empty() {
        app.metrics.stored.inc_by(stored.len() as u64);
        app.bus.tell(Event::Readings(stored.into()));
    }
    let report = outcome.map_err(|error| match error {
        ImportError::Store(error) => error,
        ImportError::Input { source, .. } | ImportError::Spool(source) => StoreError::Io {
            doing: "take the lines in".into(),
            source,
        },
    })?;
    bad.sort_by_key(|line| line.line);
    Ok(Applied {
        written: report.written,
        readings: usize::try_from(report.readings).unwrap_or(usize::MAX),
        again: usize::try_from(report.again).unwrap_or(usize::MAX),
        bad,
        warnings: report.warnings,
        group: report.group,
    })
}

/// Undoes a change. `Ok(false)`: a later change stands in the way.
///
/// # Errors
/// If the store cannot be written.
pub fn undo(app: &App, group: i64) -> Result<bool, StoreError> {
    let _door = door();
    let done = app.store.undo(app.clock.now(), group)?;
    if done {
        app.reload_book()?;
    }
    Ok(done)
}

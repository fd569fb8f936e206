//! What a baker does, as records: start, move, split, end, note. Every action goes through the same
//! door as an import and can be undone under the number it gives back.

use jiff::tz::TimeZone;

use super::apply::{self, Applied};
use super::book::Book;
use super::check;
use super::record::{Batch, Move, Observation, Outcome, Record, StageKind, StageRecord};
use super::sensible;
use crate::app::App;
use crate::config::display::zone;
use crate::store::{Edit, RecordKey, StoreError};
use crate::time::UtcMs;

/// Why nothing was done.
#[derive(Debug, thiserror::Error)]
pub enum ActionError {
    /// It makes no sense, and what to do.
    #[error("{0}")]
    Refused(String),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// What was done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Done {
    /// The batch it was done to, or that was made.
    pub batch: String,
    /// Number under which it can be undone; `None`: it stood like this already.
    pub group: Option<i64>,
}

/// Shorthand.
pub type Result<T> = std::result::Result<T, ActionError>;

fn refused<T>(reason: impl Into<String>) -> Result<T> {
    Err(ActionError::Refused(reason.into()))
}

/// Writes records together, or none.
///
/// # Errors
/// The first reason why one is refused.
pub fn put(app: &App, records: &[Record]) -> Result<Applied> {
    let _door = apply::door();
    put_behind_door(app, records)
}

fn put_behind_door(app: &App, records: &[Record]) -> Result<Applied> {
    if let Err(reason) = records.iter().try_for_each(sensible::entry) {
        return refused(reason);
    }
    let book = app.book();
    if let Some(reason) = records.iter().find_map(|r| match r {
        Record::Place(place) => book.circle(place),
        _ => None,
    }) {
        return refused(reason);
    }
    let lines: Vec<String> = records.iter().map(super::export::line).collect();
    let applied = apply::apply_behind_door(app, &lines.join("\n"), true)?;
    match applied.bad.into_iter().next() {
        Some(bad) => refused(bad.reason),
        None => Ok(Applied {
            bad: Vec::new(),
            ..applied
        }),
    }
}

fn done(batch: &str, applied: &Applied) -> Done {
    Done {
        batch: batch.to_owned(),
        group: applied.group,
    }
}

fn known<'b>(book: &'b Book, batch: &str) -> Result<&'b Batch> {
    match book.batches.get(batch) {
        Some(record) => Ok(record),
        None => refused(format!("there is no batch `{batch}`")),
    }
}

/// Starts a batch with its bulk proof. Without an id it gets one of ours.
///
/// # Errors
/// If the id is taken, or the records are refused.
pub fn start_batch(
    app: &App,
    batch: Batch,
    at: UtcMs,
    dough_temperature_c: Option<f64>,
    by: Option<&str>,
) -> Result<Done> {
    let _door = apply::door();
    start_behind_door(app, batch, at, dough_temperature_c, by)
}

fn start_behind_door(
    app: &App,
    mut batch: Batch,
    at: UtcMs,
    dough_temperature_c: Option<f64>,
    by: Option<&str>,
) -> Result<Done> {
    let book = app.book();
    if batch.id.is_empty() {
        batch.id = new_id(&book, &batch.dough, at, &zone(&app.config.display));
    } else if book.batches.contains_key(&batch.id) {
        return refused(format!("there is a batch `{}` already", batch.id));
    }
    let id = batch.id.clone();
    let stage = StageRecord {
        dough_temperature: dough_temperature_c,
        ..new_stage(&id, StageKind::Bulk, at, by)
    };
    let applied = put_behind_door(app, &[Record::Batch(batch), Record::Stage(stage)])?;
    Ok(done(&id, &applied))
}

/// Starts the same as the last time this dough was made: place, pieces and vessel.
///
/// # Errors
/// If this dough was never made.
pub fn same_again(app: &App, dough: &str, at: UtcMs, by: Option<&str>) -> Result<Done> {
    let _door = apply::door();
    let book = app.book();
    let last = book
        .batches
        .values()
        // A part of a split batch is not how the dough is made.
        .filter(|batch| batch.dough == dough && batch.from.is_none())
        .max_by_key(|batch| {
            let start = book.own_stages(&batch.id).map(|s| s.start).min();
            (start, batch.id.clone())
        });
    let Some(last) = last else {
        return refused(format!(
            "`{dough}` was not made here yet: start a batch of it"
        ));
    };
    let batch = Batch {
        id: String::new(),
        // The dough's formula may have changed since; lots and learning are each batch's own.
        formula: match book.doughs.get(dough).and_then(|d| d.formula.as_ref()) {
            Some(_) => None,
            None => last.formula.clone(),
        },
        lot: None,
        learn: None,
        extra: super::record::Extra::new(),
        ..last.clone()
    };
    start_behind_door(app, batch, at, None, by)
}

/// Starts a stage. A bulk proof still open when the final proof starts ends there, as unknown.
///
/// # Errors
/// If that stage was started already.
pub fn start_stage(
    app: &App,
    batch: &str,
    stage: StageKind,
    at: UtcMs,
    place: Option<&str>,
    by: Option<&str>,
) -> Result<Done> {
    let _door = apply::door();
    let book = app.book();
    known(&book, batch)?;
    if let Some(begun) = book.own_stage(batch, stage) {
        return refused(format!(
            "the {} proof of `{batch}` was started at {} already: change that instead",
            stage.as_str(),
            begun.start
        ));
    }
    let mut records = Vec::new();
    if stage == StageKind::Final
        && let Some(bulk) = book.stage(batch, StageKind::Bulk)
        && bulk.end.is_none()
    {
        records.push(Record::Stage(ended(bulk, at, Outcome::Unknown)));
    }
    records.push(Record::Stage(StageRecord {
        place: place.map(str::to_owned),
        ..new_stage(batch, stage, at, by)
    }));
    Ok(done(batch, &put_behind_door(app, &records)?))
}

fn new_stage(batch: &str, stage: StageKind, at: UtcMs, by: Option<&str>) -> StageRecord {
    StageRecord {
        batch: batch.to_owned(),
        stage,
        start: at,
        end: None,
        outcome: None,
        dough_temperature: None,
        by: by.map(str::to_owned),
        place: None,
        extra: super::record::Extra::new(),
    }
}

fn ended(stage: &StageRecord, at: UtcMs, outcome: Outcome) -> StageRecord {
    StageRecord {
        end: Some(at),
        outcome: Some(outcome),
        ..stage.clone()
    }
}

/// Ends the stage that is open (for a part of a batch, if need be, the bulk proof it shares).
///
/// # Errors
/// If none is open, or another one than was `meant`: two people may tap at once.
pub fn end_stage(
    app: &App,
    batch: &str,
    meant: Option<StageKind>,
    outcome: Outcome,
    at: UtcMs,
    by: Option<&str>,
) -> Result<Done> {
    let _door = apply::door();
    let book = app.book();
    known(&book, batch)?;
    let open = [StageKind::Final, StageKind::Bulk]
        .into_iter()
        .filter_map(|kind| book.stage(batch, kind))
        .find(|s| s.end.is_none());
    let Some(open) = open else {
        return refused(format!("`{batch}` has no proof in progress"));
    };
    if let Some(meant) = meant.filter(|meant| *meant != open.stage) {
        return refused(format!(
            "the {} proof of `{batch}` has ended already; its {} proof is in progress",
            meant.as_str(),
            open.stage.as_str()
        ));
    }
    let mut stage = ended(open, at, outcome);
    if let Some(by) = by {
        stage.by = Some(by.to_owned());
    }
    Ok(done(batch, &put_behind_door(app, &[Record::Stage(stage)])?))
}

/// Ends a stage that nobody ended: how it went is unknown, and it teaches nothing.
///
/// # Errors
/// If there is no such stage, or it ended already.
pub fn close_unknown(app: &App, batch: &str, stage: StageKind, at: UtcMs) -> Result<Done> {
    let _door = apply::door();
    let book = app.book();
    let Some(open) = book.own_stage(batch, stage).filter(|s| s.end.is_none()) else {
        return refused(format!(
            "`{batch}` has no {} proof in progress",
            stage.as_str()
        ));
    };
    let stage = ended(open, at, Outcome::Unknown);
    Ok(done(batch, &put_behind_door(app, &[Record::Stage(stage)])?))
}

/// Carries a batch to another place.
///
/// # Errors
/// If there is no such batch.
pub fn move_batch(
    app: &App,
    batch: &str,
    place: &str,
    at: UtcMs,
    by: Option<&str>,
) -> Result<Done> {
    not_baked(&app.book(), batch, at)?;
    let moved = Record::Move(Move {
        batch: batch.to_owned(),
        time: at,
        place: place.to_owned(),
        by: by.map(str::to_owned),
        extra: super::record::Extra::new(),
    });
    Ok(done(batch, &put(app, &[moved])?))
}

/// What has come out of its final proof is not carried about or split any more.
fn not_baked(book: &Book, batch: &str, at: UtcMs) -> Result<()> {
    let last = book.stage(batch, StageKind::Final).and_then(|s| s.end);
    match last {
        Some(end) if end <= at => refused("its final proof is over: undo that first"),
        _ => Ok(()),
    }
}

/// Notes what the baker saw or measured.
///
/// # Errors
/// If it is refused.
pub fn observe(app: &App, observation: Observation) -> Result<Done> {
    let batch = observation.batch.clone();
    Ok(done(
        &batch,
        &put(app, &[Record::Observation(observation)])?,
    ))
}

/// Splits part of a batch off at shaping; the part shares the bulk proof and goes its own way from
/// `at` on. The part's id is the whole's with a letter.
///
/// # Errors
/// If there is no such batch.
pub fn split_batch(
    app: &App,
    batch: &str,
    place: &str,
    pieces: Option<u32>,
    at: UtcMs,
    by: Option<&str>,
) -> Result<Done> {
    let _door = apply::door();
    let book = app.book();
    let whole = known(&book, batch)?;
    not_baked(&book, batch, at)?;
    let id = ('b'..='z')
        .map(|letter| ending(batch, &format!("-{letter}")))
        .find(|id| !book.batches.contains_key(id));
    let Some(id) = id else {
        return refused(format!("`{batch}` was split too often"));
    };
    let part = Record::Batch(Batch {
        id: id.clone(),
        place: place.to_owned(),
        pieces,
        from: Some(batch.to_owned()),
        ..whole.clone()
    });
    let own_way = Record::Move(Move {
        batch: id.clone(),
        time: at,
        place: place.to_owned(),
        by: by.map(str::to_owned),
        extra: super::record::Extra::new(),
    });
    Ok(done(&id, &put_behind_door(app, &[part, own_way])?))
}

/// Keeps a batch out of learning, or takes it in again.
///
/// # Errors
/// If there is no such batch.
pub fn set_learn(app: &App, batch: &str, learn: bool) -> Result<Done> {
    let _door = apply::door();
    let book = app.book();
    let record = Record::Batch(Batch {
        learn: (!learn).then_some(false),
        ..known(&book, batch)?.clone()
    });
    Ok(done(batch, &put_behind_door(app, &[record])?))
}

/// Says whether a batch is covered, or stands open to the air.
///
/// # Errors
/// If there is no such batch.
pub fn set_covered(app: &App, batch: &str, covered: bool) -> Result<Done> {
    let _door = apply::door();
    let book = app.book();
    let mut record = known(&book, batch)?.clone();
    record.set_covered(covered);
    Ok(done(
        batch,
        &put_behind_door(app, &[Record::Batch(record)])?,
    ))
}

/// Changes an entry, also its time (which is part of its key).
///
/// # Errors
/// If there is no such entry, or the new one is refused.
pub fn replace(app: &App, old: &RecordKey, new: Record) -> Result<Option<i64>> {
    let _door = apply::door();
    let book = app.book();
    let key = new.key();
    if !book.records().iter().any(|r| r.key().as_ref() == Some(old)) {
        return refused("that entry is gone: someone changed or undid it");
    }
    if key.as_ref() == Some(old) {
        return Ok(put_behind_door(app, &[new])?.group);
    }
    if let Err(reason) = sensible::entry(&new) {
        return refused(reason);
    }
    let new = match check::record(new, app.clock.now()) {
        Ok(Record::Reading(_)) => return refused("a reading is no entry of the book"),
        Ok(new) => new,
        Err(reason) => return refused(reason),
    };
    if let (Some(key), "batch" | "stage") = (&key, old.record.as_str()) {
        return refused(format!("the key of a {} cannot change", key.record));
    }
    if let Record::Move(Move { batch, .. }) | Record::Observation(Observation { batch, .. }) = &new
    {
        known(&book, batch)?;
    }
    edit(app, &[Edit::Remove(old.clone()), Edit::Put(new)])
}

/// Takes an entry out; a batch with everything that belongs to it.
///
/// # Errors
/// If there is no such entry, or another batch was split from it.
pub fn remove(app: &App, key: &RecordKey) -> Result<Option<i64>> {
    let _door = apply::door();
    let book = app.book();
    let belongs = |record: &Record| match record {
        Record::Stage(r) => r.batch == key.key,
        Record::Move(r) => r.batch == key.key,
        Record::Observation(r) => r.batch == key.key,
        _ => false,
    };
    let is_batch = key.record == "batch";
    if is_batch
        && let Some(part) = book
            .batches
            .values()
            .find(|b| b.from.as_ref() == Some(&key.key))
    {
        return refused(format!(
            "`{}` was split from it: take that out first",
            part.id
        ));
    }
    let edits: Vec<Edit> = book
        .records()
        .iter()
        .filter(|record| record.key().as_ref() == Some(key) || (is_batch && belongs(record)))
        .filter_map(|record| record.key().map(Edit::Remove))
        .collect();
    if edits.is_empty() {
        return refused("that entry is gone: someone changed or undid it");
    }
    edit(app, &edits)
}

fn edit(app: &App, edits: &[Edit]) -> Result<Option<i64>> {
    let group = app.store.edit(app.clock.now(), edits)?;
    app.reload_book()?;
    Ok((group != 0).then_some(group))
}

/// An id of ours: year, dough, day and a number, like `2026-cardamom-knots-0110-1`.
#[must_use]
pub fn new_id(book: &Book, dough: &str, at: UtcMs, zone: &TimeZone) -> String {
    let day = zone.to_datetime(at.timestamp());
    let mut name = String::new();
    for letter in dough.to_lowercase().chars() {
        match plain(letter) {
            Some(plain) => name.push_str(plain),
            None if letter.is_ascii_alphanumeric() => name.push(letter),
            None if !name.is_empty() && !name.ends_with('-') => name.push('-'),
            None => {}
        }
    }
    let name = match name.trim_end_matches('-') {
        "" => "batch",
        name => name,
    };
    let start = format!("{:04}-{name}", day.year());
    (1_u32..)
        .map(|n| ending(&start, &format!("-{:02}{:02}-{n}", day.month(), day.day())))
        .find(|id| !book.batches.contains_key(id))
        .expect("a book has fewer batches than there are numbers")
}

/// A lower-case letter of the alphabets around us in plain ones, which ids are made of.
fn plain(letter: char) -> Option<&'static str> {
    Some(match letter {
        'à' | 'á' | 'â' | 'ã' | 'ä' | 'å' => "a",
        'æ' => "ae",
        'ç' => "c",
        'è' | 'é' | 'ê' | 'ë' => "e",
        'ì' | 'í' | 'î' | 'ï' => "i",
        'ñ' => "n",
        'ò' | 'ó' | 'ô' | 'õ' | 'ö' | 'ø' => "o",
        'œ' => "oe",
        'ß' => "ss",
        'ù' | 'ú' | 'û' | 'ü' => "u",
        _ => return None,
    })
}

/// `start` with `end` behind it, cut so that it is an id.
fn ending(start: &str, end: &str) -> String {
    // Ids are ASCII, so that any length is a boundary.
    let room = check::ID_LENGTH.saturating_sub(end.len()).min(start.len());
    format!("{}{end}", &start[..room])
}

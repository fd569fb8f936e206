//! Changes to the book as the pages make them: records by import's rules, so that a tap and a
//! line of the log book go the same way.

use crate::app::App;
use crate::batches::apply::{Applied, apply};
use crate::batches::book::Book;
use crate::batches::record::{
    Batch, Move, Observation, ObservationKind, Outcome, Record, StageKind, StageRecord,
};
use crate::store::Edit;
use crate::time::UtcMs;
use crate::web::api::records::refuse;
use crate::web::problem::Problem;

/// Letters of a dough's name in a batch's id.
const SLUG: usize = 40;

/// Writes records, all or none; returns the number under which they can be undone.
///
/// # Errors
/// If one is bad or the store cannot be written.
pub fn write(app: &App, records: &[Record]) -> Result<Applied, Problem> {
    let mut lines = String::new();
    for record in records {
        let line = serde_json::to_string(record).map_err(|_| Problem::internal())?;
        lines.push_str(&line);
        lines.push('\n');
    }
    refuse(apply(app, &lines, true)?)
}

/// Takes a record out and, if there is one, puts another in its place.
///
/// # Errors
/// If there is no such record or the store cannot be written.
pub fn replace(app: &App, old: &Record, new: Option<Record>) -> Result<i64, Problem> {
    let key = old.key().ok_or_else(Problem::internal)?;
    let mut edits = vec![Edit::Remove(key)];
    edits.extend(new.map(Edit::Put));
    let group = app.store.edit(app.clock.now(), &edits)?;
    app.reload_book()?;
    Ok(group)
}

/// A fresh id: the year, the dough, the day, and a letter if that is taken.
#[must_use]
pub fn batch_id(book: &Book, dough: &str, now: jiff::ZonedDateTime) -> String {
    let mut slug = String::new();
    for c in dough.chars().flat_map(char::to_lowercase) {
        if c.is_ascii_alphanumeric() {
            slug.push(c);
        } else if !slug.ends_with('-') && !slug.is_empty() {
            slug.push('-');
        }
        if slug.len() >= SLUG {
            break;
        }
    }
    let slug = slug.trim_matches('-');
    let slug = if slug.is_empty() { "dough" } else { slug };
    let base = format!("{}-{slug}-{}", now.year(), now.strftime("%m%d"));
    free_id(book, &base)
}

/// `base`, or with the first number behind it that is free.
#[must_use]
pub fn free_id(book: &Book, base: &str) -> String {
    if !book.batches.contains_key(base) {
        return base.to_owned();
    }
    // Some number is free: there are finitely many batches.
    (2..)
        .map(|n: u32| format!("{base}-{n}"))
        .find(|id| !book.batches.contains_key(id))
        .unwrap_or_else(|| base.to_owned())
}

/// A stage that begins.
#[must_use]
pub fn stage(batch: &str, kind: StageKind, start: UtcMs, place: Option<String>) -> StageRecord {
    StageRecord {
        batch: batch.to_owned(),
        stage: kind,
        start,
        end: None,
        outcome: None,
        dough_temperature: None,
        by: None,
        place,
        extra: Default::default(),
    }
}

/// The stage with its end and outcome.
///
/// # Errors
/// If it would end before it began.
pub fn ended(stage: &StageRecord, at: UtcMs, outcome: Outcome) -> Result<StageRecord, Problem> {
    if at <= stage.start {
        return Err(Problem::unprocessable(
            "That is before the proof began. Say when it ended.",
        ));
    }
    Ok(StageRecord {
        end: Some(at),
        outcome: Some(outcome),
        ..stage.clone()
    })
}

/// A batch carried elsewhere.
#[must_use]
pub fn carried(batch: &str, time: UtcMs, place: &str) -> Record {
    Record::Move(Move {
        batch: batch.to_owned(),
        time,
        place: place.to_owned(),
        by: None,
        extra: Default::default(),
    })
}

/// An observation without its value.
#[must_use]
pub fn observation(batch: &str, time: UtcMs, kind: ObservationKind) -> Observation {
    Observation {
        batch: batch.to_owned(),
        time,
        kind,
        rise: None,
        result: None,
        value: None,
        unit: None,
        by: None,
        text: None,
        extra: Default::default(),
    }
}

/// A part split off at shaping: the new batch and the old one with fewer pieces.
///
/// # Errors
/// If there are not so many pieces.
pub fn split(
    book: &Book,
    batch: &Batch,
    id: &str,
    pieces: Option<u32>,
    place: &str,
) -> Result<Vec<Record>, Problem> {
    if book.batches.contains_key(id) {
        return Err(Problem::conflict("It was split already."));
    }
    let mut records = Vec::new();
    let mut part = Batch {
        id: id.to_owned(),
        from: Some(batch.id.clone()),
        place: place.to_owned(),
        pieces,
        ..batch.clone()
    };
    if let (Some(all), Some(go)) = (batch.pieces, pieces) {
        let stay = all.checked_sub(go).filter(|n| *n > 0).ok_or_else(|| {
            Problem::unprocessable(format!("There are only {all} pieces; some must stay."))
        })?;
        records.push(Record::Batch(Batch {
            pieces: Some(stay),
            ..batch.clone()
        }));
    }
    part.extra.clear();
    records.push(Record::Batch(part));
    Ok(records)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_carries_the_year_and_never_collides() {
        let now = "2026-01-10T06:05:00Z"
            .parse::<jiff::Timestamp>()
            .unwrap()
            .to_zoned_datetime(jiff::tz::TimeZone::UTC);
        let mut book = Book::default();
        let id = batch_id(&book, "Cardamom knots & søm", now.clone());
        assert_eq!(id, "2026-cardamom-knots-s-m-0110");
        book.put(Record::Batch(Batch {
            id: id.clone(),
            ..Batch::default()
        }));
        assert_eq!(
            batch_id(&book, "Cardamom knots & søm", now.clone()),
            format!("{id}-2")
        );
        assert_eq!(batch_id(&book, "パン", now.clone()), "2026-dough-0110");
        assert!(batch_id(&book, &"long ".repeat(50), now).len() <= 64);
    }

    #[test]
    fn a_split_shares_out_the_pieces_and_keeps_some() {
        let batch = Batch {
            id: "a".into(),
            dough: "d".into(),
            place: "box".into(),
            pieces: Some(14),
            ..Batch::default()
        };
        let mut book = Book::default();
        book.put(Record::Batch(batch.clone()));
        let records = split(&book, &batch, "a-2", Some(6), "fridge").unwrap();
        let pieces: Vec<_> = records
            .iter()
            .map(|r| match r {
                Record::Batch(b) => (b.id.as_str(), b.pieces, b.from.as_deref()),
                _ => panic!(),
            })
            .collect();
        assert_eq!(pieces, [("a", Some(8), None), ("a-2", Some(6), Some("a"))]);
        assert!(split(&book, &batch, "a-2", Some(14), "fridge").is_err());
    }
}

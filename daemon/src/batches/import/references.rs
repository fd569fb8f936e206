//! What records must agree on: the batches they name, the formula a batch takes over, and how a record
//! of the same key stands in the book.

use std::collections::BTreeMap;

use crate::batches::book::Book;
use crate::batches::record::{Batch, Record};

pub(super) fn cut(name: &str) -> String {
    const SHOWN: usize = 40;
    name.chars().take(SHOWN).collect()
}

pub(super) fn unknown_batch(id: &str) -> String {
    format!("names the unknown batch `{}`", cut(id))
}

/// What is wrong with a record's references.
pub(super) fn bad_reference(record: &Record, batches: &BTreeMap<&str, &Batch>) -> Option<String> {
    let named = match record {
        Record::Stage(r) => Some(r.batch.as_str()),
        Record::Move(r) => Some(r.batch.as_str()),
        Record::Observation(r) => Some(r.batch.as_str()),
        Record::Batch(r) => r.from.as_deref(),
        Record::Place(_) | Record::Dough(_) | Record::Reading(_) => None,
    }?;
    if !batches.contains_key(named) {
        return Some(unknown_batch(named));
    }
    if let Record::Batch(batch) = record {
        let mut up = Some(named);
        for _ in 0..=batches.len() {
            let id = up?;
            if id == batch.id {
                return Some("`from` leads back to the batch itself".into());
            }
            up = batches.get(id).and_then(|b| b.from.as_deref());
        }
    }
    None
}

/// A batch that has begun and has no formula, with the one it takes over: the one it took at its
/// first stage, else that of the batch it was split from, else its dough's.
pub(super) fn with_formula(base: &Book, merged: &Book, id: &str) -> Option<Batch> {
    let batch = merged.batches.get(id)?;
    if batch.formula.is_some() || merged.own_stages(id).next().is_none() {
        return None;
    }
    let dough = merged.doughs.get(&batch.dough)?.formula.as_ref()?;
    let taken = base
        .batches
        .get(id)
        .filter(|before| before.dough == batch.dough)
        .and_then(|before| before.formula.as_ref());
    let shared = batch
        .from
        .as_ref()
        .and_then(|from| merged.batches.get(from))
        .and_then(|from| from.formula.as_ref());
    Some(Batch {
        formula: Some(taken.or(shared).unwrap_or(dough).clone()),
        ..batch.clone()
    })
}

/// The record of the same key as it stands in a book.
pub(super) fn stands_in(book: &Book, record: &Record) -> Option<Record> {
    match record {
        Record::Place(r) => book.places.get(&r.name).cloned().map(Record::Place),
        Record::Dough(r) => book.doughs.get(&r.name).cloned().map(Record::Dough),
        Record::Batch(r) => book.batches.get(&r.id).cloned().map(Record::Batch),
        Record::Stage(r) => book
            .own_stage(&r.batch, r.stage)
            .cloned()
            .map(Record::Stage),
        Record::Move(r) => book
            .moves
            .get(&(r.batch.clone(), r.time))
            .cloned()
            .map(Record::Move),
        Record::Observation(r) => book
            .observations
            .get(&(r.batch.clone(), r.time, r.kind))
            .cloned()
            .map(Record::Observation),
        Record::Reading(_) => None,
    }
}

//! The book in memory: every record but the readings, indexed; and what follows from them
//! (where a batch stands at a moment, which stage is in progress).

use std::collections::BTreeMap;

use super::record::{
    Batch, Dough, Move, Observation, ObservationKind, Place, PlaceKind, Record, StageKind,
    StageRecord,
};
use crate::store::RecordKey;
use crate::time::UtcMs;

/// Separates the parts of a [`RecordKey`].
pub const SEPARATOR: char = '\u{1f}';

impl Record {
    /// Its key; `None` for readings, which have their own store.
    #[must_use]
    pub fn key(&self) -> Option<RecordKey> {
        let (record, parts): (_, Vec<String>) = match self {
            Self::Place(r) => ("place", vec![r.name.clone()]),
            Self::Dough(r) => ("dough", vec![r.name.clone()]),
            Self::Batch(r) => ("batch", vec![r.id.clone()]),
            Self::Stage(r) => ("stage", vec![r.batch.clone(), r.stage.as_str().into()]),
            Self::Move(r) => ("move", vec![r.batch.clone(), r.time.0.to_string()]),
            Self::Observation(r) => (
                "observation",
                vec![
                    r.batch.clone(),
                    r.time.0.to_string(),
                    r.kind.as_str().into(),
                ],
            ),
            Self::Reading(_) => return None,
        };
        Some(RecordKey {
            record: record.into(),
            key: parts.join(&SEPARATOR.to_string()),
        })
    }
}

/// Every record but the readings.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Book {
    /// By name.
    pub places: BTreeMap<String, Place>,
    /// By name.
    pub doughs: BTreeMap<String, Dough>,
    /// By id.
    pub batches: BTreeMap<String, Batch>,
    /// By batch and stage.
    pub stages: BTreeMap<(String, StageKind), StageRecord>,
    /// By batch and time.
    pub moves: BTreeMap<(String, UtcMs), Move>,
    /// By batch, time and kind.
    pub observations: BTreeMap<(String, UtcMs, ObservationKind), Observation>,
}

impl Book {
    /// From records; a later one with the same key replaces the earlier; readings are passed over.
    #[must_use]
    pub fn from_records(records: impl IntoIterator<Item = Record>) -> Self {
        let mut book = Self::default();
        for record in records {
            book.put(record);
        }
        book
    }

    /// Writes one record.
    pub fn put(&mut self, record: Record) {
        match record {
            Record::Place(r) => {
                self.places.insert(r.name.clone(), r);
            }
            Record::Dough(r) => {
                self.doughs.insert(r.name.clone(), r);
            }
            Record::Batch(r) => {
                self.batches.insert(r.id.clone(), r);
            }
            Record::Stage(r) => {
                self.stages.insert((r.batch.clone(), r.stage), r);
            }
            Record::Move(r) => {
                self.moves.insert((r.batch.clone(), r.time), r);
            }
            Record::Observation(r) => {
                self.observations
                    .insert((r.batch.clone(), r.time, r.kind), r);
            }
            Record::Reading(_) => {}
        }
    }

    /// All records, in no particular order.
    #[must_use]
    pub fn records(&self) -> Vec<Record> {
        let mut all: Vec<Record> = Vec::new();
        all.extend(self.places.values().cloned().map(Record::Place));
        all.extend(self.doughs.values().cloned().map(Record::Dough));
        all.extend(self.batches.values().cloned().map(Record::Batch));
        all.extend(self.stages.values().cloned().map(Record::Stage));
        all.extend(self.moves.values().cloned().map(Record::Move));
        all.extend(self.observations.values().cloned().map(Record::Observation));
        all
    }

    /// A batch's stage. A batch split from another shares that one's bulk proof.
    #[must_use]
    pub fn stage(&self, batch: &str, stage: StageKind) -> Option<&StageRecord> {
        let own = self.stages.get(&(batch.to_owned(), stage));
        if own.is_some() || stage == StageKind::Final {
            return own;
        }
        let from = self.batches.get(batch)?.from.as_ref()?;
        self.stages.get(&(from.clone(), stage))
    }

    /// The stage of a batch that is in progress at a moment: start ≤ T < end.
    #[must_use]
    pub fn stage_in_progress(&self, batch: &str, at: UtcMs) -> Option<&StageRecord> {
        [StageKind::Final, StageKind::Bulk]
            .into_iter()
            .filter_map(|kind| self.stage(batch, kind))
            .find(|s| s.start <= at && s.end.is_none_or(|end| at < end))
    }

    /// Every stage in progress at a moment (a shared bulk proof once, under its own batch).
    pub fn in_progress(&self, at: UtcMs) -> impl Iterator<Item = &StageRecord> {
        self.stages
            .values()
            .filter(move |s| s.start <= at && s.end.is_none_or(|end| at < end))
    }

    /// Where a batch stands at a moment: its first place, changed by `stage.place` and moves.
    #[must_use]
    pub fn place_at(&self, batch: &str, at: UtcMs) -> Option<&str> {
        let record = self.batches.get(batch)?;
        // A split batch stood where its parent stood until it has a place event of its own.
        let first = record.place.as_str();
        let stage_places = [StageKind::Bulk, StageKind::Final]
            .into_iter()
            .filter_map(|kind| self.stage(batch, kind))
            .filter(|s| s.start <= at)
            .filter_map(|s| s.place.as_deref().map(|p| (s.start, p)));
        let moves = self
            .moves
            .range((batch.to_owned(), UtcMs(i64::MIN))..=(batch.to_owned(), at))
            .map(|(_, m)| (m.time, m.place.as_str()));
        stage_places
            .chain(moves)
            .max_by_key(|(time, _)| *time)
            .map_or(Some(first), |(_, p)| Some(p))
    }

    /// The stretches of a batch's stay in places between two moments: `(from, place)`, in order.
    #[must_use]
    pub fn stays(&self, batch: &str, from: UtcMs, to: UtcMs) -> Vec<(UtcMs, String)> {
        let mut times: Vec<UtcMs> = self
            .moves
            .range((batch.to_owned(), from)..(batch.to_owned(), to))
            .map(|((_, time), _)| *time)
            .chain(
                [StageKind::Bulk, StageKind::Final]
                    .into_iter()
                    .filter_map(|kind| self.stage(batch, kind))
                    .map(|s| s.start)
                    .filter(|t| *t > from && *t < to),
            )
            .collect();
        times.push(from);
        times.sort_unstable();
        times.dedup();
        let mut stays: Vec<(UtcMs, String)> = Vec::new();
        for time in times {
            let Some(place) = self.place_at(batch, time) else {
                continue;
            };
            if stays.last().is_none_or(|(_, last)| last != place) {
                stays.push((time, place.to_owned()));
            }
        }
        stays
    }

    /// A batch's observations in a span (both ends included), in order of time.
    pub fn observations_of<'a>(
        &'a self,
        batch: &'a str,
        from: UtcMs,
        to: UtcMs,
    ) -> impl Iterator<Item = &'a Observation> {
        self.observations
            .range((batch.to_owned(), from, ObservationKind::FingerDent)..)
            .take_while(move |((b, time, _), _)| b == batch && *time <= to)
            .map(|(_, o)| o)
    }

    /// A place's kind; a place without a record or a kind is a room.
    #[must_use]
    pub fn kind_of(&self, place: &str) -> PlaceKind {
        self.places
            .get(place)
            .and_then(|p| p.kind)
            .unwrap_or(PlaceKind::Room)
    }
}

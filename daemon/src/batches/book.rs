//! The book in memory: every record but the readings, indexed; and what follows from them
//! (where a batch stands at a moment, which stage is in progress).

use std::collections::{BTreeMap, BTreeSet};

use super::record::{
    Batch, Dough, Move, Observation, ObservationKind, Place, PlaceKind, Record, StageKind,
    StageRecord,
};
use crate::store::{RecordKey, StoredReading};
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

    /// Takes one record out.
    pub fn remove(&mut self, key: &RecordKey) {
        let is = |record: Record| record.key().as_ref() == Some(key);
        match key.record.as_str() {
            "place" => {
                self.places.remove(&key.key);
            }
            "dough" => {
                self.doughs.remove(&key.key);
            }
            "batch" => {
                self.batches.remove(&key.key);
            }
            "stage" => self.stages.retain(|_, r| !is(Record::Stage(r.clone()))),
            "move" => self.moves.retain(|_, r| !is(Record::Move(r.clone()))),
            "observation" => self
                .observations
                .retain(|_, r| !is(Record::Observation(r.clone()))),
            _ => {}
        }
    }

    /// Why a place cannot stand where it says: it would stand in itself, by a chain of others or not.
    #[must_use]
    pub fn circle(&self, place: &Place) -> Option<String> {
        let mut way = vec![place.name.as_str()];
        let mut around = place.inside.as_deref();
        while let Some(next) = around {
            if next == place.name {
                way.push(next);
                return Some(match way.len() {
                    2 => format!("`{next}` cannot stand in itself."),
                    _ => format!(
                        "`{}` would stand in itself: {}. Change where one of them stands.",
                        place.name,
                        way.join(" in ")
                    ),
                });
            }
            if way.contains(&next) {
                return None;
            }
            way.push(next);
            around = self.places.get(next).and_then(|p| p.inside.as_deref());
        }
        None
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
        let mut batch = batch;
        // As many steps up as there are batches, so that a circle in a damaged book ends.
        for _ in 0..=self.batches.len() {
            let own = self.own_stage(batch, stage);
            if own.is_some() || stage == StageKind::Final {
                return own;
            }
            batch = self.batches.get(batch)?.from.as_deref()?;
        }
        None
    }

    /// A batch's own stage, without the bulk proof it may share.
    #[must_use]
    pub fn own_stage(&self, batch: &str, stage: StageKind) -> Option<&StageRecord> {
        self.stages.get(&(batch.to_owned(), stage))
    }

    /// A batch's own stages, bulk first.
    pub fn own_stages<'a>(
        &'a self,
        batch: &str,
    ) -> impl Iterator<Item = &'a StageRecord> + use<'a> {
        [StageKind::Bulk, StageKind::Final]
            .map(|kind| self.own_stage(batch, kind))
            .into_iter()
            .flatten()
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

    /// When a batch went its own way: the end of the bulk proof it shares, or the first of its own
    /// events if that is earlier; `None` for a batch that is nobody's part, or not parted yet.
    #[must_use]
    pub fn parted_at(&self, batch: &str) -> Option<UtcMs> {
        let from = self.batches.get(batch)?.from.as_deref()?;
        let shared_end = self.stage(from, StageKind::Bulk).and_then(|s| s.end);
        shared_end.into_iter().chain(self.own_events(batch)).min()
    }

    /// Moments at which a batch's own records may say a place.
    fn own_events<'a>(&'a self, batch: &'a str) -> impl Iterator<Item = UtcMs> + 'a {
        let moves = (batch.to_owned(), UtcMs(i64::MIN))..=(batch.to_owned(), UtcMs(i64::MAX));
        self.moves
            .range(moves)
            .map(|((_, time), _)| *time)
            .chain(self.own_stages(batch).map(|s| s.start))
    }

    /// Where a batch stands at a moment: its first place, changed by `stage.place` and moves; a
    /// batch split from another stood where that one stood until it went its own way.
    #[must_use]
    pub fn place_at(&self, batch: &str, at: UtcMs) -> Option<&str> {
        let batch = self.whole_at(batch, at);
        let record = self.batches.get(batch)?;
        let stage_places = self
            .own_stages(batch)
            .filter(|s| s.start <= at)
            .filter_map(|s| s.place.as_deref().map(|p| (s.start, p)));
        let moves = self
            .moves
            .range((batch.to_owned(), UtcMs(i64::MIN))..=(batch.to_owned(), at))
            .map(|(_, m)| (m.time, m.place.as_str()));
        stage_places
            .chain(moves)
            .max_by_key(|(time, _)| *time)
            .map_or(Some(record.place.as_str()), |(_, place)| Some(place))
    }

    /// The batch that a batch was still part of at a moment: itself, once it went its own way.
    #[must_use]
    pub fn whole_at<'a>(&'a self, batch: &'a str, at: UtcMs) -> &'a str {
        let mut whole = batch;
        for _ in 0..=self.batches.len() {
            let from = self.batches.get(whole).and_then(|b| b.from.as_deref());
            match from {
                Some(from)
                    if self.batches.contains_key(from)
                        && self.parted_at(whole).is_none_or(|parted| at < parted) =>
                {
                    whole = from;
                }
                _ => break,
            }
        }
        whole
    }

    /// The stretches of a batch's stay in places between two moments: `(from, place)`, in order.
    #[must_use]
    pub fn stays(&self, batch: &str, from: UtcMs, to: UtcMs) -> Vec<(UtcMs, String)> {
        let mut times = vec![from];
        let mut part = Some(batch);
        for _ in 0..=self.batches.len() {
            let Some(id) = part else { break };
            times.extend(self.own_events(id));
            times.extend(self.parted_at(id));
            part = self.batches.get(id).and_then(|b| b.from.as_deref());
        }
        times.retain(|time| *time >= from && *time < to);
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

    /// Whether a batch is being proofed or shaped on its own at a moment: from the start of its
    /// first own stage to the end of its last.
    #[must_use]
    pub fn is_under_way(&self, batch: &str, at: UtcMs) -> bool {
        let own: Vec<&StageRecord> = self.own_stages(batch).collect();
        own.first().is_some_and(|s| s.start <= at)
            && own.last().is_some_and(|s| s.end.is_none_or(|end| at < end))
    }

    /// The batches that stand in a place at a moment, by id.
    pub fn batches_in<'a>(&'a self, place: &'a str, at: UtcMs) -> impl Iterator<Item = &'a str> {
        self.batches
            .keys()
            .map(String::as_str)
            .filter(move |id| self.is_under_way(id, at) && self.place_at(id, at) == Some(place))
    }

    /// The batch that a dough sensor's reading belongs to: the one it names, else the only one in
    /// its place, else none. `None` for readings of the air.
    #[must_use]
    pub fn batch_of<'a>(&'a self, reading: &'a StoredReading) -> Option<&'a str> {
        if !reading.quantity.is_of_dough() {
            return None;
        }
        if let Some(batch) = &reading.batch {
            return Some(batch);
        }
        let place = reading.place.as_deref().unwrap_or(&reading.sensor);
        let mut standing = self.batches_in(place, reading.time);
        let first = standing.next()?;
        standing.next().is_none().then_some(first)
    }

    /// Every place that a record names, with a record of its own or without.
    #[must_use]
    pub fn places_named(&self) -> BTreeSet<&str> {
        let own = self.places.keys().map(String::as_str);
        let inside = self.places.values().filter_map(|p| p.inside.as_deref());
        let batches = self.batches.values().map(|b| b.place.as_str());
        let stages = self.stages.values().filter_map(|s| s.place.as_deref());
        let moves = self.moves.values().map(|m| m.place.as_str());
        own.chain(inside)
            .chain(batches)
            .chain(stages)
            .chain(moves)
            .collect()
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

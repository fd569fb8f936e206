//! Where the forecasts' readings come from: the store, or readings in memory (studies, tests).

use std::collections::BTreeMap;

use crate::batches::record::{Quantity, Reading};
use crate::store::{ReadingQuery, Result, Store, StoredReading};
use crate::time::UtcMs;

/// Believed readings of one place, by quantity and time.
pub trait Readings: Send + Sync {
    /// Those of a place with `from <= time < to`, in order of time.
    ///
    /// # Errors
    /// If they cannot be read.
    fn of_place(
        &self,
        place: &str,
        quantity: Quantity,
        from: UtcMs,
        to: UtcMs,
    ) -> Result<Vec<StoredReading>>;

    /// The newest so many before a moment, in order of time.
    ///
    /// # Errors
    /// If they cannot be read.
    fn newest_of_place(
        &self,
        place: &str,
        quantity: Quantity,
        before: UtcMs,
        newest: usize,
    ) -> Result<Vec<StoredReading>>;
}

/// The store's readings.
pub struct FromStore<'a>(pub &'a dyn Store);

impl Readings for FromStore<'_> {
    fn of_place(
        &self,
        place: &str,
        quantity: Quantity,
        from: UtcMs,
        to: UtcMs,
    ) -> Result<Vec<StoredReading>> {
        self.0.readings(&ReadingQuery {
            place: Some(place),
            quantity: Some(quantity),
            from: Some(from),
            to: Some(to),
            ..ReadingQuery::default()
        })
    }

    fn newest_of_place(
        &self,
        place: &str,
        quantity: Quantity,
        before: UtcMs,
        newest: usize,
    ) -> Result<Vec<StoredReading>> {
        self.0.readings(&ReadingQuery {
            place: Some(place),
            quantity: Some(quantity),
            to: Some(before),
            newest: Some(newest),
            ..ReadingQuery::default()
        })
    }
}

/// Readings held in memory.
#[derive(Debug, Default)]
pub struct InMemory(BTreeMap<(String, Quantity), Vec<StoredReading>>);

impl InMemory {
    /// From log-book readings: a reading without a place belongs to the one named like its sensor.
    #[must_use]
    pub fn new(readings: impl IntoIterator<Item = Reading>) -> Self {
        let mut by: BTreeMap<(String, Quantity), Vec<StoredReading>> = BTreeMap::new();
        for r in readings {
            if r.kept_out.is_some() || !r.value.is_finite() {
                continue;
            }
            let place = r.place.clone().unwrap_or_else(|| r.sensor.clone());
            by.entry((place.clone(), r.quantity))
                .or_default()
                .push(StoredReading {
                    time: r.time,
                    arrived: r.time,
                    sensor: r.sensor.into(),
                    quantity: r.quantity,
                    value: r.value,
                    raw: None,
                    kept_out: None,
                    place: Some(place.into()),
                    batch: r.batch.map(Into::into),
                });
        }
        for list in by.values_mut() {
            list.sort_by_key(|r| r.time);
        }
        Self(by)
    }
}

impl Readings for InMemory {
    fn of_place(
        &self,
        place: &str,
        quantity: Quantity,
        from: UtcMs,
        to: UtcMs,
    ) -> Result<Vec<StoredReading>> {
        let Some(list) = self.0.get(&(place.to_owned(), quantity)) else {
            return Ok(Vec::new());
        };
        let a = list.partition_point(|r| r.time < from);
        let b = list.partition_point(|r| r.time < to).max(a);
        Ok(list[a..b].to_vec())
    }

    fn newest_of_place(
        &self,
        place: &str,
        quantity: Quantity,
        before: UtcMs,
        newest: usize,
    ) -> Result<Vec<StoredReading>> {
        let Some(list) = self.0.get(&(place.to_owned(), quantity)) else {
            return Ok(Vec::new());
        };
        let b = list.partition_point(|r| r.time < before);
        Ok(list[b.saturating_sub(newest)..b].to_vec())
    }
}

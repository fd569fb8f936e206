//! A proof in progress that takes readings one at a time: the same forecast as from the whole log,
//! at a cost that does not grow with it.

use std::sync::Arc;

use doughwarden_model::calibration::{Site, Subject};

use super::ForecastError;
use super::air::{GAP_MIN, Joiner, RECENT_WINDOW_MIN, Sources, THIN_MIN};
use super::inputs::{Builder, Known, Without};
use super::learned::Learned;
use super::outlook::{Outlook, ahead, law, others};
use super::scenario::outlook;
use crate::batches::record::{Quantity, StageKind};
use crate::store::StoredReading;
use crate::time::{MINUTE_MS, UtcMs};

/// The whole is read again from the store after so long: marks and late readings then count too.
const READ_AGAIN_MS: i64 = 5 * MINUTE_MS;

/// A proof in progress.
pub struct Running {
    batch: String,
    known: Known,
    others: Vec<(Subject, f64, Site)>,
    learned: Arc<Learned>,
    joiner: Joiner,
    model_sensors: Vec<String>,
    by_role: bool,
    /// The last point the path went through, and the newest after it.
    last: (f64, f64),
    newest: (f64, f64),
    read_at: UtcMs,
}

impl Running {
    /// From the whole log.
    ///
    /// # Errors
    /// If it has no such stage, or the readings cannot be read.
    pub fn read(
        sources: Sources<'_>,
        learned: &Arc<Learned>,
        batch: &str,
        kind: StageKind,
        at: UtcMs,
    ) -> Result<Self, ForecastError> {
        let law = law(learned, Without::default());
        let builder = Builder {
            sources,
            habit: learned.habit,
            lag: &learned.lag,
            usual_yeast: Some(&learned.usual_yeast),
            without: Without::default(),
        };
        let mut known =
            builder
                .known(batch, kind, at, law)?
                .ok_or_else(|| ForecastError::NoStage {
                    batch: batch.to_owned(),
                    at,
                })?;
        let others = others(&builder, learned, batch, kind, at, law)?;
        let now = known.path.now().minute;
        let air_c = known
            .track
            .stretches
            .last()
            .map_or(known.track.outlook.now_c, |s| s.to_c);
        // The path has gone through them: only the newest is asked for again.
        let passed = known.track.stretches.len().saturating_sub(1);
        known.track.stretches.drain(..passed);
        let mut joiner = Joiner::default();
        let recent = sources.readings.of_place(
            &known.track.place,
            Quantity::AirTemperature,
            at.plus_min(-15.0),
            at.plus_ms(1),
        )?;
        let by_role = recent
            .iter()
            .any(|r| sources.model_sensors.iter().any(|s| *s == r.sensor));
        for r in recent
            .iter()
            .filter(|r| !by_role || sources.model_sensors.iter().any(|s| *s == r.sensor))
        {
            joiner.add(&r.sensor, r.time, r.value);
        }
        Ok(Self {
            batch: batch.to_owned(),
            known,
            others,
            learned: Arc::clone(learned),
            joiner,
            model_sensors: sources.model_sensors.to_vec(),
            by_role,
            last: (now, air_c),
            newest: (now, air_c),
            read_at: at,
        })
    }

    /// Whether it rests on this calibration.
    #[must_use]
    pub fn rests_on(&self, learned: &Arc<Learned>) -> bool {
        Arc::ptr_eq(&self.learned, learned)
    }

    /// Takes a reading. `false`: it cannot be taken in passing (late, of the dough itself, after a
    /// silence), the whole is to be read again.
    pub fn take(&mut self, r: &StoredReading) -> bool {
        if r.kept_out.is_some() || r.place.as_deref() != Some(self.known.track.place.as_str()) {
            return r.batch.as_deref() != Some(self.batch.as_str());
        }
        match r.quantity {
            Quantity::AirTemperature => {}
            Quantity::DoughTemperature | Quantity::DoughHeight => return false,
            _ => return true,
        }
        let ours = self.model_sensors.iter().any(|s| *s == r.sensor);
        if ours && !self.by_role {
            return false;
        }
        if self.by_role && !ours {
            return true;
        }
        let minute = self.known.minute(r.time);
        // In a burst the sensors' readings come a little out of order: nearer together than two
        // points of the path they are one point.
        if minute <= self.newest.0 - THIN_MIN || minute - self.newest.0 > GAP_MIN {
            return false;
        }
        let minute = minute.max(self.newest.0);
        let Some(value) = self.joiner.add(&r.sensor, r.time, r.value) else {
            return true;
        };
        if minute - self.last.0 >= THIN_MIN {
            self.known.path.advance(minute, self.last.1, value);
            self.last = (minute, value);
        }
        self.newest = (minute, value);
        let track = &mut self.known.track;
        track.readings += 1;
        let time = track
            .newest
            .map_or(r.time, |(_, before)| before.max(r.time));
        track.newest = Some((value, time));
        match track.recent.last_mut() {
            Some(last) if last.0 >= minute => last.1 = value,
            _ => track.recent.push((minute, value)),
        }
        // The window is cut in lumps, so that a reading does not move the whole of it.
        if track.recent.len().is_multiple_of(64) {
            let stale = track
                .recent
                .partition_point(|p| p.0 < minute - RECENT_WINDOW_MIN);
            track.recent.drain(..stale);
        }
        true
    }

    /// Whether it is time to read the whole again.
    #[must_use]
    pub fn is_stale(&self, now: UtcMs) -> bool {
        now.0 - self.read_at.0 >= READ_AGAIN_MS
            || now < self.read_at
            || self.known.minute(now) - self.newest.0 > GAP_MIN
    }

    /// The outlook now.
    #[must_use]
    pub fn outlook(&self, now: UtcMs) -> Outlook {
        let mut known = self.known.clone();
        let minute = known.minute(now);
        known
            .path
            .advance(self.newest.0, self.last.1, self.newest.1);
        known.path.advance(minute, self.newest.1, self.newest.1);
        known.track.outlook = outlook(
            minute,
            self.newest.1,
            &known.track.recent,
            known.track.standing(),
        );
        ahead(known, &self.others, &self.learned, now)
    }
}

//! From the book and the readings to the model's inputs: what is known of a stage at a moment.
//! Nothing later than that moment is looked at.

use std::collections::BTreeMap;

use doughwarden_model::age::{AgePath, StartHabit, StartTemperature};
use doughwarden_model::calibration::{PastStage, Stage, Subject};
use doughwarden_model::cardinal::RateLaw;
use doughwarden_model::formula::Formula;
use doughwarden_model::proof::{Dent, Ending, Evidence};

use super::air::{Sources, Track};
use super::learned::LagScale;
use super::prior::{batch_formula, lag_min, prior_age, usual, usual_yeast};
use crate::batches::book::Book;
use crate::batches::record::{
    Dent as DentRecord, ObservationKind, Outcome, Quantity, StageKind, StageRecord,
};
use crate::store::Result;
use crate::time::UtcMs;

/// Noise of a spot reading of the dough against the mean of its volume, °C.
const SPOT_SD_C: f64 = 0.6;
/// Noise of the temperature noted at a stage's start, °C.
const START_SD_C: f64 = 0.5;
/// How far off a dough is at the start of its final proof when nobody measured it, °C.
const BENCH_SD_C: f64 = 1.0;
/// Spread of ln age that shaping brings: how hard it was handled, the gas it kept, how long it
/// rested (own choice; finals scatter more than bulks on simulated kitchens of other laws).
const SHAPING_SD: f64 = 0.05;
/// A degree of the dough is about 7.5 % of its pace.
const LN_PER_C: f64 = 0.075;
/// Points that count of a probe in a finished proof, for what it says of the lag.
const PROBE_POINTS: usize = 4;
/// Points kept of a height sensor's stream: neighbours tell little new.
const HEIGHT_POINTS: usize = 10;
/// What one of them counts: they share the vessel's and the sensor's error.
const HEIGHT_WEIGHT: f64 = 0.4;

/// The model's word for a stage.
#[must_use]
pub fn stage_of(kind: StageKind) -> Stage {
    match kind {
        StageKind::Bulk => Stage::Bulk,
        StageKind::Final => Stage::Final,
    }
}

/// The batch whose record a stage is: a split batch shares its parent's bulk proof.
#[must_use]
pub fn owner<'a>(book: &'a Book, batch: &'a str, kind: StageKind) -> &'a str {
    if kind == StageKind::Bulk
        && !book.stages.contains_key(&(batch.to_owned(), kind))
        && let Some(from) = book.batches.get(batch).and_then(|b| b.from.as_deref())
    {
        return from;
    }
    batch
}

/// A stage as known at a moment: an end later than it has not happened.
#[must_use]
pub fn known_end(stage: &StageRecord, at: UtcMs) -> Option<(UtcMs, Outcome)> {
    let end = stage.end.filter(|e| *e <= at)?;
    Some((end, stage.outcome.unwrap_or(Outcome::Unknown)))
}

/// Everything about a stage at a moment.
#[derive(Clone, Debug)]
pub struct Known {
    /// The batch whose record it is.
    pub owner: String,
    /// Which proof.
    pub kind: StageKind,
    /// When it began.
    pub start: UtcMs,
    /// What is known of it besides.
    pub subject: Subject,
    /// Its path up to the moment, or its end.
    pub path: AgePath,
    /// What was seen.
    pub evidence: Evidence,
    /// Its air.
    pub track: Track,
    /// The dough's temperature at the start, as used.
    pub start_temperature: StartTemperature,
    /// Whether somebody measured the dough.
    pub start_measured: bool,
    /// Spot readings and probe readings of the dough used.
    pub dough_readings: usize,
    /// Rises that came from a height sensor.
    pub heights: usize,
    /// Whether the recipe states a time.
    pub stated: bool,
    /// Whether what is told of it holds given that it is not ready yet: it is in progress. No
    /// evidence of when it is ready, for nobody need have looked.
    pub not_ready_yet: bool,
    /// Lots noted for it of which no proof had ended before it began, in words.
    pub new_lots: Vec<String>,
}

impl Known {
    /// Minutes since the start.
    #[must_use]
    pub fn minute(&self, t: UtcMs) -> f64 {
        t.seconds_since(self.start) / 60.0
    }
}

/// What a dough keeps of its difference to the room over so many minutes on the bench: flattened
/// and divided it follows within the three quarters of an hour (own choice).
fn bench_kept(minutes: f64) -> f64 {
    (-minutes.max(0.0) / 45.0).exp()
}

/// Builds [`Known`]s.
#[derive(Clone, Copy)]
pub struct Builder<'a> {
    /// Book and readings.
    pub sources: Sources<'a>,
    /// How warm this kitchen's doughs start.
    pub habit: StartHabit,
    /// This kitchen's and its vessels' lag over that of a sphere in still air.
    pub lag: &'a LagScale,
    /// The usual yeast shares that the calibration compared with.
    pub usual_yeast: Option<&'a BTreeMap<String, f64>>,
    /// What is left out, for the run that shows what each part is worth.
    pub without: Without,
}

/// Parts of the model that a study leaves out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Without {
    /// Take the air for the dough.
    pub dough_temperature: bool,
    /// Ignore the yeast dose.
    pub dose: bool,
    /// Ignore finger dents.
    pub dents: bool,
    /// Tell the ready time whether or not it may have come already.
    pub not_ready_yet: bool,
    /// Keep the house's tilt at zero.
    pub tilt: bool,
    /// Learn each dough by itself.
    pub pooling: bool,
}

impl Builder<'_> {
    /// A stage as known at `at`, along `law`; `None` if it has not begun or there is no such stage.
    /// `keep_ending`: whether how it ended counts (for an ended stage).
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn known(
        &self,
        batch: &str,
        kind: StageKind,
        at: UtcMs,
        law: RateLaw,
    ) -> Result<Option<Known>> {
        let book = self.sources.book;
        let (Some(record), Some(stage)) = (book.batches.get(batch), book.stage(batch, kind)) else {
            return Ok(None);
        };
        if stage.start > at {
            return Ok(None);
        }
        let owner = owner(book, batch, kind).to_owned();
        let ended = known_end(stage, at);
        let until = ended.map_or(at, |(end, _)| end);
        let start = stage.start;
        let minute = |t: UtcMs| t.seconds_since(start) / 60.0;
        let track = self.sources.track(&owner, start, until)?;
        let formula = batch_formula(book, record);
        let tau = if self.without.dough_temperature {
            0.0
        } else {
            self.lag.of(record.vessel.as_deref()) * lag_min(record, kind, formula.as_ref())
        };

        // The dough's own temperature.
        let air_at_start = track
            .stretches
            .first()
            .map_or(track.outlook.now_c, |s| s.from_c);
        let noted = stage
            .dough_temperature
            .filter(|t| (-5.0..=60.0).contains(t));
        let prior_start = match noted {
            Some(t) => StartTemperature {
                mean_c: t,
                sd_c: START_SD_C,
            },
            None => self.unmeasured_start(batch, kind, at, start, law, air_at_start)?,
        };
        let mut spots: Vec<(f64, f64)> = Vec::new();
        let mut evidence = Evidence::default();
        for o in book.observations_of(&owner, start, until) {
            let m = minute(o.time);
            let mut saw_it_ready = false;
            match o.kind {
                ObservationKind::Rise => {
                    if let Some(y) = o.rise {
                        evidence.rises.push((m, y, 1.0));
                    }
                }
                ObservationKind::FingerDent => {
                    if let Some(d) = o.result {
                        saw_it_ready = d != DentRecord::SpringsBack;
                        if !self.without.dents {
                            evidence.dents.push((
                                m,
                                match d {
                                    DentRecord::SpringsBack => Dent::SpringsBack,
                                    DentRecord::ReturnsSlowly => Dent::ReturnsSlowly,
                                    DentRecord::Stays => Dent::Stays,
                                },
                            ));
                        }
                    }
                }
                ObservationKind::DoughTemperature => {
                    if let Some(v) = o.value.filter(|v| (-5.0..=60.0).contains(v)) {
                        spots.push((m, v));
                    }
                }
                ObservationKind::Note => {}
            }
            let at_the_end = ended.is_some_and(|(end, _)| o.time >= end);
            if o.kind != ObservationKind::Note && !saw_it_ready && !at_the_end && m > 0.0 {
                evidence.looks.push(m);
            }
        }
        let probe = self.probe(&owner, start, until, &track)?;
        let mut start_temperature = prior_start;
        if tau > 0.0 && !spots.is_empty() {
            let base = walk(law, tau, prior_start.mean_c, &track, &[]);
            let residuals: Vec<(f64, f64)> = spots
                .iter()
                .map(|&(m, v)| (m, v - base.at(m).dough_c))
                .collect();
            start_temperature = prior_start.after_readings(tau, &residuals, SPOT_SD_C);
        }
        let probe_minutes: Vec<(f64, f64)> = probe.iter().map(|&(t, v)| (minute(t), v)).collect();
        let path = walk(law, tau, start_temperature.mean_c, &track, &probe_minutes);
        let heights = self.heights(&owner, start, until)?;
        let height_count = heights.len();
        evidence.rises.extend(
            heights
                .into_iter()
                .map(|(t, y)| (minute(t), y, HEIGHT_WEIGHT)),
        );

        evidence.ending = ended.and_then(|(end, outcome)| {
            let ending = match outcome {
                Outcome::Ready => Ending::Ready,
                Outcome::Under => Ending::Under,
                Outcome::Over => Ending::Over,
                Outcome::Abandoned | Outcome::Unknown => return None,
            };
            Some((minute(end), ending))
        });

        let (prior_ln_age, prior_sd, stated) = prior_age(book, record, kind, formula.as_ref());
        let ln_dose = if self.without.dose {
            0.0
        } else {
            match (
                formula.as_ref().and_then(Formula::yeast_percent_fresh),
                self.usual_yeast_of(&record.dough, at),
            ) {
                (Some(own), Some(usual)) => (own / usual).ln().clamp(-1.5, 1.5),
                _ => 0.0,
            }
        };
        // A start off by one degree is wrong for the share of the proof that it takes to fade.
        let expected = prior_ln_age.exp().max(20.0);
        let fades = if tau > 0.0 {
            tau / expected * (1.0 - (-expected / tau).exp())
        } else {
            0.0
        };
        let missing = (track.gap_min.0 / expected).min(1.0);
        let extra =
            LN_PER_C * ((start_temperature.sd_c * fades).powi(2) + (2.0 * missing).powi(2)).sqrt();
        let extra = match kind {
            StageKind::Bulk => extra,
            StageKind::Final => extra.hypot(SHAPING_SD),
        };
        let subject = Subject {
            dough: record.dough.clone(),
            stage: stage_of(kind),
            prior_ln_age,
            prior_sd,
            ln_dose,
            target_rise: usual(book, &record.dough, kind).and_then(|u| u.target_rise),
            extra_sd: extra.min(0.5),
            groups: book
                .place_at(batch, start)
                .map(|place| super::groups::of(book, record, place, start, at))
                .unwrap_or_default(),
        };
        let new_lots = super::groups::new_lots(book, record, start);
        Ok(Some(Known {
            owner,
            kind,
            start,
            subject,
            path,
            evidence,
            track,
            start_temperature,
            start_measured: noted.is_some(),
            dough_readings: spots.len() + probe_minutes.len(),
            heights: height_count,
            stated,
            not_ready_yet: ended.is_none() && !self.without.not_ready_yet,
            new_lots,
        }))
    }

    /// ln of how well each lag factor explains the readings of the dough itself in a stage, spot or
    /// probe (and, for bulk, its temperature noted when the final proof began); `None` without any.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn ln_likelihoods_of_spots<const N: usize>(
        &self,
        batch: &str,
        kind: StageKind,
        at: UtcMs,
        scales: [f64; N],
    ) -> Result<Option<[f64; N]>> {
        let book = self.sources.book;
        let (Some(record), Some(stage)) = (
            book.batches.get(batch),
            book.stages.get(&(batch.to_owned(), kind)),
        ) else {
            return Ok(None);
        };
        let Some((end, _)) = known_end(stage, at) else {
            return Ok(None);
        };
        let minute = |t: UtcMs| t.seconds_since(stage.start) / 60.0;
        let mut spots: Vec<(f64, f64, f64)> = book
            .observations_of(batch, stage.start, end)
            .filter(|o| o.kind == ObservationKind::DoughTemperature)
            .filter_map(|o| o.value.map(|v| (minute(o.time), v, SPOT_SD_C)))
            .filter(|(_, v, _)| (-5.0..=60.0).contains(v))
            .collect();
        let next = match kind {
            StageKind::Bulk => book.stages.get(&(batch.to_owned(), StageKind::Final)),
            StageKind::Final => None,
        };
        let noted_next = next
            .filter(|f| f.start >= end && f.start <= at)
            .and_then(|f| {
                f.dough_temperature
                    .filter(|v| (-5.0..=60.0).contains(v))
                    .map(|v| (f.start, v))
            });
        // A probe's readings share its place in the dough: a few of them say what all do.
        let probe = self.dough_sensor(
            batch,
            Quantity::DoughTemperature,
            stage.start,
            end,
            &record.place,
        )?;
        let stride = probe.len().div_ceil(PROBE_POINTS).max(1);
        spots.extend(
            probe
                .iter()
                .skip(stride - 1)
                .step_by(stride)
                .map(|&(t, v)| (minute(t), v, SPOT_SD_C)),
        );
        if spots.is_empty() && noted_next.is_none() {
            return Ok(None);
        }
        let track = self.sources.track(batch, stage.start, end)?;
        if track.readings == 0 {
            return Ok(None);
        }
        let formula = batch_formula(book, record);
        let own_min = lag_min(record, kind, formula.as_ref());
        let air = track
            .stretches
            .first()
            .map_or(track.outlook.now_c, |s| s.from_c);
        let start = match stage
            .dough_temperature
            .filter(|t| (-5.0..=60.0).contains(t))
        {
            Some(t) => StartTemperature {
                mean_c: t,
                sd_c: START_SD_C,
            },
            None if kind == StageKind::Bulk => self.habit.expect(air),
            // Its start hangs on the bulk's end: too many guesses in a row.
            None => return Ok(None),
        };
        if let Some((then, value)) = noted_next {
            // Back over the bench: the reading sees the end of bulk through what is left of it.
            let kept = bench_kept(then.seconds_since(end) / 60.0);
            if kept > 0.3 {
                let room = self.sources.usual_air(&track.place, then)?.unwrap_or(air);
                spots.push((minute(end), room + (value - room) / kept, BENCH_SD_C / kept));
            }
        }
        spots.sort_by(|a, b| a.0.total_cmp(&b.0));
        Ok(Some(scales.map(|scale| {
            let tau = scale * own_min;
            let path = walk(RateLaw::default(), tau, start.mean_c, &track, &[]);
            // Residuals share the start's error, fading; one is drawn after the other given the earlier.
            let (mut ln_l, mut mean, mut variance) = (0.0, 0.0, start.sd_c * start.sd_c);
            for &(m, value, sd) in &spots {
                let keep = (-m.max(0.0) / tau).exp();
                let residual = (value - path.at(m).dough_c - keep * mean).clamp(-6.0, 6.0);
                let total = keep * keep * variance + sd * sd;
                // A heavy tail: Student's t with four degrees of freedom.
                ln_l -= 2.5 * (residual * residual / (4.0 * total)).ln_1p() + 0.5 * total.ln();
                let gain = variance * keep / total;
                mean += gain * residual;
                variance *= 1.0 - gain * keep;
            }
            ln_l
        })))
    }

    /// Where a dough that nobody measured starts: as this kitchen's doughs do, or, for the final
    /// proof, from the end of its bulk proof over the bench.
    fn unmeasured_start(
        &self,
        batch: &str,
        kind: StageKind,
        at: UtcMs,
        start: UtcMs,
        law: RateLaw,
        air_c: f64,
    ) -> Result<StartTemperature> {
        if kind == StageKind::Final
            && let Some(bulk) = self.known(batch, StageKind::Bulk, at, law)?
            && let Some((end, _)) = self
                .sources
                .book
                .stage(batch, StageKind::Bulk)
                .and_then(|s| known_end(s, at))
            && end <= start
        {
            let bench_min = start.seconds_since(end) / 60.0;
            let room = self
                .sources
                .usual_air(&bulk.track.place, start)?
                .unwrap_or(air_c);
            let dough = bulk.path.now().dough_c;
            let kept = bench_kept(bench_min);
            return Ok(StartTemperature {
                mean_c: room + (dough - room) * kept,
                sd_c: BENCH_SD_C,
            });
        }
        Ok(self.habit.expect(air_c))
    }

    fn usual_yeast_of(&self, dough: &str, at: UtcMs) -> Option<f64> {
        self.usual_yeast
            .and_then(|known| known.get(dough).copied())
            .or_else(|| usual_yeast(self.sources.book, dough, at))
    }

    /// A probe in the dough: its own batch's, or one in the place of the only batch there.
    fn probe(
        &self,
        owner: &str,
        start: UtcMs,
        until: UtcMs,
        track: &Track,
    ) -> Result<Vec<(UtcMs, f64)>> {
        self.dough_sensor(
            owner,
            Quantity::DoughTemperature,
            start,
            until,
            &track.place,
        )
    }

    fn dough_sensor(
        &self,
        owner: &str,
        quantity: Quantity,
        start: UtcMs,
        until: UtcMs,
        last_place: &str,
    ) -> Result<Vec<(UtcMs, f64)>> {
        let book = self.sources.book;
        let mut stays = book.stays(owner, start, until.plus_ms(1));
        if stays.is_empty() {
            stays.push((start, last_place.to_owned()));
        }
        let mut out: Vec<(UtcMs, f64)> = Vec::new();
        for (i, (from, place)) in stays.iter().enumerate() {
            let to = stays.get(i + 1).map_or(until.plus_ms(1), |s| s.0);
            for r in self.sources.readings.of_place(place, quantity, *from, to)? {
                let ours = match &r.batch {
                    Some(b) => b == owner,
                    None => book.in_progress(r.time).all(|s| {
                        s.batch == owner || book.place_at(&s.batch, r.time) != Some(place.as_str())
                    }),
                };
                if ours
                    && r.value.is_finite()
                    && out.last().is_none_or(|l| r.time.0 - l.0.0 >= 30_000)
                {
                    out.push((r.time, r.value));
                }
            }
        }
        Ok(out)
    }

    /// A height sensor's stream as a few rises: each the median of its neighbourhood.
    fn heights(&self, owner: &str, start: UtcMs, until: UtcMs) -> Result<Vec<(UtcMs, f64)>> {
        let place = self
            .sources
            .book
            .place_at(owner, until)
            .unwrap_or_default()
            .to_owned();
        let stream = self.dough_sensor(owner, Quantity::DoughHeight, start, until, &place)?;
        if stream.len() < 4 {
            return Ok(Vec::new());
        }
        let median = |values: &[(UtcMs, f64)]| {
            let mut v: Vec<f64> = values.iter().map(|p| p.1).collect();
            v.sort_by(f64::total_cmp);
            v[v.len() / 2]
        };
        let first = stream.partition_point(|p| p.0.seconds_since(start) < 600.0);
        if first == 0 {
            return Ok(Vec::new());
        }
        let base = median(&stream[..first]);
        if !(base > 1e-4) {
            return Ok(Vec::new());
        }
        let rest = &stream[first..];
        let size = rest.len().div_ceil(HEIGHT_POINTS).max(1);
        Ok(rest
            .chunks(size)
            .map(|c| (c[c.len() / 2].0, (median(c) / base - 1.0).clamp(-0.5, 6.0)))
            .collect())
    }

    /// A finished stage as the fit sees it; `None` if it teaches nothing.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn past(&self, batch: &str, kind: StageKind, at: UtcMs) -> Result<Option<PastStage>> {
        let book = self.sources.book;
        let Some(stage) = book.stages.get(&(batch.to_owned(), kind)) else {
            return Ok(None);
        };
        if book.batches.get(batch).and_then(|b| b.learn) == Some(false) {
            return Ok(None);
        }
        match known_end(stage, at) {
            Some((_, Outcome::Ready | Outcome::Under | Outcome::Over)) => {}
            _ => return Ok(None),
        }
        let Some(known) = self.known(batch, kind, at, RateLaw::default())? else {
            return Ok(None);
        };
        // Batches split from one share its bulk proof, so they share its pace.
        let family = book
            .batches
            .get(batch)
            .and_then(|b| b.from.clone())
            .unwrap_or_else(|| batch.to_owned());
        Ok(Some(PastStage {
            batch: family,
            subject: known.subject,
            path: known.path,
            evidence: known.evidence,
        }))
    }
}

/// A dough's path along its air, set to its probe's readings where it has one.
fn walk(law: RateLaw, tau: f64, start_c: f64, track: &Track, probe: &[(f64, f64)]) -> AgePath {
    let mut path = AgePath::begin(law, tau, start_c);
    let mut next = 0;
    for s in &track.stretches {
        let slope = (s.to_c - s.from_c) / (s.to_min - s.from_min).max(1e-9);
        let mut at = s.from_min;
        while next < probe.len() && probe[next].0 <= s.to_min {
            let (m, c) = probe[next];
            if m > at {
                path.advance(
                    m,
                    s.from_c + slope * (at - s.from_min),
                    s.from_c + slope * (m - s.from_min),
                );
                at = m;
            }
            path.measured(c);
            next += 1;
        }
        path.advance(s.to_min, s.from_c + slope * (at - s.from_min), s.to_c);
    }
    path
}

//! The air a dough stood in, and the air it will stand in: readings of its places joined along its
//! moves, gaps bridged and named, and a scenario for what comes next.

use super::planned::{Change, Pull};
use super::scenario::{Scenario, Standing, outlook};
use super::source::Readings;
use crate::batches::book::Book;
use crate::batches::record::{PlaceKind, Quantity};
use crate::store::{Result, StoredReading};
use crate::time::{MINUTE_MS, UtcMs};

/// Readings further apart than this leave a gap in which the air drifts towards the room.
pub const GAP_MIN: f64 = 20.0;
/// A room's air where nothing at all is known of it, °C.
const UNKNOWN_ROOM_C: f64 = 21.0;
/// A place's air where nothing is known of it, °C (the contract's).
pub const UNKNOWN_AIR_C: f64 = 24.0;
/// A fridge's.
pub const UNKNOWN_FRIDGE_C: f64 = 4.0;
/// Time constant with which a silent box drifts towards its room, minutes.
pub const DRIFT_MIN: f64 = 60.0;
/// Points per minute kept of dense logs: one.
pub const THIN_MIN: f64 = 0.75;

/// One stretch of air: straight from one end to the other, in minutes since the stage began.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Its beginning.
    pub from_min: f64,
    /// Its end.
    pub to_min: f64,
    /// Air at its beginning, °C.
    pub from_c: f64,
    /// Air at its end, °C.
    pub to_c: f64,
}

/// The air along a stage up to a moment, and what is known of how it will go on.
#[derive(Clone, Debug)]
pub struct Track {
    /// Stretches in order, covering the stage up to the moment asked.
    pub stretches: Vec<Stretch>,
    /// Where it stands at the end.
    pub place: String,
    /// That place's kind.
    pub kind: PlaceKind,
    /// Minutes without readings inside gaps, and the longest of them.
    pub gap_min: (f64, f64),
    /// Readings used.
    pub readings: usize,
    /// How often the dough was moved.
    pub moves: usize,
    /// The newest reading of the place it stands in.
    pub newest: Option<(f64, UtcMs)>,
    /// What its air will do.
    pub outlook: Scenario,
    /// What is planned for it, the change in force first, minutes since the stage began.
    pub planned: Vec<Change>,
    /// Whether its lamp is said to be on.
    pub lamp: Option<bool>,
    /// The place's air over the last two hours, minutes since the stage began and °C.
    pub recent: Vec<(f64, f64)>,
    /// The room around it, °C.
    pub room_c: f64,
    /// When it came to where it stands, minutes since the stage began.
    pub here_since_min: f64,
}

impl Track {
    /// Where it stands, for the air to come.
    #[must_use]
    pub fn standing(&self) -> Standing<'_> {
        Standing {
            kind: self.kind,
            room_c: self.room_c,
            lamp: self.lamp,
            planned: &self.planned,
        }
    }
}

/// Planned changes are looked up so far ahead, minutes: as far as a forecast goes, and an hour more.
const PLANNED_MIN: f64 = 49.0 * 60.0;
/// How far back the newest readings are kept for the outlook, minutes.
pub const RECENT_WINDOW_MIN: f64 = 120.0;

/// Joins a place's air sensors into one line, reading by reading: the median of each sensor's
/// newest value (not older than a quarter of an hour), or the one sensor named.
#[derive(Clone, Debug, Default)]
pub struct Joiner {
    newest: Vec<(String, UtcMs, f64)>,
    values: Vec<f64>,
}

/// A sensor's value counts in the median for so long.
const COUNTS_MS: i64 = 15 * MINUTE_MS;

impl Joiner {
    /// The line's value after one more reading; `None` if it says nothing.
    pub fn add(&mut self, sensor: &str, time: UtcMs, value: f64) -> Option<f64> {
        if !value.is_finite() {
            return None;
        }
        match self.newest.iter_mut().find(|n| n.0 == sensor) {
            Some(n) if n.1 > time => {}
            Some(n) => (n.1, n.2) = (time, value),
            None => self.newest.push((sensor.to_owned(), time, value)),
        }
        self.values.clear();
        self.values.extend(
            self.newest
                .iter()
                .filter(|n| time.0 - n.1.0 <= COUNTS_MS)
                .map(|n| n.2),
        );
        self.values.sort_by(f64::total_cmp);
        let n = self.values.len();
        Some(0.5 * (self.values[(n - 1) / 2] + self.values[n / 2]))
    }
}

fn merged(readings: &[StoredReading], model_sensors: &[String]) -> Vec<(UtcMs, f64)> {
    let by_role = readings
        .iter()
        .any(|r| model_sensors.iter().any(|s| *s == r.sensor));
    let mut joiner = Joiner::default();
    let mut out: Vec<(UtcMs, f64)> = Vec::new();
    for r in readings
        .iter()
        .filter(|r| !by_role || model_sensors.iter().any(|s| *s == r.sensor))
    {
        let Some(value) = joiner.add(&r.sensor, r.time, r.value) else {
            continue;
        };
        match out.last_mut() {
            Some(last) if last.0 == r.time => last.1 = value,
            _ => out.push((r.time, value)),
        }
    }
    out
}

/// Everything needed to look air up.
#[derive(Clone, Copy)]
pub struct Sources<'a> {
    /// The log book.
    pub book: &'a Book,
    /// The readings.
    pub readings: &'a dyn Readings,
    /// Sensors with `role = "model"`.
    pub model_sensors: &'a [String],
}

impl Sources<'_> {
    fn air(&self, place: &str, from: UtcMs, to: UtcMs) -> Result<Vec<(UtcMs, f64)>> {
        let raw = self
            .readings
            .of_place(place, Quantity::AirTemperature, from, to)?;
        Ok(merged(&raw, self.model_sensors))
    }

    /// What a place's air usually is before a moment: the median of its newest readings.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn usual_air(&self, place: &str, before: UtcMs) -> Result<Option<f64>> {
        let raw = self
            .readings
            .newest_of_place(place, Quantity::AirTemperature, before, 400)?;
        let mut values: Vec<f64> = merged(&raw, self.model_sensors)
            .into_iter()
            .map(|(_, v)| v)
            .collect();
        if values.is_empty() {
            return Ok(None);
        }
        values.sort_by(f64::total_cmp);
        Ok(Some(values[values.len() / 2]))
    }

    /// The air where a batch stood at a moment: the reading nearest in the quarter of an hour
    /// around it, earlier ones first.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn air_near(&self, batch: &str, at: UtcMs) -> Result<Option<f64>> {
        let Some(place) = self.book.place_at(batch, at) else {
            return Ok(None);
        };
        let points = self.air(place, at.plus_min(-15.0), at.plus_min(15.0))?;
        let i = points.partition_point(|p| p.0 <= at);
        Ok(points.get(i.saturating_sub(1)).map(|p| p.1))
    }

    /// The room around a place near a moment, °C.
    pub(super) fn room(&self, place: &str, at: UtcMs) -> Result<f64> {
        let kind = self.book.kind_of(place);
        let around = self
            .book
            .places
            .get(place)
            .and_then(|p| p.inside.clone())
            .or_else(|| {
                // Without a word on what it stands in: the only room of the house.
                let mut rooms = self.book.places.values().filter(|p| {
                    p.kind.unwrap_or(PlaceKind::Room) == PlaceKind::Room && p.name != place
                });
                match (rooms.next(), rooms.next()) {
                    (Some(only), None) => Some(only.name.clone()),
                    _ => None,
                }
            });
        if kind == PlaceKind::Room {
            return Ok(self.usual_air(place, at)?.unwrap_or(UNKNOWN_ROOM_C));
        }
        if kind == PlaceKind::Fridge {
            return Ok(self.usual_air(place, at)?.unwrap_or(UNKNOWN_FRIDGE_C));
        }
        let near = match &around {
            Some(room) => self
                .air(room, at.plus_min(-180.0), at.plus_ms(1))?
                .last()
                .map(|(_, v)| *v),
            None => None,
        };
        match (near, around) {
            (Some(v), _) => Ok(v),
            (None, Some(room)) => Ok(self.usual_air(&room, at)?.unwrap_or(UNKNOWN_ROOM_C)),
            (None, None) => Ok(UNKNOWN_ROOM_C),
        }
    }

    /// The mean air between two moments of a stage, if there are readings.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn mean_air(&self, batch: &str, from: UtcMs, to: UtcMs) -> Result<Option<f64>> {
        let track = self.track(batch, from, to)?;
        if track.readings == 0 {
            return Ok(None);
        }
        let (mut sum, mut span) = (0.0, 0.0);
        for s in &track.stretches {
            let d = s.to_min - s.from_min;
            sum += 0.5 * (s.from_c + s.to_c) * d;
            span += d;
        }
        Ok(if span > 0.0 {
            Some(sum / span)
        } else {
            track.newest.map(|(v, _)| v)
        })
    }

    /// The air along a batch's way between two moments (readings at the later one count).
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn track(&self, batch: &str, start: UtcMs, until: UtcMs) -> Result<Track> {
        let minute = |t: UtcMs| t.seconds_since(start) / 60.0;
        let until = until.max(start);
        let mut stays = self.book.stays(batch, start, until.plus_ms(1));
        if stays.is_empty() {
            let place = self
                .book
                .place_at(batch, start)
                .unwrap_or_default()
                .to_owned();
            stays.push((start, place));
        }
        let mut stretches: Vec<Stretch> = Vec::new();
        let (mut gap_total, mut gap_longest, mut used) = (0.0f64, 0.0f64, 0);
        let mut newest = None;
        let mut recent: Vec<(f64, f64)> = Vec::new();
        let moves = stays.len() - 1;
        let last = moves;
        for (i, (from, place)) in stays.iter().enumerate() {
            let to = stays.get(i + 1).map_or(until, |s| s.0);
            let (a, b) = (minute(*from), minute(to));
            // From a while before, so that the first moments are between readings.
            let points: Vec<(f64, f64)> = self
                .air(place, from.plus_min(-GAP_MIN), to.plus_ms(1))?
                .into_iter()
                .map(|(t, v)| (minute(t), v))
                .collect();
            if i == last {
                let lead = self.air(place, until.plus_min(-RECENT_WINDOW_MIN), to.plus_ms(1))?;
                newest = lead.last().map(|(t, v)| (*v, *t));
                recent = lead.into_iter().map(|(t, v)| (minute(t), v)).collect();
            }
            used += points.iter().filter(|p| p.0 >= a).count();
            let inside = self.fill(
                place,
                *from,
                a,
                b,
                &points,
                &mut gap_total,
                &mut gap_longest,
            )?;
            stretches.extend(inside);
        }
        let place = stays[last].1.clone();
        let kind = self.book.kind_of(&place);
        let now = minute(until);
        let air_now = stretches
            .last()
            .map_or_else(|| recent.last().map_or(UNKNOWN_AIR_C, |p| p.1), |s| s.to_c);
        // What a room usually is was known before the proof; its readings since say where it is.
        let before = match kind {
            PlaceKind::Room => self.usual_air(&place, start)?,
            _ => None,
        };
        let room = match before {
            Some(usual) => usual,
            None => self.room(&place, until)?,
        };
        let here_since_min = minute(stays[last].0);
        let planned = self.changes(&place, start, until, until.plus_min(PLANNED_MIN))?;
        let lamp = self.book.places.get(&place).and_then(|p| p.lamp);
        let outlook = outlook(
            now,
            air_now,
            &recent,
            Standing {
                kind,
                room_c: room,
                lamp,
                planned: &planned,
            },
        );
        Ok(Track {
            stretches,
            place,
            kind,
            gap_min: (gap_total, gap_longest),
            readings: used,
            moves,
            newest,
            outlook,
            planned,
            lamp,
            recent,
            room_c: room,
            here_since_min,
        })
    }

    /// One stay's air from `a` to `b` minutes.
    #[allow(clippy::too_many_arguments)]
    fn fill(
        &self,
        place: &str,
        from: UtcMs,
        a: f64,
        b: f64,
        points: &[(f64, f64)],
        gap_total: &mut f64,
        gap_longest: &mut f64,
    ) -> Result<Vec<Stretch>> {
        let mut out = Vec::new();
        if b <= a {
            return Ok(out);
        }
        let start = from.plus_min(-a);
        let changes = self.changes(place, start, from, from.plus_min(b - a))?;
        let Some(&(first_min, first_c)) = points.first() else {
            let usual = match self.usual_air(place, from)? {
                Some(c) => c,
                None if self.book.kind_of(place) == PlaceKind::Fridge => UNKNOWN_FRIDGE_C,
                None => UNKNOWN_AIR_C,
            };
            out.extend(unheard(usual, &changes, a, b));
            *gap_total += b - a;
            *gap_longest = gap_longest.max(b - a);
            return Ok(out);
        };
        let mut room: Option<f64> = None;
        let mut at = a;
        let mut value = if first_min >= a {
            first_c
        } else {
            at_line(points, a)
        };
        let mut push = |from_min: f64, to_min: f64, from_c: f64, to_c: f64| {
            if to_min > from_min {
                out.push(Stretch {
                    from_min,
                    to_min,
                    from_c,
                    to_c,
                });
            }
        };
        for &(m, c) in points.iter().filter(|p| p.0 > a && p.0 <= b) {
            let gap = m - at;
            if gap < THIN_MIN && m < b - THIN_MIN {
                continue;
            }
            if gap > GAP_MIN && at > a {
                let toward = match room {
                    Some(r) => r,
                    None => {
                        let r = self.room(place, from)?;
                        room = Some(r);
                        r
                    }
                };
                *gap_total += gap;
                *gap_longest = gap_longest.max(gap);
                let steps = (gap / 5.0).ceil().clamp(1.0, 400.0);
                let (start_min, start_c) = (at, value);
                let pull = Pull {
                    changes: &changes,
                    base_c: toward,
                    base_tau_min: DRIFT_MIN,
                };
                for k in 1..=steps as usize {
                    let s = k as f64 / steps;
                    let t = start_min + gap * s;
                    let relaxed = pull.step(start_c, start_min, t);
                    let next = relaxed * (1.0 - s) + c * s;
                    push(at, t, value, next);
                    (at, value) = (t, next);
                }
            } else {
                push(at, m, value, c);
                (at, value) = (m, c);
            }
        }
        let gap = b - at;
        if gap > GAP_MIN {
            let toward = match room {
                Some(r) => r,
                None => self.room(place, from)?,
            };
            *gap_total += gap;
            *gap_longest = gap_longest.max(gap);
            let steps = (gap / 5.0).ceil().clamp(1.0, 400.0);
            let (start_min, start_c) = (at, value);
            let pull = Pull {
                changes: &changes,
                base_c: toward,
                base_tau_min: DRIFT_MIN,
            };
            for k in 1..=steps as usize {
                let t = start_min + gap * k as f64 / steps;
                let next = pull.step(start_c, start_min, t);
                push(at, t, value, next);
                (at, value) = (t, next);
            }
        } else {
            push(at, b, value, value);
        }
        Ok(out)
    }
}

/// The air of a place without readings from `a` to `b` minutes: its usual, from change to change.
fn unheard(usual: f64, changes: &[Change], a: f64, b: f64) -> Vec<Stretch> {
    let stretch = |from_min, to_min, from_c, to_c| Stretch {
        from_min,
        to_min,
        from_c,
        to_c,
    };
    if changes.is_empty() {
        return vec![stretch(a, b, usual, usual)];
    }
    let pull = Pull {
        changes,
        base_c: usual,
        base_tau_min: DRIFT_MIN,
    };
    // What was planned before the dough came has happened.
    let mut air = match changes.first() {
        Some(c) if c.minute < a => pull.step(usual, c.minute, a),
        _ => usual,
    };
    let steps = ((b - a) / 5.0).ceil().clamp(1.0, 2000.0);
    let mut at = a;
    (1..=steps as usize)
        .map(|k| {
            let to = a + (b - a) * k as f64 / steps;
            let next = pull.step(air, at, to);
            let piece = stretch(at, to, air, next);
            (at, air) = (to, next);
            piece
        })
        .collect()
}

/// Straight between points, held at the ends.
fn at_line(points: &[(f64, f64)], m: f64) -> f64 {
    let i = points.partition_point(|p| p.0 <= m);
    if i == 0 {
        return points[0].1;
    }
    if i >= points.len() {
        return points[points.len() - 1].1;
    }
    let (a, b) = (points[i - 1], points[i]);
    if b.0 > a.0 {
        a.1 + (b.1 - a.1) * (m - a.0) / (b.0 - a.0)
    } else {
        b.1
    }
}

//! Whether a sensor's raw readings climb as only an oven makes them: what the rule `oven_on` judges
//! by. Knows nothing of places, doughs and alerts.

use std::collections::VecDeque;

use crate::time::UtcMs;

/// A climb that neither a lamp nor a pan of boiling water makes even over one window, °C a minute.
pub const STEEP_C_PER_MIN: f64 = 3.5;
/// A climb that no lamp makes when it gathers speed or lasts, °C a minute.
pub const CLIMB_C_PER_MIN: f64 = 1.0;
/// The climb asked for after a disturbance, °C a minute: walls and a pan of boiling water bring
/// the air back at 4, an oven drives it at 8 and more.
const CAREFUL_C_PER_MIN: f64 = 5.0;
/// A half minute's climb that is no pan's, °C.
const GATHERS_C: f64 = 1.2;
/// A climb that neither makes over half a minute, °C a minute: what counts with readings missing
/// or far apart, when the window holds the quiet before the climb as well.
const SHORT_C_PER_MIN: f64 = 4.5;
/// The short climb is judged over the last reading so long before, ms.
const SHORT_MS: i64 = 20_000;
/// How far above where it stood the air must be, °C: well over a sensor's noise.
pub(super) const ABOVE_C: f64 = 1.0;
/// A step faster than any oven, °C a minute: the next reading must confirm it.
const STEP_C_PER_MIN: f64 = 25.0;
/// The window over which a climb is judged, ms; with slower sensors their last interval.
pub(super) const WINDOW_MS: i64 = 60_000;
/// "Where it stood": the highest of this long before the climb, ms. An open door's fall is
/// shorter, so that the way back up does not count.
pub(super) const STOOD_MS: i64 = 6 * 60_000;
/// A fall so far within [`FALL_MS`] is a door or a hand, °C.
const FALL_C: f64 = 1.5;
const FALL_MS: i64 = 2 * 60_000;
/// What the light may have added by the time the air is back from a fall, °C a minute.
const LIT_C_PER_MIN: f64 = 0.4;
/// How long a fall is remembered, ms: a sensor may lie on the bench while the dough is shaped.
const FELL_MS: i64 = 60 * 60_000;
/// So near to where a fall began the air is back, °C.
const BACK_C: f64 = 0.7;
/// How long a disturbance makes the rule careful, ms, unless the air has come to rest.
const CAREFUL_MS: i64 = 8 * 60_000;
/// Air at rest: so long, ms (two readings a minute apart, each a jitter early) …
const REST_MS: i64 = 110_000;
/// … ending no longer than this before the newest reading, ms …
const RESTED_MS: i64 = 2 * 60_000;
/// … within so much, °C: noise and what the light or cold dough do in that time.
const REST_C: f64 = 0.6;
/// So near to where a fall began air at rest is back, °C: what is left is too small for an oven.
const REST_BACK_C: f64 = 1.0;
/// What an oven's light alone reaches at most where nothing is known yet, °C.
pub(super) const USUAL_TOP_C: f64 = 34.0;
/// Readings kept of each sensor, ms.
const KEPT_MS: i64 = 20 * 60_000;
/// Readings kept of each sensor: one a second for the whole span.
const KEPT: usize = 1200;
#[derive(Debug, Default)]
pub(super) struct Track {
    /// The readings kept.
    pub(super) points: VecDeque<(UtcMs, f64)>,
    /// When the track began, was last disturbed by a fall, or dough was put in.
    disturbed: Option<UtcMs>,
    /// When the track began or dough was put in.
    begun: Option<UtcMs>,
    /// The same as `disturbed` without the way back from a fall: rest is looked for from here on.
    upset: Option<UtcMs>,
    /// Where the last fall began, until the air is back there: up to it nothing is new.
    fell_from: Option<(UtcMs, f64)>,
    /// When the last fall began and where, kept when the air is back.
    fall: Option<(UtcMs, f64)>,
    /// The last reading stood on a steep climb: silence now would count.
    pub(super) steep: bool,
    /// A step faster than any oven waits for the next reading.
    unconfirmed: bool,
}

/// A window's climb.
struct Climb {
    from: UtcMs,
    rise_c: f64,
    c_per_min: f64,
}

impl Track {
    fn at_or_before(&self, at: i64) -> Option<(UtcMs, f64)> {
        self.points.iter().rev().find(|(t, _)| t.0 <= at).copied()
    }

    /// The climb over the window that ends at `end` (a reading's time).
    fn climb_to(&self, end: (UtcMs, f64)) -> Option<Climb> {
        // A little slack, so that a reading one jitter late still closes the window.
        let start = self
            .at_or_before(end.0.0 - WINDOW_MS + 2_000)
            .or_else(|| self.points.front().copied())?;
        let span_min = end.0.seconds_since(start.0) / 60.0;
        (span_min > 0.0).then(|| Climb {
            from: start.0,
            rise_c: end.1 - start.1,
            c_per_min: (end.1 - start.1) / span_min.max(0.5),
        })
    }

    /// The climb over the last [`SHORT_MS`], or the last interval where that is longer.
    fn short_climb_to(&self, end: (UtcMs, f64)) -> Option<Climb> {
        let start = self.at_or_before(end.0.0 - SHORT_MS)?;
        let span_min = end.0.seconds_since(start.0) / 60.0;
        (span_min > 0.0).then(|| Climb {
            from: start.0,
            rise_c: end.1 - start.1,
            c_per_min: (end.1 - start.1) / span_min,
        })
    }

    /// How far up the way back from a fall can go by now, °C: to where the fall began and what the
    /// light has added since. Nothing is known of it when the last disturbance was no fall.
    fn return_top(&self, end: UtcMs, before_c: f64) -> Option<f64> {
        let (began, from) = self.fall?;
        let since_min = end.seconds_since(began) / 60.0;
        (self.begun < Some(began) && since_min < CAREFUL_MS as f64 / 60_000.0)
            .then(|| from.max(before_c) + LIT_C_PER_MIN * since_min)
    }

    /// Whether, since it was last disturbed, the air came to rest shortly before the climb that
    /// ends at `end`, and near where a fall began if there was one: the disturbance is over then,
    /// however short ago.
    fn at_rest(&self, end: UtcMs) -> bool {
        let since = self.upset.map_or(i64::MIN, |t| t.0);
        // The reading before the newest counts however old it is: a message may be lost.
        let before = self.points.len().saturating_sub(1);
        (1..=before)
            .rev()
            .take_while(|n| *n == before || end.0 - self.points[n - 1].0.0 <= RESTED_MS)
            .any(|n| self.rests(n, since))
    }

    /// Whether the first `n` readings, as far as they are after `since`, end with air at rest.
    fn rests(&self, n: usize, since: i64) -> bool {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        let mut until = None;
        for (t, v) in self.points.range(..n).rev() {
            if t.0 < since {
                return false;
            }
            (low, high) = (low.min(*v), high.max(*v));
            if high - low > REST_C {
                return false;
            }
            if until.get_or_insert(*t).0 - t.0 >= REST_MS {
                // A sensor may have rested on the bench.
                let fell = self.fall.filter(|(began, _)| t.0 - began.0 < FELL_MS);
                return fell.is_none_or(|(_, from)| high >= from - REST_BACK_C);
            }
        }
        false
    }

    /// Whether the newest readings have come to rest, wherever.
    pub(super) fn lies_still(&self) -> bool {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        let Some((end, _)) = self.points.back() else {
            return false;
        };
        for (t, v) in self.points.iter().rev() {
            (low, high) = (low.min(*v), high.max(*v));
            if high - low > REST_C {
                return false;
            }
            if end.0 - t.0 >= REST_MS {
                return true;
            }
        }
        false
    }

    /// The highest reading between two moments, ms.
    pub(super) fn highest(&self, from: i64, to: i64) -> Option<f64> {
        self.points
            .iter()
            .filter(|(t, _)| t.0 >= from && t.0 <= to)
            .map(|(_, v)| *v)
            .max_by(f64::total_cmp)
    }

    /// Takes a reading in and says whether the oven has come on.
    pub(super) fn take(
        &mut self,
        at: UtcMs,
        value_c: f64,
        gap_ms: i64,
        usual_top_c: f64,
        put_in: Option<UtcMs>,
    ) -> bool {
        let last = self.points.back().copied();
        let pause_ms = (5 * 60_000).max(3 * gap_ms);
        match last {
            Some((t, _)) if t >= at => return false,
            Some((t, _)) if at.0 - t.0 > pause_ms => {
                self.points.clear();
                self.begun = Some(at);
            }
            None => self.begun = Some(at),
            Some(_) => {}
        }
        self.points.push_back((at, value_c));
        while self.points.len() > KEPT
            || self
                .points
                .front()
                .is_some_and(|(t, _)| at.0 - t.0 > KEPT_MS)
        {
            self.points.pop_front();
        }
        if let Some(high) = self.highest(at.0 - FALL_MS, at.0)
            && high - value_c >= FALL_C
        {
            self.upset = Some(at);
            let known = self.fell_from.map_or(f64::NEG_INFINITY, |(_, from)| from);
            self.fell_from = Some((at, high.max(known)));
            let recent = self.fall.filter(|(t, _)| at.0 - t.0 < CAREFUL_MS);
            self.fall = Some(recent.map_or((at, high), |(t, from)| (t, high.max(from))));
        } else if let Some((t, from)) = self.fell_from {
            if value_c >= from - BACK_C {
                self.fell_from = None;
                self.disturbed = Some(at);
            } else if at.0 - t.0 > FELL_MS {
                self.fell_from = None;
            }
        }
        // Dough comes with its sensor, and the door stands open.
        self.begun = self.begun.max(put_in);
        self.upset = self.upset.max(self.begun);
        self.disturbed = self.disturbed.max(self.upset);
        let verdict = self.climbing((at, value_c), usual_top_c);
        self.steep = verdict.is_some();
        let step = last.is_some_and(|(t, v)| {
            let minutes = at.seconds_since(t) / 60.0;
            minutes > 0.0 && minutes <= 2.0 && (value_c - v) / minutes > STEP_C_PER_MIN
        });
        let confirmed = !step || self.unconfirmed;
        self.unconfirmed = step && !self.unconfirmed;
        verdict == Some(true) && confirmed
    }

    /// `Some(true)`: a climb that is an oven's. `Some(false)`: steep, but not enough by itself.
    fn climbing(&self, end: (UtcMs, f64), usual_top_c: f64) -> Option<bool> {
        let climb = self.climb_to(end)?;
        let short = self.short_climb_to(end);
        let short_c_per_min = short.as_ref().map_or(0.0, |c| c.c_per_min);
        if climb.c_per_min.max(short_c_per_min) <= CLIMB_C_PER_MIN {
            return None;
        }
        let stood = self.highest(climb.from.0 - STOOD_MS, climb.from.0)?;
        let careful = (self.fell_from.is_some()
            || self.disturbed.is_some_and(|t| end.0.0 - t.0 < CAREFUL_MS))
            && !self.at_rest(end.0);
        if careful {
            let before = self.highest(climb.from.0 - CAREFUL_MS, climb.from.0)?;
            let from = self.fell_from.map_or(before, |(_, from)| from);
            let top = usual_top_c.max(before).max(from);
            let oven = end.1
                >= self.return_top(end.0, before).map_or(top, |c| c.min(top)) + ABOVE_C
                && climb.c_per_min.max(short_c_per_min) >= CAREFUL_C_PER_MIN
                && self.not_slowing(end);
            return (oven || end.1 >= top + ABOVE_C).then_some(oven);
        }
        if end.1 < stood + ABOVE_C {
            return None;
        }
        Some(
            climb.c_per_min >= STEEP_C_PER_MIN
                || short_c_per_min >= SHORT_C_PER_MIN
                || self.gathering_speed(end, &climb)
                || self.lasting(end, &climb),
        )
    }

    /// The later half of the window climbs clearly more than the earlier one.
    fn gathering_speed(&self, end: (UtcMs, f64), climb: &Climb) -> bool {
        // A little slack, as for the window.
        let half = i64::midpoint(climb.from.0, end.0.0) + 3_000;
        let Some((t, v)) = self.at_or_before(half) else {
            return false;
        };
        let later = end.1 - v;
        t > climb.from && later >= GATHERS_C && later >= 1.5 * (climb.rise_c - later)
    }

    /// The same climb for four windows without slowing: a pan's slows down before.
    fn lasting(&self, end: (UtcMs, f64), climb: &Climb) -> bool {
        let mut end = end;
        let mut later = climb.c_per_min;
        let mut total = climb.rise_c;
        for _ in 0..3 {
            let Some(point) = self.at_or_before(end.0.0 - WINDOW_MS + 2_000) else {
                return false;
            };
            let Some(before) = self.climb_to(point) else {
                return false;
            };
            if before.c_per_min <= CLIMB_C_PER_MIN || later < 0.9 * before.c_per_min {
                return false;
            }
            total += before.rise_c;
            later = before.c_per_min;
            end = point;
        }
        total >= 6.0
    }

    /// The last interval climbs as fast as the one before (of 20 s at least each).
    fn not_slowing(&self, end: (UtcMs, f64)) -> bool {
        let Some(middle) = self.at_or_before(end.0.0 - 20_000) else {
            return false;
        };
        let Some(start) = self.at_or_before(middle.0.0 - 20_000) else {
            return false;
        };
        let rate = |a: (UtcMs, f64), b: (UtcMs, f64)| (b.1 - a.1) / b.0.seconds_since(a.0);
        let before = rate(start, middle);
        before > 0.0 && rate(middle, end) >= 0.8 * before
    }
}

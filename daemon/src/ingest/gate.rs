//! Plausibility: which readings the model may believe. A reading held out here is still stored,
//! shown and told to the safety rules, with the reason beside it.
//!
//! Judged in this order: ahead of the clock, a probe's fault value, out of range, moment unknown, a
//! lone jump. Only readings newer than the last believed one are compared with neighbours.

use std::ops::RangeInclusive;

use foldhash::HashMap;
use smol_str::SmolStr;

use super::gaps::Gaps;
use crate::batches::record::Quantity;
use crate::store::KeptOut;
use crate::time::{MINUTE_MS, UtcMs};

/// Further ahead of the clock than this is no reading of now (Prometheus refuses at the same bound).
pub const AHEAD_MS: i64 = 10 * MINUTE_MS;
/// A clock before this (2025-01-01) was never set: a machine without a battery boots in 1970. What
/// arrives then is marked; what brings its own time is not judged by that clock.
const CLOCK_SET_FROM: UtcMs = UtcMs(1_735_689_600_000);
/// Neighbours further apart than this say nothing about each other.
const NEIGHBOUR_MS: i64 = 15 * MINUTE_MS;
/// Readings that come later than this after their time are not live: no neighbours are asked.
const LIVE_MS: i64 = 5 * MINUTE_MS;
/// A probe's fault value this near the last raw value may be real, °C.
const FAULT_NEAR_C: f64 = 15.0;
/// How exactly a fault value is met, °C (a sixteenth of a degree rounded to two decimals).
const FAULT_EXACT_C: f64 = 0.011;
/// The jump a next reading has to confirm may not go on faster than this times the jump.
const CONFIRM_FACTOR: f64 = 1.2;
/// Without a measured interval, messages closer than this after a reconnect are a backlog, s.
const BACKLOG_S: f64 = 1.0;

/// What a quantity can be at all, in the unit it is stored in. Air is possible to 300 °C (an oven);
/// the rest is the range in which common sensors of that kind work (common practice, no published
/// source).
#[must_use]
pub fn range(quantity: Quantity) -> RangeInclusive<f64> {
    match quantity {
        Quantity::AirTemperature | Quantity::SurfaceTemperature => -60.0..=300.0,
        Quantity::DoughTemperature => -40.0..=120.0,
        // Capacitive sensors overshoot a little in saturated air.
        Quantity::Humidity => 0.0..=105.0,
        Quantity::DoughHeight => -0.05..=3.0,
        Quantity::Battery => 0.0..=100.0,
    }
}

/// The step between two readings that asks for a third, in the stored unit.
fn jump(quantity: Quantity) -> Option<f64> {
    match quantity {
        Quantity::AirTemperature | Quantity::DoughTemperature | Quantity::SurfaceTemperature => {
            Some(8.0)
        }
        Quantity::Humidity => Some(25.0),
        Quantity::DoughHeight => Some(0.03),
        Quantity::Battery => None,
    }
}

/// A reading to be judged.
#[derive(Clone, Copy, Debug)]
pub struct Candidate {
    /// When it was true.
    pub time: UtcMs,
    /// When it came.
    pub arrived: UtcMs,
    /// Whether the time is the payload's own.
    pub own_time: bool,
    /// Corrected, in the stored unit.
    pub value: f64,
    /// Before correction, in the stored unit.
    pub raw: f64,
    /// The connection it came by, if that one resumed a session in which messages may have waited.
    pub resumed: Option<u64>,
    /// Whether it is an old message that the broker kept: it says nothing of the sensor's pace.
    pub retained: bool,
}

impl Candidate {
    fn is_late(&self) -> bool {
        self.arrived.0.saturating_sub(self.time.0) > LIVE_MS
    }
}

/// The judgement.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Verdict {
    /// Why it is held out.
    pub kept_out: Option<KeptOut>,
    /// An earlier reading, held out as a lone jump, that this one confirms.
    pub release: Option<UtcMs>,
}

#[derive(Clone, Debug, Default)]
struct Series {
    last_raw: Option<(UtcMs, f64)>,
    believed: Option<(UtcMs, f64)>,
    pending: Option<(UtcMs, f64)>,
    connection: Option<u64>,
    caught_up: bool,
    last_without_time: Option<UtcMs>,
    gaps: Gaps,
}

/// What is remembered of each series.
#[derive(Debug, Default)]
pub struct Gate(HashMap<(SmolStr, Quantity), Series>);

impl Gate {
    /// Judges a reading and remembers it.
    pub fn judge(&mut self, sensor: &str, quantity: Quantity, c: Candidate) -> Verdict {
        let series = self.0.entry((sensor.into(), quantity)).or_default();
        let backlog = !c.own_time && series.is_backlog(&c);
        let late = c.own_time && c.is_late();
        if !(backlog || c.retained || late) {
            series.gaps.arrived(c.arrived);
        }
        let verdict = series.judge(quantity, &c, backlog);
        if verdict.kept_out != Some(KeptOut::Future) && !backlog {
            let faulty = verdict.kept_out == Some(KeptOut::ProbeFault)
                || verdict.kept_out == Some(KeptOut::OutOfRange);
            if !faulty && series.last_raw.is_none_or(|(t, _)| t <= c.time) {
                series.last_raw = Some((c.time, c.raw));
            }
        }
        verdict
    }

    /// Whether taking on this series would pass the cap.
    #[must_use]
    pub fn is_full_for(&self, sensor: &str, quantity: Quantity, cap: usize) -> bool {
        self.0.len() >= cap && !self.0.contains_key(&(sensor.into(), quantity))
    }

    /// A message came in which the sensor said it had no number: it is alive.
    pub fn heard(&mut self, sensor: &str, quantity: Quantity, at: UtcMs) {
        self.0
            .entry((sensor.into(), quantity))
            .or_default()
            .gaps
            .arrived(at);
    }

    /// The longest normal gap measured, s.
    #[must_use]
    pub fn longest_gap_s(&self, sensor: &str, quantity: Quantity) -> Option<f64> {
        self.0
            .get(&(sensor.into(), quantity))
            .and_then(|s| s.gaps.longest_s())
    }

    /// Remembers a stored reading at start.
    pub fn remember(
        &mut self,
        sensor: &str,
        quantity: Quantity,
        time: UtcMs,
        arrived: UtcMs,
        value: f64,
        kept_out: Option<KeptOut>,
    ) {
        let series = self.0.entry((sensor.into(), quantity)).or_default();
        series.gaps.arrived(arrived);
        match kept_out {
            None => {
                series.believed = Some((time, value));
                series.last_raw = Some((time, value));
            }
            Some(KeptOut::LoneJump) => series.pending = Some((time, value)),
            Some(_) => {}
        }
    }

    /// The store moved a reading to a free millisecond: a jump that waits is known by that time.
    pub fn moved(&mut self, sensor: &str, quantity: Quantity, given: UtcMs, stored: UtcMs) {
        if let Some(series) = self.0.get_mut(&(sensor.into(), quantity))
            && let Some((time, _)) = &mut series.pending
            && *time == given
        {
            *time = stored;
        }
    }
}

impl Series {
    /// Whether a reading without a time of its own belongs to a backlog delivered after a
    /// reconnect: true until one comes no sooner than half the usual interval after the one before.
    fn is_backlog(&mut self, c: &Candidate) -> bool {
        let Some(connection) = c.resumed else {
            self.connection = None;
            return false;
        };
        if self.connection != Some(connection) {
            self.connection = Some(connection);
            self.caught_up = false;
            self.last_without_time = None;
        }
        if self.caught_up {
            return false;
        }
        let wait_s = self.gaps.usual_s().map_or(BACKLOG_S, |s| s / 2.0);
        let since = self
            .last_without_time
            .map(|last| c.arrived.seconds_since(last));
        self.last_without_time = Some(c.arrived);
        self.caught_up = since.is_some_and(|s| s >= wait_s);
        !self.caught_up
    }

    fn judge(&mut self, quantity: Quantity, c: &Candidate, backlog: bool) -> Verdict {
        let held = |reason| Verdict {
            kept_out: Some(reason),
            release: None,
        };
        let clock_set = c.arrived >= CLOCK_SET_FROM;
        if clock_set && c.time.0 > c.arrived.0.saturating_add(AHEAD_MS) {
            return held(KeptOut::Future);
        }
        if self.is_fault_value(quantity, c) {
            return held(KeptOut::ProbeFault);
        }
        if !range(quantity).contains(&c.value) || !range(quantity).contains(&c.raw) {
            return held(KeptOut::OutOfRange);
        }
        if backlog || !(clock_set || c.own_time) {
            return held(KeptOut::UnknownTime);
        }
        self.against_neighbours(quantity, c)
    }

    /// Values that digital probes report at power-on (85 °C), when disconnected (-127 °C in common
    /// drivers) and with all bits set (127.94 °C). 85 and 127.94 can be true in an oven: they are a
    /// fault unless the probe was near before.
    fn is_fault_value(&self, quantity: Quantity, c: &Candidate) -> bool {
        if quantity.unit() != crate::batches::record::Unit::Cel {
            return false;
        }
        let is = |value: f64| (c.raw - value).abs() < FAULT_EXACT_C;
        if is(-127.0) {
            return true;
        }
        if !(is(85.0) || is(127.94) || is(127.9375)) {
            return false;
        }
        !self.last_raw.is_some_and(|(time, before)| {
            c.time.0.abs_diff(time.0) <= NEIGHBOUR_MS.unsigned_abs()
                && (before - c.raw).abs() <= FAULT_NEAR_C
        })
    }

    fn against_neighbours(&mut self, quantity: Quantity, c: &Candidate) -> Verdict {
        let Some(limit) = jump(quantity) else {
            return Verdict::default();
        };
        if c.is_late() || c.retained {
            return Verdict::default();
        }
        let Some((time, before)) = self.believed else {
            self.believed = Some((c.time, c.value));
            return Verdict::default();
        };
        if c.time < time {
            return Verdict::default();
        }
        let believe = |series: &mut Self, release| {
            series.believed = Some((c.time, c.value));
            series.pending = None;
            Verdict {
                kept_out: None,
                release,
            }
        };
        let pending = self
            .pending
            .filter(|(t, _)| *t <= c.time && c.time.0 - t.0 <= NEIGHBOUR_MS);
        if let Some((pending_time, jumped)) = pending {
            let to_jump = (c.value - jumped).abs();
            if to_jump < (c.value - before).abs()
                && to_jump <= CONFIRM_FACTOR * (jumped - before).abs()
            {
                return believe(self, Some(pending_time));
            }
        }
        if c.time.0 - time.0 > NEIGHBOUR_MS || (c.value - before).abs() < limit {
            return believe(self, None);
        }
        self.pending = Some((c.time, c.value));
        Verdict {
            kept_out: Some(KeptOut::LoneJump),
            release: None,
        }
    }
}

#[cfg(test)]
#[path = "gate_tests.rs"]
mod tests;

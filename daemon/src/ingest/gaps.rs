//! The longest normal gap between a sensor's messages, measured: two of them are silence.
//!
//! An outage is not normal: the longest gap counts only if another is at least a third of it. So a
//! sensor that reports on change and at the latest every hour soon has an hour, and one that was
//! unplugged for a day keeps its thirty seconds.

use std::collections::VecDeque;

use crate::time::UtcMs;

/// Gaps remembered: some hours of a slow sensor, half an hour of a fast one.
const REMEMBERED: usize = 240;
/// Readings without which nothing can be said (two gaps).
const NEEDED: usize = 2;
/// A gap this many times the next longest, and alone, is an outage.
const OUTAGE_FACTOR: f64 = 3.0;
/// At most this share of the remembered gaps may be outages.
const OUTAGE_SHARE: f64 = 0.1;
/// Shorter gaps are one message, or one burst.
const SAME_BURST_MS: i64 = 50;
/// With this many gaps one more seldom changes the longest: it is looked for again every so often.
const SETTLED: usize = 32;
/// No sensor is said to be silent sooner than twice this.
const SHORTEST_S: f64 = 5.0;

/// The gaps of one sensor's quantity, by arrival.
#[derive(Clone, Debug, Default)]
pub struct Gaps {
    last: Option<UtcMs>,
    gaps_ms: VecDeque<i64>,
    longest_s: Option<f64>,
    since_looked: usize,
}

impl Gaps {
    /// Notes an arrival.
    pub fn arrived(&mut self, at: UtcMs) {
        if let Some(last) = self.last {
            let gap = at.0.saturating_sub(last.0);
            if (0..SAME_BURST_MS).contains(&gap) {
                return;
            }
            // A clock that stepped back says nothing about the gap.
            if gap > 0 {
                if self.gaps_ms.len() == REMEMBERED {
                    self.gaps_ms.pop_front();
                }
                self.gaps_ms.push_back(gap);
                self.since_looked += 1;
                if self.gaps_ms.len() < SETTLED
                    || self.since_looked >= SETTLED
                    || self.longest_s.is_none_or(|s| gap as f64 > s * 1000.0)
                {
                    self.longest_s = self.look_for_longest();
                    self.since_looked = 0;
                }
            }
        }
        self.last = Some(at);
    }

    /// The last arrival.
    #[must_use]
    pub fn last(&self) -> Option<UtcMs> {
        self.last
    }

    /// The longest normal gap, seconds; `None` until three readings have come.
    #[must_use]
    pub fn longest_s(&self) -> Option<f64> {
        self.longest_s
    }

    fn look_for_longest(&self) -> Option<f64> {
        if self.gaps_ms.len() < NEEDED {
            return None;
        }
        let mut sorted: Vec<i64> = self.gaps_ms.iter().copied().collect();
        sorted.sort_unstable_by(|a, b| b.cmp(a));
        let may_drop = 1 + (sorted.len() as f64 * OUTAGE_SHARE) as usize;
        let mut i = 0;
        while i < may_drop
            && i + 1 < sorted.len()
            && sorted[i] as f64 > OUTAGE_FACTOR * sorted[i + 1] as f64
        {
            i += 1;
        }
        Some((sorted[i] as f64 / 1000.0).max(SHORTEST_S))
    }

    /// The usual gap (the median), seconds.
    #[must_use]
    pub fn usual_s(&self) -> Option<f64> {
        if self.gaps_ms.is_empty() {
            return None;
        }
        let mut sorted: Vec<i64> = self.gaps_ms.iter().copied().collect();
        let middle = sorted.len() / 2;
        Some(*sorted.select_nth_unstable(middle).1 as f64 / 1000.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(gaps_s: impl IntoIterator<Item = f64>) -> Gaps {
        let mut gaps = Gaps::default();
        let mut at = 0.0;
        gaps.arrived(UtcMs(0));
        for gap in gaps_s {
            at += gap * 1000.0;
            gaps.arrived(UtcMs(at as i64));
        }
        gaps
    }

    #[test]
    fn nothing_is_said_before_three_readings() {
        assert_eq!(after([30.0]).longest_s(), None);
        assert_eq!(after([30.0, 31.0]).longest_s(), Some(31.0));
    }

    #[test]
    fn an_outage_is_not_normal_but_a_slow_heartbeat_is() {
        let mut gaps = vec![30.0; 50];
        gaps.push(7200.0);
        gaps.extend([30.5; 10]);
        assert_eq!(after(gaps).longest_s(), Some(30.5));
        let on_change = (0..60).map(|i| if i % 20 == 19 { 3600.0 } else { 40.0 });
        assert_eq!(after(on_change).longest_s(), Some(3600.0));
    }

    #[test]
    fn one_message_with_many_records_is_one_arrival() {
        let gaps = after([600.0, 0.0, 0.0, 600.0, 0.0, 600.0]);
        assert_eq!(gaps.longest_s(), Some(600.0));
        assert_eq!(gaps.usual_s(), Some(600.0));
    }

    #[test]
    fn a_clock_that_steps_back_is_no_gap() {
        let mut gaps = after([30.0, 30.0]);
        gaps.arrived(UtcMs(0));
        gaps.arrived(UtcMs(30_000));
        assert_eq!(gaps.longest_s(), Some(30.0));
    }
}

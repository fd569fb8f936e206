//! Instants and the injected clock. Everything that stamps, waits by rule or asks "now" takes a
//! [`Clock`]; only this file reads the machine's.

use std::sync::Arc;
use std::sync::atomic::AtomicI64;
use std::sync::atomic::Ordering::SeqCst;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

/// A moment in UTC, in whole milliseconds since 1970. Written as RFC 3339, with three decimals
/// only when they are not zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct UtcMs(pub i64);

/// Milliseconds in a minute.
pub const MINUTE_MS: i64 = 60_000;
/// Milliseconds in an hour.
pub const HOUR_MS: i64 = 3_600_000;

impl UtcMs {
    /// Reads RFC 3339; anything finer than a millisecond is cut.
    ///
    /// # Errors
    /// One line that quotes the text.
    pub fn parse(text: &str) -> Result<Self, String> {
        text.trim()
            .parse::<jiff::Timestamp>()
            .map(|t| Self(t.as_millisecond()))
            .map_err(|_| {
                format!("`{text}` is not a time: write RFC 3339, like 2026-01-10T06:05:00Z")
            })
    }

    /// The same moment for `jiff`; a time outside its range (the years -9999 to 9999) is clamped.
    #[must_use]
    pub fn timestamp(self) -> jiff::Timestamp {
        jiff::Timestamp::from_millisecond(self.0).unwrap_or(if self.0 < 0 {
            jiff::Timestamp::MIN
        } else {
            jiff::Timestamp::MAX
        })
    }

    /// This moment moved by so many milliseconds.
    #[must_use]
    pub fn plus_ms(self, ms: i64) -> Self {
        Self(self.0.saturating_add(ms))
    }

    /// This moment moved by so many minutes.
    #[must_use]
    pub fn plus_min(self, minutes: f64) -> Self {
        self.plus_ms((minutes * 60_000.0).round() as i64)
    }

    /// Seconds from `earlier` to this moment (negative if it is the later one).
    #[must_use]
    pub fn seconds_since(self, earlier: Self) -> f64 {
        self.0.saturating_sub(earlier.0) as f64 / 1000.0
    }
}

impl std::fmt::Display for UtcMs {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let decimals = if self.0.rem_euclid(1000) == 0 { 0 } else { 3 };
        write!(f, "{:.decimals$}", self.timestamp())
    }
}

impl Serialize for UtcMs {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for UtcMs {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<'de, str>::deserialize(d)?;
        Self::parse(&text).map_err(de::Error::custom)
    }
}

/// Where "now" comes from: the machine's clock, that clock run faster (the demo), or one that a
/// test sets by hand. Cheap to clone; all clones tell the same time.
#[derive(Clone, Debug)]
pub struct Clock(Arc<Kind>);

#[derive(Debug)]
enum Kind {
    /// The machine's clock or, once corrected, one that goes on evenly from there: the machine's own
    /// may be put right, or wrong, at any moment. `ahead` is its distance from `started`, ms.
    Machine { started: Instant, ahead: AtomicI64 },
    Faster {
        from: UtcMs,
        started: Instant,
        speed: f64,
    },
    ByHand {
        at: AtomicI64,
        corrected_by: AtomicI64,
    },
}

/// Not corrected.
const AS_IT_IS: i64 = i64::MIN;

impl Clock {
    /// The machine's clock.
    #[must_use]
    pub fn machine() -> Self {
        Self(Arc::new(Kind::Machine {
            started: Instant::now(),
            ahead: AS_IT_IS.into(),
        }))
    }

    /// Starts at `from` and runs `speed` times as fast as the machine's monotonic clock.
    #[must_use]
    pub fn faster(from: UtcMs, speed: f64) -> Self {
        Self(Arc::new(Kind::Faster {
            from,
            started: Instant::now(),
            speed,
        }))
    }

    /// Stands still until [`Clock::set`].
    #[must_use]
    pub fn by_hand(at: UtcMs) -> Self {
        Self(Arc::new(Kind::ByHand {
            at: at.0.into(),
            corrected_by: 0.into(),
        }))
    }

    /// The moment it is.
    #[must_use]
    pub fn now(&self) -> UtcMs {
        match &*self.0 {
            Kind::Machine { started, ahead } => match ahead.load(SeqCst) {
                AS_IT_IS => machine_now(),
                ahead => UtcMs(ahead).plus_ms(elapsed_ms(*started)),
            },
            Kind::Faster {
                from,
                started,
                speed,
            } => from.plus_ms((started.elapsed().as_secs_f64() * 1000.0 * speed) as i64),
            Kind::ByHand { at, corrected_by } => {
                UtcMs(at.load(SeqCst)).plus_ms(corrected_by.load(SeqCst))
            }
        }
    }

    /// What the machine's clock says, whatever this one was corrected to.
    #[must_use]
    pub fn uncorrected(&self) -> UtcMs {
        match &*self.0 {
            Kind::Machine { .. } => machine_now(),
            Kind::Faster { .. } => self.now(),
            Kind::ByHand { at, .. } => UtcMs(at.load(SeqCst)),
        }
    }

    /// Whether this clock follows the machine's: the demo's has a time of its own.
    #[must_use]
    pub fn can_be_corrected(&self) -> bool {
        !matches!(&*self.0, Kind::Faster { .. })
    }

    /// It is `now`, whatever the machine's clock says (a faster one cannot be told).
    pub fn correct(&self, now: UtcMs) {
        match &*self.0 {
            Kind::Machine { started, ahead } => {
                ahead.store(now.0.saturating_sub(elapsed_ms(*started)), SeqCst);
            }
            Kind::Faster { .. } => {}
            Kind::ByHand { at, corrected_by } => {
                corrected_by.store(now.0.saturating_sub(at.load(SeqCst)), SeqCst);
            }
        }
    }

    /// The machine's clock is right again.
    pub fn take_back(&self) {
        match &*self.0 {
            Kind::Machine { ahead, .. } => ahead.store(AS_IT_IS, SeqCst),
            Kind::Faster { .. } => {}
            Kind::ByHand { corrected_by, .. } => corrected_by.store(0, SeqCst),
        }
    }

    /// By how much this clock is ahead of the machine's, if it was corrected, ms.
    #[must_use]
    pub fn corrected_by_ms(&self) -> Option<i64> {
        let corrected = match &*self.0 {
            Kind::Machine { ahead, .. } => ahead.load(SeqCst) != AS_IT_IS,
            Kind::Faster { .. } => false,
            Kind::ByHand { corrected_by, .. } => corrected_by.load(SeqCst) != 0,
        };
        corrected.then(|| self.now().0.saturating_sub(self.uncorrected().0))
    }

    /// Sets a clock made by [`Clock::by_hand`]; the others ignore it.
    pub fn set(&self, at: UtcMs) {
        if let Kind::ByHand { at: cell, .. } = &*self.0 {
            cell.store(at.0, SeqCst);
        }
    }

    /// How long to really wait for `span` of this clock's time to pass.
    #[must_use]
    pub fn real(&self, span: Duration) -> Duration {
        match &*self.0 {
            Kind::Faster { speed, .. } => span.div_f64(speed.max(1e-3)),
            _ => span,
        }
    }
}

fn elapsed_ms(since: Instant) -> i64 {
    i64::try_from(since.elapsed().as_millis()).unwrap_or(i64::MAX)
}

#[expect(
    clippy::disallowed_methods,
    reason = "the one place that reads the machine's clock"
)]
fn machine_now() -> UtcMs {
    // A machine that booted before 1970 reads as 1970: times are marked, nothing is refused.
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    UtcMs(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_is_written_with_decimals_only_when_they_matter() {
        for text in ["2026-01-10T06:05:00Z", "2026-01-10T06:05:00.250Z"] {
            assert_eq!(UtcMs::parse(text).unwrap().to_string(), text);
        }
        assert_eq!(
            UtcMs::parse("2026-01-10T07:05:00+01:00")
                .unwrap()
                .to_string(),
            "2026-01-10T06:05:00Z"
        );
        assert!(
            UtcMs::parse("yesterday")
                .unwrap_err()
                .contains("`yesterday`")
        );
    }

    #[test]
    fn a_corrected_clock_goes_on_from_there_and_back() {
        let wrong = Clock::by_hand(UtcMs(5_000));
        assert_eq!(wrong.corrected_by_ms(), None);
        wrong.correct(UtcMs(1_000_000));
        wrong.set(UtcMs(6_000));
        assert_eq!(wrong.now(), UtcMs(1_001_000));
        assert_eq!(wrong.uncorrected(), UtcMs(6_000));
        assert_eq!(wrong.corrected_by_ms(), Some(995_000));
        wrong.take_back();
        assert_eq!(wrong.now(), UtcMs(6_000));

        let machine = Clock::machine();
        let right = machine.now();
        machine.correct(right.plus_ms(3_600_000));
        let ahead = machine.corrected_by_ms().unwrap();
        assert!((3_590_000..=3_610_000).contains(&ahead), "{ahead}");
        assert!(machine.now() >= right.plus_ms(3_600_000));
        machine.take_back();
        assert_eq!(machine.corrected_by_ms(), None);
    }
}

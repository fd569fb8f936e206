//! How long to wait before trying again: one validated type, used by everything that retries.

use std::time::Duration;

/// Doubling waits between a shortest and a longest, spread by chance so that many clients of one
/// server do not come back at the same moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Backoff {
    shortest: Duration,
    longest: Duration,
    spread: f64,
}

impl Backoff {
    /// To a broker: back within five seconds of its return.
    pub const BROKER: Self = Self {
        shortest: Duration::from_secs(1),
        longest: Duration::from_secs(4),
        spread: 0.25,
    };
    /// To InfluxDB and the channels.
    pub const SERVER: Self = Self {
        shortest: Duration::from_secs(1),
        longest: Duration::from_secs(30),
        spread: 0.25,
    };

    /// Waits from `shortest` to `longest`, each up to `spread` (a share, 0 to 1) shorter by chance.
    ///
    /// # Errors
    /// One line, if they make no sense.
    pub fn new(shortest: Duration, longest: Duration, spread: f64) -> Result<Self, &'static str> {
        if shortest.is_zero() || longest < shortest {
            return Err("the shortest wait must be above zero and not above the longest");
        }
        if !(0.0..=1.0).contains(&spread) {
            return Err("the spread of waits is a share from 0 to 1");
        }
        Ok(Self {
            shortest,
            longest,
            spread,
        })
    }

    /// The wait after so many failures in a row (1 for the first).
    #[must_use]
    pub fn wait(&self, failures: u32) -> Duration {
        self.wait_by(failures, rand::random())
    }

    fn wait_by(&self, failures: u32, chance: f64) -> Duration {
        let doublings = failures.saturating_sub(1).min(31);
        let full = self
            .shortest
            .saturating_mul(1 << doublings)
            .min(self.longest);
        full.mul_f64(1.0 - self.spread * chance.clamp(0.0, 1.0))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn waits_stay_in_bounds_and_grow(
            low in 1_u64..10_000, more in 0_u64..100_000, spread in 0.0..=1.0_f64,
            failures in 0_u32.., chance in 0.0..=1.0_f64,
        ) {
            let (low, high) = (Duration::from_millis(low), Duration::from_millis(low + more));
            let backoff = Backoff::new(low, high, spread).unwrap();
            let wait = backoff.wait_by(failures, chance);
            prop_assert!(wait <= high);
            prop_assert!(wait.as_secs_f64() >= low.as_secs_f64() * (1.0 - spread) - 1e-9);
            prop_assert!(backoff.wait_by(failures.saturating_add(1), chance) >= wait);
        }
    }

    #[test]
    fn nonsense_is_refused() {
        let second = Duration::from_secs(1);
        assert!(Backoff::new(Duration::ZERO, second, 0.1).is_err());
        assert!(Backoff::new(second * 2, second, 0.1).is_err());
        assert!(Backoff::new(second, second, 1.5).is_err());
    }
}

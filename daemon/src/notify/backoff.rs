//! Waiting before the next try: one validated type, never an ad-hoc sleep loop.

use std::time::Duration;

/// Doubles from `min` to `max`; each wait is shortened at random by up to `jitter` of itself, so
/// that those who failed together do not come back together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Backoff {
    min: Duration,
    max: Duration,
    jitter: f64,
}

/// For channels: 1 s, doubling to half a minute.
pub const CHANNEL: Backoff = Backoff {
    min: Duration::from_secs(1),
    max: Duration::from_secs(30),
    jitter: 0.3,
};

impl Backoff {
    /// A checked back-off.
    ///
    /// # Errors
    /// If `min` is zero or over `max`, or `jitter` is not in 0..1.
    pub fn new(min: Duration, max: Duration, jitter: f64) -> Result<Self, String> {
        if min.is_zero() || min > max {
            return Err(format!(
                "back-off from {min:?} to {max:?}: begin above zero, end later"
            ));
        }
        if !(0.0..1.0).contains(&jitter) {
            return Err(format!("back-off jitter {jitter}: from 0 to less than 1"));
        }
        Ok(Self { min, max, jitter })
    }

    /// The wait after so many failed tries (the first is 0), for a random number in 0..1.
    #[must_use]
    pub fn wait(&self, tries: u32, random: f64) -> Duration {
        let doubled = self
            .min
            .saturating_mul(2u32.saturating_pow(tries.min(31)))
            .min(self.max);
        doubled.mul_f64(1.0 - self.jitter * random.clamp(0.0, 1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_wait_lies_between_the_bounds(
            min_ms in 1u64..10_000, more_ms in 0u64..100_000, jitter in 0.0..0.99f64,
            tries in 0u32..1_000_000, random in 0.0..1.0f64,
        ) {
            let (min, max) = (Duration::from_millis(min_ms), Duration::from_millis(min_ms + more_ms));
            let backoff = Backoff::new(min, max, jitter).unwrap();
            let wait = backoff.wait(tries, random);
            prop_assert!(wait <= max);
            prop_assert!(wait.as_secs_f64() >= min.as_secs_f64() * (1.0 - jitter) - 1e-9);
            prop_assert!(backoff.wait(tries.saturating_add(1), random) >= wait);
        }
    }

    #[test]
    fn nonsense_is_refused() {
        let second = Duration::from_secs(1);
        assert!(Backoff::new(Duration::ZERO, second, 0.1).is_err());
        assert!(Backoff::new(second * 2, second, 0.1).is_err());
        assert!(Backoff::new(second, second, 1.0).is_err());
        assert!(Backoff::new(second, second, f64::NAN).is_err());
        assert_eq!(
            Backoff::new(CHANNEL.min, CHANNEL.max, CHANNEL.jitter),
            Ok(CHANNEL)
        );
    }
}

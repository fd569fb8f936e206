//! Chance, from a seed: the same seed gives the same kitchen.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A stream of chance. ChaCha gives the same stream on every machine and in every release.
#[derive(Clone, Debug)]
pub struct Chance(ChaCha8Rng);

impl Chance {
    /// Starts a stream.
    #[must_use]
    pub fn from_seed(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    /// A stream of its own, so that one part of the kitchen drawing more does not change another.
    pub fn branch(&mut self) -> Self {
        Self::from_seed(self.0.random())
    }

    /// Evenly between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    /// A normal deviate (Box and Muller 1958).
    pub fn normal(&mut self, mean: f64, sd: f64) -> f64 {
        // 1 - u lies in (0, 1], so the logarithm is finite.
        let radius = (-2.0 * (1.0 - self.0.random::<f64>()).ln()).sqrt();
        let angle = std::f64::consts::TAU * self.0.random::<f64>();
        mean + sd * radius * angle.cos()
    }

    /// A factor about 1: the exponential of a normal deviate.
    pub fn factor(&mut self, sd_ln: f64) -> f64 {
        self.normal(0.0, sd_ln).exp()
    }

    /// Whether something of this probability happens.
    pub fn happens(&mut self, probability: f64) -> bool {
        self.0.random::<f64>() < probability
    }
}

/// Noise that wanders and comes back (Ornstein and Uhlenbeck): draughts, sun, people about.
#[derive(Clone, Debug)]
pub struct Wander {
    sd: f64,
    relaxes_in_s: f64,
    now: f64,
}

impl Wander {
    /// Starts at a random place of its own range.
    pub fn new(sd: f64, relaxes_in_s: f64, chance: &mut Chance) -> Self {
        Self {
            sd,
            relaxes_in_s,
            now: chance.normal(0.0, sd),
        }
    }

    /// Where it is after `dt_s` more (the process's exact step).
    pub fn step(&mut self, dt_s: f64, chance: &mut Chance) -> f64 {
        let keeps = (-dt_s / self.relaxes_in_s).exp();
        self.now = self.now * keeps + chance.normal(0.0, self.sd * (1.0 - keeps * keeps).sqrt());
        self.now
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn deviates_have_the_moments_asked_for() {
        let mut chance = Chance::from_seed(7);
        let n = 40_000;
        let drawn: Vec<f64> = (0..n).map(|_| chance.normal(3.0, 2.0)).collect();
        let mean = drawn.iter().sum::<f64>() / f64::from(n);
        let var = drawn.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / f64::from(n);
        // Four standard errors: 2/sqrt(n) of the mean, sd/sqrt(2n) of the sd.
        assert!((mean - 3.0).abs() < 0.04, "{mean}");
        assert!((var.sqrt() - 2.0).abs() < 0.03, "{}", var.sqrt());
    }

    #[test]
    fn wandering_keeps_its_spread_whatever_the_step() {
        for dt in [5.0, 600.0] {
            let mut chance = Chance::from_seed(11);
            let mut wander = Wander::new(0.5, 1800.0, &mut chance);
            let steps = (2_000.0 * 1800.0 / dt) as usize;
            let square: f64 = (0..steps)
                .map(|_| wander.step(dt, &mut chance).powi(2))
                .sum();
            let sd = (square / steps as f64).sqrt();
            // About 1000 independent values: a standard error of 2 %.
            assert!((sd - 0.5).abs() < 0.05, "step {dt} s: {sd}");
        }
    }
}

//! Seeded chance for the simulations: normal deviates on top of any generator.

use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Draws that the simulations need and `rand` alone does not have.
pub trait Chance: Rng {
    /// A standard normal deviate (Box & Muller 1958).
    fn normal(&mut self) -> f64 {
        let u: f64 = 1.0 - self.random::<f64>();
        let v: f64 = self.random::<f64>();
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }

    /// Uniform in the logarithm.
    fn log_uniform(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.random::<f64>())
    }
}

impl<R: Rng + ?Sized> Chance for R {}

/// A generator for one named stream of one seed: streams do not disturb one another.
pub fn stream(seed: u64, number: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(number);
    rng
}

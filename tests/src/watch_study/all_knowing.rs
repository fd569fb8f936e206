//! The all-knowing forecaster: it knows the law and all its constants, the dough's temperature at
//! the beginning, the true air from beginning to end, how batches spread and how well a baker reads
//! a rise. It does not know this batch's speed and films: of these it has what the spread and the
//! rise readings so far tell, by Bayes' rule on a grid. Nobody can do better on average.

use doughwarden::time::UtcMs;

use super::night::{Night, RISE_SD, STEP_S};

/// Speeds on the grid, to three standard deviations either side.
const SPEEDS: usize = 31;
/// What films keep, likewise.
const FILMS: usize = 9;
/// Sd of the logarithm of what a batch's films keep, as batches are drawn.
const FILMS_SD: f64 = 0.05;
/// Readings are rounded to twentieths.
const ROUNDING_VAR: f64 = 0.05 * 0.05 / 12.0;

/// One speed's future.
struct Future {
    prior: f64,
    ready: UtcMs,
    rises: Vec<f64>,
}

/// Everything it knows of one night.
pub struct AllKnowing {
    futures: Vec<Future>,
    rises: Vec<(UtcMs, f64)>,
}

impl AllKnowing {
    /// Runs every speed through the night's true air.
    #[must_use]
    pub fn of(night: &Night) -> Self {
        let begin = night.scene.begin;
        let last = night.air_c.last().copied().unwrap_or(night.scene.room_c);
        let futures = (0..SPEEDS)
            .map(|i| {
                let z = 6.0 * (i as f64 / (SPEEDS - 1) as f64) - 3.0;
                let mut proof = night.usual.clone();
                proof.hurry((z * night.scene.speed_sd).exp());
                let mut rises = Vec::new();
                let mut step = 0;
                while proof.ready_after_s().is_none() || rises.len() < night.rises.len() {
                    // Double steps: the air moves in minutes.
                    let air_c = night.air_c.get(step).copied().unwrap_or(last);
                    proof.step(2.0 * STEP_S, air_c);
                    step += 2;
                    if let Some((at, _)) = night.rises.get(rises.len())
                        && begin.seconds_since(*at) + proof.elapsed_s() >= 0.0
                    {
                        rises.push(proof.rise());
                    }
                    if step as f64 * STEP_S > 48.0 * 3600.0 {
                        break;
                    }
                }
                let ready_s = proof.ready_after_s().unwrap_or(48.0 * 3600.0);
                Future {
                    prior: (-0.5 * z * z).exp(),
                    ready: begin.plus_ms((ready_s * 1000.0) as i64),
                    rises,
                }
            })
            .collect();
        Self {
            futures,
            rises: night.rises.clone(),
        }
    }

    /// The median of when it is ready, from what is known at a moment.
    #[must_use]
    pub fn median(&self, at: UtcMs) -> UtcMs {
        let mut weighed: Vec<(UtcMs, f64)> = self
            .futures
            .iter()
            .map(|f| (f.ready, f.prior * self.likelihood(f, at)))
            .collect();
        weighed.sort_by_key(|(ready, _)| *ready);
        let total: f64 = weighed.iter().map(|(_, w)| w).sum();
        // Each weight stands for the stretch half way to its neighbours; the median lies between
        // the middles of two of them.
        let mut below = 0.0;
        let mut last: Option<(UtcMs, f64)> = None;
        for (ready, weight) in weighed {
            let middle = below + 0.5 * weight;
            if middle >= 0.5 * total {
                let Some((earlier, before)) = last else {
                    return ready;
                };
                let part = (0.5 * total - before) / (middle - before).max(1e-300);
                return earlier.plus_ms(((ready.0 - earlier.0) as f64 * part) as i64);
            }
            below += weight;
            last = Some((ready, middle));
        }
        last.map_or(at, |(ready, _)| ready)
    }

    fn likelihood(&self, future: &Future, at: UtcMs) -> f64 {
        (0..FILMS)
            .map(|i| {
                let z = 6.0 * (i as f64 / (FILMS - 1) as f64) - 3.0;
                let keeps = (z * FILMS_SD).exp();
                let fit: f64 = self
                    .rises
                    .iter()
                    .zip(&future.rises)
                    .filter(|((time, _), _)| *time <= at)
                    .map(|((_, seen), true_rise)| {
                        let off = seen - keeps * true_rise;
                        -0.5 * off * off / (RISE_SD * RISE_SD + ROUNDING_VAR)
                    })
                    .sum();
                (fit - 0.5 * z * z).exp()
            })
            .sum()
    }
}

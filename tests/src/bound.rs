//! The bound: a particle filter that is told the true law, its constants, each recipe's true speed and
//! targets, the true air, how rooms wander, and every noise level, so that only chance is left.
//!
//! No forecaster that has to learn from a log book can do better on average. Chance is what a batch
//! brings (yeast, flour, the eye), the dough's temperature at mixing, the wander of its rate, and the
//! air still to come. Sequential importance resampling (Gordon, Salmond & Smith 1993, IEE Proc. F
//! 140:107) with systematic resampling when the effective sample falls below a third.

use crate::books::{BEFORE_MIN, LAST_LOOK_MIN, Note, TrueBatch, TrueStage, noise};
use crate::chance::{Chance, stream};
use crate::house::{self, Kitchen};
use crate::laws::{self, BatchChance, Dough, Law, Recipe, Stage};
use crate::study::Quantiles;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use statrs::function::erf::erf;

/// Particles: at 1,000 the bound's own sampling error in a median is about 0.2 min.
pub const PARTICLES: usize = 1000;
/// A particle not ready so long after the moment asked counts as ready then, min.
const AHEAD_MIN: usize = 420;

#[derive(Clone, Copy)]
struct Particle {
    chance: BatchChance,
    dough: Dough,
    readiness: f64,
    /// When this stage became ready, minutes from its start.
    ready_min: Option<f64>,
    weight: f64,
}

/// The bound's quantiles of ready time, in minutes from the stage's start, for each stage at each
/// share of its true time.
pub fn ask(
    law: &dyn Law,
    kitchen: &Kitchen,
    batch: &TrueBatch,
    shares: &[f64],
    seed: u64,
) -> [Vec<Quantiles>; 2] {
    let mut rng = stream(seed, 1);
    let recipe = &kitchen.recipes[batch.recipe];
    let mut particles = mixed(law, kitchen, batch, recipe, &mut rng);
    let bulk = Filter {
        law,
        kitchen,
        batch,
        recipe,
        stage: Stage::Bulk,
    };
    let first = bulk.run(&mut particles, shares, &mut rng);
    let bench = batch.stages[1].start_min - batch.stages[0].end_min;
    for p in &mut particles {
        p.dough = law.shaped(recipe, &p.dough);
        p.dough.rest_on_bench(
            batch.room_c[BEFORE_MIN + batch.stages[0].end_min],
            bench as f64,
        );
        p.ready_min = None;
        p.readiness = law.readiness(recipe, Stage::Final, p.chance.eye[1], &p.dough);
        if let Some(seen) = batch.stages[1].start_c {
            p.weight *= gauss(p.dough.mean_c() - seen, noise::DOUGH_C);
        }
    }
    let last = Filter {
        stage: Stage::Final,
        ..bulk
    };
    let second = last.run(&mut particles, shares, &mut rng);
    [first, second]
}

fn mixed(
    law: &dyn Law,
    kitchen: &Kitchen,
    batch: &TrueBatch,
    recipe: &Recipe,
    rng: &mut ChaCha8Rng,
) -> Vec<Particle> {
    let habit = kitchen.mixed_c(batch.room_c[BEFORE_MIN]);
    // Normal prior and normal reading: the posterior in closed form.
    let (mean, sd) = match batch.stages[0].start_c {
        Some(seen) => {
            let (a, b) = (noise::START_C.powi(-2), noise::DOUGH_C.powi(-2));
            ((a * habit + b * seen) / (a + b), (a + b).powf(-0.5))
        }
        None => (habit, noise::START_C),
    };
    (0..PARTICLES)
        .map(|_| {
            let chance = BatchChance::draw(batch.dose_ratio, rng);
            let dough = law.mixed(recipe, mean + sd * rng.normal());
            let readiness = law.readiness(recipe, Stage::Bulk, chance.eye[0], &dough);
            Particle {
                chance,
                dough,
                readiness,
                ready_min: None,
                weight: 1.0,
            }
        })
        .collect()
}

#[derive(Clone, Copy)]
struct Filter<'a> {
    law: &'a dyn Law,
    kitchen: &'a Kitchen,
    batch: &'a TrueBatch,
    recipe: &'a Recipe,
    stage: Stage,
}

impl Filter<'_> {
    fn truth(&self) -> &TrueStage {
        &self.batch.stages[self.stage.index()]
    }

    /// Carries the particles through the stage as logged, asking at each share on the way.
    fn run(
        &self,
        particles: &mut Vec<Particle>,
        shares: &[f64],
        rng: &mut ChaCha8Rng,
    ) -> Vec<Quantiles> {
        let truth = self.truth();
        let mut out = Vec::new();
        for minute in 0..truth.end_min {
            let air = self.batch.air_c[BEFORE_MIN + truth.start_min + minute];
            for p in particles.iter_mut() {
                self.advance(p, minute, air, rng);
            }
            let clock = minute + 1;
            for (_, n) in truth.notes.iter().filter(|(m, _)| *m == clock) {
                for p in particles.iter_mut() {
                    p.weight *= self.likelihood(p, n);
                    // Looked at and left standing: not ready.
                    if clock < truth.end_min && p.ready_min.is_some() {
                        p.weight = 0.0;
                    }
                }
                self.resample(particles, rng);
            }
            while out.len() < shares.len()
                && clock as f64 + 1.0 > shares[out.len()] * truth.ready_min
            {
                let at = shares[out.len()] * truth.ready_min;
                out.push(self.look_ahead(particles, clock, at, rng));
            }
        }
        for p in particles.iter_mut() {
            p.weight *= self.ended(p);
        }
        self.resample(particles, rng);
        out
    }

    fn advance(&self, p: &mut Particle, minute: usize, air: f64, rng: &mut ChaCha8Rng) {
        laws::step(
            self.law,
            self.recipe,
            self.stage,
            &p.chance,
            &mut p.dough,
            air,
            rng,
        );
        let now = self.law.readiness(
            self.recipe,
            self.stage,
            p.chance.eye[self.stage.index()],
            &p.dough,
        );
        if p.ready_min.is_none() && now >= 1.0 {
            p.ready_min = Some(minute as f64 + (1.0 - p.readiness) / (now - p.readiness));
        }
        p.readiness = now;
    }

    /// The particles that are not ready yet, each with an air of its own, until they are.
    fn look_ahead(
        &self,
        particles: &[Particle],
        clock: usize,
        at: f64,
        rng: &mut ChaCha8Rng,
    ) -> Quantiles {
        let begin = BEFORE_MIN + self.truth().start_min + clock;
        let mut ready: Vec<(f64, f64)> = Vec::with_capacity(particles.len());
        for p in particles
            .iter()
            .filter(|p| p.weight > 0.0 && p.ready_min.is_none_or(|m| m > at))
        {
            let mut p = *p;
            let mut wander = self.batch.room_c[begin - 1] - self.batch.room_mean_c[begin - 1];
            let mut box_c = self.batch.air_c[begin - 1];
            for ahead in 0..AHEAD_MIN {
                if p.ready_min.is_some() {
                    break;
                }
                let i = (begin + ahead).min(self.batch.room_mean_c.len() - 1);
                wander = house::room_step(wander, rng);
                let room_c = self.batch.room_mean_c[i] + wander;
                box_c = if self.batch.lamp {
                    house::box_step(box_c, room_c, self.kitchen)
                } else {
                    room_c
                };
                self.advance(&mut p, clock + ahead, box_c, rng);
            }
            ready.push((p.ready_min.unwrap_or((clock + AHEAD_MIN) as f64), p.weight));
        }
        weighted_quantiles(ready, at)
    }

    fn likelihood(&self, p: &Particle, n: &Note) -> f64 {
        const FLOOR: f64 = 1e-6;
        // Which kind of note the baker takes depends on how far the dough seems.
        let presses = if p.readiness > 0.45 { 0.45 } else { 0.0 };
        FLOOR
            + match *n {
                Note::DoughTemperature(c) => gauss(p.dough.mean_c() - c, noise::DOUGH_C),
                Note::Dent(d) => {
                    let below = |edge: f64| phi((edge / p.readiness.max(1e-6)).ln() / noise::DENT);
                    let (slow, stays) = (below(noise::DENT_SLOW), below(noise::DENT_STAYS));
                    let clear = [slow, stays - slow, 1.0 - stays][(d + 1) as usize];
                    presses * ((1.0 - noise::DENT_WRONG) * clear + noise::DENT_WRONG / 3.0)
                }
                Note::Rise(seen) => {
                    let rise = self.law.rise(&p.dough);
                    let sd = (noise::RISE_RELATIVE * rise).hypot(noise::RISE_ABSOLUTE);
                    let upper = phi((seen + 0.5 * noise::RISE_STEP - rise) / sd);
                    let lower = if seen <= 0.0 {
                        0.0
                    } else {
                        phi((seen - 0.5 * noise::RISE_STEP - rise) / sd)
                    };
                    (1.0 - presses) * (upper - lower)
                }
            }
    }

    /// Likelihood of the stage's end: ready since the last look, whose spacing is even in the logarithm.
    fn ended(&self, p: &Particle) -> f64 {
        let Some(ready) = p.ready_min else { return 0.0 };
        let delay = (self.truth().end_min as f64 - ready).max(0.0);
        let look = (1.0 / delay.max(LAST_LOOK_MIN.0) - 1.0 / LAST_LOOK_MIN.1).max(0.0);
        let below = |edge: f64| phi((edge / p.readiness.max(1e-6)).ln() / 0.05);
        let called = match self.truth().outcome {
            "ready" => below(1.35) - below(0.88),
            "over" => 1.0 - below(1.35),
            _ => 0.0,
        };
        look * (0.96 * called + 0.01)
    }

    /// Systematic resampling, when too few particles carry the weight.
    fn resample(&self, particles: &mut Vec<Particle>, rng: &mut ChaCha8Rng) {
        let total: f64 = particles.iter().map(|p| p.weight).sum();
        if total <= 0.0 || total.is_nan() {
            // Chance went where no particle is: start again from the prior weights.
            particles.iter_mut().for_each(|p| p.weight = 1.0);
            return;
        }
        let n = particles.len() as f64;
        particles.iter_mut().for_each(|p| p.weight *= n / total);
        let effective = n * n / particles.iter().map(|p| p.weight * p.weight).sum::<f64>();
        if effective > n / 3.0 {
            return;
        }
        let mut next = rng.random::<f64>();
        let (mut seen, mut drawn) = (0.0, Vec::with_capacity(particles.len()));
        for p in particles.iter() {
            seen += p.weight;
            while next < seen && drawn.len() < particles.len() {
                drawn.push(Particle { weight: 1.0, ..*p });
                next += 1.0;
            }
        }
        *particles = drawn;
    }
}

fn gauss(d: f64, sd: f64) -> f64 {
    (-0.5 * (d / sd).powi(2)).exp()
}

fn phi(z: f64) -> f64 {
    0.5 * (1.0 + erf(z * std::f64::consts::FRAC_1_SQRT_2))
}

/// Quantiles of weighted values, linear between the weights' midpoints, none below `floor`.
fn weighted_quantiles(mut values: Vec<(f64, f64)>, floor: f64) -> Quantiles {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = values.iter().map(|v| v.1).sum();
    let at = |share: f64| {
        let (mut sum, mut before) = (0.0, None);
        for &(value, weight) in &values {
            let middle = (sum + 0.5 * weight) / total;
            if middle >= share {
                return match before {
                    Some((v, m)) => v + (value - v) * (share - m) / (middle - m),
                    None => value,
                };
            }
            sum += weight;
            before = Some((value, middle));
        }
        values.last().map_or(floor, |v| v.0)
    };
    Quantiles {
        p10: at(0.1).max(floor),
        p50: at(0.5).max(floor),
        p90: at(0.9).max(floor),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weighted_quantiles_of_an_even_grid() {
        let q = weighted_quantiles((0..1000).map(|i| (f64::from(i), 1.0)).collect(), 0.0);
        assert!(
            (q.p10 - 99.5).abs() < 1.0
                && (q.p50 - 499.5).abs() < 1.0
                && (q.p90 - 899.5).abs() < 1.0
        );
    }

    /// A filter that knows the law must be calibrated under it: the 80 % interval covers 80 %.
    /// 240 points, three to a stage, so about 120 independent ones: two-sided 99.9 % of a binomial.
    #[test]
    fn the_bound_is_calibrated() {
        let (mut inside, mut n) = (0, 0);
        for law in laws::all() {
            for number in 0..4 {
                let book = crate::books::book(law.as_ref(), 5, number, 0, 10);
                for (i, b) in book.batches.iter().enumerate() {
                    let answers = ask(law.as_ref(), &book.kitchen, b, &[0.25, 0.75], i as u64);
                    for (s, qs) in b.stages.iter().zip(&answers) {
                        for q in qs {
                            n += 1;
                            inside += usize::from(q.p10 <= s.ready_min && s.ready_min <= q.p90);
                        }
                    }
                }
            }
        }
        let coverage = inside as f64 / n as f64;
        assert!(
            (0.72..0.88).contains(&coverage),
            "coverage {coverage} of {n}"
        );
    }
}

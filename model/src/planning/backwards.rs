//! From the hour it must be on the table back to mixing, through both proofs.
//!
//! ```text
//! table = start + mixing + bulk + shaping + final proof + baking + cooling
//! ```
//! Mixing to cooling are times with a spread; a proof lasts until the dough's age reaches its own, which
//! is uncertain (`ln W` normal, both proofs sharing the part that is the day's yeast), at an air that
//! is uncertain too (each place's forecast off as a whole). Those that bend the way (ages, airs, the
//! dough's start) are drawn evenly, by Halton's sequence (1960) through the normal quantile, always
//! the same; the rest (times by the clock, how often
//! somebody looks) is added as a normal:
//! ```text
//! chance of being late = mean over draws of Φ((table_i - wanted)/s),   s² = sum of the steps' variances
//! ```

use super::ProofAge;
use super::course::{Course, LONGEST_MIN, Place, walk};
use crate::age::AgePath;
use crate::cardinal::{REFERENCE_C, RateLaw};
use crate::censored::normal_cdf;
use crate::heat::lag_step;
use crate::refusal::{Refusal, within};
use statrs::distribution::{ContinuousCDF, Normal};

/// Draws of what bends the way: enough for a chance of 5 % to half a percent.
const DRAWS: usize = 256;
/// Places a plan may name: each is one more dimension to draw in.
const MOST_PLACES: usize = 6;
/// A prime for each dimension: four of the dough's own and one for each place.
const HALTON_BASES: [usize; 4 + MOST_PLACES] = [2, 3, 5, 7, 11, 13, 17, 19, 23, 29];
/// Least spread a smooth chance needs, minutes.
const LEAST_SD_MIN: f64 = 1.0;
/// Rounds of the search for a start; each brings it several times nearer.
const MOST_ROUNDS: usize = 40;

/// Something that takes its time by the clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Usual time, minutes.
    pub minutes: f64,
    /// Its standard deviation, minutes.
    pub sd_min: f64,
}

impl Step {
    /// A time good to a tenth.
    ///
    /// ```
    /// use doughwarden_model::planning::Step;
    /// assert_eq!(Step::about(20.0).sd_min, 2.0);
    /// ```
    pub fn about(minutes: f64) -> Self {
        Self {
            minutes,
            sd_min: 0.1 * minutes,
        }
    }

    fn checked(self) -> Result<(), Refusal> {
        within("time of a step, min", self.minutes, 0.0, LONGEST_MIN)?;
        within("spread of a step, min", self.sd_min, 0.0, LONGEST_MIN).map(drop)
    }
}

/// A stay in one of the plan's places.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stay {
    /// Which, by its number in [`Bake::places`].
    pub place: usize,
    /// How long, minutes; without it, until ready.
    pub for_min: Option<f64>,
}

/// One proof of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Proof {
    /// When it is ready.
    pub age: ProofAge,
    /// How the dough lags behind its air, minutes.
    pub tau_min: f64,
    /// Where it stands, in order: a night in the fridge is a stay of its own.
    pub stays: Vec<Stay>,
}

impl Proof {
    /// A proof in one place throughout.
    ///
    /// ```
    /// use doughwarden_model::planning::{Proof, ProofAge};
    /// let bulk = Proof::at(0, ProofAge::of_minutes(75.0, 0.2)?, 60.0);
    /// assert!(bulk.stays.len() == 1 && bulk.stays[0].for_min.is_none());
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn at(place: usize, age: ProofAge, tau_min: f64) -> Self {
        Self {
            age,
            tau_min,
            stays: vec![Stay {
                place,
                for_min: None,
            }],
        }
    }
}

/// A bake to be planned.
#[derive(Debug, Clone, PartialEq)]
pub struct Bake {
    /// The places it goes through.
    pub places: Vec<Place>,
    /// Temperature law with the house's tilt.
    pub law: RateLaw,
    /// Weighing and mixing.
    pub mixing: Step,
    /// The dough out of the mixer, °C.
    pub dough_c: f64,
    /// How far it may be off, °C.
    pub dough_sd_c: f64,
    /// The proof in one piece.
    pub bulk: Proof,
    /// Dividing and shaping, in the place where bulk ended.
    pub shaping: Step,
    /// The proof of the shaped pieces.
    pub final_proof: Proof,
    /// In the oven.
    pub baking: Step,
    /// Until it can be cut.
    pub cooling: Step,
    /// The share of the two proofs' variance that they have in common, 0 to 1.
    pub shared: f64,
    /// Somebody looks in so often, minutes: a ready dough waits half of it.
    pub look_every_min: f64,
}

/// A moment of a plan, as 10 %, 50 % and 90 % of the chance; none where it does not come in three days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// Early: one time in ten it is before this.
    pub p10: Option<f64>,
    /// Even chances.
    pub p50: Option<f64>,
    /// Late: one time in ten it is after this.
    pub p90: Option<f64>,
}

/// What becomes of a start.
#[derive(Debug, Clone, PartialEq)]
pub struct Timetable {
    /// Mixing begins.
    pub start_min: f64,
    /// Mixed; bulk begins.
    pub mixed: Moment,
    /// Bulk is ready (and somebody has seen it).
    pub bulk_ready: Moment,
    /// Shaped; the final proof begins.
    pub shaped: Moment,
    /// Ready for the oven.
    pub ready_to_bake: Moment,
    /// On the table.
    pub table: Moment,
    /// Dough at the end of the final proof in the middle draw, °C.
    pub dough_at_bake_c: f64,
    tables: Smooth,
}

impl Timetable {
    /// The chance that it is not on the table by `minute`.
    ///
    /// ```
    /// use doughwarden_model::{cardinal::RateLaw, planning::*};
    /// let proof = |minutes| Ok::<_, doughwarden_model::refusal::Refusal>(Proof::at(0, ProofAge::of_minutes(minutes, 0.15)?, 30.0));
    /// let bake = Bake { places: vec![Place::steady("shelf", 25.0, 1.0)], law: RateLaw::default(),
    ///     mixing: Step::about(20.0), dough_c: 25.0, dough_sd_c: 1.0, bulk: proof(75.0)?,
    ///     shaping: Step::about(20.0), final_proof: proof(50.0)?, baking: Step::about(20.0),
    ///     cooling: Step::about(30.0), shared: 0.5, look_every_min: 15.0 };
    /// let day = bake.run(480.0)?;
    /// assert!(day.chance_late(day.table.p10.unwrap()) > 0.8 && day.chance_late(day.table.p90.unwrap()) < 0.2);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn chance_late(&self, minute: f64) -> f64 {
        1.0 - self.tables.chance_by(minute)
    }
}

/// The answer to "when must I start?".
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Mixing begins at the latest.
    pub start_min: f64,
    /// The chance of being late then.
    pub risk: f64,
    /// How it goes.
    pub timetable: Timetable,
}

/// Draws of a moment, each with a normal around it.
#[derive(Debug, Clone, PartialEq)]
struct Smooth {
    values: Vec<f64>,
    sd: f64,
}

impl Smooth {
    fn chance_by(&self, minute: f64) -> f64 {
        let sum: f64 = self
            .values
            .iter()
            .map(|v| normal_cdf((minute - v) / self.sd))
            .sum();
        sum / self.values.len().max(1) as f64
    }

    fn quantile(&self, p: f64) -> Option<f64> {
        let finite = || self.values.iter().copied().filter(|v| v.is_finite());
        let mut low = finite().fold(f64::INFINITY, f64::min) - 6.0 * self.sd;
        let mut high = finite().fold(f64::NEG_INFINITY, f64::max) + 6.0 * self.sd;
        if low > high || self.chance_by(high) < p {
            return None;
        }
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.chance_by(middle) < p {
                low = middle
            } else {
                high = middle
            }
        }
        Some(0.5 * (low + high))
    }

    fn moment(&self) -> Moment {
        Moment {
            p10: self.quantile(0.1),
            p50: self.quantile(0.5),
            p90: self.quantile(0.9),
        }
    }
}

/// Evenly spread standard normals in `dimensions`, the same every time; each one alone has the normal's
/// exact quantiles.
fn even_normals(draws: usize, dimensions: usize) -> Vec<Vec<f64>> {
    let normal = Normal::standard();
    let mut rows = vec![vec![0.0; dimensions]; draws];
    for (d, base) in HALTON_BASES.iter().enumerate().take(dimensions) {
        let mut order: Vec<(f64, usize)> = (0..draws)
            .map(|i| (radical_inverse(i + 1, *base), i))
            .collect();
        order.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (rank, (_, i)) in order.iter().enumerate() {
            rows[*i][d] = normal.inverse_cdf((rank as f64 + 0.5) / draws as f64);
        }
    }
    rows
}

/// The digits of `i` in `base`, mirrored at the point.
fn radical_inverse(mut i: usize, base: usize) -> f64 {
    let (mut share, mut sum) = (1.0, 0.0);
    while i > 0 {
        share /= base as f64;
        sum += share * (i % base) as f64;
        i /= base;
    }
    sum
}

impl Bake {
    fn checked(&self) -> Result<(), Refusal> {
        for place in &self.places {
            place.checked()?;
        }
        if self.places.len() > MOST_PLACES {
            return Err(Refusal::Inconsistent("a plan can name six places at most"));
        }
        within("dough out of the mixer, °C", self.dough_c, 0.0, 45.0)?;
        within(
            "doubt of the dough out of the mixer, °C",
            self.dough_sd_c,
            0.0,
            10.0,
        )?;
        within("shared part of the two proofs", self.shared, 0.0, 1.0)?;
        within("minutes between two looks", self.look_every_min, 0.0, 240.0)?;
        for step in [self.mixing, self.shaping, self.baking, self.cooling] {
            step.checked()?;
        }
        for proof in [&self.bulk, &self.final_proof] {
            proof.age.checked()?;
            within("lag of the dough, min", proof.tau_min, 0.0, 5000.0)?;
            if proof.stays.is_empty() || proof.stays.iter().any(|s| s.place >= self.places.len()) {
                return Err(Refusal::Inconsistent(
                    "a proof stands in a place the plan does not name",
                ));
            }
            for minutes in proof.stays.iter().filter_map(|s| s.for_min) {
                within("time in a place, min", minutes, 0.0, LONGEST_MIN)?;
            }
        }
        Ok(())
    }

    /// What becomes of mixing at `start_min`.
    ///
    /// ```
    /// # use doughwarden_model::{cardinal::RateLaw, planning::*};
    /// let bake = Bake {
    ///     places: vec![Place::steady("kitchen", 22.0, 1.0)], law: RateLaw::default(),
    ///     mixing: Step::about(20.0), dough_c: 25.0, dough_sd_c: 1.0,
    ///     bulk: Proof::at(0, ProofAge::of_minutes(60.0, 0.15)?, 110.0),
    ///     shaping: Step::about(20.0),
    ///     final_proof: Proof::at(0, ProofAge::of_minutes(40.0, 0.15)?, 55.0),
    ///     baking: Step::about(18.0), cooling: Step::about(25.0), shared: 0.5, look_every_min: 15.0,
    /// };
    /// let day = bake.run(7.0 * 60.0)?;
    /// assert!(day.table.p10 < day.table.p50 && day.table.p50 < day.table.p90);
    /// assert!(day.chance_late(day.table.p90.unwrap()) < 0.101);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn run(&self, start_min: f64) -> Result<Timetable, Refusal> {
        self.checked()?;
        within("start, min", start_min, -1e8, 1e8)?;
        Ok(self.run_drawn(start_min, &self.normals()))
    }

    fn normals(&self) -> Vec<Vec<f64>> {
        even_normals(DRAWS, 4 + self.places.len())
    }

    fn run_drawn(&self, start_min: f64, normals: &[Vec<f64>]) -> Timetable {
        let half_look = 0.5 * self.look_every_min;
        let look_var = self.look_every_min.powi(2) / 12.0;
        let square = |s: Step| s.sd_min * s.sd_min;
        let mixed_at = start_min + self.mixing.minutes;
        let mut draws: [Vec<f64>; 4] = Default::default();
        let mut bake_c: Vec<f64> = Vec::with_capacity(normals.len());
        for z in normals {
            let offsets: Vec<f64> = self
                .places
                .iter()
                .zip(&z[4..])
                .map(|(p, z)| p.sd_c * z)
                .collect();
            let common = self.shared.sqrt() * z[0];
            let own = (1.0 - self.shared).sqrt();
            let bulk = self.proof(
                &self.bulk,
                mixed_at,
                self.dough_c + self.dough_sd_c * z[3],
                common + own * z[1],
                &offsets,
            );
            let Some((bulk_ready, dough_c)) = bulk else {
                draws.iter_mut().for_each(|d| d.push(f64::INFINITY));
                continue;
            };
            let seen = bulk_ready + half_look;
            let shaped_at = seen + self.shaping.minutes;
            let bench = self.bench(seen, mixed_at, &offsets);
            let dough_c = lag_step(
                dough_c,
                bench,
                bench,
                half_look + self.shaping.minutes,
                self.final_proof.tau_min,
            );
            draws[0].push(seen);
            draws[1].push(shaped_at);
            match self.proof(
                &self.final_proof,
                shaped_at,
                dough_c,
                common + own * z[2],
                &offsets,
            ) {
                Some((ready, c)) => {
                    draws[2].push(ready + half_look);
                    draws[3].push(ready + half_look + self.baking.minutes + self.cooling.minutes);
                    bake_c.push(c);
                }
                None => {
                    draws[2].push(f64::INFINITY);
                    draws[3].push(f64::INFINITY);
                }
            }
        }
        bake_c.sort_by(f64::total_cmp);
        let mut variance = square(self.mixing);
        let mut smooth = |values: Vec<f64>, more: f64| {
            variance += more;
            Smooth {
                values,
                sd: variance.sqrt().max(LEAST_SD_MIN),
            }
        };
        let [bulk, shaped, ready, table] = draws;
        let mixed = smooth(vec![mixed_at], 0.0);
        let bulk = smooth(bulk, look_var);
        let shaped = smooth(shaped, square(self.shaping));
        let ready = smooth(ready, look_var);
        let table = smooth(table, square(self.baking) + square(self.cooling));
        Timetable {
            start_min,
            mixed: mixed.moment(),
            bulk_ready: bulk.moment(),
            shaped: shaped.moment(),
            ready_to_bake: ready.moment(),
            table: table.moment(),
            dough_at_bake_c: bake_c.get(bake_c.len() / 2).copied().unwrap_or(f64::NAN),
            tables: table,
        }
    }

    /// One proof of one draw: when ready, and how warm then.
    fn proof(
        &self,
        proof: &Proof,
        start: f64,
        dough_c: f64,
        z: f64,
        offsets: &[f64],
    ) -> Option<(f64, f64)> {
        let stays = self.stays(proof, start, offsets);
        let mut path = AgePath::begin(self.law, proof.tau_min, dough_c);
        let usual = proof.age.ln_age.exp();
        walk(&mut path, start, &stays, |p| p.now().age_min >= usual);
        // The doubt of the slope counts at the temperature this proof has.
        let warmth = path.mean_warmth(path.minute_at(usual).unwrap_or(path.now().minute));
        let age = (proof.age.ln_age + proof.age.sd_at(REFERENCE_C + 10.0 * warmth) * z).exp();
        let walked = path.now().minute;
        if path.now().age_min < age {
            walk(&mut path, start + walked, &stays, |p| {
                p.now().age_min >= age
            });
        }
        let minute = path.minute_at(age)?;
        Some((start + minute, path.at(minute).dough_c))
    }

    fn stays<'a>(
        &'a self,
        proof: &Proof,
        start: f64,
        offsets: &[f64],
    ) -> Vec<(f64, &'a Course, f64)> {
        let mut until = start;
        let last = proof.stays.len() - 1;
        proof
            .stays
            .iter()
            .enumerate()
            .map(|(i, s)| {
                until += s.for_min.unwrap_or(f64::INFINITY);
                let end = if i == last { f64::INFINITY } else { until };
                (end, &self.places[s.place].course, offsets[s.place])
            })
            .collect()
    }

    /// The air where bulk ended.
    fn bench(&self, at: f64, bulk_from: f64, offsets: &[f64]) -> f64 {
        let stays = self.stays(&self.bulk, bulk_from, offsets);
        stays
            .iter()
            .find(|(until, _, _)| at < *until)
            .map_or(24.0, |(_, course, offset)| course.at(at) + offset)
    }

    /// The latest mixing that keeps the chance of being late at `risk` (0.001 to 0.9) or below.
    ///
    /// ```
    /// # use doughwarden_model::{cardinal::RateLaw, planning::*};
    /// # let bake = Bake {
    /// #     places: vec![Place::steady("kitchen", 22.0, 1.0)], law: RateLaw::default(),
    /// #     mixing: Step::about(20.0), dough_c: 25.0, dough_sd_c: 1.0,
    /// #     bulk: Proof::at(0, ProofAge::of_minutes(60.0, 0.15)?, 110.0),
    /// #     shaping: Step::about(20.0),
    /// #     final_proof: Proof::at(0, ProofAge::of_minutes(40.0, 0.15)?, 55.0),
    /// #     baking: Step::about(18.0), cooling: Step::about(25.0), shared: 0.5, look_every_min: 15.0,
    /// # };
    /// let three_o_clock = 15.0 * 60.0;
    /// let plan = bake.latest_start(three_o_clock, 0.1)?;
    /// assert!((plan.risk - 0.1).abs() < 0.005);
    /// assert!(bake.run(plan.start_min + 30.0)?.chance_late(three_o_clock) > 0.15);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn latest_start(&self, table_min: f64, risk: f64) -> Result<Plan, Refusal> {
        self.checked()?;
        within("table, min", table_min, -1e8, 1e8)?;
        within("chance of being late", risk, 0.001, 0.9)?;
        let normals = self.normals();
        let mut start = table_min;
        let mut best: Option<(f64, Timetable)> = None;
        // Starting a minute later ends about a minute later: each round takes out what is too much.
        for _ in 0..MOST_ROUNDS {
            let timetable = self.run_drawn(start, &normals);
            let Some(end) = timetable.tables.quantile(1.0 - risk) else {
                return Err(Refusal::Inconsistent(
                    "at these temperatures the dough does not come in three days often enough for this risk",
                ));
            };
            let over = end - table_min;
            if best.as_ref().is_none_or(|(o, _)| over.abs() < o.abs()) {
                best = Some((over, timetable));
            }
            if over.abs() < 0.25 {
                break;
            }
            start -= over;
        }
        let (_, timetable) = best.ok_or(Refusal::Inconsistent("no start could be found"))?;
        Ok(Plan {
            start_min: timetable.start_min,
            risk: timetable.chance_late(table_min),
            timetable,
        })
    }
}

#[cfg(test)]
pub(super) mod tests;

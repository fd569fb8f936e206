//! One proof of a simulated dough: the body's heat, the yeast's gas, and the baker's own word for
//! "ready".
//!
//! The baker goes by the finger. The dough yields slowly once so much gas has come out of solution
//! since the proof began, however much of it this batch's films kept; so the rise that a jar shows
//! is evidence for ready, not its definition.

use super::body::{Body, Shape, Stuff};
use super::chance::Chance;
use super::ferment::{Ferment, Films, HEAT_J_MOL, Law};
use crate::batches::record::Dent;

/// A recipe as its author found it: the usual time of each stage holds for the usual batch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Recipe {
    /// The yeast's law.
    pub law: Law,
    /// How the dough keeps gas.
    pub films: Films,
    /// What it is made of.
    pub stuff: Stuff,
    /// Water in a litre of dough, L.
    pub water_l: f64,
    /// Sugar in a litre of dough, mol of glucose.
    pub sugar_mol: f64,
    /// Usual bulk proof, min.
    pub bulk_min: f64,
    /// In air of this temperature, °C, the dough mixed to the same.
    pub bulk_at_c: f64,
    /// The rise at its end.
    pub bulk_rise: f64,
    /// Usual final proof, min.
    pub final_min: f64,
    /// In air of this temperature, °C.
    pub final_at_c: f64,
    /// The whole dough, kg.
    pub bulk_kg: f64,
    /// How many pieces it is shaped into.
    pub pieces: u32,
}

impl Default for Recipe {
    /// An enriched dough: 95 min in bulk at 24 °C to a rise of 0.8, 60 min of final proof at 25 °C.
    fn default() -> Self {
        Self {
            law: Law::default(),
            films: Films::default(),
            stuff: Stuff {
                density_kg_m3: 1235.0,
                heat_capacity_j_kg_k: 2494.0,
                conductivity_w_mk: 0.376,
                film_w_m2k: 8.0,
            },
            water_l: 0.48,
            sugar_mol: 0.5,
            bulk_min: 95.0,
            bulk_at_c: 24.0,
            bulk_rise: 0.8,
            final_min: 60.0,
            final_at_c: 25.0,
            bulk_kg: 0.87,
            pieces: 14,
        }
    }
}

/// What makes the recipe's times true: found once for each recipe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pace {
    /// The yeast's full speed at 27 °C, mol of CO2 a litre a second.
    pub rate: f64,
    /// Gas come out of solution when the bulk proof is ready, as a share of the dough's volume.
    pub bulk_ready: f64,
    /// The same for the final proof.
    pub final_ready: f64,
    /// The rise at which the usual final proof ends.
    pub final_rise: f64,
}

/// Dough rests on the bench after shaping begins, min.
pub const BENCH_MIN: f64 = 15.0;
/// Step of the runs that find a pace, s.
const PACE_STEP_S: f64 = 30.0;

impl Recipe {
    /// Finds the speed at which the usual times come true, as its author timed them: the usual
    /// batch, its own warmth included, in air of the stated temperature.
    #[must_use]
    pub fn pace(&self) -> Pace {
        let mut pace = Pace {
            rate: 0.0,
            bulk_ready: f64::INFINITY,
            final_ready: f64::INFINITY,
            final_rise: 0.0,
        };
        let (mut slow, mut fast) = (1e-7_f64, 1e-3_f64);
        for _ in 0..30 {
            pace.rate = (slow * fast).sqrt();
            if self.usual_bulk(&pace).rise() < self.bulk_rise {
                slow = pace.rate;
            } else {
                fast = pace.rate;
            }
        }
        let mut dough = self.usual_bulk(&pace);
        pace.bulk_ready = dough.ferment.evolved_share();
        dough.shape(self.pieces, Shape::Sphere);
        dough.stand(BENCH_MIN, self.bulk_at_c);
        dough.begin_final(&pace);
        dough.stand(self.final_min, self.final_at_c);
        pace.final_ready = dough.ferment.evolved_share();
        pace.final_rise = dough.rise();
        pace
    }

    fn usual_bulk(&self, pace: &Pace) -> Proof {
        let mut dough = Proof::bulk(self, pace, Temper::USUAL, self.bulk_kg, self.bulk_at_c);
        dough.stand(self.bulk_min, self.bulk_at_c);
        dough
    }
}

/// How one batch differs from the usual: yeast's age, flour, a cook's hand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Temper {
    /// Its speed against the usual.
    pub speed: f64,
    /// What its films keep against the usual.
    pub keeps: f64,
}

impl Temper {
    /// The usual batch.
    pub const USUAL: Self = Self {
        speed: 1.0,
        keeps: 1.0,
    };

    /// A batch whose speed spreads so much (sd of its logarithm), and its films by 5 %.
    pub fn draw(speed_sd: f64, chance: &mut Chance) -> Self {
        Self {
            speed: chance.factor(speed_sd),
            keeps: chance.factor(0.05),
        }
    }
}

/// A dough in one of its proofs.
#[derive(Clone, Debug)]
pub struct Proof {
    /// Its heat.
    pub body: Body,
    /// Its gas.
    pub ferment: Ferment,
    /// Pieces like this one.
    pub pieces: u32,
    law: Law,
    films: Films,
    stuff: Stuff,
    rate: f64,
    ready_share: f64,
    gas_before: f64,
    elapsed_s: f64,
    ready_after_s: Option<f64>,
}

impl Proof {
    /// A bulk proof, in one piece fresh from the mixer.
    #[must_use]
    pub fn bulk(recipe: &Recipe, pace: &Pace, temper: Temper, mass_kg: f64, dough_c: f64) -> Self {
        Self {
            body: Body::new(Shape::Sphere, recipe.stuff, mass_kg, dough_c),
            ferment: Ferment::mixed(recipe.water_l, recipe.sugar_mol, dough_c),
            pieces: 1,
            law: recipe.law,
            films: Films {
                keeps: (recipe.films.keeps * temper.keeps).min(1.0),
                ..recipe.films
            },
            stuff: recipe.stuff,
            rate: pace.rate * temper.speed,
            ready_share: pace.bulk_ready,
            gas_before: 0.0,
            elapsed_s: 0.0,
            ready_after_s: None,
        }
    }

    /// The same dough with yeast so many times as fast.
    pub fn hurry(&mut self, factor: f64) {
        self.rate *= factor;
    }

    /// Knocked back and shaped into pieces; it goes on fermenting on the bench.
    pub fn shape(&mut self, pieces: u32, shape: Shape) {
        self.ferment.knock_back();
        let mean_c = self.body.mean_c();
        let mass_kg = self.body.mass_kg() * f64::from(self.pieces) / f64::from(pieces.max(1));
        self.pieces = pieces.max(1);
        self.body = Body::new(shape, self.stuff, mass_kg, mean_c);
        self.ready_share = f64::INFINITY;
        self.begin_stage();
    }

    /// The final proof begins.
    pub fn begin_final(&mut self, pace: &Pace) {
        self.ferment.evolved_mol = 0.0;
        self.ready_share = pace.final_ready;
        self.begin_stage();
    }

    fn stand(&mut self, minutes: f64, air_c: f64) {
        for _ in 0..(minutes * 60.0 / PACE_STEP_S).round() as usize {
            self.step(PACE_STEP_S, air_c);
        }
    }

    fn begin_stage(&mut self) {
        self.gas_before = self.ferment.gas_share();
        self.elapsed_s = 0.0;
        self.ready_after_s = None;
    }

    /// Lets `dt_s` pass in air. Gives the heat all pieces draw from it, W.
    pub fn step(&mut self, dt_s: f64, air_c: f64) -> f64 {
        let warmth = self
            .body
            .shells()
            .map(|(share, c)| share * self.law.warmth(c))
            .sum();
        let before = self.readiness();
        let made = self.ferment.step(
            dt_s,
            &self.law,
            &self.films,
            self.rate,
            warmth,
            self.body.mean_c(),
        );
        let litres = 1000.0 * self.body.mass_kg() / self.stuff.density_kg_m3;
        let yeast_w = made * litres * HEAT_J_MOL / dt_s;
        let drawn = self
            .body
            .step(dt_s, air_c, self.ferment.gas_share(), yeast_w);
        let now = self.readiness();
        if self.ready_after_s.is_none() && now >= 1.0 {
            let part = (1.0 - before) / (now - before).max(1e-12);
            self.ready_after_s = Some(self.elapsed_s + dt_s * part.clamp(0.0, 1.0));
        }
        self.elapsed_s += dt_s;
        drawn * f64::from(self.pieces)
    }

    /// 1 when the baker would call it ready; over-proofed from about 1.25.
    #[must_use]
    pub fn readiness(&self) -> f64 {
        self.ferment.evolved_share() / self.ready_share
    }

    /// The fraction by which it has grown since this proof began.
    #[must_use]
    pub fn rise(&self) -> f64 {
        (1.0 + self.ferment.gas_share()) / (1.0 + self.gas_before) - 1.0
    }

    /// Since this proof began, s.
    #[must_use]
    pub fn elapsed_s(&self) -> f64 {
        self.elapsed_s
    }

    /// When it was ready, s after this proof began; `None` until it is.
    #[must_use]
    pub fn ready_after_s(&self) -> Option<f64> {
        self.ready_after_s
    }

    /// What a finger feels, give or take 3 %.
    pub fn dent(&self, chance: &mut Chance) -> Dent {
        let felt = self.readiness() * chance.factor(0.03);
        if felt < 1.0 {
            Dent::SpringsBack
        } else if felt < 1.25 {
            Dent::ReturnsSlowly
        } else {
            Dent::Stays
        }
    }

    /// The rise as a baker reads it off a straight jar: give or take so much, in steps of 0.05.
    pub fn read_rise(&self, sd: f64, chance: &mut Chance) -> f64 {
        (20.0 * (self.rise() + chance.normal(0.0, sd)).max(0.0)).round() / 20.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(mut proof: Proof, air_c: f64) -> f64 {
        while proof.ready_after_s().is_none() && proof.elapsed_s() < 86_400.0 {
            proof.step(15.0, air_c);
        }
        proof.ready_after_s().unwrap() / 60.0
    }

    fn bulk(temper: Temper, mass_kg: f64, dough_c: f64) -> Proof {
        let recipe = Recipe::default();
        Proof::bulk(&recipe, &recipe.pace(), temper, mass_kg, dough_c)
    }

    /// As its author timed it; a crumb of it, which cannot keep its own warmth, takes
    /// a little longer: the whole warms itself by some tenths of a degree, at 7 % a degree.
    #[test]
    fn the_usual_batch_takes_the_recipes_time() {
        let minutes = run(bulk(Temper::USUAL, 0.87, 24.0), 24.0);
        assert!((minutes - 95.0).abs() < 0.5, "{minutes}");
        let crumb = run(bulk(Temper::USUAL, 0.02, 24.0), 24.0);
        assert!((0.5..5.0).contains(&(crumb - minutes)), "{crumb}");
    }

    /// Twice the speed is a little less than half the time (the water fills twice as fast too, but
    /// the yeast still has to wake).
    #[test]
    fn speed_shortens_the_proof() {
        let usual = run(bulk(Temper::USUAL, 0.8, 24.0), 24.0);
        let fast = run(
            bulk(
                Temper {
                    speed: 2.0,
                    keeps: 1.0,
                },
                0.8,
                24.0,
            ),
            24.0,
        );
        assert!((0.45..0.6).contains(&(fast / usual)), "{fast} {usual}");
    }

    /// Between 20 and 29 °C the proof halves, as the bakers' rule (doubles for 9.4 °C) has it.
    #[test]
    fn nine_degrees_halve_the_proof() {
        let (cool, warm) = (
            run(bulk(Temper::USUAL, 0.05, 20.0), 20.0),
            run(bulk(Temper::USUAL, 0.05, 29.4), 29.4),
        );
        assert!((1.7..2.4).contains(&(cool / warm)), "{cool} {warm}");
    }

    #[test]
    fn a_ready_bulk_has_the_recipes_rise_and_the_finger_says_so() {
        let mut proof = bulk(Temper::USUAL, 0.05, 24.0);
        let mut chance = Chance::from_seed(3);
        proof.step(15.0, 24.0);
        assert_eq!(proof.dent(&mut chance), Dent::SpringsBack);
        while proof.readiness() < 1.12 {
            if proof.ready_after_s().is_none() {
                assert!(proof.rise() < 0.82);
            }
            proof.step(15.0, 24.0);
        }
        assert!(proof.rise() > 0.8);
        assert_eq!(proof.dent(&mut chance), Dent::ReturnsSlowly);
    }

    #[test]
    fn the_final_proof_takes_the_recipes_time() {
        let recipe = Recipe::default();
        let pace = recipe.pace();
        let mut proof = Proof::bulk(&recipe, &pace, Temper::USUAL, 0.87, 24.0);
        while proof.ready_after_s().is_none() {
            proof.step(15.0, 24.0);
        }
        proof.shape(14, Shape::Sphere);
        for _ in 0..60 {
            proof.step(15.0, 24.0);
        }
        proof.begin_final(&pace);
        assert!(proof.rise().abs() < 1e-12);
        while proof.ready_after_s().is_none() {
            proof.step(15.0, 25.0);
        }
        let minutes = proof.ready_after_s().unwrap() / 60.0;
        assert!((minutes - 60.0).abs() < 1.0, "{minutes}");
        assert!((proof.rise() - pace.final_rise).abs() < 0.02);
    }

    /// A cold dough in a warm box lags the air: counting the air's age puts it a quarter too old
    /// (0.9 kg from 24 into 35 °C, by the conduction series, 28 %), so it must take well over the
    /// time of a dough as warm as the air.
    #[test]
    fn a_cool_dough_in_a_warm_box_lags() {
        let lagging = run(bulk(Temper::USUAL, 0.9, 24.0), 34.0);
        let warm = run(bulk(Temper::USUAL, 0.9, 34.0), 34.0);
        assert!(lagging > 1.2 * warm, "{lagging} {warm}");
    }
}

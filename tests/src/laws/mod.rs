//! Structural laws of a proving dough that are *not* the one being fitted.
//!
//! Each law is a small set of ordinary differential equations with its own temperature response, its
//! own reason for the lag, its own reason for slowing down, and its own idea of what the baker's eye
//! calls ready. None is a curve on equivalent age: their rates do not share one temperature factor,
//! so that no single clock, however it is stretched, describes them exactly.
//!
//! All laws share the heat of the dough (two nodes, skin and core) and the chance that a batch
//! brings: yeast, flour, the eye, and a rate that wanders during the proof.

mod biomass;
mod bubbles;
mod carbon_budget;

pub use biomass::Biomass;
pub use bubbles::Bubbles;
pub use carbon_budget::CarbonBudget;

use crate::chance::Chance as _;
use rand::Rng;

/// The two stages of a proof, as indices into targets and masses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Stage {
    /// The dough in one piece, before shaping.
    Bulk,
    /// The shaped pieces, before the oven.
    Final,
}

impl Stage {
    /// Both stages, in the order a batch passes them.
    pub const BOTH: [Stage; 2] = [Stage::Bulk, Stage::Final];

    /// The name in the log book.
    pub fn name(self) -> &'static str {
        match self {
            Stage::Bulk => "bulk",
            Stage::Final => "final",
        }
    }

    /// 0 for bulk, 1 for final.
    pub fn index(self) -> usize {
        self as usize
    }
}

/// What is true of one dough in one kitchen, and hidden from every forecaster but the bound.
#[derive(Clone, Debug)]
pub struct Recipe {
    /// The dough's name in the log book.
    pub name: String,
    /// Sugars at mixing, g per 100 g flour.
    pub sugar_pct: f64,
    /// Water at mixing, g per 100 g flour, that of milk, egg and butter included.
    pub water_pct: f64,
    /// The usual yeast, g instant per 100 g flour; a batch's rate depends on its ratio to this.
    pub dose_pct: f64,
    /// The recipe's true speed, in the law's own unit.
    pub speed: f64,
    /// The rise at which the eye calls bulk and final ready.
    pub target: [f64; 2],
    /// Mass of the piece that lags behind the air, kg: the whole dough, then one shaped piece.
    pub mass_kg: [f64; 2],
}

/// What chance deals to one batch; each entry a log factor about the recipe's own.
#[derive(Clone, Copy, Debug, Default)]
pub struct BatchChance {
    /// The yeast's activity.
    pub yeast: f64,
    /// How the dough was handled before bulk and before final, as it acts on the rate.
    pub handling: [f64; 2],
    /// The flour's strength (how fast gas is lost, how fast the dough weakens).
    pub flour: f64,
    /// The baker's eye at bulk and at final.
    pub eye: [f64; 2],
    /// The yeast mixed in, as a ratio to the recipe's usual: known to everyone from the formula.
    pub dose_ratio: f64,
}

/// Standard deviations of [`BatchChance`] and of the wander: known to the bound, to no one else.
pub mod spread {
    /// Rate from stage to stage of one batch: kneading, shaping, a draught, a cloth (log).
    pub const HANDLING: f64 = 0.05;
    /// Yeast activity from batch to batch (log).
    pub const YEAST: f64 = 0.06;
    /// Flour from batch to batch (log).
    pub const FLOUR: f64 = 0.08;
    /// The baker's eye from stage to stage (log of the target).
    pub const EYE: f64 = 0.04;
    /// Stationary sd of the log rate's wander within a proof.
    pub const WANDER: f64 = 0.04;
    /// Correlation time of that wander, min.
    pub const WANDER_MIN: f64 = 45.0;
}

impl BatchChance {
    /// Draws a batch's chance.
    pub fn draw(dose_ratio: f64, rng: &mut impl Rng) -> Self {
        Self {
            yeast: spread::YEAST * rng.normal(),
            handling: [
                spread::HANDLING * rng.normal(),
                spread::HANDLING * rng.normal(),
            ],
            flour: spread::FLOUR * rng.normal(),
            eye: [spread::EYE * rng.normal(), spread::EYE * rng.normal()],
            dose_ratio,
        }
    }
}

/// The state of a dough under any law: two temperatures, the wander, and up to five quantities whose
/// meaning belongs to the law.
#[derive(Clone, Copy, Debug, Default)]
pub struct Dough {
    /// Temperature of the outer 35 % of the mass, °C.
    pub skin_c: f64,
    /// Temperature of the inner 65 %, °C.
    pub core_c: f64,
    /// Present log deviation of the rate.
    pub wander: f64,
    /// The law's own quantities.
    pub x: [f64; 5],
}

/// Share of the mass in the outer node.
const SKIN: f64 = 0.35;

impl Dough {
    /// Mass-weighted mean temperature, °C: what the yeast feels.
    pub fn mean_c(&self) -> f64 {
        SKIN * self.skin_c + (1.0 - SKIN) * self.core_c
    }

    /// One step of `dt_min` in air at `air_c`, for a piece whose slow time constant is `lag_min`.
    ///
    /// `skin' = (air − skin)/τ + (core − skin)/τ`, `core' = (0.35/0.65)(skin − core)/τ`; the slow
    /// eigenvalue of that pair is 0.2337/τ, so `τ = 0.2337 · lag`.
    fn warm(&mut self, air_c: f64, lag_min: f64, dt_min: f64) {
        let r = dt_min / (0.2337 * lag_min);
        let exchange = self.core_c - self.skin_c;
        self.skin_c += r * (air_c - self.skin_c + exchange);
        self.core_c -= r * SKIN / (1.0 - SKIN) * exchange;
    }

    /// The wander's own step (Ornstein–Uhlenbeck).
    fn stray(&mut self, dt_min: f64, rng: &mut impl Rng) {
        let keep = (-dt_min / spread::WANDER_MIN).exp();
        self.wander =
            self.wander * keep + spread::WANDER * (1.0 - keep * keep).sqrt() * rng.normal();
    }

    /// Shaping: `minutes` on the bench at `bench_c`, after which the dough is kneaded to one temperature.
    pub fn rest_on_bench(&mut self, bench_c: f64, minutes: f64) {
        // Flattened and divided dough follows the bench within the half hour.
        let kept = (-minutes / 35.0).exp();
        let mean = bench_c + (self.mean_c() - bench_c) * kept;
        self.skin_c = mean;
        self.core_c = mean;
    }
}

/// A structural law of dough.
pub trait Law: Send + Sync {
    /// A short name for the tables.
    fn name(&self) -> &'static str;

    /// Its equations and where they come from, in one line.
    fn source(&self) -> &'static str;

    /// How strongly the rate answers to the dose: `rate ~ dose^exponent`.
    fn dose_exponent(&self) -> f64;

    /// Slow thermal time constant of a piece of `mass_kg`, min.
    fn lag_min(&self, mass_kg: f64) -> f64;

    /// A freshly mixed dough at `start_c`.
    fn mixed(&self, recipe: &Recipe, start_c: f64) -> Dough;

    /// What shaping leaves of a dough that ended bulk as `dough`.
    fn shaped(&self, recipe: &Recipe, dough: &Dough) -> Dough;

    /// The law's own change over `dt_min` at the present temperature; `rate` is the product of
    /// everything that scales the yeast's rate.
    fn ferment(&self, recipe: &Recipe, flour: f64, rate: f64, dough: &mut Dough, dt_min: f64);

    /// Fraction by which the dough has risen since the start of this stage.
    fn rise(&self, dough: &Dough) -> f64;

    /// 1 when the baker's eye calls the dough ready, less before, more after.
    fn readiness(&self, recipe: &Recipe, stage: Stage, eye: f64, dough: &Dough) -> f64;
}

/// One minute of a dough's life: heat, wander, fermentation.
pub fn step(
    law: &dyn Law,
    recipe: &Recipe,
    stage: Stage,
    chance: &BatchChance,
    dough: &mut Dough,
    air_c: f64,
    rng: &mut impl Rng,
) {
    const DT_MIN: f64 = 1.0;
    dough.stray(DT_MIN, rng);
    let rate = recipe.speed
        * chance.dose_ratio.powf(law.dose_exponent())
        * (chance.yeast + chance.handling[stage.index()] + dough.wander).exp();
    law.ferment(recipe, chance.flour, rate, dough, DT_MIN);
    dough.warm(air_c, law.lag_min(recipe.mass_kg[stage.index()]), DT_MIN);
}

/// Minutes until a chance-free dough is ready in constant air, or `None` within ten hours.
///
/// For final, the dough comes from a bulk ended when ready and 15 minutes on the bench.
pub fn ready_min_at(law: &dyn Law, recipe: &Recipe, stage: Stage, air_c: f64) -> Option<f64> {
    let mut dough = law.mixed(recipe, air_c);
    let bulk = time_to_ready(law, recipe, Stage::Bulk, &mut dough, air_c)?;
    if stage == Stage::Bulk {
        return Some(bulk);
    }
    dough = law.shaped(recipe, &dough);
    dough.rest_on_bench(air_c, 15.0);
    time_to_ready(law, recipe, Stage::Final, &mut dough, air_c)
}

fn time_to_ready(
    law: &dyn Law,
    recipe: &Recipe,
    stage: Stage,
    dough: &mut Dough,
    air_c: f64,
) -> Option<f64> {
    let lag = law.lag_min(recipe.mass_kg[stage.index()]);
    let mut before = law.readiness(recipe, stage, 0.0, dough);
    for minute in 0..600 {
        law.ferment(recipe, 0.0, recipe.speed, dough, 1.0);
        dough.warm(air_c, lag, 1.0);
        let now = law.readiness(recipe, stage, 0.0, dough);
        if now >= 1.0 {
            return Some(f64::from(minute) + (1.0 - before) / (now - before));
        }
        before = now;
    }
    None
}

/// Sets a recipe's speed, then its final target, so that it takes these times at 24 °C.
///
/// Both by bisection; a time out of the law's reach leaves the nearest end of the bracket.
pub fn tune(law: &dyn Law, recipe: &mut Recipe, bulk_min: f64, final_min: f64) {
    let (mut low, mut high) = (0.02_f64, 20.0_f64);
    for _ in 0..40 {
        recipe.speed = (low * high).sqrt();
        match ready_min_at(law, recipe, Stage::Bulk, 24.0) {
            Some(minutes) if minutes <= bulk_min => high = recipe.speed,
            _ => low = recipe.speed,
        }
    }
    let (mut low, mut high) = (0.2_f64, 2.0_f64);
    for _ in 0..30 {
        recipe.target[1] = 0.5 * (low + high);
        match ready_min_at(law, recipe, Stage::Final, 24.0) {
            Some(minutes) if minutes <= final_min => low = recipe.target[1],
            _ => high = recipe.target[1],
        }
    }
}

/// The laws of the study.
pub fn all() -> Vec<Box<dyn Law>> {
    vec![Box::new(CarbonBudget), Box::new(Biomass), Box::new(Bubbles)]
}

/// First-eigenvalue time constant of a sphere of lean dough in still air, min: a power law through
/// 80 g 59 min and 900 g 149 min (Fourier series, film coefficient 9 W/m²/K). The laws scale it down, each by
/// its own factor: dough slumps into something flatter than a ball, and boxes stir their air.
pub(crate) fn sphere_lag_min(mass_kg: f64) -> f64 {
    59.0 * (mass_kg / 0.08).powf(0.383)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recipe() -> Recipe {
        Recipe {
            name: "test".into(),
            sugar_pct: 9.0,
            water_pct: 60.0,
            dose_pct: 1.0,
            speed: 1.0,
            target: [0.9, 0.7],
            mass_kg: [0.9, 0.08],
        }
    }

    /// The sheet's own pairs of mass and time constant (series solution for spheres).
    #[test]
    fn sphere_lag_meets_the_series() {
        for (mass, minutes) in [(0.08, 59.0), (0.25, 90.0), (0.45, 113.0), (0.9, 149.0)] {
            assert!((sphere_lag_min(mass) / minutes - 1.0).abs() < 0.03);
        }
    }

    /// The two nodes end with the slow eigenvalue they promise.
    #[test]
    fn two_nodes_decay_with_the_lag() {
        let mut dough = Dough {
            skin_c: 20.0,
            core_c: 20.0,
            ..Dough::default()
        };
        let gap = |d: &Dough| 30.0 - d.mean_c();
        for _ in 0..200 {
            dough.warm(30.0, 100.0, 0.5);
        }
        let first = gap(&dough);
        for _ in 0..200 {
            dough.warm(30.0, 100.0, 0.5);
        }
        assert!((gap(&dough) / first - (-1.0f64).exp()).abs() < 0.01);
    }

    #[test]
    fn each_law_can_be_tuned_to_common_practice() {
        for law in all() {
            let mut r = recipe();
            tune(law.as_ref(), &mut r, 90.0, 60.0);
            let bulk = ready_min_at(law.as_ref(), &r, Stage::Bulk, 24.0).expect("ready");
            let last = ready_min_at(law.as_ref(), &r, Stage::Final, 24.0).expect("ready");
            assert!((bulk - 90.0).abs() < 0.5, "{} bulk {bulk}", law.name());
            assert!((last - 60.0).abs() < 0.5, "{} final {last}", law.name());
            assert!(
                (0.3..1.6).contains(&r.target[1]),
                "{} target {}",
                law.name(),
                r.target[1]
            );
        }
    }

    /// Common practice doubles the speed per 8 to 10 °C about room temperature (trade rules; no
    /// single published value): each law must lie near that, and each must differ from the others.
    #[test]
    fn warmer_is_faster_by_about_the_trade_rule() {
        let mut ratios = Vec::new();
        for law in all() {
            let mut r = recipe();
            tune(law.as_ref(), &mut r, 90.0, 60.0);
            let cool = ready_min_at(law.as_ref(), &r, Stage::Bulk, 20.0).expect("ready");
            let warm = ready_min_at(law.as_ref(), &r, Stage::Bulk, 28.0).expect("ready");
            assert!(
                (1.4..2.6).contains(&(cool / warm)),
                "{} {}",
                law.name(),
                cool / warm
            );
            let hot = ready_min_at(law.as_ref(), &r, Stage::Bulk, 35.0).expect("ready");
            ratios.push(cool / hot);
        }
        ratios.sort_by(f64::total_cmp);
        assert!(ratios.windows(2).all(|w| w[1] / w[0] > 1.01), "{ratios:?}");
    }

    /// No clock on age: were there one age, halving the speed would double the time at every
    /// temperature alike and the rise at ready would not depend on the speed or the temperature.
    #[test]
    fn no_law_is_a_stretched_clock() {
        for law in all() {
            let mut r = recipe();
            tune(law.as_ref(), &mut r, 90.0, 60.0);
            let mut slow = r.clone();
            slow.speed *= 0.5;
            let stretch = |t| {
                ready_min_at(law.as_ref(), &slow, Stage::Bulk, t).expect("ready")
                    / ready_min_at(law.as_ref(), &r, Stage::Bulk, t).expect("ready")
            };
            let (cool, warm) = (stretch(20.0), stretch(32.0));
            assert!(
                (cool - 2.0).abs() > 0.02 || (warm - 2.0).abs() > 0.02,
                "{}",
                law.name()
            );
        }
    }
}

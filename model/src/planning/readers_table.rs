//! The reader's table: proof times of a recipe at other people's room temperatures.
//!
//! ```text
//! chance ready by t = mean over (their thermometer, their dough) of Φ((ln theta(t) - ln W - shift)/s)
//! s² = this house's spread² + kitchens' spread²
//! ```
//! `theta` is the dough's own path from its starting temperature in their room. Ranges hold for eight
//! kitchens in ten, not for eight of this house's bakes in ten. Times are rounded as recipes round. The table says what it stands on: batch size, starting dough, bakes and testers.

mod render;

use super::course::{Course, walk};
use super::kitchens::{Kitchens, STARTING_DOUGH_SD_C, THERMOMETER_SD_C};
use super::{Moment, ProofAge};
use crate::age::AgePath;
use crate::cardinal::{REFERENCE_C, RateLaw};
use crate::censored::normal_cdf;
use crate::heat::lag_step;
use crate::refusal::{Refusal, within};

/// Room temperatures a table is for, °C.
pub const ROOMS_C: (f64, f64) = (18.0, 28.0);
/// The fridge of the fridge line, °C, and how far readers' fridges differ (own proposal).
const FRIDGE_C: (f64, f64) = (4.0, 1.5);
/// A night in it, minutes: 8 to 16 hours (common practice, no published source).
const NIGHT_MIN: (f64, f64) = (480.0, 960.0);
/// A start at room temperature before the night, minutes; none for a dough that would be done before
/// the fridge has cooled it.
const BEFORE_NIGHT_MIN: f64 = 30.0;
/// The room of the morning after, °C.
const MORNING_C: f64 = 21.0;

/// Five- and three-point Gauss-Hermite rules for a standard normal (Abramowitz & Stegun, table 25.10,
/// scaled).
const FIVE: [(f64, f64); 5] = [
    (-2.856_970_013_872_805_7, 0.011_257_411_327_720_69),
    (-1.355_626_179_974_265_8, 0.222_075_922_005_612_64),
    (0.0, 0.533_333_333_333_333_3),
    (1.355_626_179_974_265_8, 0.222_075_922_005_612_64),
    (2.856_970_013_872_805_7, 0.011_257_411_327_720_69),
];
const THREE: [(f64, f64); 3] = [
    (-1.732_050_807_568_877_2, 1.0 / 6.0),
    (0.0, 2.0 / 3.0),
    (1.732_050_807_568_877_2, 1.0 / 6.0),
];

/// What a reader must be told to mind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Caution {
    /// Raw egg in the dough.
    Egg,
    /// Milk or cream in the dough.
    Milk,
    /// Proofing in an oven with its light on.
    OvenLight,
}

/// A recipe as its readers get it.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadersRecipe {
    /// Its name.
    pub name: String,
    /// The whole dough, g.
    pub dough_g: f64,
    /// How many pieces it makes, if it is divided.
    pub pieces: Option<u32>,
    /// The dough out of the mixer, °C.
    pub dough_c: f64,
    /// Temperature law with the house's tilt.
    pub law: RateLaw,
    /// When bulk is ready.
    pub bulk: ProofAge,
    /// When the final proof is ready.
    pub final_proof: ProofAge,
    /// Lag of the whole dough, minutes.
    pub bulk_tau_min: f64,
    /// Lag of a piece, minutes.
    pub piece_tau_min: f64,
    /// Dividing and shaping, minutes.
    pub shaping_min: f64,
    /// Rise at which bulk is ready (1 = doubled), if known.
    pub bulk_rise: Option<f64>,
    /// Rise at which the final proof is ready, if known.
    pub final_rise: Option<f64>,
    /// No warmer than this, °C, if the dough has a ceiling.
    pub ceiling_c: Option<f64>,
    /// What to mind.
    pub cautions: Vec<Caution>,
    /// Bakes it rests on.
    pub bakes: usize,
}

impl ReadersRecipe {
    /// A made-up sweet dough for examples and tests.
    ///
    /// ```
    /// use doughwarden_model::planning::{Caution, ReadersRecipe};
    /// let twist = ReadersRecipe::example();
    /// assert!(twist.dough_g > 500.0 && !twist.cautions.is_empty());   // an egg dough, with its caution
    /// ```
    pub fn example() -> Self {
        let age = |minutes: f64| ProofAge {
            ln_age: minutes.ln(),
            sd: 0.12,
            tilt_sd: 0.15,
            known_warmth: -0.4,
        };
        Self {
            name: "Lantern buns".into(),
            dough_g: 840.0,
            pieces: Some(14),
            dough_c: 25.0,
            law: RateLaw::default(),
            bulk: age(75.0),
            final_proof: age(48.0),
            bulk_tau_min: 110.0,
            piece_tau_min: 52.0,
            shaping_min: 20.0,
            bulk_rise: Some(0.8),
            final_rise: Some(0.7),
            ceiling_c: Some(29.0),
            cautions: vec![Caution::Egg, Caution::Milk],
            bakes: 12,
        }
    }

    fn checked(&self) -> Result<(), Refusal> {
        within("dough, g", self.dough_g, 1.0, 1e7)?;
        within("dough out of the mixer, °C", self.dough_c, 2.0, 40.0)?;
        within("lag of the dough, min", self.bulk_tau_min, 0.0, 5000.0)?;
        within("lag of a piece, min", self.piece_tau_min, 0.0, 5000.0)?;
        within("shaping, min", self.shaping_min, 0.0, 600.0)?;
        self.bulk.checked()?;
        self.final_proof.checked().map(drop)
    }
}

/// A range of minutes: eight kitchens in ten between its ends; none where it does not come in three
/// days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// One kitchen in ten is sooner.
    pub low_min: Option<f64>,
    /// Half are.
    pub middle_min: Option<f64>,
    /// One in ten is later.
    pub high_min: Option<f64>,
}

impl From<Moment> for Span {
    fn from(m: Moment) -> Self {
        Self {
            low_min: m.p10,
            middle_min: m.p50,
            high_min: m.p90,
        }
    }
}

/// One line of the table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReadersRow {
    /// The room, °C.
    pub room_c: f64,
    /// Bulk.
    pub bulk: Span,
    /// Final proof.
    pub final_proof: Span,
    /// Whether the room is above the dough's ceiling.
    pub too_warm: bool,
}

/// The whole table.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadersTable {
    /// The recipe it is for.
    pub recipe: ReadersRecipe,
    /// What was counted of other kitchens.
    pub kitchens: Kitchens,
    /// Its lines, coolest first.
    pub rows: Vec<ReadersRow>,
    /// Minutes at 21 °C before the night in the fridge.
    pub before_night_min: f64,
    /// After a night of 8 hours, bulk still takes so long at 21 °C.
    pub after_short_night: Span,
    /// The same after 16 hours.
    pub after_long_night: Span,
}

impl ReadersTable {
    /// Rooms from 18 to 28 °C in steps of `step_c` (1 to 5).
    ///
    /// ```
    /// use doughwarden_model::planning::{Kitchens, ReadersRecipe, ReadersTable};
    /// let table = ReadersTable::new(&ReadersRecipe::example(), Kitchens::unknown(), 2.0)?;
    /// assert_eq!(table.rows.len(), 6);
    /// assert!(table.rows[0].bulk.middle_min > table.rows[5].bulk.middle_min);
    /// assert!(table.text().contains("18 °C"));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn new(recipe: &ReadersRecipe, kitchens: Kitchens, step_c: f64) -> Result<Self, Refusal> {
        recipe.checked()?;
        let step = within("step of the table, °C", step_c, 1.0, 5.0)?;
        within("spread between kitchens", kitchens.sd, 0.0, 2.0)?;
        within("other kitchens' shift", kitchens.ln_shift, -2.0, 2.0)?;
        let count = ((ROOMS_C.1 - ROOMS_C.0) / step + 1e-9).floor() as usize;
        let rows = (0..=count)
            .map(|i| {
                let room_c = ROOMS_C.0 + step * i as f64;
                let room = Course::Steady(room_c);
                let bulk_ways = ways(
                    recipe,
                    recipe.bulk_tau_min,
                    recipe.dough_c,
                    &[(f64::INFINITY, &room, true)],
                );
                let bulk = span(&bulk_ways, &recipe.bulk, kitchens, 0.0);
                let until = bulk.middle_min.unwrap_or(600.0);
                let dough = lag_step(recipe.dough_c, room_c, room_c, until, recipe.bulk_tau_min);
                let shaped = lag_step(
                    dough,
                    room_c,
                    room_c,
                    recipe.shaping_min,
                    recipe.piece_tau_min,
                );
                let final_ways = ways(
                    recipe,
                    recipe.piece_tau_min,
                    shaped,
                    &[(f64::INFINITY, &room, true)],
                );
                ReadersRow {
                    room_c,
                    bulk,
                    final_proof: span(&final_ways, &recipe.final_proof, kitchens, 0.0),
                    too_warm: recipe.ceiling_c.is_some_and(|c| room_c > c),
                }
            })
            .collect();
        let after = |before: f64, night: f64| {
            let (room, fridge) = (Course::Steady(MORNING_C), Course::Steady(FRIDGE_C.0));
            let out = before + night;
            let stays = [
                (before, &room, true),
                (out, &fridge, false),
                (f64::INFINITY, &room, true),
            ];
            span(
                &ways(recipe, recipe.bulk_tau_min, recipe.dough_c, &stays),
                &recipe.bulk,
                kitchens,
                out,
            )
        };
        let left = after(BEFORE_NIGHT_MIN, NIGHT_MIN.1).middle_min;
        let before_night_min = if left.is_some_and(|m| m < BEFORE_NIGHT_MIN) {
            0.0
        } else {
            BEFORE_NIGHT_MIN
        };
        Ok(Self {
            recipe: recipe.clone(),
            kitchens,
            rows,
            before_night_min,
            after_short_night: after(before_night_min, NIGHT_MIN.0),
            after_long_night: after(before_night_min, NIGHT_MIN.1),
        })
    }
}

/// The dough's paths for readers' thermometers and starting doughs: stays are `(until, air, whether it is
/// a room rather than the fridge)`.
fn ways(
    recipe: &ReadersRecipe,
    tau: f64,
    dough_c: f64,
    stays: &[(f64, &Course, bool)],
) -> Vec<(f64, AgePath)> {
    let enough = 3.0 * recipe.bulk.ln_age.max(recipe.final_proof.ln_age).exp() * 4.0;
    let mut out = Vec::with_capacity(15);
    for (za, wa) in FIVE {
        for (zd, wd) in THREE {
            let mut path = AgePath::begin(recipe.law, tau, dough_c + STARTING_DOUGH_SD_C * zd);
            let stays: Vec<(f64, &Course, f64)> = stays
                .iter()
                .map(|(until, course, room)| {
                    (
                        *until,
                        *course,
                        za * if *room { THERMOMETER_SD_C } else { FRIDGE_C.1 },
                    )
                })
                .collect();
            walk(&mut path, 0.0, &stays, |p| p.now().age_min > enough);
            out.push((wa * wd, path));
        }
    }
    out
}

/// 10 %, 50 % and 90 % of the kitchens, minutes after `from`.
fn span(ways: &[(f64, AgePath)], age: &ProofAge, kitchens: Kitchens, from: f64) -> Span {
    let chance = |minute: f64| -> f64 {
        ways.iter()
            .map(|(w, path)| {
                let sd = age
                    .sd_at(REFERENCE_C + 10.0 * path.mean_warmth(minute))
                    .hypot(kitchens.sd)
                    .max(1e-6);
                w * normal_cdf(
                    (path.age_at(minute).max(1e-9).ln() - age.ln_age - kitchens.ln_shift) / sd,
                )
            })
            .sum()
    };
    let at = |p: f64| {
        let (mut low, mut high) = (0.0, super::course::LONGEST_MIN);
        if chance(high) < p {
            return None;
        }
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if chance(middle) < p {
                low = middle
            } else {
                high = middle
            }
        }
        Some((0.5 * (low + high) - from).max(0.0))
    };
    Span {
        low_min: at(0.1),
        middle_min: at(0.5),
        high_min: at(0.9),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SAME: Kitchens = Kitchens {
        ln_shift: 0.0,
        sd: 0.0,
        testers: 0,
        between_sd: 0.0,
    };

    #[test]
    fn the_middles_follow_the_published_equation() {
        // Rosso et al. 1993, gas preset: gamma(20) 0.444364, gamma(25) 0.663468, gamma(27) 0.747914.
        let mut recipe = ReadersRecipe {
            bulk_tau_min: 0.0,
            piece_tau_min: 0.0,
            ..ReadersRecipe::example()
        };
        recipe.bulk.tilt_sd = 0.0;
        let table = ReadersTable::new(&recipe, SAME, 1.0).expect("valid");
        for (room, gamma) in [(20.0, 0.444_364), (25.0, 0.663_468), (27.0, 0.747_914)] {
            let row = table
                .rows
                .iter()
                .find(|r| (r.room_c - room).abs() < 1e-9)
                .expect("there");
            let want = 75.0 * 0.747_914 / gamma;
            let got = row.bulk.middle_min.expect("comes");
            // The thermometer's doubt is symmetric in degrees, nearly so in the logarithm of time.
            assert!((got / want - 1.0).abs() < 0.01, "{room}: {got} {want}");
        }
    }

    #[test]
    fn ranges_count_other_kitchens_and_not_only_this_house() {
        let recipe = ReadersRecipe::example();
        let width = |k: Kitchens| {
            let r = ReadersTable::new(&recipe, k, 5.0).expect("valid").rows[0].bulk;
            (r.high_min.expect("comes") / r.low_min.expect("comes")).ln()
        };
        assert!(width(Kitchens::unknown()) > 1.8 * width(SAME));
        // Against the normal's 80 % width where nothing but kitchens differs much.
        let k = Kitchens { sd: 0.6, ..SAME };
        assert!(width(k) > 2.0 * 1.281_55 * 0.6 * 0.95);
    }

    #[test]
    fn the_night_and_the_ceiling() {
        let table = ReadersTable::new(
            &ReadersRecipe {
                ceiling_c: Some(25.0),
                ..ReadersRecipe::example()
            },
            SAME,
            2.0,
        )
        .expect("valid");
        assert_eq!(table.rows.iter().filter(|r| r.too_warm).count(), 2);
        let (short, long) = (
            table.after_short_night.middle_min.expect("comes"),
            table.after_long_night.middle_min.expect("comes"),
        );
        // It ages while it cools, hardly at 4 °C, and waking costs about its lag of 110 min.
        assert_eq!(table.before_night_min, 0.0);
        assert!(
            short >= long && short > 60.0 && short < 300.0,
            "{short} {long}"
        );
    }

    #[test]
    fn refusals() {
        let recipe = ReadersRecipe {
            dough_c: f64::NAN,
            ..ReadersRecipe::example()
        };
        assert!(ReadersTable::new(&recipe, SAME, 2.0).is_err());
        assert!(ReadersTable::new(&ReadersRecipe::example(), SAME, 0.0).is_err());
    }
}

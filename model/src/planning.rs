//! Planning: backwards from the table, water for the bowl, the oven light, the fridge, and the
//! reader's table. One file a question.
//!
//! Times are minutes on whatever clock the caller keeps (a daily course of the kitchen counts from a
//! midnight); the age at which a dough is ready comes from [`crate::calibration`] or the recipe as a
//! [`ProofAge`], its way through the temperatures from [`crate::age`].
//!
//! | question | answer |
//! | --- | --- |
//! | when to mix, and how sure is that? | [`Bake::latest_start`], [`Bake::run`] |
//! | what to change to hit an hour? | [`Bake::change`] |
//! | how warm must the water be? | [`WaterPlan::for_dough`] |
//! | how long may the oven light stay on? | [`LampPlan::new`] |
//! | what does this oven do with its light on? | [`guided_run`] |
//! | can it wait in the fridge? | [`Hold`] |
//! | what do I print for my readers? | [`ReadersTable::new`], [`Kitchens`] |

mod backwards;
mod changes;
mod course;
mod guided_run;
mod hold;
mod kitchens;
mod lamp;
mod readers_table;
mod water;
mod words;

pub use backwards::{Bake, Moment, Plan, Proof, Stay, Step, Timetable};
pub use changes::{Change, Lever};
pub use course::{Course, Place, Ripe, ripen};
pub use guided_run::{Inconclusive, RunAdvice, RunReading, guided_run};
pub use hold::{Hold, HoldAnswer, TakeOut};
pub use kitchens::{Kitchens, Tester, VARIANCE_COMPONENTS, VarianceComponent};
pub use lamp::{KnownOven, LampCase, LampPlan, LampSafety, Rhythm};
pub use readers_table::{Caution, ReadersRecipe, ReadersRow, ReadersTable, Span};
pub use water::{WaterCaution, WaterPlan};
pub use words::{fahrenheit, rise_in_words, span_in_words};

use crate::refusal::{Refusal, within};

/// A dough past this share of its ready age counts as over-proofed: retention falls late and no clock
/// of it can come from the rise, so this is a guess within 1.15 to 1.25 (own proposal).
pub const OVER_PROOFED: f64 = 1.2;

/// When a proof is ready: `ln` of the equivalent age, minutes at 27 °C, as a normal.
///
/// The doubt grows away from the temperatures at which it was learned, as the house's tilt is only
/// known so well: `sd²(w) = sd² + (tilt_sd·(w - known_warmth))²`, `w = (T - 27)/10`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProofAge {
    /// Mean of the logarithm.
    pub ln_age: f64,
    /// Standard deviation of the logarithm, all causes in this house.
    pub sd: f64,
    /// Doubt of the rate's slope in temperature, per 10 °C.
    pub tilt_sd: f64,
    /// `(T - 27)/10` of the bakes it was learned from.
    pub known_warmth: f64,
}

impl ProofAge {
    /// From a usual age in minutes at 27 °C (1 minute to 10 days) and a spread of its logarithm
    /// (0 to 2), known at 27 °C; away from there by a tilt of 0.3 per 10 °C more or less, which covers the
    /// laws of [`crate::cardinal`] from 18 to 35 °C (own choice).
    ///
    /// ```
    /// use doughwarden_model::planning::ProofAge;
    /// let bulk = ProofAge::of_minutes(75.0, 0.2)?;
    /// assert!((bulk.sd_at(27.0) - 0.2).abs() < 1e-12 && bulk.sd_at(17.0) > 0.35);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn of_minutes(age_min: f64, sd: f64) -> Result<Self, Refusal> {
        Self {
            ln_age: within("age when ready, min", age_min, 1.0, 14_400.0)?.ln(),
            sd,
            tilt_sd: 0.3,
            known_warmth: 0.0,
        }
        .checked()
    }

    /// The age a recipe states when it says "`minutes` at `temperature_c`": minutes times the rate
    /// there, the lag of the dough not counted.
    ///
    /// ```
    /// use doughwarden_model::{cardinal::RateLaw, planning::ProofAge};
    /// let at_27 = ProofAge::of_recipe(60.0, 27.0, 0.2, RateLaw::default())?;
    /// assert!((at_27.ln_age - 60f64.ln()).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn of_recipe(
        minutes: f64,
        temperature_c: f64,
        sd: f64,
        law: crate::cardinal::RateLaw,
    ) -> Result<Self, Refusal> {
        let t = within("temperature of the recipe, °C", temperature_c, 5.0, 45.0)?;
        let minutes = within("time the recipe states, min", minutes, 1.0, 14_400.0)?;
        Ok(Self {
            known_warmth: (t - crate::cardinal::REFERENCE_C) / 10.0,
            ..Self::of_minutes((minutes * law.rate(t)).max(1.0), sd)?
        })
    }

    /// Standard deviation of the logarithm at a dough temperature.
    ///
    /// ```
    /// use doughwarden_model::planning::ProofAge;
    /// let age = ProofAge::of_minutes(75.0, 0.2)?;
    /// // sd² = 0.2² + (0.3·0.5)² five degrees from 27 °C.
    /// assert!((age.sd_at(32.0) - 0.25).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn sd_at(&self, dough_c: f64) -> f64 {
        let away = (dough_c - crate::cardinal::REFERENCE_C) / 10.0 - self.known_warmth;
        self.sd.hypot(self.tilt_sd * away)
    }

    fn checked(self) -> Result<Self, Refusal> {
        within("ln of the age when ready, min", self.ln_age, -3.0, 12.0)?;
        within("spread of the age when ready", self.sd, 0.0, 2.0)?;
        within("doubt of the slope, per 10 °C", self.tilt_sd, 0.0, 2.0)?;
        within("warmth it was learned at", self.known_warmth, -5.0, 5.0)?;
        Ok(self)
    }
}

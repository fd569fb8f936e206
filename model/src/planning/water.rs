//! The water (or milk) for the dough temperature a plan counts on, with what the mixer has taught.
//!
//! [`crate::dough_water`] has the bakers' rule; here it is answered with its doubt. The friction factor is
//! a difference and is spread over the rule's `n` temperatures, so a doubt of `s` in it moves the dough
//! by `s/n`.

use crate::dough_water::{Going, HOT_LIQUID_C, Mixing, ice_share, learn_friction};
use crate::refusal::{Refusal, within};

/// What to mind about the answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WaterCaution {
    /// Above 43 °C: keep it off the yeast (common practice, no published source).
    HarmsYeast,
    /// Colder than the tap: take part of it as ice.
    TakeIce,
    /// Below freezing: even ice is not enough; chill the flour.
    ChillFlour,
    /// No measured dough yet: the mixer's usual figure is all there is.
    NotMeasuredYet,
}

/// Water for a wanted dough temperature.
#[derive(Debug, Clone, PartialEq)]
pub struct WaterPlan {
    /// The water, °C.
    pub water_c: f64,
    /// Share of it to take as ice, with tap water for the rest.
    pub ice_share: f64,
    /// Friction factor used: a *difference*, °C (times 1.8 for °F, no 32).
    pub friction_c: f64,
    /// Doughs it was learned from.
    pub measured: usize,
    /// The dough out of the mixer comes within ± this of the wish, eight times in ten, °C.
    pub dough_within_c: f64,
    /// What to mind.
    pub cautions: Vec<WaterCaution>,
}

impl WaterPlan {
    /// Water for a dough at `wanted_c`, from the friction factors `seen` in earlier bakes
    /// ([`Going::friction_c`]) and tap water at `tap_c`.
    ///
    /// ```
    /// use doughwarden_model::dough_water::{Going, Mixing};
    /// use doughwarden_model::planning::WaterPlan;
    /// let bowl = Going { room_c: 21.0, flour_c: 22.0, preferment_c: None };
    /// let plan = WaterPlan::for_dough(25.0, bowl, Mixing::StandMixer, &[13.0, 13.6, 13.4], 15.0)?;
    /// assert!((plan.water_c - (75.0 - 43.0 - plan.friction_c)).abs() < 1e-9);
    /// assert!(plan.dough_within_c < 1.6 && plan.measured == 3);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn for_dough(
        wanted_c: f64,
        bowl: Going,
        mixing: Mixing,
        seen: &[f64],
        tap_c: f64,
    ) -> Result<Self, Refusal> {
        let tap = within("tap water, °C", tap_c, 0.0, 60.0)?;
        let friction = learn_friction(mixing, seen)?;
        let water_c = bowl.water_c(wanted_c, friction.mean)?;
        let mut cautions = Vec::new();
        if water_c > HOT_LIQUID_C {
            cautions.push(WaterCaution::HarmsYeast);
        }
        let ice = ice_share(tap, water_c.clamp(-60.0, 100.0))?;
        if water_c < 0.0 {
            cautions.push(WaterCaution::ChillFlour);
        } else if ice >= 0.01 {
            cautions.push(WaterCaution::TakeIce);
        }
        if seen.is_empty() {
            cautions.push(WaterCaution::NotMeasuredYet);
        }
        let n = if bowl.preferment_c.is_some() {
            4.0
        } else {
            3.0
        };
        let (low, high) = friction.predictive_interval(0.8);
        Ok(Self {
            water_c,
            ice_share: ice,
            friction_c: friction.mean,
            measured: seen.len(),
            dough_within_c: 0.5 * (high - low) / n,
            cautions,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_trade_pages_examples_once_the_mixer_is_known() {
        // Trade pages and class notes, °F: wanted, room, flour, pre-ferment, friction, water.
        let c = |f: f64| (f - 32.0) / 1.8;
        for (wanted, room, flour, preferment, friction, water) in [
            (75.0, 65.0, 65.0, None, 8.0, 87.0),
            (75.0, 71.0, 71.0, Some(71.0), 20.0, 67.0),
            (80.0, 65.0, 75.0, None, 35.0, 65.0),
        ] {
            let bowl = Going {
                room_c: c(room),
                flour_c: c(flour),
                preferment_c: Option::map(preferment, c),
            };
            let seen = [friction / 1.8; 400];
            let plan = WaterPlan::for_dough(c(wanted), bowl, Mixing::StandMixer, &seen, 15.0)
                .expect("valid");
            assert!(
                (plan.water_c * 1.8 + 32.0 - water).abs() < 0.2,
                "{}",
                plan.water_c * 1.8 + 32.0
            );
        }
    }

    #[test]
    fn cautions() {
        let cold = Going {
            room_c: 5.0,
            flour_c: 2.0,
            preferment_c: None,
        };
        let hot = WaterPlan::for_dough(27.0, cold, Mixing::Hand, &[], 12.0).expect("valid");
        assert_eq!(
            hot.cautions,
            [WaterCaution::HarmsYeast, WaterCaution::NotMeasuredYet]
        );
        let summer = Going {
            room_c: 31.0,
            flour_c: 30.0,
            preferment_c: None,
        };
        let ice = WaterPlan::for_dough(24.0, summer, Mixing::Hand, &[5.0], 18.0).expect("valid");
        assert_eq!(ice.cautions, [WaterCaution::TakeIce]);
        assert!(ice.ice_share > 0.0 && ice.ice_share < 0.3);
        let hopeless = WaterPlan::for_dough(22.0, summer, Mixing::FoodProcessor, &[14.0], 18.0)
            .expect("valid");
        assert_eq!(hopeless.cautions, [WaterCaution::ChillFlour]);
    }
}

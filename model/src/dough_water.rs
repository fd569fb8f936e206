//! The water (or milk) temperature that brings a dough to the temperature wanted, and the friction of
//! a mixer learned from the doughs it made.
//!
//! ```text
//! T_water = n·T_wanted - T_room - T_flour - [T_preferment] - FF        n = 3, or 4 with a pre-ferment
//! ```
//! Bakers' rule (several trade pages and class notes). `FF`, the friction factor, is a temperature
//! *difference*: from °F divide by 1.8, without the 32. Being subtracted from three temperatures'
//! worth it is about three times the true warming by mixing. Starting values, in °F: by hand 5, stand
//! mixer 20, food processor 25.
//!
//! Where somebody meets the answer: liquid above [`HOT_LIQUID_C`] can harm the yeast it touches, and
//! raw egg or milk held warm is a matter for the local food code.

use crate::refusal::{Refusal, within};
use crate::shrinkage::{Shrunk, shrink};

/// Liquid hotter than this is worth a caution: yeast that touches it may suffer (common practice, no
/// published source).
pub const HOT_LIQUID_C: f64 = 43.0;
/// Melting a kilogram of ice takes as much heat as cooling it by this many °C: 334 kJ/kg over
/// 4.19 kJ/kg/K.
const ICE_AS_DEGREES: f64 = 79.7;
/// Spread of a friction factor between bakes with the same mixer, °C (own choice).
const FRICTION_SD_C: f64 = 3.0;
/// Spread of the mixers' friction factors around the starting values, °C (own choice).
const FRICTION_PRIOR_SD_C: f64 = 4.0;

/// How the dough is mixed, for a friction factor before one was learned.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mixing {
    /// By hand.
    Hand,
    /// In a stand mixer.
    StandMixer,
    /// In a food processor.
    FoodProcessor,
}

impl Mixing {
    /// Usual friction factor, °C of difference.
    ///
    /// ```
    /// use doughwarden_model::dough_water::Mixing;
    /// // 20 °F of difference in a stand mixer: divided by 1.8, no 32.
    /// assert!((Mixing::StandMixer.usual_friction_c() - 20.0 / 1.8).abs() < 1e-9);
    /// ```
    pub fn usual_friction_c(self) -> f64 {
        match self {
            Mixing::Hand => 5.0 / 1.8,
            Mixing::StandMixer => 20.0 / 1.8,
            Mixing::FoodProcessor => 25.0 / 1.8,
        }
    }
}

/// What goes into the bowl, °C.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Going {
    /// The room.
    pub room_c: f64,
    /// The flour.
    pub flour_c: f64,
    /// The pre-ferment, if there is one.
    pub preferment_c: Option<f64>,
}

impl Going {
    fn sum(&self) -> Result<(f64, f64), Refusal> {
        let room = within("room, °C", self.room_c, -20.0, 50.0)?;
        let flour = within("flour, °C", self.flour_c, -30.0, 60.0)?;
        match self.preferment_c {
            None => Ok((3.0, room + flour)),
            Some(p) => Ok((
                4.0,
                room + flour + within("pre-ferment, °C", p, -5.0, 50.0)?,
            )),
        }
    }

    /// Water temperature for a dough at `wanted_c` (0 to 45) with friction factor `friction_c` (a
    /// difference): `n·T_wanted - T_room - T_flour - [T_preferment] - FF`.
    /// It may come out below 0 or above [`HOT_LIQUID_C`]: see [`ice_share`], or change the flour.
    ///
    /// ```
    /// use doughwarden_model::dough_water::Going;
    /// let bowl = Going { room_c: 21.0, flour_c: 22.0, preferment_c: None };
    /// assert!((bowl.water_c(25.0, 24.0 / 1.8)? - 18.667).abs() < 1e-3);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn water_c(&self, wanted_c: f64, friction_c: f64) -> Result<f64, Refusal> {
        let wanted = within("dough temperature wanted, °C", wanted_c, 0.0, 45.0)?;
        let friction = within("friction factor, °C", friction_c, -20.0, 60.0)?;
        let (n, sum) = self.sum()?;
        Ok(n * wanted - sum - friction)
    }

    /// The friction factor a finished dough reveals: `n·T_dough - T_room - T_flour - … - T_water`.
    ///
    /// ```
    /// use doughwarden_model::dough_water::Going;
    /// let bowl = Going { room_c: 21.0, flour_c: 22.0, preferment_c: None };
    /// assert!((bowl.friction_c(18.0, 25.0)? - 14.0).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn friction_c(&self, water_c: f64, dough_c: f64) -> Result<f64, Refusal> {
        let dough = within("dough after mixing, °C", dough_c, 0.0, 50.0)?;
        let water = within("water, °C", water_c, -5.0, 80.0)?;
        let (n, sum) = self.sum()?;
        Ok(n * dough - sum - water)
    }
}

/// The friction factor after the factors `seen` (from [`Going::friction_c`]) were revealed, held to the
/// usual one of this way of mixing. One measured dough already counts for more than the prior.
///
/// ```
/// use doughwarden_model::dough_water::{Mixing, learn_friction};
/// let friction = learn_friction(Mixing::StandMixer, &[13.0, 14.0, 12.5])?;
/// assert!(friction.mean > 12.0 && friction.mean < 13.2 && friction.weight > 0.8);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn learn_friction(mixing: Mixing, seen: &[f64]) -> Result<Shrunk, Refusal> {
    for f in seen {
        within("friction factor, °C", *f, -60.0, 150.0)?;
    }
    let mean = seen.iter().sum::<f64>() / seen.len().max(1) as f64;
    shrink(
        seen.len(),
        mean,
        FRICTION_SD_C,
        mixing.usual_friction_c(),
        FRICTION_PRIOR_SD_C,
    )
}

/// Share of the water to take as ice so that tap water at `tap_c` stands in for water at `wanted_c`:
/// `(tap - wanted)/(tap + 79.7)`, 0 when the tap is cold enough: what melting takes (334 kJ/kg, from memory) and
/// warming the melt is what the rest gives up. Ice at 0 °C, all of it counted as melted.
///
/// ```
/// use doughwarden_model::dough_water::ice_share;
/// assert!((ice_share(20.0, 5.0)? - 0.15).abs() < 1e-3);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn ice_share(tap_c: f64, wanted_c: f64) -> Result<f64, Refusal> {
    let tap = within("tap water, °C", tap_c, 0.0, 60.0)?;
    let wanted = within("water wanted, °C", wanted_c, -60.0, 100.0)?;
    Ok(((tap - wanted) / (tap + ICE_AS_DEGREES)).clamp(0.0, 1.0))
}

/// Water temperature by a heat balance, the second opinion: `flour_kg` of heat capacity 1.8 kJ/kg/K
/// at `flour_c`, `water_kg`, and mixing that truly warms the dough by `mixing_rise_c` (about a third of the
/// friction factor).
/// ```text
/// T_water = T0 + 1.8·m_flour·(T0 - T_flour)/(4.18·m_water)          T0 = T_wanted - mixing rise
/// ```
/// What the heat capacities say (own derivation). Bowl, room and flour's heat of wetting are left out, which the
/// bakers' rule holds in its friction factor; 0 to 45 °C wanted.
///
/// ```
/// use doughwarden_model::dough_water::water_by_heat_balance_c;
/// assert!((water_by_heat_balance_c(25.0, 1.0, 21.0, 0.65, 4.0)? - 21.0).abs() < 1e-9);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn water_by_heat_balance_c(
    wanted_c: f64,
    flour_kg: f64,
    flour_c: f64,
    water_kg: f64,
    mixing_rise_c: f64,
) -> Result<f64, Refusal> {
    let before = within("dough temperature wanted, °C", wanted_c, 0.0, 45.0)?
        - within("warming by mixing, °C", mixing_rise_c, 0.0, 25.0)?;
    let flour = 1.8 * within("flour, kg", flour_kg, 0.0, 1e5)?;
    let water = 4.18 * within("water, kg", water_kg, 1e-6, 1e5)?;
    let flour_c = within("flour, °C", flour_c, -30.0, 60.0)?;
    Ok(before + flour * (before - flour_c) / water)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn close(got: f64, want: f64, tolerance: f64) {
        assert!(
            (got - want).abs() <= tolerance,
            "{got} is not {want} to {tolerance}"
        );
    }

    fn c(fahrenheit: f64) -> f64 {
        (fahrenheit - 32.0) / 1.8
    }

    #[test]
    fn the_bakers_rule() {
        // Trade pages and class notes, in °F: wanted, room, flour, pre-ferment, friction, water.
        for (wanted, room, flour, preferment, friction, water) in [
            (75.0, 65.0, 65.0, None, 8.0, 87.0),
            (75.0, 71.0, 71.0, Some(71.0), 20.0, 67.0),
            (80.0, 65.0, 75.0, None, 35.0, 65.0),
            (78.0, 60.0, 70.0, None, 16.0, 88.0),
        ] {
            let bowl = Going {
                room_c: c(room),
                flour_c: c(flour),
                preferment_c: preferment.map(c),
            };
            let got = bowl.water_c(c(wanted), friction / 1.8).expect("valid");
            close(got * 1.8 + 32.0, water, 1e-9);
            close(
                bowl.friction_c(got, c(wanted)).expect("valid"),
                friction / 1.8,
                1e-9,
            );
        }
        let bowl = Going {
            room_c: 21.0,
            flour_c: 22.0,
            preferment_c: None,
        };
        close(bowl.water_c(25.0, 24.0 / 1.8).expect("valid"), 18.667, 4e-4);
    }

    #[test]
    fn friction_is_learned_from_the_prior_on() {
        let none = learn_friction(Mixing::StandMixer, &[]).expect("valid");
        close(none.mean, 20.0 / 1.8, 1e-12);
        let many = learn_friction(Mixing::Hand, &[9.0; 20]).expect("valid");
        assert!((many.mean - 9.0).abs() < 0.3 && many.sd < 1.0);
        assert!(learn_friction(Mixing::Hand, &[f64::NAN]).is_err());
    }

    #[test]
    fn ice_keeps_the_heat_balance() {
        let share = ice_share(22.0, 3.0).expect("valid");
        // Warm water gives up as much as melting and warming the ice takes.
        close(
            (1.0 - share) * (22.0 - 3.0),
            share * (ICE_AS_DEGREES + 3.0),
            1e-9,
        );
        close(ice_share(10.0, 15.0).expect("valid"), 0.0, 0.0);
    }

    proptest! {
        #[test]
        fn any_bits_are_refused_or_finite(v in proptest::array::uniform5(proptest::num::f64::ANY)) {
            let bowl = Going { room_c: v[0], flour_c: v[1], preferment_c: Some(v[2]) };
            for x in [bowl.water_c(v[3], v[4]), bowl.friction_c(v[3], v[4]), ice_share(v[0], v[1]),
                water_by_heat_balance_c(v[0], v[1], v[2], v[3], v[4])].into_iter().flatten() {
                prop_assert!(x.is_finite());
            }
        }
    }
}

//! The air in places: a room that follows the day, and cavities (proof box, oven, fridge) of two
//! bodies, air and walls, so that the air answers in minutes and the walls in an hour.

use super::chance::{Chance, Wander};
use crate::time::{HOUR_MS, UtcMs};

/// Saturation vapour pressure over water, Pa: the model's Magnus formula; beyond its range, its
/// nearest value (an oven over 100 °C holds no more vapour than the room gives it).
#[must_use]
pub fn saturation_pa(temperature_c: f64) -> f64 {
    doughwarden_model::humid_air::saturation_pa(temperature_c.clamp(-45.0, 100.0)).unwrap_or(2300.0)
}

/// A room: a mean, a daily swing warmest at three in the afternoon, wandering, doors opened.
#[derive(Clone, Debug)]
pub struct Room {
    /// Its mean over the day, °C.
    pub mean_c: f64,
    /// Half of what the day adds to the night, °C.
    pub swing_c: f64,
    /// Doors opened in an hour.
    pub doors_per_h: f64,
    /// What one opening takes from it at once, °C.
    pub door_drop_c: f64,
    /// Its vapour pressure, Pa: the house's, much the same all day.
    pub vapour_pa: f64,
    wander: Wander,
    door_c: f64,
    air_c: f64,
}

/// A room is warm again so many seconds after a door (1/e of the dip is left).
const DOOR_RELAXES_S: f64 = 480.0;

impl Room {
    /// A room about a mean temperature, with half-degree wandering of forty minutes.
    pub fn new(mean_c: f64, swing_c: f64, doors_per_h: f64, chance: &mut Chance) -> Self {
        let wander = Wander::new(0.35, 2400.0, chance);
        Self {
            mean_c,
            swing_c,
            doors_per_h,
            door_drop_c: 1.2,
            vapour_pa: saturation_pa(mean_c) * chance.between(0.35, 0.6),
            wander,
            door_c: 0.0,
            air_c: mean_c,
        }
    }

    /// Its air, °C.
    #[must_use]
    pub fn air_c(&self) -> f64 {
        self.air_c
    }

    /// Its relative humidity, %.
    #[must_use]
    pub fn humidity_pct(&self) -> f64 {
        (100.0 * self.vapour_pa / saturation_pa(self.air_c)).clamp(0.0, 100.0)
    }

    /// Lets `dt_s` pass, up to `at`.
    pub fn step(&mut self, dt_s: f64, at: UtcMs, chance: &mut Chance) {
        let hour = (at.0.rem_euclid(24 * HOUR_MS)) as f64 / HOUR_MS as f64;
        self.door_c *= (-dt_s / DOOR_RELAXES_S).exp();
        if chance.happens(self.doors_per_h * dt_s / 3600.0) {
            self.door_c -= self.door_drop_c;
        }
        self.air_c = self.mean_c
            + self.swing_c * (std::f64::consts::TAU * (hour - 15.0) / 24.0).cos()
            + self.wander.step(dt_s, chance)
            + self.door_c;
    }
}

/// A switch that keeps a temperature: heats below (or, with negative power, cools above).
#[derive(Clone, Copy, Debug)]
pub struct Thermostat {
    /// The temperature it keeps, °C.
    pub set_c: f64,
    /// It switches this far to either side.
    pub band_k: f64,
    /// Its power, W; negative cools.
    pub watts: f64,
    /// Whether it is on now.
    pub on: bool,
}

/// A box, an oven's cavity or a fridge: air and walls, what heats them, and the room around.
#[derive(Clone, Debug)]
pub struct Cavity {
    /// Its air, °C.
    pub air_c: f64,
    /// Its walls, racks and liner, °C.
    pub walls_c: f64,
    /// Heat capacity of the air and what follows it at once, J/K.
    pub air_j_k: f64,
    /// Heat capacity of the walls, J/K.
    pub walls_j_k: f64,
    /// From air to walls, W/K.
    pub inner_w_k: f64,
    /// From walls to the room, W/K.
    pub outer_w_k: f64,
    /// A lamp, W; 0 when off.
    pub lamp_w: f64,
    /// A thermostat, if it has one.
    pub thermostat: Option<Thermostat>,
    /// The oven's main element, W; 0 when off.
    pub element_w: f64,
    element_now_w: f64,
    /// A pan of hot water inside: its temperature, °C, and what it holds, J/K.
    pub pan: Option<(f64, f64)>,
    /// Vapour pressure inside, Pa.
    pub vapour_pa: f64,
}

/// The share of a lamp's, thermostat's heat that goes to the air first.
const LAMP_TO_AIR: f64 = 0.6;
/// The share of the main element's heat that goes to the air first; the walls face it.
const ELEMENT_TO_AIR: f64 = 0.2;
/// An element glows so many seconds after it is switched on (1/e is missing).
const ELEMENT_GLOWS_S: f64 = 15.0;
/// A wet dough (or its tray of water) makes the air of a closed box its own in so many seconds.
const MOISTENS_S: f64 = 1500.0;
/// From a pan of water to the air, W/K, its steam counted in.
const PAN_W_K: f64 = 0.8;
/// An oven's main element, W, as it reaches the cavity.
pub const MAIN_ELEMENT_W: f64 = 1650.0;

impl Cavity {
    /// An oven that is off, as warm as the room; a lamp of `lamp_w`.
    #[must_use]
    pub fn oven(room_c: f64, lamp_w: f64) -> Self {
        Self {
            air_c: room_c,
            walls_c: room_c,
            air_j_k: 1500.0,
            walls_j_k: 6500.0,
            inner_w_k: 9.0,
            outer_w_k: 1.7,
            lamp_w,
            thermostat: None,
            element_w: 0.0,
            element_now_w: 0.0,
            pan: None,
            vapour_pa: saturation_pa(room_c) * 0.5,
        }
    }

    /// A proof box kept at a temperature.
    #[must_use]
    pub fn proof_box(room_c: f64, set_c: f64) -> Self {
        Self {
            air_j_k: 500.0,
            walls_j_k: 2600.0,
            inner_w_k: 5.0,
            outer_w_k: 1.1,
            thermostat: Some(Thermostat {
                set_c,
                band_k: 0.4,
                watts: 35.0,
                on: false,
            }),
            ..Self::oven(room_c, 0.0)
        }
    }

    /// A fridge at 3 to 6 °C.
    #[must_use]
    pub fn fridge(room_c: f64) -> Self {
        Self {
            air_c: 4.5,
            walls_c: 4.5,
            air_j_k: 4000.0,
            walls_j_k: 20_000.0,
            inner_w_k: 12.0,
            outer_w_k: 1.5,
            thermostat: Some(Thermostat {
                set_c: 4.5,
                band_k: 1.5,
                watts: -90.0,
                on: false,
            }),
            ..Self::oven(room_c, 0.0)
        }
    }

    /// Its relative humidity, %.
    #[must_use]
    pub fn humidity_pct(&self) -> f64 {
        (100.0 * self.vapour_pa / saturation_pa(self.air_c)).clamp(0.0, 100.0)
    }

    /// Power going into air and walls now, W.
    #[must_use]
    pub fn heat_in_w(&self) -> f64 {
        let kept = self
            .thermostat
            .map_or(0.0, |t| if t.on { t.watts } else { 0.0 });
        self.lamp_w + kept + self.element_now_w
    }

    /// Its door is opened: so much of its air is the room's.
    pub fn open_door(&mut self, share: f64, room_c: f64, room_vapour_pa: f64) {
        self.air_c += share * (room_c - self.air_c);
        self.vapour_pa += share * (room_vapour_pa - self.vapour_pa);
    }

    /// Lets `dt_s` pass in a room, with dough drawing `drawn_w` from the air and, if there is any,
    /// its surface at `dough_c`. Implicit, so it is stable at any step.
    pub fn step(
        &mut self,
        dt_s: f64,
        room_c: f64,
        room_vapour_pa: f64,
        drawn_w: f64,
        dough_c: Option<f64>,
    ) {
        if let Some(t) = &mut self.thermostat {
            let wants_heat = t.watts > 0.0;
            if self.air_c < t.set_c - t.band_k {
                t.on = wants_heat;
            } else if self.air_c > t.set_c + t.band_k {
                t.on = !wants_heat;
            }
        }
        self.element_now_w +=
            (self.element_w - self.element_now_w) * (1.0 - (-dt_s / ELEMENT_GLOWS_S).exp());
        let warm = self.heat_in_w() - self.element_now_w;
        let pan_w = self.pan.as_mut().map_or(0.0, |(water_c, holds_j_k)| {
            let gives = PAN_W_K * (*water_c - self.air_c);
            *water_c -= gives * dt_s / *holds_j_k;
            gives
        });
        let to_air = LAMP_TO_AIR * warm + ELEMENT_TO_AIR * self.element_now_w + pan_w - drawn_w;
        let to_walls = (1.0 - LAMP_TO_AIR) * warm + (1.0 - ELEMENT_TO_AIR) * self.element_now_w;
        let (ca, cw) = (self.air_j_k / dt_s, self.walls_j_k / dt_s);
        let (a11, a22, g) = (
            ca + self.inner_w_k,
            cw + self.inner_w_k + self.outer_w_k,
            self.inner_w_k,
        );
        let b1 = ca * self.air_c + to_air;
        let b2 = cw * self.walls_c + self.outer_w_k * room_c + to_walls;
        let det = a11 * a22 - g * g;
        self.air_c = (b1 * a22 + g * b2) / det;
        self.walls_c = (a11 * b2 + g * b1) / det;

        let wet = dough_c
            .or(self.pan.map(|_| self.air_c))
            .map_or(room_vapour_pa, |c| {
                room_vapour_pa + 0.65 * (0.97 * saturation_pa(c) - room_vapour_pa)
            });
        self.vapour_pa += (wet - self.vapour_pa) * (1.0 - (-dt_s / MOISTENS_S).exp());
        self.vapour_pa = self.vapour_pa.min(saturation_pa(self.air_c));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minutes(cavity: &mut Cavity, room_c: f64, minutes: f64) {
        for _ in 0..(minutes * 60.0) as usize {
            cavity.step(1.0, room_c, 1200.0, 0.0, None);
        }
    }

    /// First-order arithmetic of a lamp in a box: T' = (Troom + P/UA - T)/tau, tau = C/UA. P 25 W,
    /// UA 1.6 W/K, C 8 kJ/K: 15.625 K over the room in the end, tau 83.333 min, and 24.723807 °C
    /// after 30 min from 20 °C (worked from the equation).
    #[test]
    fn a_lamp_in_one_body_follows_the_first_order_law() {
        let mut oven = Cavity {
            air_j_k: 4000.0,
            walls_j_k: 4000.0,
            inner_w_k: 1e6,
            outer_w_k: 1.6,
            ..Cavity::oven(20.0, 25.0)
        };
        minutes(&mut oven, 20.0, 30.0);
        assert!((oven.air_c - 24.723_807).abs() < 5e-3, "{}", oven.air_c);
        minutes(&mut oven, 20.0, 15.0 * 83.333);
        assert!((oven.air_c - 35.625).abs() < 1e-3, "{}", oven.air_c);
    }

    /// Two bodies: at rest, all the lamp's heat passes the walls, and its air share passes from
    /// the air to them (Ohm's law for heat).
    #[test]
    fn a_lamp_lifts_walls_and_air_by_their_resistances() {
        let mut oven = Cavity::oven(20.0, 15.0);
        minutes(&mut oven, 20.0, 1800.0);
        let walls = 20.0 + 15.0 / 1.7;
        assert!((oven.walls_c - walls).abs() < 1e-3);
        assert!((oven.air_c - walls - 9.0 / 9.0).abs() < 1e-3);
    }

    /// The air answers in minutes, the walls in an hour (the two poles of an oven's cavity).
    #[test]
    fn an_oven_has_a_pole_of_minutes_and_one_of_an_hour() {
        let oven = Cavity::oven(20.0, 0.0);
        let (ca, cw, u, o) = (oven.air_j_k, oven.walls_j_k, oven.inner_w_k, oven.outer_w_k);
        let (trace, det) = (u / ca + (u + o) / cw, u * o / (ca * cw));
        let root = (trace * trace - 4.0 * det).sqrt();
        let (fast, slow) = (2.0 / (trace + root) / 60.0, 2.0 / (trace - root) / 60.0);
        assert!((1.0..5.0).contains(&fast), "{fast} min");
        assert!((50.0..110.0).contains(&slow), "{slow} min");
    }

    /// An oven's preheat to 177 °C takes 12 to 15 min, common practice: 10 to 13 °C a minute.
    #[test]
    fn the_main_element_heats_as_ovens_do() {
        let mut oven = Cavity::oven(22.0, 0.0);
        oven.element_w = MAIN_ELEMENT_W;
        minutes(&mut oven, 22.0, 1.0);
        let after_one = oven.air_c;
        minutes(&mut oven, 22.0, 4.0);
        let rate = (oven.air_c - after_one) / 4.0;
        assert!((10.0..13.0).contains(&rate), "{rate} °C/min");
    }

    /// What goes in is stored or passes to the room.
    #[test]
    fn energy_is_kept() {
        let mut oven = Cavity::oven(21.0, 20.0);
        let (mut into, mut out, dough_w) = (0.0, 0.0, 3.0);
        let before = oven.air_j_k * oven.air_c + oven.walls_j_k * oven.walls_c;
        for _ in 0..5000 {
            oven.step(5.0, 21.0, 1200.0, dough_w, None);
            into += 5.0 * oven.heat_in_w();
            out += 5.0 * (oven.outer_w_k * (oven.walls_c - 21.0) + dough_w);
        }
        let after = oven.air_j_k * oven.air_c + oven.walls_j_k * oven.walls_c;
        assert!(((into - out) - (after - before)).abs() < 1e-6 * into);
    }

    /// A pan of boiling water makes a cold oven a proof box, at about 27 to 35 °C for the first hour
    /// (common practice, no published source).
    #[test]
    fn a_pan_of_boiling_water_warms_an_oven_as_bakers_use_it() {
        let mut oven = Cavity::oven(21.0, 0.0);
        oven.pan = Some((98.0, 4186.0));
        minutes(&mut oven, 21.0, 15.0);
        assert!((27.0..35.0).contains(&oven.air_c), "{}", oven.air_c);
        minutes(&mut oven, 21.0, 45.0);
        assert!((27.0..35.0).contains(&oven.air_c), "{}", oven.air_c);
    }

    #[test]
    fn box_and_fridge_keep_their_temperatures() {
        let (mut warm, mut cold) = (Cavity::proof_box(19.0, 28.0), Cavity::fridge(19.0));
        minutes(&mut warm, 19.0, 240.0);
        minutes(&mut cold, 19.0, 240.0);
        for _ in 0..120 {
            minutes(&mut warm, 19.0, 1.0);
            minutes(&mut cold, 19.0, 1.0);
            assert!((warm.air_c - 28.0).abs() < 1.2, "{}", warm.air_c);
            assert!((2.0..7.5).contains(&cold.air_c), "{}", cold.air_c);
        }
    }
}

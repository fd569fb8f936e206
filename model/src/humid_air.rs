//! Humid air over a dough: saturation pressure, dew point, and whether the surface sweats or dries.
//!
//! ```text
//! Magnus          es = 611.2·exp[17.62·t/(243.12 + t)]  Pa      (Sonntag 1990; WMO guide 2008 p. 1.4-29)
//! dew point       td = 243.12·a/(17.62 - a),  a = ln(RH/100) + 17.62·t/(243.12 + t)
//! Hyland-Wexler   ln p = -5800.2206/T + 1.3914993 - 0.048640239·T + 4.1764768e-5·T²
//!                        - 1.4452093e-8·T³ + 6.5459673·ln T     (ASHRAE, 0 to 200 °C, T in K)
//! W = 0.621945·e/(p - e)          VPD = es - e
//! ```
//! Over water, below 0 °C too (a dew point below 0 is not a frost point). Both saturation laws are
//! within 0.32 % of IAPWS from 0 to 50 °C, far inside a ±2 % humidity sensor. No enhancement factor
//! for real air is applied (libraries that do so sit about 0.75 % higher).
//!
//! A dough at air temperature dries whenever the air is below 97 %, so a yes/no alarm would never
//! stop; [`Skin`] keeps an account in g/m² instead:
//! ```text
//! m'' = hm·(aw·es(Ts) - e)/(461.5·T)        hm = hc/(rho·cp·Le^(2/3))
//! ```

use crate::refusal::{Refusal, within};

/// Water activity of a dough's surface (common practice, no published source).
pub const DOUGH_SURFACE_WATER_ACTIVITY: f64 = 0.97;
/// Gas constant of water vapour, J/kg/K.
const VAPOUR_GAS_CONSTANT: f64 = 461.5;
/// `rho·cp` of air near 32 °C, J/m³/K.
const AIR_HEAT_CAPACITY_PER_M3: f64 = 1163.0;
/// Lewis number of water vapour in air.
const LEWIS: f64 = 0.85;
/// Convective film coefficient in still air, W/m²/K.
const STILL_AIR_CONVECTION: f64 = 4.5;
/// Loss at which a skin is worth a word, g/m² (own choice).
pub const SKIN_WARNING_G_M2: f64 = 100.0;

/// Saturation pressure over water by Magnus, Pa: `es = 611.2·exp[17.62·t/(243.12 + t)]`.
///
/// Sonntag 1990, WMO guide 2008. -45 to 100 °C are taken; within 0.32 % of IAPWS from 0 to 50 °C, meant for
/// -45 to 60 (from memory).
///
/// ```
/// use doughwarden_model::humid_air::saturation_pa;
/// assert!((saturation_pa(20.0)? - 2332.596).abs() < 1e-3);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn saturation_pa(temperature_c: f64) -> Result<f64, Refusal> {
    let t = within("temperature, °C", temperature_c, -45.0, 100.0)?;
    Ok(611.2 * (17.62 * t / (243.12 + t)).exp())
}

/// Saturation pressure by Hyland and Wexler, Pa, 0 to 200 °C: the second opinion. The equation in the
/// module's head, as in ASHRAE's handbook (read in code); within 0.023 % of IAPWS from 0 to 50 °C.
///
/// ```
/// use doughwarden_model::humid_air::saturation_hyland_wexler_pa;
/// assert!((saturation_hyland_wexler_pa(25.0)? - 3169.216).abs() < 1e-3);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn saturation_hyland_wexler_pa(temperature_c: f64) -> Result<f64, Refusal> {
    let t = within("temperature, °C", temperature_c, 0.0, 200.0)? + 273.15;
    Ok(
        (-5.8002206e3 / t + 1.3914993 - 4.8640239e-2 * t + 4.1764768e-5 * t * t
            - 1.4452093e-8 * t * t * t
            + 6.5459673 * t.ln())
        .exp(),
    )
}

/// Vapour pressure, Pa, of air at `temperature_c` and `humidity_percent` (0 to 100).
///
/// `e = RH/100·es(t)`.
///
/// ```
/// use doughwarden_model::humid_air::vapour_pa;
/// assert!((vapour_pa(27.0, 75.0)? - 2667.67).abs() < 0.01);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn vapour_pa(temperature_c: f64, humidity_percent: f64) -> Result<f64, Refusal> {
    Ok(
        saturation_pa(temperature_c)? * within("humidity, %", humidity_percent, 0.0, 100.0)?
            / 100.0,
    )
}

/// Dew point over water, °C, of air at `temperature_c` (-45 to 100) and at least 0.1 % humidity:
/// `td = 243.12·a/(17.62 - a)`, `a = ln(RH/100) + 17.62·t/(243.12 + t)`, Magnus turned round. Within 0.03 K of a
/// fluid-property library above 0 °C; below, frost forms a little earlier.
///
/// ```
/// use doughwarden_model::humid_air::dew_point_c;
/// assert!((dew_point_c(35.0, 80.0)? - 31.0283).abs() < 1e-4);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn dew_point_c(temperature_c: f64, humidity_percent: f64) -> Result<f64, Refusal> {
    let t = within("temperature, °C", temperature_c, -45.0, 100.0)?;
    let h = within("humidity, %", humidity_percent, 0.1, 100.0)?;
    let a = (h / 100.0).ln() + 17.62 * t / (243.12 + t);
    Ok(243.12 * a / (17.62 - a))
}

/// Water per dry air, kg/kg, at `pressure_pa` (50 000 to 120 000; normal: 101 325): `W = 0.621945·e/(p - e)`,
/// 0.621945 the molar mass of water over air's (ASHRAE). Refused where `e` comes near `p`.
///
/// ```
/// use doughwarden_model::humid_air::humidity_ratio;
/// assert!((humidity_ratio(27.0, 75.0, 101_325.0)? - 0.016817).abs() < 1e-6);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn humidity_ratio(
    temperature_c: f64,
    humidity_percent: f64,
    pressure_pa: f64,
) -> Result<f64, Refusal> {
    let e = vapour_pa(temperature_c, humidity_percent)?;
    let p = within("pressure, Pa", pressure_pa, 5e4, 1.2e5)?;
    if e >= 0.9 * p {
        return Err(Refusal::Inconsistent(
            "the vapour pressure is close to the whole pressure",
        ));
    }
    Ok(0.621945 * e / (p - e))
}

/// Vapour pressure deficit `es - e`, Pa: how hard the air pulls at water as warm as itself. Range of
/// [`saturation_pa`].
///
/// ```
/// use doughwarden_model::humid_air::vapour_pressure_deficit_pa;
/// assert!((vapour_pressure_deficit_pa(27.0, 75.0)? - 889.22).abs() < 0.01);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn vapour_pressure_deficit_pa(
    temperature_c: f64,
    humidity_percent: f64,
) -> Result<f64, Refusal> {
    Ok(saturation_pa(temperature_c)? - vapour_pa(temperature_c, humidity_percent)?)
}

/// What the surface of a dough does in given air.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Surface {
    /// Colder than the dew point: water settles on it.
    Condenses,
    /// Loses water: a skin in the making.
    Dries,
    /// Neither.
    Holds,
}

/// Whether a surface at `surface_c` sweats or dries in air at `air_c` and `humidity_percent`: it sweats when
/// `e > es(Ts)` (colder than the dew point), dries when `aw·es(Ts) > e`, `aw` 0.97 (common practice, no published
/// source), and between the two holds.
///
/// ```
/// use doughwarden_model::humid_air::{Surface, surface};
/// assert_eq!(surface(24.0, 35.0, 80.0)?, Surface::Condenses); // a cool dough in a warm wet box
/// assert_eq!(surface(32.0, 35.0, 80.0)?, Surface::Dries);     // and later
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn surface(surface_c: f64, air_c: f64, humidity_percent: f64) -> Result<Surface, Refusal> {
    let e = vapour_pa(air_c, humidity_percent)?;
    let own = saturation_pa(surface_c)?;
    Ok(if e > own {
        Surface::Condenses
    } else if DOUGH_SURFACE_WATER_ACTIVITY * own > e {
        Surface::Dries
    } else {
        Surface::Holds
    })
}

/// Water leaving a surface of water activity `aw`, g/m²/h; below 0 it settles.
///
/// `m'' = hm·(aw·es(Ts) - e)/(461.5·T)`, `T` of the surface in K, `hm` of still air (`hc` 4.5 W/m²/K, own choice):
/// moving air dries several times faster, a cloth over it far more slowly.
///
/// ```
/// use doughwarden_model::humid_air::evaporation_g_m2_h;
/// assert!((evaporation_g_m2_h(0.97, 24.0, 24.0, 45.0)? - 175.0).abs() < 0.5);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn evaporation_g_m2_h(
    aw: f64,
    surface_c: f64,
    air_c: f64,
    humidity_percent: f64,
) -> Result<f64, Refusal> {
    let aw = within("water activity", aw, 0.0, 1.0)?;
    let difference = aw * saturation_pa(surface_c)? - vapour_pa(air_c, humidity_percent)?;
    Ok(3.6e6 * mass_transfer_m_s(STILL_AIR_CONVECTION) * difference
        / (VAPOUR_GAS_CONSTANT * (surface_c + 273.15)))
}

/// Mass transfer coefficient, m/s, that goes with a convective film coefficient `convection`, W/m²/K, without
/// radiation's part (Lewis analogy; heat-transfer textbooks, from memory).
///
/// `hm = hc/(rho·cp·Le^(2/3))`, `rho·cp` 1163 J/m³/K as near 32 °C, Le 0.85.
///
/// ```
/// use doughwarden_model::humid_air::mass_transfer_m_s;
/// assert!((mass_transfer_m_s(4.5) - 0.00431).abs() < 1e-5);
/// ```
pub fn mass_transfer_m_s(convection: f64) -> f64 {
    convection / (AIR_HEAT_CAPACITY_PER_M3 * LEWIS.powf(2.0 / 3.0))
}

/// The account of a surface: the film of water on it and what it has lost for good.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Skin {
    /// Condensed water on the surface, g/m².
    pub film_g_m2: f64,
    /// Water the dough itself has lost, g/m²; a skin shows from about [`SKIN_WARNING_G_M2`].
    pub lost_g_m2: f64,
}

impl Skin {
    /// Carries the account forward by `elapsed_s` in steady air: a film grows while the surface is
    /// below the dew point and dries first; only then the dough loses water.
    ///
    /// ```
    /// use doughwarden_model::humid_air::Skin;
    /// let hour = Skin::default().advance(24.0, 24.0, 45.0, 3600.0)?;
    /// assert!((hour.lost_g_m2 - 175.0).abs() < 0.5); // a bare dough in a dry kitchen
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn advance(
        &self,
        surface_c: f64,
        air_c: f64,
        humidity_percent: f64,
        elapsed_s: f64,
    ) -> Result<Self, Refusal> {
        let hours = within("elapsed time, s", elapsed_s, 0.0, 1e7)? / 3600.0;
        let from_film = evaporation_g_m2_h(1.0, surface_c, air_c, humidity_percent)?;
        if from_film < 0.0 {
            return Ok(Self {
                film_g_m2: self.film_g_m2 - from_film * hours,
                ..*self
            });
        }
        let film_hours = if from_film > 0.0 {
            (self.film_g_m2 / from_film).min(hours)
        } else {
            hours
        };
        let bare = evaporation_g_m2_h(
            DOUGH_SURFACE_WATER_ACTIVITY,
            surface_c,
            air_c,
            humidity_percent,
        )?;
        Ok(Self {
            film_g_m2: (self.film_g_m2 - from_film * film_hours).max(0.0),
            lost_g_m2: self.lost_g_m2 + bare.max(0.0) * (hours - film_hours),
        })
    }
}

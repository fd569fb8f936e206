//! Film coefficients in air: natural convection and radiation.

use crate::refusal::{Refusal, within};

/// Stefan-Boltzmann constant, W/m²/K⁴.
pub const STEFAN_BOLTZMANN: f64 = 5.670374e-8;

/// What natural convection asks of the air, at the film temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// Film temperature, °C.
    pub film_c: f64,
    /// Conductivity, W/m/K.
    pub conductivity: f64,
    /// Kinematic viscosity, m²/s.
    pub kinematic_viscosity: f64,
    /// Prandtl number.
    pub prandtl: f64,
}

impl Air {
    /// Dry air at one atmosphere, -20 to 120 °C, by Sutherland's laws (constants from memory; within
    /// 0.5 % of a fluid-property library at 32.5 °C).
    ///
    /// ```
    /// use doughwarden_model::heat::Air;
    /// let air = Air::dry(32.5)?;
    /// assert!((air.conductivity / 0.0268028 - 1.0).abs() < 0.005);   // a fluid-property library
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn dry(film_c: f64) -> Result<Self, Refusal> {
        let t = within("film temperature, °C", film_c, -20.0, 120.0)? + 273.15;
        let viscosity = 1.458e-6 * t.powf(1.5) / (t + 110.4);
        let conductivity = 2.6464e-3 * t.powf(1.5) / (t + 245.4 * 10f64.powf(-12.0 / t));
        let density = 101_325.0 / (287.05 * t);
        Ok(Self {
            film_c,
            conductivity,
            kinematic_viscosity: viscosity / density,
            prandtl: 1006.5 * viscosity / conductivity,
        })
    }

    fn rayleigh(&self, length_m: f64, difference_k: f64) -> f64 {
        9.80665 / (self.film_c + 273.15) * difference_k * length_m.powi(3)
            / (self.kinematic_viscosity * self.kinematic_viscosity)
            * self.prandtl
    }

    /// Film coefficient, W/m²/K, of natural convection around a sphere of `diameter_m` that differs
    /// from the air by `difference_k`: `Nu = 2 + 0.589·Ra^(1/4)/[1 + (0.469/Pr)^(9/16)]^(4/9)`
    /// (Churchill, from memory), `Ra < 1e11`.
    ///
    /// ```
    /// use doughwarden_model::heat::Air;
    /// let air = Air { film_c: 32.5, conductivity: 0.0268028, kinematic_viscosity: 1.628154e-5, prandtl: 0.706362 };
    /// assert!((air.film_of_sphere(0.12, 5.0)? - 3.421).abs() < 0.003);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn film_of_sphere(&self, diameter_m: f64, difference_k: f64) -> Result<f64, Refusal> {
        let (d, dt) = checked(diameter_m, difference_k)?;
        let nusselt = 2.0
            + 0.589 * self.rayleigh(d, dt).powf(0.25)
                / (1.0 + (0.469 / self.prandtl).powf(9.0 / 16.0)).powf(4.0 / 9.0);
        Ok(nusselt * self.conductivity / d)
    }

    /// Film coefficient, W/m²/K, of an upright plate `height_m` high (1 mm to 10 m) that differs from the
    /// air by `difference_k` (Churchill & Chu, from memory, `Ra < 1e12`):
    /// `Nu = {0.825 + 0.387·Ra^(1/6)/[1 + (0.492/Pr)^(9/16)]^(8/27)}²`.
    ///
    /// ```
    /// use doughwarden_model::heat::Air;
    /// let h = Air::dry(32.5)?.film_of_plate(0.12, 5.0)?;
    /// assert!((h - 3.41).abs() < 0.03);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn film_of_plate(&self, height_m: f64, difference_k: f64) -> Result<f64, Refusal> {
        let (l, dt) = checked(height_m, difference_k)?;
        let root = 0.825
            + 0.387 * self.rayleigh(l, dt).powf(1.0 / 6.0)
                / (1.0 + (0.492 / self.prandtl).powf(9.0 / 16.0)).powf(8.0 / 27.0);
        Ok(root * root * self.conductivity / l)
    }
}

fn checked(length_m: f64, difference_k: f64) -> Result<(f64, f64), Refusal> {
    Ok((
        within("length, m", length_m, 1e-3, 10.0)?,
        within("temperature difference, K", difference_k.abs(), 0.0, 500.0)?,
    ))
}

/// Radiation as a film coefficient, W/m²/K: `h = 4·eps·sigma·Tm³` at the mean temperature `mean_c` (-50 to
/// 400 °C) of the body and the walls around it; `emissivity` 0 to 1, 0.95 for dough (from memory).
///
/// Stefan-Boltzmann's law made straight: to 1 % while the two differ by under 60 K. A small body in large
/// surroundings.
///
/// ```
/// use doughwarden_model::heat::film_of_radiation;
/// assert!((film_of_radiation(0.95, 32.5)? - 6.153).abs() < 0.001);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn film_of_radiation(emissivity: f64, mean_c: f64) -> Result<f64, Refusal> {
    let emissivity = within("emissivity", emissivity, 0.0, 1.0)?;
    let kelvin = within("mean temperature, °C", mean_c, -50.0, 400.0)? + 273.15;
    Ok(4.0 * emissivity * STEFAN_BOLTZMANN * kelvin.powi(3))
}

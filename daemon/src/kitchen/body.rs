//! Heat inside a piece of dough: conduction through shells with a film of air outside, swelling as
//! it rises and warming itself. Many shells, so that it is not the one-pole lag of the fit.

/// Shells from the middle to the skin.
pub const SHELLS: usize = 12;
/// Conductivity of the gas in the bubbles, W/m/K (air at 30 °C).
const GAS_W_MK: f64 = 0.0264;

/// How the piece lies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape {
    /// A ball.
    Sphere,
    /// Flat, open to the air on both faces; its thickness before it rises, m.
    Slab(f64),
}

/// What a piece is made of. The defaults are those of a lean dough at 30 °C by Choi and Okos
/// (1986): 1224.29 kg/m³, 2.8378 kJ/kg/K, 0.4556 W/m/K; and still air with radiation, 9 W/m²/K.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stuff {
    /// Density before it rises, kg/m³.
    pub density_kg_m3: f64,
    /// Heat capacity, J/kg/K.
    pub heat_capacity_j_kg_k: f64,
    /// Conductivity before it rises, W/m/K.
    pub conductivity_w_mk: f64,
    /// Film coefficient to the air, W/m²/K; lower under a lid or a cloth.
    pub film_w_m2k: f64,
}

impl Default for Stuff {
    fn default() -> Self {
        Self {
            density_kg_m3: 1224.29,
            heat_capacity_j_kg_k: 2837.8,
            conductivity_w_mk: 0.4556,
            film_w_m2k: 9.0,
        }
    }
}

/// A piece of dough and the temperature of its shells.
#[derive(Clone, Debug)]
pub struct Body {
    shape: Shape,
    stuff: Stuff,
    mass_kg: f64,
    shells_c: [f64; SHELLS],
}

impl Body {
    /// A piece of one temperature throughout.
    #[must_use]
    pub fn new(shape: Shape, stuff: Stuff, mass_kg: f64, temperature_c: f64) -> Self {
        Self {
            shape,
            stuff,
            mass_kg,
            shells_c: [temperature_c; SHELLS],
        }
    }

    /// The share of the volume in shell `i`.
    fn share(&self, i: usize) -> f64 {
        match self.shape {
            Shape::Sphere => {
                let x = |j: usize| (j as f64 / SHELLS as f64).powi(3);
                x(i + 1) - x(i)
            }
            Shape::Slab(_) => 1.0 / SHELLS as f64,
        }
    }

    /// Its mass, kg.
    #[must_use]
    pub fn mass_kg(&self) -> f64 {
        self.mass_kg
    }

    /// Heat capacity of the piece, J/K.
    #[must_use]
    pub fn heat_capacity_j_k(&self) -> f64 {
        self.mass_kg * self.stuff.heat_capacity_j_kg_k
    }

    /// Mean over the volume, °C.
    #[must_use]
    pub fn mean_c(&self) -> f64 {
        self.shells().map(|(share, c)| share * c).sum()
    }

    /// Shares of the volume and their temperatures, from the middle out.
    pub fn shells(&self) -> impl Iterator<Item = (f64, f64)> {
        (0..SHELLS).map(|i| (self.share(i), self.shells_c[i]))
    }

    /// The innermost shell, where a probe is stuck, °C.
    #[must_use]
    pub fn core_c(&self) -> f64 {
        self.shells_c[0]
    }

    /// The outermost shell, °C.
    #[must_use]
    pub fn skin_c(&self) -> f64 {
        self.shells_c[SHELLS - 1]
    }

    /// Kneaded or shaped: one temperature throughout again.
    pub fn even_out(&mut self) {
        self.shells_c = [self.mean_c(); SHELLS];
    }

    /// Lets `dt_s` pass in air, at a rise, with the yeast's own heat. Gives the heat drawn from
    /// the air, W. Implicit finite volumes: stable at any step, first order in time.
    pub fn step(&mut self, dt_s: f64, air_c: f64, rise: f64, yeast_w: f64) -> f64 {
        let rise = rise.max(0.0);
        let volume_m3 = self.mass_kg / self.stuff.density_kg_m3;
        // Maxwell and Eucken: bubbles of gas in a body that conducts.
        let (k0, gas) = (self.stuff.conductivity_w_mk, rise / (1.0 + rise));
        let k = k0 * (2.0 * k0 + GAS_W_MK - 2.0 * gas * (k0 - GAS_W_MK))
            / (2.0 * k0 + GAS_W_MK + gas * (k0 - GAS_W_MK));
        let (length_m, area_m2): (f64, [f64; SHELLS]) = match self.shape {
            Shape::Sphere => {
                let r = (volume_m3 * (1.0 + rise) * 0.75 / std::f64::consts::PI).cbrt();
                let outside = 4.0 * std::f64::consts::PI * r * r;
                (
                    r,
                    std::array::from_fn(|i| outside * ((i + 1) as f64 / SHELLS as f64).powi(2)),
                )
            }
            Shape::Slab(thickness_m) => {
                let face = volume_m3 / thickness_m;
                (0.5 * thickness_m * (1.0 + rise), [2.0 * face; SHELLS])
            }
        };
        let between = length_m / SHELLS as f64;
        let skin_w_k = area_m2[SHELLS - 1] / (1.0 / self.stuff.film_w_m2k + 0.5 * between / k);
        // Tridiagonal system, solved by elimination from the middle out and back.
        let mut upper = [0.0; SHELLS];
        let mut right = [0.0; SHELLS];
        for i in 0..SHELLS {
            let stored = self.share(i) * self.heat_capacity_j_k() / dt_s;
            let inward = if i > 0 {
                k * area_m2[i - 1] / between
            } else {
                0.0
            };
            let outward = if i + 1 < SHELLS {
                k * area_m2[i] / between
            } else {
                skin_w_k
            };
            let mut b = stored * self.shells_c[i] + self.share(i) * yeast_w;
            let mut diagonal = stored + inward + outward;
            if i > 0 {
                diagonal -= inward * upper[i - 1];
                b += inward * right[i - 1];
            }
            if i + 1 == SHELLS {
                b += skin_w_k * air_c;
            }
            upper[i] = outward / diagonal;
            right[i] = b / diagonal;
        }
        self.shells_c[SHELLS - 1] = right[SHELLS - 1];
        for i in (0..SHELLS - 1).rev() {
            self.shells_c[i] = right[i] + upper[i] * self.shells_c[i + 1];
        }
        skin_w_k * (air_c - self.skin_c())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn warm(body: &mut Body, minutes: usize, air: impl Fn(f64) -> f64) {
        for i in 1..=minutes * 12 {
            body.step(5.0, air(i as f64 * 5.0 / 60.0), 0.0, 0.0);
        }
    }

    /// A 0.9 kg lean boule from 24 °C into 35 °C, film 9 W/m²/K, against the conduction series
    /// (sum of C exp(-z² Fo) with 1 - z cot z = Bi; Bi 1.1060): means and centres in °C.
    #[test]
    fn a_boule_warms_as_the_conduction_series_says() {
        let mut boule = Body::new(Shape::Sphere, Stuff::default(), 0.9, 24.0);
        let mut at = 0;
        for (minute, centre, mean) in [
            (30, 24.2395, 26.1328),
            (60, 25.6280, 27.7694),
            (120, 28.6250, 30.1704),
            (180, 30.7351, 31.7720),
        ] {
            warm(&mut boule, minute - at, |_| 35.0);
            at = minute;
            assert!(
                (boule.mean_c() - mean).abs() < 0.05,
                "{minute}: {}",
                boule.mean_c()
            );
            assert!(
                (boule.core_c() - centre).abs() < 0.10,
                "{minute}: {}",
                boule.core_c()
            );
        }
    }

    /// Air that climbs from 24 to 35 °C in 30 min and holds: mean at 60 min 26.98142 °C by
    /// Duhamel's theorem over the same series.
    #[test]
    fn a_boule_follows_climbing_air_as_duhamel_says() {
        let mut boule = Body::new(Shape::Sphere, Stuff::default(), 0.9, 24.0);
        warm(&mut boule, 60, |min| 24.0 + 11.0 * (min / 30.0).min(1.0));
        assert!(
            (boule.mean_c() - 26.981_42).abs() < 0.03,
            "{}",
            boule.mean_c()
        );
    }

    /// Lienhard's apple: 0.1 m across, 30 °C into 5 °C, film 6, k 0.603, 997.6 kg/m³, 4180 J/kg/K;
    /// after 1 h the centre is at 26.502923 °C by the series.
    #[test]
    fn the_textbook_apple_cools_as_the_book_says() {
        let stuff = Stuff {
            density_kg_m3: 997.6,
            heat_capacity_j_kg_k: 4180.0,
            conductivity_w_mk: 0.603,
            film_w_m2k: 6.0,
        };
        let mass = 997.6 * std::f64::consts::PI / 6.0 * 1e-3;
        let mut apple = Body::new(Shape::Sphere, stuff, mass, 30.0);
        warm(&mut apple, 60, |_| 5.0);
        assert!(
            (apple.core_c() - 26.502_923).abs() < 0.1,
            "{}",
            apple.core_c()
        );
    }

    /// A slab of Bi 1 (film 10, half-thickness 0.05 m, k 0.5): the first term, z1 0.860334, C1
    /// 1.119132 (Heisler tables), gives its centre once Fo passes 0.2.
    #[test]
    fn a_slab_follows_the_first_term() {
        let stuff = Stuff {
            density_kg_m3: 1200.0,
            heat_capacity_j_kg_k: 2800.0,
            conductivity_w_mk: 0.5,
            film_w_m2k: 10.0,
        };
        let mut slab = Body::new(Shape::Slab(0.1), stuff, 1.0, 1.0);
        warm(&mut slab, 240, |_| 0.0);
        let fourier = 0.5 / (1200.0 * 2800.0) * 240.0 * 60.0 / 0.0025;
        let centre = 1.119_132 * (-0.860_334_f64.powi(2) * fourier).exp();
        assert!(
            (slab.core_c() - centre).abs() < 0.005,
            "{} {centre}",
            slab.core_c()
        );
    }

    #[test]
    fn heat_drawn_and_heat_made_are_heat_kept() {
        let mut boule = Body::new(Shape::Sphere, Stuff::default(), 0.9, 24.0);
        let mut taken_j = 0.0;
        for i in 0..500 {
            taken_j += 20.0 * (boule.step(20.0, 33.0, f64::from(i) / 500.0, 0.4) + 0.4);
        }
        let kept_j = boule.heat_capacity_j_k() * (boule.mean_c() - 24.0);
        assert!((taken_j - kept_j).abs() < 1e-6 * kept_j);
    }
}

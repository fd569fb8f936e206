//! Transient conduction in dough pieces, film coefficients, and the one-pole lag they amount to.
//!
//! A piece at one temperature is put into air at another. With half-thickness or radius `L` (m; not
//! volume over area), conductivity `k` (W/m/K), diffusivity `alpha` (m²/s), film coefficient `h`
//! (W/m²/K): `Bi = h·L/k`, `Fo = alpha·t/L²`, and
//! ```text
//! (T - T_air)/(T_start - T_air) = Σ C_n·exp(-z_n²·Fo)·shape(z_n·x)
//! wall      z·tan z = Bi             C = 4 sin z/(2z + sin 2z)               cos(z x)
//! cylinder  z·J1(z)/J0(z) = Bi       C = (2/z)·J1/(J0² + J1²)                J0(z x)
//! sphere    1 - z·cot z = Bi         C = 4(sin z - z cos z)/(2z - sin 2z)    sin(zx)/(zx)
//! ```
//! Fermentation happens throughout the piece, so the temperature to feed it is the *volume mean*,
//! whose series has weights `B_n = C_n·mean of the shape` that sum to one. Its first term has the time
//! constant `tau1 = L²/(alpha·z1²)`, and a single first-order lag with `tau1` gives the equivalent age
//! of a dough within 2 % (tested below); air temperature in its place is out by 25 to 150 %.
//!
//! Eigenvalue equations and the first-term rule (`Fo > 0.2`): heat-transfer textbooks (Lienhard;
//! Cengel; Incropera). Lumped capacitance (`Bi < 0.1`) fails for dough above some 30 g.

mod film;

mod vessel;

pub use film::{Air, STEFAN_BOLTZMANN, film_of_radiation};
pub use vessel::{LAG_SCALE_PRIOR_SD, LagScale, StartTemperature, learn_lag, shape_of_vessel};

use crate::composition::{Composition, ThermalProperties};
use crate::refusal::{Refusal, within};
use std::f64::consts::PI;

/// Film coefficient in still indoor air, W/m²/K: about 3.4 by convection and 6.2 by radiation. A lid
/// or a bag lowers it. Prior in the model: lognormal around it with a log sd of 0.3 (own choice).
pub const STILL_AIR_FILM: f64 = 9.0;

/// Eigenvalues kept in a series: enough for 1e-4 from `Fo` 0.001 on.
const TERMS: usize = 40;

/// The three shapes heat conduction has a closed series for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// A slab heated on both faces; `L` is half its thickness. Dough in a tub or on a tray.
    Wall,
    /// A long cylinder; `L` is its radius. Dough in a loaf tin, a baton.
    Cylinder,
    /// A sphere; `L` is its radius. A boule, a roll, dough in a bowl.
    Sphere,
}

/// One term of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Term {
    /// Eigenvalue `z_n`.
    pub root: f64,
    /// Weight at the centre, `C_n`.
    pub centre: f64,
    /// Weight in the volume mean, `B_n`.
    pub mean: f64,
}

/// The exact series of a shape at a Biot number.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    shape: Shape,
    terms: Vec<Term>,
}

impl Series {
    /// The first 40 terms for `biot = h·L/k` from 1e-6 to 1e6: roots of the shape's eigenvalue equation in the
    /// module's head, each alone in its bracket.
    ///
    /// ```
    /// use doughwarden_model::heat::{Series, Shape};
    /// let sphere = Series::new(Shape::Sphere, 1.0)?;
    /// assert!((sphere.terms()[0].root - std::f64::consts::FRAC_PI_2).abs() < 1e-12);
    /// assert!((sphere.terms()[0].centre - 4.0 / std::f64::consts::PI).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn new(shape: Shape, biot: f64) -> Result<Self, Refusal> {
        let biot = within("Biot number", biot, 1e-6, 1e6)?;
        let terms = (0..TERMS).map(|n| term(shape, biot, n)).collect();
        Ok(Self { shape, terms })
    }

    /// The terms, slowest first.
    ///
    /// ```
    /// use doughwarden_model::heat::{Series, Shape};
    /// let roots: Vec<f64> = Series::new(Shape::Wall, 1.0)?.terms().iter().map(|t| t.root).collect();
    /// assert!((roots[0] - 0.860334).abs() < 1e-6 && roots.windows(2).all(|w| w[1] > w[0]));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn terms(&self) -> &[Term] {
        &self.terms
    }

    /// Unaccomplished change at the centre, 1 at the start, 0 at the end: `Σ C_n·exp(-z_n²·Fo)`, `fourier` not
    /// below 0; to 1e-4 from `Fo` 0.001 on.
    ///
    /// ```
    /// use doughwarden_model::heat::{Series, Shape};
    /// // One term is good beyond Fo 0.2: C1·exp(-z1²·Fo), sphere at Bi 1.
    /// let sphere = Series::new(Shape::Sphere, 1.0)?;
    /// let one_term = 1.273240 * (-1.570796f64.powi(2) * 0.5).exp();
    /// assert!((sphere.centre(0.5) / one_term - 1.0).abs() < 1e-3);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn centre(&self, fourier: f64) -> f64 {
        self.sum(fourier, |t| t.centre)
    }

    /// Unaccomplished change of the volume mean: `Σ B_n·exp(-z_n²·Fo)`, the one to feed fermentation.
    ///
    /// ```
    /// use doughwarden_model::heat::{Series, Shape};
    /// let slab = Series::new(Shape::Wall, 1.0)?;
    /// assert!((slab.mean(0.0) - 1.0).abs() < 0.01 && slab.mean(1.0) < slab.centre(1.0));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn mean(&self, fourier: f64) -> f64 {
        self.sum(fourier, |t| t.mean)
    }

    /// Unaccomplished change at `x`, the distance from the centre as a share of `L`, 0 to 1.
    ///
    /// ```
    /// use doughwarden_model::heat::{Series, Shape};
    /// let slab = Series::new(Shape::Wall, 2.0)?;
    /// assert!(slab.at(1.0, 0.3) < slab.at(0.0, 0.3));   // the skin is ahead of the middle
    /// assert!((slab.at(0.0, 0.3) - slab.centre(0.3)).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn at(&self, x: f64, fourier: f64) -> f64 {
        let x = if x.is_nan() { 0.0 } else { x.clamp(0.0, 1.0) };
        self.sum(fourier, |t| {
            let zx = t.root * x;
            t.centre
                * match self.shape {
                    Shape::Wall => zx.cos(),
                    Shape::Cylinder => libm::j0(zx),
                    Shape::Sphere if zx < 1e-8 => 1.0,
                    Shape::Sphere => zx.sin() / zx,
                }
        })
    }

    fn sum(&self, fourier: f64, weight: impl Fn(&Term) -> f64) -> f64 {
        let fourier = fourier.max(0.0);
        self.terms
            .iter()
            .map(|t| weight(t) * (-t.root * t.root * fourier).exp())
            .sum()
    }

    /// The `Fo` at which the centre's unaccomplished change has fallen to `left` (0 to 1, not 0).
    ///
    /// ```
    /// use doughwarden_model::heat::{Series, Shape};
    /// let sphere = Series::new(Shape::Sphere, 1.0)?;
    /// let fo = sphere.fourier_when_centre(0.2)?;
    /// assert!((sphere.centre(fo) - 0.2).abs() < 1e-9);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn fourier_when_centre(&self, left: f64) -> Result<f64, Refusal> {
        let left = within("unaccomplished change", left, 1e-12, 0.999)?;
        let (mut low, mut high) = (0.0, 1.0);
        while self.centre(high) > left {
            high *= 2.0;
        }
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if self.centre(middle) > left {
                low = middle
            } else {
                high = middle
            }
        }
        Ok(0.5 * (low + high))
    }
}

fn term(shape: Shape, biot: f64, n: usize) -> Term {
    // Each root lies alone between a zero and a pole of its equation; there the residual, free of
    // poles, runs through zero once.
    let k = n as f64;
    let (low, high) = match shape {
        Shape::Wall => (k * PI, k * PI + 0.5 * PI),
        Shape::Cylinder => (bessel_zero(1, n), bessel_zero(0, n + 1)),
        // Below Bi 1 the root lies before the cotangent's turn, above after it: [kπ, (k+1)π].
        Shape::Sphere => (k * PI, (k + 1.0) * PI),
    };
    let residual = |z: f64| match shape {
        Shape::Wall => z * z.sin() - biot * z.cos(),
        Shape::Cylinder => z * libm::j1(z) - biot * libm::j0(z),
        Shape::Sphere => (1.0 - biot) * z.sin() - z * z.cos(),
    };
    let root = bisect(residual, low.max(1e-9), high);
    let z = root;
    let (centre, mean) = match shape {
        Shape::Wall => {
            let c = 4.0 * z.sin() / (2.0 * z + (2.0 * z).sin());
            (c, c * z.sin() / z)
        }
        Shape::Cylinder => {
            let (j0, j1) = (libm::j0(z), libm::j1(z));
            let c = 2.0 / z * j1 / (j0 * j0 + j1 * j1);
            (c, c * 2.0 * j1 / z)
        }
        Shape::Sphere => {
            let c = 4.0 * (z.sin() - z * z.cos()) / (2.0 * z - (2.0 * z).sin());
            (
                c,
                6.0 * biot * biot / (z * z * (z * z + biot * biot - biot)),
            )
        }
    };
    Term { root, centre, mean }
}

fn bisect(f: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    let rising = f(low) < 0.0;
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if (f(middle) < 0.0) == rising {
            low = middle
        } else {
            high = middle
        }
    }
    0.5 * (low + high)
}

/// The `n`-th positive zero of `J0` or `J1` (`n = 0` gives 0 for `J1`), by bisection around
/// McMahon's leading term, which is within 0.1 of it.
fn bessel_zero(order: u8, n: usize) -> f64 {
    if n == 0 {
        return 0.0;
    }
    let near = (n as f64 + f64::from(order) / 2.0 - 0.25) * PI;
    let f = |z: f64| if order == 0 { libm::j0(z) } else { libm::j1(z) };
    bisect(f, near - 0.4, near + 0.4)
}

/// A piece of dough as heat sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Piece {
    shape: Shape,
    length_m: f64,
    properties: ThermalProperties,
    film: f64,
}

impl Piece {
    /// A piece of characteristic length `length_m` (half-thickness or radius, 1 mm to 1 m) with film
    /// coefficient `film` (0.1 to 10 000 W/m²/K).
    ///
    /// ```
    /// use doughwarden_model::{composition::Composition, heat::{Piece, STILL_AIR_FILM, Shape}};
    /// let tray = Piece::new(Shape::Wall, 0.02, Composition::lean_dough().properties(27.0), STILL_AIR_FILM)?;
    /// assert!((tray.length_m() - 0.02).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn new(
        shape: Shape,
        length_m: f64,
        properties: ThermalProperties,
        film: f64,
    ) -> Result<Self, Refusal> {
        within("conductivity, W/m/K", properties.conductivity, 1e-3, 1e3)?;
        within("density, kg/m³", properties.density, 1.0, 3e4)?;
        within(
            "heat capacity, J/kg/K",
            properties.heat_capacity,
            100.0,
            1e4,
        )?;
        Ok(Self {
            shape,
            length_m: within("half-thickness or radius, m", length_m, 1e-3, 1.0)?,
            properties,
            film: within("film coefficient, W/m²/K", film, 0.1, 1e4)?,
        })
    }

    /// A piece of `mass_kg` (1 g to 100 kg), just shaped (no gas): a sphere; a cylinder five radii
    /// long, as in a loaf tin; or a slab five times as wide and long as thick, as in a tub. The two
    /// proportions are own choices; state the thickness with [`Piece::new`] where it is known.
    ///
    /// ```
    /// use doughwarden_model::{composition::Composition, heat::{Piece, STILL_AIR_FILM, Shape}};
    /// let lean = Composition::lean_dough();
    /// let boule = Piece::of_mass(0.9, Shape::Sphere, &lean, STILL_AIR_FILM)?;
    /// assert!((boule.time_constant_s() / 60.0 - 148.94).abs() < 0.01);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn of_mass(
        mass_kg: f64,
        shape: Shape,
        composition: &Composition,
        film: f64,
    ) -> Result<Self, Refusal> {
        let mass = within("mass of a piece, kg", mass_kg, 1e-3, 100.0)?;
        let properties = composition.properties(30.0);
        let volume = mass / properties.density;
        let length = match shape {
            Shape::Sphere => (3.0 * volume / (4.0 * PI)).cbrt(),
            Shape::Cylinder => (volume / (5.0 * PI)).cbrt(),
            Shape::Wall => 0.5 * (volume / 25.0).cbrt(),
        };
        Self::new(shape, length, properties, film)
    }

    /// Biot number `h·L/k`, `L` the radius or half-thickness: below 0.1 a body is one temperature, above 10
    /// its skin is the air's.
    ///
    /// ```
    /// use doughwarden_model::{composition::Composition, heat::{Piece, STILL_AIR_FILM, Shape}};
    /// let boule = Piece::of_mass(0.9, Shape::Sphere, &Composition::lean_dough(), STILL_AIR_FILM)?;
    /// assert!((boule.biot() - 1.1060).abs() < 1e-3);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn biot(&self) -> f64 {
        self.film * self.length_m / self.properties.conductivity
    }

    /// Radius or half-thickness, m.
    ///
    /// ```
    /// use doughwarden_model::{composition::Composition, heat::{Piece, STILL_AIR_FILM, Shape}};
    /// let boule = Piece::of_mass(0.9, Shape::Sphere, &Composition::lean_dough(), STILL_AIR_FILM)?;
    /// assert!((boule.length_m() - 0.0559873).abs() < 1e-5);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn length_m(&self) -> f64 {
        self.length_m
    }

    /// Fourier number after `elapsed_s`.
    ///
    /// `Fo = alpha·t/L²`.
    ///
    /// ```
    /// use doughwarden_model::{composition::Composition, heat::{Piece, STILL_AIR_FILM, Shape}};
    /// let boule = Piece::of_mass(0.9, Shape::Sphere, &Composition::lean_dough(), STILL_AIR_FILM)?;
    /// assert!((boule.fourier(7200.0) / boule.fourier(3600.0) - 2.0).abs() < 1e-12);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn fourier(&self, elapsed_s: f64) -> f64 {
        self.properties.diffusivity() * elapsed_s / (self.length_m * self.length_m)
    }

    /// The exact series of this piece.
    ///
    /// ```
    /// use doughwarden_model::{composition::Composition, heat::{Piece, STILL_AIR_FILM, Shape}};
    /// let boule = Piece::of_mass(0.9, Shape::Sphere, &Composition::lean_dough(), STILL_AIR_FILM)?;
    /// let after_an_hour = 35.0 - 11.0 * boule.series()?.mean(boule.fourier(3600.0));
    /// assert!((after_an_hour - 27.7694).abs() < 5e-3);   // 24 °C put into 35 °C
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn series(&self) -> Result<Series, Refusal> {
        Series::new(self.shape, self.biot())
    }

    /// `tau1 = L²/(alpha·z1²)`, s: the time constant of the first-order lag that stands in for the
    /// series.
    ///
    /// ```
    /// use doughwarden_model::{composition::Composition, heat::{Piece, STILL_AIR_FILM, Shape}};
    /// let lean = Composition::lean_dough();
    /// let minutes = |kg| Ok::<_, doughwarden_model::refusal::Refusal>(
    ///     Piece::of_mass(kg, Shape::Sphere, &lean, STILL_AIR_FILM)?.time_constant_s() / 60.0);
    /// assert!((minutes(0.08)? - 59.0).abs() < 0.5 && (minutes(0.45)? - 113.0).abs() < 0.5);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn time_constant_s(&self) -> f64 {
        let z = term(self.shape, self.biot().clamp(1e-6, 1e6), 0).root;
        self.length_m * self.length_m / (self.properties.diffusivity() * z * z)
    }

    /// The volume mean at each sample of an air log `(seconds, °C)`, the piece at `start_c`
    /// throughout at the first sample, air straight between samples (Duhamel's superposition, exact
    /// but for the terms beyond the fortieth, which follow the air at once).
    ///
    /// ```
    /// use doughwarden_model::{composition::Composition, heat::{Piece, STILL_AIR_FILM, Shape}};
    /// let boule = Piece::of_mass(0.9, Shape::Sphere, &Composition::lean_dough(), STILL_AIR_FILM)?;
    /// let ramp = [(0.0, 24.0), (1800.0, 35.0), (3600.0, 35.0)];
    /// assert!((boule.mean_temperature_c(24.0, &ramp)?[2] - 26.981).abs() < 1e-3);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn mean_temperature_c(
        &self,
        start_c: f64,
        air: &[(f64, f64)],
    ) -> Result<Vec<f64>, Refusal> {
        within("dough temperature at the start, °C", start_c, -40.0, 150.0)?;
        for pair in air.windows(2) {
            within("step of the air log, s", pair[1].0 - pair[0].0, 0.0, 1e9)?;
        }
        for &(_, a) in air {
            within("air temperature, °C", a, -100.0, 400.0)?;
        }
        let series = self.series()?;
        let rate = self.properties.diffusivity() / (self.length_m * self.length_m);
        let rest = 1.0 - series.terms.iter().map(|t| t.mean).sum::<f64>();
        let mut states = vec![start_c; series.terms.len()];
        let mut out = Vec::with_capacity(air.len());
        for (i, &(_, now_c)) in air.iter().enumerate() {
            if i == 0 {
                out.push(start_c);
                continue;
            }
            let (then_s, then_c) = air[i - 1];
            let step = air[i].0 - then_s;
            let mut mean = rest * now_c;
            for (state, t) in states.iter_mut().zip(&series.terms) {
                *state = lag_step(*state, then_c, now_c, step, 1.0 / (rate * t.root * t.root));
                mean += t.mean * *state;
            }
            out.push(mean);
        }
        Ok(out)
    }
}

/// One step of a first-order lag `dT/dt = (T_air - T)/tau` while the air goes in a straight line from
/// `air_from_c` to `air_to_c` in `elapsed_s`; exact. A step or time constant that is not positive
/// and finite is taken as no time passing, or no lag.
///
/// ```
/// use doughwarden_model::heat::lag_step;
/// let after_one_tau = lag_step(24.0, 35.0, 35.0, 3600.0, 3600.0);
/// assert!((after_one_tau - (35.0 - 11.0 / std::f64::consts::E)).abs() < 1e-12);
/// ```
pub fn lag_step(
    dough_c: f64,
    air_from_c: f64,
    air_to_c: f64,
    elapsed_s: f64,
    time_constant_s: f64,
) -> f64 {
    if !(elapsed_s > 0.0 && elapsed_s.is_finite()) {
        return dough_c;
    }
    if time_constant_s.is_nan() || time_constant_s <= 0.0 {
        return air_to_c;
    }
    let x = elapsed_s / time_constant_s;
    let kept = (-x).exp();
    let phi = if x < 1e-12 { 1.0 } else { -(-x).exp_m1() / x };
    kept * dough_c + (phi - kept) * air_from_c + (1.0 - phi) * air_to_c
}

/// The time constant of a body that is one temperature throughout, s: `rho·cp·V/(h·A)`, with
/// `thickness_m = V/A` (a sphere's is a third of its radius) and `film` in W/m²/K. Refuses `h·(V/A)/k > 0.1`,
/// where the body is not one temperature (heat-transfer textbooks' rule).
///
/// ```
/// use doughwarden_model::{composition::Composition, heat::lumped_time_constant_s};
/// let dough = Composition::lean_dough().properties(30.0);
/// assert!(lumped_time_constant_s(&dough, 0.056 / 3.0, 9.0).is_err()); // a 0.9 kg boule
/// ```
pub fn lumped_time_constant_s(
    properties: &ThermalProperties,
    thickness_m: f64,
    film: f64,
) -> Result<f64, Refusal> {
    let l = within("volume over area, m", thickness_m, 1e-6, 10.0)?;
    let h = within("film coefficient, W/m²/K", film, 1e-3, 1e6)?;
    within(
        "h·(V/A)/k of a lumped body",
        h * l / properties.conductivity,
        0.0,
        0.1,
    )?;
    Ok(properties.density * properties.heat_capacity * l / h)
}

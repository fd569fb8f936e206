//! What a vessel does to the lag: its shape by name, and its own factor learned from readings.

use super::{Shape, lag_step};
use crate::refusal::{Refusal, within};

/// Prior sd of a vessel's `ln` lag scale (own choice): lids, bags, walls and draughts.
pub const LAG_SCALE_PRIOR_SD: f64 = 0.3;

/// What is known of the dough's temperature at the start of a log.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StartTemperature {
    /// Mean, °C.
    pub mean_c: f64,
    /// Standard deviation, °C: about 0.3 if measured, 2 if assumed.
    pub sd_c: f64,
}

/// How much longer or shorter a vessel's dough lags than its mass and shape say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LagScale {
    /// `ln` of the factor on `tau1`.
    pub ln_scale: f64,
    /// Its posterior standard deviation; [`LAG_SCALE_PRIOR_SD`] means nothing was learned.
    pub sd: f64,
    prior_time_constant_s: f64,
}

impl LagScale {
    /// The time constant with the factor, s.
    ///
    /// ```
    /// use doughwarden_model::heat::{StartTemperature, learn_lag};
    /// // Nothing measured: nothing learned.
    /// let start = StartTemperature { mean_c: 24.0, sd_c: 0.3 };
    /// let same = learn_lag(&[(0.0, 28.0), (7200.0, 28.0)], start, &[], 6000.0, 0.2)?;
    /// assert!((same.time_constant_s() - 6000.0).abs() < 1.0);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn time_constant_s(&self) -> f64 {
        self.prior_time_constant_s * self.ln_scale.exp()
    }
}

/// Learns a vessel's lag from spot readings or a probe in the dough: `(seconds, °C)` on the clock of the
/// air log, each good to `reading_sd_c`. The start temperature, on which the dough depends linearly,
/// is integrated out; `ln` of the factor has the prior `Normal(0, 0.3)`, within a factor of five.
///
/// Readings before the log's first moment or after its last are passed over. Pass [`LagScale::ln_scale`]
/// and `sd` on as the next batch's knowledge of the same vessel.
///
/// ```
/// use doughwarden_model::heat::{StartTemperature, lag_step, learn_lag};
/// let air = [(0.0, 28.0), (20_000.0, 28.0)];
/// let spot = (7200.0, lag_step(6.0, 28.0, 28.0, 7200.0, 8000.0));
/// let bowl = learn_lag(&air, StartTemperature { mean_c: 6.0, sd_c: 0.2 }, &[spot], 6000.0, 0.2)?;
/// assert!((bowl.time_constant_s() / 8000.0 - 1.0).abs() < 0.02);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn learn_lag(
    air: &[(f64, f64)],
    start: StartTemperature,
    readings: &[(f64, f64)],
    prior_time_constant_s: f64,
    reading_sd_c: f64,
) -> Result<LagScale, Refusal> {
    let prior_time_constant_s = within(
        "time constant of the dough, s",
        prior_time_constant_s,
        1.0,
        1e7,
    )?;
    let sd = within("error of a reading, °C", reading_sd_c, 0.01, 20.0)?;
    let start_c = within(
        "dough temperature at the start, °C",
        start.mean_c,
        -40.0,
        150.0,
    )?;
    let start_sd = within("its doubt, °C", start.sd_c, 0.0, 50.0)?;
    for pair in air.windows(2) {
        within("step of the air log, s", pair[1].0 - pair[0].0, 0.0, 1e9)?;
    }
    for &(_, c) in air.iter().chain(readings) {
        within("temperature, °C", c, -100.0, 400.0)?;
    }
    let (first, last) = (
        air.first().map_or(0.0, |p| p.0),
        air.last().map_or(0.0, |p| p.0),
    );
    let mut readings: Vec<(f64, f64)> = readings
        .iter()
        .copied()
        .filter(|r| r.0 >= first && r.0 <= last)
        .collect();
    readings.sort_by(|a, b| a.0.total_cmp(&b.0));
    let ln_posterior = |u: f64| {
        let tau = prior_time_constant_s * u.exp();
        let (mut rr, mut rk, mut kk) = (0.0, 0.0, 0.0);
        let (mut dough, mut next) = (start_c, 0);
        for pair in air.windows(2) {
            let ((t0, a0), (t1, a1)) = (pair[0], pair[1]);
            while next < readings.len() && readings[next].0 <= t1 {
                let (t, c) = readings[next];
                let a = if t1 > t0 {
                    a0 + (a1 - a0) * (t - t0) / (t1 - t0)
                } else {
                    a1
                };
                let residual = c - lag_step(dough, a0, a, t - t0, tau);
                let kept = (-(t - first) / tau).exp();
                rr += residual * residual;
                rk += residual * kept;
                kk += kept * kept;
                next += 1;
            }
            dough = lag_step(dough, a0, a1, t1 - t0, tau);
        }
        // Residuals ~ N(0, sd²·I + start_sd²·k·k').
        let held = 1.0 + start_sd * start_sd * kk / (sd * sd);
        let quadratic = (rr - start_sd * start_sd / (sd * sd) * rk * rk / held) / (sd * sd);
        -0.5 * (quadratic + held.ln() + (u / LAG_SCALE_PRIOR_SD).powi(2))
    };
    // One unknown on a short range: a grid holds the whole posterior.
    let reach = 5f64.ln();
    let steps = 400;
    let grid: Vec<(f64, f64)> = (0..=steps)
        .map(|i| {
            let u = reach * (2.0 * f64::from(i) / f64::from(steps) - 1.0);
            (u, ln_posterior(u))
        })
        .collect();
    let top = grid.iter().map(|g| g.1).fold(f64::NEG_INFINITY, f64::max);
    let (mut mass, mut mean, mut square) = (0.0, 0.0, 0.0);
    for (u, value) in &grid {
        let weight = (value - top).exp();
        mass += weight;
        mean += weight * u;
        square += weight * u * u;
    }
    mean /= mass;
    let sd = (square / mass - mean * mean)
        .max(0.0)
        .sqrt()
        .max(reach / f64::from(steps));
    Ok(LagScale {
        ln_scale: mean,
        sd,
        prior_time_constant_s,
    })
}

/// The shape a vessel's name suggests: tins and baskets are long, tubs and trays flat, else round.
///
/// ```
/// use doughwarden_model::heat::{Shape, shape_of_vessel};
/// assert_eq!(shape_of_vessel("loaf tin 900 g"), Shape::Cylinder);
/// assert_eq!(shape_of_vessel("glass bowl"), Shape::Sphere);
/// ```
pub fn shape_of_vessel(name: &str) -> Shape {
    let name = name.to_lowercase();
    let has = |words: &[&str]| words.iter().any(|w| name.contains(w));
    if has(&["bowl", "boule", "round", "roll", "bun", "knot"]) {
        Shape::Sphere
    } else if has(&[
        "tin", "loaf", "baton", "bâton", "batard", "bâtard", "baguette", "plait", "braid",
    ]) {
        Shape::Cylinder
    } else if has(&["tub", "tray", "sheet", "box", "pan", "crate", "focaccia"]) {
        Shape::Wall
    } else {
        Shape::Sphere
    }
}

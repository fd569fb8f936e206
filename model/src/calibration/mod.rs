//! What past bakes teach: the house's and each dough's parameters, with partial pooling.
//!
//! ```text
//! r_i   = prior_i + X_i beta + c_batch + e_i          ln of the age at which stage i was ready
//! beta  : tilt (X = -mean warmth), dose (X = -ln dose ratio), the house's pace, final against bulk,
//!         each dough, each dough's stage, each place, season and lot — all shrunk towards what
//!         recipe and literature say
//! c     ~ Normal(0, rho s²) shared by a batch's stages;  e ~ Normal(0, (1 - rho) s²)
//! ```
//! Each stage's own evidence (looks, dents, rises, how it ended) is no number but a likelihood of
//! `r_i`. Expectation propagation turns it into the normal that does the same work given all other
//! batches, so a mistaken tap, far from what the rest says, counts for next to nothing. The spreads
//! `s` and `rho` maximise the marginal likelihood with a prior; each dough's rise curve is fitted to
//! its rise readings, its neighbours' curves as prior.

mod fit;
mod report;
mod rise;
mod subject;

use std::collections::BTreeMap;

use nalgebra::{Cholesky, DMatrix, DVector};
use serde::{Deserialize, Serialize};

use self::fit::Fit;
pub use self::report::Parameter;
use self::subject::tamed;
pub use self::subject::{Group, PastStage, Stage, Subject};
use crate::proof::{Prior, RiseCurve};

/// A stage says something from this precision on (a spread of 10 in ln age says nothing).
const LEAST_PRECISION: f64 = 0.01;
/// How far what is off in a dough's bulk is off in its final proof too, as a part of the spread: each
/// of the two ends at a rise of its own (own choice).
const DOUGH_SHARE: f64 = 0.35;
/// Spread of ln rise at ready from bake to bake, before any is known.
const EYE_SD: f64 = 0.09;
/// Spread of the rise curve between doughs of one stage: ln rise, lag, ln power.
const BETWEEN: [f64; 3] = [0.22, 0.07, 0.15];
/// Spread of a stage's usual curve about the textbook one. The lag's: retention of 40 to 100 %
/// (bakery literature) moves it from 0.15 to 0.31, and how fast yeast wakes and gas crosses to the
/// bubbles adds as much again.
const TEXTBOOK: [f64; 3] = [0.25, 0.14, 0.2];

/// A normal that does the work of a stage's own evidence.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Site {
    /// Its mean.
    pub mean: f64,
    /// Its precision; 0: nothing seen.
    pub precision: f64,
}

impl Site {
    /// What a posterior adds to the normal it started from.
    ///
    /// Precisions subtract: `1/v = 1/v_after - 1/v_prior`, the mean by weights likewise.
    ///
    /// ```
    /// use doughwarden_model::calibration::Site;
    /// // From 1/0.04 to 1/0.01 of precision: the evidence alone was worth 75.
    /// let site = Site::between(4.3, 0.2, 4.4, 0.1);
    /// assert!((site.precision - 75.0).abs() < 1e-9 && site.mean > 4.4);
    /// ```
    pub fn between(prior_mean: f64, prior_sd: f64, after_mean: f64, after_sd: f64) -> Self {
        let before = prior_sd.powi(-2);
        let precision = after_sd.powi(-2) - before;
        if !(precision > LEAST_PRECISION) {
            return Self::default();
        }
        Self {
            mean: (after_mean * after_sd.powi(-2) - prior_mean * before) / precision,
            precision,
        }
    }
}

/// A dough's fitted rise curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FittedCurve {
    /// Its most probable values.
    pub curve: RiseCurve,
    /// Their covariance (ln rise, lag, ln power).
    pub covariance: [[f64; 3]; 3],
}

/// A column of the fit.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
enum Column {
    Tilt,
    Dose,
    House,
    Final,
    Dough(String),
    DoughStage(String, Stage),
    Group(String),
}

/// Means and standard deviations of the house's columns before any bake.
const TILT: (f64, f64) = (0.0, 0.15);
/// How the *time* answers to the dose. The rate goes as dose^0.85 ± 0.15, but a good fifth of a proof
/// waits for what more yeast does not hasten: the yeast waking in bulk, the gas that shaping left and
/// the films' own pace in the final proof (own choice: 0.85 times 0.78).
const DOSE: (f64, f64) = (0.66, 0.14);
const HOUSE: (f64, f64) = (0.0, 0.12);
const FINAL: (f64, f64) = (0.0, 0.12);

/// Everything past bakes teach; the prior where there are none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    columns: Vec<Column>,
    mean: Vec<f64>,
    covariance: Vec<f64>,
    /// Spread of ln age from bake to bake, all causes.
    pub spread: f64,
    /// The share of its square that a batch's stages have in common.
    pub shared: f64,
    /// Spread of ln rise at ready.
    pub eye_sd: f64,
    /// Noise of a rise reading in proportion to it.
    pub noise_share: f64,
    /// Noise of a rise reading apart from it.
    pub noise: f64,
    curves: BTreeMap<String, FittedCurve>,
    usual_curves: [FittedCurve; 2],
    /// Stages that taught something.
    pub stages: u32,
    /// How far such groups differ, by their names: standard deviation of ln time.
    #[serde(default)]
    groups: BTreeMap<String, f64>,
    /// Lowest and highest mean dough temperature among them, °C.
    pub temperatures_c: Option<(f64, f64)>,
    /// How many stages of each dough and stage taught something.
    counts: BTreeMap<String, u32>,
    /// What the recipe or the literature expected of each: ln age and its spread.
    levels: BTreeMap<String, (f64, f64)>,
}

fn curve_key(dough: &str, stage: Stage) -> String {
    format!(
        "{}/{dough}",
        if stage == Stage::Bulk {
            "bulk"
        } else {
            "final"
        }
    )
}

fn textbook(stage: Stage) -> FittedCurve {
    let mut covariance = [[0.0; 3]; 3];
    for (i, row) in covariance.iter_mut().enumerate() {
        row[i] = TEXTBOOK[i] * TEXTBOOK[i] + BETWEEN[i] * BETWEEN[i];
    }
    // A doubling first has to fill the dough's water with gas, 0.42 of its volume at 25 °C (carbon
    // dioxide's solubility, Weiss 1974): a quarter of the way where four fifths of the later gas
    // are kept, and a few minutes more until the yeast is awake. After shaping the water is full and
    // the yeast awake, so nothing delays the rise, but stretched films keep less of what is made:
    // seven eighths of the mean at the end, were nine tenths kept at first and seven at ready.
    let curve = match stage {
        Stage::Bulk => RiseCurve {
            ln_rise: -0.05,
            lag: 0.30,
            ln_power: 0.0,
        },
        Stage::Final => RiseCurve {
            ln_rise: -0.35,
            lag: 0.0,
            ln_power: -0.12,
        },
    };
    FittedCurve { curve, covariance }
}

impl Default for Calibration {
    fn default() -> Self {
        let columns = vec![Column::Tilt, Column::Dose, Column::House, Column::Final];
        let sds = [TILT.1, DOSE.1, HOUSE.1, FINAL.1];
        let p = columns.len();
        let mut covariance = vec![0.0; p * p];
        for (i, sd) in sds.iter().enumerate() {
            covariance[i * p + i] = sd * sd;
        }
        Self {
            columns,
            mean: vec![TILT.0, DOSE.0, HOUSE.0, FINAL.0],
            covariance,
            spread: 0.105,
            shared: 0.5,
            eye_sd: EYE_SD,
            noise_share: 0.07,
            noise: 0.035,
            curves: BTreeMap::new(),
            usual_curves: [textbook(Stage::Bulk), textbook(Stage::Final)],
            stages: 0,
            groups: BTreeMap::new(),
            temperatures_c: None,
            counts: BTreeMap::new(),
            levels: BTreeMap::new(),
        }
    }
}

/// The nonzero entries of a stage's row.
fn row(subject: &Subject, warmth: f64) -> Vec<(Column, f64)> {
    let sd = subject.prior_sd;
    let mut entries = vec![
        (Column::Tilt, -warmth),
        (Column::Dose, -subject.ln_dose),
        (Column::House, 1.0),
        (Column::Dough(subject.dough.clone()), DOUGH_SHARE * sd),
        (
            Column::DoughStage(subject.dough.clone(), subject.stage),
            (1.0 - DOUGH_SHARE * DOUGH_SHARE).sqrt() * sd,
        ),
    ];
    if subject.stage == Stage::Final {
        entries.push((Column::Final, 1.0));
    }
    // In units of its own spread, so that one nobody has met adds just that.
    let groups = subject.groups.iter();
    entries.extend(groups.map(|g| (Column::Group(g.name.clone()), g.ln_sd)));
    entries
}

impl Calibration {
    /// The house's tilt: mean and standard deviation, per 10 °C.
    ///
    /// ```
    /// use doughwarden_model::calibration::Calibration;
    /// let (tilt, sd) = Calibration::default().tilt();
    /// assert!(tilt.abs() < 0.2 && sd > 0.1);   // before any bake: the prior
    /// ```
    pub fn tilt(&self) -> (f64, f64) {
        self.column(&Column::Tilt)
    }

    /// The exponent with which the time to ready falls as the yeast dose grows: mean and standard
    /// deviation. Smaller than the rate's, as a part of a proof does not wait on the yeast.
    ///
    /// ```
    /// use doughwarden_model::calibration::Calibration;
    /// let (b, sd) = Calibration::default().dose_exponent();
    /// assert!((0.5..1.2).contains(&b) && sd > 0.0);
    /// ```
    pub fn dose_exponent(&self) -> (f64, f64) {
        self.column(&Column::Dose)
    }

    fn column(&self, column: &Column) -> (f64, f64) {
        match self.columns.iter().position(|c| c == column) {
            Some(i) => (
                self.mean[i],
                self.covariance[i * self.columns.len() + i].max(0.0).sqrt(),
            ),
            None => (0.0, 1.0),
        }
    }

    /// How many stages of this dough and stage taught something.
    ///
    /// ```
    /// use doughwarden_model::calibration::{Calibration, Stage};
    /// assert_eq!(Calibration::default().count("plum braid", Stage::Bulk), 0);
    /// ```
    pub fn count(&self, dough: &str, stage: Stage) -> u32 {
        self.counts
            .get(&curve_key(dough, stage))
            .copied()
            .unwrap_or(0)
    }

    /// The rise curve of a dough and stage.
    ///
    /// ```
    /// use doughwarden_model::calibration::{Calibration, Stage, Subject};
    /// let subject = Subject { dough: "plum braid".into(), stage: Stage::Bulk, prior_ln_age: 90f64.ln(),
    ///     prior_sd: 0.2, ln_dose: 0.0, target_rise: Some(0.8), extra_sd: 0.0, groups: vec![] };
    /// // The recipe's own target is the rise at ready until bakes say more.
    /// assert!((Calibration::default().curve(&subject).curve.ln_rise - 0.8f64.ln()).abs() < 1e-12);
    /// ```
    pub fn curve(&self, subject: &Subject) -> FittedCurve {
        if let Some(c) = self.curves.get(&curve_key(&subject.dough, subject.stage)) {
            return *c;
        }
        let mut usual = self.usual_curves[usize::from(subject.stage == Stage::Final)];
        if let Some(target) = subject.target_rise.filter(|t| *t > 0.05 && *t < 10.0) {
            usual.curve.ln_rise = target.ln();
            usual.covariance[0] = [0.02, 0.0, 0.0];
            usual.covariance[1][0] = 0.0;
            usual.covariance[2][0] = 0.0;
        }
        usual
    }

    /// Mean of `r` and its covariance between stages, own noise of the batch left out. Rows of
    /// unknown doughs take their prior.
    fn moments(
        &self,
        rows: &[Vec<(Column, f64)>],
        with_tilt_mean: bool,
    ) -> (Vec<f64>, DMatrix<f64>) {
        let p = self.columns.len();
        let index = |c: &Column| self.columns.iter().position(|x| x == c);
        let known: Vec<Vec<(usize, f64)>> = rows
            .iter()
            .map(|r| {
                r.iter()
                    .filter_map(|(c, x)| index(c).map(|i| (i, *x)))
                    .collect()
            })
            .collect();
        let mean = known
            .iter()
            .map(|r| {
                r.iter()
                    .filter(|(i, _)| with_tilt_mean || self.columns[*i] != Column::Tilt)
                    .map(|(i, x)| self.mean[*i] * x)
                    .sum()
            })
            .collect();
        let mut g = DMatrix::zeros(rows.len(), rows.len());
        for a in 0..rows.len() {
            for b in 0..rows.len() {
                let mut sum = 0.0;
                for (i, x) in &known[a] {
                    for (j, y) in &known[b] {
                        sum += x * y * self.covariance[i * p + j];
                    }
                }
                for (c, x) in &rows[a] {
                    if index(c).is_none() {
                        sum += rows[b]
                            .iter()
                            .filter(|(d, _)| d == c)
                            .map(|(_, y)| x * y)
                            .sum::<f64>();
                    }
                }
                g[(a, b)] = sum;
            }
        }
        (mean, g)
    }

    /// The prior of a stage, given what was seen of the same batch's other stages: `(subject, mean
    /// warmth up to ready, site)` each, in the coordinates of the calibrated law (paths by
    /// [`Calibration::tilt`]'s mean).
    ///
    /// ```
    /// use doughwarden_model::calibration::{Calibration, Stage, Subject};
    /// let subject = Subject { dough: "plum braid".into(), stage: Stage::Bulk, prior_ln_age: 90f64.ln(),
    ///     prior_sd: 0.2, ln_dose: 0.0, target_rise: Some(0.8), extra_sd: 0.0, groups: vec![] };
    /// let prior = Calibration::default().expect(&subject, 0.0, &[]);
    /// assert!((prior.mean - 90f64.ln()).abs() < 0.1 && prior.sd > 0.2);
    /// // Five degrees away from 27 °C it is less sure, as the house's tilt is not known.
    /// assert!(Calibration::default().expect(&subject, 0.5, &[]).sd > prior.sd);
    /// ```
    pub fn expect(&self, subject: &Subject, warmth: f64, others: &[(Subject, f64, Site)]) -> Prior {
        let subject = &subject.tamed();
        let warmth = if warmth.is_finite() {
            warmth.clamp(-10.0, 15.0)
        } else {
            0.0
        };
        let others: Vec<(Subject, f64, Site)> = others
            .iter()
            .filter(|(_, w, site)| w.is_finite() && site.mean.is_finite())
            .map(|(s, w, site)| (s.tamed(), w.clamp(-10.0, 15.0), *site))
            .collect();
        let mut rows = vec![row(subject, warmth)];
        let seen: Vec<&(Subject, f64, Site)> = others
            .iter()
            .filter(|o| o.2.precision > LEAST_PRECISION)
            .collect();
        rows.extend(seen.iter().map(|(s, w, _)| row(s, *w)));
        let (offsets, g) = self.moments(&rows, false);
        let s2 = self.spread * self.spread;
        let mut mean = subject.prior_ln_age + offsets[0];
        let mut variance = g[(0, 0)] + s2 + subject.extra_sd * subject.extra_sd;
        let n = seen.len();
        if n > 0 {
            let mut m = DMatrix::zeros(n, n);
            let mut cross = DVector::zeros(n);
            let mut residual = DVector::zeros(n);
            for a in 0..n {
                let (sa, _, site) = seen[a];
                for b in 0..n {
                    m[(a, b)] = g[(a + 1, b + 1)] + self.shared * s2;
                }
                m[(a, a)] +=
                    (1.0 - self.shared) * s2 + sa.extra_sd * sa.extra_sd + 1.0 / site.precision;
                cross[a] = g[(0, a + 1)] + self.shared * s2;
                residual[a] = site.mean - sa.prior_ln_age - offsets[a + 1];
            }
            if let Some(c) = Cholesky::new(m) {
                let gain = c.solve(&cross);
                mean += gain.dot(&residual).clamp(-1.0, 1.0);
                variance -= gain.dot(&cross);
            }
        }
        self.prior(subject, mean, variance.max(1e-4).sqrt())
    }

    fn prior(&self, subject: &Subject, mean: f64, sd: f64) -> Prior {
        let fitted = self.curve(subject);
        let slope = fitted.curve.slope_at_ready();
        let c = fitted.covariance;
        // Lag and power as four equally likely curves (the third-degree spherical rule in two
        // dimensions), the level following them.
        let shape_sd = (c[1][1] + c[2][2]).max(0.0).sqrt();
        let (curves, level_variance) = if shape_sd > 0.03 {
            let l11 = c[1][1].max(1e-8).sqrt();
            let l21 = c[2][1] / l11;
            let l22 = (c[2][2] - l21 * l21).max(1e-8).sqrt();
            // Regression of the level on the two standard normals behind lag and power.
            let a1 = c[0][1] / l11;
            let a2 = (c[0][2] - l21 * a1) / l22;
            let k = std::f64::consts::SQRT_2;
            let curves = [(k, 0.0), (-k, 0.0), (0.0, k), (0.0, -k)]
                .iter()
                .map(|(u, v)| RiseCurve {
                    ln_rise: fitted.curve.ln_rise + a1 * u + a2 * v,
                    lag: fitted.curve.lag + l11 * u,
                    ln_power: fitted.curve.ln_power + l21 * u + l22 * v,
                })
                .collect();
            (curves, (c[0][0] - a1 * a1 - a2 * a2).max(0.0))
        } else {
            (vec![fitted.curve], c[0][0].max(0.0))
        };
        let rise_sd = (self.eye_sd * self.eye_sd + level_variance).sqrt();
        let tie = (self.eye_sd * self.eye_sd / slope / (rise_sd * sd)).clamp(0.0, 0.95);
        Prior {
            mean,
            sd,
            curves,
            rise_sd,
            tie,
            noise_share: self.noise_share,
            noise: self.noise,
        }
    }

    /// Fits all of it to past stages.
    ///
    /// A normal model of `ln` of the age at ready: house, stage, dough, dough and stage, place, season and
    /// lot, dose and tilt, batches sharing a part of their pace. Marks enter by moment matching
    /// (expectation propagation; Minka 2001, from memory), and an outcome tapped by mistake has a heavy
    /// tail, so it cannot bend the fit.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::calibration::{Calibration, PastStage, Stage, Subject};
    /// use doughwarden_model::proof::{Ending, Evidence};
    /// let bake = |i: usize| {
    ///     let mut path = AgePath::begin(RateLaw::default(), 0.0, 24.0);
    ///     path.advance(120.0, 24.0, 24.0);
    ///     PastStage { batch: format!("{i}"), path,
    ///         subject: Subject { dough: "plum braid".into(), stage: Stage::Bulk, prior_ln_age: 70f64.ln(),
    ///             prior_sd: 0.2, ln_dose: 0.0, target_rise: None, extra_sd: 0.0, groups: vec![] },
    ///         evidence: Evidence { looks: vec![105.0], ending: Some((115.0, Ending::Ready)), ..Evidence::default() } }
    /// };
    /// let bakes: Vec<PastStage> = (0..6).map(bake).collect();
    /// let (before, after) = (Calibration::default(), Calibration::fit(&bakes));
    /// let subject = &bakes[0].subject;
    /// // They took about 105 minutes at 24 °C, more than the 70 at 27 °C that were expected.
    /// assert!(after.expect(subject, -0.3, &[]).mean > before.expect(subject, -0.3, &[]).mean);
    /// assert_eq!(after.stages, 6);
    /// ```
    pub fn fit(stages: &[PastStage]) -> Self {
        Fit::new(&tamed(stages)).run()
    }

    /// The same with the house's tilt held at nothing: for showing what it is worth.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::calibration::{Calibration, PastStage, Stage, Subject};
    /// use doughwarden_model::proof::{Ending, Evidence};
    /// let bake = |i: usize| {
    ///     let mut path = AgePath::begin(RateLaw::default(), 0.0, 24.0);
    ///     path.advance(120.0, 24.0, 24.0);
    ///     PastStage { batch: format!("{i}"), path,
    ///         subject: Subject { dough: "plum braid".into(), stage: Stage::Bulk, prior_ln_age: 70f64.ln(),
    ///             prior_sd: 0.2, ln_dose: 0.0, target_rise: None, extra_sd: 0.0, groups: vec![] },
    ///         evidence: Evidence { looks: vec![105.0], ending: Some((115.0, Ending::Ready)), ..Evidence::default() } }
    /// };
    /// let bakes: Vec<PastStage> = (0..6).map(bake).collect();
    /// // All at 24 °C and slower than expected: the fit lays some of that to warmth, this one none.
    /// assert!(Calibration::fit(&bakes).tilt().0 > 0.0 && Calibration::fit_untilted(&bakes).tilt().0 == 0.0);
    /// ```
    pub fn fit_untilted(stages: &[PastStage]) -> Self {
        let stages = tamed(stages);
        let mut fit = Fit::new(&stages);
        for row in &mut fit.rows {
            row.retain(|(c, _)| *c != 0);
        }
        for row in &mut fit.named {
            row.retain(|(c, _)| *c != Column::Tilt);
        }
        fit.run()
    }

    /// The same with nothing shared between doughs, proofs and batches: for showing what pooling is
    /// worth.
    ///
    /// ```
    /// use doughwarden_model::{age::AgePath, cardinal::RateLaw};
    /// use doughwarden_model::calibration::{Calibration, PastStage, Stage, Subject};
    /// use doughwarden_model::proof::{Ending, Evidence};
    /// let bake = |i: usize| {
    ///     let mut path = AgePath::begin(RateLaw::default(), 0.0, 24.0);
    ///     path.advance(120.0, 24.0, 24.0);
    ///     PastStage { batch: format!("{i}"), path,
    ///         subject: Subject { dough: "plum braid".into(), stage: Stage::Bulk, prior_ln_age: 70f64.ln(),
    ///             prior_sd: 0.2, ln_dose: 0.0, target_rise: None, extra_sd: 0.0, groups: vec![] },
    ///         evidence: Evidence { looks: vec![105.0], ending: Some((115.0, Ending::Ready)), ..Evidence::default() } }
    /// };
    /// let bakes: Vec<PastStage> = (0..6).map(bake).collect();
    /// let (alone, pooled) = (Calibration::fit_alone(&bakes), Calibration::fit(&bakes));
    /// let other = Subject { dough: "another".into(), ..bakes[0].subject.clone() };
    /// // Without pooling a new dough learns nothing from the others.
    /// assert!(alone.expect(&other, -0.3, &[]).mean < pooled.expect(&other, -0.3, &[]).mean);
    /// ```
    pub fn fit_alone(stages: &[PastStage]) -> Self {
        let apart: Vec<PastStage> = tamed(stages)
            .iter()
            .enumerate()
            .map(|(i, s)| PastStage {
                batch: format!("{i}"),
                ..s.clone()
            })
            .collect();
        let mut fit = Fit::new(&apart);
        for row in &mut fit.rows {
            row.retain(|(c, _)| {
                !matches!(
                    fit.now.columns[*c],
                    Column::House | Column::Final | Column::Dough(_) | Column::Group(_)
                )
            });
        }
        fit.run()
    }
}

#[cfg(test)]
mod tests;

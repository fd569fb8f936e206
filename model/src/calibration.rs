//! What past bakes teach: the house's and each dough's parameters, with partial pooling.
//!
//! ```text
//! r_i   = prior_i + X_i beta + c_batch + e_i          ln of the age at which stage i was ready
//! beta  : tilt (X = -mean warmth), dose (X = -ln dose ratio), the house's pace, final against bulk,
//!         each dough, each dough's stage — all shrunk towards what recipe and literature say
//! c     ~ Normal(0, rho s²) shared by a batch's stages;  e ~ Normal(0, (1 - rho) s²)
//! ```
//! Each stage's own evidence (looks, dents, rises, how it ended) is no number but a likelihood of
//! `r_i`. Expectation propagation turns it into the normal that does the same work given all other
//! batches, so a mistaken tap, far from what the rest says, counts for next to nothing. The spreads
//! `s` and `rho` maximise the marginal likelihood with a prior; each dough's rise curve is fitted to
//! its rise readings, its neighbours' curves as prior.

use std::collections::BTreeMap;

use nalgebra::{Cholesky, DMatrix, DVector, Matrix3, Vector3};
use serde::{Deserialize, Serialize};

use crate::age::AgePath;
use crate::cardinal::{Cardinal, REFERENCE_C, RateLaw};
use crate::proof::{Evidence, Posterior, Prior, RiseCurve, rise_density};

/// Sweeps over all stages; the normals settle in four or five.
const SWEEPS: usize = 5;
/// Points of the grid in the fit: coarser than a live forecast's.
const FIT_GRID: usize = 61;
/// From so many stages of a dough and proof on, its curve is taken as known within the fit.
const ENOUGH: usize = 8;
/// Stages of one dough and proof that its curve is fitted to: the newest; more would add nothing.
const CURVE_STAGES: usize = 60;
/// How far a stage's normal moves towards its new value in one sweep.
const DAMPING: f64 = 0.8;
/// A stage says something from this precision on (a spread of 10 in ln age says nothing).
const LEAST_PRECISION: f64 = 0.01;
/// Prior of ln s: about 0.105, own choice within the sheet of a home baker's scatter.
const SPREAD: (f64, f64) = (-2.26, 0.35);
/// Spread of ln rise at ready from bake to bake, before any is known.
const EYE_SD: f64 = 0.09;
/// Spread of the rise curve between doughs of one stage: ln rise, lag, ln power.
const BETWEEN: [f64; 3] = [0.22, 0.07, 0.15];
/// Spread of a stage's usual curve about the textbook one.
const TEXTBOOK: [f64; 3] = [0.25, 0.1, 0.15];

/// Bulk or final proof.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Stage {
    /// In one piece.
    Bulk,
    /// Shaped.
    Final,
}

/// What is known of a stage besides what is seen of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Subject {
    /// The dough's name.
    pub dough: String,
    /// Which proof.
    pub stage: Stage,
    /// ln of the age the recipe, or the literature, expects at the recipe's usual dose.
    pub prior_ln_age: f64,
    /// How far recipes (0.2) or the literature (0.35) are off.
    pub prior_sd: f64,
    /// ln of this batch's yeast share over the dough's usual one.
    pub ln_dose: f64,
    /// The rise the recipe says it is ready at.
    pub target_rise: Option<f64>,
    /// More spread: a start or an air that nobody measured.
    pub extra_sd: f64,
}

/// A past stage as the fit sees it.
#[derive(Debug, Clone)]
pub struct PastStage {
    /// The batch; its stages share its pace.
    pub batch: String,
    /// What is known of it.
    pub subject: Subject,
    /// Its path by the law without a tilt.
    pub path: AgePath,
    /// What was seen.
    pub evidence: Evidence,
}

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
    pub fn between(prior_mean: f64, prior_sd: f64, after_mean: f64, after_sd: f64) -> Self {
        let before = prior_sd.powi(-2);
        let precision = after_sd.powi(-2) - before;
        if !(precision > LEAST_PRECISION) {
            return Self::default();
        }
        Self { mean: (after_mean * after_sd.powi(-2) - prior_mean * before) / precision, precision }
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
}

/// Means and standard deviations of the house's columns before any bake.
const TILT: (f64, f64) = (0.0, 0.3);
const DOSE: (f64, f64) = (0.85, 0.15);
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
    /// Lowest and highest mean dough temperature among them, °C.
    pub temperatures_c: Option<(f64, f64)>,
    /// How many stages of each dough and stage taught something.
    counts: BTreeMap<String, u32>,
    /// What the recipe or the literature expected of each: ln age and its spread.
    levels: BTreeMap<String, (f64, f64)>,
}

/// One learned number for people: before, after, and its 80 % range.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Parameter {
    /// What it is.
    pub name: String,
    /// Its value.
    pub value: f64,
    /// What it was before any bake.
    pub prior: f64,
    /// 10 %.
    pub p10: f64,
    /// 90 %.
    pub p90: f64,
}

fn curve_key(dough: &str, stage: Stage) -> String {
    format!("{}/{dough}", if stage == Stage::Bulk { "bulk" } else { "final" })
}

fn textbook(stage: Stage) -> FittedCurve {
    let mut covariance = [[0.0; 3]; 3];
    for (i, row) in covariance.iter_mut().enumerate() {
        row[i] = TEXTBOOK[i] * TEXTBOOK[i] + BETWEEN[i] * BETWEEN[i];
    }
    // A doubling first has to fill the dough's water with gas, 37 % of its volume (carbon dioxide's
    // solubility at 30 °C, Weiss 1974): a quarter of the way. After shaping the water is full.
    let curve = match stage {
        Stage::Bulk => RiseCurve { ln_rise: -0.05, lag: 0.25, ln_power: 0.05 },
        Stage::Final => RiseCurve { ln_rise: -0.35, lag: 0.07, ln_power: 0.0 },
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
            spread: 0.115,
            shared: 0.5,
            eye_sd: EYE_SD,
            noise_share: 0.07,
            noise: 0.035,
            curves: BTreeMap::new(),
            usual_curves: [textbook(Stage::Bulk), textbook(Stage::Final)],
            stages: 0,
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
        (Column::Dough(subject.dough.clone()), 0.5 * sd),
        (Column::DoughStage(subject.dough.clone(), subject.stage), 0.86 * sd),
    ];
    if subject.stage == Stage::Final {
        entries.push((Column::Final, 1.0));
    }
    entries
}

impl Calibration {
    /// The house's tilt: mean and standard deviation, per 10 °C.
    pub fn tilt(&self) -> (f64, f64) {
        self.column(&Column::Tilt)
    }

    /// The dose exponent: mean and standard deviation.
    pub fn dose_exponent(&self) -> (f64, f64) {
        self.column(&Column::Dose)
    }

    fn column(&self, column: &Column) -> (f64, f64) {
        match self.columns.iter().position(|c| c == column) {
            Some(i) => (self.mean[i], self.covariance[i * self.columns.len() + i].max(0.0).sqrt()),
            None => (0.0, 1.0),
        }
    }

    /// How many stages of this dough and stage taught something.
    pub fn count(&self, dough: &str, stage: Stage) -> u32 {
        self.counts.get(&curve_key(dough, stage)).copied().unwrap_or(0)
    }

    /// The rise curve of a dough and stage.
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
    fn moments(&self, rows: &[Vec<(Column, f64)>], with_tilt_mean: bool) -> (Vec<f64>, DMatrix<f64>) {
        let p = self.columns.len();
        let index = |c: &Column| self.columns.iter().position(|x| x == c);
        let known: Vec<Vec<(usize, f64)>> =
            rows.iter().map(|r| r.iter().filter_map(|(c, x)| index(c).map(|i| (i, *x))).collect()).collect();
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
                        sum += rows[b].iter().filter(|(d, _)| d == c).map(|(_, y)| x * y).sum::<f64>();
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
    pub fn expect(&self, subject: &Subject, warmth: f64, others: &[(Subject, f64, Site)]) -> Prior {
        let mut rows = vec![row(subject, warmth)];
        let seen: Vec<&(Subject, f64, Site)> = others.iter().filter(|o| o.2.precision > LEAST_PRECISION).collect();
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
                m[(a, a)] += (1.0 - self.shared) * s2 + sa.extra_sd * sa.extra_sd + 1.0 / site.precision;
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
        Prior { mean, sd, curves, rise_sd, tie, noise_share: self.noise_share, noise: self.noise }
    }

    /// Fits all of it to past stages.
    pub fn fit(stages: &[PastStage]) -> Self {
        Fit::new(stages).run()
    }

    /// The same with the house's tilt held at nothing: for showing what it is worth.
    pub fn fit_untilted(stages: &[PastStage]) -> Self {
        let mut fit = Fit::new(stages);
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
    pub fn fit_alone(stages: &[PastStage]) -> Self {
        let apart: Vec<PastStage> = stages
            .iter()
            .enumerate()
            .map(|(i, s)| PastStage { batch: format!("{i}"), ..s.clone() })
            .collect();
        let mut fit = Fit::new(&apart);
        for row in &mut fit.rows {
            row.retain(|(c, _)| !matches!(fit.now.columns[*c], Column::House | Column::Final | Column::Dough(_)));
        }
        fit.run()
    }

    /// The learned numbers in words, for reports. Times are minutes at 24 °C throughout.
    pub fn parameters(&self) -> Vec<Parameter> {
        let z = 1.281_551_565_544_6;
        let start = Self::default();
        let plain = |name: &str, (value, sd): (f64, f64), prior: f64| Parameter {
            name: name.to_owned(),
            value,
            prior,
            p10: value - z * sd,
            p90: value + z * sd,
        };
        let log = |name: String, (ln, sd): (f64, f64), prior: f64| Parameter {
            name,
            value: ln.exp(),
            prior: prior.exp(),
            p10: (ln - z * sd).exp(),
            p90: (ln + z * sd).exp(),
        };
        let mut out = vec![
            plain("tilt of the pace against temperature, per 10 degC", self.tilt(), TILT.0),
            plain("exponent of the yeast dose", self.dose_exponent(), DOSE.0),
            log("time of all doughs against their recipes".into(), self.column(&Column::House), HOUSE.0),
            log("time of final proofs against their recipes, beside that".into(), self.column(&Column::Final), FINAL.0),
        ];
        let warmth = (24.0 - REFERENCE_C) / 10.0;
        let pace = RateLaw::new(Cardinal::GAS, self.tilt().0).rate(24.0);
        let plain_pace = RateLaw::default().rate(24.0);
        for (key, (prior_ln_age, prior_sd)) in &self.levels {
            let Some((stage, dough)) = key.split_once('/') else { continue };
            let subject = Subject {
                dough: dough.to_owned(),
                stage: if stage == "bulk" { Stage::Bulk } else { Stage::Final },
                prior_ln_age: *prior_ln_age,
                prior_sd: *prior_sd,
                ln_dose: 0.0,
                target_rise: None,
                extra_sd: 0.0,
            };
            let (offset, g) = self.moments(&[row(&subject, warmth)], false);
            let ln_minutes = prior_ln_age + offset[0] - pace.ln();
            out.push(log(
                format!("{dough}, {stage}: minutes at 24 degC"),
                (ln_minutes, g[(0, 0)].max(0.0).sqrt()),
                prior_ln_age - plain_pace.ln(),
            ));
        }
        let ln_sd = 0.7 / f64::from(self.stages + 4).sqrt();
        out.push(log("spread from bake to bake".into(), (self.spread.ln(), ln_sd), start.spread.ln()));
        out.push(plain("share of that spread common to a batch's proofs", (self.shared, 0.15), start.shared));
        out.push(log("spread of the rise when ready".into(), (self.eye_sd.ln(), 0.3), start.eye_sd.ln()));
        for (key, fitted) in &self.curves {
            let Some((stage, dough)) = key.split_once('/') else { continue };
            let book = textbook(if stage == "bulk" { Stage::Bulk } else { Stage::Final }).curve;
            let sd = |i: usize| fitted.covariance[i][i].max(0.0).sqrt();
            out.push(log(format!("{dough}, {stage}: rise when ready"), (fitted.curve.ln_rise, sd(0)), book.ln_rise));
            out.push(plain(
                &format!("{dough}, {stage}: share of the way before it rises"),
                (fitted.curve.lag, sd(1)),
                book.lag,
            ));
        }
        out
    }
}

/// A fit on its way.
struct Fit<'a> {
    stages: &'a [PastStage],
    blocks: Vec<Vec<usize>>,
    rows: Vec<Vec<(usize, f64)>>,
    named: Vec<Vec<(Column, f64)>>,
    sites: Vec<Site>,
    evidence_only: Vec<(f64, f64)>,
    sizes: Vec<usize>,
    /// Each stage's rises by age, a stream thinned to what it is worth.
    rises: Vec<Vec<(f64, f64)>>,
    now: Calibration,
}

impl<'a> Fit<'a> {
    fn new(stages: &'a [PastStage]) -> Self {
        let mut now = Calibration::default();
        let base = Calibration::default();
        let mut columns = base.columns.clone();
        let named: Vec<Vec<(Column, f64)>> = stages
            .iter()
            .map(|s| {
                // The warmth up to the end, or as far as the path goes.
                let until = s.evidence.ending.map_or(s.path.now().minute, |(m, _)| m);
                row(&s.subject, s.path.mean_warmth(until))
            })
            .collect();
        for (c, _) in named.iter().flatten() {
            if !columns.contains(c) {
                columns.push(c.clone());
            }
        }
        let index: BTreeMap<&Column, usize> = columns.iter().enumerate().map(|(i, c)| (c, i)).collect();
        let rows = named.iter().map(|r| r.iter().map(|(c, x)| (index[c], *x)).collect()).collect();
        let p = columns.len();
        let mut mean = vec![0.0; p];
        let mut covariance = vec![0.0; p * p];
        for i in 0..p {
            mean[i] = if i < base.mean.len() { base.mean[i] } else { 0.0 };
            covariance[i * p + i] = if i < base.mean.len() { base.covariance[i * base.columns.len() + i] } else { 1.0 };
        }
        now.columns = columns;
        now.mean = mean;
        now.covariance = covariance;
        let rises = stages
            .iter()
            .map(|s| {
                let (alone, stream): (Vec<_>, Vec<_>) =
                    s.evidence.rises.iter().partition(|r| r.2 >= 1.0);
                alone
                    .into_iter()
                    .chain(stream.into_iter().step_by(3))
                    .take(40)
                    .map(|(m, y, _)| (s.path.age_at(m), if y.is_finite() { y.clamp(-0.5, 20.0) } else { 0.0 }))
                    .collect()
            })
            .collect();
        let mut of_kind: BTreeMap<String, usize> = BTreeMap::new();
        for s in stages {
            *of_kind.entry(curve_key(&s.subject.dough, s.subject.stage)).or_default() += 1;
        }
        let sizes =
            stages.iter().map(|s| of_kind[&curve_key(&s.subject.dough, s.subject.stage)]).collect();
        let mut by_batch: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (i, s) in stages.iter().enumerate() {
            by_batch.entry(&s.batch).or_default().push(i);
        }
        Self {
            stages,
            blocks: by_batch.into_values().collect(),
            rows,
            named,
            sites: vec![Site::default(); stages.len()],
            evidence_only: vec![(0.0, 0.0); stages.len()],
            sizes,
            rises,
            now,
        }
    }

    fn prior_moments(&self) -> (Vec<f64>, Vec<f64>) {
        let base = Calibration::default();
        let p = self.now.columns.len();
        let mut mean = vec![0.0; p];
        let mut precision = vec![1.0; p];
        for i in 0..base.columns.len() {
            mean[i] = base.mean[i];
            precision[i] = 1.0 / base.covariance[i * base.columns.len() + i];
        }
        (mean, precision)
    }

    /// The informative stages of a block and their covariance given beta.
    fn noise(&self, block: &[usize], spread: f64, shared: f64) -> (Vec<usize>, DMatrix<f64>) {
        let seen: Vec<usize> = block.iter().copied().filter(|i| self.sites[*i].precision > LEAST_PRECISION).collect();
        let s2 = spread * spread;
        let n = seen.len();
        let mut m = DMatrix::from_element(n, n, shared * s2);
        for (a, i) in seen.iter().enumerate() {
            let extra = self.stages[*i].subject.extra_sd;
            m[(a, a)] += (1.0 - shared) * s2 + extra * extra + 1.0 / self.sites[*i].precision;
        }
        (seen, m)
    }

    /// Generalised least squares with the present normals; gives the ln marginal likelihood too.
    fn solve(&self, spread: f64, shared: f64) -> Option<(DVector<f64>, Cholesky<f64, nalgebra::Dyn>, f64)> {
        let p = self.now.columns.len();
        let (prior_mean, prior_precision) = self.prior_moments();
        let mut lambda = DMatrix::from_diagonal(&DVector::from_vec(prior_precision.clone()));
        let mut b = DVector::zeros(p);
        let mut ln_z = 0.5 * prior_precision.iter().map(|x| x.ln()).sum::<f64>();
        for block in &self.blocks {
            let (seen, m) = self.noise(block, spread, shared);
            if seen.is_empty() {
                continue;
            }
            let chol = Cholesky::new(m)?;
            // Residuals about the prior mean, so that b is in deviations from it.
            let e = DVector::from_iterator(
                seen.len(),
                seen.iter().map(|i| {
                    self.sites[*i].mean
                        - self.stages[*i].subject.prior_ln_age
                        - self.rows[*i].iter().map(|(c, x)| x * prior_mean[*c]).sum::<f64>()
                }),
            );
            let inverse = chol.inverse();
            let weighted = &inverse * &e;
            ln_z -= 0.5 * e.dot(&weighted) + chol.l_dirty().diagonal().iter().map(|d| d.abs().ln()).sum::<f64>();
            for (a, i) in seen.iter().enumerate() {
                for (c, x) in &self.rows[*i] {
                    b[*c] += x * weighted[a];
                    for (bb, j) in seen.iter().enumerate() {
                        for (d, y) in &self.rows[*j] {
                            lambda[(*c, *d)] += x * y * inverse[(a, bb)];
                        }
                    }
                }
            }
        }
        let chol = Cholesky::new(lambda)?;
        let deviation = chol.solve(&b);
        ln_z += 0.5 * b.dot(&deviation) - chol.l_dirty().diagonal().iter().map(|d| d.abs().ln()).sum::<f64>();
        let mean = DVector::from_iterator(p, deviation.iter().zip(&prior_mean).map(|(d, m)| d + m));
        Some((mean, chol, ln_z))
    }

    fn run(mut self) -> Calibration {
        if self.stages.is_empty() {
            return self.finish();
        }
        for sweep in 0..SWEEPS {
            let Some((mean, chol, _)) = self.solve(self.now.spread, self.now.shared) else { break };
            self.now.mean = mean.as_slice().to_vec();
            self.now.covariance = chol.inverse().as_slice().to_vec();
            self.sweep(if sweep == 0 { 1.0 } else { DAMPING });
            if sweep >= 1 {
                self.fit_spread();
            }
            if sweep == 0 || sweep == 2 {
                self.fit_curves();
            }
        }
        if let Some((mean, chol, _)) = self.solve(self.now.spread, self.now.shared) {
            self.now.mean = mean.as_slice().to_vec();
            self.now.covariance = chol.inverse().as_slice().to_vec();
        }
        self.finish()
    }

    /// One sweep: each stage's normal anew, given everything but its own evidence.
    fn sweep(&mut self, damping: f64) {
        let s2 = self.now.spread * self.now.spread;
        let shared = self.now.shared;
        let mut new_sites = self.sites.clone();
        let mut evidence_only = self.evidence_only.clone();
        for block in &self.blocks {
            let named: Vec<Vec<(Column, f64)>> = block.iter().map(|i| self.named[*i].clone()).collect();
            let (mut offset, mut g) = self.moments_of(block, &named);
            // Leave this batch out of beta.
            let (seen, m) = self.noise(block, self.now.spread, shared);
            if !seen.is_empty() {
                let at: Vec<usize> = seen.iter().filter_map(|i| block.iter().position(|b| b == i)).collect();
                let n = at.len();
                let g_oo = DMatrix::from_fn(n, n, |a, b| g[(at[a], at[b])]);
                let g_ao = DMatrix::from_fn(block.len(), n, |a, b| g[(a, at[b])]);
                if let Some(inverse) = (m - g_oo).try_inverse() {
                    let residual = DVector::from_iterator(
                        n,
                        at.iter().map(|a| {
                            let i = block[*a];
                            self.stages[i].subject.prior_ln_age + offset[*a] - self.sites[i].mean
                        }),
                    );
                    let shift = &g_ao * (&inverse * residual);
                    for (o, s) in offset.iter_mut().zip(shift.iter()) {
                        *o += s;
                    }
                    g += &g_ao * inverse * g_ao.transpose();
                }
            }
            for (a, &i) in block.iter().enumerate() {
                let subject = &self.stages[i].subject;
                let mut mean = subject.prior_ln_age + offset[a];
                let mut variance = g[(a, a)] + s2 + subject.extra_sd * subject.extra_sd;
                let others: Vec<usize> = (0..block.len())
                    .filter(|b| *b != a && self.sites[block[*b]].precision > LEAST_PRECISION)
                    .collect();
                if !others.is_empty() {
                    let n = others.len();
                    let m = DMatrix::from_fn(n, n, |x, y| {
                        let j = block[others[x]];
                        let own = if x == y {
                            let extra = self.stages[j].subject.extra_sd;
                            (1.0 - shared) * s2 + extra * extra + 1.0 / self.sites[j].precision
                        } else {
                            0.0
                        };
                        g[(others[x], others[y])] + shared * s2 + own
                    });
                    let cross = DVector::from_iterator(n, others.iter().map(|b| g[(a, *b)] + shared * s2));
                    let residual = DVector::from_iterator(
                        n,
                        others.iter().map(|b| {
                            let j = block[*b];
                            self.sites[j].mean - self.stages[j].subject.prior_ln_age - offset[*b]
                        }),
                    );
                    if let Some(c) = Cholesky::new(m) {
                        let gain = c.solve(&cross);
                        mean += gain.dot(&residual).clamp(-1.0, 1.0);
                        variance -= gain.dot(&cross);
                    }
                }
                let sd = variance.clamp(1e-4, 4.0).sqrt();
                let prior = self.now.prior(subject, mean, sd);
                let mut prior = prior;
                if self.group_size(i) > ENOUGH {
                    // Well-known curves need no alternatives.
                    prior.curves = vec![self.now.curve(subject).curve];
                }
                let after = prior.after_on(&self.stages[i].path, &self.stages[i].evidence, FIT_GRID);
                let site = Site::between(mean, sd, after.mean(), after.sd());
                let old = self.sites[i];
                let precision = old.precision + damping * (site.precision - old.precision);
                new_sites[i] = if precision > LEAST_PRECISION {
                    let pull = old.precision * old.mean + damping * (site.precision * site.mean - old.precision * old.mean);
                    Site { mean: pull / precision, precision }
                } else {
                    Site::default()
                };
                // Without its rises, for the fit of the curve.
                evidence_only[i] = if self.stages[i].evidence.rises.is_empty() {
                    (after.mean(), after.sd())
                } else {
                    let marks = Evidence { rises: Vec::new(), ..self.stages[i].evidence.clone() };
                    let alone: Posterior = prior.after_on(&self.stages[i].path, &marks, FIT_GRID);
                    (alone.mean(), alone.sd())
                };
            }
        }
        self.sites = new_sites;
        self.evidence_only = evidence_only;
    }

    /// How many stages of the same dough and proof there are.
    fn group_size(&self, i: usize) -> usize {
        self.sizes[i]
    }

    fn moments_of(&self, block: &[usize], named: &[Vec<(Column, f64)>]) -> (Vec<f64>, DMatrix<f64>) {
        let _ = named;
        let p = self.now.columns.len();
        let offset = block
            .iter()
            .map(|i| self.rows[*i].iter().map(|(c, x)| self.now.mean[*c] * x).sum())
            .collect();
        let g = DMatrix::from_fn(block.len(), block.len(), |a, b| {
            let mut sum = 0.0;
            for (i, x) in &self.rows[block[a]] {
                for (j, y) in &self.rows[block[b]] {
                    sum += x * y * self.now.covariance[i * p + j];
                }
            }
            sum
        });
        (offset, g)
    }

    /// Spread and shared part: the mean over a grid of the marginal likelihood times the prior.
    fn fit_spread(&mut self) {
        let (mut total, mut spread2, mut shared_sum) = (0.0, 0.0, 0.0);
        let mut rows = Vec::new();
        for k in 0..10 {
            let spread = 0.05 * (0.4f64 / 0.05).powf(f64::from(k) / 9.0);
            for shared in [0.1, 0.3, 0.5, 0.7, 0.9] {
                if let Some((_, _, ln_z)) = self.solve(spread, shared) {
                    let z = (spread.ln() - SPREAD.0) / SPREAD.1;
                    rows.push((ln_z - 0.5 * z * z, spread, shared));
                }
            }
        }
        let top = rows.iter().map(|r| r.0).fold(f64::NEG_INFINITY, f64::max);
        for (l, spread, shared) in rows {
            let w = (l - top).exp();
            total += w;
            spread2 += w * spread * spread;
            shared_sum += w * shared;
        }
        if total > 0.0 && spread2.is_finite() {
            self.now.spread = (spread2 / total).sqrt();
            self.now.shared = shared_sum / total;
        }
    }

    /// Each dough's rise curve.
    fn fit_curves(&mut self) {
        let mut groups: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        for (i, s) in self.stages.iter().enumerate() {
            if !s.evidence.rises.is_empty() {
                groups.entry(curve_key(&s.subject.dough, s.subject.stage)).or_default().push(i);
            }
        }
        for group in groups.values_mut() {
            let surplus = group.len().saturating_sub(CURVE_STAGES);
            group.drain(..surplus);
        }
        for (which, stage) in [Stage::Bulk, Stage::Final].into_iter().enumerate() {
            let members: Vec<&Vec<usize>> =
                groups.values().filter(|g| self.stages[g[0]].subject.stage == stage).collect();
            if members.is_empty() {
                continue;
            }
            let all: Vec<usize> = members.iter().flat_map(|m| m.iter().copied()).collect();
            let book = textbook(stage);
            let wide = [0, 1, 2].map(|i| TEXTBOOK[i].hypot(BETWEEN[i] / (members.len() as f64).sqrt()));
            let usual = self.fit_curve(&all, book.curve, book.curve, wide);
            let mut covariance = usual.covariance;
            for (i, row) in covariance.iter_mut().enumerate() {
                row[i] += BETWEEN[i] * BETWEEN[i];
            }
            self.now.usual_curves[which] = FittedCurve { curve: usual.curve, covariance };
            for (key, group) in groups.iter().filter(|(_, g)| self.stages[g[0]].subject.stage == stage) {
                let mut centre = usual.curve;
                let mut sds = BETWEEN;
                if members.len() == 1 {
                    (centre, sds) = (book.curve, [0, 1, 2].map(|i| TEXTBOOK[i].hypot(BETWEEN[i])));
                }
                if let Some(target) = self.stages[group[0]].subject.target_rise.filter(|t| *t > 0.05 && *t < 10.0) {
                    centre.ln_rise = target.ln();
                    sds[0] = 0.14;
                }
                let from = self.now.curves.get(key).map_or(usual.curve, |c| c.curve);
                let fitted = self.fit_curve(group, from, centre, sds);
                self.now.curves.insert(key.clone(), fitted);
            }
        }
        self.fit_noise();
    }

    fn ln_posterior(&self, group: &[usize], eta: &Vector3<f64>, centre: RiseCurve, sds: [f64; 3]) -> f64 {
        let curve = RiseCurve { ln_rise: eta[0], lag: eta[1], ln_power: eta[2] };
        let mut l = -0.5
            * (((eta[0] - centre.ln_rise) / sds[0]).powi(2)
                + ((eta[1] - centre.lag) / sds[1]).powi(2)
                + ((eta[2] - centre.ln_power) / sds[2]).powi(2));
        for &i in group {
            l += self.ln_rises(i, curve);
        }
        l
    }

    /// ln of the marginal likelihood of a stage's rises under a curve, given its other evidence.
    fn ln_rises(&self, i: usize, curve: RiseCurve) -> f64 {
        let (mean, sd) = self.evidence_only[i];
        let slope = curve.slope_at_ready();
        let eye = self.now.eye_sd;
        let tie = (eye / slope / sd).clamp(0.0, 0.95);
        let conditional = eye * (1.0 - tie * tie).sqrt();
        let scale = curve.ln_rise.exp();
        let prepared = curve.prepared();
        let mut sum = 0.0;
        for (u, wu) in FIVE {
            let ready = (-(mean + sd * u)).exp();
            let mut products = THREE.map(|(_, w)| wu * w);
            for (age, y) in &self.rises[i] {
                let shape = scale * (tie * eye * u).exp() * prepared.shape(age * ready);
                for (product, (v, _)) in products.iter_mut().zip(THREE) {
                    let e = shape * (1.0 + conditional * v).max(0.1);
                    *product *= rise_density(*y, e, self.now.noise_share, self.now.noise);
                }
            }
            sum += products.iter().sum::<f64>();
        }
        sum.max(1e-300).ln()
    }

    /// Newton's method with a ridge where the surface is not curved downward (the mixture for
    /// mistakes can bend it up); the covariance is the inverse curvature at the end.
    fn fit_curve(&self, group: &[usize], from: RiseCurve, centre: RiseCurve, sds: [f64; 3]) -> FittedCurve {
        let f = |eta: &Vector3<f64>| self.ln_posterior(group, eta, centre, sds);
        let prior_precision = Matrix3::from_diagonal(&Vector3::from(sds.map(|s| s.powi(-2))));
        let mut eta = Vector3::new(from.ln_rise, from.lag, from.ln_power);
        let mut here = f(&eta);
        let mut covariance = Matrix3::from_diagonal(&Vector3::from(sds.map(|s| s * s)));
        for _ in 0..6 {
            let (gradient, hessian) = curvature(&f, &eta, here);
            let mut ridge = 0.0;
            let mut chol = Cholesky::new(hessian);
            while chol.is_none() && ridge < 1e4 {
                ridge = if ridge == 0.0 { 0.3 } else { ridge * 3.0 };
                chol = Cholesky::new(hessian + prior_precision * ridge);
            }
            let Some(chol) = chol else { break };
            covariance = chol.inverse();
            let step = chol.solve(&gradient);
            let mut share = 1.0;
            let mut gained = 0.0;
            while share > 0.02 {
                let mut next = eta + step * share;
                next[0] = next[0].clamp(-3.0, 2.5);
                next[1] = next[1].clamp(-0.2, 0.7);
                next[2] = next[2].clamp(-1.2, 1.2);
                let there = f(&next);
                if there > here {
                    gained = there - here;
                    (eta, here) = (next, there);
                    break;
                }
                share *= 0.4;
            }
            if gained < 1e-3 {
                break;
            }
        }
        let mut c = [[0.0; 3]; 3];
        for (i, row) in c.iter_mut().enumerate() {
            for (j, x) in row.iter_mut().enumerate() {
                *x = covariance[(i, j)];
            }
        }
        FittedCurve { curve: RiseCurve { ln_rise: eta[0], lag: eta[1], ln_power: eta[2] }, covariance: c }
    }

    /// The noise of rise readings and the baker's eye, by coordinate search with priors.
    fn fit_noise(&mut self) {
        let mut with: Vec<(usize, RiseCurve)> = self
            .stages
            .iter()
            .enumerate()
            .filter(|(_, s)| !s.evidence.rises.is_empty())
            .filter_map(|(i, s)| self.now.curves.get(&curve_key(&s.subject.dough, s.subject.stage)).map(|c| (i, c.curve)))
            .collect();
        if with.len() < 3 {
            return;
        }
        let stride = with.len().div_ceil(150);
        with = with.into_iter().step_by(stride).collect();
        let score = |fit: &Self| -> f64 {
            let prior = ((fit.now.noise_share / 0.07).ln() / 0.4).powi(2) + ((fit.now.eye_sd / EYE_SD).ln() / 0.4).powi(2);
            with.iter().map(|(i, c)| fit.ln_rises(*i, *c)).sum::<f64>() - 0.5 * prior
        };
        let mut best = score(self);
        for factor in [1.5, 1.2, 1.1] {
            for which in 0..2 {
                for towards in [factor, 1.0 / factor] {
                    let old = (self.now.noise_share, self.now.eye_sd);
                    if which == 0 {
                        self.now.noise_share = (old.0 * towards).clamp(0.02, 0.4);
                    } else {
                        self.now.eye_sd = (old.1 * towards).clamp(0.03, 0.4);
                    }
                    let now = score(self);
                    if now > best {
                        best = now;
                        break;
                    }
                    (self.now.noise_share, self.now.eye_sd) = old;
                }
            }
        }
    }

    fn finish(mut self) -> Calibration {
        self.now.stages = 0;
        self.now.counts.clear();
        let mut range: Option<(f64, f64)> = None;
        for (s, site) in self.stages.iter().zip(&self.sites) {
            if site.precision > 1.0 {
                self.now.stages += 1;
                let key = curve_key(&s.subject.dough, s.subject.stage);
                self.now.levels.insert(key.clone(), (s.subject.prior_ln_age, s.subject.prior_sd));
                *self.now.counts.entry(key).or_default() += 1;
                let c = 27.0 + 10.0 * s.path.mean_warmth(s.path.now().minute);
                range = Some(range.map_or((c, c), |(a, b)| (a.min(c), b.max(c))));
            }
        }
        self.now.temperatures_c = range;
        self.now
    }
}

/// Gradient and negated second derivatives by central differences.
fn curvature(f: &impl Fn(&Vector3<f64>) -> f64, eta: &Vector3<f64>, here: f64) -> (Vector3<f64>, Matrix3<f64>) {
    let h = [0.03, 0.015, 0.03];
    let at = |i: usize, x: f64, j: usize, y: f64| {
        let mut e = *eta;
        e[i] += x * h[i];
        e[j] += y * h[j];
        f(&e)
    };
    let mut gradient = Vector3::zeros();
    let mut hessian = Matrix3::zeros();
    for i in 0..3 {
        let (up, down) = (at(i, 1.0, i, 0.0), at(i, -1.0, i, 0.0));
        gradient[i] = (up - down) / (2.0 * h[i]);
        hessian[(i, i)] = (2.0 * here - up - down) / (h[i] * h[i]);
        for j in 0..i {
            let cross = -(at(i, 1.0, j, 1.0) + at(i, -1.0, j, -1.0) - at(i, 1.0, j, -1.0) - at(i, -1.0, j, 1.0))
                / (4.0 * h[i] * h[j]);
            hessian[(i, j)] = cross;
            hessian[(j, i)] = cross;
        }
    }
    (gradient, hessian)
}

/// Five- and three-point Gauss-Hermite rules for a standard normal (Abramowitz & Stegun, table
/// 25.10, scaled).
const FIVE: [(f64, f64); 5] = [
    (-2.856_970_013_872_806, 0.011_257_411_327_720_7),
    (-1.355_626_179_974_266, 0.222_075_922_005_612_6),
    (0.0, 0.533_333_333_333_333_3),
    (1.355_626_179_974_266, 0.222_075_922_005_612_6),
    (2.856_970_013_872_806, 0.011_257_411_327_720_7),
];
const THREE: [(f64, f64); 3] =
    [(-1.732_050_807_568_877_2, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.732_050_807_568_877_2, 1.0 / 6.0)];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::proof::Ending;

    fn subject(dough: &str, ln_dose: f64) -> Subject {
        Subject {
            dough: dough.into(),
            stage: Stage::Bulk,
            prior_ln_age: 4.3,
            prior_sd: 0.3,
            ln_dose,
            target_rise: None,
            extra_sd: 0.0,
        }
    }

    fn past(batch: usize, ready: f64, temperature: f64, ln_dose: f64) -> PastStage {
        let mut path = AgePath::begin(RateLaw::default(), 0.0, temperature);
        path.advance(400.0, temperature, temperature);
        let minute = path.minute_at(ready).unwrap_or(400.0);
        PastStage {
            batch: format!("b{batch}"),
            subject: subject("rolls", ln_dose),
            path,
            evidence: Evidence { looks: vec![minute - 6.0], ending: Some((minute + 2.0, Ending::Ready)), ..Default::default() },
        }
    }

    #[test]
    fn a_dough_s_own_bakes_outweigh_the_recipe() {
        let stages: Vec<PastStage> = (0..12).map(|i| past(i, 100.0, 25.0, 0.0)).collect();
        let fit = Calibration::fit(&stages);
        let now = fit.expect(&subject("rolls", 0.0), -0.2, &[]);
        assert!((now.mean - 100f64.ln()).abs() < 0.04, "{} {}", now.mean.exp(), now.sd);
        assert!(now.sd < 0.12, "{}", now.sd);
        // Another dough of this house learns a little from it, and stays uncertain.
        let other = fit.expect(&subject("plait", 0.0), -0.2, &[]);
        assert!(other.mean > 4.3 && other.sd > 0.25);
    }

    #[test]
    fn a_mistaken_tap_hardly_moves_the_fit() {
        let mut stages: Vec<PastStage> = (0..12).map(|i| past(i, 100.0, 25.0, 0.0)).collect();
        let before = Calibration::fit(&stages).expect(&subject("rolls", 0.0), -0.2, &[]).mean;
        stages.push(past(12, 260.0, 25.0, 0.0));
        let after = Calibration::fit(&stages).expect(&subject("rolls", 0.0), -0.2, &[]).mean;
        assert!((after - before).abs() < 0.03, "{before} {after}");
    }

    #[test]
    fn the_tilt_is_learned_only_from_temperatures_that_differ() {
        // A truth steeper than the law by 0.3 per 10 °C.
        let at = |i: usize, c: f64| past(i, 100.0 * (-0.3 * (c - 27.0) / 10.0f64).exp(), c, 0.0);
        let wide: Vec<PastStage> = (0..16).map(|i| at(i, if i % 2 == 0 { 19.0 } else { 30.0 })).collect();
        let narrow: Vec<PastStage> = (0..16).map(|i| at(i, 24.0)).collect();
        let (w, n) = (Calibration::fit(&wide).tilt(), Calibration::fit(&narrow).tilt());
        assert!((w.0 - 0.3).abs() < 0.1 && w.1 < 0.15, "{w:?}");
        assert!(n.1 > 0.25, "{n:?}");
    }

    #[test]
    fn it_survives_its_own_writing() {
        let stages: Vec<PastStage> = (0..3).map(|i| past(i, 90.0, 25.0, 0.1)).collect();
        let fit = Calibration::fit(&stages);
        assert!(fit.parameters().iter().all(|p| p.value.is_finite() && p.p10 <= p.value && p.value <= p.p90));
        assert_eq!(fit.stages, 3);
    }
}

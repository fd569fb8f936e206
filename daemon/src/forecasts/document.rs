//! The contract's forecast, calibrate and backtest documents, field by field.

use serde::{Deserialize, Serialize};

use crate::batches::record::{StageKind, num};
use crate::time::UtcMs;

/// What `forecast --json` and HTTP give.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ForecastDocument {
    /// The batch.
    pub batch: String,
    /// The stage in progress at `at`.
    pub stage: StageKind,
    /// The moment asked.
    pub at: UtcMs,
    /// When it will be (or was) ready; never before `at`, null beyond 48 h.
    pub ready: ReadyQuantiles,
    /// Rise now and its curve.
    pub rise: Rise,
    /// The dough's own temperature now and its curve.
    pub dough_temperature: DoughTemperature,
    /// The air the forecast assumes, from `at` on.
    pub assumed_air_temperature: Vec<TimedValue>,
    /// One plain sentence for each thing the forecast rests on.
    pub evidence: Vec<String>,
}

/// Quantiles of the ready time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReadyQuantiles {
    /// One in ten is ready before.
    pub p10: Option<UtcMs>,
    /// As likely before as after.
    pub p50: Option<UtcMs>,
    /// Nine in ten are ready before.
    pub p90: Option<UtcMs>,
}

/// Rise now and its curve.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rise {
    /// At `at`.
    pub now: Quantiles,
    /// From the stage's start.
    pub curve: Vec<TimedQuantiles>,
}

/// Three quantiles of a number.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Quantiles {
    /// 10 %.
    #[serde(with = "num")]
    pub p10: f64,
    /// Median.
    #[serde(with = "num")]
    pub p50: f64,
    /// 90 %.
    #[serde(with = "num")]
    pub p90: f64,
}

/// Three quantiles at a moment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TimedQuantiles {
    /// The moment.
    pub time: UtcMs,
    /// The quantiles.
    #[serde(flatten)]
    pub at: Quantiles,
}

/// The dough's own temperature.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DoughTemperature {
    /// At `at`, °C.
    #[serde(with = "num")]
    pub now: f64,
    /// From the stage's start, °C.
    pub curve: Vec<TimedValue>,
}

/// A number at a moment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TimedValue {
    /// The moment.
    pub time: UtcMs,
    /// The number.
    #[serde(with = "num")]
    pub value: f64,
}

/// What `calibrate --json` gives.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CalibrateDocument {
    /// Under which it is filed.
    pub version: i64,
    /// How many stages taught something.
    pub stages: u32,
    /// Every shared parameter.
    pub parameters: Vec<CalibratedParameter>,
}

/// A shared parameter before and after.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CalibratedParameter {
    /// What it is.
    pub name: String,
    /// In the version filed before, or the prior.
    #[serde(with = "num")]
    pub before: f64,
    /// Now.
    #[serde(with = "num")]
    pub after: f64,
    /// 10 % of where it may lie.
    #[serde(with = "num")]
    pub p10: f64,
    /// 90 % of where it may lie.
    #[serde(with = "num")]
    pub p90: f64,
}

impl std::fmt::Display for CalibrateDocument {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "version {}, learned from {} finished proofs",
            self.version, self.stages
        )?;
        for p in &self.parameters {
            write!(
                f,
                "\n  {}: {:.3} (was {:.3}; most likely {:.3} to {:.3})",
                p.name, p.after, p.before, p.p10, p.p90
            )?;
        }
        Ok(())
    }
}

/// What `backtest --json` gives.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BacktestDocument {
    /// All points.
    pub overall: Score,
    /// By stage.
    pub by_stage: ByStage,
    /// Finished stages that are not judged.
    pub left_out: u64,
}

/// Scores by stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ByStage {
    /// Bulk proofs.
    pub bulk: Score,
    /// Final proofs.
    #[serde(rename = "final")]
    pub final_: Score,
}

/// How good a set of forecasts was.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Score {
    /// Points: three a stage.
    pub n: u64,
    /// Share that fell within p10..p90; null over no points, as all figures.
    pub coverage: Option<f64>,
    /// Median of the error of p50, minutes.
    pub median_abs_error_min: Option<f64>,
    /// Mean continuous ranked probability score, minutes.
    pub mean_crps_min: Option<f64>,
    /// Shares of the outcomes by the chance that was given to an earlier one, in ten steps: about a
    /// tenth each where the ranges can be trusted (the probability integral transform).
    #[serde(default)]
    pub pit: Option<[f64; 10]>,
    /// The wall clock's figures.
    pub clock: Baseline,
    /// The doubling rule's figures.
    pub doubling: Baseline,
}

/// A baseline's figures.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Baseline {
    /// Median of its error, minutes.
    pub median_abs_error_min: Option<f64>,
    /// Its mean absolute error, which is its CRPS, minutes.
    pub mean_crps_min: Option<f64>,
}

impl std::fmt::Display for BacktestDocument {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let show = |v: Option<f64>| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.1}"));
        if self.overall.n == 0 {
            return write!(
                f,
                "no finished proof called right yet: nothing to judge ({} left out)",
                self.left_out
            );
        }
        for (name, s) in [
            ("all", &self.overall),
            ("bulk", &self.by_stage.bulk),
            ("final", &self.by_stage.final_),
        ] {
            writeln!(
                f,
                "{name}: {} forecasts, typically off by {} min (a wall clock {}, doubling every 9 degrees {}); {} of 100 fell within the range given, 80 should",
                s.n,
                show(s.median_abs_error_min),
                show(s.clock.median_abs_error_min),
                show(s.doubling.median_abs_error_min),
                s.coverage
                    .map_or_else(|| "-".to_owned(), |c| format!("{:.0}", 100.0 * c)),
            )?;
        }
        if self.overall.n < 60 {
            writeln!(
                f,
                "so few bakes cannot tell yet how far the ranges can be trusted"
            )?;
        }
        write!(f, "{} finished proofs left out", self.left_out)
    }
}

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

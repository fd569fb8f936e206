//! Forecasts: turns the book and the readings into the model's inputs, keeps each proof in
//! progress up to date, and answers `forecast`, `calibrate` and `backtest`.

pub mod document;
pub mod live;

use crate::batches::record::StageKind;
use crate::time::UtcMs;
use document::ForecastDocument;

/// A proof in progress as the rules and the pages need it.
#[derive(Clone, Debug)]
pub struct ProofView {
    /// The contract's document.
    pub document: ForecastDocument,
    /// Which stage.
    pub stage: StageKind,
    /// Chance that it is ready already.
    pub chance_ready_now: f64,
    /// Chance that it is past its range already.
    pub chance_over_now: f64,
    /// The ready time's distribution at 5 %, 10 % … 95 %: `None` beyond 48 h.
    pub ready_at: [Option<UtcMs>; 19],
    /// How much of the way it is: median age over median threshold, 0 to about 1.2.
    pub progress: f64,
    /// Whether one finger dent now would narrow the forecast much.
    pub dent_would_help: bool,
    /// The air it stands in: newest believed reading of the place, °C and when.
    pub air: Option<(f64, UtcMs)>,
    /// Surviving fraction of the yeast where it ran hot (1 = unharmed).
    pub yeast_left: f64,
}

/// Why there is no forecast.
#[derive(Debug, thiserror::Error)]
pub enum ForecastError {
    /// No such batch.
    #[error("there is no batch `{0}`: `export` lists them")]
    NoBatch(String),
    /// None of its stages is in progress then.
    #[error("batch `{batch}` has no stage in progress at {at}")]
    NoStage {
        /// The batch.
        batch: String,
        /// The moment asked.
        at: UtcMs,
    },
    /// The store failed.
    #[error(transparent)]
    Store(#[from] crate::store::StoreError),
}

/// The forecast of a batch at a moment (the contract's `forecast --json`); without `at`, now.
///
/// # Errors
/// If there is none.
pub fn forecast(
    app: &crate::app::App,
    batch: &str,
    at: Option<UtcMs>,
) -> Result<ForecastDocument, ForecastError> {
    Err(ForecastError::NoStage {
        batch: batch.to_owned(),
        at: at.unwrap_or_else(|| app.clock.now()),
    })
}

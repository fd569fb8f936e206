//! Forecasts: turns the book and the readings into the model's inputs, keeps each proof in
//! progress up to date, and answers `forecast`, `calibrate` and `backtest`.

// `!(x > 0.0)` sends what is not a number down the refusing branch, on purpose.
#![allow(clippy::neg_cmp_op_on_partial_ord)]

pub mod air;
pub mod backtest;
pub mod document;
pub mod groups;
pub mod inputs;
pub mod learned;
pub mod live;
pub mod outlook;
pub mod planned;
pub(crate) mod prior;
pub mod running;
pub mod scenario;
pub mod sentences;
pub mod source;
pub mod study;
pub mod task;
#[cfg(test)]
mod tests;

use crate::app::App;
use crate::batches::record::StageKind;
use crate::store::StoreError;
use crate::time::UtcMs;
use document::{BacktestDocument, CalibrateDocument, CalibratedParameter, ForecastDocument};
use doughwarden_dashboards::show::Show;
pub use task::start;

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

impl ProofView {
    /// When it is ready, whether or not that has come unseen: what alerts go by. The document says
    /// when, given that it is not ready yet.
    #[must_use]
    pub fn ready(&self) -> document::ReadyQuantiles {
        document::ReadyQuantiles {
            p10: self.ready_at[1],
            p50: self.ready_at[9],
            p90: self.ready_at[17],
        }
    }
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

/// Sensors that the model goes by where a place has several (`role = "model"`).
///
/// # Errors
/// If the store cannot be read.
pub fn model_sensors(app: &App) -> Result<Vec<String>, StoreError> {
    Ok(crate::ingest::assign::all(app)?
        .into_iter()
        .filter(|(s, _)| s.role.as_deref() == Some("model"))
        .map(|(s, _)| s.name)
        .collect())
}

/// The forecast of a batch at a moment (the contract's `forecast --json`); without `at`, now, and a
/// calibration rolled back by hand stays in force.
///
/// # Errors
/// If there is none.
pub fn forecast(
    app: &App,
    batch: &str,
    at: Option<UtcMs>,
) -> Result<ForecastDocument, ForecastError> {
    let book = app.book();
    let sensors = model_sensors(app)?;
    let readings = source::FromStore(app.store.as_ref());
    let sources = air::Sources {
        book: &book,
        readings: &readings,
        model_sensors: &sensors,
    };
    let moment = at.unwrap_or_else(|| app.clock.now());
    let by_hand = if at.is_none() {
        learned::by_hand(app)?
    } else {
        None
    };
    let learned = match by_hand {
        Some(l) => l,
        None => app.live.memory().at(sources, moment, 0)?,
    };
    let show = crate::display::show(app)?;
    Ok(view_shown(sources, &learned, batch, moment, &show)?.document)
}

/// The view of a batch's proof at a moment, its sentences in °C and UTC.
///
/// # Errors
/// If it has no stage in progress then.
pub fn view(
    sources: air::Sources<'_>,
    learned: &learned::Learned,
    batch: &str,
    at: UtcMs,
) -> Result<ProofView, ForecastError> {
    let show = Show {
        now: at.timestamp(),
        zone: jiff::tz::TimeZone::UTC,
        fahrenheit: false,
    };
    view_shown(sources, learned, batch, at, &show)
}

/// The view of a batch's proof at a moment, its sentences in the baker's unit and zone.
///
/// # Errors
/// If it has no stage in progress then.
pub fn view_shown(
    sources: air::Sources<'_>,
    learned: &learned::Learned,
    batch: &str,
    at: UtcMs,
    show: &Show,
) -> Result<ProofView, ForecastError> {
    if !sources.book.batches.contains_key(batch) {
        return Err(ForecastError::NoBatch(batch.to_owned()));
    }
    let kind = sources
        .book
        .stage_in_progress(batch, at)
        .ok_or_else(|| ForecastError::NoStage {
            batch: batch.to_owned(),
            at,
        })?
        .stage;
    let outlook = outlook::look_ahead(
        sources,
        learned,
        batch,
        kind,
        at,
        inputs::Without::default(),
    )?;
    Ok(outlook.view(batch, at, learned, &sources, show))
}

/// Refits the shared parameters to every finished stage now and files the fit as the next version.
///
/// # Errors
/// If the store cannot be read or written.
pub fn calibrate(app: &App) -> Result<CalibrateDocument, ForecastError> {
    let book = app.book();
    let sensors = model_sensors(app)?;
    let readings = source::FromStore(app.store.as_ref());
    let sources = air::Sources {
        book: &book,
        readings: &readings,
        model_sensors: &sensors,
    };
    let now = app.clock.now();
    let learned = learned::Learned::fit(sources, now, inputs::Without::default())?;
    let before: Vec<CalibratedParameter> = app
        .store
        .calibrations()?
        .last()
        .and_then(|row| serde_json::from_value(row.doc.get("parameters")?.clone()).ok())
        .unwrap_or_default();
    let mut named = learned.calibration.parameters();
    named.extend(learned.lag.parameters());
    let parameters: Vec<CalibratedParameter> = named
        .into_iter()
        .map(|p| CalibratedParameter {
            before: before
                .iter()
                .find(|b| b.name == p.name)
                .map_or(p.prior, |b| b.after),
            name: p.name,
            after: p.value,
            p10: p.p10,
            p90: p.p90,
        })
        .collect();
    let stages = learned.calibration.stages;
    let doc = serde_json::json!({ "learned": learned, "parameters": parameters });
    let version = app.store.file_calibration(now, stages, &doc)?;
    app.bus.tell(crate::events::Event::Settings);
    Ok(CalibrateDocument {
        version,
        stages,
        parameters,
    })
}

/// What the forecasts would have said of every finished stage (the contract's `backtest --json`).
///
/// # Errors
/// If the store cannot be read.
pub fn backtest(app: &App) -> Result<BacktestDocument, ForecastError> {
    let book = app.book();
    let sensors = model_sensors(app)?;
    let readings = source::FromStore(app.store.as_ref());
    let sources = air::Sources {
        book: &book,
        readings: &readings,
        model_sensors: &sensors,
    };
    let (points, left_out) = backtest::points(sources, app.clock.now())?;
    Ok(backtest::document(&points, left_out))
}

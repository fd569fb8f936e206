//! The baker's questions: book, readings and what was learned, turned into the model's planning
//! questions; one file a question. Each answers a plain `…Asked` (the same fields on the command
//! line, over HTTP and from a page's form) with a document and its sentences.

pub mod compare;
pub mod hold;
pub mod oven;
pub mod places;
pub mod plan;
pub mod readers;
pub mod recipe;
#[cfg(test)]
mod tests;
pub mod water;

use std::sync::Arc;

use doughwarden_model::refusal::Refusal;
use jiff::ToSpan as _;
use jiff::tz::TimeZone;

use crate::app::App;
use crate::batches::book::Book;
use crate::forecasts::air::Sources;
use crate::forecasts::learned::Learned;
use crate::forecasts::{ForecastError, learned, model_sensors, source};
use crate::store::StoreError;
use crate::time::UtcMs;

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// No such dough.
    #[error("there is no dough `{name}`; known are: {known}")]
    NoDough {
        /// What was asked for.
        name: String,
        /// What there is.
        known: String,
    },
    /// What was asked cannot be understood.
    #[error("{0}")]
    Bad(String),
    /// The model refuses a number.
    #[error(transparent)]
    Model(#[from] Refusal),
    /// No such batch, or no proof in progress.
    #[error(transparent)]
    Forecast(#[from] ForecastError),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// What every answer rests on.
pub struct Grounds<'a> {
    /// Book and readings.
    pub sources: Sources<'a>,
    /// What the bakes have taught.
    pub learned: Arc<Learned>,
    /// The moment asked at.
    pub now: UtcMs,
    /// The baker's zone: clock times and seasons are meant there.
    pub zone: TimeZone,
}

/// Answers on an application, now.
///
/// # Errors
/// If the store cannot be read, or what `answer` says.
pub fn on<T>(
    app: &App,
    zone: TimeZone,
    answer: impl FnOnce(&Grounds<'_>) -> Result<T, PlanError>,
) -> Result<T, PlanError> {
    let book = app.book();
    let sensors = model_sensors(app)?;
    let readings = source::FromStore(app.store.as_ref());
    let sources = Sources {
        book: &book,
        readings: &readings,
        model_sensors: &sensors,
    };
    let now = app.clock.now();
    let learned = match learned::by_hand(app)? {
        Some(l) => l,
        None => app.live.memory().at(sources, now, 0)?,
    };
    answer(&Grounds {
        sources,
        learned,
        now,
        zone,
    })
}

impl Grounds<'_> {
    pub(crate) fn book(&self) -> &Book {
        self.sources.book
    }

    /// A moment as people give it: RFC 3339, or the next time the clock shows `15:00`.
    ///
    /// # Errors
    /// If it is neither.
    pub fn moment(&self, name: &str, text: &str) -> Result<UtcMs, PlanError> {
        let text = text.trim();
        let Ok(time) = text.parse::<jiff::civil::Time>() else {
            return UtcMs::parse(text).map_err(|_| {
                PlanError::Bad(format!("{name}: `{text}` is not a time: write 15:00, or RFC 3339 like 2026-01-10T15:00:00Z"))
            });
        };
        let today = self
            .now
            .timestamp()
            .to_zoned_datetime(self.zone.clone())
            .date();
        for days in 0..=2_i64 {
            let Ok(day) = today.checked_add(days.days()) else {
                continue;
            };
            let Ok(moment) = day.to_datetime(time).to_zoned_datetime(self.zone.clone()) else {
                continue;
            };
            let moment = UtcMs(moment.timestamp().as_millisecond());
            if moment >= self.now {
                return Ok(moment);
            }
        }
        Err(PlanError::Bad(format!(
            "{name}: `{text}` does not come in the next days"
        )))
    }

    /// A moment that is to come.
    ///
    /// # Errors
    /// If it is no time, or past.
    pub fn moment_to_come(&self, name: &str, text: &str) -> Result<UtcMs, PlanError> {
        let moment = self.moment(name, text)?;
        if moment < self.now {
            return Err(PlanError::Bad(format!(
                "{name}: {moment} is past (it is {})",
                self.now
            )));
        }
        Ok(moment)
    }

    /// A place somebody named; one nobody knows needs its temperature.
    ///
    /// # Errors
    /// If it is not known.
    pub(crate) fn named_place(
        &self,
        field: &str,
        name: Option<&str>,
        stated_c: Option<f64>,
    ) -> Result<Option<String>, PlanError> {
        let Some(name) = name.map(str::trim).filter(|n| !n.is_empty()) else {
            return Ok(None);
        };
        let book = self.book();
        let known = stated_c.is_some()
            || book.places.contains_key(name)
            || book.batches.values().any(|b| b.place == name)
            || self.sources.usual_air(name, self.now)?.is_some();
        if known {
            return Ok(Some(name.to_owned()));
        }
        let all = self.place_names();
        Err(PlanError::Bad(format!(
            "{field}: there is no place `{name}`; known are: {}. Or say how warm it is.",
            if all.is_empty() {
                "none yet".to_owned()
            } else {
                all.join(", ")
            }
        )))
    }

    /// The last midnight: the plan's clock counts minutes from it.
    fn midnight(&self) -> UtcMs {
        let zoned = self.now.timestamp().to_zoned_datetime(self.zone.clone());
        zoned
            .start_of_day()
            .map_or(self.now, |z| UtcMs(z.timestamp().as_millisecond()))
    }

    /// Minutes on the plan's clock.
    pub(crate) fn minute(&self, at: UtcMs) -> f64 {
        at.seconds_since(self.midnight()) / 60.0
    }

    /// The moment of a minute on the plan's clock, to the minute.
    pub(crate) fn at_minute(&self, minute: f64) -> UtcMs {
        self.midnight().plus_min(minute.round())
    }
}

/// A number somebody gave, if it can be.
///
/// # Errors
/// If it cannot, with what can.
pub(crate) fn given(
    name: &str,
    value: Option<f64>,
    low: f64,
    high: f64,
    unit: &str,
) -> Result<Option<f64>, PlanError> {
    match value {
        Some(v) if !(low..=high).contains(&v) => Err(PlanError::Bad(format!(
            "{name}: {v} {unit} is out of range: give {low} to {high} {unit}"
        ))),
        v => Ok(v),
    }
}

/// A share for a document: three decimals, never 0 or 1 for what is not.
fn share(chance: f64) -> f64 {
    (chance * 1000.0).round() / 1000.0
}

/// One decimal.
fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

//! The model on books and readings in memory: what a study of many simulated kitchens calls.

use std::collections::BTreeSet;

use doughwarden_model::calibration::Calibration;

use super::ForecastError;
use super::air::Sources;
use super::inputs::{Builder, Without};
use super::learned::{Hints, Learned, usual_yeasts};
use super::outlook;
use super::source::Readings;
use crate::batches::book::Book;
use crate::batches::record::StageKind;
use crate::store::Result;
use crate::time::UtcMs;

/// A fit to chosen stages, ready to be asked about others.
pub struct Fitted<'a> {
    sources: Sources<'a>,
    learned: Learned,
    without: Without,
}

impl<'a> Fitted<'a> {
    /// Fits to the chosen stages of a book (all of which have ended); the rest teaches nothing.
    ///
    /// # Errors
    /// If the readings cannot be read.
    pub fn fit(
        book: &'a Book,
        readings: &'a dyn Readings,
        stages: &[(String, StageKind)],
        without: Without,
    ) -> Result<Self> {
        let sources = Sources {
            book,
            readings,
            model_sensors: &[],
        };
        let chosen: BTreeSet<&(String, StageKind)> = stages.iter().collect();
        let until = book
            .stages
            .iter()
            .filter(|(key, _)| chosen.contains(key))
            .filter_map(|(_, s)| s.end)
            .max()
            .unwrap_or(UtcMs(i64::MIN / 2));
        let hints = Hints::gather(sources, until, &|batch, kind| {
            chosen.contains(&(batch.to_owned(), kind))
        })?;
        let (habit, lag) = hints.learn(&BTreeSet::new());
        let builder = Builder {
            sources,
            habit,
            lag: &lag,
            usual_yeast: None,
            without,
        };
        let mut past = Vec::new();
        for (batch, kind) in stages {
            if let Some(stage) = builder.past(batch, *kind, until)? {
                past.push(stage);
            }
        }
        let calibration = if without.pooling {
            Calibration::fit_alone(&past)
        } else if without.tilt {
            Calibration::fit_untilted(&past)
        } else {
            Calibration::fit(&past)
        };
        Ok(Self {
            sources,
            learned: Learned {
                calibration,
                habit,
                lag,
                usual_yeast: usual_yeasts(book, stages, until),
            },
            without,
        })
    }

    /// What was learned.
    #[must_use]
    pub fn learned(&self) -> &Learned {
        &self.learned
    }

    /// 10 %, 50 % and 90 % of the ready time of a stage, asked at a moment: never before it; `None`
    /// beyond 48 h.
    ///
    /// # Errors
    /// If the stage has not begun by then.
    pub fn quantiles(
        &self,
        batch: &str,
        stage: StageKind,
        at: UtcMs,
    ) -> std::result::Result<[Option<UtcMs>; 3], ForecastError> {
        let o = outlook::look_ahead(self.sources, &self.learned, batch, stage, at, self.without)?;
        Ok([0.1, 0.5, 0.9].map(|p| o.told_at(p).map(|t| t.max(at))))
    }
}

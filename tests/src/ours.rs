//! Our own forecasters, as the study calls them: the daemon's forecasts room on a log book in
//! memory, whole and with one part left out.

use anyhow::Context as _;
use doughwarden::batches::book::Book;
use doughwarden::batches::record::{Reading, Record, StageKind};
use doughwarden::forecasts::inputs::Without;
use doughwarden::forecasts::source::InMemory;
use doughwarden::forecasts::study::Fitted;
use doughwarden::time::UtcMs;
use serde_json::Value;

use crate::laws::Stage;
use crate::study::{Forecaster, Quantiles, Question};

/// A quantile that does not come within 48 h counts as that.
const NEVER_MIN: f64 = 48.0 * 60.0;

/// The whole model first; with `leave_out`, then the model without each of its parts.
pub fn forecasters(leave_out: bool) -> Vec<Box<dyn Forecaster>> {
    let whole = Without::default();
    let mut all: Vec<Box<dyn Forecaster>> = vec![Box::new(Ours("ours", whole))];
    if leave_out {
        let parts = [
            (
                "air for dough",
                Without {
                    dough_temperature: true,
                    ..whole
                },
            ),
            (
                "no tilt",
                Without {
                    tilt: true,
                    ..whole
                },
            ),
            (
                "no dose",
                Without {
                    dose: true,
                    ..whole
                },
            ),
            (
                "no dents",
                Without {
                    dents: true,
                    ..whole
                },
            ),
            (
                "no `not yet`",
                Without {
                    not_ready_yet: true,
                    ..whole
                },
            ),
            (
                "no pooling",
                Without {
                    pooling: true,
                    ..whole
                },
            ),
        ];
        for (name, without) in parts {
            all.push(Box::new(Ours(name, without)));
        }
    }
    all
}

/// The model, by the name the tables give it, without some part.
struct Ours(&'static str, Without);

fn kind(stage: Stage) -> StageKind {
    match stage {
        Stage::Bulk => StageKind::Bulk,
        Stage::Final => StageKind::Final,
    }
}

impl Forecaster for Ours {
    fn name(&self) -> String {
        self.0.to_owned()
    }

    fn forecast(
        &self,
        records: &[Value],
        history: &[String],
        questions: &[Question],
    ) -> anyhow::Result<Vec<Quantiles>> {
        let mut book = Book::default();
        let mut readings: Vec<Reading> = Vec::new();
        for record in records {
            match serde_json::from_value(record.clone()).context("a record of the log book")? {
                Record::Reading(reading) => readings.push(reading),
                record => book.put(record),
            }
        }
        let readings = InMemory::new(readings);
        let stages: Vec<(String, StageKind)> = book
            .stages
            .keys()
            .filter(|(batch, _)| history.contains(batch))
            .cloned()
            .collect();
        let fitted = Fitted::fit(&book, &readings, &stages, self.1)?;
        questions
            .iter()
            .map(|(batch, stage, at)| {
                let (stage, at) = (kind(*stage), UtcMs(at.as_millisecond()));
                let start = book
                    .stage(batch, stage)
                    .context("the stage asked about")?
                    .start;
                let minutes = fitted.quantiles(batch, stage, at)?.map(|t| {
                    t.map_or(at.seconds_since(start) / 60.0 + NEVER_MIN, |t| {
                        t.seconds_since(start) / 60.0
                    })
                });
                let [p10, p50, p90] = minutes;
                Ok(Quantiles { p10, p50, p90 })
            })
            .collect()
    }
}

//! `forecast`: when the proof in progress will be ready, and how sure that is.

use std::process::ExitCode;

use doughwarden_dashboards::show::Show;

use super::{Common, Done, print_json, print_line};
use crate::forecasts::document::ForecastDocument;
use crate::time::UtcMs;

/// The forecast for the stage in progress.
#[derive(Debug, clap::Args)]
pub(super) struct Forecast {
    /// The batch
    #[arg(long, value_name = "ID")]
    batch: String,
    /// The moment asked (RFC 3339); without it now
    #[arg(long, value_parser = UtcMs::parse, value_name = "T")]
    at: Option<UtcMs>,
    /// One JSON document on standard output
    #[arg(long)]
    json: bool,
}

impl Forecast {
    pub(super) fn run(self, common: &Common) -> Done {
        let app = common.open_app()?;
        let document = crate::forecasts::forecast(&app, &self.batch, self.at)?;
        if self.json {
            print_json(&document)?;
        } else {
            print_line(&in_words(&super::questions::show(&app)?, &document))?;
        }
        Ok(ExitCode::SUCCESS)
    }
}

fn in_words(show: &Show, document: &ForecastDocument) -> String {
    let clock = |time: Option<UtcMs>| match time {
        Some(t) => t
            .timestamp()
            .to_zoned_datetime(show.zone.clone())
            .strftime("%a %H:%M")
            .to_string(),
        None => "more than two days away".into(),
    };
    let rise = document.rise.now.p50 * 100.0;
    let mut text = format!(
        "{} {}: ready about {}, most likely between {} and {}\nrise now about {rise:.0} %, dough at {}",
        document.batch,
        document.stage.as_str(),
        clock(document.ready.p50),
        clock(document.ready.p10),
        clock(document.ready.p90),
        show.temperature(document.dough_temperature.now),
    );
    for sentence in &document.evidence {
        text.push_str("\n  - ");
        text.push_str(sentence);
    }
    text
}

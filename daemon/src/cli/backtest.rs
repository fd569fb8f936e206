//! `backtest`: how close the forecasts would have been on past stages.

use std::process::ExitCode;

use super::{Common, Done, print_json, print_line};

/// For every finished stage, what the forecast would have said at 25, 50 and 75 % of it.
#[derive(Debug, clap::Args)]
pub(super) struct Backtest {
    /// One JSON document on standard output
    #[arg(long)]
    json: bool,
}

impl Backtest {
    pub(super) fn run(self, common: &Common) -> Done {
        let app = common.open_app()?;
        let document = crate::forecasts::backtest(&app)?;
        if self.json {
            print_json(&document)?;
        } else {
            print_line(&document.to_string())?;
        }
        Ok(ExitCode::SUCCESS)
    }
}

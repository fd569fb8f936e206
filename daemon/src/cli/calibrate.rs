//! `calibrate`: learns from every finished stage now and files the result as the next version.

use std::process::ExitCode;

use super::{Common, Done, print_json, print_line};

/// Learns from every finished stage now; says what moved and how sure it is.
#[derive(Debug, clap::Args)]
pub(super) struct Calibrate {
    /// One JSON document on standard output
    #[arg(long)]
    json: bool,
}

impl Calibrate {
    pub(super) fn run(self, common: &Common) -> Done {
        let app = common.open_app()?;
        let document = crate::forecasts::calibrate(&app)?;
        if self.json {
            print_json(&document)?;
        } else {
            print_line(&document.to_string())?;
        }
        Ok(ExitCode::SUCCESS)
    }
}

//! `oven-light`: the guided empty run that learns an oven, and how long to leave its light on.

use super::questions::say;
use super::{Common, Done};
use crate::plans::oven::{self, OvenAsked};

/// The question, and how to answer it.
#[derive(Debug, clap::Args)]
pub(super) struct OvenLight {
    #[command(flatten)]
    asked: OvenAsked,
    /// One JSON document on standard output
    #[arg(long)]
    json: bool,
}

impl OvenLight {
    pub(super) fn run(self, common: &Common) -> Done {
        say(
            common,
            self.json,
            |g, app| oven::ask(g, app.store.as_ref(), &self.asked, true),
            |document, show| document.words(show),
        )
    }
}

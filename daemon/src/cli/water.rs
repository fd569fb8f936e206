//! `water`: the water temperature for a wanted dough temperature.

use super::questions::say;
use super::{Common, Done};
use crate::plans::water::{self, WaterAsked};

/// The question, and how to answer it.
#[derive(Debug, clap::Args)]
pub(super) struct Water {
    #[command(flatten)]
    asked: WaterAsked,
    /// One JSON document on standard output
    #[arg(long)]
    json: bool,
}

impl Water {
    pub(super) fn run(self, common: &Common) -> Done {
        say(
            common,
            self.json,
            |g, _| water::answer(g, &self.asked),
            |document, show| document.words(show),
        )
    }
}

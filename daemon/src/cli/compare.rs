//! `compare`: seasons, places, lots or dates of logged proofs against each other.

use super::questions::say;
use super::{Common, Done};
use crate::plans::compare::{self, CompareAsked};

/// The question, and how to answer it.
#[derive(Debug, clap::Args)]
pub(super) struct Compare {
    #[command(flatten)]
    asked: CompareAsked,
    /// One JSON document on standard output
    #[arg(long)]
    json: bool,
}

impl Compare {
    pub(super) fn run(self, common: &Common) -> Done {
        say(
            common,
            self.json,
            |g, _| compare::answer(g, &self.asked),
            |document, show| document.words(show),
        )
    }
}

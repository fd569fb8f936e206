//! `hold`: can a dough wait in the fridge until somebody is back.

use super::questions::say;
use super::{Common, Done};
use crate::plans::hold::{self, HoldAsked};

/// The question, and how to answer it.
#[derive(Debug, clap::Args)]
pub(super) struct Hold {
    #[command(flatten)]
    asked: HoldAsked,
    /// One JSON document on standard output
    #[arg(long)]
    json: bool,
}

impl Hold {
    pub(super) fn run(self, common: &Common) -> Done {
        say(
            common,
            self.json,
            |g, _| hold::answer(g, &self.asked),
            |document, show| document.words(show),
        )
    }
}

//! `plan`: from the hour on the table back to mixing.

use super::questions::say;
use super::{Common, Done};
use crate::plans::plan::{self, PlanAsked};
use crate::time::UtcMs;

/// The question, and how to answer it.
#[derive(Debug, clap::Args)]
pub(super) struct Plan {
    #[command(flatten)]
    asked: PlanAsked,
    /// One JSON document on standard output
    #[arg(long)]
    json: bool,
}

impl Plan {
    pub(super) fn run(self, common: &Common) -> Done {
        say(
            common,
            self.json,
            |g, _| plan::answer(g, &self.asked),
            |document, show| {
                let mut lines = document.words(show);
                let clock =
                    |t: Option<UtcMs>| t.map_or("later".to_owned(), |t| show.when(t.timestamp()));
                lines.extend(document.steps.iter().map(|s| {
                    format!(
                        "{:<28}{:<16}{} to {}",
                        s.what,
                        clock(s.p50),
                        clock(s.p10),
                        clock(s.p90)
                    )
                }));
                lines
            },
        )
    }
}

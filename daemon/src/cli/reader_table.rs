//! `reader-table`: proof times at other people's room temperatures, to paste into a recipe.

use std::process::ExitCode;

use anyhow::bail;
use clap::ValueEnum;

use super::questions::{ask, show};
use super::{Common, Done, print_json, print_line};
use crate::plans::readers::{self, ReadersAsked};

/// How the table is written.
#[derive(Clone, Copy, Debug, Default, ValueEnum)]
enum Form {
    /// Plain text
    #[default]
    Text,
    /// Comma-separated values (RFC 4180)
    Csv,
    /// HTML without styles
    Html,
}

/// The question, and how to answer it.
#[derive(Debug, clap::Args)]
pub(super) struct ReaderTable {
    #[command(flatten)]
    asked: ReadersAsked,
    /// Keeps the testers given with --testers on the dough's record
    #[arg(long)]
    keep: bool,
    /// How the table is written
    #[arg(long, value_enum, default_value_t)]
    form: Form,
    /// One JSON document on standard output
    #[arg(long, conflicts_with = "form")]
    json: bool,
}

impl ReaderTable {
    pub(super) fn run(self, common: &Common) -> Done {
        let app = common.open_app()?;
        let zone = show(&app)?.zone;
        let document = ask(&app, zone.clone(), |g| readers::answer(g, &self.asked))?;
        if self.keep {
            let more = readers::testers_typed(self.asked.testers.as_deref().unwrap_or_default())?;
            let line = ask(&app, zone, |g| {
                readers::with_testers(g, &self.asked.dough, &more)
            })?;
            let applied = crate::batches::apply::apply(&app, &line, true)?;
            if let Some(bad) = applied.bad.first() {
                bail!("the testers could not be kept: {}", bad.reason);
            }
        }
        if self.json {
            print_json(&document)?;
        } else {
            print_line(match self.form {
                Form::Text => document.text.trim_end(),
                Form::Csv => document.csv.trim_end(),
                Form::Html => document.html.trim_end(),
            })?;
        }
        Ok(ExitCode::SUCCESS)
    }
}

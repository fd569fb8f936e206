//! `import`: log books into the store, beside a running daemon or without one.

use std::fs::File;
use std::io::{BufReader, IsTerminal as _, Read};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context as _;
use indicatif::{ProgressBar, ProgressStyle};

use super::{Common, Done};
use crate::batches::apply::BadLine;
use crate::batches::book::Book;
use crate::batches::import::{Importer, Listener, Progress};
use crate::store::Store as _;
use crate::time::Clock;

/// Reads log books (JSON Lines) into the store; importing a file twice changes nothing.
#[derive(Debug, clap::Args)]
pub(super) struct Import {
    /// Nothing goes in when a line is bad
    #[arg(long)]
    strict: bool,
    /// Log books; `-` is standard input
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
}

impl Import {
    pub(super) fn run(self, common: &Common) -> Done {
        common.load_config()?;
        let store = common.open_store()?;
        // References may point anywhere within the run, so the files are one stream.
        let mut inputs: Vec<(String, Box<dyn Read>)> = Vec::new();
        let mut size = Some(0);
        for file in &self.files {
            if file == Path::new("-") {
                size = None;
                inputs.push(("standard input".into(), Box::new(std::io::stdin())));
            } else {
                let name = file.display().to_string();
                let opened = File::open(file).with_context(|| format!("{name} cannot be read"))?;
                size = size
                    .zip(opened.metadata().ok())
                    .map(|(sum, m)| sum + m.len());
                inputs.push((name, Box::new(opened)));
            }
        }
        let bar = progress(size);
        let book = Book::from_records(store.book()?);
        let mut import = Importer::new(&*store, &book, Clock::machine().now());
        let mut told = Told {
            bar,
            several: inputs.len() > 1,
        };
        for (name, input) in inputs {
            import.read(&name, &mut BufReader::new(input), &mut told)?;
        }
        let done = import.finish(self.strict, &mut told)?;
        told.bar.finish_and_clear();
        for warning in &done.warnings {
            eprintln!("note: {warning}");
        }
        let nothing = self.strict && done.bad > 0;
        eprintln!(
            "{} records and {} readings taken in, {} readings were there already, {} bad lines{}",
            done.written,
            done.readings,
            done.again,
            done.bad,
            if nothing {
                "; nothing was taken in"
            } else {
                ""
            }
        );
        Ok(if done.bad == 0 {
            ExitCode::SUCCESS
        } else {
            ExitCode::FAILURE
        })
    }
}

/// Shows progress, and each bad line in a line of its own.
struct Told {
    bar: ProgressBar,
    several: bool,
}

impl Listener for Told {
    fn bad(&mut self, source: &str, line: BadLine) {
        let file = if self.several {
            format!("{source} ")
        } else {
            String::new()
        };
        self.bar
            .suspend(|| eprintln!("{file}line {}: {}", line.line, line.reason));
    }

    fn progress(&mut self, so_far: Progress) {
        self.bar.set_position(so_far.bytes);
    }
}

/// The same for what has no size in bytes.
pub(super) fn progress_of_span() -> ProgressBar {
    let bar = progress(Some(1));
    match ProgressStyle::with_template("{bar:40} {percent} % {eta}") {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}

/// A bar on standard error when it is a terminal, else nothing.
pub(super) fn progress(size: Option<u64>) -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let (bar, look) = match size {
        Some(size) => (
            ProgressBar::new(size),
            "{bar:40} {bytes}/{total_bytes} {eta}",
        ),
        None => (ProgressBar::new_spinner(), "{spinner} {bytes}"),
    };
    bar.with_style(
        ProgressStyle::with_template(look).unwrap_or_else(|_| ProgressStyle::default_bar()),
    )
}

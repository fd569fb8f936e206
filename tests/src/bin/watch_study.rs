//! Prints the studies of alert timing: `watch_study nearly [--share 0.1] [--check]`.

use std::io::Write;
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use doughwarden_tests::watch_study;

#[derive(Parser)]
#[command(about = "Studies of when alerts come, on simulated nights")]
struct Command {
    #[command(subcommand)]
    study: Study,
    /// The share of the full number of runs.
    #[arg(long, default_value_t = 1.0, global = true)]
    share: f64,
    /// Exit 1 unless the study's bar is met.
    #[arg(long, global = true)]
    check: bool,
}

#[derive(Subcommand)]
enum Study {
    /// The nearly-ready alert against its lead.
    Nearly,
}

fn main() -> ExitCode {
    let command = Command::parse();
    let text = match command.study {
        Study::Nearly => watch_study::nearly(command.share).table(),
    };
    // A closed pipe is the reader's wish.
    let _ = std::io::stdout().write_all(text.as_bytes());
    ExitCode::SUCCESS
}

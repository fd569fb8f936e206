//! Prints the studies of alert timing: `watch_study nearly|nights|faults|bakes [--share 0.1] [--seed 100] [--check]`.

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
    /// The first of the kitchens that nights and faults happen in: another for fresh nights.
    #[arg(long, default_value_t = 0, global = true)]
    seed: usize,
    /// Exit 1 unless the study's bar is met.
    #[arg(long, global = true)]
    check: bool,
}

#[derive(Subcommand)]
enum Study {
    /// The nearly-ready alert against its lead: 400 runs.
    Nearly,
    /// Ordinary nights, for false alarms: 400.
    Nights,
    /// Nights with one fault each, for missed alarms: 200.
    Faults,
    /// Messages to a phone on ordinary bakes: 40 of each kind.
    Bakes,
}

fn main() -> anyhow::Result<ExitCode> {
    let command = Command::parse();
    let (mut text, short) = match command.study {
        Study::Nearly => {
            let study = watch_study::nearly(command.share);
            (study.table(), study.short_of())
        }
        Study::Nights => {
            let study = watch_study::nights::nights(command.share, command.seed)?;
            (study.table(), study.short_of())
        }
        Study::Faults => {
            let study = watch_study::nights::faults(command.share, command.seed)?;
            (study.table(), study.short_of())
        }
        Study::Bakes => {
            let study = watch_study::bakes::bakes(command.share, command.seed)?;
            (study.table(), study.short_of())
        }
    };
    for line in &short {
        text += &format!("short of the bar: {line}\n");
    }
    // A closed pipe is the reader's wish.
    let _ = std::io::stdout().write_all(text.as_bytes());
    Ok(if command.check && !short.is_empty() {
        ExitCode::FAILURE
    } else {
        ExitCode::SUCCESS
    })
}

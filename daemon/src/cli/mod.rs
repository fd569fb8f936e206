//! The command line: one file a command; parsing, exit codes, one line for each error.

mod backfill;
mod backtest;
mod calibrate;
mod calibrations;
mod check;
mod compare;
mod demo;
mod export;
mod first_config;
mod forecast;
mod hold;
mod import;
mod import_csv;
mod oven_light;
mod plan;
mod questions;
mod reader_table;
mod resend;
mod run;
mod store;
mod water;

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Context as _;
use clap::{Parser, Subcommand, ValueEnum};

use crate::app::App;
use crate::config::Config;
use crate::store::sqlite::SqliteStore;
use crate::time::Clock;

/// Watches proofing dough, fits each proof and tells the baker in time.
#[derive(Debug, Parser)]
#[command(name = "doughwarden", version, about, max_term_width = 100)]
struct Arguments {
    #[command(flatten)]
    common: Common,
    #[command(subcommand)]
    command: Command,
}

/// What goes with every command, before or after its name.
#[derive(Clone, Debug, clap::Args)]
struct Common {
    /// The configuration file (TOML); without it the defaults hold
    #[arg(long, global = true, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Where everything is kept; without it $XDG_STATE_HOME/doughwarden
    #[arg(long, global = true, value_name = "DIR")]
    data: Option<PathBuf>,
    /// How log lines on standard error look
    #[arg(long, global = true, value_enum, default_value_t = LogFormat::Text)]
    log_format: LogFormat,
}

/// How log lines look.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum LogFormat {
    /// For people
    Text,
    /// One JSON document a line
    Json,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// The daemon, until SIGINT or SIGTERM
    Run,
    /// The daemon on a throw-away directory with a simulated kitchen
    Demo(demo::Demo),
    /// Reads log books (JSON Lines) into the store
    Import(import::Import),
    /// Takes readings in from a CSV file of another logger
    ImportCsv(import_csv::ImportCsv),
    /// Reads back what an earlier installation copied to InfluxDB
    Backfill(backfill::Backfill),
    /// Queues readings for the copy to InfluxDB once more
    Resend(resend::Resend),
    /// Writes the log book (JSON Lines) to standard output
    Export(export::Export),
    /// When the proof in progress will be ready, and how sure that is
    Forecast(forecast::Forecast),
    /// Learns from every finished stage now
    Calibrate(calibrate::Calibrate),
    /// What was learned and filed so far; or back to an earlier one
    Calibrations(calibrations::Calibrations),
    /// How close the forecasts would have been on past stages
    Backtest(backtest::Backtest),
    /// When to mix so that it is on the table in time, and what to change to hit an hour
    Plan(plan::Plan),
    /// How warm the water must be for a wanted dough temperature
    Water(water::Water),
    /// Learns an oven warmed by its light, and says how long the light may stay on
    OvenLight(oven_light::OvenLight),
    /// Whether a dough can wait in the fridge, from when, and when to take it out
    Hold(hold::Hold),
    /// Proof times at other people's room temperatures, to paste into a recipe
    ReaderTable(reader_table::ReaderTable),
    /// Seasons, places, lots or dates against each other
    Compare(compare::Compare),
    /// Back-ups of the store, and what to do when its file is damaged
    Store(store::Store),
    /// Tries the configuration and every connection it names
    Check,
    /// Writes a first configuration for a kitchen's network, with keys, and shows how to sign in
    FirstConfig(first_config::FirstConfig),
}

/// Parses, runs, and says in one line what went wrong.
#[must_use]
pub fn main() -> ExitCode {
    // clap exits with 2 on wrong usage and 0 on --help.
    let Arguments { common, command } = Arguments::parse();
    start_log(common.log_format);
    let done = match command {
        Command::Run => run::run(&common),
        Command::Demo(demo) => demo.run(&common),
        Command::Import(import) => import.run(&common),
        Command::ImportCsv(import) => import.run(&common),
        Command::Backfill(backfill) => backfill.run(&common),
        Command::Resend(resend) => resend.run(&common),
        Command::Export(export) => export.run(&common),
        Command::Forecast(forecast) => forecast.run(&common),
        Command::Calibrate(calibrate) => calibrate.run(&common),
        Command::Calibrations(calibrations) => calibrations.run(&common),
        Command::Backtest(backtest) => backtest.run(&common),
        Command::Plan(plan) => plan.run(&common),
        Command::Water(water) => water.run(&common),
        Command::OvenLight(oven) => oven.run(&common),
        Command::Hold(hold) => hold.run(&common),
        Command::ReaderTable(table) => table.run(&common),
        Command::Compare(compare) => compare.run(&common),
        Command::Store(store) => store.run(&common),
        Command::Check => check::run(&common),
        Command::FirstConfig(first) => first.run(&common),
    };
    match done {
        Ok(code) => code,
        Err(error) => {
            // `{:#}`: the whole chain in one line.
            eprintln!("doughwarden: {error:#}");
            ExitCode::FAILURE
        }
    }
}

/// What is logged without `RUST_LOG`: the broker's library tells each client's coming and going at
/// `info`, which is for the one who asks for it.
const QUIET: &str = "info,mqtt5=warn";

/// What a command gives back: an exit code, or an error for one line on standard error.
type Done = anyhow::Result<ExitCode>;

fn start_log(format: LogFormat) {
    use tracing_subscriber::{EnvFilter, fmt};
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(QUIET));
    let log = fmt().with_env_filter(filter).with_writer(std::io::stderr);
    match format {
        LogFormat::Text => log.init(),
        LogFormat::Json => log.json().init(),
    }
}

impl Common {
    fn load_config(&self) -> anyhow::Result<Config> {
        Ok(crate::config::load(self.config.as_deref())?)
    }

    /// `--data`, else `$XDG_STATE_HOME/doughwarden`, else `~/.local/state/doughwarden`.
    fn data_dir(&self) -> anyhow::Result<PathBuf> {
        if let Some(dir) = &self.data {
            return Ok(dir.clone());
        }
        let absolute = |name: &str| {
            std::env::var_os(name)
                .map(PathBuf::from)
                .filter(|p| p.is_absolute())
        };
        absolute("XDG_STATE_HOME")
            .or_else(|| absolute("HOME").map(|home| home.join(".local/state")))
            .map(|state| state.join("doughwarden"))
            .context("neither XDG_STATE_HOME nor HOME is set: name a directory with --data")
    }

    fn open_store(&self) -> anyhow::Result<Arc<SqliteStore>> {
        Ok(Arc::new(SqliteStore::open(&self.data_dir()?)?))
    }

    /// An `App` for a command beside (or without) a running daemon.
    fn open_app(&self) -> anyhow::Result<Arc<App>> {
        let (config, store) = (self.load_config()?, self.open_store()?);
        Ok(App::new(Clock::machine(), config, self.data_dir()?, store)?)
    }
}

/// Prints one JSON document on standard output.
fn print_json(document: &impl serde::Serialize) -> anyhow::Result<()> {
    print_line(&serde_json::to_string_pretty(document).context("the answer could not be written")?)
}

/// Prints one line on standard output; a reader that has gone away (`| head`) is no error.
fn print_line(line: &str) -> anyhow::Result<()> {
    use std::io::Write as _;
    let mut out = std::io::stdout().lock();
    match writeln!(out, "{line}").and_then(|()| out.flush()) {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(e).context("standard output could not be written")
        }
        _ => Ok(()),
    }
}

/// A runtime for commands that wait.
fn runtime() -> anyhow::Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .context("the program's threads could not be started")
}

//! One command that prints how good the forecasts are: ours, the script, the wall clock, the doubling
//! rule and the bound, on the same simulated cases, by law and by moment.

use clap::Parser;
use doughwarden_tests::study::{Forecaster, Plan};
use doughwarden_tests::{laws, ours, study, tables};
use std::io::Write as _;

/// Forecasts of the same simulated cases by ours, the script, the clock, the doubling rule and the bound.
#[derive(Parser)]
struct Arguments {
    /// Share of the full run (4,000 cases for each law, moment and length of history).
    #[arg(long, default_value_t = 1.0)]
    share: f64,
    /// Seed of all chance.
    #[arg(long, default_value_t = 20_310_607)]
    seed: u64,
    /// Lengths of history.
    #[arg(long, value_delimiter = ',', default_values_t = study::HISTORIES)]
    history: Vec<usize>,
    /// Also print what each part of the model is worth.
    #[arg(long)]
    leave_out: bool,
    /// Write every case and answer to this file, as CSV.
    #[arg(long)]
    cases: Option<std::path::PathBuf>,
    /// Exit 1 when a threshold is missed (with a share below 1: when it is surely missed).
    #[arg(long)]
    check: bool,
}

fn main() -> anyhow::Result<()> {
    let o = Arguments::parse();
    let mut plan = Plan::share(o.seed, o.share);
    plan.histories = o.history;
    let forecasters = ours::forecasters(o.leave_out);
    let refs: Vec<&dyn Forecaster> = forecasters.iter().map(AsRef::as_ref).collect();
    let names: Vec<String> = refs.iter().map(|f| f.name()).collect();
    let cases = study::run(&plan, &refs)?;

    if let Some(path) = &o.cases {
        std::fs::write(path, tables::csv(&cases, &names))?;
    }

    let mut out = std::io::stdout().lock();
    for law in laws::all() {
        writeln!(out, "{}: {}", law.name(), law.source())?;
    }
    writeln!(
        out,
        "seed {}, {} kitchens a law, {} judged batches each\n",
        plan.seed, plan.kitchens, plan.judged
    )?;
    write!(out, "{}", tables::main_tables(&cases, &names))?;
    if o.leave_out {
        write!(out, "\n{}", tables::parts_table(&cases, &names))?;
    }
    if o.check {
        anyhow::ensure!(!refs.is_empty(), "there is no forecaster to check");
        let missed = tables::missed(&cases, o.share < 1.0);
        for m in &missed {
            writeln!(out, "missed: {m}")?;
        }
        out.flush()?;
        if !missed.is_empty() {
            std::process::exit(1);
        }
        writeln!(out, "\nall thresholds met")?;
    }
    Ok(())
}

//! Writes simulated log books and their truth, to look at or to give to another forecaster.

use anyhow::Context as _;
use clap::Parser;
use doughwarden_tests::{books, laws};
use std::{fs, io::Write as _, path::PathBuf};

/// Writes BOOK.jsonl and TRUTH.json for each law, kitchen and length of history.
#[derive(Parser)]
struct Arguments {
    /// Directory to write to.
    directory: PathBuf,
    /// Kitchens per law.
    #[arg(long, default_value_t = 2)]
    kitchens: u64,
    /// Batches in the first year.
    #[arg(long, value_delimiter = ',', default_values_t = [30, 8, 3, 0])]
    history: Vec<usize>,
    /// Batches in the second year.
    #[arg(long, default_value_t = 10)]
    judged: usize,
    /// Seed of all chance.
    #[arg(long, default_value_t = 2031)]
    seed: u64,
}

fn main() -> anyhow::Result<()> {
    let o = Arguments::parse();
    fs::create_dir_all(&o.directory)
        .with_context(|| format!("cannot make {}", o.directory.display()))?;
    for law in laws::all() {
        for kitchen in 0..o.kitchens {
            for &history in &o.history {
                let book = books::book(law.as_ref(), o.seed, kitchen, history, o.judged);
                let stem = format!("{}-{kitchen}-h{history}", law.name().replace(' ', "-"));
                let mut file = std::io::BufWriter::new(fs::File::create(
                    o.directory.join(format!("{stem}.jsonl")),
                )?);
                for record in &book.records {
                    writeln!(file, "{record}")?;
                }
                file.flush()?;
                fs::write(
                    o.directory.join(format!("{stem}.truth.json")),
                    serde_json::to_string_pretty(&book.truth)?,
                )?;
            }
        }
    }
    Ok(())
}

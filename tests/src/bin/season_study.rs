//! How often `compare` claims a difference between seasons, or between a lamp-lit box and the counter,
//! in simulated kitchens in which there is none: their doughs follow other structural laws than the
//! fitted one, so whatever is left once temperature is taken out is the temperature rule's own error.

use std::io::Write as _;

use clap::Parser;
use doughwarden::batches::book::Book;
use doughwarden::batches::record::{Reading, Record};
use doughwarden::forecasts::air::Sources;
use doughwarden::forecasts::learned::Memory;
use doughwarden::forecasts::source::InMemory;
use doughwarden::plans::Grounds;
use doughwarden::plans::compare::{CompareAsked, PairDocument, answer};
use doughwarden::time::UtcMs;
use doughwarden_tests::{books, laws};
use jiff::tz::TimeZone;

/// False claims of `compare` on simulated kitchens, by law, question and bakes a year.
#[derive(Parser)]
struct Arguments {
    /// Kitchens a law.
    #[arg(long, default_value_t = 200)]
    kitchens: u64,
    /// Bakes in the year.
    #[arg(long, value_delimiter = ',', default_values_t = [24, 60])]
    bakes: Vec<usize>,
    /// Seed of all chance.
    #[arg(long, default_value_t = 7600)]
    seed: u64,
    /// Exit 1 when any cell claims more often than stated, beyond three standard errors.
    #[arg(long)]
    check: bool,
}

/// What is asked, with the groups to compare.
const QUESTIONS: [(&str, &str, &str, &str); 4] = [
    (
        "winter against summer, bulk",
        "season",
        "bulk",
        "winter;summer",
    ),
    (
        "winter against summer, final",
        "season",
        "final",
        "winter;summer",
    ),
    ("four seasons at once, bulk", "season", "bulk", ""),
    ("box against counter, bulk", "place", "bulk", ""),
];

/// Over kitchens: how many could be asked, claimed something, and had every interval hold nothing.
#[derive(Clone, Copy, Default)]
struct Tally {
    asked: usize,
    claimed: usize,
    held: usize,
    fitted: usize,
    none_matters: usize,
    apart_k: f64,
}

fn main() -> anyhow::Result<()> {
    let o = Arguments::parse();
    let mut out = std::io::stdout().lock();
    let mut missed = Vec::new();
    for law in laws::all() {
        for &n in &o.bakes {
            let mut tallies = [Tally::default(); QUESTIONS.len()];
            for kitchen in 0..o.kitchens {
                let simulated = books::book(law.as_ref(), o.seed, kitchen, n, 0);
                let mut book = Book::default();
                let mut readings: Vec<Reading> = Vec::new();
                for record in &simulated.records {
                    match serde_json::from_value(record.clone())? {
                        Record::Reading(reading) => readings.push(reading),
                        record => book.put(record),
                    }
                }
                let readings = InMemory::new(readings);
                let sources = Sources {
                    book: &book,
                    readings: &readings,
                    model_sensors: &[],
                };
                let now = UtcMs::parse("2032-01-01T00:00:00Z").map_err(anyhow::Error::msg)?;
                let grounds = Grounds {
                    sources,
                    learned: Memory::default().at(sources, now, 0)?,
                    now,
                    zone: TimeZone::UTC,
                };
                for (tally, (_, by, stage, only)) in tallies.iter_mut().zip(QUESTIONS) {
                    let asked = CompareAsked {
                        by: Some(by.into()),
                        stage: Some(stage.into()),
                        only: Some(only.into()),
                        ..CompareAsked::default()
                    };
                    // A season without a bake cannot be asked for.
                    if let Ok(document) = answer(&grounds, &asked)
                        && document.groups.len() > 1
                    {
                        let (first, last) = (&document.groups[0], document.groups.last());
                        tally.apart_k += last.map_or(0.0, |l| l.dough_c - first.dough_c).abs();
                        tally.add(&document.pairs);
                    }
                }
            }
            for (t, (name, ..)) in tallies.iter().zip(QUESTIONS) {
                let share = |k: usize, of: usize| 100.0 * k as f64 / of.max(1) as f64;
                writeln!(
                    out,
                    "{} | {n} bakes | {name} | {} kitchens, doughs {:.1} K apart | claims {:.1} % | no difference that matters {:.1} % | intervals hold none {:.1} % of {}",
                    law.name(),
                    t.asked,
                    t.apart_k / t.asked.max(1) as f64,
                    share(t.claimed, t.asked),
                    share(t.none_matters, t.asked),
                    share(t.held, t.fitted),
                    t.fitted
                )?;
                let n_asked = t.asked as f64;
                if t.claimed as f64 > 0.05 * n_asked + 3.0 * (0.0475 * n_asked).sqrt() {
                    missed.push(format!("{}, {n} bakes, {name}", law.name()));
                }
            }
        }
    }
    if o.check && !missed.is_empty() {
        writeln!(out, "missed: {}", missed.join("; "))?;
        out.flush()?;
        std::process::exit(1);
    }
    Ok(())
}

impl Tally {
    fn add(&mut self, pairs: &[PairDocument]) {
        self.asked += 1;
        self.claimed += usize::from(
            pairs
                .iter()
                .any(|p| p.verdict == "longer" || p.verdict == "sooner"),
        );
        self.none_matters += usize::from(pairs.iter().any(|p| p.verdict == "none_that_matters"));
        let fitted: Vec<[f64; 3]> = pairs.iter().filter_map(|p| p.left_percent).collect();
        if !fitted.is_empty() {
            self.fitted += 1;
            self.held += usize::from(fitted.iter().all(|i| i[1] <= 0.0 && 0.0 <= i[2]));
        }
    }
}

//! `import-csv`: readings from a CSV file into the store, beside a running daemon or without one.

use std::fs::File;
use std::io::{Read as _, Seek as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context as _, bail};

use super::{Common, Done, print_json};
use crate::backfill::csv::{self, Around, Input};
use crate::backfill::dates::DateOrder;
use crate::backfill::head::Find;
use crate::backfill::mapping::{self, Column, Mapping};
use crate::backfill::{Progress, Report};
use crate::batches::record::{Quantity, Unit};
use crate::time::UtcMs;

/// Takes readings in from a CSV file with a header; taking a file in twice changes nothing.
///
/// Lines above the header, which many loggers write, are passed over.
///
/// Say once what the columns are, with --time and --value, and keep that under a name with --keep;
/// the next file with that header needs neither.
#[derive(Debug, clap::Args)]
pub(super) struct ImportCsv {
    /// The file; `-` is standard input
    file: PathBuf,
    /// A mapping kept before
    #[arg(long, value_name = "NAME", conflicts_with_all = ["time", "value"])]
    mapping: Option<String>,
    /// The column with the time
    #[arg(long, value_name = "COLUMN", requires = "value")]
    time: Option<String>,
    /// The column with the clock time, where --time holds the date alone
    #[arg(long, value_name = "COLUMN", requires = "time")]
    clock: Option<String>,
    /// The zone of times that say none, like Europe/Oslo or +01:00; without it the one that pages show
    #[arg(long, value_name = "ZONE")]
    zone: Option<String>,
    /// How dates are written that do not begin with a year of four digits: `day_first`,
    /// `month_first` or `year_first` [default: as the first lines show it]
    #[arg(long, value_name = "ORDER", value_parser = dates)]
    dates: Option<DateOrder>,
    /// A column with values: `COLUMN=quantity:unit`, like `Temp=air_temperature:Cel` (or `degF`), `RH=humidity:%RH`
    #[arg(long, value_name = "COLUMN=QUANTITY:UNIT", value_parser = value, requires = "time")]
    value: Vec<(String, Quantity, Unit)>,
    /// The sensor whose readings these are
    #[arg(long, value_name = "NAME")]
    sensor: Option<String>,
    /// Where it stood; without it the place of the sensor's name, if there is one
    #[arg(long, value_name = "PLACE")]
    place: Option<String>,
    /// Keeps the mapping under this name
    #[arg(long, value_name = "NAME", requires = "time")]
    keep: Option<String>,
    /// Shows the first readings as they would be stored, counts, span and bad lines; stores nothing
    #[arg(long)]
    preview: bool,
    /// Nothing goes in when a line is bad
    #[arg(long)]
    strict: bool,
    /// What became of it (or the preview) as one JSON document on standard output
    #[arg(long)]
    json: bool,
}

/// `COLUMN=quantity:unit`; a column's name may hold both signs.
fn value(text: &str) -> Result<(String, Quantity, Unit), String> {
    let wrong = || format!("`{text}` is not COLUMN=quantity:unit, like Temp=air_temperature:Cel");
    let (column, what) = text.rsplit_once('=').ok_or_else(wrong)?;
    let (quantity, unit) = what.split_once(':').ok_or_else(wrong)?;
    let quantity = Quantity::from_name(quantity).ok_or(format!("`{quantity}` is no quantity"))?;
    let unit = Unit::from_name(unit).ok_or(format!("`{unit}` is no unit"))?;
    Ok((column.to_owned(), quantity, unit))
}

fn dates(text: &str) -> Result<DateOrder, String> {
    DateOrder::from_name(text).ok_or_else(|| "write day_first, month_first or year_first".into())
}

impl ImportCsv {
    pub(super) fn run(self, common: &Common) -> Done {
        let app = common.open_app()?;
        let mut input = open(&self.file)?;
        let kept = mapping::all(&*app.store)?;
        let now = app.clock.now();
        let mapping = self.mapping(kept, &mut *input, now)?;
        // What does not fit is said before it is kept.
        csv::beginning(&mut *input, Find::Of(&mapping), now)?;
        if self.keep.is_some() {
            mapping::keep(&*app.store, &mapping)?;
        }
        let book = app.book();
        let zone = mapping::usual_zone(&app);
        let around = Around {
            book: &book,
            now,
            usual_zone: &zone,
        };
        if self.preview {
            let preview = csv::preview(&mut *input, &mapping, &around)?;
            if self.json {
                print_json(&preview)?;
            } else {
                for r in &preview.first {
                    super::print_line(&format!(
                        "line {}: {} {} {} {} {}{}",
                        r.line,
                        r.time,
                        r.sensor,
                        r.quantity.as_str(),
                        r.value,
                        r.unit.as_str(),
                        r.kept_out
                            .map_or_else(String::new, |k| format!(" (kept out: {})", k.as_str()))
                    ))?;
                }
                say_bad(&preview.report);
                eprintln!(
                    "{} readings in {} lines{}; nothing was stored",
                    preview.readings,
                    preview.report.lines,
                    span(&preview.report)
                );
            }
            return Ok(code(&preview.report));
        }
        let bar = super::import::progress(Some(1));
        let done = csv::import(
            &*app.store,
            &mut *input,
            &mapping,
            &around,
            self.strict,
            &mut |Progress { done, of, .. }| {
                bar.set_length(of);
                bar.set_position(done);
                true
            },
        );
        bar.finish_and_clear();
        let report = done?;
        if self.json {
            print_json(&report)?;
        } else {
            say_bad(&report);
            say(&report);
        }
        Ok(code(&report))
    }

    /// What is said here, else the one kept under the name, else the only one kept that fits.
    fn mapping(
        &self,
        kept: Vec<Mapping>,
        input: &mut dyn Input,
        now: UtcMs,
    ) -> anyhow::Result<Mapping> {
        if let Some(time) = &self.time {
            let sensor = self
                .sensor
                .clone()
                .context("say with --sensor whose readings these are")?;
            let column = |(column, quantity, unit): &(String, Quantity, Unit)| Column {
                column: column.clone(),
                sensor: sensor.clone(),
                quantity: *quantity,
                unit: *unit,
                place: self.place.clone(),
            };
            let mut mapping = Mapping {
                name: self.keep.clone().unwrap_or_else(|| "this file".into()),
                time: time.clone(),
                clock: self.clock.clone(),
                zone: self.zone.clone(),
                dates: self.dates.unwrap_or_default(),
                values: self.value.iter().map(column).collect(),
            };
            if self.dates.is_none() {
                let beginning = csv::beginning(input, Find::Of(&mapping), now)?;
                if let Some(dates) = beginning.dates_in(time) {
                    mapping.dates = dates;
                    eprintln!(
                        "note: dates are read with the {} first, as the first lines look; --dates says otherwise",
                        dates.first()
                    );
                }
            }
            return Ok(mapping);
        }
        let mut mapping = match &self.mapping {
            Some(name) => kept
                .iter()
                .find(|m| m.name == *name)
                .with_context(|| format!("no mapping is kept under `{name}`"))?
                .clone(),
            None => {
                let mut fitting = Vec::new();
                for mapping in kept {
                    fitting.extend(csv::known(input, vec![mapping], now)?);
                }
                match (fitting.pop(), fitting.is_empty()) {
                    (Some((one, _)), true) => one,
                    (None, _) => bail!(
                        "say what the columns are, with --time, --value and --sensor; they are {}",
                        csv::beginning(input, Find::Guess, now)?.header.join(", ")
                    ),
                    _ => bail!("more than one kept mapping fits this file: choose with --mapping"),
                }
            }
        };
        if let Some(zone) = &self.zone {
            mapping.zone = Some(zone.clone());
        }
        if let Some(dates) = self.dates {
            mapping.dates = dates;
        }
        for value in &mut mapping.values {
            if let Some(sensor) = &self.sensor {
                value.sensor.clone_from(sensor);
            }
            if self.place.is_some() {
                value.place.clone_from(&self.place);
            }
        }
        Ok(mapping)
    }
}

/// A file, or standard input put aside so that it can be gone through twice.
fn open(file: &Path) -> anyhow::Result<Box<dyn Input>> {
    if file == Path::new("-") {
        let mut aside = tempfile::tempfile().context("standard input cannot be put aside")?;
        std::io::copy(&mut std::io::stdin().lock(), &mut aside)
            .context("standard input cannot be put aside")?;
        aside.rewind()?;
        return Ok(Box::new(aside));
    }
    let name = file.display();
    let mut opened = File::open(file).with_context(|| format!("{name} cannot be read"))?;
    // A directory opens, but does not read.
    opened
        .read(&mut [0])
        .with_context(|| format!("{name} cannot be read"))?;
    Ok(Box::new(opened))
}

fn code(report: &Report) -> ExitCode {
    if report.bad == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

/// Each bad line in a line of its own.
pub(super) fn say_bad(report: &Report) {
    for bad in &report.bad_lines {
        eprintln!("line {}: {}", bad.line, bad.reason);
    }
    let more = report.bad - report.bad_lines.len() as u64;
    if more > 0 {
        eprintln!("and {more} more bad lines");
    }
}

fn span(report: &Report) -> String {
    match (report.from, report.to) {
        (Some(from), Some(to)) => format!(", from {from} to {to}"),
        _ => String::new(),
    }
}

/// What became of it, in a line.
pub(super) fn say(report: &Report) {
    for note in &report.notes {
        eprintln!("note: {note}");
    }
    let Report {
        stored,
        again,
        kept_out,
        bad,
        ..
    } = report;
    let refused = if report.refused {
        "; nothing was taken in"
    } else {
        ""
    };
    eprintln!(
        "{stored} readings taken in ({kept_out} of them kept out), {again} were there already, {bad} bad lines{}{refused}",
        span(report)
    );
}

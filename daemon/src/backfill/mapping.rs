//! Which column of a CSV file is what: said once, kept under a name in the store's settings, and
//! used again for the next file with that header.

use serde::{Deserialize, Serialize};

use super::csv::Beginning;
use super::dates::{DateOrder, is_clock, is_date, is_midnight};
use super::moment;
use super::number::cut;
use crate::app::App;
use crate::batches::record::{Quantity, Unit};
use crate::ingest::{heard, payload};
use crate::store::{Store, StoreError};

/// The setting's name.
pub const SETTING: &str = "csv_mappings";
/// Mappings kept: nobody has more kinds of loggers.
const MAPPINGS: usize = 50;
/// Value columns in one file.
pub const COLUMNS: usize = 20;
/// Longest name, characters.
const NAME: usize = 64;

/// Which column is what.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Mapping {
    /// The name it is kept under.
    pub name: String,
    /// The column with the time, or with its date.
    pub time: String,
    /// The column with the clock time, where `time` holds the date alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock: Option<String>,
    /// The zone of times that say none: a name or an offset; absent: the zone that pages show.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// How dates are written that do not begin with a year of four digits.
    #[serde(default, alias = "month_first", skip_serializing_if = "is_usual")]
    pub dates: DateOrder,
    /// The columns with values.
    pub values: Vec<Column>,
}

/// One column with values.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Column {
    /// The column's name in the header.
    pub column: String,
    /// The sensor whose readings these are.
    pub sensor: String,
    /// What it measures.
    pub quantity: Quantity,
    /// In which unit.
    pub unit: Unit,
    /// Where the sensor stood; absent: the place of its name, if there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
}

fn is_usual(dates: &DateOrder) -> bool {
    *dates == DateOrder::default()
}

impl Mapping {
    /// Whether it can work.
    ///
    /// # Errors
    /// One sentence for the baker.
    pub fn check(&self) -> Result<(), String> {
        named("The mapping", &self.name)?;
        if self.time.trim().is_empty() {
            return Err("Say which column holds the time.".into());
        }
        if self.clock.as_ref() == Some(&self.time) {
            return Err(
                "The clock time cannot stand in the date's own column: leave it out, or choose the other."
                    .into(),
            );
        }
        if let Some(zone) = &self.zone {
            moment::zone(zone)?;
        }
        if self.values.is_empty() {
            return Err("Say what at least one column measures.".into());
        }
        if self.values.len() > COLUMNS {
            return Err(format!(
                "At most {COLUMNS} columns can be taken from one file."
            ));
        }
        for (i, value) in self.values.iter().enumerate() {
            named(
                &format!("The sensor of `{}`", cut(&value.column)),
                &value.sensor,
            )?;
            if let Some(place) = &value.place {
                named("The place", place)?;
            }
            if !payload::fits(value.unit, value.quantity) {
                return Err(format!(
                    "`{}` is not measured in `{}`.",
                    value.quantity.as_str(),
                    value.unit.as_str()
                ));
            }
            let same = |o: &Column| o.sensor == value.sensor && o.quantity == value.quantity;
            if self.values[..i].iter().any(same) {
                return Err(format!(
                    "Two columns would both be `{}` of `{}`: give one of them another sensor.",
                    value.quantity.as_str(),
                    value.sensor
                ));
            }
        }
        Ok(())
    }

    /// Whether every column it names is in a header.
    #[must_use]
    pub fn fits(&self, header: &[String]) -> bool {
        let there = |name: &String| header.contains(name);
        there(&self.time)
            && self.clock.iter().all(there)
            && self.values.iter().all(|v| there(&v.column))
    }

    /// Whether a column of the file holds the time or a part of it.
    #[must_use]
    pub fn is_time(&self, column: &str) -> bool {
        self.time == column || self.clock.as_deref() == Some(column)
    }

    /// What a file seems to hold: a column of moments, else one of dates and one of clock times, else
    /// the first that is named like one. No time is guessed where neither a column's name nor the
    /// first rows show one.
    #[must_use]
    pub fn guess(beginning: &Beginning, sensor: &str) -> Self {
        let header = &beginning.header;
        let named = |name: &str| {
            let name = name.to_lowercase();
            [
                "time", "date", "tid", "zeit", "datum", "dato", "when", "clock", "klok",
            ]
            .iter()
            .any(|w| name.contains(w))
        };
        let cells = |at: usize| beginning.rows.iter().filter_map(move |row| row.get(at));
        let holds = |at: usize, what: fn(&str) -> bool| cells(at).any(|cell| what(cell));
        let unnamed = |at: usize| !named(&header[at]);
        let time = header
            .iter()
            .enumerate()
            .map(|(at, name)| (at, name, holds(at, moment::is_moment), named(name)))
            .filter(|(_, _, holds, named)| *holds || *named)
            .rev()
            .max_by_key(|(_, _, holds, named)| (*holds, *named));
        let midnights = |at: usize| {
            holds(at, is_midnight) && cells(at).all(|cell| cell.is_empty() || is_midnight(cell))
        };
        // 10.01.26 reads as a clock time too, 07.05.30 as a date.
        let apart = || {
            let dates = (0..header.len()).filter(|at| holds(*at, is_date) || midnights(*at));
            let date = dates.min_by_key(|at| (unnamed(*at), holds(*at, is_clock)))?;
            let clocks = (0..header.len()).filter(|at| *at != date && holds(*at, is_clock));
            Some((
                date,
                clocks.min_by_key(|at| (unnamed(*at), holds(*at, is_date)))?,
            ))
        };
        let (time, clock) = match (time, apart()) {
            // A moment by itself, unless it is a date with a spreadsheet's midnight or the two others
            // are called a time and it is not.
            (Some((at, _, true, named)), Some((date, clock)))
                if at == date || !named && !unnamed(date) && !unnamed(clock) =>
            {
                (Some(date), Some(clock))
            }
            (Some((at, _, true, _)), _) => (Some(at), None),
            (_, Some((date, clock))) => (Some(date), Some(clock)),
            (named, None) => (named.map(|(at, ..)| at), None),
        };
        let mut values: Vec<Column> = Vec::new();
        for (at, column) in header.iter().enumerate() {
            if Some(at) != time
                && Some(at) != clock
                && let Some((quantity, unit)) = heard::by_header(column)
                && !values.iter().any(|v| v.quantity == quantity)
            {
                values.push(Column {
                    column: column.clone(),
                    sensor: sensor.to_owned(),
                    quantity,
                    unit,
                    place: None,
                });
            }
        }
        Self {
            name: sensor.to_owned(),
            time: time.map_or_else(String::new, |at| header[at].clone()),
            clock: clock.map(|at| header[at].clone()),
            dates: time
                .and_then(|at| *beginning.dates.get(at)?)
                .unwrap_or_default(),
            values,
            ..Self::default()
        }
    }
}

fn named(what: &str, name: &str) -> Result<(), String> {
    let bad =
        name.trim().is_empty() || name.chars().count() > NAME || name.chars().any(char::is_control);
    if bad {
        return Err(format!("{what} needs a name of 1 to {NAME} characters."));
    }
    Ok(())
}

/// The mappings kept, by name.
///
/// # Errors
/// If the store cannot be read.
pub fn all(store: &dyn Store) -> Result<Vec<Mapping>, StoreError> {
    match store.setting(SETTING)? {
        None => Ok(Vec::new()),
        Some(document) => serde_json::from_value(document)
            .map_err(|e| StoreError::Corrupt(format!("the CSV mappings: {e}"))),
    }
}

/// Why a mapping was not kept.
#[derive(Debug, thiserror::Error)]
pub enum MappingError {
    /// It cannot work.
    #[error("{0}")]
    Bad(String),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Keeps a mapping under its name, in the place of the one before.
///
/// # Errors
/// If it cannot work, or there are too many.
pub fn keep(store: &dyn Store, mapping: &Mapping) -> Result<(), MappingError> {
    mapping.check().map_err(MappingError::Bad)?;
    let mut list = all(store)?;
    list.retain(|m| m.name != mapping.name);
    if list.len() >= MAPPINGS {
        return Err(MappingError::Bad(format!(
            "There are {MAPPINGS} mappings already: keep it under the name of one of them."
        )));
    }
    list.push(mapping.clone());
    list.sort_by(|a, b| a.name.cmp(&b.name));
    let document = serde_json::to_value(&list)
        .map_err(|e| MappingError::Bad(format!("The mapping cannot be written: {e}.")))?;
    store.set_setting(SETTING, Some(&document))?;
    Ok(())
}

/// The zone for times that say none, where a mapping leaves it out: that of the configuration, else
/// the page's, else the machine's.
#[must_use]
pub fn usual_zone(app: &App) -> String {
    let set = app.store.setting("display").ok().flatten();
    let from_page = set
        .as_ref()
        .and_then(|v| v.get("zone"))
        .and_then(|v| v.as_str());
    app.config
        .display
        .zone
        .as_deref()
        .or(from_page)
        .map(str::to_owned)
        .or_else(|| {
            let here = jiff::tz::TimeZone::system();
            here.iana_name().map(str::to_owned)
        })
        .unwrap_or_else(|| "UTC".into())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn beginning(names: &[&str], row: &[&str]) -> Beginning {
        let owned = |texts: &[&str]| texts.iter().map(|n| (*n).to_owned()).collect();
        Beginning {
            header: owned(names),
            header_line: 1,
            rows: vec![owned(row)],
            dates: Vec::new(),
        }
    }

    #[test]
    fn the_time_is_told_by_what_a_column_holds_then_by_its_name() {
        for (names, row, time) in [
            (["Fecha", "T"], ["10/01/2026 07:05", "21"], "Fecha"),
            (
                ["Started", "Time"],
                ["2026-01-10 07:00", "2026-01-10 07:05"],
                "Time",
            ),
            (["Run time", "Moment"], ["17", "2026-01-10 07:05"], "Moment"),
            (["Datum", "T"], ["", "21"], "Datum"),
            (["A", "B"], ["17", "21"], ""),
        ] {
            let guess = Mapping::guess(&beginning(&names, &row), "s");
            assert_eq!((guess.time.as_str(), guess.clock), (time, None));
        }
    }

    #[test]
    fn a_date_and_a_clock_time_in_two_columns_are_told_by_what_they_hold() {
        for (names, row, date, clock) in [
            (["Date", "Time"], ["2026-01-10", "07:05"], "Date", "Time"),
            (["Time", "Day"], ["7:05 AM", "1/10/2026"], "Day", "Time"),
            (["A", "B"], ["10.01.26", "07.05.30"], "A", "B"),
            (["A", "B"], ["07.05.30", "10.01.2026"], "B", "A"),
        ] {
            let guess = Mapping::guess(&beginning(&names, &row), "s");
            assert_eq!(
                (guess.time.as_str(), guess.clock.as_deref()),
                (date, Some(clock))
            );
            assert!(guess.is_time(clock) && guess.values.is_empty());
            assert!(guess.fits(&names.map(str::to_owned)) && !guess.fits(&[date.to_owned()]));
        }
        // Names decide among several; a spreadsheet's midnight is a date.
        for (names, row) in [
            (
                ["Duration", "Date", "Time"],
                ["00:10:00", "2026-01-10", "07:05:00"],
            ),
            (
                ["Calibrated", "Date", "Time"],
                ["2025-06-01", "2026-01-10", "07:05"],
            ),
            (
                ["Synced", "Date", "Time"],
                ["2026-01-12 09:00", "2026-01-10", "07:05"],
            ),
            (
                ["No.", "Date", "Time"],
                ["1", "10/01/2026 00:00:00", "07:05:00"],
            ),
        ] {
            let guess = Mapping::guess(&beginning(&names, &row), "s");
            assert_eq!(
                (guess.time.as_str(), guess.clock.as_deref()),
                ("Date", Some("Time")),
                "{names:?}"
            );
        }
    }

    #[test]
    fn a_header_is_guessed_and_what_cannot_work_is_said() {
        let guess = Mapping::guess(
            &beginning(
                &[
                    "No.",
                    "Timestamp",
                    "Temp (°F)",
                    "Relative Humidity(%)",
                    "Note",
                ],
                &["1", "2026-01-10 07:05", "70.1", "61", ""],
            ),
            "shelf",
        );
        assert_eq!(guess.time, "Timestamp");
        let found: Vec<_> = guess
            .values
            .iter()
            .map(|v| (v.column.as_str(), v.quantity, v.unit))
            .collect();
        assert_eq!(
            found,
            [
                ("Temp (°F)", Quantity::AirTemperature, Unit::DegF),
                ("Relative Humidity(%)", Quantity::Humidity, Unit::PercentRh),
            ]
        );
        assert_eq!(guess.check(), Ok(()));
        let change = |edit: fn(&mut Mapping)| {
            let mut m = guess.clone();
            edit(&mut m);
            m.check().is_err()
        };
        assert!(change(|m| m.values.clear()));
        assert!(change(|m| m.time.clear()));
        assert!(change(|m| m.clock = Some(m.time.clone())));
        assert!(change(|m| m.name = " ".into()));
        assert!(change(|m| m.zone = Some("Here/There".into())));
        assert!(change(|m| m.values[0].unit = Unit::PercentRh));
        assert!(change(|m| m.values.push(m.values[0].clone())));
    }
}

//! Where a CSV file's header stands, and what stands between its columns. Many loggers write lines
//! about themselves above the columns' names, and some a line of units below them.

use std::io::{BufRead, Cursor, Read};

use ::csv::{ByteRecord, Reader, ReaderBuilder};

use super::csv::{CsvError, Input};
use super::dates::{is_clock, is_date};
use super::mapping::Mapping;
use super::{moment, number};

/// As much of a file's beginning as is looked at, bytes.
const LOOKED_AT: u64 = 64 * 1024;
/// Lines among which the header is looked for: several times what loggers write above theirs.
const WITHIN: usize = 100;
/// Columns looked at in a header; a line with more is no header of a logger.
const COLUMNS: usize = 200;
/// What may stand between columns. Of two that part a line equally well the first is taken: a comma
/// may be the decimal sign.
const SEPARATORS: [u8; 4] = [b'\t', b';', b'|', b','];

/// Which line holds the columns' names.
#[derive(Clone, Copy, Debug)]
pub enum Find<'a> {
    /// The fullest line of names above the first reading.
    Guess,
    /// The line of this number, from 1.
    Line(u64),
    /// The first that names every column of a mapping.
    Of(&'a Mapping),
}

/// A file's header.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Head {
    /// What stands between the columns.
    pub separator: u8,
    /// The header's line, from 1.
    pub line: u64,
    /// The columns' names.
    pub names: Vec<String>,
}

/// A line's number and what it holds.
type Line = (u64, Vec<String>);

/// Looks for the header.
///
/// # Errors
/// If the file cannot be read, or what was found is no header.
pub fn find(input: &mut dyn Input, how: Find<'_>) -> Result<Head, CsvError> {
    input.rewind().map_err(CsvError::Input)?;
    let mut start = Vec::new();
    input
        .take(LOOKED_AT)
        .read_to_end(&mut start)
        .map_err(CsvError::Input)?;
    if start.iter().all(u8::is_ascii_whitespace) {
        return refused("the file is empty".into());
    }
    if start.contains(&0) {
        return refused(
            "the file is no plain text: save it as CSV (UTF-8) with the program that made it"
                .into(),
        );
    }
    let cut = start.len() as u64 == LOOKED_AT;
    let ways = SEPARATORS.map(|separator| Way {
        separator,
        lines: lines(&start, separator, cut),
    });
    let found = match how {
        Find::Guess => fullest(&ways),
        Find::Of(mapping) => ways
            .iter()
            .find_map(|way| way.line(|_, names| mapping.fits(names)))
            .or_else(|| fullest(&ways)),
        Find::Line(number) => Some(numbered(&ways, number).ok_or_else(|| {
            CsvError::Header(format!(
                "line {number} is empty, or not among the first {WITHIN}: say in which line the columns' names stand"
            ))
        })?),
    };
    match found.or_else(|| first_of_several(&ways)) {
        Some((separator, line)) => checked(separator, line),
        None => refused("the file is empty".into()),
    }
}

fn refused<T>(why: String) -> Result<T, CsvError> {
    Err(CsvError::Header(why))
}

/// The file's first lines as one separator parts them.
struct Way {
    separator: u8,
    lines: Vec<Line>,
}

impl Way {
    /// The first line for which something holds.
    fn line(&self, holds: impl Fn(u64, &[String]) -> bool) -> Option<(u8, &Line)> {
        let line = self.lines.iter().find(|(n, cells)| holds(*n, cells))?;
        Some((self.separator, line))
    }
}

/// The header as the readings below it tell it, parted so that they have the most columns.
fn fullest(ways: &[Way]) -> Option<(u8, &Line)> {
    let guessed = ways.iter().filter_map(|way| {
        let (at, data) = guess(&way.lines)?;
        Some((way.separator, &way.lines[at], way.lines[data].1.len()))
    });
    let (separator, line, _) = guessed.rev().max_by_key(|(.., columns)| *columns)?;
    Some((separator, line))
}

/// The line of a number, parted as the readings are, else as the line itself is best.
fn numbered(ways: &[Way], number: u64) -> Option<(u8, &Line)> {
    let guessed = fullest(ways).map(|(separator, _)| separator);
    ways.iter()
        .filter_map(|way| way.line(|n, _| n == number))
        .rev()
        .max_by_key(|(separator, (_, cells))| (guessed == Some(*separator), cells.len()))
}

/// Where nothing looks like readings: the first line that has several columns.
fn first_of_several(ways: &[Way]) -> Option<(u8, &Line)> {
    ways.iter()
        .filter_map(|way| {
            way.line(|_, cells| cells.len() > 1)
                .or_else(|| way.line(|_, _| true))
        })
        .rev()
        .max_by_key(|(_, (line, cells))| (cells.len() > 1, std::cmp::Reverse(*line), cells.len()))
}

/// A line as header, if it can be one.
fn checked(separator: u8, (line, names): &Line) -> Result<Head, CsvError> {
    let names: Vec<String> = names.iter().take(COLUMNS).cloned().collect();
    if names.len() < 2 {
        return refused(format!(
            "line {line} is no header with at least a time and a value: columns are told apart by comma, semicolon, tab or bar"
        ));
    }
    if names
        .iter()
        .all(|h| h.is_empty() || h.parse::<f64>().is_ok())
    {
        return refused(format!(
            "line {line} holds numbers: a line with the columns' names must stand above them"
        ));
    }
    if is_reading(&names) {
        return refused(format!(
            "line {line} holds readings already: a line with the columns' names must stand above them"
        ));
    }
    Ok(Head {
        separator,
        line: *line,
        names,
    })
}

/// The first lines, parted.
fn lines(start: &[u8], separator: u8, cut: bool) -> Vec<Line> {
    let mut reader = reader(separator, Cursor::new(start));
    let mut record = ByteRecord::new();
    let mut found = Vec::new();
    while found.len() < WITHIN && matches!(reader.read_byte_record(&mut record), Ok(true)) {
        let cells = record
            .iter()
            .map(|cell| text(cell).trim_start_matches('\u{feff}').trim().to_owned());
        found.push((reader.get_ref().line(), cells.collect()));
    }
    // The last one looked at may end in its middle.
    if cut && found.len() > 1 && found.len() < WITHIN {
        found.pop();
    }
    found
}

/// Which of the lines holds the names, and which the first readings. A line of units below the names
/// has fewer of them, or stands below: the fullest counts, of equals the lowest.
fn guess(lines: &[Line]) -> Option<(usize, usize)> {
    let names = |cells: &[String]| {
        let named =
            |cell: &&String| !cell.is_empty() && !is_time(cell) && number::read(cell).is_err();
        cells.iter().filter(named).count()
    };
    let header = |data: usize| {
        let wide = lines[data].1.len();
        // A logger may end its lines with a separator, but not the header's.
        let above = lines[..data]
            .iter()
            .enumerate()
            .filter(|(_, (_, cells))| cells.len() > 1 && cells.len() + 1 >= wide);
        above.max_by_key(|(_, (_, cells))| names(cells))
    };
    let readings: Vec<usize> = (0..lines.len())
        .filter(|at| is_reading(&lines[*at].1))
        .collect();
    // What a logger says of itself may look like a reading: with a date, a clock time, an interval. The
    // readings have others behind them, and names above.
    let goes_on = |data: usize| data + 1 == lines.len() || readings.contains(&(data + 1));
    let headed = |data: usize| header(data).is_some_and(|(_, (_, cells))| names(cells) > 0);
    let data = *readings
        .iter()
        .find(|at| goes_on(**at) && headed(**at))
        .or_else(|| readings.first())?;
    Some((header(data).map_or(data, |(at, _)| at), data))
}

/// Whether a line holds a time (in one cell, or date and clock time in two) and, elsewhere, a number.
fn is_reading(cells: &[String]) -> bool {
    let elsewhere = |at: usize, what: fn(&str) -> bool| {
        let others = cells.iter().enumerate().filter(|(other, _)| *other != at);
        others.map(|(_, cell)| cell).any(|cell| what(cell))
    };
    cells.iter().enumerate().any(|(at, cell)| {
        (moment::is_moment(cell) || is_date(cell) && elsewhere(at, is_clock))
            && elsewhere(at, |cell| matches!(number::read(cell), Ok(Some(_))))
    })
}

/// Whether a cell is a time or a part of one.
fn is_time(cell: &str) -> bool {
    moment::is_moment(cell) || is_date(cell) || is_clock(cell)
}

/// A reader of records that knows their lines.
pub(super) fn reader<R: BufRead>(separator: u8, input: R) -> Reader<Lines<R>> {
    ReaderBuilder::new()
        .delimiter(separator)
        .has_headers(false)
        .flexible(true)
        .from_reader(Lines {
            input,
            ended: 0,
            within: false,
        })
}

/// Hands a file over line by line, so that a record's line is known: the `csv` crate counts from where
/// the record before ended, which before `\r\n` and empty lines is another line.
pub(super) struct Lines<R> {
    input: R,
    ended: u64,
    within: bool,
}

impl<R> Lines<R> {
    /// The line handed over last, from 1.
    pub(super) fn line(&self) -> u64 {
        self.ended + u64::from(self.within)
    }
}

impl<R: BufRead> Read for Lines<R> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let there = self.input.fill_buf()?;
        let line = there.iter().position(|b| *b == b'\n').map(|at| at + 1);
        let n = line.unwrap_or(there.len()).min(into.len());
        into[..n].copy_from_slice(&there[..n]);
        if n > 0 {
            self.within = there[n - 1] != b'\n';
            self.ended += u64::from(!self.within);
        }
        self.input.consume(n);
        Ok(n)
    }
}

/// A cell as text. What is no UTF-8 is read as Latin-1, so that a `°F` of an older logger stays one.
pub(super) fn text(cell: &[u8]) -> String {
    match std::str::from_utf8(cell) {
        Ok(text) => text.to_owned(),
        Err(_) => cell.iter().map(|b| char::from(*b)).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(text: &str, how: Find<'_>) -> Result<(u64, Vec<String>), String> {
        find(&mut Cursor::new(text.as_bytes().to_vec()), how)
            .map(|head| (head.line, head.names))
            .map_err(|e| e.to_string())
    }

    /// Layouts as several makers' loggers write them, made up after their manuals' pictures: from
    /// memory, no published source.
    #[test]
    fn the_header_is_found_below_what_a_logger_says_of_itself() {
        for (text, line, names) in [
            (
                "Logger S-12\nSerial number: 104512345\nStarted: 2026-01-10 07:00\n\nDate/Time,Temp (°F),RH (%)\n01/10/2026 07:00,70.1,61\n",
                5,
                vec!["Date/Time", "Temp (°F)", "RH (%)"],
            ),
            // Every line filled up with separators, as spreadsheets write.
            (
                "Serial;104512345;\nInterval;15;min\nTid;Temp;Fukt\n10.01.2026 07:00;21,5;61,5\n",
                3,
                vec!["Tid", "Temp", "Fukt"],
            ),
            // Units below the names, and lines that end in a separator.
            (
                "Shelf\nNo.,Time,Temperature,Humidity\n,,°C,%\n1,2026-01-10 07:00,21.5,61,\n",
                2,
                vec!["No.", "Time", "Temperature", "Humidity"],
            ),
            (
                "time,temp\n2026-01-10 07:00,--\n2026-01-10 07:10,21\n",
                1,
                vec!["time", "temp"],
            ),
            ("time\ttemp\n1768025100\t21,5\n", 1, vec!["time", "temp"]),
            // What looks like a reading above the header, with another line above or without.
            (
                "Start;10.01.2026;07:00;15\nTid;Temp;Fukt;Note\n10.01.2026 07:00;21,5;61,5;\n10.01.2026 07:15;21;61;\n",
                2,
                vec!["Tid", "Temp", "Fukt", "Note"],
            ),
            (
                "Logger;7;;\nVersion;1.2.10;1.0.12;2\nDato;Tid;Temp;Fukt\n10.01.2026;07:00;21,5;61,5\n10.01.2026;07:15;--;\n10.01.2026;07:30;21;61\n10.01.2026;07:45;21;61\n",
                3,
                vec!["Dato", "Tid", "Temp", "Fukt"],
            ),
            // No reading to go by.
            ("about this file\n\ntime;temp\n", 3, vec!["time", "temp"]),
        ] {
            let names = names.into_iter().map(str::to_owned).collect();
            assert_eq!(found(text, Find::Guess), Ok((line, names)), "{text}");
        }
    }

    #[test]
    fn a_line_that_is_no_header_is_refused_with_what_to_do() {
        for (text, how, part) in [
            ("", Find::Guess, "empty"),
            (" \r\n\n", Find::Guess, "empty"),
            ("PK\u{3}\u{4}\0\0", Find::Guess, "save it as CSV"),
            (
                "2026-01-10 07:00,21.5\n2026-01-10 07:10,21.6\n",
                Find::Guess,
                "line 1 holds readings",
            ),
            ("1768025100,21.5\n", Find::Guess, "line 1 holds numbers"),
            ("a,b\n\n1,2\n", Find::Line(2), "line 2 is empty"),
            ("a,b\n1,2\n", Find::Line(9), "first 100"),
            ("a,b\nonly this\n", Find::Line(2), "line 2 is no header"),
        ] {
            let why = found(text, how).unwrap_err();
            assert!(why.contains(part), "{text}: {why}");
        }
        let names = |n: [&str; 2]| n.map(str::to_owned).to_vec();
        assert_eq!(
            found("x,y\na,b\n", Find::Line(2)),
            Ok((2, names(["a", "b"])))
        );
    }

    #[test]
    fn an_older_encoding_keeps_its_degrees() {
        let mut input = Cursor::new(b"Time;Temp (\xb0F)\n2026-01-10 07:00;70\n".to_vec());
        assert_eq!(find(&mut input, Find::Guess).unwrap().names[1], "Temp (°F)");
    }
}

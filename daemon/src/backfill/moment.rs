//! A moment as people's files write it: RFC 3339, a date and a clock time in some zone, or seconds
//! or milliseconds since 1970.
//!
//! A clock time in the hour that a zone goes through twice is told by the order of the lines: of the
//! two moments it can be, the one that goes on from the line before. A clock time in the hour that
//! a zone leaves out is no moment.

use jiff::civil::DateTime;
use jiff::tz::{AmbiguousOffset, Offset, TimeZone};

use super::dates::{DateOrder, civil, day_of, is_date};
use super::number::cut;
use crate::time::UtcMs;

/// Numbers from here up are milliseconds since 1970, below they are seconds (as in the sensors'
/// payloads).
const MILLISECONDS_FROM: f64 = 1e11;
/// The last second of the year 9999: beyond it a time cannot be written as RFC 3339.
const LAST_MS: f64 = 253_402_300_799_000.0;
/// Bare numbers below this (1973) are not seconds since 1970 but a count of something.
const SECONDS_FROM: f64 = 1e8;

/// A zone by name, or a fixed offset like `+01:00`.
///
/// # Errors
/// What a zone looks like.
pub fn zone(text: &str) -> Result<TimeZone, String> {
    let text = text.trim();
    if text.eq_ignore_ascii_case("utc") || text == "Z" {
        return Ok(TimeZone::UTC);
    }
    if let Some(rest) = text.strip_prefix(['+', '-']) {
        let (hours, minutes) = rest.split_once(':').unwrap_or((rest, "0"));
        if let (Ok(h), Ok(m)) = (hours.parse::<i32>(), minutes.parse::<i32>())
            && h <= 14
            && (0..60).contains(&m)
            && h >= 0
        {
            let seconds = (h * 60 + m) * 60;
            let signed = if text.starts_with('-') {
                -seconds
            } else {
                seconds
            };
            if let Ok(offset) = Offset::from_seconds(signed) {
                return Ok(TimeZone::fixed(offset));
            }
        }
    }
    TimeZone::get(text).map_err(|_| {
        format!(
            "`{}` is no time zone: write one like Europe/Oslo, or +01:00",
            cut(text)
        )
    })
}

/// Whether a text is a moment by itself. Numbers count only as seconds or milliseconds of the years
/// 2001 to 2286, so that a serial number is none.
#[must_use]
pub fn is_moment(text: &str) -> bool {
    const SECONDS: std::ops::Range<f64> = 1e9..1e10;
    let text = text.trim();
    if let Ok(number) = text.replace(',', ".").parse::<f64>() {
        return SECONDS.contains(&number) || SECONDS.contains(&(number / 1000.0));
    }
    text.parse::<jiff::Timestamp>().is_ok()
        || DateOrder::ALL
            .into_iter()
            .any(|order| civil(text, order).is_some())
}

/// Reads the times of one column, line by line.
#[derive(Clone, Debug)]
pub struct Moments {
    zone: TimeZone,
    dates: DateOrder,
    before: Option<UtcMs>,
    /// Whether the lines go back in time.
    backwards: bool,
    /// Times told by the order of the lines.
    pub told_by_order: u64,
}

impl Moments {
    /// In a zone, for those times that say none, with dates written in an order.
    #[must_use]
    pub fn new(zone: TimeZone, dates: DateOrder) -> Self {
        Self {
            zone,
            dates,
            before: None,
            backwards: false,
            told_by_order: 0,
        }
    }

    /// Reads one whose date and clock time stand in two cells. A spreadsheet may have added a midnight
    /// to the date.
    ///
    /// # Errors
    /// Why it is no moment.
    pub fn read_two(&mut self, date: &str, clock: &str) -> Result<UtcMs, String> {
        let (date, clock) = (day_of(date), clock.trim());
        match (date.is_empty(), clock.is_empty()) {
            (true, true) => Err("there is no time".into()),
            (true, false) => Err("there is no date".into()),
            (false, true) => Err("there is no clock time".into()),
            (false, false) => self.read(&format!("{date} {clock}")),
        }
    }

    /// Reads one.
    ///
    /// # Errors
    /// Why it is no moment.
    pub fn read(&mut self, cell: &str) -> Result<UtcMs, String> {
        let moment = self.moment(cell.trim())?;
        if let Some(before) = self.before
            && before != moment
        {
            self.backwards = moment < before;
        }
        self.before = Some(moment);
        Ok(moment)
    }

    fn moment(&mut self, text: &str) -> Result<UtcMs, String> {
        if text.is_empty() {
            return Err("there is no time".into());
        }
        if let Ok(timestamp) = text.parse::<jiff::Timestamp>() {
            return Ok(UtcMs(timestamp.as_millisecond()));
        }
        if let Ok(number) = text.replace(',', ".").parse::<f64>() {
            return from_1970(number).ok_or_else(|| {
                format!(
                    "`{}` is neither seconds nor milliseconds since 1970",
                    cut(text)
                )
            });
        }
        let clock = civil(text, self.dates).ok_or_else(|| self.no_moment(text))?;
        self.in_zone(clock, text)
    }

    fn no_moment(&self, text: &str) -> String {
        let quoted = cut(text);
        if is_date(text) {
            return format!(
                "`{quoted}` is a date without a clock time: say which column holds that"
            );
        }
        match DateOrder::ALL
            .into_iter()
            .find(|order| civil(text, *order).is_some())
        {
            Some(other) => format!(
                "`{quoted}` is no date with the {} first: say that the {} comes first",
                self.dates.first(),
                other.first()
            ),
            None => format!(
                "`{quoted}` is not a time: write it like 2026-01-10 07:05, or choose another column"
            ),
        }
    }

    fn in_zone(&mut self, clock: DateTime, text: &str) -> Result<UtcMs, String> {
        let at = |offset: Offset| {
            offset
                .to_timestamp(clock)
                .map(|t| UtcMs(t.as_millisecond()))
                .map_err(|_| format!("`{}` is beyond what a date can be", cut(text)))
        };
        match self.zone.to_ambiguous_timestamp(clock).offset() {
            AmbiguousOffset::Unambiguous { offset } => at(offset),
            AmbiguousOffset::Gap { .. } => Err(format!(
                "`{}` never was: the clocks went forward over it. If the logger keeps one time all year, choose that offset (like +01:00) as its zone",
                cut(text)
            )),
            AmbiguousOffset::Fold { before, after } => {
                self.told_by_order += 1;
                let (first, second) = (at(before)?, at(after)?);
                Ok(match self.before {
                    Some(line) if self.backwards => {
                        if second < line {
                            second
                        } else {
                            first
                        }
                    }
                    Some(line) => {
                        if first > line {
                            first
                        } else {
                            second
                        }
                    }
                    None => first,
                })
            }
        }
    }
}

fn from_1970(number: f64) -> Option<UtcMs> {
    let ms = match number.abs() {
        n if n >= MILLISECONDS_FROM => number,
        n if n >= SECONDS_FROM => number * 1000.0,
        _ => return None,
    };
    (ms.is_finite() && ms.abs() <= LAST_MS).then(|| UtcMs(ms.round() as i64))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn oslo() -> Moments {
        Moments::new(zone("Europe/Oslo").unwrap(), DateOrder::DayFirst)
    }

    fn read(text: &str) -> String {
        oslo().read(text).map_or_else(|e| e, |t| t.to_string())
    }

    #[test]
    fn times_are_read_as_loggers_write_them() {
        for (text, moment) in [
            ("2026-01-10T06:05:00Z", "2026-01-10T06:05:00Z"),
            ("2026-01-10T07:05:00+01:00", "2026-01-10T06:05:00Z"),
            ("2026-01-10 07:05", "2026-01-10T06:05:00Z"),
            ("2026-01-10T07:05:30.250", "2026-01-10T06:05:30.250Z"),
            ("10.01.2026 07:05:30", "2026-01-10T06:05:30Z"),
            ("10/01/2026 7:05 PM", "2026-01-10T18:05:00Z"),
            ("10.01.26 07.05.30", "2026-01-10T06:05:30Z"),
            ("2026/1/10 7:05", "2026-01-10T06:05:00Z"),
            ("10/01/2026 12:05 am", "2026-01-09T23:05:00Z"),
            ("1768025100", "2026-01-10T06:05:00Z"),
            ("1768025100,5", "2026-01-10T06:05:00.500Z"),
            ("1768025100250", "2026-01-10T06:05:00.250Z"),
        ] {
            assert_eq!(read(text), moment, "{text}");
        }
        let mut month_first = Moments::new(zone("-05:00").unwrap(), DateOrder::MonthFirst);
        assert_eq!(
            month_first.read("01/10/2026 01:05").unwrap().to_string(),
            "2026-01-10T06:05:00Z"
        );
        for text in [
            "",
            "soon",
            "2026-01-10",
            "31.02.2026 10:00",
            "2026-01-10 25:00",
            "10.01.+26 07:05",
            "10.01.226 07:05",
            "26-13-13 07:05",
            "17",
            "1e300",
        ] {
            assert!(oslo().read(text).is_err(), "{text}");
        }
        assert!(zone("Nowhere/None").is_err() && zone("+99:00").is_err());
    }

    #[test]
    fn a_date_and_a_clock_time_may_stand_apart_and_what_is_missing_is_said() {
        for (day, clock) in [
            ("2026-01-10", " 07:05:30"),
            ("10/01/2026", "7:05:30 AM"),
            ("10/01/2026 00:00:00", "07:05:30"),
            ("2026-01-10", "06:05:30Z"),
        ] {
            let read = oslo().read_two(day, clock).unwrap();
            assert_eq!(read.to_string(), "2026-01-10T06:05:30Z", "{day} {clock}");
        }
        for (day, clock, missing) in [
            ("2026-01-10", "", "there is no clock time"),
            ("", "07:05", "there is no date"),
            ("", " ", "there is no time"),
        ] {
            assert_eq!(oslo().read_two(day, clock), Err(missing.into()));
        }
        assert!(read("2026-01-10").contains("which column"));
        assert!(read("01/13/2026 07:05").contains("month comes first"));
        let mut month_first = Moments::new(TimeZone::UTC, DateOrder::MonthFirst);
        let why = month_first.read("13/01/2026 07:05").unwrap_err();
        assert!(why.contains("day comes first"), "{why}");
        let mut year_first = Moments::new(TimeZone::UTC, DateOrder::YearFirst);
        let why = year_first.read("01/10/2026 07:05").unwrap_err();
        assert!(why.contains("no date with the year first"), "{why}");
    }

    // Central European clocks went from 3:00 back to 2:00 on 26 October 2025, and go from 2:00 to
    // 3:00 on 29 March 2026 (IANA time zone database, Europe/Oslo).
    #[test]
    fn the_hour_that_comes_twice_is_told_by_the_order_of_the_lines() {
        let clocks = ["01:30", "02:00", "02:30", "02:00", "02:30", "03:00"];
        let moments = ["23:30", "00:00", "00:30", "01:00", "01:30", "02:00"];
        let mut forward = oslo();
        for (clock, moment) in clocks.iter().zip(moments) {
            let read = forward
                .read(&format!("2025-10-26 {clock}"))
                .unwrap()
                .to_string();
            assert_eq!(read[11..16], *moment, "{clock}");
        }
        assert_eq!(forward.told_by_order, 4);
        let mut back = oslo();
        for (clock, moment) in clocks.iter().zip(moments).rev() {
            let read = back
                .read(&format!("2025-10-26 {clock}"))
                .unwrap()
                .to_string();
            assert_eq!(read[11..16], *moment, "{clock}, newest first");
        }
        // One reading an hour: 2:00 comes twice.
        let mut hourly = oslo();
        let read: Vec<String> = ["01:00", "02:00", "02:00", "03:00"]
            .iter()
            .map(|c| {
                hourly.read(&format!("2025-10-26 {c}")).unwrap().to_string()[11..16].to_owned()
            })
            .collect();
        assert_eq!(read, ["23:00", "00:00", "01:00", "02:00"]);
    }

    #[test]
    fn the_hour_that_is_left_out_is_no_moment() {
        assert!(read("2026-03-29 02:30").contains("never was"));
        assert_eq!(
            Moments::new(zone("+01:00").unwrap(), DateOrder::DayFirst)
                .read("2026-03-29 02:30")
                .unwrap()
                .to_string(),
            "2026-03-29T01:30:00Z"
        );
    }
}

//! Dates and clock times as people's files write them: of which order a date's numbers are, and what
//! reads as either.

use jiff::civil::{Date, DateTime, Time};
use serde::{Deserialize, Deserializer, Serialize, de};

/// In which order a date's numbers stand, where a year of four digits in front does not show it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum DateOrder {
    /// 1/10/2026 is the first of October.
    #[default]
    DayFirst,
    /// 1/10/2026 is the tenth of January.
    MonthFirst,
    /// 26/1/10 is the tenth of January 2026.
    YearFirst,
}

impl DateOrder {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::DayFirst, Self::MonthFirst, Self::YearFirst];

    /// Its word in mappings, commands and forms.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::DayFirst => "day_first",
            Self::MonthFirst => "month_first",
            Self::YearFirst => "year_first",
        }
    }

    /// The order of a word.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|o| o.as_str() == name)
    }

    /// What comes first, in a word.
    #[must_use]
    pub fn first(self) -> &'static str {
        match self {
            Self::DayFirst => "day",
            Self::MonthFirst => "month",
            Self::YearFirst => "year",
        }
    }
}

impl<'de> Deserialize<'de> for DateOrder {
    /// Its word or, as mappings were kept before, whether the month is first.
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(untagged)]
        enum Written {
            MonthFirst(bool),
            Word(String),
        }
        match Written::deserialize(d)? {
            Written::MonthFirst(true) => Ok(Self::MonthFirst),
            Written::MonthFirst(false) => Ok(Self::DayFirst),
            Written::Word(word) => Self::from_name(&word).ok_or_else(|| {
                de::Error::custom(format!(
                    "`{word}` is not day_first, month_first or year_first"
                ))
            }),
        }
    }
}

/// Whether a text is a date without a clock time.
#[must_use]
pub fn is_date(text: &str) -> bool {
    DateOrder::ALL
        .into_iter()
        .any(|order| date(text.trim(), order).is_some())
}

/// Whether a text is a date at midnight, as spreadsheets write a date alone.
#[must_use]
pub fn is_midnight(text: &str) -> bool {
    DateOrder::ALL
        .into_iter()
        .filter_map(|order| civil(text.trim(), order))
        .any(|moment| moment.time() == Time::midnight())
}

/// Whether a text is a clock time without a date.
#[must_use]
pub fn is_clock(text: &str) -> bool {
    clock(text.trim()).is_some()
}

/// Learns from the cells of a column in which order its dates are written.
#[derive(Clone, Debug, Default)]
pub struct Dates {
    /// Whether any date reads differently in another order.
    matters: bool,
    read: [Read; 3],
}

/// What became of the dates in one order.
#[derive(Clone, Copy, Debug, Default)]
struct Read {
    /// Dates that it does not fit.
    misses: u32,
    /// Dates more than a day from the one in the line before.
    jumps: u32,
    newest: Option<Date>,
    before: Option<Date>,
}

impl Read {
    fn see(&mut self, date: Option<Date>) {
        let Some(date) = date else {
            self.misses += 1;
            return;
        };
        let apart = self.before.map_or(0, |before| (date - before).get_days());
        self.jumps += u32::from(apart.abs() > 1);
        self.newest = self.newest.max(Some(date));
        self.before = Some(date);
    }
}

impl Dates {
    /// One cell; what is no date in any order is passed over.
    pub fn see(&mut self, cell: &str) {
        let day = day_of(cell);
        let read = DateOrder::ALL.map(|order| date(day, order));
        if read.iter().all(Option::is_none) {
            return;
        }
        self.matters |= read.iter().any(|r| *r != read[0]);
        for (so_far, date) in self.read.iter_mut().zip(read) {
            so_far.see(date);
        }
    }

    /// The order that fits the most dates; of equals one that has none after today, that has them day
    /// after day (in the wrong order a logger's lines are months apart), in the nearest year. `None`
    /// where the order makes no difference.
    #[must_use]
    pub fn order(&self, today: Date) -> Option<DateOrder> {
        // Today's date may be tomorrow's elsewhere.
        let ahead = |newest: Date| (newest - today).get_days() > 1;
        let years = |newest: Date| (newest.year() - today.year()).abs();
        let best = DateOrder::ALL
            .into_iter()
            .zip(self.read)
            .min_by_key(|(_, read)| {
                let (ahead, years) = (read.newest.is_some_and(ahead), read.newest.map(years));
                (read.misses, ahead, read.jumps, years)
            });
        best.filter(|_| self.matters).map(|(order, _)| order)
    }
}

/// A date and a clock time.
pub(super) fn civil(text: &str, order: DateOrder) -> Option<DateTime> {
    let (day, time) = text.split_once(['T', ' ', ','])?;
    Some(date(day.trim(), order)?.to_datetime(clock(time.trim())?))
}

/// What stands before a clock time.
pub(super) fn day_of(text: &str) -> &str {
    let text = text.trim();
    text.split_once(['T', ' ', ','])
        .map_or(text, |(day, _)| day.trim())
}

/// A date of three numbers: a year of four digits first or last, else one of two digits (20xx) where
/// the order has it.
fn date(text: &str, order: DateOrder) -> Option<Date> {
    use DateOrder::{DayFirst, MonthFirst, YearFirst};
    let parts: Vec<&str> = text.split(['-', '.', '/']).collect();
    let [a, b, c] = parts[..] else { return None };
    let digits = |t: &str| (1..=4).contains(&t.len()) && t.bytes().all(|b| b.is_ascii_digit());
    if !(digits(a) && digits(b) && digits(c)) {
        return None;
    }
    let number = |t: &str| t.parse::<i16>().ok();
    let (year, month, day) = match (a.len(), c.len(), order) {
        (4, _, _) => (number(a)?, b, c),
        (_, 4, DayFirst) => (number(c)?, b, a),
        (_, 4, MonthFirst) => (number(c)?, a, b),
        (_, 2, DayFirst) => (2000 + number(c)?, b, a),
        (_, 2, MonthFirst) => (2000 + number(c)?, a, b),
        (2, _, YearFirst) => (2000 + number(a)?, b, c),
        _ => return None,
    };
    Date::new(year, month.parse().ok()?, day.parse().ok()?).ok()
}

/// `7:05`, `07:05:30`, `07:05:30.250`, `7:05 PM` or `07.05.30`.
fn clock(text: &str) -> Option<Time> {
    let upper = text.to_ascii_uppercase();
    let (bare, half) = match (upper.strip_suffix("AM"), upper.strip_suffix("PM")) {
        (Some(bare), _) => (bare, Some(false)),
        (_, Some(bare)) => (bare, Some(true)),
        _ => (upper.as_str(), None),
    };
    // Where points stand between, there must be two: 7.05 is a number.
    let points = !bare.contains(':') && bare.matches('.').count() == 2;
    let mut parts = bare.trim().split(if points { '.' } else { ':' });
    let hour: i8 = parts.next()?.parse().ok()?;
    let minute: i8 = parts.next()?.parse().ok()?;
    let seconds: f64 = match parts.next() {
        Some(s) => s.replace(',', ".").parse().ok()?,
        None => 0.0,
    };
    if parts.next().is_some() || !(0.0..60.0).contains(&seconds) {
        return None;
    }
    let hour = match half {
        None => hour,
        Some(_) if !(1..=12).contains(&hour) => return None,
        Some(afternoon) => hour % 12 + if afternoon { 12 } else { 0 },
    };
    let ms = (seconds * 1000.0).round().min(59_999.0) as i32;
    let (whole, rest) = (i8::try_from(ms / 1000).ok()?, ms % 1000);
    Time::new(hour, minute, whole, rest * 1_000_000).ok()
}

#[cfg(test)]
mod tests {
    use super::super::moment;
    use super::*;

    #[test]
    fn a_moment_a_date_and_a_clock_time_are_told_apart() {
        for (text, is) in [
            ("01/10/2026 07:05", [true, false, false]),
            ("2026-01-13T07:05:00Z", [true, false, false]),
            ("1768025100", [true, false, false]),
            ("1768025100250", [true, false, false]),
            ("2026-01-13", [false, true, false]),
            ("13/1/26", [false, true, false]),
            ("7:05", [false, false, true]),
            ("07.05.30", [false, true, true]),
            ("7:05:30 pm", [false, false, true]),
            ("104512345", [false; 3]),
            ("21.5", [false; 3]),
            ("7.05", [false; 3]),
            ("Time", [false; 3]),
            ("", [false; 3]),
        ] {
            assert_eq!(
                [moment::is_moment(text), is_date(text), is_clock(text)],
                is,
                "{text}"
            );
        }
    }

    #[test]
    fn the_order_of_dates_is_the_one_that_fits_best_what_a_logger_writes() {
        use DateOrder::{DayFirst, MonthFirst, YearFirst};
        for (cells, order) in [
            (&["01/10/2026 07:05"][..], Some(DayFirst)),
            (&["13/10/2026 07:05", "n/a"], Some(DayFirst)),
            (&["01/13/2026 7:05 AM"], Some(MonthFirst)),
            // The tenth and eleventh of January, not the first of October and of November.
            (&["01/10/2026 23:55", "01/11/2026 00:05"], Some(MonthFirst)),
            // Nothing was logged on the twelfth of October yet.
            (&["10/12/2025 23:55"], Some(DayFirst)),
            (&["01/12/2026 23:55"], Some(MonthFirst)),
            // Once a month says nothing.
            (&["03/01/2025", "02/02/2025"], Some(DayFirst)),
            (&["26/01/10"], Some(YearFirst)),
            (&["10/01/26"], Some(DayFirst)),
            (&["10/01/2026", "11/01/2026"], Some(DayFirst)),
            (&["26/01/10", "26/01/11"], Some(YearFirst)),
            (&["26-01-31 07:05", "26-02-01 07:05"], Some(YearFirst)),
            (&["10.01.26", "11.01.26"], Some(DayFirst)),
            (&["2026-01-13T07:05:00Z", "2026-01-14 07:05"], None),
            (&["1768025100", "", "21.5"], None),
        ] {
            let mut dates = Dates::default();
            cells.iter().for_each(|cell| dates.see(cell));
            assert_eq!(dates.order(Date::constant(2026, 11, 1)), order, "{cells:?}");
        }
    }

    #[test]
    fn a_mapping_kept_when_there_were_two_orders_is_still_read() {
        for (json, order) in [
            ("true", DateOrder::MonthFirst),
            ("false", DateOrder::DayFirst),
            ("\"year_first\"", DateOrder::YearFirst),
        ] {
            assert_eq!(serde_json::from_str::<DateOrder>(json).unwrap(), order);
        }
        for order in DateOrder::ALL {
            let json = serde_json::to_string(&order).unwrap();
            assert_eq!(json, format!("\"{}\"", order.as_str()));
        }
        assert!(serde_json::from_str::<DateOrder>("\"soon\"").is_err());
    }
}

//! How instants, spans, temperatures and numbers are written for a baker: in their own zone and
//! unit, converted here and nowhere else. A difference of temperatures converts without the 32.

use jiff::{Timestamp, ZonedDateTime, tz::TimeZone};

/// What a page needs to know to write times and temperatures.
#[derive(Clone, Debug)]
pub struct Show {
    /// The moment the page is made for.
    pub now: Timestamp,
    /// The baker's zone.
    pub zone: TimeZone,
    /// °F instead of °C.
    pub fahrenheit: bool,
}

impl Show {
    fn zoned(&self, at: Timestamp) -> ZonedDateTime {
        at.to_zoned_datetime(self.zone.clone())
    }

    /// `9:40`.
    #[must_use]
    pub fn clock(&self, at: Timestamp) -> String {
        let z = self.zoned(at);
        format!("{}:{:02}", z.hour(), z.minute())
    }

    /// `09:40`, as a time field wants it.
    #[must_use]
    pub fn clock_field(&self, at: Timestamp) -> String {
        let z = self.zoned(at);
        format!("{:02}:{:02}", z.hour(), z.minute())
    }

    /// The day, if it is not today: `yesterday`, `tomorrow`, `Tue`, `10 Jan`, `10 Jan 2025`.
    #[must_use]
    pub fn day(&self, at: Timestamp) -> Option<String> {
        let (then, today) = (self.zoned(at).date(), self.zoned(self.now).date());
        let days = (then - today).get_days();
        match days {
            0 => None,
            1 => Some("tomorrow".into()),
            -1 => Some("yesterday".into()),
            2..=6 => Some(then.strftime("%a").to_string()),
            _ if then.year() == today.year() => Some(then.strftime("%-d %b").to_string()),
            _ => Some(then.strftime("%-d %b %Y").to_string()),
        }
    }

    /// `9:40`, `tomorrow 6:10`, `10 Jan 6:10`.
    #[must_use]
    pub fn when(&self, at: Timestamp) -> String {
        match self.day(at) {
            None => self.clock(at),
            Some(day) => format!("{day} {}", self.clock(at)),
        }
    }

    /// How long ago: `just now`, `20 s ago`, `4 min ago`, `2 h ago`, `3 days ago`.
    #[must_use]
    pub fn ago(&self, at: Timestamp) -> String {
        let s = self.now.duration_since(at).as_secs();
        match s {
            ..=4 => "just now".into(),
            5..=89 => format!("{s} s ago"),
            90..=5399 => format!("{} min ago", (s + 30) / 60),
            5400..=172_799 => format!("{} h ago", (s + 1800) / 3600),
            _ => format!("{} days ago", s / 86_400),
        }
    }

    /// `24.1 °C`.
    #[must_use]
    pub fn temperature(&self, celsius: f64) -> String {
        format!("{} {}", number(self.degrees(celsius), 1), self.unit())
    }

    /// The bare number in the baker's unit.
    #[must_use]
    pub fn degrees(&self, celsius: f64) -> f64 {
        if self.fahrenheit {
            celsius * 1.8 + 32.0
        } else {
            celsius
        }
    }

    /// A difference in the baker's unit (no 32), with its sign: `+0.4 °C`.
    #[must_use]
    pub fn difference(&self, celsius: f64) -> String {
        let d = if self.fahrenheit {
            celsius * 1.8
        } else {
            celsius
        };
        let sign = if d < 0.0 { "−" } else { "+" };
        format!("{sign}{} {}", number(d.abs(), 2), self.unit())
    }

    /// What the baker typed, in °C.
    #[must_use]
    pub fn to_celsius(&self, typed: f64) -> f64 {
        if self.fahrenheit {
            (typed - 32.0) / 1.8
        } else {
            typed
        }
    }

    /// `°C` or `°F`.
    #[must_use]
    pub fn unit(&self) -> &'static str {
        if self.fahrenheit { "°F" } else { "°C" }
    }

    /// A temperature as a number field holds it; empty when there is none.
    #[must_use]
    pub fn field(&self, celsius: Option<f64>) -> String {
        celsius.map_or_else(String::new, |c| number(self.degrees(c), 1))
    }
}

/// At most `decimals` decimals, no zeros behind.
#[must_use]
pub fn number(value: f64, decimals: usize) -> String {
    // People round a half up; formatting alone would round it to the even digit.
    let scale = 10_f64.powi(decimals as i32);
    let value = (value * scale).round() / scale;
    let text = format!("{value:.decimals$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        &text
    };
    if text == "-0" {
        "0".into()
    } else {
        text.into()
    }
}

/// `1 h 35 min`, `35 min`.
#[must_use]
pub fn minutes(min: f64) -> String {
    let total = min.max(0.0).round() as i64;
    match (total / 60, total % 60) {
        (0, m) => format!("{m} min"),
        (h, 0) => format!("{h} h"),
        (h, m) => format!("{h} h {m} min"),
    }
}

/// `42 %`.
#[must_use]
pub fn percent(fraction: f64) -> String {
    format!("{} %", number(fraction * 100.0, 0))
}

/// How far it has grown: `not yet`, `42 % up`, `doubled`, `2.4 times its size`.
#[must_use]
pub fn rise(fraction: f64) -> String {
    match fraction {
        f if f < 0.02 => "not risen yet".into(),
        f if (f - 1.0).abs() < 0.03 => "doubled".into(),
        f if f > 1.2 => format!("{} times its size", number(1.0 + f, 1)),
        f => format!("{} up", percent(f)),
    }
}

/// A path segment or query value, percent-encoded (RFC 3986, unreserved characters stay).
#[must_use]
pub fn encode(text: &str) -> String {
    use std::fmt::Write as _;
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                out.push(char::from(byte));
            }
            _ => {
                // Writing into a String cannot fail.
                let _ = write!(out, "%{byte:02X}");
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn show(now: &str, zone: &str, fahrenheit: bool) -> Show {
        Show {
            now: now.parse().unwrap(),
            zone: TimeZone::get(zone).unwrap(),
            fahrenheit,
        }
    }

    #[test]
    fn the_day_is_named_only_when_it_is_another_one() {
        let s = show("2026-01-10T22:30:00Z", "Europe/Oslo", false);
        // 23:30 in Oslo: one hour on is tomorrow there, though not yet in UTC.
        assert_eq!(s.when("2026-01-10T22:45:00Z".parse().unwrap()), "23:45");
        assert_eq!(
            s.when("2026-01-10T23:10:00Z".parse().unwrap()),
            "tomorrow 0:10"
        );
        assert_eq!(
            s.when("2026-01-09T05:05:00Z".parse().unwrap()),
            "yesterday 6:05"
        );
        assert_eq!(
            s.when("2026-01-02T05:05:00Z".parse().unwrap()),
            "2 Jan 6:05"
        );
        assert_eq!(
            s.when("2025-12-02T05:05:00Z".parse().unwrap()),
            "2 Dec 2025 6:05"
        );
    }

    #[test]
    fn the_night_the_clocks_change_is_written_by_instant() {
        // Norway's clocks went from 2:00 to 3:00 on 29 March 2026, 01:00 UTC (IANA tzdata).
        let s = show("2026-03-29T00:30:00Z", "Europe/Oslo", false);
        assert_eq!(s.clock("2026-03-29T00:59:00Z".parse().unwrap()), "1:59");
        assert_eq!(s.clock("2026-03-29T01:00:00Z".parse().unwrap()), "3:00");
    }

    #[test]
    fn fahrenheit_converts_values_with_the_32_and_differences_without() {
        // Fixed points by definition: 0 °C = 32 °F, 100 °C = 212 °F.
        let s = show("2026-01-10T06:00:00Z", "UTC", true);
        assert_eq!(s.temperature(0.0), "32 °F");
        assert_eq!(s.temperature(100.0), "212 °F");
        assert_eq!(s.difference(-0.5), "−0.9 °F");
        assert!((s.to_celsius(s.degrees(24.1)) - 24.1).abs() < 1e-12);
    }

    #[test]
    fn spans_and_rises_read_like_speech() {
        assert_eq!(minutes(95.0), "1 h 35 min");
        assert_eq!(minutes(120.0), "2 h");
        assert_eq!(rise(0.42), "42 % up");
        assert_eq!(rise(1.0), "doubled");
        assert_eq!(rise(1.5), "2.5 times its size");
        assert_eq!(number(-0.04, 1), "0");
        assert_eq!(
            (number(23.75, 1), number(26.25, 1)),
            ("23.8".into(), "26.3".into())
        );
    }

    #[test]
    fn names_survive_in_addresses() {
        assert_eq!(encode("café/1?x=#"), "caf%C3%A9%2F1%3Fx%3D%23");
    }
}

//! How a message says temperatures, times and whereabouts: short enough for a lock screen.

use crate::config::display::TemperatureUnit;
use crate::time::UtcMs;

/// How times and temperatures are said, and where links lead.
#[derive(Clone, Debug)]
pub struct Speech {
    /// The baker's time zone.
    pub zone: jiff::tz::TimeZone,
    /// °C or °F.
    pub unit: TemperatureUnit,
    /// What links begin with, without a slash at the end: `http://127.0.0.1:8080`.
    pub base: String,
}

impl Default for Speech {
    fn default() -> Self {
        Self {
            zone: jiff::tz::TimeZone::UTC,
            unit: TemperatureUnit::Celsius,
            base: String::new(),
        }
    }
}

impl Speech {
    /// A temperature: `31.5 °C`, or whole degrees in °F.
    #[must_use]
    pub fn degrees(&self, celsius: f64) -> String {
        match self.unit {
            TemperatureUnit::Celsius => {
                let tenths = (celsius * 10.0).round() / 10.0;
                format!("{tenths} °C")
            }
            TemperatureUnit::Fahrenheit => format!("{:.0} °F", celsius * 1.8 + 32.0),
        }
    }

    /// A difference of temperatures: `1.5 °C`, or in °F without the 32.
    #[must_use]
    pub fn difference(&self, celsius: f64) -> String {
        let tenths = |degrees: f64| (degrees * 10.0).round() / 10.0;
        match self.unit {
            TemperatureUnit::Celsius => format!("{} °C", tenths(celsius)),
            TemperatureUnit::Fahrenheit => format!("{} °F", tenths(celsius * 1.8)),
        }
    }

    /// A moment as a clock says it; with the weekday when it is not on the day of `now`.
    #[must_use]
    pub fn clock(&self, at: UtcMs, now: UtcMs) -> String {
        let at = at.timestamp().to_zoned_datetime(self.zone.clone());
        let now = now.timestamp().to_zoned_datetime(self.zone.clone());
        if at.date() == now.date() {
            at.strftime("%H:%M").to_string()
        } else {
            at.strftime("%a %H:%M").to_string()
        }
    }

    /// A span: `4 min`, `1 h 10 min`.
    #[must_use]
    pub fn span(&self, seconds: f64) -> String {
        let minutes = (seconds / 60.0).round().max(0.0) as i64;
        match (minutes / 60, minutes % 60) {
            (0, 0) => format!("{:.0} s", seconds.max(0.0)),
            (0, m) => format!("{m} min"),
            (h, 0) => format!("{h} h"),
            (h, m) => format!("{h} h {m} min"),
        }
    }

    /// Names joined as one says them: `a`, `a and b`, `a, b and c`.
    #[must_use]
    pub fn list<S: AsRef<str>>(&self, names: &[S]) -> String {
        match names {
            [] => String::new(),
            [one] => one.as_ref().to_owned(),
            [rest @ .., last] => {
                let rest: Vec<&str> = rest.iter().map(AsRef::as_ref).collect();
                format!("{} and {}", rest.join(", "), last.as_ref())
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn temperatures_and_clock_follow_the_display() {
        let mut say = Speech {
            zone: jiff::tz::TimeZone::get("Europe/Oslo").unwrap(),
            ..Speech::default()
        };
        assert_eq!(say.degrees(31.46), "31.5 °C");
        assert_eq!(say.degrees(32.0), "32 °C");
        say.unit = TemperatureUnit::Fahrenheit;
        // 100 °C and 212 °F are one temperature by the scale's definition.
        assert_eq!(say.degrees(100.0), "212 °F");
        assert_eq!(say.difference(100.0), "180 °F");
        let now = UtcMs::parse("2026-01-10T22:30:00Z").unwrap();
        assert_eq!(say.clock(now, now), "23:30");
        // Past midnight in Oslo, not yet in UTC.
        let later = UtcMs::parse("2026-01-10T23:10:00Z").unwrap();
        assert_eq!(say.clock(later, now), "Sun 00:10");
        assert_eq!(say.span(70.0 * 60.0), "1 h 10 min");
        assert_eq!(say.list(&["a", "b", "c"]), "a, b and c");
    }
}

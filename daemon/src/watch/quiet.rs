//! Quiet hours: when phones are told of urgent things only. The rest waits, and is told when they
//! end if it is still true. A baker's night is working time: there are none unless set.

use crate::time::UtcMs;

/// A daily stretch by the wall clock, possibly past midnight.
#[derive(Clone, Debug, PartialEq)]
pub struct QuietHours {
    from: jiff::civil::Time,
    to: jiff::civil::Time,
}

impl QuietHours {
    /// Reads `22:00-05:00`.
    ///
    /// # Errors
    /// One line that quotes the text.
    pub fn parse(text: &str) -> Result<Self, String> {
        let bad = || format!("`{text}` are no quiet hours: write them like `22:00-05:00`");
        let (from, to) = text.split_once('-').ok_or_else(bad)?;
        let time =
            |part: &str| jiff::civil::Time::strptime("%H:%M", part.trim()).map_err(|_| bad());
        let hours = Self {
            from: time(from)?,
            to: time(to)?,
        };
        if hours.from == hours.to {
            return Err(bad());
        }
        Ok(hours)
    }

    /// When the quiet hours that are on at `now` end; `None` when they are not on.
    #[must_use]
    pub fn until(&self, now: UtcMs, zone: &jiff::tz::TimeZone) -> Option<UtcMs> {
        let local = now.timestamp().to_zoned_datetime(zone.clone());
        let time = local.time();
        let past_midnight = self.from > self.to;
        let on = if past_midnight {
            time >= self.from || time < self.to
        } else {
            time >= self.from && time < self.to
        };
        if !on {
            return None;
        }
        let date = if past_midnight && time >= self.from {
            local.date().tomorrow().ok()?
        } else {
            local.date()
        };
        let end = date
            .to_datetime(self.to)
            .to_zoned_datetime(zone.clone())
            .ok()?;
        Some(UtcMs(end.timestamp().as_millisecond()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hours_past_midnight_end_the_next_morning_also_when_the_clocks_change() {
        let zone = jiff::tz::TimeZone::get("Europe/Oslo").unwrap();
        let quiet = QuietHours::parse("22:00-05:00").unwrap();
        let at = |text: &str| UtcMs::parse(text).unwrap();
        assert_eq!(quiet.until(at("2026-01-10T20:59:59Z"), &zone), None);
        assert_eq!(
            quiet.until(at("2026-01-10T21:00:00Z"), &zone),
            Some(at("2026-01-11T04:00:00Z"))
        );
        assert_eq!(
            quiet.until(at("2026-01-11T03:59:59Z"), &zone),
            Some(at("2026-01-11T04:00:00Z"))
        );
        assert_eq!(quiet.until(at("2026-01-11T04:00:00Z"), &zone), None);
        // 2026-03-29: clocks go forward in Oslo; five in the morning is 03:00 UTC.
        assert_eq!(
            quiet.until(at("2026-03-28T22:00:00Z"), &zone),
            Some(at("2026-03-29T03:00:00Z"))
        );
        for bad in ["22:00", "25:00-05:00", "22:00-22:00", ""] {
            assert!(QuietHours::parse(bad).is_err(), "{bad}");
        }
    }
}

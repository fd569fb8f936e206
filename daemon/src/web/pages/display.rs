//! Unit and zone for pages. And "when was it?".

use axum::http::StatusCode;
use doughwarden_dashboards::show::Show;
use jiff::{SignedDuration, ToSpan as _};

use super::Fields;
use crate::app::App;
use crate::time::UtcMs;
use crate::web::problem::Problem;

pub use crate::display::SETTING;

/// How times and temperatures are written.
///
/// # Errors
/// If the store cannot be read.
pub fn show(app: &App) -> Result<Show, Problem> {
    Ok(crate::display::show(app)?)
}

/// The longest "minutes ago" taken: two days.
const LONGEST_AGO_MIN: f64 = 2880.0;

/// The moment a form's "when was it?" means, in whole seconds, so that two taps in one second
/// are one entry.
///
/// # Errors
/// If it cannot be read.
pub fn when(fields: &Fields, show: &Show) -> Result<UtcMs, Problem> {
    let now = UtcMs(show.now.as_second() * 1000);
    match fields.text("when").unwrap_or("now") {
        "now" => Ok(now),
        "ago" => {
            let minutes = fields
                .number("ago_min", "Minutes ago")?
                .filter(|m| (0.0..=LONGEST_AGO_MIN).contains(m))
                .ok_or_else(|| {
                    Problem::unprocessable("Say how many minutes ago, up to two days.")
                })?;
            Ok(now.plus_min(-minutes))
        }
        "clock" => clock(fields.need("clock", "The clock time")?, now, show),
        other => Err(Problem::new(
            StatusCode::BAD_REQUEST,
            "Not understood",
            format!("`{other}` is no way to say when."),
        )),
    }
}

/// The last moment not after `before` (half a minute of grace) at which the clock showed `text`.
///
/// # Errors
/// If `text` is no clock time.
pub fn clock(text: &str, before: UtcMs, show: &Show) -> Result<UtcMs, Problem> {
    // `9:40` is as good as `09:40`.
    let padded = if text.find(':') == Some(1) { "0" } else { "" };
    let time = format!("{padded}{text}")
        .parse::<jiff::civil::Time>()
        .map_err(|_| Problem::unprocessable(format!("`{text}` is not a clock time, like 9:40.")))?;
    let limit = before
        .timestamp()
        .checked_add(SignedDuration::from_secs(30))
        .map_err(|_| Problem::internal())?;
    let today = before
        .timestamp()
        .to_zoned_datetime(show.zone.clone())
        .date();
    for days_back in 0..=2_i64 {
        let Ok(day) = today.checked_sub(days_back.days()) else {
            continue;
        };
        // A clock time that a change of clocks skipped or doubled means the usual one of the two.
        let Ok(moment) = day.to_datetime(time).to_zoned_datetime(show.zone.clone()) else {
            continue;
        };
        if moment.timestamp() <= limit {
            return Ok(UtcMs(moment.timestamp().as_millisecond()));
        }
    }
    Err(Problem::internal())
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;

    use super::*;

    fn show() -> Show {
        Show {
            now: "2026-01-10T05:10:20.5Z".parse().unwrap(),
            zone: TimeZone::get("Europe/Oslo").unwrap(),
            fahrenheit: false,
        }
    }

    fn at(fields: &[(&str, &str)]) -> Result<String, String> {
        let fields = Fields(
            fields
                .iter()
                .map(|(n, v)| ((*n).to_owned(), (*v).to_owned()))
                .collect(),
        );
        when(&fields, &show())
            .map(|t| t.to_string())
            .map_err(|p| p.detail)
    }

    /// The EU's changes of clocks in Oslo, and a leap day.
    #[test]
    fn a_clock_time_is_found_also_where_clocks_change() {
        let at = |now: &str, text: &str| {
            let show = Show {
                now: now.parse().unwrap(),
                ..show()
            };
            clock(text, UtcMs::parse(now).unwrap(), &show)
                .unwrap()
                .to_string()
        };
        // Just after the change forward it is 3:10; 1:50 was twenty minutes ago.
        assert_eq!(at("2026-03-29T01:10:00Z", "1:50"), "2026-03-29T00:50:00Z");
        // 2:30 was skipped that night: the moment that would have been it.
        assert_eq!(at("2026-03-29T02:10:00Z", "2:30"), "2026-03-29T01:30:00Z");
        // 2:30 came twice in autumn; the first is meant, also once the second is past.
        assert_eq!(at("2026-10-25T00:40:00Z", "2:30"), "2026-10-25T00:30:00Z");
        assert_eq!(at("2026-10-25T02:40:00Z", "2:30"), "2026-10-25T00:30:00Z");
        // Across the change, last night's ten o'clock stays last night's.
        assert_eq!(at("2026-10-25T06:00:00Z", "22:00"), "2026-10-24T20:00:00Z");
        assert_eq!(at("2028-03-01T05:00:00Z", "22:00"), "2028-02-29T21:00:00Z");
    }

    #[test]
    fn now_minutes_ago_and_a_clock_time_mean_what_a_baker_means() {
        assert_eq!(at(&[]).unwrap(), "2026-01-10T05:10:20Z");
        assert_eq!(
            at(&[("when", "ago"), ("ago_min", "12,5")]).unwrap(),
            "2026-01-10T04:57:50Z"
        );
        // It is 6:10 in Oslo.
        assert_eq!(
            at(&[("when", "clock"), ("clock", "05:45")]).unwrap(),
            "2026-01-10T04:45:00Z"
        );
        // Later than now can only be last night's.
        assert_eq!(
            at(&[("when", "clock"), ("clock", "22:30")]).unwrap(),
            "2026-01-09T21:30:00Z"
        );
        assert!(at(&[("when", "ago"), ("ago_min", "-3")]).is_err());
        assert!(
            at(&[("when", "clock"), ("clock", "26:00")])
                .unwrap_err()
                .contains("26:00")
        );
    }
}

//! Numbers as recipes write them.

use super::readers_table::Span;

/// °C as whole °F.
///
/// ```
/// use doughwarden_model::planning::fahrenheit;
/// assert_eq!((fahrenheit(24.0), fahrenheit(4.0)), (75, 39));
/// ```
pub fn fahrenheit(celsius: f64) -> i64 {
    (celsius * 1.8 + 32.0).round() as i64
}

/// The step to which recipes give a time of so many minutes.
fn grain(minutes: f64) -> f64 {
    match minutes {
        m if m < 45.0 => 5.0,
        m if m < 180.0 => 15.0,
        m if m < 480.0 => 30.0,
        _ => 60.0,
    }
}

/// Rounded down as recipes round, though never to nothing.
pub(super) fn rounded_down(minutes: f64) -> f64 {
    let g = grain(minutes);
    ((minutes / g + 1e-9).floor() * g).max(5.0)
}

/// Rounded up as recipes round.
pub(super) fn rounded_up(minutes: f64) -> f64 {
    let g = grain(minutes);
    (minutes / g - 1e-9).ceil() * g
}

fn time(minutes: f64) -> String {
    let m = minutes.round() as i64;
    match (m / 60, m % 60) {
        (0, m) => format!("{m} min"),
        (h, 0) => format!("{h} h"),
        (h, m) => format!("{h} h {m} min"),
    }
}

/// A range of minutes as recipes write it, its ends rounded outwards.
///
/// ```
/// use doughwarden_model::planning::{Span, span_in_words};
/// let words = |low, high| span_in_words(&Span { low_min: Some(low), middle_min: None, high_min: Some(high) });
/// assert_eq!(words(37.0, 58.0), "35 min to 1 h");
/// assert_eq!(words(31.0, 44.0), "30 to 45 min");
/// assert_eq!(words(80.0, 128.0), "1 h 15 min to 2 h 15 min");
/// ```
pub fn span_in_words(span: &Span) -> String {
    match (
        span.low_min.map(rounded_down),
        span.high_min.map(rounded_up),
    ) {
        (Some(low), Some(high)) if low >= high => format!("about {}", time(low)),
        (Some(low), Some(high)) if high < 60.0 => format!("{low:.0} to {}", time(high)),
        (Some(low), Some(high)) => format!("{} to {}", time(low), time(high)),
        (Some(low), None) => format!("more than {}", time(low)),
        _ => "does not rise".to_owned(),
    }
}

/// A rise (1 = doubled) as a cue for the eye, after "has".
///
/// ```
/// use doughwarden_model::planning::rise_in_words;
/// assert_eq!(rise_in_words(0.8), "grown by about four fifths");
/// assert_eq!(rise_in_words(1.02), "doubled");
/// ```
pub fn rise_in_words(rise: f64) -> &'static str {
    const CUES: [(f64, &str); 12] = [
        (0.0, "hardly grown"),
        (0.25, "grown by about a quarter"),
        (0.33, "grown by about a third"),
        (0.5, "grown by about half"),
        (0.67, "grown by about two thirds"),
        (0.75, "grown by about three quarters"),
        (0.8, "grown by about four fifths"),
        (0.9, "not quite doubled"),
        (1.0, "doubled"),
        (1.25, "a little more than doubled"),
        (1.5, "reached two and a half times its size"),
        (2.0, "reached three times its size"),
    ];
    CUES.iter()
        .min_by(|a, b| (a.0 - rise).abs().total_cmp(&(b.0 - rise).abs()))
        .map_or("grown", |c| c.1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn rounding_only_widens(m in 5.0..3000.0f64) {
            prop_assert!(rounded_down(m) <= m + 1e-6 && rounded_up(m) >= m - 1e-6);
            prop_assert!(rounded_up(m) - rounded_down(m) <= 60.0 + 1e-6);
        }
    }
}

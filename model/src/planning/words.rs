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
        m if m < 57.5 => 5.0,
        m if m < 172.5 => 15.0,
        m if m < 465.0 => 30.0,
        _ => 60.0,
    }
}

/// Rounded to the nearest as recipes round, though never to nothing.
pub(super) fn rounded(minutes: f64) -> f64 {
    let g = grain(minutes);
    ((minutes / g).round() * g).max(5.0)
}

/// One time as recipes write it.
pub(super) fn time_in_words(minutes: f64) -> String {
    let m = rounded(minutes) as i64;
    match (m / 60, m % 60) {
        (0, m) => format!("{m} min"),
        (h, 0) => format!("{h} h"),
        (h, m) => format!("{h} h {m} min"),
    }
}

/// A time and its range as recipes write them.
///
/// ```
/// use doughwarden_model::planning::{Span, span_in_words};
/// let words = |low, middle, high| span_in_words(&Span {
///     low_min: Some(low), middle_min: Some(middle), high_min: Some(high) });
/// assert_eq!(words(37.0, 47.0, 61.0), "45 min (35 min to 1 h)");
/// assert_eq!(words(31.0, 36.0, 44.0), "35 min (30 to 45 min)");
/// assert_eq!(words(80.0, 100.0, 128.0), "1 h 45 min (1 h 15 min to 2 h 15 min)");
/// ```
pub fn span_in_words(span: &Span) -> String {
    let range = match (span.low_min, span.high_min) {
        (Some(low), Some(high)) if rounded(high) - rounded(low) < 1.0 => return time_in_words(low),
        (Some(low), Some(high)) if rounded(high) < 60.0 => {
            format!("{:.0} to {}", rounded(low), time_in_words(high))
        }
        (Some(low), Some(high)) => format!("{} to {}", time_in_words(low), time_in_words(high)),
        (Some(low), None) => format!("more than {}", time_in_words(low)),
        _ => return "does not rise".to_owned(),
    };
    match span.middle_min {
        Some(middle) => format!("{} ({range})", time_in_words(middle)),
        None => range,
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
        fn rounding_keeps_the_order_and_moves_little(a in 5.0..3000.0f64, b in 5.0..3000.0f64) {
            let (low, high) = (a.min(b), a.max(b));
            prop_assert!(rounded(low) <= rounded(high));
            prop_assert!((rounded(a) - a).abs() <= 0.5 * grain(a) + 1e-9 && grain(a) <= 0.27 * a.max(19.0));
        }
    }
}

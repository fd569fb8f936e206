//! A sensor's dated correction: an offset from one point, a line from two. The raw value is kept
//! beside the corrected one by whoever calls.

use crate::config::sensor::Correction;
use crate::time::UtcMs;

/// Two points closer than this (in the quantity's unit) make no line: their mean offset is used.
const SAME_POINT: f64 = 1e-6;

/// The value corrected by whichever correction is in force at that time.
#[must_use]
pub fn corrected(corrections: &[Correction], time: UtcMs, shown: f64) -> f64 {
    let in_force = corrections
        .iter()
        .filter(|c| c.from <= time)
        .max_by_key(|c| c.from);
    let Some(correction) = in_force else {
        return shown;
    };
    match correction.points[..] {
        [[at, is]] => shown + (is - at),
        [[a_shown, a_is], [b_shown, b_is], ..] => {
            if (b_shown - a_shown).abs() < SAME_POINT {
                return shown + (a_is + b_is) / 2.0 - (a_shown + b_shown) / 2.0;
            }
            a_is + (shown - a_shown) * (b_is - a_is) / (b_shown - a_shown)
        }
        [] => shown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from(at: i64, points: &[[f64; 2]]) -> Correction {
        Correction {
            from: UtcMs(at),
            points: points.to_vec(),
        }
    }

    #[test]
    fn the_correction_in_force_at_the_time_counts() {
        let all = [
            from(2000, &[[0.5, 0.0], [99.5, 100.0]]),
            from(1000, &[[21.0, 20.5]]),
        ];
        assert!((corrected(&all, UtcMs(999), 30.0) - 30.0).abs() < 1e-12);
        assert!((corrected(&all, UtcMs(1000), 30.0) - 29.5).abs() < 1e-12);
        // Two fixed points, ice and boiling water at sea level, as in a thermometer's usual check.
        for (shown, is) in [(0.5, 0.0), (99.5, 100.0), (50.0, 50.0)] {
            assert!((corrected(&all, UtcMs(2000), shown) - is).abs() < 1e-9);
        }
    }

    #[test]
    fn two_equal_points_are_an_offset() {
        let all = [from(0, &[[20.0, 20.4], [20.0, 20.6]])];
        assert!((corrected(&all, UtcMs(1), 25.0) - 25.5).abs() < 1e-9);
        assert!((corrected(&[from(0, &[])], UtcMs(1), 25.0) - 25.0).abs() < 1e-12);
    }
}

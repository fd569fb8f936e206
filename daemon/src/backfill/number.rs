//! A number as people's files write it: `21.5`, `21,5`, with a unit behind it, or no number at all.

/// What stands for "no value" in files that loggers write.
const NOTHING: [&str; 10] = [
    "",
    "-",
    "--",
    "---",
    "nan",
    "null",
    "none",
    "n/a",
    "unavailable",
    "unknown",
];

/// Reads a cell. `Ok(None)`: it says that there is no value.
///
/// # Errors
/// It says something else.
pub fn read(cell: &str) -> Result<Option<f64>, String> {
    let text = cell.trim();
    if NOTHING.iter().any(|n| n.eq_ignore_ascii_case(text)) {
        return Ok(None);
    }
    let bare = text
        .trim_end_matches(|c: char| matches!(c, '%' | '°' | 'C' | 'F' | 'K') || c.is_whitespace())
        .replace(['\u{2212}'], "-");
    let bare = match (bare.matches(',').count(), bare.contains('.')) {
        (0, _) => bare,
        // A comma is the decimal sign of half the world.
        (1, false) => bare.replace(',', "."),
        _ => return Err(format!("`{}` is no number this can read", cut(text))),
    };
    match bare.parse::<f64>() {
        Ok(number) if number.is_finite() => Ok(Some(number)),
        _ => Err(format!("`{}` is no number", cut(text))),
    }
}

/// As much of a cell as fits into a line.
pub(super) fn cut(text: &str) -> String {
    const SHOWN: usize = 40;
    text.chars().take(SHOWN).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_comma_is_as_good_as_a_point_and_nothing_is_no_value() {
        for (text, number) in [
            ("21.5", 21.5),
            (" 21,5 ", 21.5),
            ("\u{2212}3", -3.0),
            ("61 %", 61.0),
            ("70.1 °F", 70.1),
            ("1e1", 10.0),
        ] {
            assert_eq!(read(text), Ok(Some(number)), "{text}");
        }
        for text in ["", " ", "NaN", "unavailable", "--"] {
            assert_eq!(read(text), Ok(None), "{text}");
        }
        for text in ["1.013,25", "1,0,0", "warm", "inf", "2026-01-10"] {
            assert!(read(text).is_err(), "{text}");
        }
    }
}

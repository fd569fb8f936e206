//! Flour and yeast lots, where they are noted: a new one widens the range until its first mark.

use doughwarden_model::calibration::Subject;

use super::inputs::known_end;
use crate::batches::book::Book;
use crate::batches::record::{Batch, Outcome};
use crate::time::UtcMs;

/// How far a lot's pace strays from the last one's: standard deviation of its logarithm (own choice;
/// yeasts of one kind differ by about a tenth in gas made, common practice, no published source).
const LOT_LN_SD: f64 = 0.08;

/// The lots of a batch, by what they are of.
fn lots(batch: &Batch) -> impl Iterator<Item = (&str, String)> {
    ["flour", "yeast"].into_iter().filter_map(|what| {
        let lot = batch.lot.as_ref()?.get(what)?;
        let name = lot.as_str().map_or_else(|| lot.to_string(), str::to_owned);
        (!name.trim().is_empty()).then(|| (what, name.trim().to_lowercase()))
    })
}

/// The lots of a batch of which no proof had ended by a moment, though others had: `flour lot b12`.
/// A book without lots has none.
#[must_use]
pub fn new(book: &Book, batch: &Batch, at: UtcMs) -> Vec<String> {
    lots(batch)
        .filter(|(what, name)| {
            let mut before = book
                .stages
                .values()
                .filter(|s| {
                    matches!(
                        known_end(s, at),
                        Some((_, Outcome::Ready | Outcome::Under | Outcome::Over))
                    )
                })
                .filter_map(|s| book.batches.get(&s.batch))
                .peekable();
            before.peek().is_some()
                && !before.any(|b| lots(b).any(|(w, n)| w == *what && n == *name))
        })
        .map(|(what, name)| format!("{what} lot {name}"))
        .collect()
}

/// The same stage with the doubt that new lots bring.
#[must_use]
pub fn widened(subject: Subject, new: &[String]) -> Subject {
    if new.is_empty() {
        return subject;
    }
    let extra_sd = subject
        .extra_sd
        .hypot(LOT_LN_SD * (new.len() as f64).sqrt());
    Subject {
        extra_sd,
        ..subject
    }
}

#[cfg(test)]
mod tests {
    use crate::forecasts::tests::{KITCHEN, air, bench, history};

    #[test]
    fn a_new_lot_widens_the_range_until_its_first_mark() {
        let times = [88.0, 93.0, 90.0, 95.0, 89.0, 91.0];
        let ask = |past: &str, own: &str| {
            let lines = format!(
                "{KITCHEN}{}{}",
                history(&times),
                air("shelf", -30, 20, |_| 24.0)
            );
            let lines = lines
                .replace(
                    "\"place\":\"shelf\",\"pieces\"",
                    &format!("\"place\":\"shelf\"{own},\"pieces\""),
                )
                .replace(
                    "\"place\":\"shelf\"}",
                    &format!("\"place\":\"shelf\"{past}}}"),
                );
            let d = bench(&lines).forecast("08:20");
            let width = d
                .ready
                .p90
                .expect("soon")
                .seconds_since(d.ready.p10.expect("soon"));
            (width / 60.0, d)
        };
        let a = r#","lot":{"flour":"A7"}"#;
        let b = r#","lot":{"flour":"B2"}"#;
        let (none, plain) = ask("", "");
        let (same, _) = ask(a, a);
        let (new, told) = ask(a, b);
        assert!(new > 1.1 * same, "{new} {same}");
        assert!((same - none).abs() < 0.05, "{same} {none}");
        assert!(
            told.evidence.iter().any(|e| e.contains("flour lot b2")),
            "{:?}",
            told.evidence
        );
        assert!(!plain.evidence.iter().any(|e| e.contains("lot")));
        // A house's very first bake has nothing to differ from.
        let first = KITCHEN.replace("\"pieces\"", "\"lot\":{\"flour\":\"B2\"},\"pieces\"");
        assert_eq!(
            bench(&first).forecast("08:20").ready,
            bench(KITCHEN).forecast("08:20").ready
        );
    }
}

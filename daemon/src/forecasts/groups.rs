//! What a bake has in common with some bakes and not with others, for reasons that no reading shows:
//! the place it stands in, the season, and the lots of flour and yeast where they are noted. The
//! calibration learns how far each is off; one it has not met widens the range until its first mark.

use doughwarden_model::calibration::Group;
use jiff::tz::TimeZone;

use super::inputs::known_end;
use crate::batches::book::Book;
use crate::batches::record::{Batch, Outcome};
use crate::time::UtcMs;

/// How far a lot's pace strays from another's: standard deviation of its logarithm (own choice;
/// yeasts of one kind differ by about a tenth in gas made, common practice, no published source).
const LOT_LN_SD: f64 = 0.08;
/// The same of a place: a third of a degree between its thermometer and the next is 3 % of the time
/// (own choice).
const PLACE_LN_SD: f64 = 0.03;
/// The same of a season, beyond what its temperatures explain: flour and air (own choice).
const SEASON_LN_SD: f64 = 0.015;

/// Quarters of the year as meteorology cuts it: the same months on both halves of the world.
const SEASONS: [&str; 4] = [
    "December to February",
    "March to May",
    "June to August",
    "September to November",
];

/// Which quarter of the year a month (1 to 12) is in, December to February first.
#[must_use]
pub fn quarter(month: i8) -> usize {
    usize::from(month.rem_euclid(12).unsigned_abs()) / 3
}

/// The season a place is in at a moment, as its user cuts the year there or in a place around it: which
/// one in the year's order, and its name. None where nobody has said; then the quarters hold.
#[must_use]
pub fn own_season<'a>(
    book: &'a Book,
    place: &str,
    at: UtcMs,
    zone: &TimeZone,
) -> Option<(usize, &'a str)> {
    let mut here = book.places.get(place);
    // A place can stand in one that stands in another, though not for ever.
    let mut left = book.places.len();
    while let Some(p) = here.filter(|p| p.seasons.is_empty()) {
        left = left.checked_sub(1)?;
        here = p.inside.as_ref().and_then(|inside| book.places.get(inside));
    }
    let date = at.timestamp().to_zoned_datetime(zone.clone()).date();
    let mut seasons: Vec<((i8, i8), &str)> = here?
        .seasons
        .iter()
        .filter_map(|s| Some((s.first_day()?, s.name.as_str())))
        .collect();
    seasons.sort_unstable();
    // Before the year's first one it is still the last.
    let begun = seasons.partition_point(|s| s.0 <= (date.month(), date.day()));
    let which = begun
        .checked_sub(1)
        .unwrap_or(seasons.len().checked_sub(1)?);
    let name = seasons[which].1;
    // A name given twice is one season.
    let first = seasons.iter().position(|s| s.1 == name).unwrap_or(which);
    Some((first, name))
}

/// A batch's lot of `flour` or `yeast` as it is meant, however it was spelled: without case, without
/// space around it; none if nothing is noted. Whoever tells lots apart reads them here.
#[must_use]
pub fn lot(batch: &Batch, what: &str) -> Option<String> {
    let lot = batch.lot.as_ref()?.get(what)?;
    let name = lot.as_str().map_or_else(|| lot.to_string(), str::to_owned);
    let name = name.trim().to_lowercase();
    (!name.is_empty() && !lot.is_null()).then_some(name)
}

/// The lots of a batch by name: `flour lot b12`.
fn lots(batch: &Batch) -> impl Iterator<Item = String> {
    ["flour", "yeast"]
        .into_iter()
        .filter_map(|what| Some(format!("{what} lot {}", lot(batch, what)?)))
}

/// The batches that taught something by a moment, once for each proof.
fn ended_by(book: &Book, at: UtcMs) -> impl Iterator<Item = &Batch> {
    book.stages
        .values()
        .filter(move |s| {
            matches!(
                known_end(s, at),
                Some((_, Outcome::Ready | Outcome::Under | Outcome::Over))
            )
        })
        .filter_map(|s| book.batches.get(&s.batch))
        .filter(|b| b.learn != Some(false))
}

/// The groups of a batch that begins in a place at `start`, as far as is known at `at`. A house's
/// first bake has nothing to differ from.
#[must_use]
pub fn of(book: &Book, batch: &Batch, place: &str, start: UtcMs, at: UtcMs) -> Vec<Group> {
    if ended_by(book, at).next().is_none() {
        return Vec::new();
    }
    let season = own_season(book, place, start, &TimeZone::UTC).map_or_else(
        || {
            let month = start.timestamp().to_zoned_datetime(TimeZone::UTC).month();
            SEASONS[quarter(month)].to_owned()
        },
        |(_, name)| format!("season {}", name.trim()),
    );
    let group = |name: String, ln_sd: f64| Group { name, ln_sd };
    let mut groups = vec![
        group(place.to_owned(), PLACE_LN_SD),
        group(season, SEASON_LN_SD),
    ];
    groups.extend(lots(batch).map(|name| group(name, LOT_LN_SD)));
    groups
}

/// The lots of a batch of which no proof had ended by a moment, though others had: `flour lot b12`.
/// A book without lots has none.
#[must_use]
pub fn new_lots(book: &Book, batch: &Batch, at: UtcMs) -> Vec<String> {
    lots(batch)
        .filter(|name| {
            let mut before = ended_by(book, at).peekable();
            before.peek().is_some() && !before.any(|b| lots(b).any(|n| n == *name))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::{of, quarter};
    use crate::batches::book::Book;
    use crate::batches::record::Record;
    use crate::forecasts::tests::{KITCHEN, air, bench, history};
    use crate::time::UtcMs;

    #[test]
    fn a_bake_shares_place_months_and_lots_once_another_has_ended() {
        let lines = r#"{"record":"batch","id":"a","dough":"buns","place":"crate","lot":{"flour":" A7 "}}
{"record":"stage","batch":"a","stage":"bulk","start":"2026-07-01T08:00:00Z","end":"2026-07-01T09:30:00Z","outcome":"ready"}"#;
        let records = lines
            .lines()
            .map(|l| serde_json::from_str::<Record>(l).unwrap());
        let book = Book::from_records(records);
        let at = |t: &str| UtcMs::parse(t).unwrap();
        let (start, batch) = (at("2026-07-01T08:00:00Z"), &book.batches["a"]);
        assert!(of(&book, batch, "crate", start, at("2026-07-01T09:00:00Z")).is_empty());
        let groups = of(&book, batch, "crate", start, at("2026-07-02T08:00:00Z"));
        let names: Vec<&str> = groups.iter().map(|g| g.name.as_str()).collect();
        assert_eq!(names, ["crate", "June to August", "flour lot a7"]);
        // Meteorological quarters: whole months, December with the two after it.
        let quarters: Vec<usize> = (1..=12).map(quarter).collect();
        assert_eq!(quarters, [0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3, 0]);
    }

    #[test]
    fn a_house_cuts_its_year_itself_and_its_box_goes_by_the_room() {
        let lines = r#"{"record":"place","name":"room","seasons":[{"name":"heating","from":"10-15"},{"name":"open windows","from":"05-01"}]}
{"record":"place","name":"crate","kind":"box","inside":"room"}
{"record":"batch","id":"a","dough":"buns","place":"crate"}
{"record":"stage","batch":"a","stage":"bulk","start":"2026-01-01T08:00:00Z","end":"2026-01-01T09:30:00Z","outcome":"ready"}"#;
        let book = Book::from_records(
            lines
                .lines()
                .map(|l| serde_json::from_str::<Record>(l).unwrap()),
        );
        let season = |day: &str| {
            let start = UtcMs::parse(&format!("2026-{day}T08:00:00Z")).unwrap();
            of(
                &book,
                &book.batches["a"],
                "crate",
                start,
                start.plus_min(1.0),
            )[1]
            .name
            .clone()
        };
        for (day, name) in [
            ("01-10", "season heating"),
            ("04-30", "season heating"),
            ("05-01", "season open windows"),
            ("10-14", "season open windows"),
            ("10-15", "season heating"),
        ] {
            assert_eq!(season(day), name, "{day}");
        }
    }

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
        // All in one lot: what is the lot's and what the house's cannot be told apart, and need not.
        assert!((same / none - 1.0).abs() < 0.03, "{same} {none}");
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

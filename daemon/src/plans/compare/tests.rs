//! Comparisons on a book and readings in memory: what is compared, what is left out and said so.

use doughwarden_model::cardinal::RateLaw;

use super::{CompareAsked, CompareDocument, answer};
use crate::plans::tests::{KITCHEN, NOW, air, batch, show, with};
use crate::plans::{Grounds, PlanError};

#[test]
fn seasons_are_told_apart_only_by_what_temperature_leaves() {
    // A kitchen at 19 °C in January and 26 °C in July whose dough follows the published law, give or
    // take 4 %: the clock differs by half, the effective time not at all.
    let law = RateLaw::default();
    let mut lines = KITCHEN.to_owned();
    for day in 1..=8 {
        let wobble = 1.0 + 0.04 * f64::from(day % 3 - 1);
        for (month, c) in [("01", 19.0), ("07", 26.0)] {
            let start = format!("2025-{month}-{:02}T08:00:00Z", day + 1);
            // The dough starts at 24 °C: about right, the lag is the room's.
            let minutes = 84.0 * law.rate(24.0) / law.rate(c) * wobble;
            lines += &batch(&format!("m{month}d{day}"), &start, Some(minutes), "").replace(
                "\"dough_temperature\":24",
                &format!("\"dough_temperature\":{c}"),
            );
            lines += &air(
                "shelf",
                &format!("2025-{month}-{:02}T07:50:00Z", day + 1),
                240,
                5,
                |_| c,
            );
        }
    }
    with(&lines, NOW, |g| {
        let document = answer(g, &CompareAsked::default()).expect("valid");
        assert_eq!(sizes(&document), [("winter", 8), ("summer", 8)]);
        let pair = &document.pairs[0];
        assert!(
            pair.clock_percent < -25.0
                && (pair.explained_percent - pair.clock_percent).abs() < 12.0,
            "{pair:?}"
        );
        assert!(
            pair.verdict == "none_that_matters" || pair.verdict == "cannot_tell",
            "{pair:?}"
        );
        let winter = &document.groups[0];
        assert!(
            winter.by_clock.len() > 20
                && winter
                    .by_clock
                    .iter()
                    .all(|p| p.p10 <= Some(p.p50) && Some(p.p50) <= p.p90)
        );
        // In the southern half the same months are the other season.
        let south = answer(
            g,
            &CompareAsked {
                south: true,
                ..CompareAsked::default()
            },
        )
        .expect("valid");
        assert_eq!(
            south
                .groups
                .iter()
                .map(|g| g.name.as_str())
                .collect::<Vec<_>>(),
            ["summer", "winter"][..]
                .iter()
                .copied()
                .rev()
                .collect::<Vec<_>>()
        );
        let dates = CompareAsked {
            by: Some("dates".into()),
            dates: Some("cold=2025-01-01..2025-01-31;hot=2025-07-01..2025-07-31".into()),
            ..CompareAsked::default()
        };
        assert_eq!(answer(g, &dates).expect("valid").groups.len(), 2);
        assert!(
            answer(
                g,
                &CompareAsked {
                    by: Some("moon".into()),
                    ..CompareAsked::default()
                }
            )
            .is_err()
        );
        assert!(
            answer(
                g,
                &CompareAsked {
                    by: Some("dates".into()),
                    dates: Some("x=1..2".into()),
                    ..CompareAsked::default()
                }
            )
            .is_err()
        );
    });
}

/// A bake on a day of 2025 at 24 °C throughout that was ready after `minutes`.
fn baked(id: &str, day: &str, minutes: f64, extra: &str) -> String {
    batch(id, &format!("2025-{day}T08:00:00Z"), Some(minutes), extra)
        + &air("shelf", &format!("2025-{day}T07:50:00Z"), 240, 5, |_| 24.0)
}

fn ask(
    g: &Grounds<'_>,
    by: &str,
    set: impl FnOnce(&mut CompareAsked),
) -> Result<CompareDocument, PlanError> {
    let mut asked = CompareAsked {
        by: Some(by.into()),
        ..CompareAsked::default()
    };
    set(&mut asked);
    answer(g, &asked)
}

#[test]
fn a_lot_is_one_however_it_is_spelled_and_a_slower_one_is_found() {
    // Two flours, the second a quarter slower at one temperature; scatter of 4 %.
    let mut lines = KITCHEN.to_owned();
    for i in 0..6 {
        let wobble = 1.0 + 0.04 * f64::from(i % 3 - 1);
        let old = [" A7 ", "a7", "A7"][i as usize % 3];
        let lot = |name: &str| format!(",\"lot\":{{\"flour\":\"{name}\"}}");
        lines += &baked(
            &format!("o{i}"),
            &format!("03-{:02}", 2 + i),
            90.0 * wobble,
            &lot(old),
        );
        lines += &baked(
            &format!("n{i}"),
            &format!("05-{:02}", 2 + i),
            112.0 * wobble,
            &lot("B2"),
        );
    }
    lines += &baked("plain", "06-01", 90.0, "");
    with(&lines, NOW, |g| {
        let d = ask(g, "flour", |_| {}).expect("valid");
        assert_eq!(sizes(&d), [("a7", 6), ("b2", 6)]);
        assert!((d.groups[0].dough_c - 24.0).abs() < 0.1);
        let pair = &d.pairs[0];
        assert_eq!(pair.verdict, "longer", "{pair:?}");
        let [left, low, high] = pair.left_percent.expect("fitted");
        assert!(
            low < 24.4 && 24.4 < high && (left - 24.4).abs() < 3.0,
            "{pair:?}"
        );
        // The parts multiply to the whole.
        let whole = [
            pair.explained_percent,
            pair.doughs_and_yeast_percent.expect("fitted"),
            left,
        ]
        .iter()
        .fold(1.0, |all, part| all * (1.0 + part / 100.0));
        assert!(
            (100.0 * (whole - 1.0) - pair.clock_percent).abs() < 0.3,
            "{pair:?}"
        );
        let words = d.words(&show(NOW)).join("\n");
        assert!(
            words.contains("1 left out: no lot of flour is noted."),
            "{words}"
        );
        assert!(words.contains("b2 took longer than a7"), "{words}");
        assert!(
            words.contains("No rise was noted in 12 of 12 proofs"),
            "{words}"
        );
    });
}

#[test]
fn what_cannot_be_compared_is_left_out_with_one_line_each() {
    let mut lines = KITCHEN.to_owned();
    for i in 1..=5 {
        lines += &baked(
            &format!("w{i}"),
            &format!("01-{i:02}"),
            90.0 + f64::from(i),
            "",
        );
        lines += &baked(
            &format!("s{i}"),
            &format!("07-{i:02}"),
            90.0 + f64::from(i),
            "",
        );
    }
    // One of each kind that says nothing.
    let ended = |id: &str, outcome: &str| {
        baked(id, "07-10", 90.0, "").replace(
            "\"outcome\":\"ready\"",
            &format!("\"outcome\":\"{outcome}\""),
        )
    };
    lines += &ended("early", "under");
    lines += &ended("late", "over");
    lines += &ended("lost", "unknown");
    lines += &ended("gone", "abandoned");
    lines += &baked("mute", "07-11", 90.0, ",\"learn\":false");
    lines += &batch("bare", "2025-07-20T08:00:00Z", Some(90.0), "");
    // Readings for the first quarter of an hour, then silence.
    lines += &batch("gappy", "2025-07-22T08:00:00Z", Some(120.0), "");
    lines += &air("shelf", "2025-07-22T07:50:00Z", 25, 5, |_| 24.0);
    // Alone in its season.
    lines += &baked("alone", "04-02", 91.0, "");
    with(&lines, NOW, |g| {
        let d = ask(g, "season", |_| {}).expect("valid");
        assert_eq!(sizes(&d), [("winter", 5), ("spring", 1), ("summer", 5)]);
        for line in [
            "2 left out: they were ended early or late, so nobody knows when they were ready.",
            "2 left out: how they ended is not known.",
            "1 left out: their bake is marked as nothing to learn from.",
            "2 left out: there are no readings of the air they stood in, or too many are missing.",
            "3 comparisons at once: each has to be that much surer (Holm), and the ranges hold for all of them together.",
        ] {
            assert!(
                d.evidence.iter().any(|e| e == line),
                "{line}\n{:#?}",
                d.evidence
            );
        }
        let of = |first: &str, second: &str| {
            d.pairs
                .iter()
                .find(|p| p.first == first && p.second == second)
                .expect("compared")
        };
        assert_eq!(of("winter", "spring").reason, Some("too_few_bakes"));
        assert_eq!(of("winter", "spring").left_percent, None);
        assert_eq!(of("winter", "summer").verdict, "none_that_matters");
        // A proof alone has a curve, and no band.
        assert!(
            d.groups[1]
                .by_clock
                .iter()
                .all(|p| p.p10.is_none() && p.p90.is_none())
        );
        // Only what was asked for: one comparison instead of three.
        let two = ask(g, "season", |a| a.only = Some("Summer; winter".into())).expect("valid");
        assert_eq!((two.groups.len(), two.pairs.len()), (2, 1));
        assert!(
            two.evidence
                .iter()
                .any(|e| e == "1 left out: their group was not asked for.")
        );
        let wrong =
            ask(g, "season", |a| a.only = Some("monsoon".into())).expect_err("no such season");
        assert_eq!(
            wrong.to_string(),
            "only: there is no group `monsoon`; there are: spring, summer, winter"
        );
        let wrong =
            ask(g, "season", |a| a.dough = Some("scones".into())).expect_err("no such dough");
        assert_eq!(
            wrong.to_string(),
            "there is no dough `scones`; known are: harbour twist"
        );
        assert!(ask(g, "season", |a| a.dough = Some("harbour twist".into())).is_ok());
    });
}

/// A bake on each of the first four days of some months.
fn four_days_of(months: &[&str]) -> String {
    let day = |month: &str, i: i32| {
        let minutes = 90.0 + f64::from(i);
        baked(
            &format!("m{month}d{i}"),
            &format!("{month}-{i:02}"),
            minutes,
            "",
        )
    };
    let of = |month: &&str| (1..=4).map(|i| day(month, i)).collect::<String>();
    months.iter().map(of).collect()
}

/// The groups' names and how many proofs each holds.
fn sizes(document: &CompareDocument) -> Vec<(&str, usize)> {
    let groups = document.groups.iter();
    groups.map(|g| (g.name.as_str(), g.proofs)).collect()
}

#[test]
fn seasons_of_a_place_are_its_user_s_own() {
    let own = "\"name\":\"shelf\",\"kind\":\"room\",\"seasons\":[{\"name\":\"heating\",\"from\":\"10-15\"},{\"name\":\"open windows\",\"from\":\"05-01\"}]";
    let mut lines = KITCHEN.replace("\"name\":\"shelf\",\"kind\":\"room\"", own);
    lines += &four_days_of(&["01", "04", "07", "10"]);
    with(&lines, NOW, |g| {
        let d = ask(g, "season", |_| {}).expect("valid");
        assert_eq!(sizes(&d), [("open windows", 8), ("heating", 8)]);
    });
}

#[test]
fn dates_hold_a_bake_in_one_span_only() {
    let mut lines = KITCHEN.to_owned();
    lines += &four_days_of(&["01", "02", "07", "12"]);
    with(&lines, NOW, |g| {
        let dates = |text: &str| ask(g, "dates", |a| a.dates = Some(text.into()));
        // Two spans of one name are one group; a span without bakes is said to be empty.
        let d = dates("cold=2025-01-01..2025-02-28;hot=2025-07-01..2025-07-31;cold=2025-12-01..2025-12-31;wet=2025-10-01..2025-10-31").expect("valid");
        assert_eq!(sizes(&d), [("cold", 12), ("hot", 4)]);
        assert!(
            d.evidence
                .iter()
                .any(|e| e == "wet: no such proof, so nothing to compare it with."),
            "{:?}",
            d.evidence
        );
        for (text, what) in [
            (
                "a=2025-01-01..2025-02-01;b=2025-02-01..2025-03-01",
                "share days",
            ),
            (
                "a=2025-03-01..2025-02-01;b=2025-07-01..2025-08-01",
                "not before the first",
            ),
            (
                "=2025-01-01..2025-02-01;b=2025-07-01..2025-08-01",
                "needs a name",
            ),
            (
                "a=2025-01-01..2025-02-01;a=2025-07-01..2025-08-01",
                "at least two",
            ),
            ("", "at least two"),
        ] {
            let why = dates(text).expect_err(text).to_string();
            assert!(why.contains(what), "{text}: {why}");
        }
    });
}

#[test]
fn halves_of_one_bake_are_one_bake_and_a_moved_proof_is_in_neither_place() {
    // Finals: each bake split into halves, one in the oven and one on the shelf.
    let mut lines = KITCHEN.to_owned();
    for i in 1..=5 {
        let day = format!("2025-03-{i:02}");
        lines += &baked(&format!("b{i}"), &format!("03-{i:02}"), 90.0, "");
        lines += &air("oven", &format!("{day}T09:50:00Z"), 200, 5, |_| 24.0);
        for (half, place) in [("x", "shelf"), ("y", "oven"), ("z", "oven")] {
            lines += &format!(
                "{{\"record\":\"batch\",\"id\":\"b{i}{half}\",\"dough\":\"harbour twist\",\"place\":\"{place}\",\"from\":\"b{i}\",\"pieces\":4,\"piece_mass_g\":75}}\n"
            );
            lines += &format!(
                "{{\"record\":\"stage\",\"batch\":\"b{i}{half}\",\"stage\":\"final\",\"start\":\"{day}T10:00:00Z\",\"dough_temperature\":24,\"end\":\"{day}T10:{}:00Z\",\"outcome\":\"ready\"}}\n",
                50 + i
            );
        }
    }
    with(&lines, NOW, |g| {
        let d = ask(g, "place", |a| a.stage = Some("final".into())).expect("valid");
        assert_eq!(sizes(&d), [("oven", 10), ("shelf", 5)]);
        assert!(
            d.evidence
                .iter()
                .any(|e| e.starts_with("5 bakes were split, with a part in oven and one in shelf")),
            "{:?}",
            d.evidence
        );
        assert_eq!(d.pairs[0].verdict, "none_that_matters", "{:?}", d.pairs[0]);
    });
}

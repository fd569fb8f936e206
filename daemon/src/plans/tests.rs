//! The questions end to end, on a book and readings in memory.

use doughwarden_dashboards::show::Show;
use jiff::tz::TimeZone;

use super::hold::{self, HoldAsked};
use super::oven::{self, OvenAsked};
use super::plan::{self, PlanAsked};
use super::readers::{self, ReadersAsked};
use super::water::{self, WaterAsked};
use super::{Grounds, PlanError};
use crate::batches::book::Book;
use crate::batches::record::Record;
use crate::forecasts::air::Sources;
use crate::forecasts::learned::Memory;
use crate::forecasts::source::InMemory;
use crate::time::UtcMs;

/// A made-up kitchen: a room, an oven, a fridge, one dough.
pub(super) const KITCHEN: &str = r#"
{"record":"place","name":"shelf","kind":"room"}
{"record":"place","name":"oven","kind":"oven","inside":"shelf"}
{"record":"place","name":"larder fridge","kind":"fridge"}
{"record":"dough","name":"harbour twist","bulk":{"usual_min":90,"at":24,"target_rise":0.8},"final":{"usual_min":50,"at":24},"ceiling":29,"caution":["egg"],"formula":[{"ingredient":"wheat flour","mass_g":500},{"ingredient":"milk","mass_g":260},{"ingredient":"egg","mass_g":50},{"ingredient":"butter","mass_g":60},{"ingredient":"sugar","mass_g":50},{"ingredient":"salt","mass_g":9},{"ingredient":"instant yeast","mass_g":6}]}
"#;

pub(super) fn batch(id: &str, start: &str, minutes: Option<f64>, extra: &str) -> String {
    let from = UtcMs::parse(start).expect("a time");
    let end = minutes.map_or(String::new(), |m| {
        format!(",\"end\":\"{}\",\"outcome\":\"ready\"", from.plus_min(m))
    });
    format!(
        "{{\"record\":\"batch\",\"id\":\"{id}\",\"dough\":\"harbour twist\",\"place\":\"shelf\",\"pieces\":12,\"piece_mass_g\":75{extra}}}\n\
         {{\"record\":\"stage\",\"batch\":\"{id}\",\"stage\":\"bulk\",\"start\":\"{start}\",\"dough_temperature\":24{end}}}\n"
    )
}

pub(super) fn air(
    place: &str,
    from: &str,
    minutes: i64,
    every: i64,
    c: impl Fn(f64) -> f64,
) -> String {
    let start = UtcMs::parse(from).expect("a time");
    (0..=minutes / every)
        .map(|i| (i * every) as f64)
        .map(|m| {
            format!(
                "{{\"record\":\"reading\",\"time\":\"{}\",\"sensor\":\"{place}\",\"quantity\":\"air_temperature\",\"value\":{},\"unit\":\"Cel\"}}\n",
                start.plus_min(m),
                (c(m) * 100.0).round() / 100.0
            )
        })
        .collect()
}

pub(super) fn with<T>(lines: &str, now: &str, ask: impl FnOnce(&Grounds<'_>) -> T) -> T {
    let (mut records, mut readings) = (Vec::new(), Vec::new());
    for line in lines.lines().filter(|l| !l.trim().is_empty()) {
        match serde_json::from_str(line).expect("a record") {
            Record::Reading(r) => readings.push(r),
            r => records.push(r),
        }
    }
    let (book, readings) = (Book::from_records(records), InMemory::new(readings));
    let sources = Sources {
        book: &book,
        readings: &readings,
        model_sensors: &[],
    };
    let now = UtcMs::parse(now).expect("a time");
    let learned = Memory::default().at(sources, now, 0).expect("no store");
    ask(&Grounds {
        sources,
        learned,
        now,
        zone: TimeZone::get("Europe/Oslo").expect("tzdata"),
    })
}

pub(super) fn show(now: &str) -> Show {
    Show {
        now: now.parse().expect("a time"),
        zone: TimeZone::get("Europe/Oslo").expect("tzdata"),
        fahrenheit: false,
    }
}

pub(super) const NOW: &str = "2026-02-10T06:00:00Z";

fn asked() -> PlanAsked {
    PlanAsked {
        dough: "harbour twist".into(),
        table: "16:00".into(),
        bulk_c: Some(24.0),
        dough_c: Some(24.0),
        ..PlanAsked::default()
    }
}

#[test]
fn a_plan_counts_on_a_heating_hour_and_refuses_what_cannot_be() {
    let heated = KITCHEN.replace(
        r#""name":"shelf","kind":"room""#,
        r#""name":"shelf","kind":"room","planned":[{"daily":"11:00","zone":"Europe/Oslo","air":27},{"daily":"20:00","zone":"Europe/Oslo","air":18}]"#,
    );
    let air = air("shelf", "2026-02-08T06:00:00Z", 2880, 10, |_| 18.0);
    let ask = |kitchen: &str, change: &dyn Fn(&mut PlanAsked)| {
        with(&format!("{kitchen}{air}"), NOW, |g| {
            let mut question = PlanAsked {
                bulk_c: None,
                ..asked()
            };
            change(&mut question);
            plan::answer(g, &question).map_err(|e| e.to_string())
        })
    };
    let cold = ask(KITCHEN, &|_| {}).expect("known");
    let warm = ask(&heated, &|_| {}).expect("known");
    // Heated from eleven, the same table can be met with a later start.
    assert!(
        warm.latest_start > cold.latest_start.plus_min(20.0),
        "{} {}",
        warm.latest_start,
        cold.latest_start
    );
    let told = warm.words(&show(NOW)).join(" ");
    assert!(
        told.contains("Planned for shelf at 11:00: heading for 27 °C"),
        "{told}"
    );
    assert!(!cold.words(&show(NOW)).join(" ").contains("Planned"));
    for (change, word) in [
        (
            &(|a: &mut PlanAsked| a.late_percent = Some(500.0)) as &dyn Fn(&mut PlanAsked),
            "late_percent: 500",
        ),
        (
            &|a: &mut PlanAsked| a.mixing_min = Some(-5.0),
            "mixing_min: -5",
        ),
        (&|a: &mut PlanAsked| a.bulk_c = Some(f64::NAN), "bulk_c"),
        (&|a: &mut PlanAsked| a.night_h = Some(1e9), "night_h"),
        (
            &|a: &mut PlanAsked| a.bulk_place = Some("the moon".into()),
            "no place `the moon`; known are: shelf",
        ),
        (
            &|a: &mut PlanAsked| a.table = "2020-01-01T10:00:00Z".into(),
            "past",
        ),
    ] {
        let refusal = ask(KITCHEN, change).expect_err(word);
        assert!(
            refusal.contains(word) && !refusal.contains('\n'),
            "{word}: {refusal}"
        );
    }
}

#[test]
fn at_the_recipe_s_temperature_the_plan_is_the_recipe_s() {
    with(KITCHEN, NOW, |g| {
        let document = plan::answer(
            g,
            &PlanAsked {
                late_percent: Some(50.0),
                ..asked()
            },
        )
        .expect("known");
        // 16:00 in Oslo is 15:00 UTC in winter. By the recipe: 20 + 90 + 20 + 50 + 20 + 30 minutes, and
        // a ready dough waits 7.5 minutes to be seen, twice: 245 minutes back.
        assert_eq!(document.table.to_string(), "2026-02-10T15:00:00Z");
        let took = document.table.seconds_since(document.start) / 60.0;
        assert!((took - 245.0).abs() < 8.0, "{took}");
        assert!((document.late - 0.5).abs() < 0.02);
        // Less risk, an earlier start.
        let safe = plan::answer(g, &asked()).expect("known");
        assert!(safe.start < document.start && (safe.late - 0.1).abs() < 0.02);
        assert!(safe.evidence[0].contains("the recipe's own"));
        assert_eq!(safe.cautions, ["egg"]);
        let words = safe.words(&show(NOW)).join(" ");
        assert!(
            words.contains("begin mixing by") && words.contains("10 times in 100"),
            "{words}"
        );
    });
}

#[test]
fn a_late_start_is_told_what_to_change() {
    with(KITCHEN, NOW, |g| {
        let usual = plan::answer(g, &asked()).expect("known");
        let start = usual.start.plus_min(35.0);
        let late = plan::answer(
            g,
            &PlanAsked {
                start: Some(start.to_string()),
                ..asked()
            },
        )
        .expect("known");
        assert!(late.late > 0.2 && late.latest_start == usual.start);
        let yeast = late
            .changes
            .iter()
            .find(|c| c.what == "yeast")
            .expect("a change");
        assert!(
            yeast.enough && yeast.to > 1.1 && yeast.to < 3.0,
            "{yeast:?}"
        );
        let place = late
            .changes
            .iter()
            .find(|c| c.what == "place")
            .expect("a change");
        assert!(place.to > 24.0 && place.to <= 29.0, "{place:?}");
        // Every step is after the one before.
        assert!(late.steps.windows(2).all(|w| w[0].p50 < w[1].p50));
    });
}

#[test]
fn a_start_that_is_past_is_said_to_be() {
    with(KITCHEN, "2026-02-10T13:00:00Z", |g| {
        let late = plan::answer(g, &asked()).expect("known");
        assert!(late.latest_start < g.now && late.start >= g.now && late.late > 0.9);
        assert!(late.evidence[0].contains("past already") && !late.changes.is_empty());
    });
}

#[test]
fn a_room_is_foretold_by_the_hour() {
    // Three days: 20 °C give or take 2, warmest at 15:00 UTC.
    let log = air("shelf", "2026-02-06T00:00:00Z", 4 * 1440, 20, |m| {
        20.0 + 2.0 * (std::f64::consts::TAU * (m - 900.0) / 1440.0).cos()
    });
    with(&format!("{KITCHEN}{log}"), NOW, |g| {
        let (place, assumed) = g.place("shelf", None).expect("read");
        assert!(
            (assumed.air_c - 20.0).abs() < 0.1 && (assumed.swing_c - 2.0).abs() < 0.15,
            "{assumed:?}"
        );
        let at = |t: &str| place.course.at(g.minute(UtcMs::parse(t).expect("a time")));
        assert!((at("2026-02-10T15:00:00Z") - 22.0).abs() < 0.15);
        assert!((at("2026-02-11T03:00:00Z") - 18.0).abs() < 0.15);
    });
}

#[test]
fn what_is_not_known_is_said() {
    with(KITCHEN, NOW, |g| {
        let error = plan::answer(
            g,
            &PlanAsked {
                dough: "nothing".into(),
                ..asked()
            },
        )
        .expect_err("unknown");
        assert!(
            matches!(error, PlanError::NoDough { .. })
                && error.to_string().contains("harbour twist")
        );
        let error = plan::answer(
            g,
            &PlanAsked {
                table: "noon".into(),
                ..asked()
            },
        )
        .expect_err("no time");
        assert!(error.to_string().contains("`noon`"));
        assert!(
            plan::answer(
                g,
                &PlanAsked {
                    dough_c: Some(f64::NAN),
                    ..asked()
                }
            )
            .is_err()
        );
    });
}

#[test]
fn water_learns_the_mixer() {
    let asked = WaterAsked {
        wanted_c: Some(25.0),
        room_c: Some(21.0),
        flour_c: Some(22.0),
        ..WaterAsked::default()
    };
    with(KITCHEN, NOW, |g| {
        // The bakers' rule with a stand mixer's 20 °F: 75 - 21 - 22 - 20/1.8 (trade pages).
        let plain = water::answer(g, &asked).expect("valid");
        assert!(
            (plain.water - 20.9).abs() < 0.051 && plain.measured == 0,
            "{plain:?}"
        );
    });
    // Doughs that came out at 24 °C from 21, 21 and 14: a factor of 16, a difference.
    let mix = ",\"mix\":{\"room\":21,\"flour\":21,\"water\":14}";
    let log: String = (1..=9)
        .map(|d| {
            batch(
                &format!("b{d}"),
                &format!("2026-01-0{d}T08:00:00Z"),
                Some(95.0),
                mix,
            )
        })
        .collect();
    with(&format!("{KITCHEN}{log}"), NOW, |g| {
        let learned = water::answer(g, &asked).expect("valid");
        assert!(
            learned.measured == 9 && (learned.friction - 16.0).abs() < 0.6,
            "{learned:?}"
        );
        assert!(learned.dough_within < 1.7);
        assert!(
            learned
                .words(&show(NOW))
                .join(" ")
                .contains("measured 9 times")
        );
    });
}

#[test]
fn the_oven_is_learned_and_then_planned_with() {
    let run = |minutes: i64| {
        air("oven", "2026-02-10T03:00:00Z", minutes, 1, |m| {
            20.0 + 12.0 * (1.0 - (-m / 40.0).exp())
        })
    };
    let asked = OvenAsked {
        place: "oven".into(),
        since: Some("2026-02-10T03:00:00Z".into()),
        room_c: Some(20.0),
        ..OvenAsked::default()
    };
    with(
        &format!("{KITCHEN}{}", run(30)),
        "2026-02-10T03:30:00Z",
        |g| {
            let early = oven::answer(g, None, &asked).expect("valid");
            assert_eq!(early.run.as_ref().expect("a run").state, "wait");
            assert!(early.response.is_none());
        },
    );
    with(
        &format!("{KITCHEN}{}", run(100)),
        "2026-02-10T04:40:00Z",
        |g| {
            let done = oven::answer(g, None, &asked).expect("valid");
            assert_eq!(done.run.as_ref().expect("a run").state, "enough");
            let response = done.response.expect("learned");
            assert!(
                (response.rise_c - 12.0).abs() < 0.3
                    && (response.time_constant_min - 40.0).abs() < 2.0,
                "{response:?}"
            );
            let plan = OvenAsked {
                place: "oven".into(),
                dough: Some("harbour twist".into()),
                dough_c: Some(22.0),
                room_c: Some(20.0),
                air_c: Some(20.0),
                ..OvenAsked::default()
            };
            let document = oven::answer(g, Some(response), &plan).expect("valid");
            let light = document.light.as_ref().expect("a plan");
            assert!(
                light.on_min.expect("gets there") > 30.0 && (light.dough_peak - 26.0).abs() < 0.6,
                "{light:?}"
            );
            assert_eq!(light.safety, "must_go_off");
            assert!(light.off_by >= light.off_at);
            let words = document.words(&show(NOW)).join(" ");
            assert!(
                words.contains("switch it off at") && words.contains("Light only"),
                "{words}"
            );
            assert!(oven::answer(g, None, &OvenAsked::default()).is_err());
        },
    );
}

#[test]
fn a_dough_can_wait_in_the_fridge() {
    let log = format!(
        "{KITCHEN}{}{}",
        batch("b1", "2026-02-10T05:50:00Z", None, ""),
        air("shelf", "2026-02-10T05:00:00Z", 60, 2, |_| 23.0)
    );
    with(&log, NOW, |g| {
        // 0.9 kg cools slowly: to be nearly sure of it, ten minutes out are too much already.
        let asked = HoldAsked {
            batch: "b1".into(),
            back: "18:00".into(),
            ready: Some("22:00".into()),
            ..HoldAsked::default()
        };
        let sure = hold::answer(
            g,
            &HoldAsked {
                over_percent: Some(2.0),
                ..asked.clone()
            },
        )
        .expect("in progress");
        assert!(
            sure.answer == "too_late" && sure.over > Some(0.02),
            "{sure:?}"
        );
        let asked = HoldAsked {
            over_percent: Some(40.0),
            ..asked
        };
        let document = hold::answer(g, &asked).expect("in progress");
        assert_eq!(document.answer, "fridge", "{document:?}");
        let latest = document.latest_in.expect("a time").seconds_since(g.now) / 60.0;
        assert!((1.0..150.0).contains(&latest), "{latest}");
        let out = document.take_out.as_ref().expect("asked");
        assert!(
            out.state == "at" || out.state == "ready_in_fridge",
            "{out:?}"
        );
        assert!(document.words(&show(NOW))[0].starts_with("Into the fridge by"));
        let soon = hold::answer(
            g,
            &HoldAsked {
                back: "07:30".into(),
                ..asked.clone()
            },
        )
        .expect("in progress");
        assert_eq!(soon.answer, "stay_out");
        assert!(
            hold::answer(
                g,
                &HoldAsked {
                    batch: "b9".into(),
                    ..asked
                }
            )
            .is_err()
        );
    });
}

#[test]
fn a_reader_s_table_and_its_testers() {
    with(KITCHEN, NOW, |g| {
        let ask = |testers: Option<&str>| {
            let asked = ReadersAsked {
                dough: "harbour twist".into(),
                testers: testers.map(str::to_owned),
                pieces: Some(12),
                piece_g: Some(75.0),
                ..ReadersAsked::default()
            };
            readers::answer(g, &asked)
        };
        let plain = ask(None).expect("known");
        assert_eq!((plain.rows.len(), plain.testers), (6, 0));
        assert!(
            plain
                .text
                .contains("900 g of dough in 12 pieces of about 75 g")
                && plain.text.contains("local food rules")
        );
        let slow = ask(Some("21,24,200,110; 22,25,190,")).expect("known");
        assert!(
            slow.testers == 2
                && slow.kitchens_ln_shift > 0.05
                && slow.rows[0].bulk_min.p50 > plain.rows[0].bulk_min.p50
        );
        assert!(ask(Some("21,24")).is_err());
        // What is kept comes back from the record.
        let typed = readers::testers_typed("21,24,200,110").expect("four numbers");
        let line = readers::with_testers(g, "harbour twist", &typed).expect("written");
        let Ok(Record::Dough(dough)) = serde_json::from_str(&line) else {
            panic!("{line}")
        };
        assert_eq!(readers::testers_of(&dough), typed);
    });
}

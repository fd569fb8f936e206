//! Forecasts end to end, on readings in memory.

use doughwarden_model::cardinal::RateLaw;

use super::air::Sources;
use super::document::ForecastDocument;
use super::learned::{Learned, Memory};
use super::source::InMemory;
use super::view;
use crate::batches::book::Book;
use crate::batches::record::Record;
use crate::time::UtcMs;

/// A small kitchen: one room, one box, one dough with a stated time of 90 min at 24 °C.
pub(super) const KITCHEN: &str = r#"
{"record":"place","name":"shelf","kind":"room"}
{"record":"place","name":"crate","kind":"box","inside":"shelf"}
{"record":"dough","name":"plum braid","bulk":{"usual_min":90,"at":24,"target_rise":1.0},"final":{"usual_min":50,"at":24}}
{"record":"batch","id":"2026-0001","dough":"plum braid","place":"shelf","pieces":2,"piece_mass_g":300,"formula":[{"ingredient":"wheat flour","mass_g":350},{"ingredient":"milk","mass_g":180},{"ingredient":"butter","mass_g":40},{"ingredient":"sugar","mass_g":25},{"ingredient":"salt","mass_g":6},{"ingredient":"instant yeast","mass_g":4}]}
{"record":"stage","batch":"2026-0001","stage":"bulk","start":"2026-02-01T08:00:00Z","dough_temperature":24}
"#;

pub(super) fn t(text: &str) -> UtcMs {
    UtcMs::parse(&format!("2026-02-01T{text}:00Z")).expect("a time")
}

pub(super) struct Bench {
    pub book: Book,
    pub readings: InMemory,
}

pub(super) fn bench(lines: &str) -> Bench {
    let (mut records, mut readings) = (Vec::new(), Vec::new());
    for line in lines.lines().filter(|l| !l.trim().is_empty()) {
        match serde_json::from_str(line).expect("a record") {
            Record::Reading(r) => readings.push(r),
            r => records.push(r),
        }
    }
    Bench { book: Book::from_records(records), readings: InMemory::new(readings) }
}

impl Bench {
    pub fn sources(&self) -> Sources<'_> {
        Sources { book: &self.book, readings: &self.readings, model_sensors: &[] }
    }

    pub fn forecast(&self, at: &str) -> ForecastDocument {
        let learned = Memory::default().at(self.sources(), t(at), 0).expect("no store");
        view(self.sources(), &learned, "2026-0001", t(at)).expect("in progress").document
    }
}

/// Air every minute: `c(minutes since 08:00)`.
pub(super) fn air(place: &str, from: i64, to: i64, c: impl Fn(f64) -> f64) -> String {
    (from..=to)
        .map(|m| {
            format!(
                "{{\"record\":\"reading\",\"time\":\"{}\",\"sensor\":\"{place}\",\"quantity\":\"air_temperature\",\"value\":{},\"unit\":\"Cel\"}}\n",
                t("08:00").plus_min(m as f64),
                c(m as f64)
            )
        })
        .collect()
}

fn minutes(document: &ForecastDocument) -> [f64; 3] {
    [document.ready.p10, document.ready.p50, document.ready.p90]
        .map(|q| q.expect("within 48 h").seconds_since(t("08:00")) / 60.0)
}

#[test]
fn at_the_recipe_s_temperature_it_takes_the_recipe_s_time() {
    let b = bench(&format!("{KITCHEN}{}", air("shelf", -30, 20, |_| 24.0)));
    let [p10, p50, p90] = minutes(&b.forecast("08:20"));
    assert!((p50 - 90.0).abs() < 2.0, "{p50}");
    assert!(p10 < 75.0 && p90 > 108.0 && p10 > 40.0 && p90 < 150.0, "{p10} {p90}");
}

#[test]
fn warmth_shortens_it_by_the_law_along_the_dough_not_the_air() {
    // A step to 30 °C at 30 min: by the published law the rest goes 1.36 times as fast once the
    // dough is there, but 0.6 kg of dough lags by about two hours.
    let b = bench(&format!("{KITCHEN}{}", air("shelf", -30, 60, |m| if m < 30.0 { 24.0 } else { 30.0 })));
    let [_, p50, _] = minutes(&b.forecast("09:00"));
    let law = RateLaw::default();
    let at_once = 30.0 + 60.0 * law.rate(24.0) / law.rate(30.0);
    assert!(p50 < 88.0 && p50 > at_once + 3.0, "{p50}, at once {at_once}");
    let warm = b.forecast("09:00").dough_temperature.now;
    assert!((24.8..27.0).contains(&warm), "{warm}");
}

#[test]
fn a_move_takes_the_new_place_s_air() {
    let moved = r#"{"record":"move","batch":"2026-0001","time":"2026-02-01T08:30:00Z","place":"crate"}"#;
    let all = format!("{KITCHEN}{moved}\n{}{}", air("shelf", -30, 60, |_| 20.0), air("crate", -30, 60, |_| 32.0));
    let stayed = bench(&format!("{KITCHEN}{}", air("shelf", -30, 60, |_| 20.0)));
    let went = bench(&all);
    assert!(minutes(&went.forecast("09:00"))[1] + 10.0 < minutes(&stayed.forecast("09:00"))[1]);
    // Before the move both say the same.
    assert_eq!(went.forecast("08:20").ready, stayed.forecast("08:20").ready);
    assert!(went.forecast("09:00").evidence.iter().any(|e| e.contains("moved")));
}

#[test]
fn without_a_reading_the_contract_s_24_degrees_are_assumed_and_said() {
    let b = bench(KITCHEN);
    let f = b.forecast("08:20");
    assert!((minutes(&f)[1] - 90.0).abs() < 3.0, "{:?}", minutes(&f));
    assert!(f.assumed_air_temperature.iter().all(|p| (p.value - 24.0).abs() < 3.1));
    assert!(f.evidence.iter().any(|e| e.contains("No reading of the air: 24 °C is assumed")));
}

#[test]
fn a_gap_drifts_towards_the_room_and_is_named() {
    let moved = r#"{"record":"move","batch":"2026-0001","time":"2026-02-01T08:01:00Z","place":"crate"}"#;
    let b = bench(&format!(
        "{KITCHEN}{moved}\n{}{}",
        air("shelf", -30, 120, |_| 18.0),
        air("crate", -30, 15, |_| 30.0)
    ));
    let f = b.forecast("09:15");
    let now = f.assumed_air_temperature[0].value;
    assert!((20.0..25.0).contains(&now), "{now}");
    assert!(f.evidence.iter().any(|e| e.contains("No readings for")));
}

#[test]
fn observations_move_it_and_ready_is_never_before_now() {
    let readings = air("shelf", -30, 200, |_| 24.0);
    let rise = |y: f64| {
        format!("{{\"record\":\"observation\",\"batch\":\"2026-0001\",\"time\":\"2026-02-01T08:45:00Z\",\"kind\":\"rise\",\"rise\":{y}}}\n")
    };
    let fast = bench(&format!("{KITCHEN}{}{readings}", rise(0.75)));
    let slow = bench(&format!("{KITCHEN}{}{readings}", rise(0.1)));
    assert!(minutes(&fast.forecast("08:50"))[1] + 15.0 < minutes(&slow.forecast("08:50"))[1]);
    let late = fast.forecast("11:00");
    assert!(late.ready.p10 >= Some(t("11:00")) && late.ready.p90 >= late.ready.p10);
    let now = fast.forecast("08:50").rise.now;
    assert!(now.p10 < 0.85 && now.p90 > 0.65 && now.p10 <= now.p50 && now.p50 <= now.p90, "{now:?}");
}

#[test]
fn curves_stand_on_the_contract_s_grid() {
    let b = bench(&format!("{KITCHEN}{}", air("shelf", -30, 22, |_| 24.0)));
    let f = b.forecast("08:22");
    let end = f.ready.p90.expect("soon");
    for (k, p) in f.rise.curve.iter().enumerate() {
        assert_eq!(p.time, t("08:00").plus_min(5.0 * k as f64));
    }
    assert_eq!(f.rise.curve.len(), f.dough_temperature.curve.len());
    let last = f.rise.curve.last().expect("a point").time;
    assert!(last >= end && last < end.plus_min(5.0));
    assert_eq!(f.assumed_air_temperature[0].time, t("08:22"));
    assert!(f.assumed_air_temperature.last().expect("a point").time >= end);
    assert_eq!(f.rise.curve[0].at.p90, 0.0);
}

#[test]
fn what_comes_later_changes_nothing() {
    let before = format!("{KITCHEN}{}", air("shelf", -30, 40, |_| 24.0));
    let later = r#"
{"record":"observation","batch":"2026-0001","time":"2026-02-01T08:50:00Z","kind":"rise","rise":0.9}
{"record":"move","batch":"2026-0001","time":"2026-02-01T08:50:00Z","place":"crate"}
{"record":"stage","batch":"2026-0001","stage":"bulk","start":"2026-02-01T08:00:00Z","end":"2026-02-01T09:10:00Z","outcome":"ready","dough_temperature":24}
{"record":"stage","batch":"2026-0001","stage":"final","start":"2026-02-01T09:30:00Z","end":"2026-02-01T10:00:00Z","outcome":"over"}
{"record":"batch","id":"2026-0002","dough":"plum braid","place":"shelf","formula":[{"ingredient":"wheat flour","mass_g":350},{"ingredient":"instant yeast","mass_g":9}]}
{"record":"stage","batch":"2026-0002","stage":"bulk","start":"2026-02-01T08:45:00Z","end":"2026-02-01T09:20:00Z","outcome":"ready"}
"#;
    let a = bench(&before).forecast("08:40");
    let b = bench(&format!("{before}{later}{}{}", air("shelf", 41, 300, |_| 31.0), air("crate", 41, 300, |_| 31.0)))
        .forecast("08:40");
    assert_eq!(a, b);
}

#[test]
fn what_was_learned_reads_back() {
    let b = bench(KITCHEN);
    let learned = Learned::fit(b.sources(), t("09:00"), super::inputs::Without::default()).expect("no store");
    let text = serde_json::to_string(&learned).expect("writes");
    assert_eq!(serde_json::from_str::<Learned>(&text).expect("reads"), learned);
}

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

pub(super) fn shown(now: UtcMs, fahrenheit: bool) -> doughwarden_dashboards::show::Show {
    doughwarden_dashboards::show::Show {
        now: now.timestamp(),
        zone: jiff::tz::TimeZone::UTC,
        fahrenheit,
    }
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
    Bench {
        book: Book::from_records(records),
        readings: InMemory::new(readings),
    }
}

impl Bench {
    pub fn sources(&self) -> Sources<'_> {
        Sources {
            book: &self.book,
            readings: &self.readings,
            model_sensors: &[],
        }
    }

    pub fn forecast(&self, at: &str) -> ForecastDocument {
        let learned = Memory::default()
            .at(self.sources(), t(at), 0)
            .expect("no store");
        view(self.sources(), &learned, "2026-0001", t(at))
            .expect("in progress")
            .document
    }
}

/// Air every minute: `c(minutes since 08:00)`.
pub(super) fn air(place: &str, from: i64, to: i64, c: impl Fn(f64) -> f64) -> String {
    (from..=to)
        .map(|m| air_line(place, m as f64, c(m as f64)))
        .collect()
}

fn air_line(place: &str, m: f64, c: f64) -> String {
    format!(
        "{{\"record\":\"reading\",\"time\":\"{}\",\"sensor\":\"{place}\",\"quantity\":\"air_temperature\",\"value\":{c},\"unit\":\"Cel\"}}\n",
        t("08:00").plus_min(m)
    )
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
    assert!(
        p10 < 75.0 && p90 > 108.0 && p10 > 40.0 && p90 < 150.0,
        "{p10} {p90}"
    );
}

#[test]
fn warmth_shortens_it_by_the_law_along_the_dough_not_the_air() {
    // A step to 30 °C at 30 min: by the published law the rest goes 1.36 times as fast once the
    // dough is there, but 0.6 kg of dough lags by about two hours.
    let b = bench(&format!(
        "{KITCHEN}{}",
        air("shelf", -30, 60, |m| if m < 30.0 { 24.0 } else { 30.0 })
    ));
    let [_, p50, _] = minutes(&b.forecast("09:00"));
    let law = RateLaw::default();
    let at_once = 30.0 + 60.0 * law.rate(24.0) / law.rate(30.0);
    assert!(
        p50 < 88.0 && p50 > at_once + 3.0,
        "{p50}, at once {at_once}"
    );
    let warm = b.forecast("09:00").dough_temperature.now;
    assert!((24.8..27.0).contains(&warm), "{warm}");
}

#[test]
fn a_move_takes_the_new_place_s_air() {
    let moved =
        r#"{"record":"move","batch":"2026-0001","time":"2026-02-01T08:30:00Z","place":"crate"}"#;
    let all = format!(
        "{KITCHEN}{moved}\n{}{}",
        air("shelf", -30, 60, |_| 20.0),
        air("crate", -30, 60, |_| 32.0)
    );
    let stayed = bench(&format!("{KITCHEN}{}", air("shelf", -30, 60, |_| 20.0)));
    let went = bench(&all);
    assert!(minutes(&went.forecast("09:00"))[1] + 10.0 < minutes(&stayed.forecast("09:00"))[1]);
    // Before the move both say the same.
    assert_eq!(went.forecast("08:20").ready, stayed.forecast("08:20").ready);
    assert!(
        went.forecast("09:00")
            .evidence
            .iter()
            .any(|e| e.contains("moved"))
    );
}

#[test]
fn without_a_reading_the_contract_s_24_degrees_are_assumed_and_said() {
    let b = bench(KITCHEN);
    let f = b.forecast("08:20");
    assert!((minutes(&f)[1] - 90.0).abs() < 3.0, "{:?}", minutes(&f));
    assert!(
        f.assumed_air_temperature
            .iter()
            .all(|p| (p.value - 24.0).abs() < 3.1)
    );
    assert!(
        f.evidence
            .iter()
            .any(|e| e.contains("No reading of the air: 24 °C is assumed"))
    );
}

#[test]
fn a_gap_drifts_towards_the_room_and_is_named() {
    let moved =
        r#"{"record":"move","batch":"2026-0001","time":"2026-02-01T08:01:00Z","place":"crate"}"#;
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
        format!(
            "{{\"record\":\"observation\",\"batch\":\"2026-0001\",\"time\":\"2026-02-01T08:45:00Z\",\"kind\":\"rise\",\"rise\":{y}}}\n"
        )
    };
    let fast = bench(&format!("{KITCHEN}{}{readings}", rise(0.75)));
    let slow = bench(&format!("{KITCHEN}{}{readings}", rise(0.1)));
    assert!(minutes(&fast.forecast("08:50"))[1] + 15.0 < minutes(&slow.forecast("08:50"))[1]);
    let late = fast.forecast("11:00");
    assert!(late.ready.p10 >= Some(t("11:00")) && late.ready.p90 >= late.ready.p10);
    let now = fast.forecast("08:50").rise.now;
    assert!(
        now.p10 < 0.85 && now.p90 > 0.65 && now.p10 <= now.p50 && now.p50 <= now.p90,
        "{now:?}"
    );
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
    let b = bench(&format!(
        "{before}{later}{}{}",
        air("shelf", 41, 300, |_| 31.0),
        air("crate", 41, 300, |_| 31.0)
    ))
    .forecast("08:40");
    assert_eq!(a, b);
}

#[test]
fn what_was_learned_reads_back() {
    let b = bench(KITCHEN);
    let learned =
        Learned::fit(b.sources(), t("09:00"), super::inputs::Without::default()).expect("no store");
    let text = serde_json::to_string(&learned).expect("writes");
    assert_eq!(
        serde_json::from_str::<Learned>(&text).expect("reads"),
        learned
    );
}

/// Some finished bakes of the kitchen's dough before the one in progress: each takes `minutes` at 24 °C.
pub(super) fn history(minutes: &[f64]) -> String {
    let mut out = String::new();
    for (i, m) in minutes.iter().enumerate() {
        let start = UtcMs::parse("2026-01-05T08:00:00Z")
            .expect("a time")
            .plus_min(1440.0 * i as f64);
        let id = format!("2025-{i:04}");
        out += &format!(
            "{{\"record\":\"batch\",\"id\":\"{id}\",\"dough\":\"plum braid\",\"place\":\"shelf\"}}\n"
        );
        out += &format!(
            "{{\"record\":\"stage\",\"batch\":\"{id}\",\"stage\":\"bulk\",\"start\":\"{start}\",\"end\":\"{}\",\"outcome\":\"ready\",\"dough_temperature\":24}}\n",
            start.plus_min(*m)
        );
        for k in 0..((*m / 5.0) as i64) {
            out += &format!(
                "{{\"record\":\"reading\",\"time\":\"{}\",\"sensor\":\"shelf\",\"quantity\":\"air_temperature\",\"value\":24,\"unit\":\"Cel\"}}\n",
                start.plus_min(5.0 * k as f64)
            );
        }
    }
    out
}

#[test]
fn finished_bakes_move_it_and_narrow_it() {
    let times = [131.0, 128.0, 135.0, 126.0, 133.0, 129.0];
    let b = bench(&format!(
        "{KITCHEN}{}{}",
        history(&times),
        air("shelf", -30, 20, |_| 24.0)
    ));
    let a = bench(&format!("{KITCHEN}{}", air("shelf", -30, 20, |_| 24.0)));
    let ([l, m, h], [l0, _, h0]) = (minutes(&b.forecast("08:20")), minutes(&a.forecast("08:20")));
    // The looks that ended them came some minutes after the doughs were ready.
    assert!((112.0..131.0).contains(&m), "{m}");
    assert!(
        (h - l) / m < 0.8 * (h0 - l0) / 90.0,
        "{l} {h} against {l0} {h0}"
    );
}

#[test]
fn what_is_not_to_be_learned_teaches_nothing() {
    let plain = bench(&format!("{KITCHEN}{}", air("shelf", -30, 20, |_| 24.0))).forecast("08:20");
    let long = history(&[180.0, 190.0, 185.0]);
    for (from, to) in [
        ("\"outcome\":\"ready\"", "\"outcome\":\"unknown\""),
        ("\"outcome\":\"ready\"", "\"outcome\":\"abandoned\""),
        (
            "\"place\":\"shelf\"}",
            "\"place\":\"shelf\",\"learn\":false}",
        ),
    ] {
        let b = bench(&format!(
            "{KITCHEN}{}{}",
            long.replace(from, to),
            air("shelf", -30, 20, |_| 24.0)
        ));
        assert_eq!(b.forecast("08:20").ready, plain.ready, "{to}");
    }
}

#[test]
fn a_split_batch_shares_its_parent_s_bulk_proof() {
    let split = r#"
{"record":"stage","batch":"2026-0001","stage":"bulk","start":"2026-02-01T08:00:00Z","end":"2026-02-01T09:05:00Z","outcome":"ready","dough_temperature":24}
{"record":"batch","id":"2026-0002","dough":"plum braid","place":"shelf","from":"2026-0001","pieces":2,"piece_mass_g":300}
{"record":"stage","batch":"2026-0002","stage":"final","start":"2026-02-01T09:10:00Z","dough_temperature":24}
"#;
    let alone = split.replace(",\"from\":\"2026-0001\"", "");
    let ask = |lines: &str| {
        let b = bench(&format!(
            "{KITCHEN}{lines}{}",
            air("shelf", -30, 80, |_| 24.0)
        ));
        let learned = Learned::default();
        view(b.sources(), &learned, "2026-0002", t("09:15"))
            .expect("in progress")
            .document
    };
    // The bulk proof went a quarter quicker than the recipe says: the final one is expected to be quick too.
    let (with, without) = (ask(split), ask(&alone));
    assert!(with.ready.p50.expect("soon") < without.ready.p50.expect("soon").plus_min(-1.0));
    assert!(with.evidence.iter().any(|e| e.contains("carried over")));
}

#[test]
fn the_back_test_judges_ready_stages_and_leaves_the_batch_out() {
    let times = [95.0, 100.0, 92.0, 105.0, 97.0];
    let mut lines = history(&times);
    lines += "{\"record\":\"batch\",\"id\":\"2025-x\",\"dough\":\"plum braid\",\"place\":\"shelf\",\"learn\":false}\n";
    lines += "{\"record\":\"stage\",\"batch\":\"2025-x\",\"stage\":\"bulk\",\"start\":\"2026-01-20T08:00:00Z\",\"end\":\"2026-01-20T09:00:00Z\",\"outcome\":\"ready\"}\n";
    let b = bench(&lines);
    let now = t("08:00");
    let (points, left_out) = super::backtest::points(b.sources(), now).expect("no store");
    let d = super::backtest::document(&points, left_out);
    assert_eq!(
        (
            d.overall.n,
            d.by_stage.bulk.n,
            d.by_stage.final_.n,
            d.left_out
        ),
        (15, 15, 0, 1)
    );
    assert_eq!(d.by_stage.final_.coverage, None);
    // The wall clock by hand: mean of the other four.
    let first = points
        .iter()
        .find(|p| p.batch == "2025-0000")
        .expect("judged");
    assert!((first.clock.expect("others") - (100.0 + 92.0 + 105.0 + 97.0) / 4.0).abs() < 1e-9);
    assert!((first.doubling.expect("others") - first.clock.expect("others")).abs() < 1e-6);
    // Its own end changes nothing of what would have been said at the same moment.
    let learned = |lines: &str| {
        let b = bench(lines);
        let (points, _) = super::backtest::points(b.sources(), now).expect("no store");
        let p = points
            .iter()
            .find(|p| p.batch == "2025-0000" && p.share == 0.5)
            .expect("judged")
            .clone();
        (p.quantiles, p.took_min)
    };
    let (q1, took1) = learned(&lines);
    let (q2, took2) = learned(&lines.replace("2026-01-05T09:35:00Z", "2026-01-05T09:36:00Z"));
    assert!((took2 - took1 - 1.0).abs() < 1e-9);
    // Asked half a minute later, nothing more.
    assert!(
        q1.iter().zip(q2).all(|(a, b)| (a - b).abs() < 0.7),
        "{q1:?} {q2:?}"
    );
}

/// Wanders, and trembles.
fn wave(m: f64) -> f64 {
    23.0 + 3.0 * (m / 40.0).sin() + 0.1 * (m * 7.0).sin()
}

/// A reading of the shelf's air, minutes since 08:00.
fn of_the_shelf(m: f64) -> crate::store::StoredReading {
    let time = t("08:00").plus_min(m);
    crate::store::StoredReading {
        time,
        arrived: time,
        sensor: "shelf".into(),
        quantity: crate::batches::record::Quantity::AirTemperature,
        value: wave(m),
        raw: None,
        kept_out: None,
        place: Some("shelf".into()),
        batch: None,
    }
}

/// What one proof read up to 08:10 and then taken reading by reading up to 09:20, in this order,
/// says; and what the whole log says then.
fn by_one_and_at_once(minutes: &[f64]) -> [ForecastDocument; 2] {
    use super::running::Running;
    let mut all: Vec<f64> = (-30..=10)
        .map(f64::from)
        .chain(minutes.iter().copied())
        .collect();
    all.sort_by(f64::total_cmp);
    let lines: String = all
        .into_iter()
        .map(|m| air_line("shelf", m, wave(m)))
        .collect();
    let whole = bench(&format!("{KITCHEN}{lines}"));
    let learned = std::sync::Arc::new(Learned::default());
    let kind = crate::batches::record::StageKind::Bulk;
    let mut running = Running::read(whole.sources(), &learned, "2026-0001", kind, t("08:10"))
        .expect("in progress");
    for m in minutes {
        assert!(running.take(&of_the_shelf(*m)), "{m}");
    }
    // Three minutes behind is late: the whole log is to be read again.
    assert!(!running.take(&of_the_shelf(77.0)));
    let now = t("09:20");
    let by_one = running
        .outlook(now)
        .view(
            "2026-0001",
            now,
            &learned,
            &whole.sources(),
            &shown(now, false),
        )
        .document;
    let at_once = view(whole.sources(), &learned, "2026-0001", now).expect("in progress");
    [by_one, at_once.document]
}

#[test]
fn reading_by_reading_gives_what_the_whole_log_gives() {
    let each_minute: Vec<f64> = (11..=80).map(f64::from).collect();
    let [by_one, at_once] = by_one_and_at_once(&each_minute);
    for (a, b) in minutes(&by_one).iter().zip(minutes(&at_once)) {
        assert!((a - b).abs() < 0.05, "{a} {b}");
    }
    assert!((by_one.dough_temperature.now - at_once.dough_temperature.now).abs() < 0.01);
    assert_eq!(by_one.evidence, at_once.evidence);
}

/// In a burst neighbours change places; nobody has to read the whole log again for that.
#[test]
fn a_burst_a_little_out_of_order_gives_what_the_whole_log_gives() {
    let mut each_20_s: Vec<f64> = (31..=240).map(|n| f64::from(n) / 3.0).collect();
    for pair in each_20_s.chunks_mut(2) {
        pair.reverse();
    }
    let [by_one, at_once] = by_one_and_at_once(&each_20_s);
    for (a, b) in minutes(&by_one).iter().zip(minutes(&at_once)) {
        assert!((a - b).abs() < 0.2, "{a} {b}");
    }
    assert!((by_one.dough_temperature.now - at_once.dough_temperature.now).abs() < 0.02);
}

#[test]
fn a_vessel_s_own_lag_is_learned_where_its_dough_was_measured_and_nowhere_else() {
    // Doughs of 0.9 kg from 24 °C into 32 °C, measured after an hour and two: in the stone crock the
    // dough lags with 250 minutes, in the steel bowl with 80 (first order, exact).
    let bake = |id: usize, vessel: &str, tau: Option<f64>| {
        let start = UtcMs::parse(&format!("2026-01-{:02}T08:00:00Z", id + 2)).expect("a time");
        let mut lines = format!(
            "{{\"record\":\"batch\",\"id\":\"v-{id}\",\"dough\":\"plum braid\",\"place\":\"crate\",\"vessel\":\"{vessel}\",\"formula\":[{{\"ingredient\":\"wheat flour\",\"mass_g\":540}},{{\"ingredient\":\"water\",\"mass_g\":345}},{{\"ingredient\":\"salt\",\"mass_g\":10}},{{\"ingredient\":\"instant yeast\",\"mass_g\":5}}]}}\n\
             {{\"record\":\"stage\",\"batch\":\"v-{id}\",\"stage\":\"bulk\",\"start\":\"{start}\",\"end\":\"{}\",\"outcome\":\"ready\",\"dough_temperature\":24}}\n",
            start.plus_min(121.0)
        );
        for m in (-5..=125).step_by(5) {
            lines += &format!(
                "{{\"record\":\"reading\",\"time\":\"{}\",\"sensor\":\"crate\",\"quantity\":\"air_temperature\",\"value\":32,\"unit\":\"Cel\"}}\n",
                start.plus_min(f64::from(m))
            );
        }
        for m in [60.0, 120.0] {
            if let Some(tau) = tau {
                let dough = 32.0 - 8.0 * (-m / tau).exp();
                lines += &format!(
                    "{{\"record\":\"observation\",\"batch\":\"v-{id}\",\"time\":\"{}\",\"kind\":\"dough_temperature\",\"value\":{dough},\"unit\":\"Cel\"}}\n",
                    start.plus_min(m)
                );
            }
        }
        lines
    };
    let mut history = String::new();
    for i in 0..4 {
        history += &bake(3 * i, "Stone  crock", Some(250.0));
        history += &bake(3 * i + 1, "steel bowl", Some(80.0));
        history += &bake(3 * i + 2, "enamel bowl", None);
    }
    let dough = |vessel: &str, history: &str| {
        let b = bench(&format!(
            "{}{history}{}",
            KITCHEN.replace(
                "\"place\":\"shelf\",\"pieces\"",
                &format!("\"place\":\"crate\",\"vessel\":\"{vessel}\",\"pieces\"")
            ),
            air("crate", -30, 60, |_| 32.0)
        ));
        b.forecast("09:00").dough_temperature.now
    };
    let [crock, steel, enamel, none] =
        ["stone crock", "steel bowl", "enamel bowl", "glass bowl"].map(|v| dough(v, &history));
    assert!(steel > crock + 1.0, "{steel} {crock}");
    assert!(crock < enamel && enamel < steel, "{crock} {enamel} {steel}");
    // A vessel in which nobody measured goes by the kitchen's, as an unknown one does.
    assert!((enamel - none).abs() < 1e-9);
    // Without any measurement every vessel is alike.
    let unmeasured: String = (0..6).map(|i| bake(i, "stone crock", None)).collect();
    assert!((dough("stone crock", &unmeasured) - dough("glass bowl", &unmeasured)).abs() < 1e-9);
    let learned = |lines: &str| {
        let b = bench(&format!("{KITCHEN}{lines}"));
        Learned::fit(b.sources(), t("08:00"), Default::default()).expect("no store")
    };
    assert!(learned(&unmeasured).lag.vessels.is_empty());
    let lag = learned(&history).lag;
    assert_eq!(lag.vessels.len(), 2);
    assert!(
        lag.vessels["stone crock"].scale > 1.15 * lag.scale
            && lag.vessels["stone crock"].proofs == 4
    );
    assert!(
        lag.parameters()
            .iter()
            .any(|p| p.name.contains("stone crock"))
    );
}

#[test]
fn a_kitchen_outside_its_logged_temperatures_and_lasting_harm_are_said_in_the_baker_s_unit() {
    let times = [88.0, 93.0, 90.0, 95.0, 89.0, 91.0];
    let ask = |air: String, fahrenheit: bool| {
        let b = bench(&format!("{KITCHEN}{}{air}", history(&times)));
        let learned = Memory::default()
            .at(b.sources(), t("09:00"), 0)
            .expect("no store");
        super::view_shown(
            b.sources(),
            &learned,
            "2026-0001",
            t("09:00"),
            &shown(t("09:00"), fahrenheit),
        )
        .expect("in progress")
    };
    let usual = ask(air("shelf", -30, 60, |_| 24.0), false);
    let outside = |v: &super::ProofView| {
        v.document
            .evidence
            .iter()
            .any(|e| e.contains("outside the"))
    };
    assert!(!outside(&usual) && usual.yeast_left > 0.999);
    // A box at 34 °C: the dough is on its way out of the 24 °C that were logged.
    let warm = ask(air("shelf", -30, 60, |_| 34.0), false);
    assert!(outside(&warm), "{:?}", warm.document.evidence);
    // An oven at 70 °C for most of an hour: part of the yeast is dead, and cooling does not mend it.
    let hot = ask(
        air("shelf", -30, 60, |m| {
            if (0.0..50.0).contains(&m) { 70.0 } else { 24.0 }
        }),
        true,
    );
    assert!(hot.yeast_left < 0.95, "{}", hot.yeast_left);
    let told = hot.document.evidence.join(" ");
    assert!(told.contains("survived"), "{told}");
    assert!(told.contains("75.2 °F") && !told.contains("°C"), "{told}");
    assert!(
        hot.document.ready.p50.is_none_or(|h| h > usual
            .document
            .ready
            .p50
            .expect("soon")
            .plus_min(-40.0))
    );
}

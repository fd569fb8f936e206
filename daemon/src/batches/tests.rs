//! The log book's door, tested against the contract's own example and rules.

use std::sync::Arc;

use super::apply::{Applied, apply, undo};
use crate::app::App;
use crate::batches::record::{Outcome, Quantity, StageKind};
use crate::config::Config;
use crate::store::sqlite::SqliteStore;
use crate::store::{KeptOut, ReadingQuery, Store, StoredReading};
use crate::time::{Clock, UtcMs};

/// The example of the interface's description, as it stands there.
pub(super) const EXAMPLE: &str = r#"{"record":"place","name":"box","kind":"box"}
{"record":"dough","name":"cardamom knots","bulk":{"usual_min":95,"at":24,"target_rise":0.8},"final":{"usual_min":55,"at":25},"ceiling":29,"lead_min":{"bulk":10,"final":30},"caution":["egg","milk"]}
{"record":"batch","id":"2026-knots-0110","dough":"cardamom knots","place":"box","pieces":14,"piece_mass_g":60,"formula":[{"ingredient":"wheat flour","mass_g":440},{"ingredient":"milk","mass_g":205},{"ingredient":"egg yolk","mass_g":36},{"ingredient":"butter","mass_g":95},{"ingredient":"sugar","mass_g":75},{"ingredient":"salt","mass_g":7.5},{"ingredient":"instant yeast","mass_g":5}]}
{"record":"stage","batch":"2026-knots-0110","stage":"bulk","start":"2026-01-10T06:05:00Z","end":"2026-01-10T07:42:00Z","outcome":"ready","dough_temperature":25.5}
{"record":"move","batch":"2026-knots-0110","time":"2026-01-10T06:40:00Z","place":"counter"}
{"record":"observation","batch":"2026-knots-0110","time":"2026-01-10T07:00:00Z","kind":"rise","rise":0.42}
{"record":"observation","batch":"2026-knots-0110","time":"2026-01-10T07:30:00Z","kind":"finger_dent","result":"springs_back"}
{"record":"observation","batch":"2026-knots-0110","time":"2026-01-10T07:35:00Z","kind":"dough_temperature","value":25.9,"unit":"Cel"}
{"record":"reading","time":"2026-01-10T06:00:00Z","sensor":"box","quantity":"air_temperature","value":24.1,"unit":"Cel"}
"#;

pub(super) fn at(text: &str) -> UtcMs {
    UtcMs::parse(text).unwrap()
}

pub(super) struct Kitchen {
    pub app: Arc<App>,
    pub dir: tempfile::TempDir,
}

pub(super) fn kitchen() -> Kitchen {
    let dir = tempfile::tempdir().unwrap();
    let store = Arc::new(SqliteStore::open(dir.path()).unwrap());
    let clock = Clock::by_hand(at("2026-01-10T12:00:00Z"));
    let app = App::new(clock, Config::default(), dir.path().into(), store).unwrap();
    Kitchen { app, dir }
}

fn put(kitchen: &Kitchen, lines: &str) -> Applied {
    apply(&kitchen.app, lines, false).unwrap()
}

fn reasons(applied: &Applied) -> Vec<(usize, &str)> {
    applied
        .bad
        .iter()
        .map(|bad| (bad.line, bad.reason.as_str()))
        .collect()
}

fn readings(kitchen: &Kitchen) -> Vec<StoredReading> {
    let query = ReadingQuery {
        with_kept_out: true,
        ..ReadingQuery::default()
    };
    kitchen.app.store.readings(&query).unwrap()
}

#[test]
fn the_example_goes_in_once() {
    let k = kitchen();
    let first = put(&k, EXAMPLE);
    assert_eq!((first.written, first.readings, first.again), (8, 1, 0));
    assert!(
        first.bad.is_empty() && first.warnings.is_empty(),
        "{first:?}"
    );
    let book = k.app.book();
    let stage = book.own_stage("2026-knots-0110", StageKind::Bulk).unwrap();
    assert_eq!(stage.outcome, Some(Outcome::Ready));
    let second = put(&k, EXAMPLE);
    assert_eq!((second.written, second.readings, second.again), (0, 0, 1));
    assert_eq!(second.group, None);
    assert_eq!(k.app.book(), book);
}

#[test]
fn references_may_point_anywhere_within_the_run() {
    let forward = kitchen();
    put(&forward, EXAMPLE);
    let backward = kitchen();
    let lines: Vec<&str> = EXAMPLE.lines().rev().collect();
    let applied = put(&backward, &lines.join("\n"));
    assert!(applied.bad.is_empty(), "{applied:?}");
    assert_eq!(backward.app.book(), forward.app.book());
    assert_eq!(readings(&backward), readings(&forward));
}

#[test]
fn each_bad_line_is_told_and_the_good_ones_go_in() {
    let k = kitchen();
    let lines = [
        r#"{"record":"batch","id":"a","dough":"d","place":"p"}"#,
        "not json",
        r#"[1,2]"#,
        r#"{"name":"x"}"#,
        r#"{"record":"place"}"#,
        r#"{"record":"batch","id":"with space","dough":"d","place":"p"}"#,
        r#"{"record":"batch","id":"b"}"#,
        r#"{"record":"stage","batch":"nobody","stage":"bulk","start":"2026-01-10T06:00:00Z"}"#,
        r#"{"record":"stage","batch":"a","stage":"bulk","start":"2026-01-10T06:00:00Z","outcome":"ready"}"#,
        r#"{"record":"stage","batch":"a","stage":"bulk","start":"2026-01-10T06:00:00Z","end":"2026-01-10T06:00:00Z"}"#,
        r#"{"record":"observation","batch":"a","time":"2026-01-10T07:00:00Z","kind":"rise"}"#,
        r#"{"record":"observation","batch":"a","time":"2026-01-10T07:00:00Z","kind":"note","text":"glossy"}"#,
        r#"{"record":"move","batch":"a","time":"2026-01-10T12:10:00.001Z","place":"q"}"#,
        r#"{"record":"move","batch":"a","time":"2026-01-10T12:10:00Z","place":"q"}"#,
        r#"{"record":"reading","time":"2026-01-10T06:00:00Z","sensor":"s","quantity":"air_temperature","value":24}"#,
        r#"{"record":"reading","time":"2026-01-10T06:00:00Z","sensor":"s","quantity":"air_temperature","value":75,"unit":"degF"}"#,
        r#"{"record":"reading","time":"2026-01-10T06:00:00Z","sensor":"s","quantity":"dough_height","value":0.1,"unit":"m","batch":"nobody"}"#,
        r#"{"record":"reading","time":"2106-01-10T06:00:00Z","sensor":"s","quantity":"humidity","value":50,"unit":"%RH"}"#,
    ];
    let applied = put(&k, &lines.join("\r\n"));
    let bad: Vec<usize> = applied.bad.iter().map(|b| b.line).collect();
    assert_eq!(
        bad,
        [2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 15, 16, 17, 18],
        "{:?}",
        reasons(&applied)
    );
    for (line, reason) in reasons(&applied) {
        assert!(
            !reason.contains('\n') && reason.len() > 8,
            "{line}: {reason}"
        );
    }
    assert_eq!(applied.written, 3);
    let k = kitchen();
    let strict = apply(&k.app, &lines.join("\n"), true).unwrap();
    assert_eq!(strict.bad.len(), 15);
    assert_eq!(
        (strict.written, strict.readings, strict.group),
        (0, 0, None)
    );
    assert!(k.app.store.book().unwrap().is_empty());
}

#[test]
fn a_bad_batch_takes_what_names_it_along() {
    let k = kitchen();
    let applied = put(
        &k,
        r#"{"record":"batch","id":"a","dough":"d","place":"p","from":"gone"}
{"record":"batch","id":"b","dough":"d","place":"p","from":"a"}
{"record":"move","batch":"b","time":"2026-01-10T06:00:00Z","place":"q"}
{"record":"batch","id":"x","dough":"d","place":"p","from":"y"}
{"record":"batch","id":"y","dough":"d","place":"p","from":"x"}"#,
    );
    assert_eq!(applied.bad.len(), 5, "{applied:?}");
    assert!(k.app.book().batches.is_empty());
}

#[test]
fn a_later_line_replaces_the_earlier_whole_but_a_reading_stays() {
    let k = kitchen();
    put(&k, EXAMPLE);
    put(
        &k,
        r#"{"record":"batch","id":"2026-knots-0110","dough":"cardamom knots","place":"shelf","colour":"brown"}
{"record":"reading","time":"2026-01-10T06:00:00Z","sensor":"box","quantity":"air_temperature","value":30,"unit":"Cel"}"#,
    );
    let book = k.app.book();
    let batch = &book.batches["2026-knots-0110"];
    assert_eq!((batch.pieces, batch.place.as_str()), (None, "shelf"));
    assert_eq!(batch.formula, None);
    assert_eq!(batch.extra["colour"], "brown");
    assert!((readings(&k)[0].value - 24.1).abs() < 1e-12);
}

#[test]
fn unknown_fields_are_kept_except_on_readings_and_unknown_records_are_not() {
    let k = kitchen();
    let applied = put(
        &k,
        r#"{"record":"dough","name":"buns","bulk":{"usual_min":90,"folds":2},"hydration":0.62}
{"record":"reading","time":"2026-01-10T06:00:00Z","sensor":"s","quantity":"humidity","value":60,"unit":"%RH","rssi":-70}
{"record":"reading","time":"2026-01-10T06:01:00Z","sensor":"s","quantity":"humidity","value":61,"unit":"%RH","rssi":-71}
{"record":"weather","sky":"grey"}"#,
    );
    assert!(applied.bad.is_empty(), "{applied:?}");
    assert_eq!(applied.warnings.len(), 2, "{applied:?}");
    assert!(applied.warnings[0].contains("`weather`"));
    assert!(applied.warnings[1].contains("`rssi`"));
    let book = k.app.book();
    let dough = &book.doughs["buns"];
    assert_eq!(dough.extra["hydration"], 0.62);
    assert_eq!(dough.extra["/bulk/folds"], 2);
    let written = serde_json::to_value(dough).unwrap();
    assert_eq!(written["bulk"]["folds"], 2);
    assert_eq!(written["bulk"]["usual_min"], 90);
    assert_eq!(
        serde_json::from_value::<super::record::Dough>(written).unwrap(),
        *dough
    );
}

#[test]
fn a_value_that_cannot_be_is_kept_out_and_a_reason_given_stays() {
    let k = kitchen();
    let applied = put(
        &k,
        r#"{"record":"reading","time":"2026-01-10T06:00:00Z","sensor":"s","quantity":"humidity","value":130,"unit":"%RH"}
{"record":"reading","time":"2026-01-10T06:01:00Z","sensor":"s","quantity":"humidity","value":60,"unit":"%RH","kept_out":"steam from the kettle"}
{"record":"reading","time":"2026-01-10T06:02:00Z","sensor":"s","quantity":"air_temperature","value":-127,"unit":"Cel","raw":-196.6,"raw_unit":"degF"}
{"record":"reading","time":"2026-01-10T06:03:00Z","sensor":"s","quantity":"air_temperature","value":1e308,"unit":"Cel"}"#,
    );
    assert_eq!((applied.readings, applied.bad.len()), (4, 0));
    let why: Vec<&str> = readings(&k)
        .iter()
        .map(|r| r.kept_out.map_or("", KeptOut::as_str))
        .collect();
    assert_eq!(
        why,
        [
            "out_of_range",
            "steam from the kettle",
            "probe_fault",
            "out_of_range"
        ]
    );
    let status = k.app.store.series().unwrap();
    assert!(status.iter().all(|s| s.count == 2 && s.kept_out == 2));
}

#[test]
fn an_end_alone_is_unknown_and_a_batch_takes_its_doughs_formula_at_its_first_stage() {
    let k = kitchen();
    put(
        &k,
        r#"{"record":"dough","name":"d","formula":[{"ingredient":"flour","mass_g":500}]}
{"record":"batch","id":"a","dough":"d","place":"p"}"#,
    );
    assert_eq!(k.app.book().batches["a"].formula, None);
    let begun = put(
        &k,
        r#"{"record":"stage","batch":"a","stage":"bulk","start":"2026-01-10T06:00:00Z","end":"2026-01-10T07:00:00Z"}"#,
    );
    let book = k.app.book();
    assert_eq!(book.batches["a"].formula, book.doughs["d"].formula);
    let stage = book.own_stage("a", StageKind::Bulk).unwrap();
    assert_eq!(stage.outcome, Some(Outcome::Unknown));
    put(
        &k,
        r#"{"record":"dough","name":"d","formula":[{"ingredient":"flour","mass_g":600}]}"#,
    );
    let formula = k.app.book().batches["a"].formula.clone().unwrap();
    assert!((formula[0].mass_g - 500.0).abs() < 1e-12);
    assert!(undo(&k.app, begun.group.unwrap()).unwrap());
    let book = k.app.book();
    assert!(book.own_stage("a", StageKind::Bulk).is_none());
    assert_eq!(book.batches["a"].formula, None);
}

#[test]
fn a_change_is_undone_unless_a_later_one_stands_in_the_way() {
    let k = kitchen();
    let batch = put(&k, r#"{"record":"batch","id":"a","dough":"d","place":"p"}"#);
    let moved = put(
        &k,
        r#"{"record":"move","batch":"a","time":"2026-01-10T06:00:00Z","place":"q"}"#,
    );
    // The move rests on the batch.
    assert!(!undo(&k.app, batch.group.unwrap()).unwrap());
    assert!(undo(&k.app, moved.group.unwrap()).unwrap());
    assert!(!undo(&k.app, moved.group.unwrap()).unwrap());
    assert!(undo(&k.app, batch.group.unwrap()).unwrap());
    assert!(k.app.store.book().unwrap().is_empty());
    // Undoing is a change like any other.
    let undone = k.app.store.changes(1).unwrap()[0].group;
    assert!(undo(&k.app, undone).unwrap());
    assert!(k.app.book().batches.contains_key("a"));
}

#[test]
fn a_reading_stands_in_the_place_it_names_or_that_of_its_sensors_name() {
    let k = kitchen();
    put(
        &k,
        r#"{"record":"batch","id":"a","dough":"d","place":"box"}
{"record":"stage","batch":"a","stage":"bulk","start":"2026-01-10T06:00:00Z"}
{"record":"reading","time":"2026-01-10T06:00:00Z","sensor":"box","quantity":"air_temperature","value":24,"unit":"Cel"}
{"record":"reading","time":"2026-01-10T06:01:00Z","sensor":"box","quantity":"air_temperature","value":24,"unit":"Cel","place":"shelf"}
{"record":"reading","time":"2026-01-10T06:01:00Z","sensor":"stray","quantity":"air_temperature","value":24,"unit":"Cel"}
{"record":"reading","time":"2026-01-10T06:02:00Z","sensor":"probe","quantity":"dough_temperature","value":24,"unit":"Cel","place":"box"}"#,
    );
    let found = readings(&k);
    let places: Vec<_> = found.iter().map(|r| r.place.as_deref()).collect();
    assert_eq!(places, [Some("box"), Some("shelf"), None, Some("box")]);
    let book = k.app.book();
    assert_eq!(book.batch_of(&found[3]), Some("a"));
    assert_eq!(found[3].quantity, Quantity::DoughTemperature);
    // With a second batch there the probe belongs to neither.
    put(
        &k,
        r#"{"record":"batch","id":"b","dough":"d","place":"box"}
{"record":"stage","batch":"b","stage":"bulk","start":"2026-01-10T06:00:00Z"}"#,
    );
    assert_eq!(k.app.book().batch_of(&found[3]), None);
}

#[test]
fn a_split_batch_stood_where_the_whole_stood() {
    let k = kitchen();
    put(
        &k,
        r#"{"record":"batch","id":"whole","dough":"d","place":"box"}
{"record":"stage","batch":"whole","stage":"bulk","start":"2026-01-10T06:00:00Z","end":"2026-01-10T07:30:00Z","outcome":"ready"}
{"record":"move","batch":"whole","time":"2026-01-10T06:30:00Z","place":"counter"}
{"record":"stage","batch":"whole","stage":"final","start":"2026-01-10T08:00:00Z","place":"oven"}
{"record":"batch","id":"half","dough":"d","place":"fridge","from":"whole"}
{"record":"stage","batch":"half","stage":"final","start":"2026-01-10T07:50:00Z"}"#,
    );
    let book = k.app.book();
    let place = |id: &str, time: &str| book.place_at(id, at(time)).unwrap().to_owned();
    assert_eq!(place("half", "2026-01-10T06:10:00Z"), "box");
    assert_eq!(place("half", "2026-01-10T07:00:00Z"), "counter");
    assert_eq!(place("half", "2026-01-10T08:30:00Z"), "fridge");
    assert_eq!(place("whole", "2026-01-10T08:30:00Z"), "oven");
    let stays = book.stays(
        "half",
        at("2026-01-10T06:00:00Z"),
        at("2026-01-10T09:00:00Z"),
    );
    let places: Vec<&str> = stays.iter().map(|(_, p)| p.as_str()).collect();
    assert_eq!(places, ["box", "counter", "fridge"]);
}

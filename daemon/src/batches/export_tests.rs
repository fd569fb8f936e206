//! Export: the contract's example comes back as it is, any book gives the same bytes twice, and
//! filters bring what belongs together.

use proptest::prelude::*;

use super::apply::apply;
use super::export::{ExportError, Filter, export};
use super::tests::{EXAMPLE, Kitchen, at, kitchen};
use crate::batches::record::Quantity;
use crate::store::{Arrival, KeptOut, StoredReading};

fn exported(kitchen: &Kitchen, filter: &Filter) -> String {
    let mut out = Vec::new();
    export(&*kitchen.app.store, filter, &mut out).unwrap();
    String::from_utf8(out).unwrap()
}

fn all(kitchen: &Kitchen) -> String {
    exported(kitchen, &Filter::default())
}

fn take_in(lines: &str) -> Kitchen {
    let kitchen = kitchen();
    let applied = apply(&kitchen.app, lines, true).unwrap();
    assert!(applied.bad.is_empty(), "{applied:?}");
    kitchen
}

#[test]
fn the_example_comes_back_as_it_is() {
    assert_eq!(all(&take_in(EXAMPLE)), EXAMPLE);
}

#[test]
fn fields_stand_in_the_examples_order_and_others_by_name_with_plain_numbers() {
    let kitchen = take_in(
        r#"{"vessel":"tin","lot":{"yeast":"y","flour":"f"},"zeal":3.0,"place":"p","apt":{"b":1.50,"a":2.0},"from":"w","record":"batch","dough":"d","learn":false,"id":"a"}
{"record":"batch","dough":"d","id":"w","place":"p"}
{"place":"q","record":"stage","cake":1,"by":"Ada","batch":"a","stage":"final","dough_temperature":24.0,"start":"2026-01-10T07:05:00.250+01:00"}
{"name":"d","record":"dough","lead_min":{"final":30.0,"bulk":10.0},"bulk":{"mood":true,"target_rise":1.0,"usual_min":95.0,"at":24}}
{"value":24.10,"raw_unit":"degF","raw":75.380,"unit":"Cel","place":"shelf","quantity":"air_temperature","sensor":"s","kept_out":"lone_jump","time":"2026-01-10T06:00:00.000Z","record":"reading"}"#,
    );
    let expected = r#"{"record":"dough","name":"d","bulk":{"usual_min":95,"at":24,"target_rise":1,"mood":true},"lead_min":{"bulk":10,"final":30}}
{"record":"batch","id":"w","dough":"d","place":"p"}
{"record":"batch","id":"a","dough":"d","place":"p","apt":{"a":2,"b":1.5},"from":"w","learn":false,"lot":{"flour":"f","yeast":"y"},"vessel":"tin","zeal":3}
{"record":"stage","batch":"a","stage":"final","start":"2026-01-10T06:05:00.250Z","dough_temperature":24,"by":"Ada","cake":1,"place":"q"}
{"record":"reading","time":"2026-01-10T06:00:00Z","sensor":"s","quantity":"air_temperature","value":24.1,"unit":"Cel","kept_out":"lone_jump","place":"shelf","raw":75.38,"raw_unit":"degF"}
"#;
    assert_eq!(all(&kitchen), expected);
    assert_eq!(all(&take_in(expected)), expected);
}

#[test]
fn a_value_that_is_no_number_stays_in_the_store_only() {
    let kitchen = kitchen();
    let reading = StoredReading {
        time: at("2026-01-10T06:00:00Z"),
        arrived: at("2026-01-10T06:00:00Z"),
        sensor: "s".into(),
        quantity: Quantity::Humidity,
        value: f64::NAN,
        raw: None,
        kept_out: Some(KeptOut::NotANumber),
        place: None,
        batch: None,
    };
    let arrival = Arrival {
        readings: smallvec::smallvec![reading],
        own_time: true,
        packet: None,
    };
    kitchen.app.store.append(&[arrival]).unwrap();
    let mut out = Vec::new();
    let told = export(&*kitchen.app.store, &Filter::default(), &mut out).unwrap();
    assert_eq!((told.readings, told.not_a_number, out.len()), (0, 1, 0));
}

/// Two days: a whole batch and its part (whose final proof is the next morning), an unrelated one,
/// and one that never began.
const DAYS: &str = r#"{"record":"place","name":"counter","kind":"room"}
{"record":"place","name":"box","kind":"box","inside":"counter"}
{"record":"place","name":"fridge","kind":"fridge"}
{"record":"place","name":"cellar"}
{"record":"dough","name":"d"}
{"record":"dough","name":"e"}
{"record":"batch","id":"idle","dough":"e","place":"cellar"}
{"record":"batch","id":"whole","dough":"d","place":"box"}
{"record":"batch","id":"part","dough":"d","place":"fridge","from":"whole"}
{"record":"batch","id":"other","dough":"e","place":"cellar"}
{"record":"stage","batch":"whole","stage":"bulk","start":"2026-01-08T06:00:00Z","end":"2026-01-08T08:00:00Z","outcome":"ready"}
{"record":"stage","batch":"other","stage":"bulk","start":"2026-01-08T10:00:00Z","end":"2026-01-08T11:00:00Z","outcome":"ready"}
{"record":"stage","batch":"part","stage":"final","start":"2026-01-09T06:00:00Z","end":"2026-01-09T07:00:00Z","outcome":"ready"}
{"record":"move","batch":"part","time":"2026-01-08T08:10:00Z","place":"fridge"}
{"record":"observation","batch":"other","time":"2026-01-08T10:30:00Z","kind":"rise","rise":0.5}
{"record":"reading","time":"2026-01-08T06:30:00Z","sensor":"box","quantity":"air_temperature","value":26,"unit":"Cel"}
{"record":"reading","time":"2026-01-08T10:30:00Z","sensor":"cellar","quantity":"air_temperature","value":14,"unit":"Cel"}
{"record":"reading","time":"2026-01-09T06:30:00Z","sensor":"fridge","quantity":"air_temperature","value":5,"unit":"Cel"}
{"record":"reading","time":"2026-01-09T06:40:00Z","sensor":"jar","quantity":"dough_height","value":0.1,"unit":"m","batch":"other","place":"cellar"}
{"record":"reading","time":"2026-01-09T07:30:00Z","sensor":"fridge","quantity":"air_temperature","value":5,"unit":"Cel"}"#;

fn names(text: &str) -> Vec<String> {
    text.lines()
        .map(|line| {
            let value: serde_json::Value = serde_json::from_str(line).unwrap();
            let text = |field: &str| value[field].as_str().unwrap_or("").to_owned();
            let who = ["name", "id", "batch", "sensor"].map(text);
            format!("{} {}", text("record"), who.concat())
        })
        .collect()
}

#[test]
fn a_span_chooses_batches_by_their_first_start_and_readings_by_their_time() {
    let kitchen = take_in(DAYS);
    let first_day = Filter {
        from: Some(at("2026-01-08T06:00:00Z")),
        to: Some(at("2026-01-08T10:00:00Z")),
        batch: None,
    };
    let text = exported(&kitchen, &first_day);
    assert_eq!(
        names(&text),
        [
            "place box",
            "place counter",
            "dough d",
            "batch whole",
            "stage whole",
            "reading box",
        ]
    );
    let second_day = Filter {
        from: Some(at("2026-01-09T00:00:00Z")),
        ..Filter::default()
    };
    let text = exported(&kitchen, &second_day);
    // The part brings its whole; the jar's reading brings the batch it names.
    assert!(names(&text).contains(&"batch whole".to_owned()));
    assert!(names(&text).contains(&"batch other".to_owned()));
    assert!(!names(&text).contains(&"batch idle".to_owned()));
    assert_eq!(all(&take_in(&text)), text);
    assert!(
        names(&all(&kitchen))[6].ends_with("idle"),
        "never begun sorts first"
    );
}

#[test]
fn one_batch_brings_its_whole_and_its_places_readings() {
    let kitchen = take_in(DAYS);
    let part = Filter {
        batch: Some("part".into()),
        ..Filter::default()
    };
    let text = exported(&kitchen, &part);
    assert_eq!(
        names(&text),
        [
            "place box",
            "place counter",
            "place fridge",
            "dough d",
            "batch whole",
            "batch part",
            "stage whole",
            "stage part",
            "move part",
            "reading box",
            "reading fridge",
        ]
    );
    let nobody = Filter {
        batch: Some("nobody".into()),
        ..Filter::default()
    };
    let refused = export(&*kitchen.app.store, &nobody, &mut Vec::new()).unwrap_err();
    assert!(matches!(refused, ExportError::NoBatch(_)));
}

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        -50.0..350.0_f64,
        (-1000_i32..1000).prop_map(f64::from),
        any::<f64>().prop_filter("JSON has finite numbers only", |v| v.is_finite()),
    ]
}

/// One line of a log book, out of few names, so that keys meet.
fn line() -> impl Strategy<Value = String> {
    let ms = 0_i64..100_000_000;
    let time = ms.prop_map(|ms| at("2026-01-08T00:00:00Z").plus_ms(ms).to_string());
    let name = prop_oneof!["[a-c]", "[a-zåß 木\"\\\\]{1,6}x"];
    let batch = prop_oneof![Just("b1"), Just("b2"), Just("B.3_-")];
    let reading = (
        time.clone(),
        name.clone(),
        number(),
        any::<bool>(),
        batch.clone(),
        0..6_usize,
    )
        .prop_map(|(time, sensor, value, extra, batch, q)| {
            let quantity = Quantity::ALL[q];
            let mut line = serde_json::json!({"record":"reading","time":time,"sensor":sensor,
                "quantity":quantity,"value":value,"unit":quantity.unit()});
            if extra {
                line["place"] = "a".into();
                line["raw"] = value.into();
                line["raw_unit"] = "K".into();
                if quantity.is_of_dough() {
                    line["batch"] = batch.into();
                }
            }
            line.to_string()
        });
    let place = (name.clone(), number()).prop_map(|(name, odd)| {
        serde_json::json!({"record":"place","name":name,"odd":odd,"kind":"oven"}).to_string()
    });
    let dough = (name.clone(), number(), number()).prop_map(|(name, a, b)| {
        serde_json::json!({"record":"dough","name":name,"ceiling":a,
            "final":{"at":b,"odd":a},"formula":[{"mass_g":b,"ingredient":"x","odd":[a]}]})
        .to_string()
    });
    let batches = (batch.clone(), name.clone(), name.clone()).prop_map(|(id, dough, place)| {
        serde_json::json!({"record":"batch","id":id,"dough":dough,"place":place}).to_string()
    });
    let stage = (
        batch.clone(),
        time.clone(),
        1_i64..9_000_000,
        any::<[bool; 3]>(),
    )
        .prop_map(|(batch, start, length, [is_final, over, told])| {
            let end = at(&start).plus_ms(length).to_string();
            let mut line = serde_json::json!({"record":"stage","batch":batch,"start":start,
                "stage": if is_final {"final"} else {"bulk"}});
            if over {
                line["end"] = end.into();
                if told {
                    line["outcome"] = "under".into();
                }
            }
            line.to_string()
        });
    let moves = (batch.clone(), time.clone(), name).prop_map(|(batch, time, place)| {
        serde_json::json!({"record":"move","batch":batch,"time":time,"place":place}).to_string()
    });
    let seen = (batch, time, number()).prop_map(|(batch, time, rise)| {
        serde_json::json!({"record":"observation","batch":batch,"time":time,"kind":"rise",
            "rise":rise,"by":"Bo"})
        .to_string()
    });
    prop_oneof![3 => reading, 1 => place, 1 => dough, 1 => batches, 2 => stage, 1 => moves, 1 => seen]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Export, import into an empty directory, export: the same bytes; and a second import of the
    /// same changes nothing.
    #[test]
    fn any_book_gives_the_same_bytes_twice(lines in proptest::collection::vec(line(), 1..60)) {
        let mut lines = lines;
        for id in ["b1", "b2", "B.3_-"] {
            lines.push(format!(
                r#"{{"record":"batch","id":"{id}","dough":"a","place":"b"}}"#
            ));
        }
        let first = take_in(&lines.join("\n"));
        let text = all(&first);
        let second = take_in(&text);
        prop_assert_eq!(&all(&second), &text);
        let again = apply(&second.app, &text, false).unwrap();
        prop_assert_eq!((again.written, again.readings, again.group), (0, 0, None));
        prop_assert_eq!(&all(&second), &text);
    }
}

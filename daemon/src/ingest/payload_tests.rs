//! Checks of the decoder against the published SenML examples and against anything at all.

use proptest::prelude::*;
use serde_json::json;

use super::*;

fn spec(fields: serde_json::Value) -> Sensor {
    let mut all = json!({"name":"s","topic":"t","quantity":"air_temperature","unit":"Cel"});
    for (k, v) in fields.as_object().unwrap() {
        all[k] = v.clone();
    }
    serde_json::from_value(all).unwrap()
}

fn read(payload: &str, fields: serde_json::Value) -> Result<Vec<Measured>, Bad> {
    let found = Body::parse(payload.as_bytes()).measured(&spec(fields));
    found.map(Found::into_vec)
}

fn numbers(payload: &str, fields: serde_json::Value) -> Vec<Option<f64>> {
    read(payload, fields)
        .unwrap()
        .into_iter()
        .map(|m| m.number)
        .collect()
}

#[test]
fn a_number_is_found_wherever_the_mapping_says() {
    assert_eq!(numbers("21.4", json!({})), [Some(21.4)]);
    assert_eq!(numbers(" \"21.4\"\n", json!({})), [Some(21.4)]);
    assert_eq!(
        numbers(
            r#"{"a":{"b/c":["x","21.4"]}}"#,
            json!({"pointer":"/a/b~1c/1"})
        ),
        [Some(21.4)]
    );
    assert_eq!(numbers(r#"{"b":1}"#, json!({"pointer":"/a"})), []);
    assert_eq!(
        numbers(
            r#"{"id":42,"t":20}"#,
            json!({"pointer":"/t","match":{"/id":42}})
        ),
        [Some(20.0)]
    );
    assert_eq!(
        numbers(
            r#"{"id":43,"t":20}"#,
            json!({"pointer":"/t","match":{"/id":42}})
        ),
        []
    );
}

#[test]
fn what_is_no_number_is_said_to_be_none() {
    for payload in [
        "null",
        "NaN",
        "inf",
        "-inf",
        "unavailable",
        "\"unavailable\"",
        "1e999",
    ] {
        assert_eq!(numbers(payload, json!({})), [None], "{payload}");
    }
    assert_eq!(numbers(r#"{"t":null}"#, json!({"pointer":"/t"})), [None]);
    for (payload, fields) in [
        ("", json!({})),
        ("{}", json!({})),
        ("true", json!({})),
        ("{", json!({"pointer":"/t"})),
        (r#"{"t":[1]}"#, json!({"pointer":"/t"})),
    ] {
        assert!(read(payload, fields).is_err(), "{payload}");
    }
    assert!(Body::parse(b"\xff\xfe").measured(&spec(json!({}))).is_err());
}

#[test]
fn times_are_seconds_milliseconds_or_rfc_3339() {
    let at = |payload: &str| {
        read(payload, json!({"pointer":"/v","time_pointer":"/at"})).map(|m| m[0].time)
    };
    let own = When::Own(UtcMs(1_768_025_100_000));
    assert_eq!(at(r#"{"v":1,"at":"2026-01-10T06:05:00Z"}"#), Ok(own));
    assert_eq!(at(r#"{"v":1,"at":"2026-01-10T07:05:00+01:00"}"#), Ok(own));
    assert_eq!(at(r#"{"v":1,"at":1768025100}"#), Ok(own));
    assert_eq!(at(r#"{"v":1,"at":"1768025100"}"#), Ok(own));
    assert_eq!(at(r#"{"v":1,"at":1768025100000}"#), Ok(own));
    assert_eq!(
        at(r#"{"v":1,"at":1768025100.25}"#),
        Ok(When::Own(UtcMs(1_768_025_100_250)))
    );
    // A clock that was not set yet counts from its own start.
    for unset in ["0", "13.5", "\"1970-01-01T00:00:13Z\"", "-7"] {
        let json = format!(r#"{{"v":1,"at":{unset}}}"#);
        assert_eq!(at(&json), Ok(When::Arrival), "{unset}");
    }
    assert_eq!(at(r#"{"v":1,"at":null}"#), Ok(When::Arrival));
    assert_eq!(at(r#"{"v":1}"#), Ok(When::Arrival));
    assert!(at(r#"{"v":1,"at":"teatime"}"#).is_err());
    assert!(at(r#"{"v":1,"at":1e300}"#).is_err());
}

/// RFC 8428, section 5.1.3 ("Multiple Measurements"): base name, base time, base unit, relative
/// times on an absolute base.
#[test]
fn the_rfc_pack_with_a_base_time_reads_as_its_resolved_form() {
    let pack = r#"[
     {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
      "bu":"A","bver":5,
      "n":"voltage","u":"V","v":120.1},
     {"n":"current","t":-5,"v":1.2},
     {"n":"current","t":-4,"v":1.3},
     {"n":"current","v":1.7}]"#;
    // Current in ampere is no quantity of ours: the names and times are what is checked here.
    let as_degrees = pack.replace("\"A\"", "\"Cel\"");
    let found = read(
        &as_degrees,
        json!({"senml_name":"urn:dev:ow:10e2073a0108006:current"}),
    )
    .unwrap();
    // Section 5.1.4's resolved times: 1.276020071001e9, …072001e9, …076001e9.
    let times: Vec<When> = found.iter().map(|m| m.time).collect();
    assert_eq!(
        times,
        [1_276_020_071_001, 1_276_020_072_001, 1_276_020_076_001].map(|t| When::Own(UtcMs(t)))
    );
    assert_eq!(
        found.iter().map(|m| m.number).collect::<Vec<_>>(),
        [Some(1.2), Some(1.3), Some(1.7)]
    );
    let wrong_unit = read(
        pack,
        json!({"senml_name":"urn:dev:ow:10e2073a0108006:current"}),
    );
    assert!(wrong_unit.unwrap_err().0.contains("`A`"));
}

/// RFC 8428, section 5.1.1 (single data point) and section 5.1.4's temperature and humidity units.
#[test]
fn senml_units_values_and_relative_times() {
    let found = read(
        r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#,
        json!({}),
    )
    .unwrap();
    assert_eq!(
        found,
        [Measured {
            number: Some(23.1),
            unit: Unit::Cel,
            time: When::Arrival
        }]
    );
    let found = read(
        r#"[{"bn":"k","bv":270,"u":"K","v":20,"t":-2.5},{"u":"%RH","v":40}]"#,
        json!({}),
    )
    .unwrap();
    assert_eq!(
        found,
        [Measured {
            number: Some(290.0),
            unit: Unit::Kelvin,
            time: When::Relative(-2500)
        }]
    );
    assert!(read(r#"[{"n":"a","v":1},{"n":"b","v":2}]"#, json!({})).is_err());
    assert!(read(r#"[{"n":"a","v":1,"x_":2}]"#, json!({})).is_err());
    assert!(read(r#"[{"n":"a","bver":11,"v":2}]"#, json!({})).is_err());
    assert_eq!(
        numbers(
            r#"[{"n":"a","vs":"text"},{"n":"a","v":2}]"#,
            json!({"senml_name":"a"})
        ),
        [Some(2.0)]
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(10_000))]
    /// Row 9 of the reliability promises: no payload crashes the decoder.
    #[test]
    fn no_payload_panics(
        bytes in proptest::collection::vec(any::<u8>(), 0..64),
        text in r#"[\[\]{}":,.0-9eE+\-nvtub/ a_å]{0,48}"#,
        number in any::<f64>(),
        pointer in "/?[a-z0-9~/å]{0,6}",
    ) {
        let specs = [
            spec(json!({})),
            spec(json!({"pointer":pointer,"time_pointer":pointer,"match":{"/a":1}})),
            spec(json!({"pointer":"/v","time_pointer":"/t"})),
            spec(json!({"senml_name":"a"})),
        ];
        let built = json!({"v":number,"t":number,"a":1}).to_string();
        let pack = format!(r#"[{{"n":"a","bt":{n:?},"t":{n:?},"bv":{n:?},"v":{n:?}}}]"#, n = number);
        for payload in [&bytes[..], text.as_bytes(), built.as_bytes(), pack.as_bytes()] {
            let body = Body::parse(payload);
            for spec in &specs {
                if let Ok(found) = body.measured(spec) {
                    for m in found {
                        prop_assert!(m.number.is_none_or(f64::is_finite));
                    }
                }
            }
            let _ = Body::preview(payload, 10);
        }
    }
}

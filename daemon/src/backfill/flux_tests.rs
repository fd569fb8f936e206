//! The Flux back-fill against a server that answers in the annotated CSV of InfluxDB 2 as its
//! documentation publishes it (docs.influxdata.com, "Annotated CSV": annotation rows, the empty
//! first column, defaults, one header a schema, the error table), and that fails in every way.

use std::sync::Mutex;

use axum::extract::State;
use axum::http::StatusCode;
use axum::routing::post;

use super::*;
use crate::config::mqtt::Secret;
use crate::store::ReadingQuery;
use crate::store::sqlite::SqliteStore;

fn t(text: &str) -> UtcMs {
    UtcMs::parse(text).unwrap()
}

/// What the server does next instead of answering.
#[derive(Clone, Debug)]
enum Mood {
    Status(u16),
    Silent,
    Text(&'static str),
}

/// Time, sensor, place, and the fields of a point.
type Left = (
    UtcMs,
    &'static str,
    &'static str,
    Vec<(&'static str, String)>,
);

#[derive(Default)]
struct Kept {
    points: Vec<Left>,
    moods: Vec<Mood>,
    asked: Vec<(UtcMs, UtcMs)>,
}

type Server = Arc<Mutex<Kept>>;

/// The text after a mark, up to the next comma, bracket or line's end.
fn after<'a>(text: &'a str, mark: &str) -> Option<&'a str> {
    let rest = &text[text.find(mark)? + mark.len()..];
    rest.split([',', ')', '\n']).next().map(str::trim)
}

/// One table a series and field, each field in a result schema of its own, as the query leaves them.
fn answer(kept: &mut Kept, flux: &str) -> String {
    let bound = |mark: &str| after(flux, mark).and_then(|s| UtcMs::parse(s).ok());
    let (from, to) = (
        bound("start: ").unwrap_or(UtcMs(0)),
        bound("stop: ").unwrap_or(UtcMs(i64::MAX)),
    );
    let ends = flux.contains("first()") || flux.contains("last()");
    if !ends {
        kept.asked.push((from, to));
    }
    let mut rows = Vec::new();
    for (time, sensor, place, fields) in &kept.points {
        if *time < from || *time >= to {
            continue;
        }
        for (field, value) in fields {
            if !ends || *field == "value" {
                rows.push((*field, *sensor, *place, *time, value.clone()));
            }
        }
    }
    if ends {
        rows.sort_by_key(|r| r.3);
        if flux.contains("first()") {
            rows.truncate(1);
        } else {
            rows = rows.pop().into_iter().collect();
        }
    }
    rows.sort();
    let mut text = String::new();
    let mut table = -1;
    let mut last = None;
    for (field, sensor, place, time, value) in rows {
        let key = (field, sensor, place);
        if last.map(|(f, s, p): (&str, &str, &str)| (f, p.is_empty(), s))
            != Some((field, place.is_empty(), sensor))
        {
            table += 1;
            // A blank line stands between tables of different columns; a series without a place has
            // no such column at all.
            if table > 0 {
                text.push_str("\r\n");
            }
            let (types, groups, defaults, names) = if place.is_empty() {
                ("", "", "", "")
            } else {
                (",string", ",true", ",", ",place")
            };
            text.push_str(&format!(
                "#group,false,false,false,false,true,true,true{groups}\r\n#datatype,string,long,dateTime:RFC3339,string,string,string,string{types}\r\n#default,_result,,,,,,{defaults}\r\n,result,table,_time,_value,_field,quantity,sensor{names}\r\n"
            ));
        }
        last = Some(key);
        let place = if place.is_empty() {
            String::new()
        } else {
            format!(",{place}")
        };
        text.push_str(&format!(
            ",,{table},{time},{value},{field},air_temperature,\"{sensor}\"{place}\r\n"
        ));
    }
    text.push_str("\r\n");
    text
}

async fn query(
    State(server): State<Server>,
    axum::Json(body): axum::Json<serde_json::Value>,
) -> (StatusCode, String) {
    let mood = server.lock().unwrap().moods.pop();
    match mood {
        Some(Mood::Status(status)) => {
            return (
                StatusCode::from_u16(status).unwrap(),
                "{\"message\":\"no\"}".into(),
            );
        }
        Some(Mood::Silent) => std::future::pending::<()>().await,
        Some(Mood::Text(text)) => return (StatusCode::OK, text.into()),
        None => {}
    }
    let flux = body["query"].as_str().unwrap().to_owned();
    assert!(flux.contains("from(bucket: \"do\\\"ugh\")"), "{flux}");
    assert_eq!(body["dialect"]["annotations"].as_array().unwrap().len(), 3);
    (StatusCode::OK, answer(&mut server.lock().unwrap(), &flux))
}

async fn start(kept: Kept) -> (Server, Influx) {
    let server: Server = Arc::new(Mutex::new(kept));
    let app = axum::Router::new()
        .route("/api/v2/query", post(query))
        .with_state(Arc::clone(&server));
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    tokio::spawn(async move { axum::serve(listener, app).await });
    let influx = Influx {
        url,
        org: "kitchen".into(),
        bucket: "do\"ugh".into(),
        token: Secret("t".into()),
        queue_mib: 1,
    };
    (server, influx)
}

fn store() -> (tempfile::TempDir, Arc<dyn Store>) {
    let dir = tempfile::tempdir().unwrap();
    let store: Arc<dyn Store> = Arc::new(SqliteStore::open(dir.path()).unwrap());
    (dir, store)
}

fn soon() -> Patience {
    Patience {
        // A slow test machine answers within this.
        time_out: Duration::from_secs(20),
        again: Backoff::new(Duration::from_millis(1), Duration::from_millis(2), 0.0).unwrap(),
    }
}

async fn run(store: &Arc<dyn Store>, influx: &Influx, span: Span) -> Result<Report, FluxError> {
    run_with(store, influx, span, soon()).await
}

async fn run_with(
    store: &Arc<dyn Store>,
    influx: &Influx,
    span: Span,
    patience: Patience,
) -> Result<Report, FluxError> {
    let now = t("2026-06-01T00:00:00Z");
    backfill(store, influx, span, now, patience, &mut |p| {
        assert!(p.done <= p.of)
    })
    .await
}

fn all(store: &Arc<dyn Store>) -> Vec<StoredReading> {
    store
        .readings(&ReadingQuery {
            with_kept_out: true,
            ..ReadingQuery::default()
        })
        .unwrap()
}

/// Ten days of two sensors, one reading a minute in the first hour of each day, and one odd point.
fn left_there() -> Kept {
    let mut points = Vec::new();
    for day in 0..10 {
        for minute in 0..60 {
            let time = t("2026-01-01T06:00:00Z").plus_ms((day * 24 * 60 + minute) * 60_000);
            let arrived = ("arrived_ms", (time.0 + 250).to_string());
            let value = ("value", format!("{}", 20.0 + minute as f64 / 10.0));
            points.push((time, "box", "box", vec![value.clone(), arrived.clone()]));
            let odd = vec![
                value,
                arrived,
                ("raw", "68.5".into()),
                ("raw_unit", "degF".into()),
                ("kept_out", "lone_jump".into()),
            ];
            points.push((time, "the oven, left", "", odd));
        }
    }
    Kept {
        points,
        ..Kept::default()
    }
}

#[tokio::test]
async fn what_was_left_comes_back_once_with_all_its_fields() {
    let (server, influx) = start(left_there()).await;
    let (_dir, store) = store();
    let report = run(&store, &influx, Span::default()).await.unwrap();
    assert_eq!((report.stored, report.again, report.bad), (1_200, 0, 0));
    let readings = all(&store);
    assert_eq!(readings.len(), 1_200);
    let (plain, odd) = (&readings[0], &readings[1]);
    assert_eq!(plain.sensor, "box");
    assert_eq!(plain.place.as_deref(), Some("box"));
    assert_eq!(plain.time, t("2026-01-01T06:00:00Z"));
    assert_eq!(plain.arrived, t("2026-01-01T06:00:00.250Z"));
    assert_eq!((plain.kept_out, plain.raw), (None, None));
    assert_eq!(odd.sensor, "the oven, left");
    assert_eq!(odd.raw, Some((68.5, Unit::DegF)));
    assert_eq!(odd.kept_out, Some(KeptOut::LoneJump));
    // The spans follow each other without a gap, and grow over the empty nights.
    let asked = server.lock().unwrap().asked.clone();
    assert_eq!(asked[0].0, t("2026-01-01T06:00:00Z"));
    assert!(asked.windows(2).all(|w| w[0].1 == w[1].0));
    assert!(asked.len() < 10, "{asked:?}");
    // Once more: nothing new.
    let again = run(&store, &influx, Span::default()).await.unwrap();
    assert_eq!((again.stored, again.again), (0, 1_200));
}

#[tokio::test]
async fn only_the_span_that_was_asked_for_comes() {
    let (_server, influx) = start(left_there()).await;
    let (_dir, store) = store();
    let span = Span {
        from: Some(t("2026-01-02T06:10:00Z")),
        to: Some(t("2026-01-02T06:20:00Z")),
    };
    assert_eq!(run(&store, &influx, span).await.unwrap().stored, 20);
}

#[tokio::test]
async fn an_empty_bucket_gives_nothing() {
    let (_server, influx) = start(Kept::default()).await;
    let (_dir, store) = store();
    assert_eq!(
        run(&store, &influx, Span::default()).await.unwrap(),
        Report::default()
    );
}

#[tokio::test]
async fn a_server_that_fails_in_between_is_tried_again_and_nothing_is_lost_or_doubled() {
    let mut kept = left_there();
    // The error table of the documentation, in the middle of an answer that began well.
    const KILLED: &str = "#datatype,string,string\r\n#group,true,true\r\n#default,,\r\n,error,reference\r\n,memory limit exceeded,897\r\n";
    // One schema's rows in another's table, as when two answers are mixed.
    const MIXED: &str = "#datatype,string,long\r\n#group,false,false\r\n#default,_result,\r\n,result,table\r\n,,0,20\r\n";
    kept.moods = vec![
        Mood::Text(MIXED),
        Mood::Status(503),
        Mood::Text(KILLED),
        Mood::Status(429),
        Mood::Status(413),
    ];
    let (server, influx) = start(kept).await;
    let (_dir, store) = store();
    let span = Span {
        from: Some(t("2026-01-01T00:00:00Z")),
        to: Some(t("2026-02-01T00:00:00Z")),
    };
    assert_eq!(run(&store, &influx, span).await.unwrap().stored, 1_200);
    assert!(server.lock().unwrap().moods.is_empty());
}

#[tokio::test]
async fn what_will_not_get_better_is_said_at_once_and_what_may_is_given_up_in_the_end() {
    let (server, influx) = start(left_there()).await;
    let (_dir, store) = store();
    // Numbers that are none: the crate's reader panics on them.
    const BROKEN: &str = "#datatype,string,long,dateTime:RFC3339,double\r\n#group,false,false,false,false\r\n#default,_result,,,\r\n,result,table,_time,_value\r\n,,x,yesterday,warm\r\n";
    for (mood, part) in [
        (Mood::Status(401), "influx.token"),
        (Mood::Status(404), "not found"),
        (Mood::Status(400), "refused"),
        (Mood::Text(BROKEN), "annotated CSV"),
    ] {
        server.lock().unwrap().moods = vec![mood.clone()];
        let error = run(&store, &influx, Span::default()).await.unwrap_err();
        assert!(matches!(error, FluxError::Refused(_)), "{mood:?}");
        assert!(error.to_string().contains(part), "{mood:?}: {error}");
    }
    for mood in [
        Mood::Status(503),
        Mood::Text("<html>no table here</html>\n<p>,x</p>"),
    ] {
        server.lock().unwrap().moods = vec![mood; TRIES as usize];
        let error = run(&store, &influx, Span::default()).await.unwrap_err();
        assert!(matches!(error, FluxError::Away { .. }), "{error}");
    }
    assert!(all(&store).is_empty());
}

#[tokio::test]
async fn a_server_that_stays_silent_is_not_waited_for_for_ever() {
    let mut kept = left_there();
    kept.moods = vec![Mood::Silent];
    let (server, influx) = start(kept).await;
    let (_dir, store) = store();
    let patience = Patience {
        time_out: Duration::from_secs(2),
        ..soon()
    };
    let report = run_with(&store, &influx, Span::default(), patience)
        .await
        .unwrap();
    assert_eq!(report.stored, 1_200);
    assert!(server.lock().unwrap().moods.is_empty());
}

#[tokio::test]
async fn a_point_that_is_no_reading_is_counted_and_the_rest_comes() {
    let mut kept = Kept::default();
    let time = t("2026-01-01T06:00:00Z");
    kept.points = vec![
        (time, "box", "", vec![("value", "20".into())]),
        (time, "shelf", "", vec![("value", "warm".into())]),
        (time, "wall", "", vec![("arrived_ms", "5".into())]),
    ];
    let (_server, influx) = start(kept).await;
    let (_dir, store) = store();
    let report = run(&store, &influx, Span::default()).await.unwrap();
    assert_eq!((report.stored, report.bad), (1, 2));
    assert!(report.bad_lines[0].reason.contains("`value` is `warm`"));
    assert_eq!(all(&store)[0].arrived, t("2026-06-01T00:00:00Z"));
}

/// The table that InfluxDB's documentation shows as its example, with our columns left out: read
/// without a stumble, and none of it is ours.
#[tokio::test]
async fn the_documentations_own_example_is_read() {
    const EXAMPLE: &str = "#group,false,false,true,true,false,false,true,true,true,true\n#datatype,string,long,dateTime:RFC3339,dateTime:RFC3339,dateTime:RFC3339,double,string,string,string,string\n#default,mean,,,,,,,,,\n,result,table,_start,_stop,_time,_value,_field,_measurement,host,region\n,,0,2022-12-31T05:41:24Z,2023-01-31T05:41:24.001Z,2023-01-01T00:52:00Z,15.43,mem,m,A,east\n,,1,2022-12-31T05:41:24Z,2023-01-31T05:41:24.001Z,2023-01-01T00:52:00Z,59.25,mem,m,B,east\n";
    let (server, influx) = start(Kept::default()).await;
    server.lock().unwrap().moods = vec![Mood::Text(EXAMPLE)];
    let (_dir, store) = store();
    let span = Span {
        from: Some(t("2023-01-01T00:00:00Z")),
        to: Some(t("2023-01-01T01:00:00Z")),
    };
    let report = run(&store, &influx, span).await.unwrap();
    assert_eq!((report.stored, report.bad), (0, 1));
    assert!(report.bad_lines[0].reason.contains("sensor"));
}

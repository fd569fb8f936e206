//! Files of readings: by the page, by script, by a program.

use std::sync::Arc;

use super::{Answer, Kitchen, ask, form, get, led};
use crate::store::ReadingQuery;
use crate::web::{BODY_LIMIT, router};

const FILE: &str = "\u{feff}Tid;Temp;Fukt\r\n10.01.2026 07:10;77;60\r\n10.01.2026 07:11;77,9;61\r\n10.01.2026 nope;78;62\r\n";

fn query(fields: &[(&str, &str)]) -> String {
    let url = reqwest::Url::parse_with_params("http://x/", fields).unwrap();
    url.query().unwrap().to_owned()
}

async fn send(router: &axum::Router, path: &str, body: impl Into<axum::body::Body>) -> Answer {
    ask(
        router,
        "POST",
        path,
        &[("origin", "http://127.0.0.1:8080")],
        body,
    )
    .await
}

#[tokio::test]
async fn a_pasted_file_is_looked_at_then_stored_and_what_was_typed_stays_when_refused() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let empty = form(&router, "/import", "text=").await;
    assert_eq!(empty.status, 422);
    assert!(empty.text.contains("Choose a file") && empty.text.contains("<html"));
    let numbers = form(&router, "/import", &query(&[("text", "1,2\n3,4\n")])).await;
    assert!(numbers.status == 422 && numbers.text.contains("1,2\n3,4"));

    let path = led(&form(&router, "/import", &query(&[("text", FILE)])).await);
    let page = get(&router, &path).await;
    assert!(page.text.contains("Tid") && page.text.contains("leave it out"));
    let fields = |what: &'static str, zone: &'static str| {
        query(&[
            ("do", what),
            ("time", "Tid"),
            ("zone", zone),
            ("column", "Temp"),
            ("measures", "air_temperature:degF"),
            ("sensor", "logger 7"),
            ("column", "Fukt"),
            ("measures", ""),
            ("sensor", "kept though left out"),
            ("place", "box"),
            ("keep", "our logger"),
        ])
    };
    let refused = form(&router, &path, &fields("take", "Nowhere/None")).await;
    assert_eq!(refused.status, 422);
    for typed in [
        "Nowhere/None",
        "logger 7",
        "kept though left out",
        "our logger",
    ] {
        assert!(refused.text.contains(typed), "{typed}");
    }
    let looked = form(&router, &path, &fields("look", "Europe/Oslo")).await;
    assert_eq!(looked.status, 200);
    assert!(looked.text.contains("As it will be stored"));
    assert!(
        looked.text.contains("Line 4: “10.01.2026 nope”"),
        "{}",
        looked.text
    );
    let all = || {
        kitchen
            .app
            .store
            .readings(&ReadingQuery {
                sensor: Some("logger 7"),
                ..ReadingQuery::default()
            })
            .unwrap()
    };
    assert!(all().is_empty(), "looking stores nothing");

    // Whole or not at all: what is wrong stands above the form, which can be sent again.
    let whole = format!("{}&strict=yes", fields("take", "Europe/Oslo"));
    let refused = form(&router, &path, &whole).await;
    assert_eq!(refused.status, 422);
    assert!(
        refused
            .text
            .contains("Nothing was stored, because not every line is good")
    );
    assert!(refused.text.contains("Line 4: ") && all().is_empty());

    assert_eq!(
        led(&form(&router, &path, &fields("take", "Europe/Oslo")).await),
        path
    );
    let until = std::time::Duration::from_secs(60);
    tokio::time::timeout(until, async {
        while !get(&router, &path)
            .await
            .text
            .contains("2 readings</b> stored")
        {
            tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        }
    })
    .await
    .unwrap();
    let stored = all();
    assert_eq!(stored.len(), 2);
    // 77 °F is 25 °C; 7:10 in Oslo is 6:10 UTC.
    assert!((stored[0].value - 25.0).abs() < 1e-9);
    assert_eq!(stored[0].time, super::t("2026-01-10T06:10:00Z"));
    assert_eq!(stored[0].place.as_deref(), Some("box"));
    assert_eq!(
        form(&router, &path, &fields("take", "Europe/Oslo"))
            .await
            .status,
        409
    );
    assert_eq!(get(&router, "/import/none").await.status, 404);
}

#[tokio::test]
async fn a_program_sends_the_file_by_a_kept_mapping() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let mapping = r#"{"name":"logger","time":"time","values":[{"column":"t","sensor":"wall","quantity":"air_temperature","unit":"Cel"}]}"#;
    let json = [("content-type", "application/json")];
    let kept = ask(&router, "POST", "/api/v1/csv-mappings", &json, mapping).await;
    assert_eq!(kept.status, 204, "{}", kept.text);
    let listed = get(&router, "/api/v1/csv-mappings").await.json();
    assert_eq!(listed[0]["values"][0]["sensor"], "wall");
    let bad = mapping.replace("Cel", "%RH");
    assert_eq!(
        ask(&router, "POST", "/api/v1/csv-mappings", &json, bad)
            .await
            .status,
        422
    );

    // Larger than any other body may be.
    let mut file = "time,t\n".to_owned();
    let mut lines = 0;
    while file.len() < BODY_LIMIT + 1 {
        file.push_str(&format!(
            "{},20.5\n",
            1_767_225_600_000_i64 + lines * 10_000
        ));
        lines += 1;
    }
    let path = "/api/v1/readings/csv?mapping=logger";
    let seen = ask(
        &router,
        "POST",
        &format!("{path}&preview=true"),
        &[],
        file.clone(),
    )
    .await;
    assert_eq!(seen.status, 200, "{}", seen.text);
    assert_eq!(seen.json()["readings"], lines);
    let answer = ask(&router, "POST", path, &[], file.clone()).await.json();
    assert_eq!(
        (&answer["stored"], &answer["again"]),
        (&lines.into(), &0.into())
    );
    let again = ask(&router, "POST", path, &[], file).await.json();
    assert_eq!(
        (&again["stored"], &again["again"]),
        (&0.into(), &lines.into())
    );

    let strict = format!("{path}&strict=true");
    let refused = ask(
        &router,
        "POST",
        &strict,
        &[],
        "time,t\n1767225600,20\nx,21\n",
    )
    .await;
    assert_eq!(refused.status, 422);
    assert_eq!(refused.json()["bad_lines"][0]["line"], 3);
    assert_eq!(refused.json()["stored"], 0);
    let unknown = ask(
        &router,
        "POST",
        "/api/v1/readings/csv?mapping=none",
        &[],
        "a,b\n",
    )
    .await;
    assert_eq!(unknown.status, 404);
}

#[tokio::test]
async fn the_pages_script_sends_a_file_and_hears_why_not() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let answer = send(&router, "/import/file?name=shelf.csv", FILE).await;
    assert_eq!(answer.status, 200, "{}", answer.text);
    let path = answer.json()["path"].as_str().unwrap().to_owned();
    let page = get(&router, &path).await;
    // Guessed from the header, the sensor from the file's name.
    assert!(page.text.contains("shelf.csv") && page.text.contains("value=\"shelf\""));
    let wrong = send(&router, "/import/file?name=x", "nothing here").await;
    assert_eq!(wrong.status, 422);
    assert_eq!(wrong.headers["content-type"], "application/problem+json");
    let foreign = ask(
        &router,
        "POST",
        "/import/file",
        &[("origin", "http://elsewhere.example")],
        FILE,
    )
    .await;
    assert_eq!(foreign.status, 403);
}

#[tokio::test]
async fn a_bad_line_of_a_file_is_told_in_the_bakers_time() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let file = "text=time,temp%0A2026-01-10+09:30,21%0A";
    let path = led(&form(&router, "/import", file).await);
    let sent = "do=look&time=time&column=temp&measures=air_temperature:Cel&sensor=s";
    let page = form(&router, &path, sent).await.text;
    let said = "Line 2: 9:30 lies over 10 minutes ahead (it is 8:00)";
    assert!(page.contains(said), "{page}");
    let sent = "do=look&time=time&column=temp&measures=air_temperature:Cel&sensor=s&column=t2&measures=air_temperature:Cel&sensor=s";
    let page = form(&router, &path, sent).await.text;
    assert!(
        page.contains("Two columns would both be air of “s”"),
        "{page}"
    );
}

#[tokio::test]
async fn a_date_and_a_clock_time_in_two_columns_are_proposed_and_stored_as_one_moment() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let paste = |file: &str| query(&[("text", file)]);
    let file = "Day,Clock,temp\n01/09/26,11:55 PM,21\n01/10/26,12:05 AM,22\n";
    let path = led(&form(&router, "/import", &paste(file)).await);
    let page = get(&router, &path).await.text;
    for chosen in [
        "value=\"Day\" selected",
        "value=\"Clock\" selected",
        "value=\"month_first\" selected",
    ] {
        assert!(page.contains(chosen), "{chosen}: {page}");
    }
    let fields = |clock, dates| {
        query(&[
            ("do", "look"),
            ("time", "Day"),
            ("clock", clock),
            ("dates", dates),
            ("zone", "UTC"),
            ("column", "temp"),
            ("measures", "air_temperature:Cel"),
            ("sensor", "shelf"),
        ])
    };
    let looked = form(&router, &path, &fields("Clock", "month_first"))
        .await
        .text;
    assert!(looked.contains("<b>2 readings</b>"), "{looked}");
    // The form says again what was chosen.
    assert!(looked.contains("value=\"Clock\" selected"));
    let without = form(&router, &path, &fields("", "month_first")).await.text;
    assert!(
        without.contains("Line 2: “01/09/26” is a date without a clock time"),
        "{without}"
    );
    let same = form(&router, &path, &fields("Day", "month_first")).await;
    assert!(same.status == 422 && same.text.contains("own column"));
    let order = form(&router, &path, &fields("Clock", "backwards")).await;
    assert!(order.status == 422 && order.text.contains("“backwards” is no order"));

    // Another column's dates are looked at anew, and what was said of a column comes back with it.
    let file = "Begun,Read,temp\n01/10/2026 07:00,01/12/2026 07:05,21\n01/10/2026 07:00,01/13/2026 07:05,22\n";
    let path = led(&form(&router, "/import", &paste(file)).await);
    let fields = |shown, time, clock| {
        query(&[
            ("do", "look"),
            ("time_shown", shown),
            ("time", time),
            ("clock", clock),
            ("dates", "day_first"),
            ("zone", "UTC"),
            ("column", "temp"),
            ("measures", "air_temperature:Cel"),
            ("sensor", "hall"),
        ])
    };
    let moved = form(&router, &path, &fields("Begun", "Read", ""))
        .await
        .text;
    assert!(moved.contains("value=\"month_first\" selected"), "{moved}");
    let stays = form(&router, &path, &fields("Read", "Read", "")).await.text;
    assert!(stays.contains("value=\"day_first\" selected"), "{stays}");
    let wrong = form(&router, &path, &fields("Read", "Read", "temp"))
        .await
        .text;
    let hidden = |name, value| format!("type=\"hidden\" name=\"{name}\" value=\"{value}\"");
    for kept in [
        hidden("measures", "air_temperature:Cel"),
        hidden("sensor", "hall"),
    ] {
        assert!(wrong.contains(&kept), "{kept}: {wrong}");
    }

    // Where every date begins with its year, nobody is asked about an order.
    let plain = "time,temp\n2026-01-10 07:00,21\n";
    let path = led(&form(&router, "/import", &paste(plain)).await);
    let page = get(&router, &path).await.text;
    assert!(!page.contains("Its dates are written") && page.contains("day_first"));
}

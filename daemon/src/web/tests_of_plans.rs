//! The planning questions from outside: the API's documents and the pages' forms.

use std::sync::Arc;

use super::router;
use super::tests::{Kitchen, ask, form, get};

#[tokio::test]
async fn every_question_is_answered_over_http() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    kitchen.readings(&[24.0; 50]);
    let router = router(Arc::clone(&kitchen.app));
    // It is 8:00 in Oslo.
    let plan = get(&router, "/api/v1/plan?dough=cardamom%20knots&table=16:00").await;
    assert_eq!(plan.status, 200, "{}", plan.text);
    let plan = plan.json();
    assert_eq!(plan["table"], "2026-01-10T15:00:00Z");
    assert!(
        (plan["late"].as_f64().unwrap() - 0.1).abs() < 0.02
            && plan["steps"].as_array().unwrap().len() == 6
    );
    let water = get(&router, "/api/v1/water?room_c=21&flour_c=22&wanted_c=25")
        .await
        .json();
    // The bakers' rule with a stand mixer's 20 °F, a difference: 75 - 43 - 20/1.8.
    assert!(
        (water["water"].as_f64().unwrap() - 20.9).abs() < 0.051,
        "{water}"
    );
    let hold = get(
        &router,
        "/api/v1/hold?batch=2026-knots&back=12:00&over_percent=30",
    )
    .await
    .json();
    assert!(
        ["stay_out", "fridge", "too_late"].contains(&hold["answer"].as_str().unwrap()),
        "{hold}"
    );
    let oven = get(&router, "/api/v1/oven-light?place=box").await.json();
    assert!(oven["response"].is_null() && oven["light"].is_null());
    let compare = get(&router, "/api/v1/compare?by=place").await.json();
    assert_eq!(compare["pairs"].as_array().unwrap().len(), 0);
    let table = get(
        &router,
        "/api/v1/reader-table?dough=cardamom%20knots&format=csv",
    )
    .await;
    assert_eq!(
        table.headers["content-type"],
        "text/csv; charset=utf-8; header=present"
    );
    assert_eq!(table.text.lines().count(), 7);
    // What cannot be is said as RFC 9457 does.
    for (path, status) in [
        ("/api/v1/plan?dough=nothing&table=16:00", 404),
        ("/api/v1/plan?dough=cardamom%20knots&table=noon", 422),
        ("/api/v1/hold?batch=nothing&back=12:00", 404),
        ("/api/v1/reader-table?dough=cardamom%20knots&step_c=40", 422),
        ("/api/v1/compare?by=moon", 422),
    ] {
        let answer = get(&router, path).await;
        assert_eq!(answer.status, status, "{path}: {}", answer.text);
        assert_eq!(answer.headers["content-type"], "application/problem+json");
    }
    let description = get(&router, "/api/openapi.json").await.json();
    for path in [
        "plan",
        "water",
        "oven-light",
        "hold",
        "reader-table",
        "compare",
    ] {
        assert!(
            !description["paths"][format!("/api/v1/{path}")]["get"]["parameters"].is_null(),
            "{path}"
        );
    }
}

#[tokio::test]
async fn the_pages_answer_where_they_were_asked() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    kitchen.readings(&[24.0; 50]);
    let router = router(Arc::clone(&kitchen.app));
    for (path, wanted) in [
        ("/plan", "When must I mix?"),
        (
            "/plan?ask=mix&dough=cardamom+knots&table=16%3A00&start=&bulk_c=&late_percent=20",
            "begin mixing by",
        ),
        (
            "/plan?ask=water&room_c=21&flour_c=22&wanted_c=25",
            "water at 20.9 °C",
        ),
        ("/plan?ask=hold&batch=2026-knots&back=09%3A00", "egg"),
        ("/plan?ask=light&place=box", "This oven is not known yet"),
        (
            "/plan?ask=mix&dough=nothing&table=16%3A00",
            "there is no dough",
        ),
        ("/compare?by=place", "not two groups yet"),
        (
            "/reader-table?dough=cardamom%20knots",
            "cardamom knots: proof times",
        ),
    ] {
        let answer = get(&router, path).await;
        assert_eq!(answer.status, 200, "{path}: {}", answer.text);
        assert!(
            answer.text.to_lowercase().contains(&wanted.to_lowercase()),
            "{path}: {}",
            answer.text
        );
        assert!(
            !answer.text.contains(" style=") && !answer.text.contains("onclick"),
            "{path}"
        );
    }
}

#[tokio::test]
async fn a_tester_s_bake_is_kept_and_can_be_undone() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let sent = form(
        &router,
        "/reader-table/tester",
        "dough=cardamom+knots&room=21&dough_temperature=24&bulk_min=150&final_min=",
    )
    .await;
    assert_eq!(sent.status, 303, "{}", sent.text);
    let path = "/api/v1/reader-table?dough=cardamom%20knots";
    assert_eq!(get(&router, path).await.json()["testers"], 1);
    // The ceiling and the caution that stood on the record still do.
    let dough = kitchen.app.book().doughs["cardamom knots"].clone();
    assert_eq!(
        (dough.ceiling, dough.caution),
        (Some(29.0), vec!["egg".to_owned()])
    );
    let back = sent.headers["location"].to_str().unwrap();
    let group = back.split("undo=").nth(1).unwrap();
    form(&router, "/undo", &format!("group={group}&back=/plan")).await;
    assert_eq!(get(&router, path).await.json()["testers"], 0);
    let bad = form(
        &router,
        "/reader-table/tester",
        "dough=cardamom+knots&room=400&dough_temperature=24&bulk_min=150",
    )
    .await;
    assert_eq!(bad.status, 422);
}

#[tokio::test]
async fn an_oven_is_learned_by_its_guided_run_and_only_when_it_is_enough() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    // The light on at 7:05 in Oslo; the clock stands at 8:00: 55 minutes are not enough.
    let values: Vec<f64> = (0..120)
        .map(|m| 20.0 + 10.0 * (1.0 - (-f64::from(m) / 30.0).exp()))
        .collect();
    kitchen.readings(&values);
    let router = router(Arc::clone(&kitchen.app));
    let learn = "/api/v1/oven-light/learn?place=box&room_c=20&since=2026-01-10T06:05:00Z";
    let post = |path: &'static str| {
        ask(
            &router,
            "POST",
            path,
            &[("origin", "http://127.0.0.1:8080")],
            "",
        )
    };
    let early = post(learn).await.json();
    assert_eq!(early["run"]["state"], "wait", "{early}");
    assert!(get(&router, "/api/v1/oven-light?place=box").await.json()["response"].is_null());
    kitchen
        .app
        .clock
        .set(super::tests::t("2026-01-10T08:00:00Z"));
    let done = post(learn).await.json();
    assert_eq!(done["run"]["state"], "enough", "{done}");
    let known = get(
        &router,
        "/api/v1/oven-light?place=box&room_c=20&air_c=20&dough_c=22",
    )
    .await
    .json();
    assert!(
        (known["response"]["rise_c"].as_f64().unwrap() - 10.0).abs() < 0.3,
        "{known}"
    );
    assert!(known["light"]["on_min"].as_f64().unwrap() > 20.0, "{known}");
}

//! What programs ask.

use std::sync::Arc;
use std::sync::atomic::Ordering::Relaxed;

use axum::body::Body;
use axum::http::header;
use serde_json::Value;

use super::{Kitchen, alert, ask, get};
use crate::web::{BODY_LIMIT, router};

#[tokio::test]
async fn errors_are_problem_documents_and_pages_say_them_in_words() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    // RFC 9457: media type, `type`, `title`, `status`, `detail`.
    for (method, path, body, status) in [
        ("GET", "/api/v1/batches/none", "", 404),
        ("GET", "/api/v1/readings?from=yesterday", "", 400),
        ("GET", "/api/v1/readings?bucket_s=x", "", 400),
        (
            "GET",
            "/api/v1/readings?sensor=box&bucket_s=1&from=2020-01-01T00:00:00Z",
            "",
            422,
        ),
        ("POST", "/api/v1/undo", "{}", 415),
        ("GET", "/api/v1/nothing", "", 404),
        ("DELETE", "/api/v1/batches", "", 405),
    ] {
        let answer = ask(&router, method, path, &[], body).await;
        assert_eq!(answer.status, status, "{method} {path}: {}", answer.text);
        assert_eq!(
            answer.headers[header::CONTENT_TYPE],
            "application/problem+json",
            "{path}"
        );
        let problem = answer.json();
        assert_eq!(problem["status"], status);
        assert!(
            problem["title"].is_string()
                && problem["detail"].as_str().is_some_and(|d| !d.is_empty()),
            "{problem}"
        );
    }
    let big = vec![b'x'; BODY_LIMIT + 1];
    let length = big.len().to_string();
    let answer = ask(
        &router,
        "POST",
        "/api/v1/records",
        &[("content-length", &length)],
        big,
    )
    .await;
    assert_eq!(answer.status, 413);
    let page = get(&router, "/batches/none").await;
    assert_eq!(page.status, 404);
    assert!(page.text.contains("There is no batch “none”") && page.text.contains("<html"));
}

#[tokio::test]
async fn the_description_is_openapi_3_1_and_names_every_call() {
    let kitchen = Kitchen::new(|_| {});
    let router = router(Arc::clone(&kitchen.app));
    let description = get(&router, "/api/openapi.json").await.json();
    assert_eq!(description["openapi"], "3.1.0");
    for path in [
        "/api/v1/readings",
        "/api/v1/batches",
        "/api/v1/batches/{id}",
        "/api/v1/batches/{id}/forecast",
        "/api/v1/records",
        "/api/v1/alerts",
        "/api/v1/alerts/{id}/acknowledge",
        "/api/v1/events",
        "/healthz",
        "/readyz",
        "/metrics",
    ] {
        assert!(description["paths"][path].is_object(), "{path} is promised");
    }
    for (path, calls) in description["paths"].as_object().unwrap() {
        for (method, call) in calls.as_object().unwrap() {
            assert!(
                call["summary"].is_string() || call["description"].is_string(),
                "{method} {path}"
            );
            for (status, response) in call["responses"].as_object().unwrap() {
                assert!(
                    response["description"]
                        .as_str()
                        .is_some_and(|d| !d.is_empty()),
                    "{method} {path} {status}"
                );
            }
        }
    }
    // Nothing answers under /api that is not described: the router is built from the descriptions,
    // and what is merged beside them lies elsewhere.
    let source = include_str!("../mod.rs");
    assert!(!source.contains(".route(\"/api"));
}

#[tokio::test]
async fn readings_come_back_as_written_and_in_stretches() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    kitchen.readings(&[24.0, 24.5, 25.0, 25.5]);
    let router = router(Arc::clone(&kitchen.app));
    let all = get(&router, "/api/v1/readings?sensor=box").await.json();
    assert_eq!(all.as_array().unwrap().len(), 4);
    assert_eq!(
        all[0].to_string(),
        r#"{"record":"reading","time":"2026-01-10T06:05:00Z","sensor":"box","quantity":"air_temperature","value":24,"unit":"Cel"}"#
    );
    let part = get(
        &router,
        "/api/v1/readings?sensor=box&from=2026-01-10T06:06:00Z&to=2026-01-10T06:08:00Z",
    )
    .await
    .json();
    assert_eq!(
        part.as_array().unwrap().len(),
        2,
        "from is included, to is not"
    );
    let stretches = get(&router, "/api/v1/readings?sensor=box&bucket_s=120&from=2026-01-10T06:04:00Z&to=2026-01-10T06:10:00Z").await.json();
    let count: u64 = stretches
        .as_array()
        .unwrap()
        .iter()
        .map(|b| b["count"].as_u64().unwrap())
        .sum();
    assert_eq!(count, 4);
    assert!(
        stretches[0]["min"].is_number()
            && stretches[0]["mean"].is_number()
            && stretches[0]["max"].is_number()
    );
}

#[tokio::test]
async fn alerts_are_listed_seen_and_shown() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    kitchen
        .app
        .store
        .put_alerts(&[alert("a1", "The box is too hot")], &[])
        .unwrap();
    let router = router(Arc::clone(&kitchen.app));
    let alerts = get(&router, "/api/v1/alerts?from=2026-01-10T06:00:00Z")
        .await
        .json();
    assert_eq!(alerts[0]["id"], "a1");
    assert_eq!(alerts[0]["title"], "The box is too hot");
    let page = get(&router, "/").await;
    assert!(page.text.contains("The box is too hot") && page.text.contains("/alerts/a1/seen"));
    assert!(page.text.contains("(1) Now"), "the tab says that one waits");
    let none = ask(
        &router,
        "POST",
        "/api/v1/alerts/none/acknowledge",
        &[],
        Body::empty(),
    )
    .await;
    assert_eq!(none.status, 404);
}

#[tokio::test]
async fn readiness_follows_the_store_and_the_broker() {
    let kitchen = Kitchen::new(|_| {});
    let router = router(Arc::clone(&kitchen.app));
    let not_yet = get(&router, "/readyz").await;
    assert_eq!(not_yet.status, 503);
    assert_eq!(not_yet.json()["store_writes"], false);
    kitchen.app.health.store_writes.store(true, Relaxed);
    kitchen.app.health.broker_ready.store(true, Relaxed);
    assert_eq!(get(&router, "/readyz").await.status, 200);
    assert!(
        get(&router, "/metrics")
            .await
            .text
            .contains("doughwarden_readings_stored_total")
    );
}

#[tokio::test]
async fn records_go_in_and_bad_ones_are_named() {
    let kitchen = Kitchen::new(|_| {});
    let router = router(Arc::clone(&kitchen.app));
    let good = "{\"record\":\"batch\",\"id\":\"b\",\"dough\":\"d\",\"place\":\"box\"}\n{\"record\":\"stage\",\"batch\":\"b\",\"stage\":\"bulk\",\"start\":\"2026-01-10T06:00:00Z\"}";
    let bad = format!(
        "{good}\nnonsense\n{{\"record\":\"stage\",\"batch\":\"nobody\",\"stage\":\"bulk\",\"start\":\"2026-01-10T06:00:00Z\"}}"
    );
    let answer = ask(
        &router,
        "POST",
        "/api/v1/records?strict=true",
        &[],
        bad.clone(),
    )
    .await;
    assert_eq!(answer.status, 422);
    assert!(
        kitchen.app.book().batches.is_empty(),
        "strict: nothing went in"
    );
    let answer = ask(&router, "POST", "/api/v1/records", &[], bad).await;
    assert_eq!(answer.status, 422);
    let lines: Vec<_> = answer.json()["bad"]
        .as_array()
        .unwrap()
        .iter()
        .map(|b| b["line"].as_u64().unwrap())
        .collect();
    assert_eq!(lines, [3, 4]);
    assert_eq!(kitchen.app.book().batches.len(), 1, "the good ones went in");
    let again = ask(&router, "POST", "/api/v1/records", &[], good).await;
    assert_eq!(again.status, 200, "{}", again.text);
    let batch = get(&router, "/api/v1/batches/b").await.json();
    assert_eq!(batch["in_progress"], "bulk");
    // An array is as good; undone by its group.
    let array = "[{\"record\":\"observation\",\"batch\":\"b\",\"time\":\"2026-01-10T06:30:00Z\",\"kind\":\"rise\",\"rise\":0.3}]";
    let group = ask(&router, "POST", "/api/v1/records", &[], array)
        .await
        .json()["group"]
        .clone();
    let undo = |group: Value| {
        let router = router.clone();
        async move {
            ask(
                &router,
                "POST",
                "/api/v1/undo",
                &[("content-type", "application/json")],
                serde_json::json!({"group": group}).to_string(),
            )
            .await
            .status
        }
    };
    assert_eq!(undo(group.clone()).await, 204);
    assert!(kitchen.app.book().observations.is_empty());
    assert_eq!(undo(group).await, 409, "once");
    assert!(
        !get(&router, "/api/v1/changes")
            .await
            .json()
            .as_array()
            .unwrap()
            .is_empty()
    );
}

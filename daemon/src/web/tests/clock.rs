//! A wrong clock is said, and put right by the phone's.

use std::sync::Arc;

use super::{Kitchen, ask, form, get, led, t};
use crate::clock_check;
use crate::web::router;

#[tokio::test]
async fn a_clock_that_was_never_set_is_said_and_the_phones_time_puts_it_right() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let app = Arc::clone(&kitchen.app);
    let router = router(Arc::clone(&app));
    clock_check::look(&app).unwrap();
    let status = get(&router, "/api/v1/status").await.json();
    assert!(status["clock"]["corrected_by_s"].is_null());

    // Without a battery it booted in 1970.
    app.clock.set(t("1970-01-01T00:02:00Z"));
    clock_check::look(&app).unwrap();
    let status = get(&router, "/api/v1/status").await.json();
    assert_eq!(status["clock"]["doubt"], "behind_what_is_stored");
    let page = get(&router, "/").await;
    assert!(page.text.contains("so it is wrong") && page.text.contains("Use this time"));

    // The phone says 08:00 in Oslo; what it says in nonsense is refused.
    let refused = form(&router, "/clock", "do=use&phone_ms=12").await;
    assert_eq!(refused.status, 422);
    let phone = t("2026-01-10T07:00:00Z");
    let sent = form(
        &router,
        "/clock",
        &format!("do=use&phone_ms={}&typed=", phone.0),
    )
    .await;
    assert_eq!(led(&sent), "/?done=saved");
    assert_eq!(app.clock.now(), phone);
    app.clock.set(t("1970-01-01T00:12:00Z"));
    assert_eq!(
        app.clock.now(),
        t("2026-01-10T07:10:00Z"),
        "it goes on from there"
    );
    let status = get(&router, "/api/v1/status").await.json();
    assert!(status["clock"]["corrected_by_s"].as_f64().unwrap() > 1e9);
    assert!(get(&router, "/").await.text.contains("set by hand"));

    // The machine hears a time server: its own clock is used again.
    app.clock.set(t("2026-01-10T07:20:00Z"));
    clock_check::look(&app).unwrap();
    assert_eq!(app.clock.corrected_by_ms(), None, "it was set");
    // Somebody's word that agrees with it is none.
    let told = r#"{"now":"2026-01-10T07:20:01Z"}"#;
    let json = [("content-type", "application/json")];
    let answer = ask(&router, "POST", "/api/v1/clock", &json, told).await;
    assert_eq!(answer.status, 200, "{}", answer.text);
    assert_eq!(app.clock.corrected_by_ms(), None);
    assert_eq!(app.clock.now(), t("2026-01-10T07:20:00Z"));

    // By hand, without a script; and back.
    led(&form(&router, "/clock", "do=use&phone_ms=&typed=2026-01-10T09:00").await);
    assert_eq!(app.clock.now(), t("2026-01-10T08:00:00Z"));
    led(&form(&router, "/clock", "do=machine").await);
    assert_eq!(app.clock.now(), t("2026-01-10T07:20:00Z"));
}

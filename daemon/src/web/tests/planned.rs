//! Changes planned for a place, from its page to the forecast; and forms that are refused.

use std::sync::Arc;

use super::super::router;
use super::{Kitchen, ask, form, get, led};

#[tokio::test]
async fn a_heating_hour_is_planned_on_the_page_and_the_forecast_counts_on_it() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    kitchen.readings(&[20.0; 50]);
    let router = router(Arc::clone(&kitchen.app));
    // It is 8:00 in Oslo: an hour from now, to 30 °C.
    let answer = form(
        &router,
        "/places/plan",
        "name=box&clock=09:00&to=air&air=30",
    )
    .await;
    assert!(led(&answer).starts_with("/places?done=saved"));
    let planned = kitchen.app.book().places["box"].planned.clone();
    assert_eq!(planned.len(), 1);
    assert_eq!(planned[0].daily.as_deref(), Some("09:00"));
    assert_eq!(planned[0].zone.as_deref(), Some("Europe/Oslo"));
    let page = get(&router, "/places").await.text;
    assert!(page.contains("every day at 09:00 to 30 °C"), "{page}");
    let forecast = get(&router, "/api/v1/batches/2026-knots/forecast")
        .await
        .json();
    let told = forecast["evidence"].to_string();
    assert!(
        told.contains("Planned for box at 9:00: heading for 30 °C"),
        "{told}"
    );
    let last = forecast["assumed_air_temperature"]
        .as_array()
        .unwrap()
        .last()
        .unwrap()["value"]
        .as_f64()
        .unwrap();
    assert!(last > 20.5, "{last}");
    // Seasons of one's own, and what is none; what is planned stays.
    let own = "name=box&kind=box&seasons=heating%3D10-15%3Bopen+windows%3D05-01";
    assert!(led(&form(&router, "/places", own).await).starts_with("/places?done=saved"));
    let place = kitchen.app.book().places["box"].clone();
    assert_eq!((place.seasons.len(), place.planned.len()), (2, 1));
    assert!(
        get(&router, "/places")
            .await
            .text
            .contains("value=\"heating=10-15;open windows=05-01\"")
    );
    for bad in ["seasons=heating", "seasons=heating%3D10-15"] {
        let answer = form(&router, "/places", &format!("name=box&kind=box&{bad}")).await;
        assert!(answer.status.is_client_error(), "{bad}: {}", answer.status);
    }
    // Once, on a day; and taken out again.
    form(
        &router,
        "/places/plan",
        "name=box&day=2026-01-11&clock=03:00&to=off",
    )
    .await;
    assert!(
        get(&router, "/places")
            .await
            .text
            .contains("once, tomorrow 3:00 off")
    );
    let page = get(&router, "/places").await.text;
    let (_, first) = page.split_once("name=\"planned\" value=\"").unwrap();
    let shown = first.split('"').next().unwrap();
    let mut url = reqwest::Url::parse("http://x/").unwrap();
    url.query_pairs_mut().append_pair("planned", shown);
    let tap = format!("name=box&remove=0&{}", url.query().unwrap());
    form(&router, "/places/plan", &tap).await;
    let left = || kitchen.app.book().places["box"].planned.clone();
    assert!(left().len() == 1 && left()[0].on == Some(false));
    // Somebody else's page showed the same: their tap takes no other out.
    assert_eq!(form(&router, "/places/plan", &tap).await.status, 422);
    assert_eq!(left().len(), 1);
}

#[tokio::test]
async fn a_refused_form_keeps_what_was_typed() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let answer = form(
        &router,
        "/places/plan",
        "name=box&clock=09:00&to=air&air=hot+as+%3Ch1%3E",
    )
    .await;
    assert_eq!(answer.status, 422);
    assert!(answer.text.contains("is not a number"), "{}", answer.text);
    assert!(
        answer.text.contains("value=\"hot as &lt;h1&gt;\"")
            && answer.text.contains("value=\"09:00\""),
        "{}",
        answer.text
    );
    assert!(answer.text.contains("action=\"/places/plan\""));
    assert!(kitchen.app.book().places["box"].planned.is_empty());
}

#[tokio::test]
async fn places_do_not_stand_in_each_other_and_nonsense_is_refused_in_one_line() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    led(&form(&router, "/places", "name=larder&kind=room&inside=box").await);
    let answer = form(&router, "/places", "name=box&kind=box&inside=larder").await;
    assert_eq!(answer.status, 422);
    assert!(
        answer.text.contains("box in larder in box"),
        "{}",
        answer.text
    );
    for (path, word) in [
        (
            "/api/v1/plan?dough=cardamom%20knots&table=16:00&lateness=3",
            "lateness",
        ),
        (
            "/api/v1/plan?dough=cardamom%20knots&table=16:00&late_percent=500",
            "late_percent: 500",
        ),
        (
            "/api/v1/plan?dough=cardamom%20knots&table=16:00&bulk_place=moon",
            "no place `moon`",
        ),
        ("/api/v1/water?wanted=25", "wanted"),
    ] {
        let answer = get(&router, path).await;
        assert!(
            (400..500).contains(&answer.status.as_u16()),
            "{path}: {}",
            answer.text
        );
        assert_eq!(answer.headers["content-type"], "application/problem+json");
        let detail = answer.json()["detail"].as_str().unwrap().to_owned();
        assert!(
            detail.to_lowercase().contains(word) && !detail.contains('\n'),
            "{path}: {detail}"
        );
    }
    let bad =
        r#"{"record":"place","name":"box","kind":"box","planned":[{"daily":"noonish","air":25}]}"#;
    let answer = ask(&router, "POST", "/api/v1/records", &[], bad.to_owned()).await;
    assert_eq!(answer.status, 422);
    assert!(answer.text.contains("06:30"), "{}", answer.text);
}

//! What people see and tap.

use std::sync::Arc;

use super::{Kitchen, NOW, PAGES, alert, form, get, led, stage, t};
use crate::app::App;
use crate::batches::record::{
    Batch, Dough, Outcome, Place, PlaceKind, Quantity, Record, StageKind,
};
use crate::time::UtcMs;
use crate::web::router;

#[tokio::test]
async fn every_page_opens_and_carries_the_safety_headers() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    kitchen.readings(&[24.0; 30]);
    let router = router(Arc::clone(&kitchen.app));
    for page in PAGES {
        let answer = get(&router, page).await;
        assert_eq!(answer.status, 200, "{page}: {}", answer.text);
        let policy = answer.headers["content-security-policy"].to_str().unwrap();
        assert!(policy.contains("default-src 'none'") && !policy.contains("unsafe"));
        assert_eq!(answer.headers["x-content-type-options"], "nosniff");
        assert_eq!(answer.headers["x-frame-options"], "DENY");
        assert!(!answer.text.contains(" style="), "{page}: no inline style");
        assert!(!answer.text.contains("<style"), "{page}: no inline style");
        assert!(!answer.text.contains("onclick"), "{page}: no inline script");
        for script in answer.text.split("<script").skip(1) {
            assert!(
                script.contains("src=\"/assets/"),
                "{page}: scripts come from files"
            );
            assert!(
                script
                    .split('>')
                    .nth(1)
                    .is_some_and(|s| s.starts_with("</script")),
                "{page}"
            );
        }
        for link in answer
            .text
            .split("href=\"")
            .skip(1)
            .chain(answer.text.split("src=\"").skip(1))
        {
            assert!(
                link.starts_with('/') || link.starts_with('#'),
                "{page} names another host: {}",
                &link[..40]
            );
        }
    }
}

#[tokio::test]
async fn what_comes_from_the_wire_is_text_on_every_page() {
    let nasty = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>";
    let kitchen = Kitchen::new(|_| {});
    kitchen.put(vec![
        Record::Place(Place {
            name: nasty.into(),
            kind: Some(PlaceKind::Oven),
            ..Place::default()
        }),
        Record::Dough(Dough {
            name: nasty.into(),
            ..Dough::default()
        }),
        Record::Batch(Batch {
            id: "b".into(),
            dough: nasty.into(),
            place: nasty.into(),
            ..Batch::default()
        }),
        Record::Stage(stage("b", t("2026-01-10T06:05:00Z"))),
    ]);
    kitchen.app.board.with_heard(|heard| {
        heard.insert(
            nasty.into(),
            crate::ingest::board::Heard {
                topic: nasty.into(),
                at: t(NOW),
                preview: nasty.into(),
                retained: false,
                guesses: vec![crate::ingest::board::Guess {
                    senml_name: None,
                    pointer: Some(nasty.into()),
                    quantity: Quantity::AirTemperature,
                    unit: crate::batches::record::Unit::Cel,
                    value: 21.0,
                }],
            },
        );
    });
    kitchen
        .app
        .store
        .put_alerts(&[alert("a1", nasty)], &[])
        .unwrap();
    let router = router(Arc::clone(&kitchen.app));
    for page in [
        "/",
        "/batches/b",
        "/new",
        "/doughs",
        "/places",
        "/sensors",
        "/bakes",
        "/settings",
    ] {
        let answer = get(&router, page).await;
        assert_eq!(answer.status, 200, "{page}");
        assert!(!answer.text.contains("<img"), "{page}");
        assert!(!answer.text.contains("<script>"), "{page}");
        assert!(
            !answer.text.contains("\"'>"),
            "{page}: attributes stay closed in"
        );
    }
}

#[tokio::test]
async fn a_bake_goes_from_mixing_to_the_oven_by_taps_and_every_tap_can_be_undone() {
    let kitchen = Kitchen::new(|_| {});
    let app = Arc::clone(&kitchen.app);
    let router = router(Arc::clone(&app));
    led(&form(&router, "/doughs", "name=plum+buns&bulk_min=90&bulk_at=24&bulk_rise=80&ceiling=29&egg=yes&ingredient=flour&mass=500&ingredient=milk&mass=300&ingredient=&mass=").await);
    let dough = app.book().doughs["plum buns"].clone();
    assert_eq!(dough.bulk.unwrap().target_rise, Some(0.8));
    assert_eq!(dough.caution, ["egg"]);
    assert_eq!(dough.formula.unwrap().len(), 2);

    // Started twenty minutes ago; tapped twice, which starts one batch.
    let start = "dough=plum+buns&place=&new_place=counter&when=ago&ago_min=20&pieces=12";
    let to = led(&form(&router, "/batches", start).await);
    let again = led(&form(&router, "/batches", start).await);
    assert_eq!(app.book().batches.len(), 1);
    let id = app.book().batches.keys().next().unwrap().clone();
    assert!(id.contains("2026"), "an id of ours carries the year: {id}");
    let page = format!("/batches/{id}");
    assert!(to.starts_with(&page) && again.starts_with(&page));
    let began = app.book().stage(&id, StageKind::Bulk).unwrap().clone();
    assert_eq!(began.start, t("2026-01-10T06:40:00Z"));

    // The big buttons.
    let tap = |what: &'static str| {
        let (router, path) = (router.clone(), format!("{page}/do"));
        async move { form(&router, &path, what).await }
    };
    led(&tap("do=rise+0.25&when=now").await);
    led(&tap("do=dent+springs_back&when=ago&ago_min=3").await);
    led(&tap("do=heights&height_start=50&height_now=75&when=clock&clock=07:55").await);
    led(&tap("do=typed&when=ago&ago_min=1&dough_temperature=25,5&note=a+little+skin").await);
    let seen: Vec<String> = app
        .book()
        .observations_of(&id, UtcMs(i64::MIN), UtcMs(i64::MAX))
        .map(|o| {
            format!(
                "{} {:?} {:?} {:?} {:?}",
                o.time, o.rise, o.result, o.value, o.text
            )
        })
        .collect();
    assert_eq!(
        seen,
        [
            "2026-01-10T06:55:00Z Some(0.5) None None None",
            "2026-01-10T06:57:00Z None Some(SpringsBack) None None",
            "2026-01-10T06:59:00Z None None Some(25.5) None",
            "2026-01-10T06:59:00Z None None None Some(\"a little skin\")",
            "2026-01-10T07:00:00Z Some(0.25) None None None",
        ]
    );
    assert!(get(&router, &page).await.text.contains("a little skin"));

    // Changed to another time, and taken out; each with its way back.
    let at = t("2026-01-10T06:55:00Z").0;
    let changed = led(&form(
        &router,
        &format!("{page}/entry"),
        &format!("kind=rise&at_ms={at}&clock=07:50&do=retime"),
    )
    .await);
    let times = || -> Vec<String> {
        let book = app.book();
        book.observations_of(&id, UtcMs(i64::MIN), UtcMs(i64::MAX))
            .filter(|o| o.rise.is_some())
            .map(|o| o.time.to_string())
            .collect()
    };
    assert_eq!(times(), ["2026-01-10T06:50:00Z", "2026-01-10T07:00:00Z"]);
    let group = changed.split("undo=").nth(1).unwrap();
    led(&form(&router, "/undo", &format!("group={group}&back={page}")).await);
    assert_eq!(times(), ["2026-01-10T06:55:00Z", "2026-01-10T07:00:00Z"]);
    led(&form(
        &router,
        &format!("{page}/entry"),
        &format!("kind=rise&at_ms={at}&do=remove"),
    )
    .await);
    assert_eq!(times(), ["2026-01-10T07:00:00Z"]);

    // Carried, ended, split at shaping, final begun elsewhere.
    led(&tap("do=move_new&new_place=oven&when=now").await);
    app.clock.set(t("2026-01-10T08:00:00Z"));
    assert_eq!(app.book().place_at(&id, app.clock.now()), Some("oven"));
    let ended = led(&tap("do=end+ready&when=now").await);
    let stage = app.book().stage(&id, StageKind::Bulk).unwrap().clone();
    assert_eq!(
        (stage.end, stage.outcome),
        (Some(t("2026-01-10T08:00:00Z")), Some(Outcome::Ready))
    );
    assert!(ended.contains("undo="));
    app.clock.set(t("2026-01-10T08:20:00Z"));
    assert!(get(&router, "/").await.text.contains("being shaped"));
    let part = led(&tap("do=split&split_pieces=4&split_place=counter&when=now").await);
    assert_ne!(
        part.split('?').next().unwrap(),
        page,
        "the new batch's page is shown"
    );
    assert_eq!(app.book().batches.len(), 2);
    led(&tap("do=start+final&place=oven&when=now").await);
    assert!(
        app.book()
            .stage(&id, StageKind::Final)
            .unwrap()
            .end
            .is_none()
    );
    led(&form(&router, &format!("{page}/learn"), "learn=no").await);
    assert_eq!(app.book().batches[&id].learn, Some(false));

    // What cannot be right is said in words.
    for (what, words) in [
        ("do=heights&height_start=50", "Two heights"),
        ("do=temperature&dough_temperature=250", "no dough"),
        ("do=typed", "Nothing was typed"),
        ("do=dance", "no button"),
        ("do=rise+1&when=ago&ago_min=99999", "minutes ago"),
    ] {
        let answer = tap(what).await;
        assert!(answer.status.is_client_error(), "{what}");
        assert!(
            answer.text.contains(words) && answer.text.contains("<html"),
            "{what}: {}",
            answer.text
        );
    }
}

/// The skinning rule speaks only of a dough that is marked so: where a proof begins and while it goes
/// on its baker can say it, and take it back.
#[tokio::test]
async fn a_dough_in_the_open_is_marked_where_its_baker_meets_it() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let app = Arc::clone(&kitchen.app);
    let router = router(Arc::clone(&app));
    let covered = |id: &str| app.book().batches[id].covered();
    assert_eq!(covered("2026-knots"), None);
    let page = get(&router, "/batches/2026-knots").await.text;
    assert!(page.contains("Is it covered?"), "{page}");
    let noted = led(&form(&router, "/batches/2026-knots/do", "do=uncover&when=now").await);
    assert_eq!(covered("2026-knots"), Some(false));
    let page = get(&router, "/batches/2026-knots").await.text;
    assert!(page.contains("It stands open to the air."), "{page}");
    let group = noted.split("undo=").nth(1).unwrap();
    led(&form(&router, "/undo", &format!("group={group}&back=/")).await);
    assert_eq!(covered("2026-knots"), None);
    led(&form(&router, "/batches/2026-knots/do", "do=cover&when=now").await);
    assert_eq!(covered("2026-knots"), Some(true));

    // At the start of a batch, filled in when it is made again; at the start of the final proof.
    let start = "dough=cardamom+knots&place=box&covered=no&when=ago&ago_min=50";
    let to = led(&form(&router, "/batches", start).await);
    let id = to["/batches/".len()..].split('?').next().unwrap();
    assert_eq!(covered(id), Some(false));
    let again = get(&router, &format!("/new?again={id}")).await.text;
    assert!(
        again.contains(r#"name="covered" value="no" checked"#),
        "{again}"
    );
    let tap = format!("/batches/{id}/do");
    led(&form(&router, &tap, "do=end+ready&when=now").await);
    let shaping = get(&router, &format!("/batches/{id}")).await.text;
    assert!(shaping.contains(r#"name="covered" value="no" checked"#));
    assert!(!shaping.contains("What this rests on"));
    let begin = "do=start+final&place=box&covered=yes&when=now";
    led(&form(&router, &tap, begin).await);
    assert_eq!(covered(id), Some(true));
}

/// A message on a phone leads to the batch: what it said can be answered there.
#[tokio::test]
async fn a_batch_s_page_has_its_open_alerts_with_their_answers() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let app = Arc::clone(&kitchen.app);
    let router = router(Arc::clone(&app));
    let mut other = alert("a2", "Of another dough");
    other.doc["batch"] = "another".into();
    let rows = [alert("a1", "Box too hot"), other];
    app.store.put_alerts(&rows, &[]).unwrap();
    let page = get(&router, "/batches/2026-knots").await.text;
    assert!(page.contains("Box too hot") && page.contains("/alerts/a1/seen"));
    assert!(page.contains("What this rests on"));
    assert!(!page.contains("Of another dough"));
    led(&form(&router, "/alerts/a1/seen", "").await);
    let page = get(&router, "/batches/2026-knots").await.text;
    assert!(page.contains("Box too hot") && !page.contains("/alerts/a1/seen"));
}

/// Each phone is on duty or off by a tap; those off are not told, and with none on duty the way is not
/// counted on.
#[tokio::test]
async fn a_phone_is_put_off_duty_and_on_again_by_a_tap() {
    use crate::notify::push::{self, Push, Subscription};
    use crate::notify::{Channel as _, web_push};
    use base64::Engine as _;
    use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64;
    let _ = rustls::crypto::ring::default_provider().install_default();
    let kitchen = Kitchen::new(|_| {});
    let app = Arc::clone(&kitchen.app);
    let router = router(Arc::clone(&app));
    let key = BASE64.encode(web_push::public_bytes(&web_push::fresh_key()));
    for name in ["ines", "tom"] {
        let phone = serde_json::json!({"endpoint": format!("http://127.0.0.1:9/{name}"), "name": name,
            "keys": {"p256dh": key, "auth": BASE64.encode([7; 16])}});
        push::subscribe(&app, serde_json::from_value::<Subscription>(phone).unwrap()).unwrap();
    }
    let channel = Push::new(Arc::clone(&app)).unwrap();
    let on_duty = || -> Vec<String> {
        let all = push::subscriptions(&app).into_iter();
        all.filter(|p| p.on_duty).map(|p| p.name).collect()
    };
    let tap = async |name: &str, button: &str| {
        let what = format!("endpoint=http%3A%2F%2F127.0.0.1%3A9%2F{name}&do={button}");
        led(&form(&router, "/settings/phone", &what).await);
    };
    tap("tom", "off").await;
    assert_eq!(on_duty(), ["ines"]);
    tap("ines", "off").await;
    assert!(on_duty().is_empty() && !channel.in_use());
    let nobody = channel.send(&serde_json::json!({"id": "a"})).await;
    assert!(nobody.unwrap_err().to_string().contains("on duty"));
    tap("tom", "on").await;
    assert_eq!(on_duty(), ["tom"]);
    assert!(channel.in_use());
    tap("tom", "remove").await;
    assert_eq!(push::subscriptions(&app).len(), 1);
}

#[tokio::test]
async fn an_oven_without_a_fast_thermometer_is_marked_where_a_dough_is_started() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let words = "fast enough to warn of the oven";
    assert!(!get(&router, "/new").await.text.contains(words));
    kitchen.put(vec![Record::Place(Place {
        name: "oven".into(),
        kind: Some(PlaceKind::Oven),
        ..Place::default()
    })]);
    assert!(get(&router, "/new").await.text.contains(words));
}

#[tokio::test]
async fn a_topic_is_taken_with_one_tap_corrected_and_let_go() {
    let kitchen = Kitchen::new(|_| {});
    let router = router(Arc::clone(&kitchen.app));
    led(&form(&router, "/sensors/assign", "topic=k%2Fshelf&pointer=%2Ftemperature&name=shelf&place=&quantity=air_temperature&unit=Cel").await);
    let mapped = |app: &App| crate::ingest::assign::all(app).unwrap();
    let spec = mapped(&kitchen.app)[0].0.clone();
    assert_eq!(
        (spec.place.as_deref(), spec.pointer.as_deref()),
        (Some("shelf"), Some("/temperature"))
    );
    led(&form(
        &router,
        "/sensors/correct",
        "sensor=shelf&quantity=air_temperature&shown=21.4&is=21.9",
    )
    .await);
    assert_eq!(
        mapped(&kitchen.app)[0].0.correction[0].points,
        [[21.4, 21.9]]
    );
    let both = form(
        &router,
        "/sensors/correct",
        "sensor=shelf&quantity=air_temperature&shown=21.4&is=",
    )
    .await;
    assert_eq!(both.status, 422);
    led(&form(
        &router,
        "/sensors/unassign",
        "sensor=shelf&quantity=air_temperature",
    )
    .await);
    assert!(mapped(&kitchen.app).is_empty());
}

#[tokio::test]
async fn settings_are_kept_and_shown_and_the_configuration_wins() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    led(&form(
        &router,
        "/settings",
        "unit=degF&zone=Asia%2FTokyo&quiet_from=22:00&quiet_to=05:00",
    )
    .await);
    let page = get(&router, "/").await.text;
    // 29 °C is 84.2 °F; the zone stays the configured one: 6:05 UTC is 7:05 in Oslo.
    assert!(
        page.contains("84.2 °F") && page.contains("since 7:05"),
        "{page}"
    );
    assert_eq!(
        kitchen.app.store.setting("quiet_hours").unwrap(),
        Some("22:00-05:00".into())
    );
    assert_eq!(
        form(&router, "/settings", "zone=Nowhere%2FTown")
            .await
            .status,
        422
    );
    assert_eq!(
        form(&router, "/settings", "quiet_from=22:00").await.status,
        422
    );
}

/// Two people, one dough: the second tap comes from a page that shows the stage before.
#[tokio::test]
async fn a_tap_from_an_older_page_ends_and_opens_no_other_proof() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let tap = |body: &'static str| form(&router, "/batches/2026-knots/do", body);
    let page = get(&router, "/batches/2026-knots").await.text;
    assert!(page.contains("name=\"stage\" value=\"bulk\""), "{page}");
    led(&tap("do=end+ready&stage=bulk&when=now").await);
    led(&tap("do=start+final&place=box&when=now").await);
    let end = |kind| {
        let book = kitchen.app.book();
        let stage = book.stage("2026-knots", kind).unwrap();
        (stage.end, stage.outcome)
    };
    let refused = tap("do=end+ready&stage=bulk&when=now").await;
    assert!(refused.status.is_client_error(), "{}", refused.text);
    assert_eq!(end(StageKind::Final), (None, None));
    // How bulk went can still be said otherwise, but it is not open again under the final proof.
    led(&tap("do=was+over&stage=bulk&when=now").await);
    assert_eq!(end(StageKind::Bulk).1, Some(Outcome::Over));
    assert_eq!(tap("do=reopen&stage=bulk&when=now").await.status, 409);
    assert!(end(StageKind::Bulk).0.is_some());
    kitchen.app.clock.set(t(NOW).plus_min(60.0));
    led(&tap("do=end+ready&stage=final&when=now").await);
    assert_eq!(tap("do=was+under&stage=bulk&when=now").await.status, 409);
    led(&tap("do=reopen&stage=final&when=now").await);
    assert_eq!(end(StageKind::Final), (None, None));
}

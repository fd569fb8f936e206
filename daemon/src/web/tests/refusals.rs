//! What is refused on a page is said as the baker's form and clock say it: no field names of ours, no
//! UTC, no °C where the page shows °F. Oslo is an hour ahead of UTC in January.

use std::sync::Arc;

use doughwarden_dashboards::refusal;

use super::{Kitchen, form, get, led};
use crate::config::display::TemperatureUnit;
use crate::web::router;

/// Words that only the API may say.
fn is_plain(text: &str) {
    for ours in [
        "2026-01-10T",
        "air_temperature",
        "RFC 3339",
        "_c:",
        "`air`",
        "`end`",
        "`planned`",
    ] {
        assert!(!text.contains(ours), "{ours}: {text}");
    }
}

#[tokio::test]
async fn a_refusal_speaks_the_forms_words_and_the_bakers_clock() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    for (path, sent, said) in [
        (
            "/batches/2026-knots/do",
            "do=start+bulk&when=now",
            "The bulk proof of “2026-knots” was started at 7:05 already",
        ),
        (
            "/batches/2026-knots/do",
            "do=end+ready&when=ago&ago_min=200&clock=08:00",
            "The end 4:40 is not after the start 7:05.",
        ),
        (
            "/places/plan",
            "name=box&clock=06:30&to=air&air=500",
            "The plan: the air is 500 °C: a place is -20 to 60 °C.",
        ),
        (
            "/sensors/correct",
            "sensor=shelf&quantity=air_temperature&shown=21&is=22",
            "“shelf” (air) is not mapped.",
        ),
        (
            "/sensors/assign",
            "name=shelf&topic=k%2Fshelf&quantity=air_temperature&unit=%25RH",
            "the unit: % humidity does not measure air",
        ),
    ] {
        let answer = form(&router, path, sent).await;
        assert!(answer.status.is_client_error(), "{sent}");
        let main = answer.text.split("role=\"alert\"").last().unwrap();
        let refusal = main.split("</p>").next().unwrap();
        assert!(refusal.contains(said), "{sent}: {refusal}");
        is_plain(refusal);
    }
    // What was typed stands there again under its own label; what was tapped goes along unseen.
    let late = "do=end+ready&when=ago&ago_min=200&clock=08:00";
    let page = form(&router, "/batches/2026-knots/do", late).await.text;
    assert!(
        page.contains("How many minutes ago")
            && page.contains(r#"type="hidden" name="do" value="end ready""#)
    );
    assert!(page.contains(r#"type="hidden" name="clock""#), "{page}");
    assert!(!page.contains("Ago min"));
    // Sent again as it stands there, corrected.
    let to = led(&form(&router, "/batches/2026-knots/do", &late.replace("200", "5")).await);
    assert!(to.starts_with("/batches/2026-knots?done=ended"));

    for (asked, said) in [
        (
            "ask=mix&dough=cardamom+knots&table=noon",
            "On the table at: “noon” is not a time: write 15:00.",
        ),
        (
            "ask=mix&dough=cardamom+knots&table=2026-01-10T06:00:00Z",
            "On the table at: 7:00 is past (it is 8:00).",
        ),
        (
            "ask=mix&dough=cardamom+knots&table=15:00&bulk_place=shed",
            "Bulk stands in: there is no place “shed”",
        ),
        (
            "ask=light&place=box&now_c=200",
            "Dough now: 200 °C is out of range: give -5 to 45 °C.",
        ),
    ] {
        let page = get(&router, &format!("/plan?{asked}")).await.text;
        let question = asked[4..].split('&').next().unwrap();
        let card = page.split(&format!("id=\"{question}\"")).nth(1).unwrap();
        let refusal = card.split("role=\"alert\">").nth(1).unwrap();
        let refusal = refusal.split("</p>").next().unwrap();
        assert!(refusal.contains(said), "{asked}: {refusal}");
        is_plain(refusal);
    }
}

#[tokio::test]
async fn a_refusal_is_in_the_unit_of_the_page() {
    let kitchen =
        Kitchen::new(|c| c.display.unit = Some(TemperatureUnit::Fahrenheit)).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let asked = "/plan?ask=mix&dough=cardamom+knots&table=15:00&bulk_c=212";
    let page = get(&router, asked).await.text;
    // 212 °F is 100 °C; -5 and 45 °C are 23 and 113 °F.
    let said = "Bulk&#39;s air: 212 °F is out of range: give 23 to 113 °F.";
    let said_too = said.replace("&#39;", "'");
    assert!(page.contains(said) || page.contains(&said_too), "{page}");
    let page = form(&router, "/doughs", "name=rye&ceiling=194").await.text;
    // 15 and 50 °C.
    assert!(
        page.contains("A top proofing temperature is 59 to 122 °F."),
        "{page}"
    );
    assert!(page.contains("Warn me above, °F"), "{page}");
}

/// The text between two marks, each time they come.
fn between<'a>(text: &'a str, from: &'a str, to: &'a str) -> impl Iterator<Item = &'a str> {
    let after = text.split(from).skip(1);
    after.map(move |rest| rest.split(to).next().unwrap_or_default())
}

#[tokio::test]
async fn what_was_typed_comes_back_under_the_label_it_was_typed_under() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    kitchen.readings(&[24.0, 24.1]);
    crate::ingest::heard::note(
        &kitchen.app.board,
        "k/shelf",
        b"21",
        kitchen.app.clock.now(),
        false,
        None,
    );
    let show = crate::display::show(&kitchen.app).unwrap();
    let router = router(Arc::clone(&kitchen.app));
    let mut met = std::collections::BTreeSet::new();
    for page in [
        "/new",
        "/batches/2026-knots",
        "/doughs/edit",
        "/places",
        "/sensors",
        "/settings",
        "/reader-table?dough=cardamom+knots",
    ] {
        let text = get(&router, page).await.text.replace("&#39;", "'");
        for shown in between(&text, "<form", "</form>") {
            let Some(action) = between(shown, "action=\"", "\"").next() else {
                continue;
            };
            for (at, _) in shown.match_indices("<input") {
                let field = shown[at..].split('>').next().unwrap_or_default();
                // What is tapped or carried along comes back unseen.
                let typed = !["radio", "checkbox", "hidden"]
                    .iter()
                    .any(|kind| field.contains(&format!("type=\"{kind}\"")));
                let name = between(field, " name=\"", "\"").next();
                let Some(name) = name.filter(|_| typed) else {
                    continue;
                };
                let Some(label) = refusal::label(action, name, &show) else {
                    continue;
                };
                // On its form it may stand in a part that has a heading: there it is shorter. What follows a
                // colon explains.
                let own = between(field, "aria-label=\"", "\"").last();
                let beside = between(&shown[..at], "<span>", "</span>").last();
                let there = own.or(beside).unwrap_or_default();
                let there = there.split(": ").next().unwrap_or_default();
                assert!(
                    !there.is_empty() && label.to_lowercase().contains(&there.to_lowercase()),
                    "{page}: `{name}` sent to {action} is {there} there, and {label} when it comes back"
                );
                met.insert((label, name.to_owned()));
            }
        }
    }
    assert!(met.len() > 30, "{}: {met:?}", met.len());
}

//! The service worker in headless Chromium: a push shows a notice whose buttons answer for everyone
//! without a page. The push is handed to the browser by its own tools, as a push service would; the tap
//! on a button is the event that the browser would send (no tool presses a notice's button).

// Tests run on the machine's own clock.
#![allow(clippy::disallowed_methods, clippy::unwrap_used)]

use std::time::Duration;

use chromiumoxide::browser::Browser;
use chromiumoxide::cdp::browser_protocol::browser::{
    PermissionDescriptor, PermissionSetting, SetPermissionParams,
};
use chromiumoxide::cdp::browser_protocol::service_worker::{
    DeliverPushMessageParams, EnableParams, EventWorkerRegistrationUpdated,
};
use chromiumoxide::cdp::browser_protocol::target::{AttachToTargetParams, SetAutoAttachParams};
use chromiumoxide::page::Page;
use doughwarden_tests::browser::chromium;
use doughwarden_tests::harness::{Kitchen, tls, wait_for};
use futures::StreamExt as _;
use serde::Serialize;
use serde_json::{Value, json};

const DEADLINE: Duration = Duration::from_secs(30);

/// A word to another of the browser's targets; the answer is of no interest.
#[derive(Debug, Serialize)]
#[serde(rename_all = "camelCase")]
struct SendMessageToTarget {
    session_id: String,
    message: String,
}

impl chromiumoxide::types::Method for SendMessageToTarget {
    fn identifier(&self) -> chromiumoxide::types::MethodId {
        "Target.sendMessageToTarget".into()
    }
}

impl chromiumoxide::types::Command for SendMessageToTarget {
    type Response = Value;
}

/// Runs a script inside the service worker, over a connection of its own: the library's does not
/// outlive the worker's answers, which it does not know.
async fn in_worker(browser: &Browser, script: &str) {
    let (mut browser, mut handler) = Browser::connect(browser.websocket_address()).await.unwrap();
    tokio::spawn(async move { while handler.next().await.is_some() {} });
    let targets = browser.fetch_targets().await.unwrap();
    let worker = targets
        .into_iter()
        .find(|t| t.r#type == "service_worker")
        .expect("the worker runs");
    let attach = AttachToTargetParams::builder()
        .target_id(worker.target_id)
        .flatten(false)
        .build()
        .unwrap();
    let session = browser.execute(attach).await.unwrap();
    let call = json!({"id": 1, "method": "Runtime.evaluate", "params": {"expression": script}});
    browser
        .execute(SendMessageToTarget {
            session_id: session.session_id.inner().clone(),
            message: call.to_string(),
        })
        .await
        .unwrap();
}

/// What a script on the page comes to.
async fn on_page(page: &Page, script: &str) -> Value {
    let done = page.evaluate(script).await.unwrap();
    done.into_value().unwrap_or_default()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_push_shows_a_notice_whose_buttons_answer_for_everyone() {
    tls();
    let kitchen = Kitchen::new("").unwrap();
    let daemon = kitchen.start().unwrap();
    // A dough far too hot: told at once above 55 °C.
    let ago = |s: i64| (jiff::Timestamp::now() - jiff::SignedDuration::from_secs(s)).to_string();
    daemon
        .records(&[
            json!({"record":"place","name":"box","kind":"box"}),
            json!({"record":"batch","id":"2026-rye-1","dough":"rye rounds","place":"box"}),
            json!({"record":"stage","batch":"2026-rye-1","stage":"bulk","start":ago(600)}),
            json!({"record":"reading","time":ago(30),"sensor":"box","quantity":"air_temperature","value":57,"unit":"Cel"}),
            json!({"record":"reading","time":ago(5),"sensor":"box","quantity":"air_temperature","value":58,"unit":"Cel"}),
        ])
        .await
        .unwrap();
    let alert = || async {
        let all = daemon.get("/api/v1/alerts").await.ok()?;
        let mut hot = all.as_array()?.iter().filter(|a| a["alert"] == "too_hot");
        hot.next().cloned()
    };
    let raised = wait_for("the alert", DEADLINE, alert).await.unwrap();

    let (browser, _profile) = chromium().await;
    let grant = SetPermissionParams::builder()
        .permission(PermissionDescriptor::new("notifications"))
        .setting(PermissionSetting::Granted)
        .origin(&daemon.http)
        .build()
        .unwrap();
    browser.execute(grant).await.unwrap();
    let page = browser
        .new_page(format!("{}/settings", daemon.http))
        .await
        .unwrap();
    page.wait_for_navigation().await.unwrap();
    let mut known = page
        .event_listener::<EventWorkerRegistrationUpdated>()
        .await
        .unwrap();
    page.execute(EnableParams::default()).await.unwrap();
    // The library would stop the worker before its first line, for a debugger.
    let attach = SetAutoAttachParams::new(false, false);
    page.execute(attach).await.unwrap();
    // By the page's own rules: its policy lets no other address become a worker.
    let scope = on_page(
        &page,
        "(async () => {
            const policy = trustedTypes.createPolicy('doughwarden', { createScriptURL: (url) => url });
            await navigator.serviceWorker.register(policy.createScriptURL('/worker.js'), { scope: '/' });
            const { active, scope } = await navigator.serviceWorker.ready;
            while (active.state !== 'activated') {
                await new Promise((go) => { active.addEventListener('statechange', go, { once: true }); });
            }
            return scope;
        })()",
    )
    .await;
    assert_eq!(scope, format!("{}/", daemon.http));
    let registration = tokio::time::timeout(DEADLINE, async {
        loop {
            let event = known.next().await.expect("the browser goes on");
            if let Some(found) = event.registrations.iter().find(|r| !r.is_deleted) {
                return found.registration_id.clone();
            }
        }
    })
    .await
    .unwrap();

    let notices = || async {
        on_page(
            &page,
            "(async () => (await (await navigator.serviceWorker.ready).getNotifications()).map(n => ({
                title: n.title, body: n.body, tag: n.tag, stays: n.requireInteraction,
                buttons: n.actions.map(a => a.action) })))()",
        )
        .await
    };
    // Pushed again until it is there: a notice that is asked about while it is being put up counts as
    // swept away by its reader.
    let pushed = async |document: &Value| {
        wait_for("the notice", DEADLINE, || async {
            let push = DeliverPushMessageParams::new(
                daemon.http.clone(),
                registration.clone(),
                document.to_string(),
            );
            page.execute(push).await.ok()?;
            tokio::time::sleep(Duration::from_millis(500)).await;
            let all = notices().await;
            let all = all.as_array()?;
            assert!(all.len() <= 1, "one event is one notice: {all:?}");
            let first = all.first().filter(|n| n["title"] == document["title"]);
            first.cloned()
        })
        .await
        .unwrap()
    };
    let notice = pushed(&raised).await;
    assert_eq!(
        notice,
        json!({
            "title": raised["title"], "body": raised["text"], "tag": raised["id"], "stays": true,
            "buttons": ["acknowledge", "remind"],
        })
    );

    let tap = |button: &str| {
        format!(
            "(async () => {{
                const [notification] = await self.registration.getNotifications();
                const tap = new NotificationEvent('notificationclick', {{ notification, action: '{button}' }});
                // Only an event of the browser's own keeps the worker awake.
                tap.waitUntil = () => {{}};
                self.dispatchEvent(tap);
            }})()"
        )
    };
    in_worker(&browser, &tap("remind")).await;
    wait_for("to be reminded", DEADLINE, || async {
        alert().await.filter(|a| a["remind_at"].is_string())
    })
    .await
    .unwrap();
    wait_for("the notice to go", DEADLINE, || async {
        notices()
            .await
            .as_array()
            .filter(|all| all.is_empty())
            .map(|_| ())
    })
    .await
    .unwrap();

    pushed(&raised).await;
    in_worker(&browser, &tap("acknowledge")).await;
    wait_for("to be seen", DEADLINE, || async {
        alert().await.filter(|a| a["seen"].is_string())
    })
    .await
    .unwrap();

    // What is over takes the notice's place, quietly, and has nothing to answer.
    pushed(&raised).await;
    let mut over = raised.clone();
    (over["state"], over["title"]) = (json!("cleared"), json!("Box: back under 38 °C."));
    let notice = pushed(&over).await;
    assert_eq!(
        (&notice["buttons"], &notice["stays"]),
        (&json!([]), &json!(false))
    );
}

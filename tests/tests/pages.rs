//! The pages in headless Chromium, at a phone's width and a desk's: each opens without a console
//! error and without a request to another host, a batch is started by taps, a reading shows without
//! reload. Screenshots are kept in `target/screenshots`, not committed.

// Tests run on the machine's own clock, and say what they measured.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use chromiumoxide::browser::Browser;
use chromiumoxide::cdp::browser_protocol::emulation::SetDeviceMetricsOverrideParams;
use chromiumoxide::cdp::browser_protocol::log::EventEntryAdded;
use chromiumoxide::cdp::browser_protocol::network::EventRequestWillBeSent;
use chromiumoxide::cdp::browser_protocol::page::CaptureScreenshotFormat;
use chromiumoxide::cdp::js_protocol::runtime::{EventConsoleApiCalled, EventExceptionThrown};
use chromiumoxide::page::{Page, ScreenshotParams};
use doughwarden_tests::browser::chromium;
use doughwarden_tests::harness::{Daemon, Kitchen, mosquitto_pub, tls, wait_for};
use futures::StreamExt as _;
use serde_json::json;

struct Watched {
    page: Page,
    width: i64,
    height: i64,
    complaints: Arc<Mutex<Vec<String>>>,
    requests: Arc<Mutex<Vec<String>>>,
}

async fn watched(browser: &Browser, width: i64, height: i64) -> Watched {
    let page = browser.new_page("about:blank").await.unwrap();
    let complaints: Arc<Mutex<Vec<String>>> = Arc::default();
    let requests: Arc<Mutex<Vec<String>>> = Arc::default();
    let mut thrown = page.event_listener::<EventExceptionThrown>().await.unwrap();
    let mut said = page
        .event_listener::<EventConsoleApiCalled>()
        .await
        .unwrap();
    let mut logged = page.event_listener::<EventEntryAdded>().await.unwrap();
    let mut sent = page
        .event_listener::<EventRequestWillBeSent>()
        .await
        .unwrap();
    let (c, r) = (Arc::clone(&complaints), Arc::clone(&requests));
    tokio::spawn(async move {
        loop {
            tokio::select! {
                Some(e) = thrown.next() => c.lock().unwrap().push(format!("{:?}", e.exception_details)),
                Some(e) = said.next() => {
                    if matches!(e.r#type.as_ref(), "error" | "warning" | "assert") {
                        c.lock().unwrap().push(format!("{:?}", e.args));
                    }
                }
                Some(e) = logged.next() => c.lock().unwrap().push(format!("{:?}", e.entry)),
                Some(e) = sent.next() => r.lock().unwrap().push(e.request.url.clone()),
                else => return,
            }
        }
    });
    Watched {
        page,
        width,
        height,
        complaints,
        requests,
    }
}

impl Watched {
    async fn size(&self) {
        let phone = self.width < 600;
        let size = SetDeviceMetricsOverrideParams::new(self.width, self.height, 1.0, phone);
        self.page.execute(size).await.unwrap();
    }

    async fn open(&self, url: &str, name: &str) {
        self.size().await;
        self.page
            .goto(url)
            .await
            .unwrap_or_else(|e| panic!("{url}: {e}"));
        self.page.wait_for_navigation().await.unwrap();
        let dir = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../target/screenshots");
        std::fs::create_dir_all(&dir).unwrap();
        let look = ScreenshotParams::builder()
            .format(CaptureScreenshotFormat::Png)
            .full_page(true)
            .build();
        self.page
            .save_screenshot(look, dir.join(format!("{name}.png")))
            .await
            .unwrap();
        // A screenshot of a whole page leaves another size behind.
        self.size().await;
    }

    /// What a person reads; nothing while the page is being replaced.
    async fn text(&self) -> String {
        match self.page.evaluate("document.body.innerText").await {
            Ok(text) => text.into_value().unwrap_or_default(),
            Err(_) => String::new(),
        }
    }

    async fn holds(&self, wanted: &str) {
        wait_for(
            &format!("`{wanted}` on the page"),
            Duration::from_secs(20),
            || async { self.text().await.contains(wanted).then_some(()) },
        )
        .await
        .unwrap_or_else(|e| panic!("{e}"));
    }

    async fn is_clean(&self, host: &str) {
        let complaints = self.complaints.lock().unwrap().clone();
        assert!(complaints.is_empty(), "{complaints:#?}");
        let foreign: Vec<String> = self
            .requests
            .lock()
            .unwrap()
            .iter()
            .filter(|url| {
                !url.starts_with(host) && !url.starts_with("about:") && !url.starts_with("data:")
            })
            .cloned()
            .collect();
        assert!(foreign.is_empty(), "requests to elsewhere: {foreign:?}");
        let overflow: i64 = self
            .page
            .evaluate(format!(
                "document.documentElement.scrollWidth - {}",
                self.width
            ))
            .await
            .unwrap()
            .into_value()
            .unwrap();
        assert!(
            overflow <= 0,
            "the page is {overflow} px wider than the screen"
        );
    }
}

const PAGES: [(&str, &str); 9] = [
    ("/", "now"),
    ("/bakes", "bakes"),
    ("/doughs", "doughs"),
    ("/places", "places"),
    ("/sensors", "sensors"),
    ("/settings", "settings"),
    ("/new", "new"),
    ("/plan", "plan"),
    ("/compare", "compare"),
];

#[tokio::test(flavor = "multi_thread")]
async fn every_page_opens_clean_at_both_widths() {
    tls();
    let daemon = Daemon::start(&["demo", "--speed", "60"]).unwrap();
    let batches = daemon.get("/api/v1/batches").await.unwrap();
    let id = batches.as_array().unwrap().first().unwrap()["id"]
        .as_str()
        .unwrap()
        .to_owned();
    let (browser, _profile) = chromium().await;
    for (width, height) in [(390, 844), (1280, 900)] {
        let seen = watched(&browser, width, height).await;
        for (path, name) in PAGES {
            seen.open(
                &format!("{}{path}", daemon.http),
                &format!("{name}-{width}"),
            )
            .await;
            assert!(seen.text().await.len() > 40, "{path} is nearly empty");
            seen.is_clean(&daemon.http).await;
        }
        seen.open(
            &format!("{}/batches/{id}", daemon.http),
            &format!("batch-{width}"),
        )
        .await;
        seen.is_clean(&daemon.http).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_batch_is_started_by_taps_and_a_reading_shows_without_reload() {
    tls();
    let kitchen = Kitchen::new(
        "[[sensor]]\nname = \"box\"\nplace = \"box\"\ntopic = \"k/box\"\nquantity = \"air_temperature\"\nunit = \"Cel\"\n",
    )
    .unwrap();
    let daemon = kitchen.start().unwrap();
    daemon
        .records(&[
            json!({"record":"place","name":"box","kind":"box"}),
            json!({"record":"dough","name":"pear whirls","bulk":{"usual_min":90,"at":24}}),
            json!({"record":"batch","id":"2026-whirls-1","dough":"pear whirls","place":"box"}),
            json!({"record":"stage","batch":"2026-whirls-1","stage":"bulk","start":"2026-01-02T06:00:00Z","end":"2026-01-02T07:30:00Z","outcome":"ready"}),
        ])
        .await
        .unwrap();
    let (browser, _profile) = chromium().await;
    let seen = watched(&browser, 390, 844).await;
    seen.open(&daemon.http, "same-again").await;
    // Two taps: "Same again", then the button that starts it.
    let tap = |what: &'static str| {
        let page = &seen.page;
        async move {
            let script = format!(
                "(() => {{ const all = [...document.querySelectorAll('button, a, input[type=submit]')]; const hit = all.find(b => b.innerText.includes('{what}')); if (!hit) return false; hit.click(); return true; }})()"
            );
            let hit: bool = page.evaluate(script).await.unwrap().into_value().unwrap();
            assert!(hit, "no button says `{what}`");
        }
    };
    tap("Same again").await;
    seen.holds("pear whirls").await;
    wait_for("the batch to be proofing", Duration::from_secs(20), || async {
        let script = "(() => { const b = [...document.querySelectorAll('main button')].find(b => /start/i.test(b.innerText)); if (b) b.click(); return true; })()";
        let _ = seen.page.evaluate(script).await;
        let batches = daemon.get("/api/v1/batches").await.ok()?;
        (batches.as_array()?.len() > 1).then_some(())
    })
    .await
    .unwrap();
    seen.open(&daemon.http, "started").await;
    seen.holds("pear whirls").await;
    for (value, shown) in [("23.75", "23.8"), ("26.25", "26.3")] {
        mosquitto_pub(daemon.mqtt_port(), &["-t", "k/box", "-m", value]).unwrap();
        // Promised within a second; the deadline is twenty times that.
        seen.holds(shown).await;
    }
    seen.is_clean(&daemon.http).await;
}

//! Headless Chromium for the tests of the pages: a profile of its own, nothing of a browser's own
//! talking to the outside; and a page at a phone's or a desk's width that is watched for complaints.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use anyhow::{Context as _, Result, bail, ensure};
use chromiumoxide::browser::{Browser, BrowserConfig};
use chromiumoxide::cdp::browser_protocol::dom::SetFileInputFilesParams;
use chromiumoxide::cdp::browser_protocol::emulation::SetDeviceMetricsOverrideParams;
use chromiumoxide::cdp::browser_protocol::log::EventEntryAdded;
use chromiumoxide::cdp::browser_protocol::network::EventRequestWillBeSent;
use chromiumoxide::cdp::browser_protocol::page::CaptureScreenshotFormat;
use chromiumoxide::cdp::js_protocol::runtime::{EventConsoleApiCalled, EventExceptionThrown};
use chromiumoxide::page::{Page, ScreenshotParams};
use futures::StreamExt as _;
use serde::de::DeserializeOwned;
use serde_json::json;

use crate::harness::wait_for;

/// Starts one; its profile is gone with the directory.
///
/// # Panics
/// If it is not installed or does not start.
pub async fn chromium() -> (Browser, tempfile::TempDir) {
    let profile = tempfile::tempdir().expect("a directory for its profile");
    let path = ["/usr/bin/chromium", "/usr/bin/chromium-browser"]
        .into_iter()
        .find(|p| Path::new(p).exists())
        .expect("chromium is not installed: run tests/run");
    let config = BrowserConfig::builder()
        .chrome_executable(path)
        .no_sandbox()
        .user_data_dir(profile.path())
        .args([
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
        ])
        .launch_timeout(Duration::from_secs(60))
        .build()
        .expect("its settings are in order");
    let (browser, mut handler) = Browser::launch(config).await.expect("it starts");
    tokio::spawn(async move { while handler.next().await.is_some() {} });
    (browser, profile)
}

/// What a page has said or done so far.
type Noted = Arc<Mutex<Vec<String>>>;

fn noted(list: &Mutex<Vec<String>>) -> MutexGuard<'_, Vec<String>> {
    list.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Ten times what a page may take to show what it promises: two seconds.
const SHOWN: Duration = Duration::from_secs(20);

/// A page of one width, whose complaints and requests are kept.
pub struct Watched {
    /// The page itself.
    pub page: Page,
    width: i64,
    height: i64,
    complaints: Noted,
    requests: Noted,
}

impl Watched {
    /// Opens one; under 600 px it is a phone's.
    ///
    /// # Errors
    /// What the browser says.
    pub async fn new(browser: &Browser, width: i64, height: i64) -> Result<Self> {
        let page = browser.new_page("about:blank").await?;
        let (complaints, requests) = (Noted::default(), Noted::default());
        let mut thrown = page.event_listener::<EventExceptionThrown>().await?;
        let mut said = page.event_listener::<EventConsoleApiCalled>().await?;
        let mut logged = page.event_listener::<EventEntryAdded>().await?;
        let mut sent = page.event_listener::<EventRequestWillBeSent>().await?;
        let (c, r) = (Arc::clone(&complaints), Arc::clone(&requests));
        tokio::spawn(async move {
            loop {
                tokio::select! {
                    Some(e) = thrown.next() => noted(&c).push(format!("{:?}", e.exception_details)),
                    Some(e) = said.next() => {
                        if matches!(e.r#type.as_ref(), "error" | "warning" | "assert") {
                            noted(&c).push(format!("{:?}", e.args));
                        }
                    }
                    Some(e) = logged.next() => noted(&c).push(format!("{:?}", e.entry)),
                    Some(e) = sent.next() => noted(&r).push(e.request.url.clone()),
                    else => return,
                }
            }
        });
        Ok(Self {
            page,
            width,
            height,
            complaints,
            requests,
        })
    }

    async fn size(&self) -> Result<()> {
        let phone = self.width < 600;
        let size = SetDeviceMetricsOverrideParams::new(self.width, self.height, 1.0, phone);
        self.page.execute(size).await?;
        Ok(())
    }

    /// Goes to an address, and keeps a picture of it.
    ///
    /// # Errors
    /// What the browser says.
    pub async fn open(&self, url: &str, name: &str) -> Result<()> {
        self.size().await?;
        self.page.goto(url).await.with_context(|| url.to_owned())?;
        self.page.wait_for_navigation().await?;
        self.picture(name).await
    }

    /// Keeps a picture of the whole page in `target/screenshots`, under this name and its width.
    ///
    /// # Errors
    /// What the browser or the disk says.
    pub async fn picture(&self, name: &str) -> Result<()> {
        let dir = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../target/screenshots");
        std::fs::create_dir_all(&dir)?;
        let look = ScreenshotParams::builder()
            .format(CaptureScreenshotFormat::Png)
            .full_page(true)
            .build();
        let file = dir.join(format!("{name}-{}.png", self.width));
        self.page.save_screenshot(look, file).await?;
        // A screenshot of a whole page leaves another size behind.
        self.size().await
    }

    /// What a script gives; nothing while the page is being replaced.
    pub async fn script<T: DeserializeOwned>(&self, script: &str) -> Option<T> {
        self.page.evaluate(script).await.ok()?.into_value().ok()
    }

    /// What a person reads; nothing while the page is being replaced or still on its way.
    pub async fn text(&self) -> String {
        let whole = "document.readyState === 'complete' ? document.body.innerText : ''";
        let text = self.script(whole).await;
        text.unwrap_or_default()
    }

    /// Waits until the page says this.
    ///
    /// # Errors
    /// What it says instead.
    pub async fn holds(&self, wanted: &str) -> Result<()> {
        let what = format!("`{wanted}` on the page");
        let found = wait_for(&what, SHOWN, || async {
            self.text().await.contains(wanted).then_some(())
        });
        match found.await {
            Ok(()) => Ok(()),
            Err(error) => bail!("{error}; it says:\n{}", self.text().await),
        }
    }

    /// Taps the first button or link that says this.
    ///
    /// # Errors
    /// If there is none.
    pub async fn tap(&self, words: &str) -> Result<()> {
        let script = format!(
            "(() => {{ const hit = [...document.querySelectorAll('button, a')].find(b => b.innerText.includes({})); if (hit) hit.click(); return !!hit; }})()",
            json!(words)
        );
        // The page may still be on its way.
        let what = format!("a button that says `{words}`");
        wait_for(&what, SHOWN, || async {
            let hit: Option<bool> = self.script(&script).await;
            hit.filter(|hit| *hit).map(drop)
        })
        .await
    }

    /// Types into the first field that a selector finds, or chooses there.
    ///
    /// # Errors
    /// If there is none, or it does not take that value.
    pub async fn fill(&self, selector: &str, value: &str) -> Result<()> {
        let script = format!(
            "(() => {{ const field = document.querySelector({}); if (!field) return 'nothing there'; field.value = {}; field.dispatchEvent(new Event('input', {{ bubbles: true }})); return field.value; }})()",
            json!(selector),
            json!(value)
        );
        let stands: Option<String> = self.script(&script).await;
        ensure!(stands.as_deref() == Some(value), "{selector}: {stands:?}");
        Ok(())
    }

    /// Chooses a file in the page's only field for one.
    ///
    /// # Errors
    /// If there is no such field.
    pub async fn choose_file(&self, file: &Path) -> Result<()> {
        let field = self.page.find_element("input[type=file]").await?;
        let mut files = SetFileInputFilesParams::new(vec![file.display().to_string()]);
        files.backend_node_id = Some(field.backend_node_id);
        self.page.execute(files).await?;
        Ok(())
    }

    /// Takes note of refusals that were asked for: so many answers of this status.
    #[must_use]
    pub fn forgive(&self, status: u16) -> usize {
        let mut complaints = noted(&self.complaints);
        let before = complaints.len();
        complaints.retain(|c| !c.contains(&format!("status of {status}")));
        before - complaints.len()
    }

    /// Whether nothing was complained of or asked of another host, and nothing is wider than the screen.
    ///
    /// # Errors
    /// What is not so.
    pub async fn is_clean(&self, host: &str) -> Result<()> {
        let complaints = noted(&self.complaints).clone();
        ensure!(complaints.is_empty(), "{complaints:#?}");
        let own = [host, "about:", "data:"];
        let foreign: Vec<String> = noted(&self.requests)
            .iter()
            .filter(|url| !own.iter().any(|own| url.starts_with(own)))
            .cloned()
            .collect();
        ensure!(foreign.is_empty(), "requests to elsewhere: {foreign:?}");
        let overflow: Option<i64> = self
            .script(&format!(
                "document.documentElement.scrollWidth - {}",
                self.width
            ))
            .await;
        ensure!(
            overflow.is_some_and(|px| px <= 0),
            "the page is {overflow:?} px wider than the screen"
        );
        Ok(())
    }
}

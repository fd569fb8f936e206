//! Headless Chromium for the tests of the pages: a profile of its own, nothing of a browser's own
//! talking to the outside.

use std::path::Path;
use std::time::Duration;

use chromiumoxide::browser::{Browser, BrowserConfig};
use futures::StreamExt as _;

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

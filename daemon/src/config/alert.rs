//! `[alert]`: how the baker is told: `webhook`, `email`, `push`, `mqtt`, `link`, `quiet_hours`,
//! `heartbeat_url`.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::mqtt::Secret;

/// How the baker is told. The open page and the MQTT topic `doughwarden/alert` need no key.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default)]
pub struct Alert {
    /// An HTTP request for each alert.
    pub webhook: Option<Webhook>,
    /// A mail for each alert.
    pub email: Option<Email>,
    /// Web Push to the phones that are signed up.
    pub push: Way,
    /// The MQTT topic `doughwarden/alert`.
    pub mqtt: Way,
    /// What links in messages begin with, as a phone reaches these pages: `https://dough.example`.
    /// Absent: the first of `[http] hosts`, else the address the pages are served on.
    pub link: Option<String>,
    /// When only urgent alerts are pushed: `22:00-05:00` in the display's zone.
    pub quiet_hours: Option<String>,
    /// Fetched every minute while intake, store and alerts all move (an outside watchdog misses it).
    pub heartbeat_url: Option<Secret>,
}

/// `[alert.push]` and `[alert.mqtt]`: `after_min`.
#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(default)]
pub struct Way {
    /// The second way: used only for what nobody has seen after so many minutes. Absent: at once.
    pub after_min: f64,
}

/// `[alert.webhook]`: `url`, `method`, `headers`, `body`, `after_min`.
#[derive(Clone, Debug, Deserialize)]
pub struct Webhook {
    /// Where to.
    #[serde(default)]
    pub url: Secret,
    /// `POST` unless told.
    #[serde(default = "post")]
    pub method: String,
    /// Headers beside the usual.
    #[serde(default)]
    pub headers: BTreeMap<String, Secret>,
    /// The body, with `{title}`, `{text}`, `{link}`, `{severity}` … standing for the alert's fields;
    /// absent: the alert's JSON document.
    #[serde(default)]
    pub body: Option<String>,
    /// The second way: used only for what nobody has seen after so many minutes. Absent: at once.
    #[serde(default)]
    pub after_min: f64,
}

fn post() -> String {
    "POST".into()
}

/// `[alert.email]`: `server`, `port`, `security`, `user`, `password`, `from`, `to`, `ca_file`,
/// `after_min`.
#[derive(Clone, Debug, Deserialize)]
pub struct Email {
    /// The mail server's name.
    #[serde(default)]
    pub server: String,
    /// Its port; absent: 587 for `starttls`, 465 for `tls`.
    #[serde(default)]
    pub port: Option<u16>,
    /// `starttls` (unless told) or `tls`.
    #[serde(default = "starttls")]
    pub security: String,
    /// The user it asks for.
    #[serde(default)]
    pub user: Option<String>,
    /// The password it asks for.
    #[serde(default)]
    pub password: Option<Secret>,
    /// The sender's address.
    #[serde(default)]
    pub from: String,
    /// The receiver's address.
    #[serde(default)]
    pub to: String,
    /// Certificates in PEM trusted beside the system's.
    #[serde(default)]
    pub ca_file: Option<std::path::PathBuf>,
    /// The second way: a mail goes out only for what nobody has seen after so many minutes.
    /// Absent: at once.
    #[serde(default)]
    pub after_min: f64,
}

fn starttls() -> String {
    "starttls".into()
}

impl Alert {
    /// Checks what the types cannot: one line that names the key.
    ///
    /// # Errors
    /// The first key that cannot work.
    pub fn check(&self) -> Result<(), String> {
        if let Some(webhook) = &self.webhook {
            crate::notify::webhook::Webhook::new(webhook)?;
        }
        if let Some(email) = &self.email {
            crate::notify::email::Email::check(email)?;
        }
        let wait = |way: Option<f64>| way.unwrap_or_default();
        for (way, after_min) in [
            ("webhook", wait(self.webhook.as_ref().map(|w| w.after_min))),
            ("email", wait(self.email.as_ref().map(|e| e.after_min))),
            ("push", self.push.after_min),
            ("mqtt", self.mqtt.after_min),
        ] {
            if !(0.0..=24.0 * 60.0).contains(&after_min) {
                return Err(format!("alert.{way}.after_min: from 0 to 1440 minutes"));
            }
        }
        if let Some(quiet) = &self.quiet_hours {
            crate::watch::quiet::QuietHours::parse(quiet)
                .map_err(|why| format!("alert.quiet_hours: {why}"))?;
        }
        for (key, url) in [
            ("alert.link", self.link.as_deref()),
            (
                "alert.heartbeat_url",
                self.heartbeat_url.as_ref().map(|s| s.0.as_str()),
            ),
        ] {
            if let Some(url) = url {
                crate::notify::webhook::url(url, key)?;
            }
        }
        Ok(())
    }
}

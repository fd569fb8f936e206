//! The webhook: one HTTP request for each message, so that any push relay or chat hook works.

use std::time::Duration;

use reqwest::header::{CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue, RETRY_AFTER};
use reqwest::{Client, Method, StatusCode, Url};
use serde_json::Value;

use super::template::{Into, fill};
use super::{Channel, Refusal, Sending};
use crate::config::alert::Webhook as Config;

/// Its name.
pub const NAME: &str = "webhook";
/// How long an answer may take, network time.
pub const TIMEOUT: Duration = Duration::from_secs(10);
/// How long a connection may take.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);
/// The longest wait that a `Retry-After` is granted; beyond it our own back-off goes on.
const LONGEST_RETRY_AFTER: Duration = Duration::from_secs(15 * 60);

/// The channel.
#[derive(Debug)]
pub struct Webhook {
    client: Client,
    method: Method,
    url: String,
    headers: Vec<(HeaderName, String)>,
    body: Option<String>,
    after_min: f64,
}

impl Webhook {
    /// From its configuration.
    ///
    /// # Errors
    /// One line that says which key cannot work.
    pub fn new(config: &Config) -> Result<Self, String> {
        let method =
            Method::from_bytes(config.method.to_ascii_uppercase().as_bytes()).map_err(|_| {
                format!(
                    "alert.webhook.method: `{}` is no HTTP method",
                    config.method
                )
            })?;
        url(&config.url.0, "alert.webhook.url")?;
        let mut headers = Vec::new();
        for (name, value) in &config.headers {
            let name = HeaderName::from_bytes(name.as_bytes())
                .map_err(|_| format!("alert.webhook.headers: `{name}` is no header's name"))?;
            headers.push((name, value.0.clone()));
        }
        Ok(Self {
            client: client()?,
            method,
            url: config.url.0.clone(),
            headers,
            body: config.body.clone(),
            after_min: config.after_min,
        })
    }

    async fn deliver(&self, doc: &Value) -> Result<(), Refusal> {
        let url =
            url(&fill(&self.url, doc, Into::Url), "alert.webhook.url").map_err(Refusal::Never)?;
        let mut headers = HeaderMap::new();
        for (name, template) in &self.headers {
            let value = fill(template, doc, Into::Header);
            let value = HeaderValue::from_bytes(value.as_bytes())
                .map_err(|_| Refusal::Never(format!("header `{name}` cannot be sent")))?;
            headers.append(name, value);
        }
        let template = self.body.as_deref();
        let json =
            template.is_none_or(|t| t.trim_start().starts_with(['{', '[']) && is_json(t, doc));
        if !headers.contains_key(CONTENT_TYPE) {
            let kind = if json {
                "application/json"
            } else {
                "text/plain; charset=utf-8"
            };
            headers.insert(CONTENT_TYPE, HeaderValue::from_static(kind));
        }
        let body = match template {
            None => doc.to_string(),
            Some(t) => fill(t, doc, if json { Into::Json } else { Into::Text }),
        };
        let mut request = self
            .client
            .request(self.method.clone(), url)
            .headers(headers);
        if self.method != Method::GET && self.method != Method::HEAD {
            request = request.body(body);
        }
        let answer = request
            .send()
            .await
            .map_err(|e| Refusal::later(words(&e)))?;
        judge(answer.status(), answer.headers())
    }
}

/// Whether a template gives JSON once filled.
fn is_json(template: &str, doc: &Value) -> bool {
    serde_json::from_str::<serde::de::IgnoredAny>(&fill(template, doc, Into::Json)).is_ok()
}

impl Channel for Webhook {
    fn name(&self) -> &'static str {
        NAME
    }

    fn wakes_phone(&self) -> bool {
        true
    }

    fn after_min(&self) -> f64 {
        self.after_min
    }

    fn send<'a>(&'a self, doc: &'a Value) -> Sending<'a> {
        Box::pin(self.deliver(doc))
    }

    fn try_silently(&self) -> Sending<'_> {
        // Any request may ring a phone: the host is only reached.
        Box::pin(async { reach_url(&self.url).await.map_err(Refusal::later) })
    }
}

/// What an answer means: taken, later (5xx, 429, 408, 425), or never.
pub(super) fn judge(status: StatusCode, headers: &HeaderMap) -> Result<(), Refusal> {
    if status.is_success() {
        return Ok(());
    }
    let why = format!("it answered {status}");
    let later = status.is_server_error()
        || matches!(
            status,
            StatusCode::TOO_MANY_REQUESTS | StatusCode::REQUEST_TIMEOUT | StatusCode::TOO_EARLY
        );
    if !later {
        return Err(Refusal::Never(why));
    }
    // Seconds only: the date form is rare, and our own back-off is at hand.
    let after = headers
        .get(RETRY_AFTER)
        .and_then(|v| v.to_str().ok())
        .and_then(|v| v.trim().parse().ok())
        .map(|s: u64| Duration::from_secs(s).min(LONGEST_RETRY_AFTER));
    Err(Refusal::Later { why, after })
}

/// A client with our time-outs.
pub(super) fn client() -> Result<Client, String> {
    Client::builder()
        .timeout(TIMEOUT)
        .connect_timeout(CONNECT_TIMEOUT)
        .redirect(reqwest::redirect::Policy::limited(3))
        .user_agent(concat!("doughwarden/", env!("CARGO_PKG_VERSION")))
        .build()
        .map_err(|e| format!("no HTTP client: {}", words(&e)))
}

/// Reads an `http` or `https` address.
///
/// # Errors
/// One line that names the key and not the address.
pub fn url(text: &str, key: &str) -> Result<Url, String> {
    // The URL may hold a secret: it is not repeated.
    match Url::parse(text) {
        Ok(url) if matches!(url.scheme(), "http" | "https") && url.has_host() => Ok(url),
        _ => Err(format!(
            "{key}: not an address: write it like `http://127.0.0.1:9000/hook`"
        )),
    }
}

/// An error in words, without the URL (which may hold a secret).
pub(super) fn words(error: &reqwest::Error) -> String {
    if error.is_timeout() {
        return "it did not answer in time".to_owned();
    }
    use std::error::Error as _;
    let mut deepest: &dyn std::error::Error = error;
    while let Some(source) = deepest.source() {
        deepest = source;
    }
    let what = if error.is_connect() {
        "it could not be reached"
    } else {
        "the request failed"
    };
    if error.source().is_some() {
        format!("{what}: {deepest}")
    } else {
        what.to_owned()
    }
}

/// For `check`: whether the host takes connections; nothing is sent.
///
/// # Errors
/// Why not.
pub async fn reach(config: &Config) -> Result<(), String> {
    Webhook::new(config)?;
    reach_url(&config.url.0).await
}

/// Whether a URL's host takes connections; nothing is sent.
///
/// # Errors
/// Why not.
pub async fn reach_url(text: &str) -> Result<(), String> {
    let url = url(text, "url")?;
    let host = url
        .host_str()
        .unwrap_or_default()
        .trim_matches(['[', ']'])
        .to_owned();
    let port = url.port_or_known_default().unwrap_or(80);
    tcp(&host, port).await
}

/// Whether a port takes connections.
pub(super) async fn tcp(host: &str, port: u16) -> Result<(), String> {
    let connect = tokio::net::TcpStream::connect((host, port));
    match tokio::time::timeout(CONNECT_TIMEOUT, connect).await {
        Ok(Ok(_)) => Ok(()),
        Ok(Err(error)) => Err(format!("{host}:{port} could not be reached: {error}")),
        Err(_) => Err(format!("{host}:{port} did not answer in time")),
    }
}

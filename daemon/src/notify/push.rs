//! Web Push to the page installed on a phone's home screen (RFC 8030, 8291, 8292). Subscriptions
//! are the setting `push_subscriptions`; each phone is on duty or off. The sender's key stays in
//! the data directory (`push.key`). A browser allows it only on a page it holds secure.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64;
use futures::future::join_all;
use p256::SecretKey;
use reqwest::header::{AUTHORIZATION, CONTENT_ENCODING, CONTENT_TYPE, HeaderMap, HeaderValue};
use reqwest::{Client, StatusCode};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::{Channel, Refusal, Sending, web_push, webhook};
use crate::app::App;
use crate::store::StoreError;
use crate::time::Clock;

/// Its name.
pub const NAME: &str = "push";
/// The setting that holds the subscriptions.
pub const SETTING: &str = "push_subscriptions";
/// Phones at most: a household or a small shop.
pub const PHONES: usize = 20;
/// How long a push service keeps a message for a phone that is off, s.
const TTL_S: &str = "3600";
/// Messages whose half-done rounds are remembered, so that no phone hears one twice.
const ROUNDS: usize = 50;

/// One phone, as its browser's subscription says it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Subscription {
    /// Where its push service takes messages.
    pub endpoint: String,
    /// Its keys.
    pub keys: Keys,
    /// What its owner calls it.
    #[serde(default)]
    pub name: String,
    /// Whether it is to be woken.
    #[serde(default = "yes")]
    pub on_duty: bool,
}

/// A subscription's keys, base64url.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Keys {
    /// Its public key.
    pub p256dh: String,
    /// Its secret shared with us.
    pub auth: String,
}

fn yes() -> bool {
    true
}

/// Every phone; none where the store cannot be read.
#[must_use]
pub fn subscriptions(app: &App) -> Vec<Subscription> {
    read(app).unwrap_or_default()
}

fn read(app: &App) -> Result<Vec<Subscription>, StoreError> {
    let setting = app.store.setting(SETTING)?;
    Ok(setting
        .and_then(|s| serde_json::from_value(s).ok())
        .unwrap_or_default())
}

static CHANGES: Mutex<()> = Mutex::new(());

fn change(app: &App, with: impl FnOnce(&mut Vec<Subscription>)) -> Result<(), StoreError> {
    let _lock = CHANGES.lock().unwrap_or_else(PoisonError::into_inner);
    let mut all = read(app)?;
    with(&mut all);
    app.store.set_setting(SETTING, Some(&json!(all)))?;
    app.bus.tell(crate::events::Event::Settings);
    Ok(())
}

/// Adds a phone, or puts it on duty or off.
///
/// # Errors
/// One line, when it cannot work or the store cannot be written.
pub fn subscribe(app: &App, phone: Subscription) -> Result<(), String> {
    webhook::url(&phone.endpoint, "endpoint")?;
    let decode = |text: &str| {
        BASE64
            .decode(text.trim_end_matches('='))
            .map_err(|_| "the subscription's keys are not base64url".to_owned())
    };
    // Tried once, so that a phone that can never be told is refused now.
    web_push::encrypt(
        b"",
        &decode(&phone.keys.p256dh)?,
        &decode(&phone.keys.auth)?,
        &web_push::fresh_key(),
        &[0; 16],
    )?;
    let known = subscriptions(app);
    if known.len() >= PHONES && !known.iter().any(|p| p.endpoint == phone.endpoint) {
        return Err(format!("{PHONES} phones are the most: take one away first"));
    }
    change(app, |all| {
        all.retain(|p| p.endpoint != phone.endpoint);
        all.push(phone);
    })
    .map_err(|e| e.to_string())
}

/// Takes a phone away.
///
/// # Errors
/// If the store cannot be written.
pub fn unsubscribe(app: &App, endpoint: &str) -> Result<(), StoreError> {
    change(app, |all| all.retain(|p| p.endpoint != endpoint))
}

/// The key a browser is given to subscribe with (`applicationServerKey`, base64url).
///
/// # Errors
/// If the key can neither be read nor written.
pub fn public_key(app: &App) -> Result<String, String> {
    let key = key(&app.data_dir)?;
    Ok(BASE64.encode(web_push::public_bytes(&key)))
}

/// Reads the sender's key, or makes it.
fn key(data_dir: &Path) -> Result<SecretKey, String> {
    use std::io::Write as _;
    let _lock = CHANGES.lock().unwrap_or_else(PoisonError::into_inner);
    let file = data_dir.join("push.key");
    match std::fs::read_to_string(&file) {
        Ok(text) => BASE64
            .decode(text.trim())
            .ok()
            .and_then(|bytes| SecretKey::from_slice(&bytes).ok())
            .ok_or_else(|| {
                format!(
                    "{} holds no key: take it away, and subscribe again",
                    file.display()
                )
            }),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let key = web_push::fresh_key();
            let mut options = std::fs::OpenOptions::new();
            options.write(true).create_new(true);
            #[cfg(unix)]
            std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
            options
                .open(&file)
                .and_then(|mut f| {
                    f.write_all(BASE64.encode(key.to_bytes()).as_bytes())?;
                    f.sync_all()
                })
                .map_err(|e| format!("{} cannot be written: {e}", file.display()))?;
            Ok(key)
        }
        Err(error) => Err(format!("{} cannot be read: {error}", file.display())),
    }
}

/// The channel.
pub struct Push {
    app: Arc<App>,
    client: Client,
    /// Phones that have a message already whose round is not done.
    rounds: Mutex<BTreeMap<String, BTreeSet<String>>>,
}

impl Push {
    /// For this app.
    ///
    /// # Errors
    /// If there can be no HTTP client.
    pub fn new(app: Arc<App>) -> Result<Self, String> {
        Ok(Self {
            app,
            client: webhook::client()?,
            rounds: Mutex::default(),
        })
    }

    async fn deliver(&self, doc: &Value) -> Result<(), Refusal> {
        let app = Arc::clone(&self.app);
        let read = tokio::task::spawn_blocking(move || (self::read(&app), key(&app.data_dir)));
        let (phones, key) = read.await.map_err(|e| Refusal::later(e.to_string()))?;
        let phones = phones.map_err(|e| Refusal::later(e.to_string()))?;
        let key = key.map_err(Refusal::Never)?;
        if !phones.iter().any(|p| p.on_duty) {
            return Err(Refusal::Never("no phone is on duty any more".to_owned()));
        }
        let round = format!("{} {} {}", doc["id"], doc["state"], doc["at"]);
        let mut worst = Ok(());
        let mut told = false;
        // All at once: a push service that hangs delays no other phone.
        let on_duty = phones.iter().filter(|p| p.on_duty);
        let sending = on_duty
            .filter(|p| !self.has(&round, &p.endpoint))
            .map(|phone| async {
                let sent = self.one(phone, doc, &key).await;
                if sent.is_ok() {
                    self.note(&round, &phone.endpoint);
                }
                sent
            });
        for sent in join_all(sending).await {
            match sent {
                Ok(()) => told = true,
                Err(Refusal::Later { why, after }) => worst = Err(Refusal::Later { why, after }),
                Err(never) if worst.is_ok() => worst = Err(never),
                Err(_) => {}
            }
        }
        let some_have_it = told || self.begun(&round);
        if let (true, Err(Refusal::Later { why, .. })) = (some_have_it, &worst) {
            worst = Err(Refusal::InPart(why.clone()));
        }
        // A phone that is gone does not make a failure of a message that others have.
        if told && matches!(worst, Err(Refusal::Never(_))) {
            worst = Ok(());
        }
        if worst.is_ok() {
            self.rounds
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .remove(&round);
        }
        worst
    }

    fn begun(&self, round: &str) -> bool {
        let rounds = self.rounds.lock().unwrap_or_else(PoisonError::into_inner);
        rounds.contains_key(round)
    }

    fn has(&self, round: &str, endpoint: &str) -> bool {
        let rounds = self.rounds.lock().unwrap_or_else(PoisonError::into_inner);
        rounds.get(round).is_some_and(|r| r.contains(endpoint))
    }

    fn note(&self, round: &str, endpoint: &str) {
        let mut rounds = self.rounds.lock().unwrap_or_else(PoisonError::into_inner);
        if rounds.len() >= ROUNDS {
            rounds.pop_first();
        }
        let round = rounds.entry(round.to_owned()).or_default();
        round.insert(endpoint.to_owned());
    }

    async fn one(&self, phone: &Subscription, doc: &Value, key: &SecretKey) -> Result<(), Refusal> {
        let url = webhook::url(&phone.endpoint, "endpoint").map_err(Refusal::Never)?;
        let decode = |text: &str| {
            BASE64
                .decode(text.trim_end_matches('='))
                .map_err(|_| Refusal::Never("a phone's keys are not base64url".to_owned()))
        };
        let body = web_push::encrypt(
            doc.to_string().as_bytes(),
            &decode(&phone.keys.p256dh)?,
            &decode(&phone.keys.auth)?,
            &web_push::fresh_key(),
            &rand::random(),
        )
        .map_err(Refusal::Never)?;
        // The push service compares the proof with its own clock, not with a demo's.
        let now_s = Clock::machine().now().0 / 1000;
        let contact = self.app.config.alert.email.as_ref().map_or_else(
            || crate::watch::run::link(&self.app),
            |e| format!("mailto:{}", e.to),
        );
        let proof = web_push::proof(key, &url.origin().ascii_serialization(), &contact, now_s);
        let mut headers = HeaderMap::new();
        headers.insert("TTL", HeaderValue::from_static(TTL_S));
        let urgency = if doc["severity"] == "note" {
            "normal"
        } else {
            "high"
        };
        headers.insert("Urgency", HeaderValue::from_static(urgency));
        headers.insert(CONTENT_ENCODING, HeaderValue::from_static("aes128gcm"));
        headers.insert(
            CONTENT_TYPE,
            HeaderValue::from_static("application/octet-stream"),
        );
        let mut authorization = HeaderValue::from_str(&proof)
            .map_err(|_| Refusal::Never("the proof cannot be sent as a header".to_owned()))?;
        authorization.set_sensitive(true);
        headers.insert(AUTHORIZATION, authorization);
        let answer = self
            .client
            .post(url)
            .headers(headers)
            .body(body)
            .send()
            .await;
        let answer = answer.map_err(|e| Refusal::later(webhook::words(&e)))?;
        if matches!(answer.status(), StatusCode::NOT_FOUND | StatusCode::GONE) {
            // RFC 8030, section 7.3: the subscription is over.
            let (app, endpoint) = (Arc::clone(&self.app), phone.endpoint.clone());
            let gone = tokio::task::spawn_blocking(move || unsubscribe(&app, &endpoint)).await;
            tracing::warn!(
                phone = phone.name,
                forgotten = matches!(gone, Ok(Ok(()))),
                "A phone's subscription is over; it must subscribe again"
            );
            return Err(Refusal::Never(format!(
                "the subscription of phone `{}` is over: subscribe again",
                phone.name
            )));
        }
        webhook::judge(answer.status(), answer.headers())
    }
}

impl Channel for Push {
    fn name(&self) -> &'static str {
        NAME
    }

    fn wakes_phone(&self) -> bool {
        true
    }

    fn after_min(&self) -> f64 {
        self.app.config.alert.push.after_min
    }

    fn in_use(&self) -> bool {
        subscriptions(&self.app).iter().any(|p| p.on_duty)
    }

    fn send<'a>(&'a self, doc: &'a Value) -> Sending<'a> {
        Box::pin(self.deliver(doc))
    }

    fn try_silently(&self) -> Sending<'_> {
        Box::pin(async {
            let app = Arc::clone(&self.app);
            let phones = tokio::task::spawn_blocking(move || subscriptions(&app)).await;
            let phones = phones.map_err(|e| Refusal::later(e.to_string()))?;
            // Their push services take connections; anything more would wake the phones.
            for phone in phones.iter().filter(|p| p.on_duty) {
                webhook::reach_url(&phone.endpoint)
                    .await
                    .map_err(|why| Refusal::later(format!("phone `{}`: {why}", phone.name)))?;
            }
            Ok(())
        })
    }
}

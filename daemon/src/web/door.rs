//! Who has signed in: sessions (a random token in the cookie, only its SHA-256 in the store, so
//! they can be taken back), links that sign one more phone in once, and the brake on guessing.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use axum::http::HeaderMap;
use base64::Engine as _;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::app::App;
use crate::store::StoreError;
use crate::time::{HOUR_MS, MINUTE_MS, UtcMs};

/// The store's setting that holds the sessions.
const SETTING: &str = "sessions";
/// Phones and computers signed in at once: a shop's, with room; beyond it the oldest goes.
const SESSIONS: usize = 50;
/// A sign-in not renewed for this long is over: half a year.
const LIFE_MS: i64 = 182 * 24 * HOUR_MS;
/// A link for another phone is good for this long.
const LINK_MS: i64 = 10 * MINUTE_MS;
/// Links out at once: nobody signs in more phones than that in ten minutes.
const LINKS: usize = 20;
/// Wrong keys from one address before the brake.
const FREE_TRIES: u32 = 5;
/// The brake's longest wait, s.
const LONGEST_WAIT_S: u64 = 60;
/// Addresses remembered for the brake; beyond it the one quiet for longest is forgotten.
const ADDRESSES: usize = 1024;

/// A sign-in as kept.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Session {
    /// SHA-256 of the cookie's token, hexadecimal.
    pub hash: String,
    /// What the browser called itself, shortened.
    pub name: String,
    /// Since when.
    pub since: UtcMs,
}

/// What became of a key that was shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Knock {
    /// It is the key.
    Right,
    /// It is not.
    Wrong,
    /// Not looked at: so many seconds to wait first.
    Wait(u64),
}

#[derive(Debug)]
struct Tries {
    wrong: u32,
    last: Instant,
}

/// The door's memory.
#[derive(Debug, Default)]
pub struct Door {
    tries: Mutex<HashMap<IpAddr, Tries>>,
    links: Mutex<Vec<(String, UtcMs)>>,
    // Held over reading and writing the setting, so that two sign-ins do not lose one another.
    sessions: Mutex<()>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// SHA-256, hexadecimal.
fn digest(text: &str) -> String {
    Sha256::digest(text.as_bytes())
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect()
}

/// 256 random bits, as text.
fn token() -> String {
    let bytes: [u8; 32] = rand::random();
    BASE64_URL_SAFE_NO_PAD.encode(bytes)
}

/// The cookie's name: `__Host-` binds it to this host, which browsers allow over https only.
fn cookie_name(https: bool) -> &'static str {
    if https {
        "__Host-doughwarden"
    } else {
        "doughwarden"
    }
}

/// The token in a request's cookie.
#[must_use]
pub fn cookie(headers: &HeaderMap, https: bool) -> Option<String> {
    axum_extra::extract::CookieJar::from_headers(headers)
        .get(cookie_name(https))
        .map(|c| c.value().to_owned())
}

/// The `Set-Cookie` line for a token; `None` takes the cookie away.
#[must_use]
pub fn set_cookie(token: Option<&str>, https: bool) -> String {
    use axum_extra::extract::cookie::{Cookie, SameSite};
    let mut cookie = Cookie::new(cookie_name(https), token.unwrap_or_default().to_owned());
    cookie.set_path("/");
    cookie.set_http_only(true);
    // Lax, not Strict: a tap on an alert's link in another app must find the page signed in.
    cookie.set_same_site(SameSite::Lax);
    cookie.set_secure(https);
    let life_s = if token.is_some() { LIFE_MS / 1000 } else { 0 };
    format!("{cookie}; Max-Age={life_s}")
}

impl Door {
    /// Looks at a key someone shows, unless they showed too many wrong ones.
    pub fn knock(&self, from: IpAddr, shown: &str, key: &str) -> Knock {
        self.knock_at(Instant::now(), from, shown, key)
    }

    fn knock_at(&self, now: Instant, from: IpAddr, shown: &str, key: &str) -> Knock {
        let mut tries = lock(&self.tries);
        if let Some(t) = tries.get(&from) {
            let wait = brake(t.wrong);
            let since = now.duration_since(t.last);
            if since < wait {
                return Knock::Wait((wait - since).as_secs() + 1);
            }
        }
        // Digests of equal length are compared, so the time taken says nothing about the key.
        if digest(shown) == digest(key) {
            tries.remove(&from);
            return Knock::Right;
        }
        if tries.len() >= ADDRESSES
            && let Some(oldest) = tries.iter().min_by_key(|(_, t)| t.last).map(|(a, _)| *a)
        {
            tries.remove(&oldest);
        }
        let t = tries.entry(from).or_insert(Tries {
            wrong: 0,
            last: now,
        });
        t.wrong = t.wrong.saturating_add(1);
        t.last = now;
        Knock::Wrong
    }

    /// Whether a cookie's token is signed in.
    ///
    /// # Errors
    /// If the store cannot be read.
    pub fn known(&self, app: &App, token: &str) -> Result<bool, StoreError> {
        let hash = digest(token);
        Ok(sessions(app)?.iter().any(|s| s.hash == hash))
    }

    /// Signs in; returns the token for the cookie.
    ///
    /// # Errors
    /// If the store cannot be written.
    pub fn sign_in(&self, app: &App, name: &str) -> Result<String, StoreError> {
        let token = token();
        let _held = lock(&self.sessions);
        let mut all = sessions(app)?;
        all.push(Session {
            hash: digest(&token),
            name: name.chars().take(60).collect(),
            since: app.clock.now(),
        });
        let drop = all.len().saturating_sub(SESSIONS);
        all.drain(..drop);
        write(app, &all)?;
        Ok(token)
    }

    /// Signs out the session whose hash begins so; `Ok(false)`: there is none.
    ///
    /// # Errors
    /// If the store cannot be written.
    pub fn sign_out(&self, app: &App, hash: &str) -> Result<bool, StoreError> {
        let _held = lock(&self.sessions);
        let mut all = sessions(app)?;
        let before = all.len();
        all.retain(|s| s.hash != hash);
        if all.len() == before {
            return Ok(false);
        }
        write(app, &all)?;
        Ok(true)
    }

    /// Makes a link's token, good once within ten minutes.
    pub fn invite(&self, now: UtcMs) -> String {
        let token = token();
        let mut links = lock(&self.links);
        links.retain(|(_, until)| *until > now);
        if links.len() >= LINKS {
            links.remove(0);
        }
        links.push((digest(&token), now.plus_ms(LINK_MS)));
        token
    }

    /// Takes a link's token, once.
    pub fn take(&self, token: &str, now: UtcMs) -> bool {
        let hash = digest(token);
        let mut links = lock(&self.links);
        links.retain(|(_, until)| *until > now);
        let before = links.len();
        links.retain(|(h, _)| *h != hash);
        links.len() < before
    }
}

/// How long to wait after so many wrong keys.
fn brake(wrong: u32) -> Duration {
    match wrong.checked_sub(FREE_TRIES) {
        None => Duration::ZERO,
        Some(over) => Duration::from_secs((1_u64 << over.min(6)).min(LONGEST_WAIT_S)),
    }
}

/// The sessions not yet over.
///
/// # Errors
/// If the store cannot be read.
pub fn sessions(app: &App) -> Result<Vec<Session>, StoreError> {
    let Some(value) = app.store.setting(SETTING)? else {
        return Ok(Vec::new());
    };
    let mut all: Vec<Session> =
        serde_json::from_value(value).map_err(|e| StoreError::Corrupt(e.to_string()))?;
    let now = app.clock.now();
    all.retain(|s| s.since.plus_ms(LIFE_MS) > now);
    Ok(all)
}

/// The hash under which a cookie's token is kept.
#[must_use]
pub fn hash_of(token: &str) -> String {
    digest(token)
}

fn write(app: &App, all: &[Session]) -> Result<(), StoreError> {
    let value = serde_json::to_value(all).map_err(|e| StoreError::Corrupt(e.to_string()))?;
    app.store.set_setting(SETTING, Some(&value))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn guessing_is_slowed_and_only_for_the_one_who_guesses() {
        let door = Door::default();
        let (thief, baker) = (IpAddr::from([192, 0, 2, 1]), IpAddr::from([192, 0, 2, 2]));
        let mut now = Instant::now();
        for _ in 0..FREE_TRIES {
            assert_eq!(door.knock_at(now, thief, "guess", "key"), Knock::Wrong);
        }
        assert!(matches!(
            door.knock_at(now, thief, "key", "key"),
            Knock::Wait(_)
        ));
        assert_eq!(door.knock_at(now, baker, "key", "key"), Knock::Right);
        now += Duration::from_secs(2);
        assert_eq!(door.knock_at(now, thief, "guess", "key"), Knock::Wrong);
        // In an hour no more than one guess a minute goes through, after the first few.
        let mut looked_at = 0;
        for _ in 0..3600 {
            now += Duration::from_secs(1);
            if door.knock_at(now, thief, "guess", "key") == Knock::Wrong {
                looked_at += 1;
            }
        }
        assert!(looked_at <= 66, "{looked_at} guesses in an hour");
        now += Duration::from_secs(61);
        assert_eq!(door.knock_at(now, thief, "key", "key"), Knock::Right);
    }

    #[test]
    fn a_link_works_once_and_not_for_long() {
        let door = Door::default();
        let now = UtcMs(1_000_000);
        let link = door.invite(now);
        assert!(!door.take("another", now));
        assert!(door.take(&link, now));
        assert!(!door.take(&link, now));
        let late = door.invite(now);
        assert!(!door.take(&late, now.plus_ms(LINK_MS)));
    }

    #[test]
    fn the_cookie_is_out_of_scripts_reach() {
        let plain = set_cookie(Some("t"), false);
        assert!(plain.starts_with("doughwarden=t;"));
        assert!(plain.contains("HttpOnly") && plain.contains("SameSite=Lax"));
        let tls = set_cookie(Some("t"), true);
        assert!(
            tls.starts_with("__Host-doughwarden=t;")
                && tls.contains("Secure")
                && tls.contains("Path=/")
        );
    }
}

//! Connections to an outside broker without a session: to hear topics that nothing claims, while
//! someone asks for it, and to try the configuration.

use std::sync::Arc;
use std::time::Duration;

use smol_str::SmolStr;

use super::link::{Delivered, Happening, Link, LinkError, Settings, Version};
use super::{heard, payload};
use crate::app::App;
use crate::config::Config;
use crate::config::mqtt::BrokerUrl;

/// How long `check` waits for the broker.
const CHECK_WITHIN: Duration = Duration::from_secs(8);
/// Wait before listening again on a lost connection.
const AGAIN: Duration = Duration::from_secs(2);

/// Listens for topics that nothing claims while someone asks for it: a connection of its own
/// without a session, so that no reading ever comes twice.
pub(super) async fn listen(app: Arc<App>, settings: Settings) {
    let mut asked = app.board.watch_listening();
    loop {
        let until = *asked.borrow_and_update();
        if app.clock.now() >= until {
            if asked.changed().await.is_err() {
                return;
            }
            continue;
        }
        let id = super::session::random_id();
        let mut link = Link::listener(&settings, &id);
        loop {
            let left = until.0.saturating_sub(app.clock.now().0);
            let Ok(left) = u64::try_from(left) else { break };
            if left == 0 {
                break;
            }
            let wait = app.clock.real(Duration::from_millis(left));
            tokio::select! {
                changed = asked.changed() => {
                    if changed.is_err() {
                        return;
                    }
                    break;
                }
                () = tokio::time::sleep(wait) => break,
                polled = link.poll() => match polled {
                    Ok(Happening::Connected { .. }) => {
                        link.sender().listen_to_all();
                    }
                    Ok(Happening::Message(m)) => unclaimed(&app, &m),
                    Ok(_) => {}
                    Err(_) => {
                        tokio::time::sleep(AGAIN).await;
                    }
                },
            }
        }
    }
}

fn unclaimed(app: &App, message: &Delivered) {
    let mappings = app.board.mappings();
    let body = payload::Body::parse(&message.payload);
    let mut claimed: Option<Vec<SmolStr>> = None;
    for (mapping, _) in mappings.claiming(&message.topic) {
        if body
            .measured(&mapping.spec)
            .is_ok_and(|found| !found.is_empty())
        {
            let pointer = mapping.spec.pointer.as_deref().unwrap_or_default();
            claimed.get_or_insert_default().push(pointer.into());
        }
    }
    if message.topic.starts_with(super::intake::OWN_TOPICS) {
        return;
    }
    let new = heard::note(
        &app.board,
        &message.topic,
        &message.payload,
        app.clock.now(),
        message.retained,
        claimed.as_deref(),
    );
    if new {
        app.bus.tell(crate::events::Event::Sensors);
    }
}

/// Connects once, without a session, and asks for the configured topics.
pub(super) async fn check(config: &Config, url: &str) -> Result<String, String> {
    config.mqtt.check()?;
    let url = BrokerUrl::parse(url)?;
    let settings = Settings::new(&url, config.mqtt.ca_file.as_deref())?;
    let filters: Vec<String> = config.sensor.iter().map(|s| s.topic.clone()).collect();
    let tried = async {
        let mut why = String::new();
        for version in [Version::Five, Version::Three] {
            match check_with(&settings, version, &filters).await {
                Ok(()) => return Ok(format!("connected to {}", url.shown())),
                Err(LinkError {
                    why: error,
                    other_version,
                }) => {
                    why = error;
                    if !other_version {
                        break;
                    }
                }
            }
        }
        Err(format!("{}: {why}", url.shown()))
    };
    tokio::time::timeout(CHECK_WITHIN, tried)
        .await
        .unwrap_or_else(|_| Err(format!("{}: no answer", url.shown())))
}

async fn check_with(
    settings: &Settings,
    version: Version,
    filters: &[String],
) -> Result<(), LinkError> {
    let mut link = Link::visitor(settings, &super::session::random_id(), version);
    loop {
        match link.poll().await? {
            Happening::Connected { .. } if filters.is_empty() => return Ok(()),
            Happening::Connected { .. } => {
                link.sender().subscribe(filters);
            }
            Happening::Subscribed { granted } if !granted.contains(&false) => return Ok(()),
            Happening::Subscribed { .. } => {
                return Err(LinkError {
                    why: "it refuses a sensor's topic: allow this user to read it".into(),
                    other_version: false,
                });
            }
            _ => {}
        }
    }
}

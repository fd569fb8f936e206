//! The daily test's way in: a made-up reading is published to the broker in use by a client of its
//! own, like a sensor's, and must come out at the writer with the store written after it. Nothing of
//! it is kept: its topic is ours ([`TOPIC`]) and claimed by no sensor.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::sync::OnceLock;
use std::sync::atomic::Ordering;
use std::time::Duration;

use bytes::Bytes;
use serde_json::json;
use tokio::sync::mpsc::WeakSender;

use super::link::{Happening, Link, LinkError, Settings, Version};
use super::writer::{Ack, Message};
use crate::app::App;

/// Where the made-up reading goes.
pub const TOPIC: &str = "doughwarden/self-test";
/// How long it may take to the broker and back, and from there to the disk.
const WITHIN: Duration = Duration::from_secs(10);
/// How often it is looked whether the writer has it.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// How a trial gets in; part of [`App`], set once ingest has started.
#[derive(Default)]
pub struct Trial(OnceLock<Way>);

struct Way {
    settings: Settings,
    /// An outside broker's messages reach the writer by a session that asks for the sensors' topics
    /// only, so that this one is handed on.
    hand_on: Option<WeakSender<Message>>,
}

impl Trial {
    /// By an outside broker.
    pub(super) fn outside(&self, settings: Settings, messages: WeakSender<Message>) {
        let hand_on = Some(messages);
        let _ = self.0.set(Way { settings, hand_on });
    }

    /// By the embedded broker, whose every message goes to the writer.
    pub(super) fn embedded(&self, listens: SocketAddr, login: Option<(String, String)>) {
        let ip = match listens.ip() {
            IpAddr::V4(ip) if ip.is_unspecified() => IpAddr::V4(Ipv4Addr::LOCALHOST),
            IpAddr::V6(ip) if ip.is_unspecified() => IpAddr::V6(Ipv6Addr::LOCALHOST),
            ip => ip,
        };
        let settings = Settings::plain(ip.to_string(), listens.port(), login);
        let _ = self.0.set(Way {
            settings,
            hand_on: None,
        });
    }
}

/// The number in a trial's payload; `None`: it is none.
pub(super) fn number(topic: &str, payload: &[u8]) -> Option<u64> {
    if topic != TOPIC {
        return None;
    }
    serde_json::from_slice::<serde_json::Value>(payload).ok()?["id"].as_u64()
}

/// Sends a made-up reading in and waits until it is through.
///
/// # Errors
/// Where it got stuck, in one line.
pub async fn reading_in(app: &App) -> Result<(), String> {
    let way = app.trial.0.get().ok_or("no broker was started")?;
    // Numbers that JSON carries unharmed.
    let number = rand::random::<u64>() >> 12;
    let payload = Bytes::from(json!({ "id": number, "value": 21.5 }).to_string());
    let mut there_and_back = Err("the broker did not answer in time".to_owned());
    for version in [Version::Five, Version::Three] {
        match tokio::time::timeout(WITHIN, round(&way.settings, version, &payload)).await {
            Err(_) => {}
            Ok(Err(error)) if error.other_version => there_and_back = Err(error.why),
            Ok(done) => {
                there_and_back = done.map_err(|e| e.why);
                break;
            }
        }
    }
    there_and_back?;
    if let Some(messages) = way.hand_on.as_ref().and_then(WeakSender::upgrade) {
        let message = Message {
            topic: TOPIC.into(),
            payload,
            retained: false,
            arrived: app.clock.now(),
            packet: None,
            resumed: None,
            ack: Ack::None,
        };
        tokio::time::timeout(WITHIN, messages.send(message))
            .await
            .map_err(|_| "the writer is stuck: its queue is full")?
            .map_err(|_| "the writer has ended")?;
    }
    let through = async {
        while app.health.trial_stored.load(Ordering::Relaxed) != number {
            tokio::time::sleep(LOOK_EVERY).await;
        }
    };
    tokio::time::timeout(WITHIN, through)
        .await
        .map_err(|_| "it came to the broker and did not get to the disk".to_owned())
}

/// To the broker and back.
async fn round(settings: &Settings, version: Version, payload: &Bytes) -> Result<(), LinkError> {
    let refused = || LinkError {
        why: format!("the broker refuses `{TOPIC}`: allow this user to read and write it"),
        other_version: false,
    };
    let mut link = Link::visitor(settings, &super::session::random_id(), version);
    loop {
        match link.poll().await? {
            Happening::Connected { .. } => {
                link.sender().subscribe(&[TOPIC.to_owned()]);
            }
            Happening::Subscribed { granted } => {
                let all = !granted.contains(&false);
                let sent = all && link.sender().publish(TOPIC.into(), payload.clone(), false);
                if !sent {
                    return Err(refused());
                }
            }
            Happening::Taken(_, Err(_)) => return Err(refused()),
            Happening::Message(m) if m.payload == *payload => {
                // The good-bye is a courtesy.
                if link.sender().disconnect() {
                    let _ = tokio::time::timeout(Duration::from_secs(1), async {
                        while link.poll().await.is_ok() {}
                    })
                    .await;
                }
                return Ok(());
            }
            _ => {}
        }
    }
}

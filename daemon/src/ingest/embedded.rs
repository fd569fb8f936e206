//! The embedded broker: a sensor needs nothing but this machine's address.
//!
//! Its publish hook waits until the writer has the reading on disk, so a PUBACK means stored. The
//! hook cannot refuse; when a reading cannot be stored it never returns, the publisher gets no
//! PUBACK and sends again after a reconnect. Its events hide the DUP flag: a redelivery is told by
//! client, packet identifier and bytes, looked for only among the first messages of a client that
//! came back to its session after a connection that ended badly (or after we started).

use std::collections::HashMap;
use std::future::Future;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use mqtt5::broker::config::{StorageBackend, StorageConfig};
use mqtt5::broker::{
    AuthProvider, AuthResult, BrokerConfig, BrokerEventHandler, BrokerShutdownHandle,
    ClientConnectEvent, ClientDisconnectEvent, ClientPublishEvent, MqttBroker, PublishAction,
};
use mqtt5::packet::connect::ConnectPacket;
use mqtt5::packet::publish::PublishPacket;
use mqtt5::protocol::v5::reason_codes::ReasonCode;
use sha2::{Digest, Sha256};
use tokio::sync::{mpsc, oneshot};

use super::publisher::Outgoing;
use super::writer::{Ack, Message};
use super::{ABSENCE_MS, IngestError, Options, digest};
use crate::app::App;
use crate::config::mqtt::{Mqtt, split_listen};
use crate::store::Packet;
use crate::time::UtcMs;

/// Largest packet taken: the largest payload read, its topic and the rest. A larger one closes the
/// connection, as MQTT says.
pub const MAX_PACKET: usize = super::payload::MAX_PAYLOAD + 64 * 1024;
/// Sensors and other clients at once: a kitchen has dozens; idle ones cost some 40 kB each.
const CLIENTS: usize = 2_000;
/// Messages kept for a subscriber that lags or is away.
const QUEUED: usize = 1_000;
/// The same in bytes.
const QUEUED_BYTES: usize = 1024 * 1024;
/// Retained messages kept. The library refuses one more before our hook sees it, so a reading in it is
/// not stored: several times what a house's announcements make.
const RETAINED: usize = 10_000;
/// Clients remembered for telling redeliveries.
const REMEMBERED: usize = 4_096;
/// How long a wrong password waits for its answer: guessing is slow, and nobody is locked out.
const WRONG_PASSWORD: Duration = Duration::from_secs(1);
/// How long stopping waits for connections to close (a hook that never returns holds one open).
const STOP_WITHIN: Duration = Duration::from_secs(1);
/// How long the broker may take to open.
const OPEN_WITHIN: Duration = Duration::from_secs(10);

/// The running broker.
pub struct Running {
    /// `mqtt://host:port`.
    pub url: String,
    shutdown: BrokerShutdownHandle,
    broker: tokio::task::JoinHandle<()>,
    publisher: tokio::task::JoinHandle<()>,
    hook: Arc<Hook>,
    app: Arc<App>,
}

impl std::fmt::Debug for Running {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Running")
            .field("url", &self.url)
            .finish_non_exhaustive()
    }
}

impl Running {
    /// Closes all connections, within a second.
    pub async fn stop(self) {
        self.publisher.abort();
        // No message is taken from here on; those under way still get their answer.
        *self
            .hook
            .messages
            .lock()
            .unwrap_or_else(PoisonError::into_inner) = None;
        self.shutdown.shutdown();
        let mut broker = self.broker;
        if tokio::time::timeout(STOP_WITHIN, &mut broker)
            .await
            .is_err()
        {
            broker.abort();
        }
        self.app
            .health
            .broker_ready
            .store(false, std::sync::atomic::Ordering::Relaxed);
    }
}

/// Opens the broker.
///
/// # Errors
/// If the address cannot be had.
pub(super) async fn start(
    app: &Arc<App>,
    messages: mpsc::Sender<Message>,
    outgoing: mpsc::Receiver<Outgoing>,
    options: Options,
) -> Result<Running, IngestError> {
    let mqtt = &app.config.mqtt;
    mqtt.check().map_err(IngestError::Broker)?;
    let wanted = address(mqtt).await.map_err(IngestError::Broker)?;
    let hook = Arc::new(Hook {
        app: Arc::clone(app),
        messages: Mutex::new(Some(messages)),
        clients: Mutex::default(),
    });
    let mut broker = match open(wanted, mqtt, Some(&hook)).await {
        Err(_) if options.free_port_if_busy => {
            open(SocketAddr::new(wanted.ip(), 0), mqtt, Some(&hook)).await
        }
        opened => opened,
    }
    .map_err(|e| IngestError::Broker(cannot_listen(wanted, &e)))?;
    let at = broker.local_addr().unwrap_or(wanted);
    let login = mqtt.user.clone().zip(mqtt.password.clone());
    app.trial
        .embedded(at, login.map(|(user, password)| (user, password.0)));
    let shutdown = broker.shutdown_handle();
    let router = broker.router();
    let mut ready = broker.ready_receiver();
    let health = Arc::clone(app);
    let broker = tokio::spawn(async move {
        if let Err(error) = broker.run().await {
            tracing::error!(error = %error, "the embedded broker ended: no readings come in");
        }
        health
            .health
            .broker_ready
            .store(false, std::sync::atomic::Ordering::Relaxed);
    });
    let opened = tokio::time::timeout(OPEN_WITHIN, ready.wait_for(|ready| *ready)).await;
    if !matches!(opened, Ok(Ok(_))) {
        broker.abort();
        return Err(IngestError::Broker(
            "the embedded broker did not open".into(),
        ));
    }
    app.metrics.connects.inc();
    app.health
        .broker_ready
        .store(true, std::sync::atomic::Ordering::Relaxed);
    tracing::info!(address = %at, "the embedded broker listens");
    Ok(Running {
        url: format!("mqtt://{at}"),
        shutdown,
        broker,
        publisher: tokio::spawn(publish(router, outgoing)),
        hook,
        app: Arc::clone(app),
    })
}

fn cannot_listen(at: SocketAddr, why: &str) -> String {
    let why = why
        .lines()
        .last()
        .unwrap_or(why)
        .trim()
        .trim_start_matches("- ");
    format!(
        "the embedded broker cannot listen on {at} ({why}): set mqtt.listen to a free address, or mqtt.broker to the broker that is there"
    )
}

async fn address(mqtt: &Mqtt) -> Result<SocketAddr, String> {
    let (host, port) = split_listen(&mqtt.listen)?;
    let mut found = tokio::net::lookup_host((host.as_str(), port))
        .await
        .map_err(|e| format!("mqtt.listen `{}`: {e}", mqtt.listen))?;
    found
        .next()
        .ok_or_else(|| format!("mqtt.listen `{}` has no address", mqtt.listen))
}

async fn open(at: SocketAddr, mqtt: &Mqtt, hook: Option<&Arc<Hook>>) -> Result<MqttBroker, String> {
    let mut config = BrokerConfig::default()
        .with_bind_addresses(vec![at])
        .with_max_clients(CLIENTS)
        .with_max_packet_size(MAX_PACKET)
        .with_max_retained_messages(RETAINED)
        .with_max_retained_message_size(super::payload::MAX_PAYLOAD)
        .with_client_channel_capacity(QUEUED)
        // What must last is in the store; sessions of other subscribers live as long as we run.
        .with_storage(
            StorageConfig::default()
                .with_backend(StorageBackend::Memory)
                .with_max_queued_messages_per_client(QUEUED)
                .with_max_queued_bytes_per_client(QUEUED_BYTES),
        );
    config.sys_topics_enabled = false;
    config.event_handler = hook.map(|h| Arc::clone(h) as Arc<dyn BrokerEventHandler>);
    let broker = MqttBroker::with_config(config)
        .await
        .map_err(|e| e.to_string())?;
    Ok(match (&mqtt.user, &mqtt.password) {
        (Some(user), Some(password)) => broker.with_auth_provider(Arc::new(Login {
            user: Sha256::digest(user.as_bytes()).into(),
            password: Sha256::digest(password.0.as_bytes()).into(),
        })),
        _ => broker,
    })
}

/// Messages of ours to whoever subscribes.
async fn publish(
    router: Arc<mqtt5::broker::router::MessageRouter>,
    mut outgoing: mpsc::Receiver<Outgoing>,
) {
    while let Some(message) = outgoing.recv().await {
        let packet = PublishPacket::new(message.topic, message.payload, mqtt5::QoS::AtLeastOnce)
            .with_retain(message.retain);
        router.route_message(&packet, None).await;
        // Nobody waits any more: the message is out all the same.
        drop(message.done.send(Ok(())));
    }
}

/// One user and one password, kept as digests and compared whole.
struct Login {
    user: [u8; 32],
    password: [u8; 32],
}

impl AuthProvider for Login {
    fn authenticate<'a>(
        &'a self,
        connect: &'a ConnectPacket,
        client_addr: SocketAddr,
    ) -> Pin<Box<dyn Future<Output = mqtt5::Result<AuthResult>> + Send + 'a>> {
        Box::pin(async move {
            let user = connect.username.as_deref().unwrap_or("");
            let password = connect.password.as_deref().unwrap_or(&[]);
            let user_fits: [u8; 32] = Sha256::digest(user.as_bytes()).into();
            let password_fits: [u8; 32] = Sha256::digest(password).into();
            if (user_fits == self.user) & (password_fits == self.password) {
                return Ok(AuthResult::success_with_user(user));
            }
            tracing::warn!(client = %client_addr, "a sensor gave a wrong MQTT user or password");
            tokio::time::sleep(WRONG_PASSWORD).await;
            Ok(AuthResult::fail(ReasonCode::BadUsernameOrPassword))
        })
    }

    fn authorize_publish<'a>(
        &'a self,
        _client_id: &str,
        _user_id: Option<&'a str>,
        _topic: &'a str,
    ) -> Pin<Box<dyn Future<Output = bool> + Send + 'a>> {
        Box::pin(async { true })
    }

    fn authorize_subscribe<'a>(
        &'a self,
        _client_id: &str,
        _user_id: Option<&'a str>,
        _topic_filter: &'a str,
    ) -> Pin<Box<dyn Future<Output = bool> + Send + 'a>> {
        Box::pin(async { true })
    }
}

/// What is known of a client.
#[derive(Clone, Copy, Debug)]
struct Client {
    /// Its connections counted.
    connection: u64,
    /// The next message may be one we have stored already.
    maybe_again: bool,
    /// It came back to its session after an absence: what it sends may have waited.
    resumed: bool,
    /// The last connection ended without a DISCONNECT.
    ended_badly: bool,
    /// When it was last here.
    last: UtcMs,
}

struct Hook {
    app: Arc<App>,
    messages: Mutex<Option<mpsc::Sender<Message>>>,
    clients: Mutex<HashMap<Arc<str>, Client>>,
}

impl Hook {
    fn clients(&self) -> std::sync::MutexGuard<'_, HashMap<Arc<str>, Client>> {
        self.clients.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn message(&self, event: &ClientPublishEvent, ack: Ack) -> Message {
        let now = self.app.clock.now();
        let mut clients = self.clients();
        let client = clients.get_mut(&event.client_id);
        let (maybe_again, resumed) = client.map_or((false, None), |c| {
            c.last = now;
            (c.maybe_again, c.resumed.then_some(c.connection))
        });
        Message {
            topic: event.topic.as_ref().into(),
            payload: event.payload.clone(),
            // Straight from the publisher: it is news, whether or not the broker also keeps it.
            retained: false,
            arrived: now,
            packet: event.packet_id.map(|id| Packet {
                session: event.client_id.as_ref().into(),
                id,
                digest: digest(&event.topic, &event.payload),
                maybe_again,
            }),
            resumed,
            ack,
        }
    }
}

impl BrokerEventHandler for Hook {
    fn on_client_connect<'a>(
        &'a self,
        event: ClientConnectEvent,
    ) -> Pin<Box<dyn Future<Output = ()> + Send + 'a>> {
        Box::pin(async move {
            let now = self.app.clock.now();
            let mut clients = self.clients();
            let before = clients.get(&event.client_id).copied();
            if clients.len() >= REMEMBERED
                && before.is_none()
                && let Some(oldest) = clients
                    .iter()
                    .min_by_key(|(_, c)| c.last)
                    .map(|(id, _)| Arc::clone(id))
            {
                clients.remove(&oldest);
            }
            let keeps = !event.clean_start;
            let client = Client {
                connection: before.map_or(1, |c| c.connection + 1),
                // Not known: it may have been here before we started.
                maybe_again: keeps && before.is_none_or(|c| c.ended_badly),
                resumed: keeps
                    && before.is_none_or(|c| c.ended_badly && now.0 - c.last.0 > ABSENCE_MS),
                ended_badly: true,
                last: now,
            };
            clients.insert(event.client_id, client);
        })
    }

    fn on_client_publish<'a>(
        &'a self,
        event: ClientPublishEvent,
    ) -> Pin<Box<dyn Future<Output = PublishAction> + Send + 'a>> {
        Box::pin(async move {
            let (told, on_disk) = oneshot::channel();
            let message = self.message(&event, Ack::Hook(told));
            let looked_again = message.packet.as_ref().is_some_and(|p| p.maybe_again);
            let messages = self
                .messages
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .clone();
            let stored = match messages {
                Some(messages) if messages.send(message).await.is_ok() => {
                    drop(messages);
                    on_disk.await.ok()
                }
                _ => None,
            };
            let Some(again) = stored else {
                // Returning would acknowledge what is not on disk.
                return std::future::pending().await;
            };
            if looked_again
                && again == Some(false)
                && let Some(client) = self.clients().get_mut(&event.client_id)
            {
                // Redeliveries come first and in order: this one was new, so all after it are.
                client.maybe_again = false;
            }
            PublishAction::Continue
        })
    }

    fn on_client_disconnect<'a>(
        &'a self,
        event: ClientDisconnectEvent,
    ) -> Pin<Box<dyn Future<Output = ()> + Send + 'a>> {
        Box::pin(async move {
            if let Some(client) = self.clients().get_mut(&event.client_id) {
                client.ended_badly = event.unexpected;
                client.last = self.app.clock.now();
            }
        })
    }
}

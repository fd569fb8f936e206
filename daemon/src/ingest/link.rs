//! One small face for both protocol versions: 5, which lets the broker drop over-size messages for us
//! (`wire.rs`), and 3.1.1, by the client library's own loop, for brokers that speak no other.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::{TlsConfiguration, Transport, mqttbytes::v4};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use smol_str::SmolStr;

use super::wire::{Wire, WireSender};
use crate::config::mqtt::BrokerUrl;

/// Whether the daemon is there, retained: [`ONLINE`] once it is connected, [`OFFLINE`] when it ends; the
/// broker says so in its place (a last will) when it vanishes.
pub const STATUS: &str = "doughwarden/status";
/// It is there.
pub const ONLINE: &str = "online";
/// It is not.
pub const OFFLINE: &str = "offline";

/// What waits to be sent: acknowledgements, mostly.
pub(super) const REQUESTS: usize = 1024;
/// Messages of ours on their way to the broker at once.
pub(super) const IN_FLIGHT: u16 = 64;
/// How often at the least the broker is asked whether it is there. Without an answer by the next time
/// the connection is lost; the broker gives us up after one and a half of these.
pub(super) const KEEP_ALIVE: Duration = Duration::from_secs(20);
/// How long connecting may take.
pub(super) const CONNECT_WITHIN: Duration = Duration::from_secs(5);
/// The largest packet MQTT can carry: with 3.1.1 a broker cannot be told a limit, and a client that
/// refuses a packet of a kept session is sent it again for ever.
const LARGEST_PACKET: usize = 268_435_455 + 5;

/// Which protocol.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Version {
    /// MQTT 5.0.
    Five,
    /// MQTT 3.1.1.
    Three,
}

impl Version {
    /// The other one.
    #[must_use]
    pub fn other(self) -> Self {
        match self {
            Self::Five => Self::Three,
            Self::Three => Self::Five,
        }
    }
}

/// Why there is no connection.
#[derive(Debug)]
pub struct LinkError {
    /// In one line.
    pub why: String,
    /// Whether the other protocol version may do better.
    pub other_version: bool,
}

/// A message from the broker.
#[derive(Debug)]
pub struct Delivered {
    /// Its topic.
    pub topic: SmolStr,
    /// Its payload.
    pub payload: Bytes,
    /// Its packet identifier, at QoS 1.
    pub packet: Option<u16>,
    /// Delivered with the retain flag.
    pub retained: bool,
    /// Delivered with the DUP flag.
    pub again: bool,
}

/// Something that happened on the connection.
#[derive(Debug)]
pub enum Happening {
    /// Connected.
    Connected {
        /// Whether the broker had kept our session.
        session_kept: bool,
    },
    /// A message.
    Message(Delivered),
    /// A subscription was answered.
    Subscribed {
        /// Whether each of its topics was granted.
        granted: Vec<bool>,
    },
    /// A message of ours went out under this identifier.
    Sent(u16),
    /// The broker has it, or says why it does not take it.
    Taken(u16, Result<(), String>),
    /// Nothing of interest.
    Nothing,
}

/// Where and how to connect.
#[derive(Clone)]
pub struct Settings {
    pub(super) host: String,
    pub(super) port: u16,
    pub(super) login: Option<(String, String)>,
    pub(super) tls: Option<Arc<rustls::ClientConfig>>,
}

impl Settings {
    /// From the configuration; certificates are read here.
    ///
    /// # Errors
    /// One line.
    pub fn new(url: &BrokerUrl, ca_file: Option<&Path>) -> Result<Self, String> {
        Ok(Self {
            host: url.host.clone(),
            port: url.port,
            login: url.user.clone().map(|user| {
                let password = url.password.as_ref().map(|p| p.0.clone());
                (user, password.unwrap_or_default())
            }),
            tls: url.tls.then(|| tls(ca_file)).transpose()?.map(Arc::new),
        })
    }

    /// Without TLS.
    #[must_use]
    pub(super) fn plain(host: String, port: u16, login: Option<(String, String)>) -> Self {
        Self {
            host,
            port,
            login,
            tls: None,
        }
    }

    fn transport(&self) -> Transport {
        match &self.tls {
            None => Transport::tcp(),
            Some(config) => {
                Transport::tls_with_config(TlsConfiguration::Rustls(Arc::clone(config)))
            }
        }
    }
}

/// The system's roots, and beside them the given file's.
fn tls(ca_file: Option<&Path>) -> Result<rustls::ClientConfig, String> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let mut extra = Vec::new();
    if let Some(file) = ca_file {
        let cannot = |e: &dyn std::fmt::Display| {
            format!("mqtt.ca_file {} cannot be read: {e}", file.display())
        };
        for certificate in CertificateDer::pem_file_iter(file).map_err(|e| cannot(&e))? {
            extra.push(certificate.map_err(|e| cannot(&e))?);
        }
        if extra.is_empty() {
            return Err(format!(
                "mqtt.ca_file {} holds no certificate in PEM",
                file.display()
            ));
        }
    }
    let verifier =
        rustls_platform_verifier::Verifier::new_with_extra_roots(extra, Arc::clone(&provider))
            .map_err(|e| format!("the system's certificates cannot be used: {e}"))?;
    Ok(rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| e.to_string())?
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(verifier))
        .with_no_client_auth())
}

/// A connection that makes itself anew when it is polled without one.
pub enum Link {
    /// MQTT 5.
    Five(Box<Wire>),
    /// MQTT 3.1.1.
    Three(Box<rumqttc::EventLoop>, rumqttc::AsyncClient, bool),
}

/// Its sending end.
#[derive(Clone, Debug)]
pub enum Sender {
    /// MQTT 5.
    Five(WireSender),
    /// MQTT 3.1.1.
    Three(rumqttc::AsyncClient),
}

impl Link {
    /// With a kept session, and the last will that says it is gone.
    #[must_use]
    pub fn new(settings: &Settings, client_id: &str, version: Version) -> Self {
        Self::make(settings, client_id, version, true)
    }

    /// Without a session.
    #[must_use]
    pub fn visitor(settings: &Settings, client_id: &str, version: Version) -> Self {
        Self::make(settings, client_id, version, false)
    }

    /// Without a session, to hear all topics: in the version every broker speaks.
    #[must_use]
    pub fn listener(settings: &Settings, client_id: &str) -> Self {
        Self::make(settings, client_id, Version::Three, false)
    }

    fn make(settings: &Settings, client_id: &str, version: Version, kept: bool) -> Self {
        match version {
            Version::Five => Self::Five(Box::new(Wire::new(settings, client_id, kept))),
            Version::Three => {
                let mut options =
                    rumqttc::MqttOptions::new(client_id, &settings.host, settings.port);
                options
                    .set_keep_alive(KEEP_ALIVE)
                    .set_clean_session(!kept)
                    .set_transport(settings.transport())
                    .set_manual_acks(kept)
                    .set_max_packet_size(LARGEST_PACKET, LARGEST_PACKET)
                    .set_inflight(IN_FLIGHT);
                if let Some((user, password)) = &settings.login {
                    options.set_credentials(user, password);
                }
                if kept {
                    let qos = rumqttc::QoS::AtLeastOnce;
                    options.set_last_will(rumqttc::LastWill::new(STATUS, OFFLINE, qos, true));
                }
                let (client, mut events) = rumqttc::AsyncClient::new(options, REQUESTS);
                let mut network = rumqttc::NetworkOptions::new();
                network.set_connection_timeout(CONNECT_WITHIN.as_secs());
                events.set_network_options(network);
                Self::Three(Box::new(events), client, false)
            }
        }
    }

    /// The sending end.
    #[must_use]
    pub fn sender(&self) -> Sender {
        match self {
            Self::Five(wire) => Sender::Five(wire.sender()),
            Self::Three(_, client, _) => Sender::Three(client.clone()),
        }
    }

    /// Waits for the next happening; connects if there is no connection.
    ///
    /// # Errors
    /// The connection could not be had or was lost.
    pub async fn poll(&mut self) -> Result<Happening, LinkError> {
        match self {
            Self::Five(wire) => wire.poll().await,
            Self::Three(events, _, was_connected) => match events.poll().await {
                Ok(event) => {
                    let happening = happening(event);
                    *was_connected |= matches!(happening, Happening::Connected { .. });
                    Ok(happening)
                }
                Err(error) => Err(LinkError {
                    other_version: !*was_connected && speaks_otherwise(&error),
                    why: why(&error),
                }),
            },
        }
    }

    /// What came along with the last happening and needs no waiting for.
    pub fn came_along(&mut self) -> Option<Happening> {
        match self {
            Self::Five(wire) => wire.came_along(),
            Self::Three(events, ..) => events.state.events.pop_front().map(happening),
        }
    }

    /// Forgets all that was under way on a lost connection: the broker delivers again, whoever
    /// publishes is told, and the manager subscribes anew.
    pub fn forget(&mut self) {
        match self {
            Self::Five(wire) => wire.forget(),
            Self::Three(events, ..) => {
                events.clean();
                events.pending.clear();
                events.state.events.clear();
                events.state.collision = None;
            }
        }
    }
}

/// Whether the answer looks like that of a broker that does not know this version.
fn speaks_otherwise(error: &rumqttc::ConnectionError) -> bool {
    use rumqttc::ConnectionError as E;
    match error {
        E::ConnectionRefused(code) => *code == v4::ConnectReturnCode::RefusedProtocolVersion,
        E::MqttState(_) | E::NotConnAck(_) => true,
        _ => false,
    }
}

fn why(error: &rumqttc::ConnectionError) -> String {
    use rumqttc::ConnectionError as E;
    match error {
        E::ConnectionRefused(
            v4::ConnectReturnCode::BadUserNamePassword | v4::ConnectReturnCode::NotAuthorized,
        ) => "the broker refuses this user or password".into(),
        E::NetworkTimeout => "no answer in time".into(),
        E::MqttState(rumqttc::StateError::AwaitPingResp) => "it no longer answers".into(),
        E::MqttState(rumqttc::StateError::ConnectionAborted) => "it closed the connection".into(),
        other => other.to_string(),
    }
}

fn happening(event: rumqttc::Event) -> Happening {
    use v4::{Packet, SubscribeReasonCode};
    match event {
        rumqttc::Event::Incoming(Packet::ConnAck(answer)) => Happening::Connected {
            session_kept: answer.session_present,
        },
        rumqttc::Event::Incoming(Packet::Publish(p)) => Happening::Message(Delivered {
            topic: p.topic.into(),
            payload: p.payload,
            packet: (p.qos != rumqttc::QoS::AtMostOnce).then_some(p.pkid),
            retained: p.retain,
            again: p.dup,
        }),
        rumqttc::Event::Incoming(Packet::SubAck(answer)) => Happening::Subscribed {
            granted: answer
                .return_codes
                .iter()
                .map(|code| matches!(code, SubscribeReasonCode::Success(_)))
                .collect(),
        },
        rumqttc::Event::Incoming(Packet::PubAck(answer)) => Happening::Taken(answer.pkid, Ok(())),
        rumqttc::Event::Outgoing(rumqttc::Outgoing::Publish(packet)) => Happening::Sent(packet),
        _ => Happening::Nothing,
    }
}

/// Each of these gives whether the request found a place; none waits.
impl Sender {
    /// Acknowledges a message.
    #[must_use]
    pub fn try_ack(&self, packet: u16) -> bool {
        match self {
            Self::Five(wire) => wire.acknowledge(packet),
            Self::Three(client) => {
                let mut publish =
                    rumqttc::Publish::from_bytes("", rumqttc::QoS::AtLeastOnce, Bytes::new());
                publish.pkid = packet;
                client.try_ack(&publish).is_ok()
            }
        }
    }

    /// Subscribes at QoS 1.
    pub fn subscribe(&self, filters: &[String]) -> bool {
        match self {
            Self::Five(wire) => wire.subscribe(filters, QoS::AtLeastOnce),
            Self::Three(client) => {
                let filters = filters
                    .iter()
                    .map(|f| rumqttc::SubscribeFilter::new(f.clone(), rumqttc::QoS::AtLeastOnce));
                client.try_subscribe_many(filters).is_ok()
            }
        }
    }

    /// Subscribes to everything at QoS 0.
    pub fn listen_to_all(&self) -> bool {
        match self {
            Self::Five(wire) => wire.subscribe(&["#".into()], QoS::AtMostOnce),
            Self::Three(client) => client.try_subscribe("#", rumqttc::QoS::AtMostOnce).is_ok(),
        }
    }

    /// Unsubscribes.
    #[must_use]
    pub fn unsubscribe(&self, filter: &str) -> bool {
        match self {
            Self::Five(wire) => wire.unsubscribe(filter),
            Self::Three(client) => client.try_unsubscribe(filter).is_ok(),
        }
    }

    /// Publishes at QoS 1.
    #[must_use]
    pub fn publish(&self, topic: String, payload: Bytes, retain: bool) -> bool {
        match self {
            Self::Five(wire) => wire.publish(topic, payload, retain),
            Self::Three(client) => client
                .try_publish(topic, rumqttc::QoS::AtLeastOnce, retain, payload)
                .is_ok(),
        }
    }

    /// Says good-bye.
    #[must_use]
    pub fn disconnect(&self) -> bool {
        match self {
            Self::Five(wire) => wire.disconnect(),
            Self::Three(client) => client.try_disconnect().is_ok(),
        }
    }
}

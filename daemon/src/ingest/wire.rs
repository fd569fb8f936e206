//! A connection that speaks MQTT 5, put together from the client library's own parts: its packets, its
//! codec and its state.
//!
//! The library's own loop sends each acknowledgement by itself, and cannot be told otherwise: that
//! system call was a quarter of what the whole daemon took to drain a backlog. This loop sends in one go
//! what waits to be sent, and hands on what came without keeping a copy. What it is asked to publish, and
//! the answers to that, go through the library's state. (The 3.1.1 connection uses the library's loop.)

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use futures::{FutureExt, SinkExt, StreamExt};
use rumqttc::tokio_rustls::{TlsConnector, client::TlsStream};
use rumqttc::v5::mqttbytes::v5::{
    Codec, Connect, ConnectProperties, ConnectReturnCode, Filter, LastWill, Login, Packet, PubAck,
    PubAckReason, Publish, RetainForwardRule, Subscribe, SubscribeReasonCode, Unsubscribe,
};
use rumqttc::v5::mqttbytes::{self, QoS};
use rumqttc::v5::{ConnectionError, Event, MqttState, Request, StateError, TlsError};
use rustls::pki_types::ServerName;
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio::time::{Instant, Interval, MissedTickBehavior};
use tokio_util::codec::Framed;
use tokio_util::either::Either;

use super::embedded::MAX_PACKET;
use super::link::{
    CONNECT_WITHIN, Delivered, Happening, IN_FLIGHT, KEEP_ALIVE, LinkError, OFFLINE, REQUESTS,
    STATUS, Settings,
};
use super::writer::QUEUE;

/// Messages the broker may have on their way to us: as many as the writer's queue holds.
const RECEIVE_MAXIMUM: u16 = QUEUE as u16;
const _: () = assert!(QUEUE <= u16::MAX as usize);
/// How long the broker keeps our session while we are away, s: a month.
const SESSION_S: u32 = 30 * 86_400;
/// What came is handed on after so many happenings, or so many bytes, at the latest; between them, what
/// waits is sent.
const TOGETHER: usize = 256;
const TOGETHER_BYTES: usize = 1 << 20;

/// A connection that makes itself anew when it is polled without one.
pub struct Wire {
    host: String,
    port: u16,
    tls: Option<Arc<rustls::ClientConfig>>,
    connect: Packet,
    /// Whether the session is kept, and its messages acknowledged by hand.
    kept: bool,
    orders: mpsc::Receiver<Order>,
    sender: WireSender,
    open: Option<Open>,
    was_connected: bool,
}

/// An open connection.
struct Open {
    framed: Framed<Either<TcpStream, TlsStream<TcpStream>>, Codec>,
    pings: Interval,
    /// Messages of ours the broker takes at once.
    in_flight: u16,
    /// Whether messages are acknowledged when told, not when they are read.
    by_hand: bool,
    state: MqttState,
    /// What came and is to be handed on.
    ready: VecDeque<Happening>,
    /// Why the connection ended behind that.
    ended: Option<ConnectionError>,
}

/// What is to be sent.
#[derive(Debug)]
enum Order {
    Acknowledge(u16),
    Request(Box<Request>),
}

/// The sending end.
#[derive(Clone, Debug)]
pub struct WireSender(mpsc::Sender<Order>);

impl Wire {
    /// With a kept session and the last will that says it is gone, or without either.
    pub(super) fn new(settings: &Settings, client_id: &str, kept: bool) -> Self {
        let connect = Connect {
            keep_alive: KEEP_ALIVE.as_secs() as u16,
            client_id: client_id.to_owned(),
            clean_start: !kept,
            properties: Some(ConnectProperties {
                session_expiry_interval: kept.then_some(SESSION_S),
                receive_maximum: Some(RECEIVE_MAXIMUM),
                max_packet_size: Some(MAX_PACKET as u32),
                ..ConnectProperties::new()
            }),
        };
        let will = kept.then(|| LastWill::new(STATUS, OFFLINE, QoS::AtLeastOnce, true, None));
        let login = settings.login.clone();
        let login = login.map(|(user, password)| Login::new(user, password));
        let (sender, orders) = mpsc::channel(REQUESTS);
        Self {
            host: settings.host.clone(),
            port: settings.port,
            tls: settings.tls.clone(),
            connect: Packet::Connect(connect, will, login),
            kept,
            orders,
            sender: WireSender(sender),
            open: None,
            was_connected: false,
        }
    }

    pub(super) fn sender(&self) -> WireSender {
        self.sender.clone()
    }

    /// Waits for the next happening; connects if there is no connection.
    pub(super) async fn poll(&mut self) -> Result<Happening, LinkError> {
        let polled = match &mut self.open {
            Some(open) => open.next(&mut self.orders).await,
            None => match tokio::time::timeout(CONNECT_WITHIN, self.connect()).await {
                Ok(connected) => connected,
                Err(late) => Err(late.into()),
            },
        };
        polled.map_err(|error| {
            self.open = None;
            LinkError {
                other_version: !self.was_connected && speaks_otherwise(&error),
                why: why(&error),
            }
        })
    }

    /// What came along with the last happening.
    pub(super) fn came_along(&mut self) -> Option<Happening> {
        self.open.as_mut()?.ready.pop_front()
    }

    /// Forgets all that was under way.
    pub(super) fn forget(&mut self) {
        self.open = None;
        while self.orders.try_recv().is_ok() {}
    }

    async fn connect(&mut self) -> Result<Happening, ConnectionError> {
        let tcp = TcpStream::connect((self.host.as_str(), self.port)).await?;
        // What is flushed was gathered already.
        tcp.set_nodelay(true)?;
        let stream = match &self.tls {
            None => Either::Left(tcp),
            Some(config) => {
                let name = ServerName::try_from(self.host.clone()).map_err(TlsError::DNSName)?;
                let connector = TlsConnector::from(Arc::clone(config));
                Either::Right(connector.connect(name, tcp).await.map_err(TlsError::Io)?)
            }
        };
        let codec = Codec {
            max_incoming_size: Some(MAX_PACKET as u32),
            max_outgoing_size: None,
        };
        let mut framed = Framed::new(stream, codec);
        framed
            .send(self.connect.clone())
            .await
            .map_err(StateError::Deserialization)?;
        let answer = match packet(framed.next().await)? {
            Packet::ConnAck(answer) if answer.code == ConnectReturnCode::Success => answer,
            Packet::ConnAck(answer) => return Err(ConnectionError::ConnectionRefused(answer.code)),
            other => return Err(ConnectionError::NotConnAck(Box::new(other))),
        };
        let its = answer.properties.as_ref();
        framed.codec_mut().max_outgoing_size = its.and_then(|its| its.max_packet_size);
        let every = pings_every(its.and_then(|its| its.server_keep_alive));
        let mut pings = tokio::time::interval_at(Instant::now() + every, every);
        pings.set_missed_tick_behavior(MissedTickBehavior::Delay);
        self.open = Some(Open {
            framed,
            pings,
            in_flight: in_flight(its.and_then(|its| its.receive_max)),
            by_hand: self.kept,
            state: MqttState::new(IN_FLIGHT, self.kept),
            ready: VecDeque::new(),
            ended: None,
        });
        self.was_connected = true;
        Ok(Happening::Connected {
            session_kept: answer.session_present,
        })
    }
}

/// By the broker's Server Keep Alive, s; 0 there is for never.
fn pings_every(server_keep_alive_s: Option<u16>) -> Duration {
    server_keep_alive_s
        .filter(|s| *s > 0)
        .map_or(KEEP_ALIVE, |s| {
            Duration::from_secs(s.into()).min(KEEP_ALIVE)
        })
}

/// By the broker's Receive Maximum, which may not be 0.
fn in_flight(receive_maximum: Option<u16>) -> u16 {
    receive_maximum
        .filter(|max| *max > 0)
        .map_or(IN_FLIGHT, |max| max.min(IN_FLIGHT))
}

impl Open {
    async fn next(
        &mut self,
        orders: &mut mpsc::Receiver<Order>,
    ) -> Result<Happening, ConnectionError> {
        if self.ready.is_empty() && self.ended.is_none() {
            let has_room = self.has_room();
            let done = tokio::select! {
                Some(order) = orders.recv(), if has_room => self.send(order, orders).await,
                came = self.framed.next() => self.take(came).await,
                _ = self.pings.tick() => self.ping().await,
            };
            self.ended = done.err();
        }
        match self.ready.pop_front() {
            Some(happening) => Ok(happening),
            None => self.ended.take().map_or(Ok(Happening::Nothing), Err),
        }
    }

    /// Whether the broker takes another message of ours. (Acknowledgements, which it would take always,
    /// wait for that too: a queue of their own is not worth it for our few messages.)
    fn has_room(&self) -> bool {
        self.state.inflight() < self.in_flight && self.state.collision.is_none()
    }

    /// Sends an order and all others that wait.
    async fn send(
        &mut self,
        first: Order,
        orders: &mut mpsc::Receiver<Order>,
    ) -> Result<(), ConnectionError> {
        let mut next = Some(first);
        while let Some(order) = next {
            let packet = match order {
                Order::Acknowledge(packet) => Some(Packet::PubAck(PubAck::new(packet, None))),
                Order::Request(request) => {
                    let packet = self.state.handle_outgoing_packet(*request)?;
                    self.small_enough(packet)?
                }
            };
            self.write(packet).await?;
            next = self.has_room().then(|| orders.try_recv().ok()).flatten();
        }
        self.flush().await
    }

    /// A message larger than the broker takes must not be sent to it (3.2.2.3.6): the state is told that
    /// it was refused, and whoever published it why.
    fn small_enough(&mut self, packet: Option<Packet>) -> Result<Option<Packet>, ConnectionError> {
        let max = self.framed.codec().max_outgoing_size;
        let (Some(Packet::Publish(message)), Some(max)) = (&packet, max) else {
            return Ok(packet);
        };
        if message.size() <= max as usize {
            return Ok(packet);
        }
        self.ready
            .extend(self.state.events.drain(..).map(happening));
        let mut refused = PubAck::new(message.pkid, None);
        refused.reason = PubAckReason::ImplementationSpecificError;
        self.state.handle_incoming_packet(Packet::PubAck(refused))?;
        self.state.events.clear();
        let why = format!("it is larger than the {max} bytes this broker takes in a message");
        self.ready
            .push_back(Happening::Taken(message.pkid, Err(why)));
        Ok(None)
    }

    /// Asks whether the broker is there. What waits to be read comes first: after a pause of ours the
    /// answer to the last time may be in it.
    async fn ping(&mut self) -> Result<(), ConnectionError> {
        if let Some(came) = self.framed.next().now_or_never() {
            self.take(came).await?;
        }
        let packet = self.state.handle_outgoing_packet(Request::PingReq)?;
        self.write(packet).await?;
        self.flush().await
    }

    /// Takes what came and what is there behind it.
    async fn take(&mut self, first: Option<Came>) -> Result<(), ConnectionError> {
        // It speaks: it is there.
        self.state.await_pingresp = false;
        let mut bytes = 0;
        let mut next = Some(first);
        while let Some(came) = next {
            bytes += self.take_one(came).await?;
            let enough = self.ready.len() >= TOGETHER || bytes >= TOGETHER_BYTES;
            next = (!enough)
                .then(|| self.framed.next().now_or_never())
                .flatten();
        }
        self.flush().await
    }

    /// Gives the bytes of its payload.
    async fn take_one(&mut self, came: Option<Came>) -> Result<usize, ConnectionError> {
        match packet(came)? {
            // Nothing in the state hangs on it: we acknowledge it by hand, and allow no aliases of topics.
            Packet::Publish(message) if self.by_hand => {
                let bytes = message.payload.len();
                self.ready.push_back(delivered(message));
                Ok(bytes)
            }
            other => {
                let answer = self.state.handle_incoming_packet(other)?;
                let answer = self.small_enough(answer)?;
                self.write(answer).await?;
                Ok(0)
            }
        }
    }

    async fn write(&mut self, packet: Option<Packet>) -> Result<(), ConnectionError> {
        let events = self.state.events.drain(..).map(happening);
        self.ready.extend(events);
        if let Some(packet) = packet {
            let written = self.framed.feed(packet).await;
            written.map_err(StateError::Deserialization)?;
        }
        Ok(())
    }

    async fn flush(&mut self) -> Result<(), ConnectionError> {
        let flushed = SinkExt::<Packet>::flush(&mut self.framed).await;
        Ok(flushed.map_err(StateError::Deserialization)?)
    }
}

type Came = Result<Packet, mqttbytes::Error>;

fn packet(came: Option<Came>) -> Result<Packet, StateError> {
    match came {
        Some(came) => came.map_err(StateError::Deserialization),
        None => Err(StateError::ConnectionAborted),
    }
}

/// Each of these gives whether the order can be carried out and found a place; none waits.
impl WireSender {
    fn order(&self, order: Order) -> bool {
        self.0.try_send(order).is_ok()
    }

    fn request(&self, request: Request) -> bool {
        self.order(Order::Request(Box::new(request)))
    }

    pub(super) fn acknowledge(&self, packet: u16) -> bool {
        self.order(Order::Acknowledge(packet))
    }

    pub(super) fn subscribe(&self, filters: &[String], qos: QoS) -> bool {
        let filters = filters.iter().map(|f| {
            let mut filter = Filter::new(f, qos);
            // Asked for once more, what is retained is no news.
            filter.retain_forward_rule = RetainForwardRule::OnNewSubscribe;
            filter
        });
        self.request(Request::Subscribe(Subscribe::new_many(filters, None)))
    }

    pub(super) fn unsubscribe(&self, filter: &str) -> bool {
        self.request(Request::Unsubscribe(Unsubscribe::new(filter, None)))
    }

    pub(super) fn publish(&self, topic: String, payload: Bytes, retain: bool) -> bool {
        rumqttc::valid_topic(&topic) && {
            let mut message = Publish::new(topic, QoS::AtLeastOnce, payload, None);
            message.retain = retain;
            self.request(Request::Publish(message))
        }
    }

    pub(super) fn disconnect(&self) -> bool {
        self.request(Request::Disconnect)
    }
}

/// Whether the answer looks like that of a broker that does not know this version.
fn speaks_otherwise(error: &ConnectionError) -> bool {
    match error {
        ConnectionError::ConnectionRefused(code) => matches!(
            code,
            ConnectReturnCode::UnsupportedProtocolVersion
                | ConnectReturnCode::RefusedProtocolVersion
        ),
        ConnectionError::MqttState(_) | ConnectionError::NotConnAck(_) => true,
        _ => false,
    }
}

fn why(error: &ConnectionError) -> String {
    match error {
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => "the broker refuses this user or password".into(),
        ConnectionError::Timeout(_) => "no answer in time".into(),
        ConnectionError::MqttState(StateError::AwaitPingResp) => "it no longer answers".into(),
        ConnectionError::MqttState(StateError::ConnectionAborted) => {
            "it closed the connection".into()
        }
        other => other.to_string(),
    }
}

fn delivered(message: Publish) -> Happening {
    Happening::Message(Delivered {
        // A topic is UTF-8 by the standard; what is not stays unclaimed under a readable name.
        topic: String::from_utf8_lossy(&message.topic).as_ref().into(),
        payload: message.payload,
        packet: (message.qos != QoS::AtMostOnce).then_some(message.pkid),
        retained: message.retain,
        again: message.dup,
    })
}

fn happening(event: Event) -> Happening {
    match event {
        Event::Incoming(Packet::Publish(message)) => delivered(message),
        Event::Incoming(Packet::SubAck(answer)) => Happening::Subscribed {
            granted: answer
                .return_codes
                .iter()
                .map(|code| matches!(code, SubscribeReasonCode::Success(_)))
                .collect(),
        },
        Event::Incoming(Packet::PubAck(answer)) => {
            let taken = match answer.reason {
                PubAckReason::Success | PubAckReason::NoMatchingSubscribers => Ok(()),
                other => Err(format!("the broker does not take it ({other:?})")),
            };
            Happening::Taken(answer.pkid, taken)
        }
        Event::Outgoing(rumqttc::Outgoing::Publish(packet)) => Happening::Sent(packet),
        _ => Happening::Nothing,
    }
}

#[cfg(test)]
#[path = "wire_tests.rs"]
mod tests;

//! The connection to an outside broker: a kept session, QoS 1, acknowledged by hand after the
//! commit, in order of arrival, from another task than the one that polls.
//!
//! Three tasks. The *poller* owns the event loop and hands messages to the writer; when the writer's
//! queue is full it waits, and the broker keeps the rest. The *acknowledger* takes what the writer
//! has stored. The *manager* subscribes, publishes and says when all is well. An acknowledgement
//! belongs to its connection: one that comes after the connection was lost is dropped, since the
//! broker delivers the message again and may by then use its identifier for another.

use std::collections::{BTreeSet, HashMap, VecDeque};
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::mpsc;
use tokio::sync::mpsc::error::TrySendError;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use super::link::{Happening, Link, OFFLINE, ONLINE, STATUS, Sender, Settings, Version};
use super::publisher::Outgoing;
use super::session::Session;
use super::writer::{Ack, Acks, Message};
use super::{IngestError, digest};
use crate::app::App;
use crate::config::mqtt::BrokerUrl;
use crate::store::Packet;
use crate::time::UtcMs;

/// Acknowledgements that may wait: packet identifiers have 16 bits, so there are never more. (Were
/// there fewer places, the writer could wait for the poller and the poller for the writer.)
const ACKS: usize = 65_536;
/// What the poller may tell the manager ahead of time.
const HAPPENINGS: usize = 256;
/// Wait before connecting again: from the shortest to the longest, at random, so that several
/// clients do not come back at once.
const AGAIN_MS: std::ops::RangeInclusive<u64> = 1_000..=4_000;
/// Readings without a time that come after a longer absence than this may have waited, ms.
const ABSENCE_MS: i64 = 10_000;
/// How long the acknowledger waits when the client's own queue is full.
const ACK_AGAIN: Duration = Duration::from_millis(1);
/// How long stopping waits for the last acknowledgements.
const STOP_WITHIN: Duration = Duration::from_secs(2);
/// An unreachable broker is written about in the log once in this long.
const SAY_AGAIN: Duration = Duration::from_secs(60);

/// The running connection.
#[derive(Debug)]
pub struct Running {
    /// `mqtt://host:port`, without user and password.
    pub url: String,
    poller: JoinHandle<()>,
    others: Vec<JoinHandle<()>>,
    stop: CancellationToken,
}

impl Running {
    /// Takes no more messages; what is under way is stored, and delivered again if its
    /// acknowledgement does not get out.
    pub async fn stop(self) {
        self.stop.cancel();
        let mut poller = self.poller;
        if tokio::time::timeout(STOP_WITHIN, &mut poller)
            .await
            .is_err()
        {
            poller.abort();
        }
        for task in self.others {
            task.abort();
        }
    }
}

/// Connects, now and whenever the connection is lost.
///
/// # Errors
/// If the configuration cannot work; a broker that is away is no error.
pub(super) fn start(
    app: &Arc<App>,
    url: &str,
    messages: mpsc::Sender<Message>,
    outgoing: mpsc::Receiver<Outgoing>,
) -> Result<Running, IngestError> {
    app.config.mqtt.check().map_err(IngestError::Broker)?;
    let url = BrokerUrl::parse(url).map_err(IngestError::Broker)?;
    let session = Session::open(&app.data_dir).map_err(IngestError::Broker)?;
    let settings =
        Settings::new(&url, app.config.mqtt.ca_file.as_deref()).map_err(IngestError::Broker)?;
    app.trial.outside(settings.clone(), messages.downgrade());
    let shown = url.shown();
    let stop = CancellationToken::new();
    let (acks, acks_received) = mpsc::channel(ACKS);
    let (tell, happenings) = mpsc::channel(HAPPENINGS);
    let open = Arc::new(Mutex::new(Open::default()));
    let poller = Poller {
        app: Arc::clone(app),
        shown: shown.clone(),
        settings: settings.clone(),
        client_id: session.client_id.clone(),
        messages,
        acks,
        tell,
        open: Arc::clone(&open),
        stop: stop.clone(),
        connection: 0,
        resumed: false,
        last_alive: None,
    };
    let manager = Manager {
        app: Arc::clone(app),
        session,
        sender: None,
        subscribing: 0,
        refused: false,
        naming: VecDeque::new(),
        published: HashMap::new(),
    };
    Ok(Running {
        url: shown,
        poller: tokio::spawn(poller.run()),
        others: vec![
            tokio::spawn(acknowledge(acks_received, open)),
            tokio::spawn(manager.run(happenings, outgoing)),
            tokio::spawn(super::visit::listen(Arc::clone(app), settings)),
        ],
        stop,
    })
}

/// The connection that is open, if any: acknowledgements go to it alone.
#[derive(Default)]
struct Open(Option<(u64, Sender)>);

fn locked(open: &Mutex<Open>) -> std::sync::MutexGuard<'_, Open> {
    open.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Acknowledges what is stored.
async fn acknowledge(mut stored: mpsc::Receiver<Acks>, open: Arc<Mutex<Open>>) {
    while let Some(acks) = stored.recv().await {
        for (connection, packet) in acks {
            acknowledge_one(connection, packet, &open).await;
        }
    }
}

async fn acknowledge_one(connection: u64, packet: u16, open: &Mutex<Open>) {
    loop {
        // Under the lock, so that none slips in after the connection is known to be lost.
        let sent = match &locked(open).0 {
            Some((current, sender)) if *current == connection => sender.try_ack(packet),
            _ => true,
        };
        if sent {
            break;
        }
        tokio::time::sleep(ACK_AGAIN).await;
    }
}

struct Poller {
    app: Arc<App>,
    shown: String,
    settings: Settings,
    client_id: String,
    messages: mpsc::Sender<Message>,
    acks: mpsc::Sender<Acks>,
    tell: mpsc::Sender<Told>,
    open: Arc<Mutex<Open>>,
    stop: CancellationToken,
    connection: u64,
    resumed: bool,
    last_alive: Option<UtcMs>,
}

/// What the poller tells the manager.
enum Told {
    Connected(Sender, bool),
    Lost,
    Happened(Happening),
}

impl Poller {
    async fn run(mut self) {
        let mut version = Version::Five;
        let mut link = Link::new(&self.settings, &self.client_id, version);
        let mut said: Option<tokio::time::Instant> = None;
        let stop = self.stop.clone();
        let mut stopped = std::pin::pin!(stop.cancelled());
        loop {
            // Polling is not interrupted except to stop: an acknowledgement could be lost in it.
            let polled = tokio::select! {
                biased;
                () = &mut stopped => break,
                polled = link.poll() => polled,
            };
            match polled {
                Ok(Happening::Connected { session_kept }) => {
                    said = None;
                    self.connected(link.sender(), session_kept).await;
                }
                Ok(Happening::Message(message)) => {
                    self.last_alive = Some(self.app.clock.now());
                    if !self.hand_over(message).await {
                        break;
                    }
                }
                Ok(Happening::Nothing) => {}
                Ok(happening) => {
                    let _ = self.tell.send(Told::Happened(happening)).await;
                }
                Err(error) => {
                    self.lost(&mut link).await;
                    if said.is_none_or(|at| at.elapsed() >= SAY_AGAIN) {
                        said = Some(tokio::time::Instant::now());
                        tracing::warn!(broker = %self.shown, error = %error.why, "no connection to the broker");
                    }
                    if error.other_version {
                        version = version.other();
                        tracing::info!(broker = %self.shown, "trying the other MQTT version");
                        link = Link::new(&self.settings, &self.client_id, version);
                    }
                    let wait = Duration::from_millis(rand::random_range(AGAIN_MS));
                    tokio::select! {
                        () = self.stop.cancelled() => break,
                        () = tokio::time::sleep(wait) => {}
                    }
                }
            }
        }
        self.finish(link).await;
    }

    async fn connected(&mut self, sender: Sender, session_kept: bool) {
        self.connection += 1;
        let now = self.app.clock.now();
        let away_ms = self.last_alive.map(|last| now.0.saturating_sub(last.0));
        self.resumed = session_kept && away_ms.is_none_or(|ms| ms > ABSENCE_MS);
        self.last_alive = Some(now);
        locked(&self.open).0 = Some((self.connection, sender.clone()));
        self.app.metrics.connects.inc();
        tracing::info!(broker = %self.shown, session_kept, "connected to the broker");
        let _ = self.tell.send(Told::Connected(sender, session_kept)).await;
    }

    async fn lost(&mut self, link: &mut Link) {
        locked(&self.open).0 = None;
        link.forget();
        self.app.health.broker_ready.store(false, Ordering::Relaxed);
        let _ = self.tell.send(Told::Lost).await;
    }

    /// `false`: the writer has ended, or we are to stop.
    async fn hand_over(&mut self, message: super::link::Delivered) -> bool {
        let (packet, ack) = match message.packet {
            None => (None, Ack::None),
            Some(id) => (
                Some(Packet {
                    session: "out".to_owned(),
                    id,
                    digest: digest(&message.topic, &message.payload),
                    maybe_again: message.again,
                }),
                Ack::Outside(self.acks.clone(), self.connection, id),
            ),
        };
        let message = Message {
            topic: message.topic,
            payload: message.payload,
            retained: message.retained,
            arrived: self.app.clock.now(),
            packet,
            resumed: self.resumed.then_some(self.connection),
            ack,
        };
        match self.messages.try_send(message) {
            Ok(()) => true,
            Err(TrySendError::Closed(_)) => false,
            Err(TrySendError::Full(message)) => tokio::select! {
                biased;
                sent = self.messages.send(message) => sent.is_ok(),
                () = self.stop.cancelled() => false,
            },
        }
    }

    /// Lets the writer finish and the last acknowledgements out, then says good-bye.
    async fn finish(self, mut link: Link) {
        let Self {
            messages,
            acks,
            open,
            ..
        } = self;
        drop(messages);
        drop(acks);
        if locked(&open).0.is_none() {
            return;
        }
        let goodbye = async {
            let mut asked = false;
            // Ending is no accident: the will would not be carried out.
            let _ = link.sender().publish(STATUS.into(), OFFLINE.into(), true);
            loop {
                if !asked
                    && tokio::time::timeout(Duration::from_millis(300), link.poll())
                        .await
                        .is_err()
                {
                    // Quiet: what was acknowledged is out.
                    asked = link.sender().disconnect();
                    if !asked {
                        return;
                    }
                } else if asked && link.poll().await.is_err() {
                    return;
                }
            }
        };
        let _ = tokio::time::timeout(STOP_WITHIN, goodbye).await;
    }
}

struct Manager {
    app: Arc<App>,
    session: Session,
    sender: Option<Sender>,
    /// Subscriptions not answered yet.
    subscribing: usize,
    refused: bool,
    /// Published, identifier not known yet, in order.
    naming: VecDeque<tokio::sync::oneshot::Sender<Result<(), String>>>,
    /// Published, answer awaited.
    published: HashMap<u16, tokio::sync::oneshot::Sender<Result<(), String>>>,
}

impl Manager {
    async fn run(
        mut self,
        mut happenings: mpsc::Receiver<Told>,
        mut outgoing: mpsc::Receiver<Outgoing>,
    ) {
        let mut mappings = self.app.board.watch_mappings();
        loop {
            tokio::select! {
                told = happenings.recv() => match told {
                    None => return,
                    Some(Told::Connected(sender, session_kept)) => {
                        self.sender = Some(sender);
                        self.subscribing = 0;
                        self.refused = false;
                        if !session_kept {
                            self.session.filters.clear();
                        }
                        let wanted = mappings.borrow_and_update().filters();
                        self.subscribe(wanted);
                        self.say_online();
                    }
                    Some(Told::Lost) => {
                        self.sender = None;
                        let waiting = self.naming.drain(..).chain(self.published.drain().map(|(_, done)| done));
                        for done in waiting {
                            let _ = done.send(Err("the connection to the broker was lost".into()));
                        }
                    }
                    Some(Told::Happened(happening)) => self.happened(happening),
                },
                Ok(()) = mappings.changed() => {
                    let wanted = mappings.borrow_and_update().filters();
                    self.subscribe(wanted);
                }
                Some(message) = outgoing.recv() => self.publish(message),
            }
        }
    }

    /// Brings the session's subscriptions to what is mapped.
    fn subscribe(&mut self, wanted: BTreeSet<String>) {
        let Some(sender) = &self.sender else {
            return;
        };
        let new: Vec<String> = wanted.difference(&self.session.filters).cloned().collect();
        let gone: Vec<String> = self.session.filters.difference(&wanted).cloned().collect();
        for filter in &gone {
            if !sender.unsubscribe(filter) {
                tracing::warn!(topic = %filter, "could not unsubscribe now");
            }
        }
        if !new.is_empty() {
            if sender.subscribe(&new) {
                self.subscribing += 1;
            } else {
                self.refused = true;
                tracing::warn!("could not subscribe now");
            }
        }
        self.session.filters = wanted;
        // Written before the broker's answer: subscribing once more does no harm, and an answer of
        // "no" takes them out again.
        if let Err(error) = self.session.write() {
            tracing::warn!(error = %error, "the subscriptions could not be noted");
        }
        self.say();
    }

    fn say_online(&mut self) {
        let (done, told) = tokio::sync::oneshot::channel();
        self.publish(Outgoing {
            topic: STATUS.into(),
            payload: ONLINE.into(),
            retain: true,
            done,
        });
        tokio::spawn(async move {
            if let Ok(Err(why)) = told.await {
                tracing::warn!(
                    topic = STATUS,
                    why,
                    "who asks the broker is not told that we are here"
                );
            }
        });
    }

    fn say(&self) {
        let ready = self.sender.is_some() && self.subscribing == 0 && !self.refused;
        self.app.health.broker_ready.store(ready, Ordering::Relaxed);
    }

    fn happened(&mut self, happening: Happening) {
        match happening {
            Happening::Subscribed { all } => {
                self.subscribing = self.subscribing.saturating_sub(1);
                if !all {
                    self.refused = true;
                    self.session.filters.clear();
                    tracing::error!(
                        "the broker refuses a subscription: allow this user to read the sensors' topics"
                    );
                    if let Err(error) = self.session.write() {
                        tracing::warn!(error = %error, "the subscriptions could not be noted");
                    }
                }
                self.say();
            }
            Happening::Sent(packet) => {
                if let Some(done) = self.naming.pop_front() {
                    self.published.insert(packet, done);
                }
            }
            Happening::Taken(packet, answer) => {
                if let Some(done) = self.published.remove(&packet) {
                    let _ = done.send(answer);
                }
            }
            Happening::Connected { .. } | Happening::Message(_) | Happening::Nothing => {}
        }
    }

    fn publish(&mut self, message: Outgoing) {
        let sent = match &self.sender {
            None => Err("not connected to the broker"),
            Some(sender) if sender.publish(message.topic, message.payload, message.retain) => {
                Ok(())
            }
            Some(_) => Err("the connection to the broker is too slow"),
        };
        match sent {
            Ok(()) => self.naming.push_back(message.done),
            Err(why) => {
                let _ = message.done.send(Err(why.into()));
            }
        }
    }
}

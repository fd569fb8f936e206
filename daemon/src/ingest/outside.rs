//! The connection to an outside broker: a kept session, QoS 1, acknowledged by hand after the
//! commit, in order of arrival.
//!
//! Two tasks. The *poller* owns the connection, hands messages to the writer (when its queue is full
//! the poller waits, and the broker keeps the rest) and acknowledges what the writer has stored. The
//! *manager* subscribes, publishes and says when all is well. An acknowledgement belongs to its
//! connection: one that comes after the connection was lost is dropped, since the broker delivers the
//! message again and may by then use its identifier for another.

use std::collections::{BTreeSet, HashMap, VecDeque};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use smol_str::SmolStr;
use tokio::sync::mpsc;
use tokio::sync::mpsc::error::TrySendError;
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior};
use tokio_util::sync::CancellationToken;

use super::link::{Happening, Link, LinkError, OFFLINE, ONLINE, STATUS, Sender, Settings, Version};
use super::publisher::Outgoing;
use super::session::Session;
use super::writer::{Ack, Acks, Message};
use super::{ABSENCE_MS, IngestError, digest};
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
/// Bytes of messages that may wait for the writer, whose queue would hold two gibibytes of the largest.
const QUEUED_BYTES: usize = 64 << 20;
/// Nothing came and nothing was to be sent for so long: stopping goes on.
const QUIET: Duration = Duration::from_millis(300);
/// How long stopping waits for the last acknowledgements.
const STOP_WITHIN: Duration = Duration::from_secs(2);
/// What a broker refused is asked for again this often: its rights may have been mended.
const ASK_AGAIN: Duration = Duration::from_secs(60);
/// An unreachable broker is written about in the log once in this long.
const SAY_AGAIN: Duration = Duration::from_secs(60);

/// The running connection.
#[derive(Debug)]
pub struct Running {
    /// `mqtt://host:port`, without user and password.
    pub url: String,
    poller: JoinHandle<()>,
    others: [JoinHandle<()>; 2],
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
    let (acks, stored) = mpsc::channel(ACKS);
    let (tell, happenings) = mpsc::channel(HAPPENINGS);
    let poller = Poller {
        app: Arc::clone(app),
        shown: shown.clone(),
        settings: settings.clone(),
        client_id: session.client_id.clone(),
        messages: Some(ToWriter::new(messages)),
        acks,
        stored,
        to_acknowledge: VecDeque::new(),
        tell,
        open: None,
        stop: stop.clone(),
        connection: 0,
        resumed: false,
        last_alive: None,
        said: None,
    };
    let manager = Manager {
        app: Arc::clone(app),
        session,
        sender: None,
        asked: VecDeque::new(),
        unsent: false,
        refused: BTreeSet::new(),
        naming: VecDeque::new(),
        published: HashMap::new(),
    };
    Ok(Running {
        url: shown,
        poller: tokio::spawn(poller.run()),
        others: [
            tokio::spawn(manager.run(happenings, outgoing)),
            tokio::spawn(super::visit::listen(Arc::clone(app), settings)),
        ],
        stop,
    })
}

struct Poller {
    app: Arc<App>,
    shown: String,
    settings: Settings,
    client_id: String,
    /// To the writer, which ends when no one can send it more: gone once we are to stop.
    messages: Option<ToWriter>,
    acks: mpsc::Sender<Acks>,
    /// What the writer has stored, and of that what waits for a place in the connection's queue.
    stored: mpsc::Receiver<Acks>,
    to_acknowledge: VecDeque<(u64, u16)>,
    tell: mpsc::Sender<Told>,
    /// The sending end of the connection, while there is one: acknowledgements go to it alone.
    open: Option<Sender>,
    stop: CancellationToken,
    connection: u64,
    resumed: bool,
    last_alive: Option<UtcMs>,
    /// When an unreachable broker was last written about.
    said: Option<Instant>,
}

/// The way to the writer, bounded in bytes too.
struct ToWriter {
    queue: mpsc::Sender<Message>,
    /// Bytes sent since the queue was last known to be empty.
    bytes: usize,
}

impl ToWriter {
    fn new(queue: mpsc::Sender<Message>) -> Self {
        Self { queue, bytes: 0 }
    }

    /// Waits for room. `false`: the writer has ended.
    async fn send(&mut self, message: Message) -> bool {
        let bytes = message.topic.len() + message.payload.len();
        if self.bytes + bytes > QUEUED_BYTES {
            // Every place is free: nothing waits any more.
            let empty = self.queue.reserve_many(self.queue.max_capacity()).await;
            self.bytes = 0;
            drop(empty);
        }
        self.bytes += bytes;
        match self.queue.try_send(message) {
            Ok(()) => true,
            Err(TrySendError::Closed(_)) => false,
            Err(TrySendError::Full(message)) => self.queue.send(message).await.is_ok(),
        }
    }
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
        let stop = self.stop.clone();
        let mut stopped = std::pin::pin!(stop.cancelled());
        while let Some(polled) = self.poll(&mut link, &mut stopped).await {
            let goes_on = match polled {
                Ok(happening) => self.take_all(happening, &mut link).await,
                Err(error) => {
                    self.lost(&error).await;
                    if error.other_version {
                        version = version.other();
                        tracing::info!(broker = %self.shown, "trying the other MQTT version");
                        link = Link::new(&self.settings, &self.client_id, version);
                    }
                    let goes_on = self.wait_to_connect_again().await;
                    // Whoever orders something to be sent has heard of the loss by now.
                    link.forget();
                    goes_on
                }
            };
            if !goes_on {
                break;
            }
        }
        self.finish(link).await;
    }

    /// `false`: we are to stop.
    async fn wait_to_connect_again(&self) -> bool {
        let wait = Duration::from_millis(rand::random_range(AGAIN_MS));
        tokio::select! {
            () = self.stop.cancelled() => false,
            () = tokio::time::sleep(wait) => true,
        }
    }

    /// Takes a happening and what came along with it. `false`: the writer has ended, or we are to stop.
    async fn take_all(&mut self, happening: Happening, link: &mut Link) -> bool {
        let now = self.app.clock.now();
        let mut messages = false;
        let mut next = Some(happening);
        while let Some(happening) = next {
            messages |= matches!(happening, Happening::Message(_));
            if !self.take(happening, link, now).await {
                return false;
            }
            next = link.came_along();
        }
        // Polling hears of a stop only while it waits, which it need not while messages come.
        !(messages && self.stop.is_cancelled())
    }

    /// Waits for the next happening and acknowledges meanwhile what is stored; `None`: `until` came
    /// while nothing else did. (Polling is not interrupted for anything else: an acknowledgement could
    /// be lost in it.)
    async fn poll(
        &mut self,
        link: &mut Link,
        until: impl Future<Output = ()>,
    ) -> Option<Result<Happening, LinkError>> {
        let mut until = std::pin::pin!(until);
        let mut polled = std::pin::pin!(link.poll());
        loop {
            self.acknowledge();
            tokio::select! {
                biased;
                polled = &mut polled => return Some(polled),
                Some(acks) = self.stored.recv(), if self.to_acknowledge.is_empty() => {
                    self.to_acknowledge = acks.into();
                }
                () = &mut until => return None,
            }
        }
    }

    /// Hands acknowledgements to the connection, as many as it has places for: each poll makes room.
    fn acknowledge(&mut self) {
        loop {
            while let Some((connection, packet)) = self.to_acknowledge.front() {
                if let Some(sender) = &self.open
                    && *connection == self.connection
                    && !sender.try_ack(*packet)
                {
                    return;
                }
                self.to_acknowledge.pop_front();
            }
            match self.stored.try_recv() {
                Ok(acks) => self.to_acknowledge = acks.into(),
                Err(_) => return,
            }
        }
    }

    /// `false`: the writer has ended, or we are to stop.
    async fn take(&mut self, happening: Happening, link: &mut Link, now: UtcMs) -> bool {
        match happening {
            Happening::Connected { session_kept } => {
                self.said = None;
                self.connected(link.sender(), session_kept, now).await;
            }
            Happening::Message(message) => {
                self.last_alive = Some(now);
                return self.hand_over(message, now).await;
            }
            Happening::Nothing => {}
            happening => {
                let _ = self.tell.send(Told::Happened(happening)).await;
            }
        }
        true
    }

    async fn connected(&mut self, sender: Sender, session_kept: bool, now: UtcMs) {
        self.connection += 1;
        let away_ms = self.last_alive.map(|last| now.0.saturating_sub(last.0));
        self.resumed = session_kept && away_ms.is_none_or(|ms| ms > ABSENCE_MS);
        self.last_alive = Some(now);
        self.open = Some(sender.clone());
        self.app.metrics.connects.inc();
        tracing::info!(broker = %self.shown, session_kept, "connected to the broker");
        let _ = self.tell.send(Told::Connected(sender, session_kept)).await;
    }

    async fn lost(&mut self, error: &LinkError) {
        self.open = None;
        self.app.health.broker_ready.store(false, Ordering::Relaxed);
        let _ = self.tell.send(Told::Lost).await;
        if self.said.is_none_or(|at| at.elapsed() >= SAY_AGAIN) {
            self.said = Some(Instant::now());
            tracing::warn!(broker = %self.shown, error = %error.why, "no connection to the broker");
        }
    }

    /// `false`: the writer has ended, or we are to stop.
    async fn hand_over(&mut self, message: super::link::Delivered, arrived: UtcMs) -> bool {
        let (packet, ack) = match message.packet {
            None => (None, Ack::None),
            Some(id) => (
                Some(Packet {
                    session: SmolStr::new_static("out"),
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
            arrived,
            packet,
            resumed: self.resumed.then_some(self.connection),
            ack,
        };
        let Some(messages) = &mut self.messages else {
            return false;
        };
        tokio::select! {
            biased;
            taken = messages.send(message) => taken,
            () = self.stop.cancelled() => false,
        }
    }

    /// Lets the writer finish and the last acknowledgements out, then says good-bye.
    async fn finish(mut self, mut link: Link) {
        self.messages = None;
        let Some(sender) = self.open.clone() else {
            return;
        };
        let goodbye = async {
            // Ending is no accident: the will would not be carried out.
            let _ = sender.publish(STATUS.into(), OFFLINE.into(), true);
            let quiet = || tokio::time::sleep(QUIET);
            while let Some(happened) = self.poll(&mut link, quiet()).await {
                if happened.is_err() {
                    return;
                }
            }
            // Quiet: what was acknowledged is out.
            if sender.disconnect() {
                while link.poll().await.is_ok() {}
            }
        };
        let _ = tokio::time::timeout(STOP_WITHIN, goodbye).await;
    }
}

struct Manager {
    app: Arc<App>,
    session: Session,
    sender: Option<Sender>,
    /// Subscriptions not answered yet, in order, each with its topics.
    asked: VecDeque<Vec<String>>,
    /// One found no place in the connection's queue.
    unsent: bool,
    /// Topics that the broker refuses on this connection.
    refused: BTreeSet<String>,
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
        let mut again = tokio::time::interval(ASK_AGAIN);
        again.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                told = happenings.recv() => match told {
                    None => return,
                    Some(Told::Connected(sender, session_kept)) => {
                        self.sender = Some(sender);
                        self.asked.clear();
                        self.refused.clear();
                        if !session_kept {
                            self.session.filters.clear();
                        }
                        let wanted = mappings.borrow_and_update().filters(&self.refused);
                        self.subscribe(wanted, true);
                        self.say_online();
                    }
                    Some(Told::Lost) => {
                        self.sender = None;
                        let waiting = self.naming.drain(..).chain(self.published.drain().map(|(_, done)| done));
                        for done in waiting {
                            let _ = done.send(Err("the connection to the broker was lost".into()));
                        }
                    }
                    Some(Told::Happened(happening)) => {
                        let refused = self.refused.clone();
                        self.happened(happening);
                        // What a refused topic would have covered is asked for by itself, until it is
                        // granted.
                        if self.refused != refused {
                            let wanted = mappings.borrow_and_update().filters(&self.refused);
                            self.subscribe(wanted, false);
                        }
                    }
                },
                Ok(()) = mappings.changed() => {
                    let wanted = mappings.borrow_and_update().filters(&self.refused);
                    self.subscribe(wanted, self.unsent);
                }
                _ = again.tick(), if self.unsent || !self.refused.is_empty() => {
                    let wanted = mappings.borrow_and_update().filters(&self.refused);
                    self.subscribe(wanted, true);
                }
                Some(message) = outgoing.recv() => self.publish(message),
            }
        }
    }

    /// Brings the session's subscriptions to what is mapped; `all`: whatever it had before. A broker
    /// that keeps our session may yet have lost some: it hung up before it answered, or came back from
    /// an older copy of itself.
    fn subscribe(&mut self, wanted: BTreeSet<String>, all: bool) {
        let Some(sender) = &self.sender else {
            return;
        };
        self.unsent = false;
        self.refused.retain(|topic| wanted.contains(topic));
        let new: Vec<String> = wanted
            .iter()
            .filter(|filter| all || !self.session.filters.contains(*filter))
            .cloned()
            .collect();
        let gone: Vec<String> = self.session.filters.difference(&wanted).cloned().collect();
        // Before the others go: one of them may have covered a new one.
        if !new.is_empty() {
            if sender.subscribe(&new) {
                self.asked.push_back(new);
            } else {
                self.unsent = true;
                tracing::warn!("could not subscribe now");
            }
        }
        for filter in &gone {
            if !sender.unsubscribe(filter) {
                tracing::warn!(topic = %filter, "could not unsubscribe now");
            }
        }
        self.session.filters = wanted;
        // Written before the broker's answer: what it may know of us is what is unsubscribed one day.
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
        let heard = self.asked.is_empty() && !self.unsent && self.refused.is_empty();
        let ready = self.sender.is_some() && heard;
        self.app.health.broker_ready.store(ready, Ordering::Relaxed);
    }

    fn happened(&mut self, happening: Happening) {
        match happening {
            Happening::Subscribed { granted } => {
                let asked = self.asked.pop_front().unwrap_or_default();
                for (topic, granted) in asked.into_iter().zip(granted) {
                    if granted {
                        self.refused.remove(&topic);
                    } else if self.session.filters.contains(&topic)
                        && self.refused.insert(topic.clone())
                    {
                        tracing::error!(
                            %topic,
                            "the broker refuses a subscription: allow this user to read the sensors' topics"
                        );
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

#[cfg(test)]
mod tests {
    use super::*;

    fn message(bytes: usize) -> Message {
        Message {
            topic: "k/box".into(),
            payload: vec![b' '; bytes].into(),
            retained: false,
            arrived: UtcMs(0),
            packet: None,
            resumed: None,
            ack: Ack::None,
        }
    }

    #[tokio::test]
    async fn what_waits_for_the_writer_is_bounded_in_bytes() {
        let (queue, mut writer) = mpsc::channel(100);
        let mut way = ToWriter::new(queue);
        let large = QUEUED_BYTES / 2 - 100;
        assert!(way.send(message(large)).await);
        assert!(way.send(message(large)).await);
        {
            let mut third = std::pin::pin!(way.send(message(large)));
            assert!(futures::poll!(&mut third).is_pending());
            writer.recv().await.unwrap();
            assert!(futures::poll!(&mut third).is_pending(), "one waits still");
            writer.recv().await.unwrap();
            assert!(third.await);
        }
        // One that is larger than all of it goes alone.
        writer.recv().await.unwrap();
        assert!(way.send(message(QUEUED_BYTES + 1)).await);
        writer.close();
        assert!(!way.send(message(1)).await);
    }
}

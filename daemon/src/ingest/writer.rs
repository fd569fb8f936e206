//! The one writer: takes messages from whichever broker is in use, stores their readings, and only
//! then acknowledges, in order of arrival.
//!
//! It commits what waits, at most [`BATCH_ROWS`] readings at a time, without lingering for more unless
//! a commit window is configured (`store.commit_window_ms`): then the first message waits that long
//! for others, or until [`ENOUGH`] are there, so that a burst is never slowed. In a burst (the backlog of
//! a daemon that was away) commits are kept large. A commit that fails is kept and tried again until it
//! goes through; meanwhile nothing is acknowledged and the queue fills, so that the broker or the sensor
//! keeps what comes after.

use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use bytes::Bytes;
use foldhash::HashMap;
use smol_str::SmolStr;
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;

use super::ABSENCE_MS;
use super::board::SetAside;
use super::gate::Gate;
use super::heard;
use super::intake::{self, Taken};
use super::mapping::Claims;
use super::payload::Body;
use crate::app::App;
use crate::batches::record::Quantity;
use crate::events::Event;
use crate::health::Health;
use crate::metrics::Reason;
use crate::store::{Arrival, KeptOut, Packet, ReadingQuery, StoreError, Stored, StoredReading};
use crate::time::UtcMs;

/// Messages that may wait for the writer: a tenth of a second of a burst. What comes after waits at the
/// broker or the sensor.
pub const QUEUE: usize = 8192;
/// Readings in one commit: enough that each page of the store is written for many of them, few enough to
/// be quick.
pub const BATCH_ROWS: usize = 4096;
/// Messages that end a commit window early. An outside broker stops at twenty that are not
/// acknowledged; waiting with fewer than that would wait in vain.
pub const ENOUGH: usize = 16;
/// A commit of so many messages is part of a burst: an outside broker sends on unasked. (The embedded
/// one's clients each wait for their acknowledgement.)
const BURST: usize = 256;
/// In a burst the writer rests so long before it commits again, unless [`BURST_WAITS`] messages are
/// there: each commit writes a page for every series that spoke, however few its messages.
const REST: Duration = Duration::from_millis(20);
/// Messages that are worth a commit in a burst.
const BURST_WAITS: usize = 2048;
/// How often the writer shows a sign of life when nothing comes.
const BEAT: Duration = Duration::from_secs(1);
/// The first wait after a failed commit; doubled up to the longest.
const RETRY_FIRST: Duration = Duration::from_millis(200);
/// The longest wait between tries of a failed commit.
const RETRY_LONGEST: Duration = Duration::from_secs(4);
/// A failing store is written about in the log once in this long.
const SAY_AGAIN: Duration = Duration::from_secs(60);
/// Readings of each series read at start, to know its pace.
const REMEMBERED: usize = 240;
/// Claimed topics whose leftovers were looked at lately.
const LOOKED: usize = 1000;
/// A claimed topic's leftovers are looked at again after this long, ms.
const LOOK_AGAIN_MS: i64 = 60_000;

/// One message as a broker handed it over.
#[derive(Debug)]
pub struct Message {
    /// Its topic.
    pub topic: SmolStr,
    /// Its payload.
    pub payload: Bytes,
    /// Whether it is an old one that the broker kept (delivered with the retain flag).
    pub retained: bool,
    /// When it came.
    pub arrived: UtcMs,
    /// How to tell its redelivery, at QoS 1.
    pub packet: Option<Packet>,
    /// The connection's number, if that one resumed a session in which messages may have waited.
    pub resumed: Option<u64>,
    /// Whom to tell that it is on disk.
    pub ack: Ack,
}

/// Whom to tell that a message's readings are on disk (or that it held none).
#[derive(Debug)]
pub enum Ack {
    /// Nobody (QoS 0).
    None,
    /// The embedded broker's hook, which then acknowledges; told whether it was a redelivery, if a
    /// reading in it could show that.
    Hook(oneshot::Sender<Option<bool>>),
    /// The outside broker's acknowledging task: connection and packet.
    Outside(mpsc::Sender<Acks>, u64, u16),
}

/// Packets on disk, each with its connection, in order of arrival.
pub type Acks = Vec<(u64, u16)>;

impl Ack {
    fn give(self, again: Option<bool>) {
        match self {
            Self::None => {}
            // A publisher that has left meanwhile sends again; the store knows the packet.
            Self::Hook(told) => drop(told.send(again)),
            Self::Outside(to, connection, packet) => {
                // The connection has ended: the broker delivers again.
                let _ = to.blocking_send(vec![(connection, packet)]);
            }
        }
    }

    /// Gives many, in order; those of the outside broker in one go, so that its task is woken once.
    fn give_all(acks: impl Iterator<Item = (Self, Option<bool>)>) {
        let mut outside: Option<(mpsc::Sender<Acks>, Acks)> = None;
        for (ack, again) in acks {
            match (ack, &mut outside) {
                (Self::Outside(_, connection, packet), Some((_, waiting))) => {
                    waiting.push((connection, packet));
                }
                (Self::Outside(to, connection, packet), none) => {
                    *none = Some((to, vec![(connection, packet)]));
                }
                (other, _) => other.give(again),
            }
        }
        if let Some((to, waiting)) = outside {
            // The connection has ended: the broker delivers again.
            let _ = to.blocking_send(waiting);
        }
    }
}

/// Starts the writer. It ends when the last sender is dropped and the queue is empty, or, with a
/// store that fails, when `give_up` is cancelled.
///
/// # Errors
/// If the store cannot be read or no thread can be had.
pub fn start(
    app: &Arc<App>,
    give_up: CancellationToken,
) -> Result<(mpsc::Sender<Message>, thread::JoinHandle<()>), StoreError> {
    let gate = remember(app)?;
    let (send, receive) = mpsc::channel(QUEUE);
    let mut writer = Writer {
        app: Arc::clone(app),
        gate,
        give_up,
        marks: Vec::new(),
        looked: HashMap::default(),
        claims: Claims::new(app.board.mappings()),
        stalls: (0, UtcMs(i64::MIN)),
    };
    let runtime = tokio::runtime::Handle::current();
    let thread = thread::Builder::new()
        .name("writer".into())
        .spawn(move || writer.run(receive, &runtime))
        .map_err(|source| StoreError::Io {
            doing: "start the writer's thread".into(),
            source,
        })?;
    Ok((send, thread))
}

/// Fills the board and the gate from what is stored.
fn remember(app: &App) -> Result<Gate, StoreError> {
    let mut gate = Gate::default();
    let mut all = Vec::new();
    for series in app.store.series()? {
        let newest = app.store.readings(&ReadingQuery {
            sensor: Some(&series.sensor),
            quantity: Some(series.quantity),
            with_kept_out: true,
            newest: Some(REMEMBERED),
            ..ReadingQuery::default()
        })?;
        for r in &newest {
            gate.remember(
                &r.sensor, r.quantity, r.time, r.arrived, r.value, r.kept_out,
            );
        }
        if newest.iter().all(|r| r.kept_out.is_some()) {
            all.extend(app.store.readings(&ReadingQuery {
                sensor: Some(&series.sensor),
                quantity: Some(series.quantity),
                newest: Some(1),
                ..ReadingQuery::default()
            })?);
        }
        all.extend(newest);
    }
    app.board.stored(&all, |sensor, quantity| {
        gate.longest_gap_s(sensor, quantity)
    });
    Ok(gate)
}

/// Waits in a burst until another commit is worth its cost.
fn rest(queue: &mpsc::Receiver<Message>) {
    let until = Instant::now() + REST;
    while queue.len() < BURST_WAITS && !queue.is_closed() && Instant::now() < until {
        thread::sleep(REST / 4);
    }
}

struct Writer {
    app: Arc<App>,
    gate: Gate,
    give_up: CancellationToken,
    /// Marks to take off stored readings, tried again while the store fails.
    marks: Vec<(SmolStr, Quantity, UtcMs)>,
    looked: HashMap<SmolStr, UtcMs>,
    claims: Claims,
    /// Times when the store took nothing for so long that brokers and sensors held back what they had:
    /// how many, and when the last one ended.
    stalls: (u64, UtcMs),
}

/// What is known of a batch besides what is stored.
#[derive(Default)]
struct Batch {
    rows: usize,
    arrivals: Vec<Arrival>,
    /// With the number of arrivals each stands for.
    acks: Vec<(Ack, usize)>,
    retained: Vec<(SmolStr, Quantity, f64)>,
    not_numbers: Vec<StoredReading>,
    sensors_changed: bool,
    trial: Option<u64>,
}

impl Writer {
    fn run(&mut self, mut queue: mpsc::Receiver<Message>, runtime: &tokio::runtime::Handle) {
        let works = self.app.store.probe_write();
        self.say(works.is_ok());
        if let Err(error) = works {
            tracing::error!(error = %error, "the store cannot be written");
        }
        let mut messages = Vec::with_capacity(BATCH_ROWS);
        loop {
            messages.clear();
            let got = runtime.block_on(async {
                tokio::time::timeout(BEAT, queue.recv_many(&mut messages, BATCH_ROWS)).await
            });
            Health::beat(&self.app.health.intake_beat, self.app.clock.now());
            if matches!(got, Ok(n) if n > 0) {
                self.linger(&mut queue, &mut messages, runtime);
            }
            match got {
                Ok(0) => break,
                Ok(several) => {
                    let mut waiting = messages.drain(..).peekable();
                    while waiting.peek().is_some() {
                        let batch = self.take(&mut waiting);
                        if !self.commit(batch) {
                            return;
                        }
                    }
                    if several >= BURST {
                        rest(&queue);
                    }
                }
                Err(_)
                    if !self
                        .app
                        .health
                        .store_writes
                        .load(std::sync::atomic::Ordering::Relaxed) =>
                {
                    self.say(self.app.store.probe_write().is_ok());
                }
                Err(_) => {}
            }
            self.put_marks();
        }
    }

    /// The number under which the gate looks for the end of a backlog: another one for what came after a
    /// stall (what came in it waited here, with its time).
    fn may_have_waited(&self, message: &Message) -> Option<u64> {
        match self.stalls {
            (stalls, ended) if stalls > 0 && message.arrived >= ended => {
                Some((stalls << 32) ^ message.resumed.unwrap_or(0))
            }
            _ => message.resumed,
        }
    }

    /// Waits for more messages, as long as the commit window says.
    fn linger(
        &self,
        queue: &mut mpsc::Receiver<Message>,
        messages: &mut Vec<Message>,
        runtime: &tokio::runtime::Handle,
    ) {
        let window = Duration::from_millis(self.app.config.store.commit_window_ms.into());
        let until = tokio::time::Instant::now() + self.app.clock.real(window);
        while !window.is_zero() && messages.len() < ENOUGH {
            let more = runtime.block_on(async {
                tokio::time::timeout_at(until, queue.recv_many(messages, BATCH_ROWS)).await
            });
            // Over, or nothing will come any more.
            if !matches!(more, Ok(n) if n > 0) {
                break;
            }
        }
    }

    fn say(&self, writes: bool) {
        self.app
            .health
            .store_writes
            .store(writes, std::sync::atomic::Ordering::Relaxed);
    }

    /// Takes messages until their readings fill a batch.
    fn take(&mut self, messages: &mut impl Iterator<Item = Message>) -> Batch {
        let mappings = self.app.board.mappings();
        if !self.claims.are_of(&mappings) {
            self.claims = Claims::new(mappings);
            self.looked.clear();
        }
        let book = self.app.book();
        let mut batch = Batch::default();
        for mut message in messages {
            self.app.metrics.messages.inc();
            message.resumed = self.may_have_waited(&message);
            let taken = intake::take(&mut self.gate, &mut self.claims, &book, &message);
            self.note(&message, &taken, &mut batch);
            for (sensor, quantity, time) in taken.release {
                let waiting = batch.arrivals.iter_mut().flat_map(|a| &mut a.readings);
                let same = waiting
                    .filter(|r| r.time == time && r.quantity == quantity && r.sensor == sensor)
                    .find(|r| r.kept_out == Some(KeptOut::LoneJump));
                match same {
                    Some(reading) => reading.kept_out = None,
                    None => self.marks.push((sensor, quantity, time)),
                }
            }
            batch.rows += taken
                .arrivals
                .iter()
                .map(|a| a.readings.len())
                .sum::<usize>();
            batch.acks.push((message.ack, taken.arrivals.len()));
            batch.arrivals.extend(taken.arrivals);
            batch.retained.extend(taken.retained);
            batch.not_numbers.extend(taken.not_numbers);
            batch.trial = taken.trial.or(batch.trial);
            if batch.rows >= BATCH_ROWS {
                break;
            }
        }
        batch
    }

    /// The lists people look at: set aside, heard and not assigned.
    fn note(&mut self, message: &Message, taken: &Taken, batch: &mut Batch) {
        if let Some((reason, why)) = &taken.set_aside {
            self.app
                .metrics
                .set_aside
                .get_or_create(&Reason { reason })
                .inc();
            self.app.board.put_aside(SetAside {
                topic: message.topic.to_string(),
                at: message.arrived,
                why: why.clone(),
                preview: Body::preview(&message.payload, heard::PREVIEW),
            });
            tracing::debug!(topic = %message.topic, why = %why, "a message is set aside");
        }
        if taken.claimed.is_some() {
            let lately = self
                .looked
                .get(&message.topic)
                .is_some_and(|at| message.arrived.0.saturating_sub(at.0) < LOOK_AGAIN_MS);
            if lately || message.topic.starts_with(intake::OWN_TOPICS) {
                return;
            }
            if self.looked.len() == LOOKED {
                self.looked.clear();
            }
            self.looked.insert(message.topic.clone(), message.arrived);
        }
        batch.sensors_changed |= heard::note(
            &self.app.board,
            &message.topic,
            &message.payload,
            message.arrived,
            message.retained,
            taken.claimed.as_deref(),
        );
    }

    /// Stores a batch, however often it has to be tried; `false`: told to give up.
    fn commit(&mut self, batch: Batch) -> bool {
        let Some(stored) = self.append(&batch.arrivals) else {
            return false;
        };
        if let Some(number) = batch.trial
            && self.app.store.probe_write().is_ok()
        {
            let through = &self.app.health.trial_stored;
            through.store(number, std::sync::atomic::Ordering::Relaxed);
        }
        let mut left = stored.as_slice();
        Ack::give_all(batch.acks.into_iter().map(|(ack, arrivals)| {
            let (its_own, others) = left.split_at(arrivals.min(left.len()));
            left = others;
            let again = || its_own.iter().any(|s| s.again > 0 && s.new.is_empty());
            (ack, (!its_own.is_empty()).then(again))
        }));
        let mut new: Vec<StoredReading> = Vec::new();
        for (arrival, stored) in batch.arrivals.iter().zip(stored) {
            self.app.metrics.duplicates.inc_by(u64::from(stored.again));
            if !arrival.own_time && stored.again == 0 {
                for (given, kept) in arrival.readings.iter().zip(&stored.new) {
                    if given.time != kept.time {
                        self.gate
                            .moved(&given.sensor, given.quantity, given.time, kept.time);
                    }
                }
            }
            new.extend(stored.new);
        }
        self.app.metrics.stored.inc_by(new.len() as u64);
        for reading in new.iter().chain(&batch.not_numbers) {
            if let Some(kept_out) = reading.kept_out {
                let reason = kept_out.as_str();
                self.app
                    .metrics
                    .kept_out
                    .get_or_create(&Reason { reason })
                    .inc();
            }
        }
        self.app.board.stored(&new, |sensor, quantity| {
            self.gate.longest_gap_s(sensor, quantity)
        });
        let shown_old = !batch.retained.is_empty();
        self.app.board.retained(batch.retained);
        new.extend(batch.not_numbers);
        if !new.is_empty() {
            self.app.bus.tell(Event::Readings(new.into()));
        }
        if batch.sensors_changed || shown_old {
            self.app.bus.tell(Event::Sensors);
        }
        true
    }

    fn append(&mut self, arrivals: &[Arrival]) -> Option<Vec<Stored>> {
        if arrivals.is_empty() {
            return Some(Vec::new());
        }
        let begun = self.app.clock.now();
        let mut wait = RETRY_FIRST;
        let mut said: Option<Instant> = None;
        loop {
            match self.app.store.append(arrivals) {
                Ok(stored) => {
                    self.say(true);
                    self.app.metrics.commits.inc();
                    if said.is_some() {
                        tracing::info!("the store takes readings again");
                        let stalled_ms = self.app.clock.now().0.saturating_sub(begun.0);
                        if stalled_ms > ABSENCE_MS {
                            self.stalls = (self.stalls.0 + 1, self.app.clock.now());
                        }
                    }
                    return Some(stored);
                }
                Err(error) => {
                    self.say(false);
                    if said.is_none_or(|at| at.elapsed() >= SAY_AGAIN) {
                        said = Some(Instant::now());
                        tracing::error!(
                            error = %error, readings = arrivals.len(),
                            "readings wait, not acknowledged, until the store can be written"
                        );
                    }
                }
            }
            let until = Instant::now() + wait.mul_f64(rand::random_range(0.75..1.25));
            while Instant::now() < until {
                if self.give_up.is_cancelled() {
                    tracing::warn!(
                        messages = arrivals.len(),
                        "stopping with messages that could not be stored; their senders have them still"
                    );
                    return None;
                }
                thread::sleep(Duration::from_millis(20));
            }
            wait = (wait * 2).min(RETRY_LONGEST);
        }
    }

    fn put_marks(&mut self) {
        let app = &self.app;
        // A mark that cannot be taken off now is tried again after the next commit.
        self.marks.retain(|(sensor, quantity, time)| {
            app.store.mark(sensor, *quantity, *time, None).is_err()
        });
        self.marks.truncate(BATCH_ROWS);
    }
}

//! What happens, for pages that listen (`text/event-stream`).
//!
//! Event ids are `START-SEQUENCE`, START being this run's. A client that comes back with an id of
//! this run gets what it missed, as far as it is kept; one that comes with any other id gets one
//! `reset` (read everything afresh) and a closed stream. Joining and copying what was missed
//! happen under one lock, so nothing falls between. A client that does not keep up is cut: its
//! queue is bounded and its connection closed, which costs nobody else anything.

use std::collections::VecDeque;
use std::ops::Range;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use axum_server::ConnectionShutdown;
use serde_json::{Value, json};
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::mpsc;

use crate::app::App;
use crate::events::Event;
use crate::store::StoredReading;
use crate::time::UtcMs;

/// Events kept for a client that comes back: some minutes of a busy kitchen.
pub const BACKLOG: usize = 256;
/// Events that may wait for one client: what is kept, and as much again while it reads that.
const QUEUE: usize = 2 * BACKLOG;
/// Clients at once: every phone and screen of a shop with room; more are turned away.
pub const VIEWERS: usize = 100;
/// Readings in one event; a burst becomes several.
const READINGS: usize = 50;

/// One event as sent.
#[derive(Clone, Debug)]
pub struct Told {
    /// Its id.
    pub id: String,
    /// Its kind.
    pub name: &'static str,
    /// One JSON document.
    pub data: Arc<str>,
}

#[derive(Debug)]
struct Viewer {
    queue: mpsc::Sender<Told>,
    connection: Option<ConnectionShutdown>,
}

/// An event's document, in the backlog.
#[derive(Clone, Debug)]
enum Kept {
    Written(Arc<str>),
    /// Written when somebody asks: most readings come while no page is open.
    Readings(Arc<[StoredReading]>, Range<usize>),
}

impl Kept {
    fn written(&self) -> Arc<str> {
        match self {
            Self::Written(text) => Arc::clone(text),
            Self::Readings(all, part) => {
                let part = all.get(part.clone()).unwrap_or_default();
                let records: Vec<_> = part.iter().map(super::api::readings::record).collect();
                json!(records).to_string().into()
            }
        }
    }
}

#[derive(Debug, Default)]
struct Inner {
    sequence: u64,
    backlog: VecDeque<(u64, &'static str, Kept)>,
    viewers: Vec<Viewer>,
    closed: bool,
}

/// Everything that happened lately, and who listens.
#[derive(Debug)]
pub struct Feed {
    start: String,
    inner: Mutex<Inner>,
}

impl Feed {
    /// A new run's.
    #[must_use]
    pub fn new(now: UtcMs) -> Self {
        let salt: u32 = rand::random();
        Self {
            start: format!("{:x}{salt:08x}", now.0),
            inner: Mutex::default(),
        }
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn id(&self, sequence: u64) -> String {
        format!("{}-{sequence}", self.start)
    }

    /// Tells everyone; cuts who does not keep up.
    pub fn tell(&self, name: &'static str, data: &Value) {
        self.put(name, Kept::Written(data.to_string().into()));
    }

    fn tell_readings(&self, readings: &Arc<[StoredReading]>) {
        for from in (0..readings.len()).step_by(READINGS) {
            let part = from..readings.len().min(from + READINGS);
            self.put("readings", Kept::Readings(Arc::clone(readings), part));
        }
    }

    fn put(&self, name: &'static str, mut kept: Kept) {
        let mut inner = self.lock();
        inner.sequence += 1;
        let sequence = inner.sequence;
        let mut told = None;
        if !inner.viewers.is_empty() {
            let data = kept.written();
            kept = Kept::Written(Arc::clone(&data));
            let id = self.id(sequence);
            told = Some(Told { id, name, data });
        }
        inner.backlog.push_back((sequence, name, kept));
        if inner.backlog.len() > BACKLOG {
            inner.backlog.pop_front();
        }
        let Some(told) = told else { return };
        inner
            .viewers
            .retain(|viewer| match viewer.queue.try_send(told.clone()) {
                Ok(()) => true,
                Err(mpsc::error::TrySendError::Closed(_)) => false,
                Err(mpsc::error::TrySendError::Full(_)) => {
                    if let Some(connection) = &viewer.connection {
                        connection.shutdown();
                    }
                    false
                }
            });
    }

    /// Joins. `last` is the id the client saw last. `None`: there are too many already.
    pub fn join(
        &self,
        last: Option<&str>,
        connection: Option<ConnectionShutdown>,
    ) -> Option<mpsc::Receiver<Told>> {
        let mut inner = self.lock();
        inner.viewers.retain(|v| !v.queue.is_closed());
        if inner.viewers.len() >= VIEWERS {
            return None;
        }
        let (queue, receiver) = mpsc::channel(QUEUE);
        let missed = match last {
            None => Some(inner.sequence),
            Some(last) => last
                .strip_prefix(self.start.as_str())
                .and_then(|rest| rest.strip_prefix('-'))
                .and_then(|n| n.parse::<u64>().ok())
                .filter(|n| *n <= inner.sequence)
                // What it missed must still be there, whole.
                .filter(|n| {
                    inner
                        .backlog
                        .front()
                        .is_none_or(|(first, ..)| n + 1 >= *first)
                }),
        };
        let Some(seen) = missed else {
            // The queue is new and holds more than one: this cannot fail.
            let _ = queue.try_send(Told {
                id: self.id(inner.sequence),
                name: "reset",
                data: "{}".into(),
            });
            return Some(receiver);
        };
        for (sequence, name, kept) in inner.backlog.iter().filter(|(n, ..)| *n > seen) {
            // The queue is new and longer than the backlog: this cannot fail.
            let _ = queue.try_send(Told {
                id: self.id(*sequence),
                name,
                data: kept.written(),
            });
        }
        if !inner.closed {
            inner.viewers.push(Viewer { queue, connection });
        }
        Some(receiver)
    }

    /// Ends every stream, now and for who comes later.
    pub fn close(&self) {
        let mut inner = self.lock();
        inner.closed = true;
        inner.viewers.clear();
    }

    /// How many listen.
    #[must_use]
    pub fn viewers(&self) -> usize {
        self.lock().viewers.len()
    }
}

/// Carries the bus to the feed until the daemon stops.
pub async fn pump(feed: Arc<Feed>, app: Arc<App>) {
    let mut bus = app.bus.listen();
    loop {
        let event = tokio::select! {
            () = app.stop.cancelled() => break,
            event = bus.recv() => event,
        };
        match event {
            Ok(Event::Readings(readings)) => feed.tell_readings(&readings),
            Ok(Event::Book) => feed.tell("book", &json!({})),
            Ok(Event::Alert(document)) => feed.tell("alert", &document),
            Ok(Event::Sensors) => feed.tell("sensors", &json!({})),
            Ok(Event::Forecast(batch)) => feed.tell("forecast", &json!({ "batch": batch })),
            Ok(Event::Settings) => feed.tell("settings", &json!({})),
            // Behind: what was lost is in the store; everyone reads afresh.
            Err(RecvError::Lagged(_)) => feed.tell("reset", &json!({})),
            Err(RecvError::Closed) => break,
        }
    }
    feed.close();
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::batches::record::Quantity;

    fn names(receiver: &mut mpsc::Receiver<Told>) -> Vec<&'static str> {
        std::iter::from_fn(|| receiver.try_recv().ok())
            .map(|t| t.name)
            .collect()
    }

    #[test]
    fn who_comes_back_gets_what_was_missed_and_a_stranger_one_reset() {
        let feed = Feed::new(UtcMs(1));
        let mut first = feed.join(None, None).unwrap();
        feed.tell("book", &json!({}));
        let seen = first.try_recv().unwrap().id;
        drop(first);
        feed.tell("alert", &json!({}));
        feed.tell("sensors", &json!({}));
        let mut again = feed.join(Some(&seen), None).unwrap();
        assert_eq!(names(&mut again), ["alert", "sensors"]);

        for strange in ["other-1", "", &format!("{}-99", feed.start)] {
            let mut stranger = feed.join(Some(strange), None).unwrap();
            assert_eq!(names(&mut stranger), ["reset"]);
            assert!(stranger.is_closed(), "and the stream ends");
        }
    }

    #[test]
    fn readings_that_came_while_nobody_listened_are_there_for_who_comes_back() {
        let reading = |n: usize| StoredReading {
            time: UtcMs(n as i64),
            arrived: UtcMs(n as i64),
            sensor: "shelf".into(),
            quantity: Quantity::AirTemperature,
            value: n as f64,
            raw: None,
            kept_out: None,
            place: None,
            batch: None,
        };
        let all: Arc<[StoredReading]> = (0..READINGS + 1).map(reading).collect();
        let feed = Feed::new(UtcMs(1));
        let mut here = feed.join(None, None).unwrap();
        feed.tell_readings(&all);
        let heard: Vec<_> = std::iter::from_fn(|| here.try_recv().ok()).collect();
        drop(here);
        feed.tell_readings(&all);
        let mut back = feed.join(Some(&heard[1].id), None).unwrap();
        let missed: Vec<_> = std::iter::from_fn(|| back.try_recv().ok()).collect();
        let documents =
            |told: &[Told]| -> Vec<Arc<str>> { told.iter().map(|t| Arc::clone(&t.data)).collect() };
        assert_eq!(documents(&heard), documents(&missed));
        let values: Vec<f64> = missed
            .iter()
            .flat_map(|t| serde_json::from_str::<Vec<Value>>(&t.data).unwrap())
            .map(|r| r["value"].as_f64().unwrap())
            .collect();
        let sent: Vec<f64> = (0..READINGS + 1).map(|n| n as f64).collect();
        assert_eq!(values, sent);
    }

    #[test]
    fn what_is_no_longer_kept_is_a_reset_too() {
        let feed = Feed::new(UtcMs(1));
        feed.tell("book", &json!({}));
        let seen = feed.id(1);
        for _ in 0..=BACKLOG {
            feed.tell("book", &json!({}));
        }
        assert_eq!(names(&mut feed.join(Some(&seen), None).unwrap()), ["reset"]);
        assert_eq!(
            names(&mut feed.join(Some(&feed.id(2)), None).unwrap()).len(),
            BACKLOG
        );
    }

    #[test]
    fn a_slow_reader_is_cut_and_the_others_hear_on() {
        let feed = Feed::new(UtcMs(1));
        let slow = feed.join(None, None).unwrap();
        let mut quick = feed.join(None, None).unwrap();
        for _ in 0..=QUEUE {
            feed.tell("book", &json!({}));
            assert!(quick.try_recv().is_ok());
        }
        assert_eq!(feed.viewers(), 1);
        assert_eq!(slow.len(), QUEUE, "never more than its queue");
        feed.close();
        assert_eq!(feed.viewers(), 0);
    }

    #[test]
    fn the_hundred_and_first_is_turned_away() {
        let feed = Feed::new(UtcMs(1));
        let held: Vec<_> = (0..VIEWERS)
            .map(|_| feed.join(None, None).unwrap())
            .collect();
        assert!(feed.join(None, None).is_none());
        drop(held);
        assert!(feed.join(None, None).is_some());
    }
}

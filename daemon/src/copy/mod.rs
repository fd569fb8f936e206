//! The copy to InfluxDB 2: a queue in the store, drained in order when the server is there.
//!
//! What is queued is which readings are still to be sent; the readings themselves stay in the
//! store. The queue is bounded (`influx.queue_mib`): past it the oldest of the *copy* are dropped,
//! counted and told. Sending the same reading twice is no duplicate there: same series, same time.

mod points;

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::time::Duration;

use influxdb2::RequestError;
use influxdb2::api::write::TimestampPrecision;
use tokio::task::JoinSet;

use crate::app::App;
use crate::backoff::Backoff;
use crate::config::Config;
use crate::config::influx::Influx;
use crate::store::{CopyItem, CopyQueue};
use crate::time::UtcMs;

/// Readings in one request: about 200 kB of lines, well under the usual limits and small in memory.
const BATCH: usize = 2_000;
/// A server that accepts and stays silent is given up after this; the crate itself waits for ever.
const TIME_OUT: Duration = Duration::from_secs(20);
/// Items of the queue in a MiB of disk: a key and its number, measured at 22 bytes.
const ITEMS_A_MIB: u64 = 1024 * 1024 / 22;
/// A request is made no smaller than this because the server is slow.
const SMALL: usize = 50;
/// How long to sleep when nothing waits.
const IDLE: Duration = Duration::from_secs(1);

/// How the copy stands, as the page, the API and the counters say it.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize)]
pub struct Standing {
    /// Readings that wait to be sent.
    pub waiting: u64,
    /// The time of the one that has waited longest.
    pub oldest: Option<UtcMs>,
    /// Readings dropped from the copy because the queue was full (the store has them).
    pub dropped: u64,
    /// Readings the server would not take, by its own word.
    pub refused: u64,
    /// Readings sent since the start.
    pub sent: u64,
    /// When the server last took some.
    pub last_sent: Option<UtcMs>,
    /// Since when every try has failed.
    pub failing_since: Option<UtcMs>,
    /// What went wrong last, also if it has gone well since.
    pub last_error: Option<String>,
}

/// How the copy goes, for the page and the rules.
#[derive(Debug, Default)]
pub struct CopyStatus {
    queue: std::sync::Mutex<CopyQueue>,
    sent: AtomicU64,
    last_sent_ms: AtomicI64,
    /// How many sends in a row have failed.
    failures: AtomicU64,
    /// Since when (0: it goes well).
    failing_since_ms: AtomicI64,
    /// Readings the server would not take, by its own word: set aside, counted.
    refused: AtomicU64,
    last_error: std::sync::Mutex<Option<String>>,
}

impl CopyStatus {
    /// How it stands, as of the sender's last look.
    #[must_use]
    pub fn standing(&self) -> Standing {
        let moment = |at: &AtomicI64| {
            Some(at.load(Ordering::Relaxed))
                .filter(|ms| *ms != 0)
                .map(UtcMs)
        };
        let queue = *locked(&self.queue);
        Standing {
            waiting: queue.waiting,
            oldest: queue.oldest,
            dropped: queue.dropped,
            refused: self.refused.load(Ordering::Relaxed),
            sent: self.sent.load(Ordering::Relaxed),
            last_sent: moment(&self.last_sent_ms),
            failing_since: moment(&self.failing_since_ms),
            last_error: locked(&self.last_error).clone(),
        }
    }

    fn looked(&self, queue: CopyQueue) {
        *locked(&self.queue) = queue;
    }

    fn went_well(&self, now: UtcMs, sent: usize) {
        self.failures.store(0, Ordering::Relaxed);
        self.failing_since_ms.store(0, Ordering::Relaxed);
        self.sent.fetch_add(sent as u64, Ordering::Relaxed);
        self.last_sent_ms.store(now.0.max(1), Ordering::Relaxed);
    }

    fn refused(&self, why: String) {
        self.refused_some(1, why);
    }

    fn refused_some(&self, how_many: u64, why: String) {
        self.refused.fetch_add(how_many, Ordering::Relaxed);
        *locked(&self.last_error) = Some(why);
    }

    fn failed(&self, now: UtcMs, error: String) -> u32 {
        if self.failures.fetch_add(1, Ordering::Relaxed) == 0 {
            self.failing_since_ms.store(now.0.max(1), Ordering::Relaxed);
        }
        *locked(&self.last_error) = Some(error);
        u32::try_from(self.failures.load(Ordering::Relaxed)).unwrap_or(u32::MAX)
    }
}

fn locked<T>(mutex: &std::sync::Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex
        .lock()
        .unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// Starts the sender, if a server is configured.
///
/// # Errors
/// If the store cannot be told to queue.
pub fn start(app: &Arc<App>, rooms: &mut JoinSet<()>) -> crate::store::Result<()> {
    let bound = app
        .config
        .influx
        .as_ref()
        .map(|i| u64::from(i.queue_mib) * ITEMS_A_MIB);
    app.store.copy_bound(bound)?;
    let Some(influx) = app.config.influx.clone() else {
        return Ok(());
    };
    let app = Arc::clone(app);
    rooms.spawn(async move {
        let stop = app.stop.clone();
        tokio::select! {
            () = stop.cancelled() => {}
            () = send_for_ever(&app, &influx) => {}
        }
    });
    Ok(())
}

async fn send_for_ever(app: &Arc<App>, influx: &Influx) {
    let client = client(influx);
    // Shrinks when the server finds a request too large, grows back when it does not.
    let mut batch = BATCH;
    loop {
        let store = Arc::clone(&app.store);
        let taken = tokio::task::spawn_blocking(move || {
            let items = store.copy_take(batch)?;
            Ok::<_, crate::store::StoreError>((items, store.copy_queue()?))
        })
        .await;
        let (items, queue) = match taken {
            Ok(Ok(taken)) => taken,
            Ok(Err(error)) => {
                tracing::warn!(%error, "the copy's queue cannot be read; trying again");
                tokio::time::sleep(Backoff::SERVER.wait(5)).await;
                continue;
            }
            Err(_) => return,
        };
        app.metrics
            .copy_waiting
            .set(i64::try_from(queue.waiting).unwrap_or(i64::MAX));
        app.copy.looked(queue);
        let Some(last) = items.last().map(|item| item.seq) else {
            tokio::time::sleep(IDLE).await;
            continue;
        };
        match send(&client, influx, &items).await {
            Ok(()) => {
                let sent = items.iter().filter(|item| item.reading.is_some()).count();
                app.copy.went_well(app.clock.now(), sent);
                batch = (batch * 2).min(BATCH);
                done(app, last).await;
            }
            Err(Refusal::TooLarge) if batch > 1 => batch = (batch / 2).max(1),
            Err(Refusal::BadPoints(why)) if items.len() > 1 => {
                // Halving finds the reading that the server will not take.
                tracing::warn!(%why, "the server refused some readings of the copy; looking for them");
                batch = (items.len() / 2).max(1);
            }
            Err(Refusal::BadPoints(why)) => {
                app.copy.refused(why.clone());
                tracing::error!(%why, "one reading of the copy was refused and set aside; the store has it");
                done(app, last).await;
            }
            Err(Refusal::TooLarge) => {
                app.copy.refused("too large for the server".into());
                tracing::error!(
                    "one reading of the copy is too large for the server; the store has it"
                );
                done(app, last).await;
            }
            Err(Refusal::Slow(why)) => {
                // A slow line takes smaller pieces.
                batch = (batch / 2).max(SMALL);
                let failures = app.copy.failed(app.clock.now(), why.clone());
                tracing::warn!(%why, failures, "the copy to InfluxDB waits; no reading is lost");
                tokio::time::sleep(Backoff::SERVER.wait(failures)).await;
            }
            Err(Refusal::Past { why, gone }) => {
                // All that its bucket still keeps is in.
                app.copy.refused_some(gone, why.clone());
                tracing::warn!(%why, gone, "the server keeps no readings that old; the store has them");
                batch = (batch * 2).min(BATCH);
                done(app, last).await;
            }
            Err(Refusal::Later(why)) => {
                let failures = app.copy.failed(app.clock.now(), why.clone());
                tracing::warn!(%why, failures, "the copy to InfluxDB waits; no reading is lost");
                tokio::time::sleep(Backoff::SERVER.wait(failures)).await;
            }
        }
    }
}

async fn done(app: &Arc<App>, up_to: i64) {
    let store = Arc::clone(&app.store);
    match tokio::task::spawn_blocking(move || store.copy_done(up_to)).await {
        Ok(Ok(())) | Err(_) => {}
        // They are sent once more, which is no duplicate there.
        Ok(Err(error)) => tracing::warn!(%error, "the copy's queue cannot be written"),
    }
}

/// Why a request was not taken.
#[derive(Debug, PartialEq, Eq)]
enum Refusal {
    /// Try again later: away, slow, busy, or the token or bucket is wrong until someone mends it.
    Later(String),
    /// The request is too large.
    TooLarge,
    /// It did not get through in time: away, or too much for the line.
    Slow(String),
    /// The server will never take some of these points.
    BadPoints(String),
    /// It took them but for some that its bucket keeps no longer.
    Past { why: String, gone: u64 },
}

/// The crate's client. It has no time-out of its own and panics on a bad URL (checked when the
/// configuration was read); `Retry-After` is lost in its errors, so 429 follows our own back-off.
fn client(influx: &Influx) -> influxdb2::Client {
    influxdb2::Client::new(&influx.url, &influx.org, &influx.token.0)
}

async fn send(
    client: &influxdb2::Client,
    influx: &Influx,
    items: &[CopyItem],
) -> Result<(), Refusal> {
    let points: Vec<_> = items
        .iter()
        .filter_map(|item| points::point(item.reading.as_ref()?))
        .collect();
    if points.is_empty() {
        return Ok(());
    }
    // Milliseconds: what the store has, and no product that could overflow.
    let write = client.write_with_precision(
        &influx.bucket,
        futures::stream::iter(points),
        TimestampPrecision::Milliseconds,
    );
    match tokio::time::timeout(TIME_OUT, write).await {
        Err(_) => Err(Refusal::Slow(format!(
            "no answer within {} s",
            TIME_OUT.as_secs()
        ))),
        Ok(Ok(())) => Ok(()),
        Ok(Err(error)) => Err(sort(&error)),
    }
}

/// Whether an answer is InfluxDB's own error, a JSON object with `code` and `message` (its API's
/// document, `Error`): a proxy's "bad request" says nothing of the points.
fn its_own(text: &str) -> bool {
    let error: Option<serde_json::Value> = serde_json::from_str(text).ok();
    error.is_some_and(|e| e["code"].is_string() && e["message"].is_string())
}

/// How many points a partial write dropped because they are older than the bucket's retention:
/// `partial write: points beyond retention policy dropped=3`, or in later versions `partial write:
/// dropped 3 points outside retention policy of duration 24h0m0s - oldest point …`.
fn past_retention(text: &str) -> Option<u64> {
    let says = |part| text.contains(part);
    if !says("beyond retention policy") && !says("outside retention policy") {
        return None;
    }
    let ways = [text.rsplit_once("dropped="), text.split_once("dropped ")];
    ways.into_iter().flatten().find_map(|(_, number)| {
        let digits = number.split(|c: char| !c.is_ascii_digit()).next()?;
        digits.parse().ok()
    })
}

fn sort(error: &RequestError) -> Refusal {
    match error {
        RequestError::Http { status, text } => {
            let said = format!("{status} {}", text.chars().take(200).collect::<String>());
            answered(status.as_u16(), text, said)
        }
        other => Refusal::Later(other.to_string()),
    }
}

fn answered(status: u16, text: &str, said: String) -> Refusal {
    match status {
        413 => Refusal::TooLarge,
        400 | 422 => match past_retention(text) {
            Some(gone) => Refusal::Past { why: said, gone },
            None if its_own(text) => Refusal::BadPoints(said),
            None => Refusal::Later(format!(
                "an answer that is no InfluxDB's ({said}): is `influx.url` right?"
            )),
        },
        408 | 504 => Refusal::Slow(said),
        401 | 403 => Refusal::Later(format!(
            "the token was refused ({said}): set `influx.token`"
        )),
        404 => Refusal::Later(format!("organisation or bucket not found ({said})")),
        // Any 2xx but 204 counts as an error in the crate; the data is there.
        200..=299 => Refusal::Later(format!("an answer that is no InfluxDB's ({said})")),
        _ => Refusal::Later(said),
    }
}

/// For `check`: whether the server answers at all, and knows the token and the bucket. Writes nothing.
pub async fn reach(config: &Config) -> Vec<(String, Result<String, String>)> {
    let Some(influx) = &config.influx else {
        return Vec::new();
    };
    let client = client(influx);
    // An empty write is refused by its token or bucket before its content is looked at.
    let write = client.write_line_protocol(&influx.org, &influx.bucket, "");
    let result = match tokio::time::timeout(Duration::from_secs(5), write).await {
        Err(_) => Err(format!("{} does not answer", influx.url)),
        Ok(Ok(())) => Ok(format!("{} takes writes", influx.url)),
        Ok(Err(error)) => match sort(&error) {
            // It looked at the (empty) content, so token and bucket are known.
            Refusal::BadPoints(_) | Refusal::TooLarge | Refusal::Past { .. } => {
                Ok(format!("{} takes writes", influx.url))
            }
            Refusal::Later(why) | Refusal::Slow(why) => Err(format!("{}: {why}", influx.url)),
        },
    };
    vec![("copy to InfluxDB".into(), result)]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What InfluxDB 2 says of points older than its bucket keeps and of a field's type (its API's
    /// document; the texts from memory), and what proxies say that know nothing of points.
    #[test]
    fn only_influxdb_itself_condemns_a_reading() {
        let said = |status, text: &str| answered(status, text, text.to_owned());
        let partial = |what: &str| {
            format!(
                r#"{{"code":"unprocessable entity","message":"failure writing points to database: partial write: {what}"}}"#
            )
        };
        let past = partial("points beyond retention policy dropped=3");
        assert!(matches!(said(422, &past), Refusal::Past { gone: 3, .. }));
        let later = "dropped 4 points outside retention policy of duration 24h0m0s - oldest point reading,sensor=box at 2026-01-10T06:00:00Z dropped because it violates a Retention Policy Lower Bound";
        assert!(matches!(
            said(422, &partial(later)),
            Refusal::Past { gone: 4, .. }
        ));
        let conflict = partial("field type conflict: input field dropped=1");
        assert!(matches!(said(422, &conflict), Refusal::BadPoints(_)));
        let invalid = r#"{"code":"invalid","message":"unable to parse 'x': missing fields"}"#;
        assert!(matches!(said(400, invalid), Refusal::BadPoints(_)));
        for proxy in [
            "<html>400 The plain HTTP request was sent to HTTPS port</html>",
            "Client sent an HTTP request to an HTTPS server.",
            "",
        ] {
            match said(400, proxy) {
                Refusal::Later(why) => assert!(why.contains("influx.url"), "{why}"),
                other => panic!("{proxy}: {other:?}"),
            }
        }
        assert!(matches!(said(504, "late"), Refusal::Slow(_)));
    }
}

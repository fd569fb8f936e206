//! Where everything is kept: one trait, and the embedded implementation (SQLite) as the default.
//!
//! Methods block; call them from a plain thread or `spawn_blocking`. One kitchen a directory.
//! A write returns only when it is on disk.

mod kept_out;
pub mod lock;
pub mod nightly;
pub mod retention;
pub mod sqlite;

use serde::{Deserialize, Serialize};
use serde_json::Value;
use smallvec::SmallVec;
use smol_str::SmolStr;

use crate::batches::record::{Quantity, Record, Unit};
use crate::time::UtcMs;

pub use self::kept_out::KeptOut;

/// What can go wrong with the store.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The disk is full or read-only: nothing was written, try again later.
    #[error(
        "the data directory cannot be written ({0}): free some space; nothing already stored is lost"
    )]
    NoRoom(String),
    /// Another program wrote it with a newer version.
    #[error(
        "the data was written by a newer version (schema {found}, this one reads up to {known}): use that version"
    )]
    Newer {
        /// What the file says.
        found: i64,
        /// What this program knows.
        known: i64,
    },
    /// Anything else SQLite says.
    #[error("the store failed while it tried to {doing}")]
    Sqlite {
        /// What it was doing.
        doing: &'static str,
        /// SQLite's own error.
        #[source]
        source: rusqlite::Error,
    },
    /// A file operation failed.
    #[error("the store could not {doing}")]
    Io {
        /// What it was doing.
        doing: String,
        /// The system's own error.
        #[source]
        source: std::io::Error,
    },
    /// Another daemon runs on the directory.
    #[error("a daemon already runs on {}: stop it first, or give another directory with --data", .0.display())]
    Taken(std::path::PathBuf),
    /// A stored document cannot be read.
    #[error("a stored document could not be read ({0})")]
    Corrupt(String),
    /// A file that is not there, is no store of ours or is damaged: said in one line.
    #[error("{0}")]
    Unusable(String),
}

/// An error with what caused it, in one line.
#[must_use]
pub fn in_one_line(error: &StoreError) -> String {
    let mut line = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(error) = cause {
        line += &format!(": {error}");
        cause = error.source();
    }
    line.replace('\n', " ")
}

/// Shorthand.
pub type Result<T> = std::result::Result<T, StoreError>;

/// A reading as ingest and import hand it over and as the store gives it back.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredReading {
    /// When it was true.
    pub time: UtcMs,
    /// When it arrived.
    pub arrived: UtcMs,
    /// Which sensor.
    pub sensor: SmolStr,
    /// What.
    pub quantity: Quantity,
    /// Corrected, in the quantity's unit.
    pub value: f64,
    /// As it came, where that differs.
    pub raw: Option<(f64, Unit)>,
    /// Why it is not believed.
    pub kept_out: Option<KeptOut>,
    /// Where the sensor stood; `None`: nowhere known.
    pub place: Option<SmolStr>,
    /// The batch it is stuck into.
    pub batch: Option<SmolStr>,
}

/// How a reading is told from its own redelivery when its payload carries no time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Packet {
    /// The connection it came by (`out` for the outside broker, else the client's id).
    pub session: SmolStr,
    /// Its packet identifier.
    pub id: u16,
    /// A digest of topic and payload.
    pub digest: u64,
    /// Whether this may be a redelivery (the DUP flag, or the first after a reconnect).
    pub maybe_again: bool,
}

/// Readings that came together: nearly always one, which then needs no memory of its own.
pub type Few = SmallVec<[StoredReading; 1]>;

/// One message's readings, stored together or not at all.
#[derive(Clone, Debug)]
pub struct Arrival {
    /// The readings in it.
    pub readings: Few,
    /// Whether the readings' times are the payload's own (else they move to the next free millisecond).
    pub own_time: bool,
    /// The packet, at QoS 1.
    pub packet: Option<Packet>,
}

/// What became of one [`Arrival`].
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stored {
    /// Those newly stored, at the time they were given.
    pub new: Few,
    /// How many were there already.
    pub again: u32,
}

/// Which readings.
#[derive(Clone, Debug, Default)]
pub struct ReadingQuery<'a> {
    /// Only this sensor's.
    pub sensor: Option<&'a str>,
    /// Only this quantity.
    pub quantity: Option<Quantity>,
    /// Only those taken in this place; readings of a sensor named like it count where no place is
    /// said.
    pub place: Option<&'a str>,
    /// Not before.
    pub from: Option<UtcMs>,
    /// Before.
    pub to: Option<UtcMs>,
    /// Also those held out of the model.
    pub with_kept_out: bool,
    /// At most so many (the newest of them), in order of time.
    pub newest: Option<usize>,
}

/// A stretch of readings in one number each.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bucket {
    /// Its beginning.
    pub time: UtcMs,
    /// Lowest value.
    pub min: f64,
    /// Mean value.
    pub mean: f64,
    /// Highest value.
    pub max: f64,
    /// How many readings.
    pub count: u64,
}

/// What is known of one sensor's quantity without reading its history.
#[derive(Clone, Debug, PartialEq)]
pub struct SeriesStatus {
    /// Which sensor.
    pub sensor: String,
    /// What it measures.
    pub quantity: Quantity,
    /// How many readings are stored.
    pub count: u64,
    /// The newest by its time.
    pub newest: Option<StoredReading>,
    /// How many are kept out of the model.
    pub kept_out: u64,
}

/// The key of a log-book record other than a reading; the contract's import keys.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct RecordKey {
    /// The kind of record: `place`, `dough`, `batch`, `stage`, `move` or `observation`.
    pub record: String,
    /// The parts of the key joined by a unit separator (U+001F).
    pub key: String,
}

/// One change to the book.
#[derive(Clone, Debug, PartialEq)]
#[allow(
    clippy::large_enum_variant,
    reason = "nearly all are `Put`, and they live only until they are written"
)]
pub enum Edit {
    /// Writes a record, replacing the one with its key.
    Put(Record),
    /// Takes a record out.
    Remove(RecordKey),
}

/// A change that was made, with what it replaced, so that it can be undone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChangeLogEntry {
    /// Counts all changes to the book.
    pub seq: i64,
    /// When it was made.
    pub at: UtcMs,
    /// Changes made together share this.
    pub group: i64,
    /// What was changed.
    pub key: RecordKey,
    /// How it stood before.
    pub before: Option<Value>,
    /// How it stands after.
    pub after: Option<Value>,
}

/// An alert event as kept: one id for one event, from raised to cleared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AlertRow {
    /// Its id, kept through retries, repeats and restarts.
    pub id: String,
    /// What it is one event of: rule, batch, stage, place, sensor and when it began. Unique.
    pub cause: String,
    /// When it was raised.
    pub raised: UtcMs,
    /// When someone said "seen".
    pub seen: Option<UtcMs>,
    /// When it was over.
    pub cleared: Option<UtcMs>,
    /// Not to be repeated before.
    pub quiet_until: Option<UtcMs>,
    /// When it was last told.
    pub told: Option<UtcMs>,
    /// The newest document, as sent.
    pub doc: Value,
    /// What the rule needs to go on after a restart.
    pub memory: Value,
}

/// One message to one channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OutboxRow {
    /// Its number (0 when new).
    pub seq: i64,
    /// Which channel.
    pub channel: String,
    /// The alert's id.
    pub alert: String,
    /// The document to send.
    pub doc: Value,
    /// When it was put here.
    pub queued: UtcMs,
    /// Not to be sent after this: a stale alert expires and says so.
    pub expires: UtcMs,
    /// When to try next.
    pub next_try: UtcMs,
    /// How often it was tried.
    pub tries: u32,
    /// When it was accepted.
    pub accepted: Option<UtcMs>,
    /// When it was given up.
    pub failed: Option<UtcMs>,
    /// What the channel last answered.
    pub last_error: Option<String>,
}

/// A filed calibration.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CalibrationRow {
    /// Counts up from 1.
    pub version: i64,
    /// When it was fitted.
    pub at: UtcMs,
    /// How many stages it rests on.
    pub stages: u32,
    /// The parameters and their report, as the model writes them.
    pub doc: Value,
    /// Whether a later one was rolled back to this one by hand.
    pub in_force: bool,
}

/// One reading that waits to be copied to the outside store.
#[derive(Clone, Debug, PartialEq)]
pub struct CopyItem {
    /// Its number in the queue.
    pub seq: i64,
    /// The reading; `None` if it was thinned meanwhile.
    pub reading: Option<StoredReading>,
}

/// How the queue of the copy stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CopyQueue {
    /// How many readings wait.
    pub waiting: u64,
    /// The time of the oldest of them.
    pub oldest: Option<UtcMs>,
    /// How many were dropped from the copy because the queue was full.
    pub dropped: u64,
}

/// The store's interface. All methods block; all writes are on disk when they return.
pub trait Store: Send + Sync {
    /// Stores messages in one transaction, in order.
    ///
    /// # Errors
    /// Nothing of it is stored then.
    fn append(&self, arrivals: &[Arrival]) -> Result<Vec<Stored>>;
    /// Readings in order of time, then sensor, then quantity.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn readings(&self, query: &ReadingQuery<'_>) -> Result<Vec<StoredReading>>;
    /// The same, one at a time: for spans that do not fit in memory. Stops when `each` fails.
    ///
    /// # Errors
    /// If the store cannot be read, and whatever `each` gives.
    fn each_reading(
        &self,
        query: &ReadingQuery<'_>,
        each: &mut dyn FnMut(StoredReading) -> Result<()>,
    ) -> Result<()> {
        self.readings(query)?.into_iter().try_for_each(each)
    }
    /// Minimum, mean, maximum and count over equal stretches of time (they begin at whole multiples
    /// of `bucket_s` since 1970); kept-out readings left out.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn buckets(
        &self,
        sensor: &str,
        quantity: Quantity,
        from: UtcMs,
        to: UtcMs,
        bucket_s: u32,
    ) -> Result<Vec<Bucket>>;
    /// Every series with its newest reading.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn series(&self) -> Result<Vec<SeriesStatus>>;
    /// Marks stored readings as kept out (a lone jump is known only afterwards) or takes the mark off.
    ///
    /// # Errors
    /// If the store cannot be written.
    fn mark(
        &self,
        sensor: &str,
        quantity: Quantity,
        time: UtcMs,
        kept_out: Option<KeptOut>,
    ) -> Result<()>;

    /// All records but readings, in no particular order.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn book(&self) -> Result<Vec<Record>>;
    /// Makes changes together; returns the number of the last, which is their `group`. Writing what
    /// stands there already is no change; 0: nothing changed. With no edits at all it only tells
    /// other processes to look again.
    ///
    /// # Errors
    /// None of them is made then.
    fn edit(&self, at: UtcMs, edits: &[Edit]) -> Result<i64>;
    /// The newest changes, newest first.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn changes(&self, newest: usize) -> Result<Vec<ChangeLogEntry>>;
    /// Undoes the changes made together in `group`, unless a later change touched the same records
    /// or rests on one of them (a stage on its batch). Undoing is a change of its own: it can be
    /// undone.
    ///
    /// # Errors
    /// If the store cannot be written. `Ok(false)`: a later change stands in the way, or there is
    /// no such group (any more).
    fn undo(&self, at: UtcMs, group: i64) -> Result<bool>;
    /// Differs after every committed change by *another* process to the book, the settings or the
    /// calibrations, and after its import of readings; not after this store's own writes.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn revision(&self) -> Result<i64>;

    /// One alert by id.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn alert(&self, id: &str) -> Result<Option<AlertRow>>;
    /// Alerts raised in a span, oldest first; with no bounds all.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn alerts(&self, from: Option<UtcMs>, to: Option<UtcMs>) -> Result<Vec<AlertRow>>;
    /// Alerts not cleared.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn open_alerts(&self) -> Result<Vec<AlertRow>>;
    /// Writes alerts and the messages they cause, together.
    ///
    /// # Errors
    /// Neither is written then.
    fn put_alerts(&self, alerts: &[AlertRow], outbox: &[OutboxRow]) -> Result<()>;
    /// A channel's messages neither accepted nor failed, oldest first.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn outbox(&self, channel: &str) -> Result<Vec<OutboxRow>>;
    /// The newest messages of all channels, newest first (the history).
    ///
    /// # Errors
    /// If the store cannot be read.
    fn outbox_history(&self, newest: usize) -> Result<Vec<OutboxRow>>;
    /// Writes what became of a message.
    ///
    /// # Errors
    /// If the store cannot be written.
    fn put_outbox(&self, row: &OutboxRow) -> Result<()>;

    /// Files a calibration and gives its version.
    ///
    /// # Errors
    /// If the store cannot be written.
    fn file_calibration(&self, at: UtcMs, stages: u32, doc: &Value) -> Result<i64>;
    /// All calibrations, oldest first.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn calibrations(&self) -> Result<Vec<CalibrationRow>>;
    /// Puts an earlier calibration in force by hand (until the next is filed).
    ///
    /// # Errors
    /// If the store cannot be written. `Ok(false)`: there is no such version.
    fn roll_back_to(&self, version: i64) -> Result<bool>;

    /// A setting by name (sensor assignments, unit, quiet hours, sign-ins …): one JSON document each.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn setting(&self, name: &str) -> Result<Option<Value>>;
    /// Writes a setting; `None` takes it away.
    ///
    /// # Errors
    /// If the store cannot be written.
    fn set_setting(&self, name: &str, value: Option<&Value>) -> Result<()>;

    /// The oldest readings that wait to be copied, at most so many, in order of storing.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn copy_take(&self, most: usize) -> Result<Vec<CopyItem>>;
    /// Takes the queue's items up to this number away: they are copied.
    ///
    /// # Errors
    /// If the store cannot be written; they are then given out once more.
    fn copy_done(&self, up_to: i64) -> Result<()>;
    /// How the queue stands.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn copy_queue(&self) -> Result<CopyQueue>;
    /// Queues the readings of a span for the copy once more; gives how many. Nothing is queued while
    /// no copy is configured.
    ///
    /// # Errors
    /// If the store cannot be written or the queue has no room for all of them; nothing is queued then.
    fn copy_again(&self, from: UtcMs, to: UtcMs) -> Result<u64>;
    /// From now on readings are queued for the copy, at most so many at a time; `None`: no copy is
    /// configured, nothing is queued.
    ///
    /// # Errors
    /// If the store cannot be written.
    fn copy_bound(&self, items: Option<u64>) -> Result<()>;
    /// Sums believed readings before a moment up by the hour, in short transactions; charts of long
    /// spans answer from that.
    ///
    /// # Errors
    /// If the store cannot be written; the rest is done the next time.
    fn sum_up(&self, _to: UtcMs) -> Result<()> {
        Ok(())
    }
    /// Puts minute and hour summaries in the place of readings before a moment, except in the spans
    /// spared (both ends included). Gives how many readings went.
    ///
    /// # Errors
    /// If the store cannot be written; the rest is done the next time.
    fn thin(&self, _before: UtcMs, _spared: &[(UtcMs, UtcMs)]) -> Result<u64> {
        Ok(0)
    }

    /// Forgets how to tell redeliveries of packets last seen before a moment. Gives how many rows of them.
    ///
    /// # Errors
    /// If the store cannot be written.
    fn forget_packets(&self, _before: UtcMs) -> Result<u64> {
        Ok(0)
    }

    /// Whether a write would go through now.
    ///
    /// # Errors
    /// The reason why not.
    fn probe_write(&self) -> Result<()>;
}

//! Connections: one that writes, a few that read, and the settings each is opened with.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use foldhash::HashMap;
use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior};

use super::packets::Packets;
use super::reserve::Reserve;
use super::{failed, touch};
use crate::store::{Result, StoreError};

/// How long a write waits for another process's transaction: longer than a chunk of an import,
/// shorter than a sensor's patience.
const WAIT_FOR_WRITER: Duration = Duration::from_secs(10);

/// Reading connections kept open between uses: as many as pages are asked for at once.
const IDLE_READERS: usize = 4;

/// Prepared statements kept on each connection: more than there are different ones.
const STATEMENTS: usize = 64;

/// The log is cut back to this size after a checkpoint, so that one long read does not leave it
/// large for good.
const WAL_LIMIT_BYTES: i64 = 16 << 20;

/// Opens the file with the settings that every connection has.
pub(super) fn connect(file: &Path) -> Result<Connection> {
    let opening = failed("open the store");
    let conn = Connection::open(file).map_err(&opening)?;
    conn.busy_timeout(WAIT_FOR_WRITER).map_err(&opening)?;
    conn.set_prepared_statement_cache_capacity(STATEMENTS);
    conn.pragma_update(None, "journal_mode", "wal")
        .map_err(&opening)?;
    for (pragma, value) in [
        ("synchronous", 2), // FULL: a commit that returned survives a power cut
        ("journal_size_limit", WAL_LIMIT_BYTES),
        ("foreign_keys", 0), // names are only ever added, and checking each insert costs
    ] {
        conn.pragma_update(None, pragma, value).map_err(&opening)?;
    }
    Ok(conn)
}

/// Numbers of names and series, and packets, as the writing connection knows them; forgotten when a
/// transaction fails, since it may have made some of them.
#[derive(Debug, Default)]
pub(super) struct Names {
    names: HashMap<String, i64>,
    /// By sensor, then quantity.
    series: HashMap<String, Vec<(&'static str, i64)>>,
    /// For each series a stretch (from, up to) whose every millisecond is taken.
    taken: HashMap<i64, (i64, i64)>,
    pub(super) packets: Packets,
}

impl Names {
    /// The first millisecond from `at` on that is not known to be taken: in a burst of readings
    /// without a time the search for a free one does not begin anew with each.
    pub(super) fn not_taken(&self, series: i64, at: i64) -> i64 {
        match self.taken.get(&series) {
            Some(&(from, to)) if (from..to).contains(&at) => to,
            _ => at,
        }
    }

    /// A millisecond was taken just now, or found to be.
    pub(super) fn take(&mut self, series: i64, at: i64) {
        let after = at.saturating_add(1);
        match self.taken.get_mut(&series) {
            Some((_, to)) if *to == at => *to = after,
            _ => {
                self.taken.insert(series, (at, after));
            }
        }
    }

    /// The number of a name, made if need be.
    pub(super) fn id(&mut self, tx: &Connection, text: &str) -> rusqlite::Result<i64> {
        if let Some(id) = self.names.get(text) {
            return Ok(*id);
        }
        tx.prepare_cached("INSERT OR IGNORE INTO name (text) VALUES (?1)")?
            .execute([text])?;
        let id = tx
            .prepare_cached("SELECT id FROM name WHERE text = ?1")?
            .query_row([text], |row| row.get(0))?;
        self.names.insert(text.to_owned(), id);
        Ok(id)
    }

    /// The number of a series, made if need be.
    pub(super) fn series(
        &mut self,
        tx: &Connection,
        sensor: &str,
        quantity: &'static str,
    ) -> rusqlite::Result<i64> {
        let known = self.series.get(sensor);
        if let Some((_, id)) = known.and_then(|all| all.iter().find(|(q, _)| *q == quantity)) {
            return Ok(*id);
        }
        tx.prepare_cached("INSERT OR IGNORE INTO series (sensor, quantity) VALUES (?1, ?2)")?
            .execute((sensor, quantity))?;
        let id = tx
            .prepare_cached("SELECT id FROM series WHERE sensor = ?1 AND quantity = ?2")?
            .query_row((sensor, quantity), |row| row.get(0))?;
        let all = self.series.entry(sensor.to_owned()).or_default();
        all.push((quantity, id));
        Ok(id)
    }
}

#[derive(Debug)]
struct Writer {
    /// `None` after a failure: opened afresh with the next write.
    conn: Option<Connection>,
    names: Names,
}

/// The connections.
#[derive(Debug)]
pub(super) struct Pool {
    file: PathBuf,
    writer: Mutex<Writer>,
    readers: Mutex<Vec<Connection>>,
    reserve: Reserve,
    /// How often this store itself moved the revision on. Held over the commit that does so.
    own_revisions: Mutex<i64>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // What is guarded stays whole when a holder panics: a transaction rolls back by itself.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Pool {
    pub(super) fn new(file: PathBuf, writer: Connection) -> Self {
        let reserve = Reserve::new(file.parent().unwrap_or(Path::new(".")));
        Self {
            file,
            reserve,
            writer: Mutex::new(Writer {
                conn: Some(writer),
                names: Names::default(),
            }),
            readers: Mutex::default(),
            own_revisions: Mutex::new(0),
        }
    }

    pub(super) fn file(&self) -> &Path {
        &self.file
    }

    /// Runs `work` in one transaction; all of it is on disk when this returns, or nothing. On a full
    /// disk it is run once more, in the room kept back.
    pub(super) fn write<R>(
        &self,
        doing: &'static str,
        work: impl Fn(&Transaction<'_>, &mut Names) -> Result<R>,
    ) -> Result<R> {
        match self.transact(doing, false, &work) {
            Err(StoreError::NoRoom(_)) if self.reserve.give() => self.transact(doing, false, &work),
            done => done,
        }
    }

    /// The same for readings, which wait at their senders when the disk is full and leave the room
    /// kept back alone.
    pub(super) fn write_readings<R>(
        &self,
        doing: &'static str,
        work: impl Fn(&Transaction<'_>, &mut Names) -> Result<R>,
    ) -> Result<R> {
        if !self.reserve.take() {
            return Err(StoreError::NoRoom(
                "the disk is full; its last room is kept for entries and alerts".into(),
            ));
        }
        self.transact(doing, false, &work)
    }

    /// The same for a change that other processes must see.
    pub(super) fn write_told<R>(
        &self,
        doing: &'static str,
        work: impl Fn(&Transaction<'_>) -> Result<R>,
    ) -> Result<R> {
        match self.transact(doing, true, &|tx, _| work(tx)) {
            Err(StoreError::NoRoom(_)) if self.reserve.give() => {
                self.transact(doing, true, &|tx, _| work(tx))
            }
            done => done,
        }
    }

    fn transact<R>(
        &self,
        doing: &'static str,
        told: bool,
        work: &impl Fn(&Transaction<'_>, &mut Names) -> Result<R>,
    ) -> Result<R> {
        let mut writer = lock(&self.writer);
        let Writer { conn, names } = &mut *writer;
        let outcome = (|| {
            let conn = match conn {
                Some(open) => open,
                None => conn.insert(connect(&self.file)?),
            };
            let tx = conn
                .transaction_with_behavior(TransactionBehavior::Immediate)
                .map_err(failed(doing))?;
            let done = work(&tx, names)?;
            if told {
                touch(&tx).map_err(failed(doing))?;
                let mut own = lock(&self.own_revisions);
                tx.commit().map_err(failed(doing))?;
                *own += 1;
            } else {
                tx.commit().map_err(failed(doing))?;
            }
            Ok(done)
        })();
        if let Err(error) = &outcome {
            *names = Names::default();
            if matches!(error, StoreError::NoRoom(_)) {
                *conn = None;
            }
        }
        outcome
    }

    /// Runs `work` on a reading connection.
    pub(super) fn read<R>(&self, work: impl FnOnce(&Connection) -> Result<R>) -> Result<R> {
        let idle = lock(&self.readers).pop();
        let conn = match idle {
            Some(conn) => conn,
            None => self.reader()?,
        };
        let outcome = work(&conn);
        let mut readers = lock(&self.readers);
        if readers.len() < IDLE_READERS && conn.is_autocommit() {
            readers.push(conn);
        }
        outcome
    }

    fn reader(&self) -> Result<Connection> {
        let conn = connect(&self.file)?;
        conn.pragma_update(None, "query_only", true)
            .map_err(failed("open the store"))?;
        Ok(conn)
    }

    /// The revision less this store's own part in it.
    pub(super) fn others_revision(&self) -> Result<i64> {
        let own = lock(&self.own_revisions);
        let all: Option<i64> = self.read(|conn| {
            conn.prepare_cached("SELECT number FROM revision")
                .and_then(|mut query| query.query_row([], |row| row.get(0)).optional())
                .map_err(failed("read the revision"))
        })?;
        Ok(all.unwrap_or_default() - *own)
    }
}

//! Packets: the newest of each identifier, by which a redelivery without a time of its own is known.
//!
//! Identifiers come in order, so sixty-four of them share a row: a commit of hundreds of messages
//! writes a handful of rows here, and what was read or written once is not read again.

use std::collections::hash_map::Entry;

use foldhash::HashMap;
use rusqlite::types::Type;
use rusqlite::{Connection, OptionalExtension, params};
use smol_str::SmolStr;

use super::failed;
use crate::store::{Packet, Result};
use crate::time::UtcMs;

/// Identifiers in a row.
const IDS: u16 = 64;
/// Bytes of a digest, the most significant first.
const BYTES: usize = 8;
/// Rows remembered: as many as one session's identifiers fill, and half a mebibyte.
const ROWS: usize = 1024;

/// In place of a digest: the identifier stands for no packet.
const NONE: u64 = 0;

/// Session, and row in it.
type Key = (SmolStr, u16);

#[derive(Debug)]
struct Row {
    digests: [u64; IDS as usize],
    seen: UtcMs,
    changed: bool,
}

/// Rows as the writing connection knows them; forgotten when a transaction fails.
#[derive(Debug, Default)]
pub(super) struct Packets {
    rows: HashMap<Key, Row>,
    /// Those the running transaction has still to write.
    changed: Vec<Key>,
}

/// What is kept of a packet: never [`NONE`].
fn digest(packet: &Packet) -> u64 {
    packet.digest.max(NONE + 1)
}

impl Packets {
    /// Keeps a packet as its identifier's newest. `true`: it is the one that was kept already.
    pub(super) fn seen_before(
        &mut self,
        tx: &Connection,
        packet: &Packet,
        at: UtcMs,
    ) -> rusqlite::Result<bool> {
        let digest = digest(packet);
        if packet.maybe_again && self.row(tx, packet)?.digests[place(packet)] == digest {
            return Ok(true);
        }
        self.put(tx, packet, digest, at)?;
        Ok(false)
    }

    /// Forgets what an identifier stood for.
    pub(super) fn clear(&mut self, tx: &Connection, packet: &Packet) -> rusqlite::Result<()> {
        if self.row(tx, packet)?.digests[place(packet)] == NONE {
            return Ok(());
        }
        self.put(tx, packet, NONE, UtcMs(0))
    }

    fn put(
        &mut self,
        tx: &Connection,
        packet: &Packet,
        digest: u64,
        at: UtcMs,
    ) -> rusqlite::Result<()> {
        let row = self.row(tx, packet)?;
        row.digests[place(packet)] = digest;
        row.seen = row.seen.max(at);
        if !std::mem::replace(&mut row.changed, true) {
            self.changed.push(key(packet));
        }
        Ok(())
    }

    fn row(&mut self, tx: &Connection, packet: &Packet) -> rusqlite::Result<&mut Row> {
        let key = key(packet);
        if self.rows.len() >= ROWS && self.changed.is_empty() && !self.rows.contains_key(&key) {
            self.rows.clear();
        }
        Ok(match self.rows.entry(key) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(new) => {
                let row = read(tx, new.key())?;
                new.insert(row)
            }
        })
    }

    /// Writes what the running transaction changed.
    pub(super) fn write(&mut self, tx: &Connection) -> Result<()> {
        let writing = failed("keep packets");
        let mut statement = tx
            .prepare_cached(
                "INSERT OR REPLACE INTO packet (session, row, digests, seen) VALUES (?1, ?2, ?3, ?4)",
            )
            .map_err(&writing)?;
        for key in self.changed.drain(..) {
            let Some(row) = self.rows.get_mut(&key) else {
                continue;
            };
            row.changed = false;
            let digests = row.digests.map(u64::to_be_bytes);
            statement
                .execute(params![
                    key.0.as_str(),
                    key.1,
                    digests.as_flattened(),
                    row.seen.0
                ])
                .map_err(&writing)?;
        }
        Ok(())
    }

    /// Forgets rows last seen before a moment; gives how many.
    pub(super) fn forget(&mut self, tx: &Connection, before: UtcMs) -> Result<u64> {
        self.rows.clear();
        tx.execute("DELETE FROM packet WHERE seen < ?1", [before.0])
            .map(|gone| gone as u64)
            .map_err(failed("forget old packets"))
    }
}

fn key(packet: &Packet) -> Key {
    (packet.session.clone(), packet.id / IDS)
}

fn place(packet: &Packet) -> usize {
    usize::from(packet.id % IDS)
}

fn read(tx: &Connection, (session, number): &Key) -> rusqlite::Result<Row> {
    let found = tx
        .prepare_cached("SELECT digests, seen FROM packet WHERE session = ?1 AND row = ?2")?
        .query_row(params![session.as_str(), number], |found| {
            let bytes = found.get_ref(0)?.as_blob()?;
            let (digests, []) = bytes.as_chunks::<BYTES>() else {
                return Err(rusqlite::Error::InvalidColumnType(
                    0,
                    "digests".into(),
                    Type::Blob,
                ));
            };
            let mut row = Row::none(UtcMs(found.get(1)?));
            for (place, digest) in row.digests.iter_mut().zip(digests) {
                *place = u64::from_be_bytes(*digest);
            }
            Ok(row)
        })
        .optional()?;
    Ok(found.unwrap_or_else(|| Row::none(UtcMs(0))))
}

impl Row {
    fn none(seen: UtcMs) -> Self {
        Self {
            digests: [NONE; IDS as usize],
            seen,
            changed: false,
        }
    }
}

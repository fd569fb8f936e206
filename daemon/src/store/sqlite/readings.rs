//! Readings: stored once, found by series and time, summed up in equal stretches.

use std::collections::{BTreeMap, BinaryHeap, HashMap};

use rusqlite::{CachedStatement, Connection, OptionalExtension, Row, Rows, Statement, params};
use smol_str::SmolStr;

use super::failed;
use super::pool::Names;
use crate::batches::record::{Quantity, Unit};
use crate::store::{
    Arrival, Bucket, KeptOut, Packet, ReadingQuery, Result, SeriesStatus, StoreError, Stored,
    StoredReading,
};
use crate::time::{MINUTE_MS, UtcMs};

/// Reasons in other programs' words are stored as this plus the number of their name.
const SAID_FROM: i64 = 16;

const STORING: &str = "store readings";
const READING: &str = "read readings";

/// What one transaction added to a series.
#[derive(Default)]
struct Tally {
    count: i64,
    kept_out: i64,
    /// Times of those that came after their hour was summed up.
    late: Vec<i64>,
}

pub(super) fn append(
    tx: &Connection,
    names: &mut Names,
    arrivals: &[Arrival],
) -> Result<Vec<Stored>> {
    let mut tallies: BTreeMap<i64, Tally> = BTreeMap::new();
    let mut outcome = Vec::with_capacity(arrivals.len());
    let copied = super::copy_queue::wanted(tx)?;
    let summed_to = super::summaries::latest(tx)?;
    let mut write = Write::prepare(tx, copied, summed_to).map_err(failed(STORING))?;
    for arrival in arrivals {
        let stored = append_one(&mut write, names, arrival, &mut tallies);
        outcome.push(stored.map_err(failed(STORING))?);
    }
    names.packets.write(tx)?;
    if copied {
        super::copy_queue::keep_bound(tx)?;
    }
    let mut update = tx
        .prepare_cached(
            "UPDATE series SET count = count + ?2, kept_out = kept_out + ?3 WHERE id = ?1",
        )
        .map_err(failed(STORING))?;
    for (series, tally) in tallies {
        update
            .execute((series, tally.count, tally.kept_out))
            .map_err(failed(STORING))?;
        if !tally.late.is_empty() {
            super::summaries::sum_again(tx, series, tally.late)?;
        }
    }
    Ok(outcome)
}

/// What is written with each reading, prepared once a transaction.
struct Write<'a> {
    tx: &'a Connection,
    reading: CachedStatement<'a>,
    /// Whether a copy is configured.
    copied: bool,
    /// No series is summed up beyond this.
    summed_to: i64,
}

impl<'a> Write<'a> {
    fn prepare(tx: &'a Connection, copied: bool, summed_to: i64) -> rusqlite::Result<Self> {
        Ok(Self {
            tx,
            reading: tx.prepare_cached(
                "INSERT INTO reading
                     (series, time, value, late, kept_out, place, batch, raw, raw_unit)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)
                 ON CONFLICT (series, time) DO NOTHING",
            )?,
            copied,
            summed_to,
        })
    }

    /// Whether the readings of a moment's minute were thinned to their summary.
    fn is_thinned(&self, series: i64, at: UtcMs) -> rusqlite::Result<bool> {
        if at.0 >= self.summed_to {
            return Ok(false);
        }
        let minute = super::summaries::floor(at.0, MINUTE_MS);
        self.tx
            .prepare_cached(
                "SELECT EXISTS (SELECT 1 FROM summary WHERE series = ?1 AND width = 60 AND time = ?2)",
            )?
            .query_row((series, minute), |row| row.get(0))
    }
}

fn append_one(
    write: &mut Write<'_>,
    names: &mut Names,
    arrival: &Arrival,
    tallies: &mut BTreeMap<i64, Tally>,
) -> rusqlite::Result<Stored> {
    let mut stored = Stored::default();
    if let Some(packet) = &arrival.packet
        && was_stored(write, names, packet, arrival)?
    {
        stored.again = u32::try_from(arrival.readings.len()).unwrap_or(u32::MAX);
        return Ok(stored);
    }
    for reading in &arrival.readings {
        let series = names.series(write.tx, &reading.sensor, reading.quantity.as_str())?;
        let mut at = reading.time;
        let is_new = loop {
            if arrival.own_time {
                // A file taken in once more: what it brought is in the minute's summary. (A message that
                // no packet tells from a repeat is judged so, too: it would have been on its way for as
                // long as readings are kept.)
                if arrival.packet.is_none() && write.is_thinned(series, at)? {
                    break false;
                }
                break insert(write, names, series, at, reading)?;
            }
            at = UtcMs(names.not_taken(series, at.0));
            let is_new = insert(write, names, series, at, reading)?;
            names.take(series, at.0);
            if is_new {
                break true;
            }
            at = at.plus_ms(1);
        };
        if is_new {
            if write.copied {
                super::copy_queue::queue(write.tx, series, at)?;
            }
            let tally = tallies.entry(series).or_default();
            tally.count += 1;
            tally.kept_out += i64::from(reading.kept_out.is_some());
            if at.0 < write.summed_to {
                tally.late.push(at.0);
            }
            stored.new.push(StoredReading {
                time: at,
                ..reading.clone()
            });
        } else {
            stored.again += 1;
        }
    }
    Ok(stored)
}

/// Whether the packet's readings are stored already. Readings with a time of their own are told apart by
/// it, so their packet only clears its identifier.
fn was_stored(
    write: &Write<'_>,
    names: &mut Names,
    packet: &Packet,
    arrival: &Arrival,
) -> rusqlite::Result<bool> {
    if arrival.own_time {
        names.packets.clear(write.tx, packet)?;
        return Ok(false);
    }
    let seen = arrival.readings.iter().map(|r| r.arrived).max();
    names
        .packets
        .seen_before(write.tx, packet, seen.unwrap_or(UtcMs(0)))
}

fn insert(
    write: &mut Write<'_>,
    names: &mut Names,
    series: i64,
    at: UtcMs,
    reading: &StoredReading,
) -> rusqlite::Result<bool> {
    let tx = write.tx;
    let place = name_of(tx, names, reading.place.as_deref())?;
    let batch = name_of(tx, names, reading.batch.as_deref())?;
    let (raw, raw_unit) = match reading.raw {
        Some((raw, unit)) => (Some(raw), Some(names.id(tx, unit.as_str())?)),
        None => (None, None),
    };
    let kept_out = code(tx, names, reading.kept_out)?;
    let rows = write.reading.execute(params![
        series,
        at.0,
        reading.value,
        // A reading moved to a free millisecond may seem to have come before it was true.
        reading.arrived.0.saturating_sub(at.0),
        kept_out,
        place,
        batch,
        raw,
        raw_unit
    ])?;
    Ok(rows == 1)
}

fn name_of(
    tx: &Connection,
    names: &mut Names,
    text: Option<&str>,
) -> rusqlite::Result<Option<i64>> {
    text.map(|text| names.id(tx, text)).transpose()
}

fn code(tx: &Connection, names: &mut Names, kept_out: Option<KeptOut>) -> rusqlite::Result<i64> {
    Ok(match kept_out {
        None => 0,
        Some(reason) => match reason.code() {
            Some(code) => code,
            None => SAID_FROM + names.id(tx, reason.as_str())?,
        },
    })
}

pub(super) fn mark(
    tx: &Connection,
    names: &mut Names,
    sensor: &str,
    quantity: Quantity,
    time: UtcMs,
    kept_out: Option<KeptOut>,
) -> Result<()> {
    let marking = failed("mark a reading");
    let Some(series) = series_id(tx, sensor, quantity).map_err(&marking)? else {
        return Ok(());
    };
    let now = code(tx, names, kept_out).map_err(&marking)?;
    let before: Option<i64> = tx
        .prepare_cached("SELECT kept_out FROM reading WHERE series = ?1 AND time = ?2")
        .and_then(|mut query| {
            query
                .query_row((series, time.0), |row| row.get(0))
                .optional()
        })
        .map_err(&marking)?;
    let Some(before) = before else { return Ok(()) };
    tx.prepare_cached("UPDATE reading SET kept_out = ?3 WHERE series = ?1 AND time = ?2")
        .and_then(|mut update| update.execute((series, time.0, now)))
        .map_err(&marking)?;
    let change = i64::from(now != 0) - i64::from(before != 0);
    tx.prepare_cached("UPDATE series SET kept_out = kept_out + ?2 WHERE id = ?1")
        .and_then(|mut update| update.execute((series, change)))
        .map_err(&marking)?;
    super::summaries::sum_again(tx, series, [time.0])
}

pub(super) fn series_id(
    conn: &Connection,
    sensor: &str,
    quantity: Quantity,
) -> rusqlite::Result<Option<i64>> {
    conn.prepare_cached("SELECT id FROM series WHERE sensor = ?1 AND quantity = ?2")?
        .query_row((sensor, quantity.as_str()), |row| row.get(0))
        .optional()
}

/// One series as `series` lists it.
pub(super) struct SeriesRow {
    pub(super) id: i64,
    sensor: String,
    quantity: Quantity,
    count: i64,
    kept_out: i64,
}

/// The numbers of all series.
pub(super) fn series_ids(conn: &Connection) -> Result<Vec<i64>> {
    Ok(all_series(conn)?.into_iter().map(|s| s.id).collect())
}

pub(super) fn all_series(conn: &Connection) -> Result<Vec<SeriesRow>> {
    let listing = failed("list the series");
    let mut query = conn
        .prepare_cached(
            "SELECT id, sensor, quantity, count, kept_out FROM series ORDER BY sensor, quantity",
        )
        .map_err(&listing)?;
    let rows = query
        .query_map([], |row| {
            Ok((
                row.get(0)?,
                row.get(1)?,
                row.get::<_, String>(2)?,
                row.get(3)?,
                row.get(4)?,
            ))
        })
        .map_err(&listing)?;
    rows.map(|row| {
        let (id, sensor, quantity, count, kept_out) = row.map_err(&listing)?;
        Ok(SeriesRow {
            id,
            sensor,
            quantity: Quantity::from_name(&quantity).ok_or_else(|| {
                StoreError::Corrupt(format!("a series of the unknown quantity `{quantity}`"))
            })?,
            count,
            kept_out,
        })
    })
    .collect()
}

/// Names by number, read as they are met.
#[derive(Default)]
pub(super) struct Texts(HashMap<i64, SmolStr>);

impl Texts {
    fn get(&mut self, conn: &Connection, id: Option<i64>) -> rusqlite::Result<Option<SmolStr>> {
        let Some(id) = id else { return Ok(None) };
        if let Some(text) = self.0.get(&id) {
            return Ok(Some(text.clone()));
        }
        let text: String = conn
            .prepare_cached("SELECT text FROM name WHERE id = ?1")?
            .query_row([id], |row| row.get(0))?;
        let text = SmolStr::from(text);
        self.0.insert(id, text.clone());
        Ok(Some(text))
    }
}

const COLUMNS: &str = "time, value, late, kept_out, place, batch, raw, raw_unit";

fn decode(
    conn: &Connection,
    texts: &mut Texts,
    row: &Row<'_>,
    sensor: &str,
    quantity: Quantity,
) -> rusqlite::Result<StoredReading> {
    let time: i64 = row.get(0)?;
    let late: i64 = row.get(2)?;
    let code: i64 = row.get(3)?;
    let kept_out = match code {
        0 => None,
        said if said > SAID_FROM => texts
            .get(conn, Some(said - SAID_FROM))?
            .map(|reason| KeptOut::from_name(&reason)),
        ours => Some(KeptOut::from_code(ours).unwrap_or(KeptOut::Other)),
    };
    let raw_unit = texts.get(conn, row.get(7)?)?;
    Ok(StoredReading {
        time: UtcMs(time),
        arrived: UtcMs(time.saturating_add(late)),
        sensor: sensor.into(),
        quantity,
        value: row.get::<_, Option<f64>>(1)?.unwrap_or(f64::NAN),
        raw: match raw_unit {
            None => None,
            Some(unit) => Some((
                row.get::<_, Option<f64>>(6)?.unwrap_or(f64::NAN),
                Unit::from_name(&unit).unwrap_or(quantity.unit()),
            )),
        },
        kept_out,
        place: texts.get(conn, row.get(4)?)?,
        batch: texts.get(conn, row.get(5)?)?,
    })
}

/// The reading of one series at one moment.
pub(super) fn at_key(
    conn: &Connection,
    texts: &mut Texts,
    series: &SeriesRow,
    time: i64,
) -> rusqlite::Result<Option<StoredReading>> {
    conn.prepare_cached(&format!(
        "SELECT {COLUMNS} FROM reading WHERE series = ?1 AND time = ?2"
    ))?
    .query_row((series.id, time), |row| {
        decode(conn, texts, row, &series.sensor, series.quantity)
    })
    .optional()
}

pub(super) fn series(conn: &Connection) -> Result<Vec<SeriesStatus>> {
    let mut texts = Texts::default();
    let newest_sql =
        format!("SELECT {COLUMNS} FROM reading WHERE series = ?1 ORDER BY time DESC LIMIT 1");
    all_series(conn)?
        .into_iter()
        .map(|s| {
            let newest = conn
                .prepare_cached(&newest_sql)
                .and_then(|mut query| {
                    query
                        .query_row([s.id], |row| {
                            decode(conn, &mut texts, row, &s.sensor, s.quantity)
                        })
                        .optional()
                })
                .map_err(failed("list the series"))?;
            Ok(SeriesStatus {
                sensor: s.sensor,
                quantity: s.quantity,
                count: s.count.max(0).cast_unsigned(),
                newest,
                kept_out: s.kept_out.max(0).cast_unsigned(),
            })
        })
        .collect()
}

/// Calls `each` for every reading that fits, in order of time, then sensor, then quantity: the
/// series are read side by side, so that memory does not grow with the span.
pub(super) fn each(
    conn: &Connection,
    query: &ReadingQuery<'_>,
    each: &mut dyn FnMut(StoredReading) -> Result<()>,
) -> Result<()> {
    let reading = failed(READING);
    // One view of the store for all statements.
    let view = conn.unchecked_transaction().map_err(&reading)?;
    let series: Vec<SeriesRow> = all_series(&view)?
        .into_iter()
        .filter(|s| query.sensor.is_none_or(|sensor| sensor == s.sensor))
        .filter(|s| query.quantity.is_none_or(|quantity| quantity == s.quantity))
        .collect();
    let place = match query.place {
        None => None,
        Some(place) => Some((place, name_id(&view, place).map_err(&reading)?)),
    };
    let (from, to) = (
        query.from.map_or(i64::MIN, |t| t.0),
        // `to` itself is not included; without one nothing is left out.
        query.to.map_or(i64::MAX, |t| t.0.saturating_sub(1)),
    );
    if query.to.is_some_and(|t| t.0 == i64::MIN) {
        return Ok(());
    }
    let mut readings = Merge::default();
    let limit = query
        .newest
        .map_or(-1, |n| i64::try_from(n).unwrap_or(i64::MAX));
    let mut statements = Vec::with_capacity(series.len());
    for s in &series {
        statements.push(statement(&view, query, place, s).map_err(&reading)?);
    }
    let mut rows: Vec<Rows<'_>> = Vec::with_capacity(series.len());
    for (statement, s) in statements.iter_mut().zip(&series) {
        let place_id = place.and_then(|(_, id)| id);
        rows.push(
            statement
                .query(params![s.id, from, to, limit, place_id])
                .map_err(&reading)?,
        );
    }
    let mut texts = Texts::default();
    let mut next = |rows: &mut Vec<Rows<'_>>, which: usize| -> Result<Option<StoredReading>> {
        let s = &series[which];
        match rows[which].next().map_err(&reading)? {
            None => Ok(None),
            Some(row) => {
                let mut found =
                    decode(&view, &mut texts, row, &s.sensor, s.quantity).map_err(&reading)?;
                if let (None, Some((place, _))) = (&found.place, place) {
                    found.place = Some(place.into());
                }
                Ok(Some(found))
            }
        }
    };
    for which in 0..series.len() {
        if let Some(found) = next(&mut rows, which)? {
            readings.push(found.time, which, found);
        }
    }
    let mut skip = 0;
    if let Some(newest) = query.newest {
        // Each series gave its newest; of all of them only the newest count.
        let mut all = Vec::new();
        while let Some((which, found)) = readings.pop() {
            all.push(found);
            if let Some(found) = next(&mut rows, which)? {
                readings.push(found.time, which, found);
            }
        }
        skip += all.len().saturating_sub(newest);
        return all.into_iter().skip(skip).try_for_each(each);
    }
    while let Some((which, found)) = readings.pop() {
        each(found)?;
        if let Some(found) = next(&mut rows, which)? {
            readings.push(found.time, which, found);
        }
    }
    Ok(())
}

fn statement<'c>(
    conn: &'c Connection,
    query: &ReadingQuery<'_>,
    place: Option<(&str, Option<i64>)>,
    series: &SeriesRow,
) -> rusqlite::Result<Statement<'c>> {
    let mut sql =
        format!("SELECT {COLUMNS} FROM reading WHERE series = ?1 AND time BETWEEN ?2 AND ?3");
    if !query.with_kept_out {
        sql.push_str(" AND kept_out = 0");
    }
    match place {
        None => sql.push_str(" AND (?5 IS NULL OR 1)"),
        Some((place, _)) if place == series.sensor => {
            sql.push_str(" AND (place = ?5 OR place IS NULL)");
        }
        Some(_) => sql.push_str(" AND place = ?5"),
    }
    if query.newest.is_some() {
        // The inner select finds the newest, the outer gives them in order of time.
        sql = format!("SELECT * FROM ({sql} ORDER BY time DESC LIMIT ?4) ORDER BY time");
    } else {
        sql.push_str(" ORDER BY time LIMIT ?4");
    }
    conn.prepare(&sql)
}

fn name_id(conn: &Connection, text: &str) -> rusqlite::Result<Option<i64>> {
    conn.prepare_cached("SELECT id FROM name WHERE text = ?1")?
        .query_row([text], |row| row.get(0))
        .optional()
}

/// The next reading of each series, the earliest on top; equal times in the series' order.
#[derive(Default)]
struct Merge {
    heap: BinaryHeap<std::cmp::Reverse<(UtcMs, usize)>>,
    heads: HashMap<usize, StoredReading>,
}

impl Merge {
    fn push(&mut self, time: UtcMs, which: usize, reading: StoredReading) {
        self.heap.push(std::cmp::Reverse((time, which)));
        self.heads.insert(which, reading);
    }

    fn pop(&mut self) -> Option<(usize, StoredReading)> {
        let std::cmp::Reverse((_, which)) = self.heap.pop()?;
        self.heads.remove(&which).map(|reading| (which, reading))
    }
}

pub(super) fn buckets(
    conn: &Connection,
    sensor: &str,
    quantity: Quantity,
    from: UtcMs,
    to: UtcMs,
    bucket_s: u32,
) -> Result<Vec<Bucket>> {
    let summing = failed("sum readings up");
    let view = conn.unchecked_transaction().map_err(&summing)?;
    let Some(series) = series_id(&view, sensor, quantity).map_err(&summing)? else {
        return Ok(Vec::new());
    };
    super::summaries::buckets(
        &view,
        series,
        from.0,
        to.0,
        i64::from(bucket_s.max(1)) * 1000,
    )
    .map_err(&summing)
}

//! What an earlier installation left in the user's InfluxDB bucket, read back through Flux: the
//! points of measurement `reading` (as `copy` writes them), span by span, each span's fields put
//! together to readings and stored once. A run that was cut off is repeated.
//!
//! The spans grow and shrink with what they hold, so that memory stays bounded and empty years pass
//! quickly. A server that is away, busy or stops in the middle is tried again with a shorter span.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use fallible_iterator::FallibleIterator as _;
use influxdb2::RequestError;
use influxdb2::models::Query;
use influxdb2_structmap::value::Value;

use super::number::cut;
use super::{Progress, Report, Taker};
use crate::backoff::Backoff;
use crate::batches::record::{Quantity, Unit};
use crate::config::influx::Influx;
use crate::store::{KeptOut, Store, StoreError, StoredReading};
use crate::time::{HOUR_MS, UtcMs};

/// Tries of one span before the run is given up (what came until then is stored).
const TRIES: u32 = 6;
/// The first span asked for: an hour of a busy kitchen is a small answer.
const FIRST_MS: i64 = HOUR_MS;
/// The shortest span.
const SHORTEST_MS: i64 = 60_000;
/// The longest span.
const LONGEST_MS: i64 = 30 * 24 * HOUR_MS;
/// Points above which the next span is half as long: some 10 MB of answer.
const MANY: usize = 100_000;
/// Points below which the next span is four times as long.
const FEW: usize = 20_000;

/// Why a run ended early.
#[derive(Debug, thiserror::Error)]
pub enum FluxError {
    /// The server refuses for good.
    #[error("{0}")]
    Refused(String),
    /// The server was tried again and again.
    #[error(
        "the server was tried {TRIES} times in vain ({why}); what came before {at} is stored: run it again later"
    )]
    Away {
        /// What it last said.
        why: String,
        /// Where the run stopped.
        at: UtcMs,
    },
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// How a server is waited for.
#[derive(Clone, Copy, Debug)]
pub struct Patience {
    /// How long one answer may take; the crate itself waits for ever.
    pub time_out: Duration,
    /// Between tries.
    pub again: Backoff,
}

impl Patience {
    /// For a real server.
    pub const USUAL: Self = Self {
        time_out: Duration::from_secs(60),
        again: Backoff::SERVER,
    };
}

/// What to read back.
#[derive(Clone, Copy, Debug, Default)]
pub struct Span {
    /// Not before; `None`: from the oldest point on.
    pub from: Option<UtcMs>,
    /// Before; `None`: up to the newest point.
    pub to: Option<UtcMs>,
}

/// Reads a span back into the store.
///
/// # Errors
/// If the server refuses or stays away, or the store cannot be written; what came before is stored.
pub async fn backfill(
    store: &Arc<dyn Store>,
    influx: &Influx,
    span: Span,
    now: UtcMs,
    patience: Patience,
    progress: &mut (dyn FnMut(Progress) + Send),
) -> Result<Report, FluxError> {
    let client = influxdb2::Client::new(&influx.url, &influx.org, &influx.token.0);
    let mut report = Report::default();
    let mut server = Server {
        client,
        bucket: quoted(&influx.bucket),
        patience,
        failures: 0,
    };
    let (from, to) = match (span.from, span.to) {
        (Some(from), Some(to)) => (from, to),
        (from, to) => match server.ends().await? {
            None => return Ok(report),
            // The newest point belongs to the span.
            Some((oldest, newest)) => (from.unwrap_or(oldest), to.unwrap_or(newest.plus_ms(1))),
        },
    };
    let (mut at, mut width) = (from, FIRST_MS);
    while at < to {
        let until = at.plus_ms(width).min(to);
        let points = match server.ask(&server.window(at, until)).await {
            Ok(points) => points,
            Err(Failure::Never(why)) => return Err(FluxError::Refused(why)),
            Err(Failure::Later(why)) => {
                server.wait(why, at).await?;
                width = (width / 2).max(SHORTEST_MS);
                continue;
            }
        };
        server.failures = 0;
        let held = points.len();
        report = take(store, points, now, report).await?;
        at = until;
        width = match held {
            n if n > MANY => (width / 2).max(SHORTEST_MS),
            n if n < FEW => (width * 4).min(LONGEST_MS),
            _ => width,
        };
        progress(Progress {
            done: at.0.abs_diff(from.0),
            of: to.0.abs_diff(from.0),
            readings: report.stored + report.again,
        });
    }
    if report.stored > 0 {
        store.edit(now, &[])?;
    }
    Ok(report)
}

/// A point's tags, in the order of [`TAGS`].
type Tags = [Option<String>; 4];

/// One field of one point.
#[derive(Clone, Debug, PartialEq)]
struct Point {
    time: UtcMs,
    tags: Tags,
    field: String,
    value: String,
}

/// The tags that `copy` writes.
const TAGS: [&str; 4] = ["sensor", "quantity", "place", "batch"];

enum Failure {
    /// Try again.
    Later(String),
    /// It will not get better by itself.
    Never(String),
}

struct Server {
    client: influxdb2::Client,
    bucket: String,
    patience: Patience,
    failures: u32,
}

impl Server {
    /// Fields as text: so a field without a value, or of a type nobody expects, is told here and does
    /// not end the crate's reading of the whole answer.
    fn window(&self, from: UtcMs, to: UtcMs) -> String {
        format!(
            "from(bucket: {})\n  |> range(start: {from}, stop: {to})\n  |> filter(fn: (r) => r._measurement == \"reading\")\n  |> toString()\n  |> drop(columns: [\"_start\", \"_stop\", \"_measurement\"])",
            self.bucket
        )
    }

    /// The times of the oldest and the newest point; `None`: there is none.
    async fn ends(&mut self) -> Result<Option<(UtcMs, UtcMs)>, FluxError> {
        let mut ends = [None; 2];
        for (end, which) in ends.iter_mut().zip(["first", "last"]) {
            let flux = format!(
                "from(bucket: {})\n  |> range(start: 0)\n  |> filter(fn: (r) => r._measurement == \"reading\" and r._field == \"value\")\n  |> {which}()\n  |> toString()\n  |> drop(columns: [\"_start\", \"_stop\", \"_measurement\"])",
                self.bucket
            );
            let points = loop {
                match self.ask(&flux).await {
                    Ok(points) => break points,
                    Err(Failure::Never(why)) => return Err(FluxError::Refused(why)),
                    Err(Failure::Later(why)) => self.wait(why, UtcMs(0)).await?,
                }
            };
            self.failures = 0;
            let times = points.iter().map(|p| p.time);
            *end = if which == "first" {
                times.min()
            } else {
                times.max()
            };
        }
        Ok(ends[0].zip(ends[1]))
    }

    async fn wait(&mut self, why: String, at: UtcMs) -> Result<(), FluxError> {
        self.failures += 1;
        if self.failures >= TRIES {
            return Err(FluxError::Away { why, at });
        }
        tracing::warn!(%why, tries = self.failures, "the server is tried again");
        tokio::time::sleep(self.patience.again.wait(self.failures)).await;
        Ok(())
    }

    async fn ask(&self, flux: &str) -> Result<Vec<Point>, Failure> {
        let query = self
            .client
            .query_raw_iter(Some(Query::new(flux.to_owned())));
        let limit = self.patience.time_out;
        let answer = match tokio::time::timeout(limit, query).await {
            Err(_) => {
                return Err(Failure::Later(format!(
                    "no answer within {} s",
                    limit.as_secs_f64()
                )));
            }
            Ok(Err(error)) => return Err(sort(&error)),
            Ok(Ok(answer)) => answer,
        };
        // `query` and `query_raw` unwrap inside the request; `query_raw_iter` does not, but its reader
        // unwraps numbers and times as it meets them, so that an answer which is no InfluxDB's would
        // panic. In a task of its own that is an error like any other.
        let read = tokio::task::spawn_blocking(move || {
            let mut points = Vec::new();
            let mut records = answer.result();
            while let Some(record) = records.next()? {
                if let Some(point) = point(record.values) {
                    points.push(point);
                }
            }
            Ok::<_, RequestError>(points)
        });
        match read.await {
            Ok(Ok(points)) => Ok(points),
            // The query's own error table, or rows that do not belong together.
            Ok(Err(RequestError::Deserializing { text })) => {
                Err(Failure::Later(format!("the answer says: {}", line(&text))))
            }
            Ok(Err(error)) => Err(Failure::Later(line(&error.to_string()))),
            Err(_) => Err(Failure::Never(
                "the answer is not the annotated CSV of an InfluxDB 2: check `influx.url`".into(),
            )),
        }
    }
}

/// A record with the columns we need; others are not ours.
fn point(mut values: BTreeMap<String, Value>) -> Option<Point> {
    let time = match values.get("_time")? {
        Value::TimeRFC(time) => UtcMs(time.timestamp_millis()),
        _ => return None,
    };
    let mut text = |name: &str| match values.remove(name)? {
        Value::String(text) if !text.is_empty() => Some(text),
        // A server that gives the field in its own type all the same.
        Value::Double(number) => Some(number.to_string()),
        Value::Long(number) => Some(number.to_string()),
        Value::UnsignedLong(number) => Some(number.to_string()),
        _ => None,
    };
    Some(Point {
        time,
        field: text("_field")?,
        value: text("_value")?,
        tags: TAGS.map(&mut text),
    })
}

fn sort(error: &RequestError) -> Failure {
    let RequestError::Http { status, text } = error else {
        return Failure::Later(line(&error.to_string()));
    };
    let said = format!("{status} {}", line(text));
    match status.as_u16() {
        401 | 403 => Failure::Never(format!(
            "the token may not read the bucket ({said}): set `influx.token`"
        )),
        404 => Failure::Never(format!("organisation or bucket not found ({said})")),
        // Away, busy (the crate loses `Retry-After`: our own waits hold), or too much at once.
        408 | 413 | 429 | 500..=599 => Failure::Later(said),
        _ => Failure::Never(format!("the query was refused ({said})")),
    }
}

/// What a server said, in one line that fits.
fn line(text: &str) -> String {
    const SHOWN: usize = 200;
    text.split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .chars()
        .take(SHOWN)
        .collect()
}

/// A Flux string literal; `${` would begin an expression.
fn quoted(text: &str) -> String {
    let escaped = text
        .replace('\\', "\\\\")
        .replace('"', "\\\"")
        .replace("${", "\\${");
    format!("\"{escaped}\"")
}

/// Puts a span's fields together and stores them.
async fn take(
    store: &Arc<dyn Store>,
    points: Vec<Point>,
    now: UtcMs,
    mut report: Report,
) -> Result<Report, FluxError> {
    let store = Arc::clone(store);
    let stored = tokio::task::spawn_blocking(move || {
        let mut together: BTreeMap<(UtcMs, Tags), BTreeMap<String, String>> = BTreeMap::new();
        for p in points {
            together
                .entry((p.time, p.tags))
                .or_default()
                .insert(p.field, p.value);
        }
        let mut taker = Taker::new(&*store);
        for ((time, tags), fields) in together {
            report.lines += 1;
            match reading(time, tags, &fields, now) {
                Ok(reading) => {
                    report.met(time);
                    taker.put(reading, &mut report)?;
                }
                Err(why) => report.bad(report.lines, format!("{time}: {why}")),
            }
        }
        taker.write(&mut report)?;
        Ok::<_, StoreError>(report)
    });
    match stored.await {
        Ok(stored) => Ok(stored?),
        Err(error) => Err(FluxError::Store(StoreError::Corrupt(error.to_string()))),
    }
}

/// The fields of one point as `copy` wrote them.
fn reading(
    time: UtcMs,
    tags: Tags,
    fields: &BTreeMap<String, String>,
    now: UtcMs,
) -> Result<StoredReading, String> {
    let [sensor, quantity, place, batch] = tags;
    let sensor = sensor.ok_or("it has no tag `sensor`")?;
    let quantity = quantity.ok_or("it has no tag `quantity`")?;
    let quantity = Quantity::from_name(&quantity)
        .ok_or_else(|| format!("`{}` is no quantity", cut(&quantity)))?;
    let number = |name: &str| -> Result<Option<f64>, String> {
        fields
            .get(name)
            .map(|text| {
                text.parse::<f64>()
                    .ok()
                    .filter(|n| n.is_finite())
                    .ok_or_else(|| format!("its field `{name}` is `{}`", cut(text)))
            })
            .transpose()
    };
    let value = number("value")?.ok_or("it has no field `value`")?;
    let arrived = fields
        .get("arrived_ms")
        .and_then(|text| text.parse::<i64>().ok())
        .map_or(now, UtcMs);
    let unit = fields.get("raw_unit").and_then(|u| Unit::from_name(u));
    Ok(StoredReading {
        time,
        arrived,
        sensor: sensor.into(),
        quantity,
        value,
        raw: number("raw")?.map(|raw| (raw, unit.unwrap_or(quantity.unit()))),
        kept_out: match fields.get("kept_out") {
            Some(reason) => Some(KeptOut::from_name(reason)),
            None => quantity.implausible(value),
        },
        place: place.map(Into::into),
        batch: batch.map(Into::into),
    })
}

#[cfg(test)]
#[path = "flux_tests.rs"]
mod tests;

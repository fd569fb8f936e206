//! Keeping the store small for years: hourly summaries, and readings thinned to them after the
//! days that the user set. Readings from an hour before a stage to an hour after are never thinned:
//! the model learns from them.

use std::sync::Arc;
use std::time::Duration;

use tokio::task::JoinSet;

use super::{Result, Store};
use crate::app::App;
use crate::batches::book::Book;
use crate::time::{HOUR_MS, UtcMs};

/// How often: summaries are by the hour.
const EVERY: Duration = Duration::from_secs(3600);

/// Late readings are mostly in by then, so that most hours are summed up once.
const SETTLED_MS: i64 = HOUR_MS;

/// Kept around a stage.
const AROUND_STAGE_MS: i64 = HOUR_MS;

/// A packet acknowledged longer ago than this will not be delivered again: a sensor that was switched
/// off for a week begins anew.
const PACKET_DAYS: i64 = 7;

const DAY_MS: i64 = 24 * HOUR_MS;

/// Sums up and thins, as one of the daemon's tasks.
pub fn start(app: &Arc<App>, rooms: &mut JoinSet<()>) {
    rooms.spawn(run(Arc::clone(app)));
}

async fn run(app: Arc<App>) {
    loop {
        let here = Arc::clone(&app);
        let done = tokio::task::spawn_blocking(move || {
            let keep_days = here.config.store.keep_days;
            look_after(&*here.store, &here.book(), here.clock.now(), keep_days)
        })
        .await;
        match done {
            Ok(Ok(0)) => {}
            Ok(Ok(readings)) => tracing::info!(readings, "old readings were thinned to summaries"),
            Ok(Err(error)) => tracing::warn!(
                error = &error as &dyn std::error::Error,
                "old readings could not be summed up for now"
            ),
            // The runtime is going down.
            Err(_) => return,
        }
        tokio::select! {
            () = app.stop.cancelled() => return,
            () = tokio::time::sleep(app.clock.real(EVERY)) => {}
        }
    }
}

/// Sums up what is settled and thins what is older than `keep_days`; gives how many readings went.
///
/// # Errors
/// If the store cannot be written; the rest is done the next time.
pub fn look_after(
    store: &dyn Store,
    book: &Book,
    now: UtcMs,
    keep_days: Option<u32>,
) -> Result<u64> {
    store.sum_up(now.plus_ms(-SETTLED_MS))?;
    store.forget_packets(now.plus_ms(-DAY_MS * PACKET_DAYS))?;
    match keep_days {
        None => Ok(0),
        Some(days) => store.thin(now.plus_ms(-DAY_MS * i64::from(days)), &spared(book)),
    }
}

/// The spans that thinning leaves alone. A stage in progress is spared to the end of time.
fn spared(book: &Book) -> Vec<(UtcMs, UtcMs)> {
    book.stages
        .values()
        .map(|stage| {
            let end = stage.end.unwrap_or(UtcMs(i64::MAX));
            (
                stage.start.plus_ms(-AROUND_STAGE_MS),
                end.plus_ms(AROUND_STAGE_MS),
            )
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::batches::record::{Quantity, Record};
    use crate::store::sqlite::SqliteStore;
    use crate::store::{Arrival, ReadingQuery, StoredReading};
    use crate::time::MINUTE_MS;

    /// Two days of a box, a proof from 10:00 to 11:30 on the first: after thinning, every reading from
    /// 9:00 to 12:30 is there, the rest of the day in minutes and hours that tell the same.
    #[test]
    fn readings_around_a_proof_stay_and_summaries_stand_for_the_rest() {
        let dir = tempfile::tempdir().unwrap();
        let store = SqliteStore::open(dir.path()).unwrap();
        let day = UtcMs::parse("2026-01-10T00:00:00Z").unwrap();
        let at = |minutes: i64| day.plus_ms(minutes * MINUTE_MS);
        let all: Vec<StoredReading> = (0..2 * 1440 * 4)
            .map(|n| StoredReading {
                time: day.plus_ms(n * 15_000),
                arrived: day.plus_ms(n * 15_000),
                sensor: "box".into(),
                quantity: Quantity::AirTemperature,
                value: 20.0 + (n % 31) as f64,
                raw: None,
                kept_out: None,
                place: None,
                batch: None,
            })
            .collect();
        for chunk in all.chunks(1000) {
            let arrival = Arrival {
                readings: chunk.into(),
                own_time: true,
                packet: None,
            };
            store.append(&[arrival]).unwrap();
        }
        let book = Book::from_records(
            [
                r#"{"record":"batch","id":"b","dough":"knots","place":"box"}"#,
                r#"{"record":"stage","batch":"b","stage":"bulk","start":"2026-01-10T10:00:00Z","end":"2026-01-10T11:30:00Z"}"#,
            ]
            .iter()
            .map(|line| serde_json::from_str::<Record>(line).unwrap())
            .collect::<Vec<_>>(),
        );
        let chart = |bucket_s: u32| {
            store
                .buckets("box", Quantity::AirTemperature, day, at(1440), bucket_s)
                .unwrap()
        };
        let before = [chart(60), chart(3600), chart(86_400)];
        // Three days on, everything of two days or more is to be thinned.
        let now = at(3 * 1440);
        let gone = look_after(&store, &book, now, Some(2)).unwrap();
        let left = store.readings(&ReadingQuery::default()).unwrap();
        assert_eq!(gone as usize + left.len(), all.len());
        let whole = |r: &&StoredReading| {
            (r.time >= at(9 * 60) && r.time <= at(12 * 60 + 30)) || r.time >= at(1440)
        };
        for r in all.iter().filter(whole) {
            assert!(left.contains(r), "{} was thinned", r.time);
        }
        // What is spared goes to the end of its last minute.
        assert!(left.len() <= all.iter().filter(whole).count() + 4);
        for (then, bucket_s) in before.iter().zip([60, 3600, 86_400]) {
            let now = chart(bucket_s);
            assert_eq!(now.len(), then.len());
            for (a, b) in now.iter().zip(then) {
                assert_eq!(
                    (a.time, a.count, a.min, a.max),
                    (b.time, b.count, b.min, b.max)
                );
                assert!((a.mean - b.mean).abs() < 1e-9);
            }
        }
        // Again changes nothing; and without a limit nothing ever goes.
        assert_eq!(look_after(&store, &book, now, Some(2)).unwrap(), 0);
        assert_eq!(look_after(&store, &book, at(900 * 1440), None).unwrap(), 0);
        assert_eq!(chart(3600).len(), 24);
    }
}

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

/// The spans that thinning leaves alone.
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

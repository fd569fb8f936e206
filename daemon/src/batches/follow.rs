//! Following the store: a command beside the daemon (import, calibrate, …) changes it, and the
//! daemon shows the change within two seconds.

use std::sync::Arc;
use std::time::Duration;

use tokio::task::JoinSet;

use crate::app::App;
use crate::events::Event;
use crate::store::StoreError;

/// How often the store is asked whether another process changed it: half of the two seconds
/// promised. Real time: it waits for another process, whatever the clock says.
const EVERY: Duration = Duration::from_secs(1);

/// Follows from now on, as one of the daemon's tasks.
pub fn start(app: &Arc<App>, rooms: &mut JoinSet<()>) {
    rooms.spawn(follow(Arc::clone(app)));
}

/// Runs until the daemon stops. A store that cannot be read is tried again at the next turn.
pub async fn follow(app: Arc<App>) {
    // The first look always reads: something may have changed since the book was read at start.
    let mut seen = None;
    let mut failing = false;
    loop {
        let here = Arc::clone(&app);
        let looked = tokio::task::spawn_blocking(move || look(&here, seen)).await;
        match looked {
            Ok(Ok(revision)) => {
                seen = Some(revision);
                failing = false;
            }
            Ok(Err(error)) if !failing => {
                failing = true;
                tracing::warn!(
                    error = &error as &dyn std::error::Error,
                    "changes made beside the daemon cannot be seen for now"
                );
            }
            Ok(Err(_)) => {}
            // The runtime is going down.
            Err(_) => return,
        }
        tokio::select! {
            () = app.stop.cancelled() => return,
            () = tokio::time::sleep(EVERY) => {}
        }
    }
}

/// Looks once, and tells everyone if the store moved on; gives the revision seen.
fn look(app: &App, seen: Option<i64>) -> Result<i64, StoreError> {
    // The number before the book: a change between the two is seen again, never missed.
    let revision = app.store.revision()?;
    if seen != Some(revision) {
        if seen.is_some() {
            // It may have brought readings of the past: what they teach is learned anew.
            app.live.memory().forget();
        }
        app.reload_book()?;
        if seen.is_some() {
            app.bus.tell(Event::Settings);
        }
    }
    Ok(revision)
}

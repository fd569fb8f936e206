//! Keeps every proof in progress up to date: after readings and changes to the book, and as time
//! goes by; always off the async threads.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::broadcast::error::RecvError;
use tokio::task::JoinSet;

use super::{ForecastError, ProofView, air, learned, model_sensors, source, view};
use crate::app::App;
use crate::events::Event;
use crate::store::Store;

/// Readings that come together are taken together.
const TOGETHER: Duration = Duration::from_millis(200);
/// With no news the views are redone after this much of the clock's time: the present moves on.
const AT_LEAST_EVERY: Duration = Duration::from_secs(30);

/// Starts keeping the views of [`App::live`].
pub fn start(app: &Arc<App>, rooms: &mut JoinSet<()>) {
    let mut news = app.bus.listen();
    let app = Arc::clone(app);
    rooms.spawn(async move {
        loop {
            redo(&app).await;
            let stop = app.stop.clone();
            let wait = app.clock.real(AT_LEAST_EVERY);
            tokio::select! {
                () = stop.cancelled() => return,
                () = tokio::time::sleep(wait) => {}
                open = next_news(&mut news) => if !open { return },
            }
            tokio::time::sleep(TOGETHER).await;
            while news.try_recv().is_ok() {}
        }
    });
}

/// Waits for news that can change a forecast; `false` when there will be none.
async fn next_news(news: &mut tokio::sync::broadcast::Receiver<Event>) -> bool {
    loop {
        match news.recv().await {
            Ok(Event::Readings(_) | Event::Book | Event::Settings) | Err(RecvError::Lagged(_)) => return true,
            Ok(_) => {}
            Err(RecvError::Closed) => return false,
        }
    }
}

async fn redo(app: &Arc<App>) {
    let this = Arc::clone(app);
    match tokio::task::spawn_blocking(move || views(&this)).await {
        Ok(Ok(views)) => {
            let batches: Vec<String> = views.keys().cloned().collect();
            app.live.replace(views);
            for batch in batches {
                app.bus.tell(Event::Forecast(batch));
            }
        }
        Ok(Err(error)) => tracing::warn!(%error, "forecasts could not be redone; the last ones stay"),
        Err(error) => tracing::error!(%error, "redoing the forecasts failed; the last ones stay"),
    }
}

fn views(app: &App) -> Result<BTreeMap<String, Arc<ProofView>>, ForecastError> {
    let (book, now) = (app.book(), app.clock.now());
    let sensors = model_sensors(app)?;
    let store: &dyn Store = app.store.as_ref();
    let readings = source::FromStore(store);
    let sources = air::Sources { book: &book, readings: &readings, model_sensors: &sensors };
    if book.in_progress(now).next().is_none() {
        return Ok(BTreeMap::new());
    }
    let learned = match learned::by_hand(app)? {
        Some(learned) => learned,
        None => app.live.memory().at(sources, now, 0)?,
    };
    let mut views = BTreeMap::new();
    for stage in book.in_progress(now) {
        views.insert(stage.batch.clone(), Arc::new(view(sources, &learned, &stage.batch, now)?));
    }
    Ok(views)
}

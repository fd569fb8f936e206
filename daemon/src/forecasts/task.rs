//! The task that keeps every proof in progress up to date.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::broadcast::error::RecvError;
use tokio::task::JoinSet;

use super::inputs::Without;
use super::{ForecastError, ProofView, air, learned, model_sensors, outlook, source};
use crate::app::App;
use crate::events::Event;

/// Without news a forecast is redone this often, of the clock's time: what was ahead has passed.
const EVERY: Duration = Duration::from_secs(30);
/// After news, wait so long for more of it: a burst of readings is one piece of news.
const SETTLE: Duration = Duration::from_millis(120);

/// Keeps `app.live` up to date until the daemon stops.
pub fn start(app: &Arc<App>, rooms: &mut JoinSet<()>) {
    let app = Arc::clone(app);
    rooms.spawn(run(app));
}

async fn run(app: Arc<App>) {
    let mut bus = app.bus.listen();
    loop {
        let again = Arc::clone(&app);
        match tokio::task::spawn_blocking(move || refresh(&again)).await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => tracing::warn!(%error, "the forecasts could not be redone; they are tried again"),
            Err(error) => tracing::error!(%error, "redoing the forecasts failed; they are tried again"),
        }
        // Until there is news, or it is time anyway.
        let wait = app.clock.real(EVERY).max(SETTLE);
        let news = async {
            loop {
                match bus.recv().await {
                    Ok(Event::Readings(_) | Event::Book | Event::Settings) | Err(RecvError::Lagged(_)) => return true,
                    Ok(_) => {}
                    Err(RecvError::Closed) => return false,
                }
            }
        };
        tokio::select! {
            () = app.stop.cancelled() => return,
            more = news => if !more { return },
            () = tokio::time::sleep(wait) => {}
        }
        tokio::select! {
            () = app.stop.cancelled() => return,
            () = tokio::time::sleep(SETTLE) => {}
        }
        // What came meanwhile is covered by the next round.
        while let Ok(event) = bus.try_recv() {
            drop(event);
        }
    }
}

/// Redoes the view of every proof in progress.
fn refresh(app: &App) -> Result<(), ForecastError> {
    let book = app.book();
    let now = app.clock.now();
    let running: Vec<_> = book.in_progress(now).map(|s| (s.batch.clone(), s.stage)).collect();
    let mut views: BTreeMap<String, Arc<ProofView>> = BTreeMap::new();
    if !running.is_empty() {
        let sensors = model_sensors(app)?;
        let readings = source::FromStore(app.store.as_ref());
        let sources = air::Sources { book: &book, readings: &readings, model_sensors: &sensors };
        let learned = match learned::by_hand(app)? {
            Some(l) => l,
            None => app.live.memory().at(sources, now, 0)?,
        };
        for (batch, kind) in running {
            match outlook::look_ahead(sources, &learned, &batch, kind, now, Without::default()) {
                Ok(o) => {
                    views.insert(batch.clone(), Arc::new(o.view(&batch, now, &learned, &sources)));
                }
                Err(ForecastError::NoStage { .. } | ForecastError::NoBatch(_)) => {}
                Err(error) => return Err(error),
            }
        }
    }
    let told: Vec<String> = views.keys().cloned().collect();
    app.live.replace(views);
    for batch in told {
        app.bus.tell(Event::Forecast(batch));
    }
    Ok(())
}

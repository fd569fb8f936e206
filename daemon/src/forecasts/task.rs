//! The task that keeps every proof in progress up to date.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::broadcast::error::{RecvError, TryRecvError};
use tokio::task::JoinSet;

use super::running::Running;
use super::{ForecastError, ProofView, air, learned, model_sensors, source};
use crate::app::App;
use crate::events::Event;
use crate::store::StoredReading;

/// Without news a forecast is redone this often, of the clock's time: what was ahead has passed.
const EVERY: Duration = Duration::from_secs(30);
/// After news, wait at least so long for more of it: a burst of readings is one piece of news.
const SETTLE: Duration = Duration::from_millis(120);
/// At most so long: what is on the page is never much older.
const SETTLE_LONGEST: Duration = Duration::from_secs(5);
/// In between, this many times what the last round took: while a backlog is taken in, forecasts cost a
/// twentieth of a core at most, and leave the rest to the intake.
const SETTLE_TIMES: u32 = 20;

/// Events one round takes up; a longer burst is taken up in the next.
const BURST: usize = 1024;

/// Keeps `app.live` up to date until the daemon stops.
pub fn start(app: &Arc<App>, rooms: &mut JoinSet<()>) {
    let app = Arc::clone(app);
    rooms.spawn(run(app));
}

async fn run(app: Arc<App>) {
    let mut bus = app.bus.listen();
    let mut proofs = Proofs::default();
    let mut news: Vec<Arc<[StoredReading]>> = Vec::new();
    loop {
        let again = Arc::clone(&app);
        let readings = std::mem::take(&mut news);
        let before = std::mem::take(&mut proofs);
        let began = tokio::time::Instant::now();
        let done = tokio::task::spawn_blocking(move || {
            let mut proofs = before;
            let result = proofs.refresh(&again, &readings);
            (proofs, result)
        });
        match done.await {
            Ok((kept, result)) => {
                proofs = kept;
                if let Err(error) = result {
                    proofs = Proofs::default();
                    tracing::warn!(%error, "the forecasts could not be redone; they are tried again");
                }
            }
            Err(error) => {
                tracing::error!(%error, "redoing the forecasts failed; they are tried again")
            }
        }
        let settle = (began.elapsed() * SETTLE_TIMES).clamp(SETTLE, SETTLE_LONGEST);
        // Until there is news, or it is time anyway.
        let wait = app.clock.real(EVERY).max(SETTLE);
        let first = async {
            loop {
                match bus.recv().await {
                    Ok(event) => {
                        if concerns(&event) {
                            return Some(Ok(event));
                        }
                    }
                    Err(RecvError::Lagged(_)) => return Some(Err(())),
                    Err(RecvError::Closed) => return None,
                }
            }
        };
        let mut events = Vec::new();
        tokio::select! {
            () = app.stop.cancelled() => return,
            event = first => match event {
                Some(event) => events.push(event),
                None => return,
            },
            () = tokio::time::sleep(wait) => {}
        }
        tokio::select! {
            () = app.stop.cancelled() => return,
            () = tokio::time::sleep(settle) => {}
        }
        // The rest of the burst, up to what one round takes; the others wait in the bus.
        while events.len() < BURST {
            match bus.try_recv() {
                Ok(event) => events.push(Ok(event)),
                Err(TryRecvError::Lagged(_)) => events.push(Err(())),
                Err(TryRecvError::Empty | TryRecvError::Closed) => break,
            }
        }
        for event in events {
            match event {
                Ok(Event::Readings(readings)) => news.push(readings),
                Ok(Event::Book | Event::Settings) | Err(()) => proofs.read_all_again(),
                Ok(_) => {}
            }
        }
    }
}

fn concerns(event: &Event) -> bool {
    matches!(event, Event::Readings(_) | Event::Book | Event::Settings)
}

/// The proofs in progress, between rounds.
#[derive(Default)]
struct Proofs {
    running: BTreeMap<String, Running>,
}

impl Proofs {
    fn read_all_again(&mut self) {
        self.running.clear();
    }

    /// Redoes the view of every proof in progress.
    fn refresh(&mut self, app: &App, news: &[Arc<[StoredReading]>]) -> Result<(), ForecastError> {
        let book = app.book();
        let now = app.clock.now();
        let mut views: BTreeMap<String, Arc<ProofView>> = BTreeMap::new();
        let in_progress: Vec<_> = book
            .in_progress(now)
            .map(|s| (s.batch.clone(), s.stage))
            .collect();
        self.running
            .retain(|batch, _| in_progress.iter().any(|(b, _)| b == batch));
        if !in_progress.is_empty() {
            let sensors = model_sensors(app)?;
            let show = crate::display::show(app)?;
            let readings = source::FromStore(app.store.as_ref());
            let sources = air::Sources {
                book: &book,
                readings: &readings,
                model_sensors: &sensors,
            };
            let learned = match learned::by_hand(app)? {
                Some(l) => l,
                None => app.live.memory().at(sources, now, 0)?,
            };
            for (batch, kind) in in_progress {
                let mut kept = self
                    .running
                    .remove(&batch)
                    .filter(|r| r.rests_on(&learned) && !r.is_stale(now));
                if let Some(running) = &mut kept
                    && !news
                        .iter()
                        .flat_map(|n| n.iter())
                        .all(|r| r.time > now || running.take(r))
                {
                    kept = None;
                }
                let running = match kept {
                    Some(running) => running,
                    None => match Running::read(sources, &learned, &batch, kind, now) {
                        Ok(running) => running,
                        Err(ForecastError::NoStage { .. } | ForecastError::NoBatch(_)) => continue,
                        Err(error) => return Err(error),
                    },
                };
                let view = running
                    .outlook(now)
                    .view(&batch, now, &learned, &sources, &show);
                views.insert(batch.clone(), Arc::new(view));
                self.running.insert(batch, running);
            }
        }
        let told: Vec<String> = views.keys().cloned().collect();
        app.live.replace(views);
        for batch in told {
            app.bus.tell(Event::Forecast(batch));
        }
        Ok(())
    }
}

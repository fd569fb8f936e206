//! The first page, read from the rooms; and what one says to an alert.

use axum::extract::{Path, Query, State};
use axum::response::Redirect;
use doughwarden_dashboards::cautions::Caution;
use doughwarden_dashboards::now::{
    Again, Air, Alert, AlertState, Now, Proof, Shaping, Stage, Waking,
};
use doughwarden_dashboards::ready::Ready;
use maud::Markup;
use serde_json::Value;

use super::{Just, back_to, frame};
use crate::app::App;
use crate::batches::book::Book;
use crate::batches::record::{PlaceKind, Quantity, StageKind, StageRecord};
use crate::forecasts::ProofView;
use crate::ingest::board::Channel;
use crate::store::AlertRow;
use crate::time::{HOUR_MS, UtcMs};
use crate::web::Shared;
use crate::web::problem::Problem;

/// Alerts that are over stay on the page this long.
const PAST_MS: i64 = 12 * HOUR_MS;
/// A shaping older than this is no longer on the first page: the batch went another way.
const SHAPING_MS: i64 = 24 * HOUR_MS;
/// Doughs offered for "same again".
const AGAIN: usize = 4;

/// The page.
///
/// # Errors
/// If the store cannot be read.
pub async fn page(State(web): State<Shared>, Query(just): Query<Just>) -> Result<Markup, Problem> {
    web.off(move |web| {
        let app = &web.app;
        let frame = frame(app, just.done("/"))?;
        Ok(doughwarden_dashboards::now::page(&view(app)?, &frame))
    })
    .await
}

/// Which proof, for the pages.
#[must_use]
pub fn stage(kind: StageKind) -> Stage {
    match kind {
        StageKind::Bulk => Stage::Bulk,
        StageKind::Final => Stage::Final,
    }
}

/// A proof in progress as the pages show it.
#[must_use]
pub fn proof(app: &App, book: &Book, id: &str, record: &StageRecord) -> Proof {
    let now = app.clock.now();
    let place = book.place_at(id, now).unwrap_or("nowhere").to_owned();
    let dough_name = book
        .batches
        .get(id)
        .map_or_else(|| id.to_owned(), |b| b.dough.clone());
    let dough = book.doughs.get(&dough_name);
    let view = app.live.get(id).filter(|v| v.stage == record.stage);
    Proof {
        batch: id.to_owned(),
        stage: stage(record.stage),
        started: record.start.timestamp(),
        ready: view.as_deref().map(ready),
        progress: view.as_ref().map_or(0.0, |v| v.progress),
        air: air_in(&app.board.channels(), &place, now),
        dough_c: view.as_ref().map(|v| v.document.dough_temperature.now),
        ceiling_c: dough.and_then(|d| d.ceiling),
        dent_would_help: view.as_ref().is_some_and(|v| v.dent_would_help),
        cautions: cautions(book, &dough_name, &place),
        dough: dough_name,
        place,
    }
}

fn ready(view: &ProofView) -> Ready {
    let r = &view.document.ready;
    Ready {
        early: r.p10.map(UtcMs::timestamp),
        middle: r.p50.map(UtcMs::timestamp),
        late: r.p90.map(UtcMs::timestamp),
        chance_ready: view.chance_ready_now,
        chance_over: view.chance_over_now,
    }
}

/// The air in a place: the newest believed reading of the sensor that the model goes by, else the
/// median of the place's sensors' newest.
#[must_use]
pub fn air_in(channels: &[Channel], place: &str, now: UtcMs) -> Option<Air> {
    let mut here: Vec<(&Channel, f64, UtcMs)> = channels
        .iter()
        .filter(|c| c.quantity == Quantity::AirTemperature)
        .filter(|c| super::sensors::place_of(c).as_deref() == Some(place))
        .filter_map(|c| c.newest_believed.as_ref().map(|n| (c, n.value, n.time)))
        .collect();
    let is_model = |c: &Channel| {
        c.spec
            .as_ref()
            .is_some_and(|s| s.role.as_deref() == Some("model"))
    };
    if here.iter().any(|(c, ..)| is_model(c)) {
        here.retain(|(c, ..)| is_model(c));
    }
    // A silent sensor beside a living one does not pull the value.
    if here.iter().any(|(c, ..)| !super::sensors::stale(c, now)) {
        here.retain(|(c, ..)| !super::sensors::stale(c, now));
    }
    here.sort_by(|a, b| a.1.total_cmp(&b.1));
    let (low, high) = (
        here.get((here.len().max(1) - 1) / 2)?,
        here.get(here.len() / 2)?,
    );
    let newest = here.iter().max_by_key(|(.., at)| *at)?;
    Some(Air {
        value_c: f64::midpoint(low.1, high.1),
        at: newest.2.timestamp(),
        stale: super::sensors::stale(newest.0, now),
    })
}

/// The cautions of a dough in a place.
#[must_use]
pub fn cautions(book: &Book, dough: &str, place: &str) -> Vec<Caution> {
    let mut all: Vec<Caution> = book
        .doughs
        .get(dough)
        .into_iter()
        .flat_map(|d| &d.caution)
        .filter_map(|w| Caution::from_word(w))
        .collect();
    match book.kind_of(place) {
        PlaceKind::Oven => all.extend([Caution::Oven, Caution::Lamp]),
        PlaceKind::Box => all.extend([Caution::Lamp, Caution::BoilingWater]),
        PlaceKind::Room | PlaceKind::Fridge => {}
    }
    all
}

/// An alert as the pages show it.
#[must_use]
pub fn alert(row: &AlertRow) -> Alert {
    let text = |name: &str| {
        row.doc
            .get(name)
            .and_then(Value::as_str)
            .unwrap_or_default()
            .to_owned()
    };
    let state = match (row.cleared, row.seen) {
        (Some(_), _) => AlertState::Over,
        (None, Some(_)) => AlertState::Seen,
        (None, None) => AlertState::New,
    };
    let batch = Some(text("batch")).filter(|b| !b.is_empty());
    let kind = text("alert");
    Alert {
        id: row.id.clone(),
        state,
        severity: text("severity"),
        title: text("title"),
        text: text("text"),
        raised: row.raised.timestamp(),
        all_out: kind == "oven_on",
        told: row.memory["pushed"].as_bool().unwrap_or(true),
        batch,
        quiet_until: row.quiet_until.map(UtcMs::timestamp),
    }
}

fn waking(app: &App) -> Waking {
    let channels = crate::notify::channels(app);
    let mut able: Vec<_> = channels.into_iter().filter(|c| c.wakes_phone).collect();
    // One that works is worth more than one that fails.
    able.sort_by_key(|c| (c.last_error.is_some(), std::cmp::Reverse(c.last_accepted)));
    match able.into_iter().next() {
        None => Waking::PageOnly,
        Some(c) => match c.last_error {
            Some(error) => Waking::Fails {
                channel: c.name,
                error,
            },
            None => Waking::Works {
                channel: c.name,
                last: c.last_accepted.map(UtcMs::timestamp),
            },
        },
    }
}

/// Ids of batches in progress at a moment: those with a stage of their own, and split ones never
/// share a bulk proof in progress.
fn proofs(app: &App, book: &Book) -> Vec<Proof> {
    let now = app.clock.now();
    let mut all: Vec<Proof> = book
        .in_progress(now)
        .map(|s| proof(app, book, &s.batch, s))
        .collect();
    all.sort_by_key(|p| {
        let middle = p.ready.and_then(|r| r.middle);
        (middle.is_none(), middle, p.started)
    });
    all
}

/// When a batch's bulk proof ended, if it is being shaped.
#[must_use]
pub fn shaping_since(book: &Book, id: &str) -> Option<UtcMs> {
    if book.stage(id, StageKind::Final).is_some() {
        return None;
    }
    book.stage(id, StageKind::Bulk)?.end
}

fn shaping(app: &App, book: &Book) -> Vec<Shaping> {
    let now = app.clock.now();
    let mut all: Vec<Shaping> = book
        .batches
        .values()
        .filter_map(|b| {
            let since = shaping_since(book, &b.id)?;
            let given_up = book
                .stage(&b.id, StageKind::Bulk)
                .and_then(|s| s.outcome)
                .is_some_and(|o| o == crate::batches::record::Outcome::Abandoned);
            (!given_up && now.0 - since.0 < SHAPING_MS && since <= now).then(|| Shaping {
                batch: b.id.clone(),
                dough: b.dough.clone(),
                since: since.timestamp(),
            })
        })
        .collect();
    all.sort_by_key(|s| s.since);
    all
}

fn again(book: &Book) -> Vec<Again> {
    let mut newest: std::collections::BTreeMap<&str, (UtcMs, &str)> = Default::default();
    for batch in book.batches.values() {
        let Some(start) = book.stage(&batch.id, StageKind::Bulk).map(|s| s.start) else {
            continue;
        };
        let entry = newest.entry(&batch.dough).or_insert((start, &batch.id));
        if start > entry.0 {
            *entry = (start, &batch.id);
        }
    }
    let mut all: Vec<Again> = newest
        .into_iter()
        .map(|(dough, (start, batch))| Again {
            batch: batch.to_owned(),
            dough: dough.to_owned(),
            last: Some(start.timestamp()),
        })
        .collect();
    all.sort_by_key(|a| std::cmp::Reverse(a.last));
    all.truncate(AGAIN);
    all
}

fn view(app: &App) -> Result<Now, Problem> {
    let book = app.book();
    let now = app.clock.now();
    let mut rows = app.store.open_alerts()?;
    rows.extend(
        app.store
            .alerts(Some(now.plus_ms(-PAST_MS)), None)?
            .into_iter()
            .filter(|a| a.cleared.is_some()),
    );
    rows.retain(crate::watch::on_first_page);
    let mut alerts: Vec<Alert> = rows.iter().map(alert).collect();
    alerts.sort_by_key(|a| {
        let urgency = match a.severity.as_str() {
            "urgent" => 0,
            "warning" => 1,
            _ => 2,
        };
        (a.state as u8, urgency, std::cmp::Reverse(a.raised))
    });
    Ok(Now {
        proofs: proofs(app, &book),
        shaping: shaping(app, &book),
        alerts,
        waking: waking(app),
        again: again(&book),
    })
}

/// "Seen."
///
/// # Errors
/// If there is no such alert or the store cannot be written.
pub async fn seen(State(web): State<Shared>, Path(id): Path<String>) -> Result<Redirect, Problem> {
    crate::web::api::alerts::seen(&web, id).await?;
    Ok(back_to("/", "seen", None))
}

/// "Remind me in 10 minutes."
///
/// # Errors
/// If there is no such alert or the store cannot be written.
pub async fn remind(
    State(web): State<Shared>,
    Path(id): Path<String>,
) -> Result<Redirect, Problem> {
    crate::web::api::alerts::remind_in(&web, id, crate::web::api::alerts::REMIND_MIN).await?;
    Ok(back_to("/", "later", None))
}

/// "All out, preheating."
///
/// # Errors
/// If there is no such alert or the store cannot be written.
pub async fn all_out(
    State(web): State<Shared>,
    Path(id): Path<String>,
) -> Result<Redirect, Problem> {
    crate::web::api::alerts::out(&web, id).await?;
    Ok(back_to("/", "out", None))
}

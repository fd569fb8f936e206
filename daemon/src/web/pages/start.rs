//! Starting a dough.

use axum::extract::{Query, State};
use axum::response::Redirect;
use doughwarden_dashboards::new_batch::NewBatch;
use doughwarden_dashboards::sensors::WEAK_BATTERY;
use maud::Markup;
use serde::Deserialize;

use super::{Fields, Sent, back_to, batch_path, display, frame, now};
use crate::app::App;
use crate::batches::actions::{self, Done};
use crate::batches::record::{Batch, PlaceKind, Quantity, StageKind};
use crate::watch::rules::too_slow_for_oven::too_slow;
use crate::web::Shared;
use crate::web::problem::Problem;

/// What is filled in.
#[derive(Debug, Default, Deserialize)]
pub struct Filled {
    again: Option<String>,
    dough: Option<String>,
}

/// The page.
///
/// # Errors
/// If the store cannot be read.
pub async fn page(
    State(web): State<Shared>,
    Query(filled): Query<Filled>,
) -> Result<Markup, Problem> {
    web.off(move |web| {
        let app = &web.app;
        let frame = frame(app, None)?;
        Ok(doughwarden_dashboards::new_batch::page(
            &view(app, &filled)?,
            &frame,
        ))
    })
    .await
}

fn view(app: &App, filled: &Filled) -> Result<NewBatch, Problem> {
    let book = app.book();
    let again = filled.again.as_ref().and_then(|id| book.batches.get(id));
    let doughs = super::doughs::names(&book);
    let dough = again
        .map(|b| b.dough.clone())
        .or_else(|| filled.dough.clone().filter(|d| doughs.contains(d)));
    let places = super::batch::places(&book);
    let place = again
        .map(|b| b.place.clone())
        .or_else(|| last_place(app, dough.as_deref()))
        .or_else(|| places.first().cloned());
    Ok(NewBatch {
        cautions: now::cautions(
            &book,
            dough.as_deref().unwrap_or_default(),
            place.as_deref().unwrap_or_default(),
        ),
        warnings: warnings(app, place.as_deref()),
        covered: again.and_then(Batch::covered),
        pieces: again.and_then(|b| b.pieces),
        vessel: again.and_then(|b| b.vessel.clone()),
        lots: last_lots(app),
        again: again.map(|b| b.id.clone()),
        doughs,
        dough,
        places,
        place,
    })
}

/// Where this dough (or any) stood last.
fn last_place(app: &App, dough: Option<&str>) -> Option<String> {
    let book = app.book();
    book.batches
        .values()
        .filter(|b| dough.is_none_or(|d| b.dough == d))
        .max_by_key(|b| book.stage(&b.id, StageKind::Bulk).map(|s| s.start))
        .map(|b| b.place.clone())
}

/// The flour's and the yeast's lot noted last, of whatever dough: a bag lasts for several.
fn last_lots(app: &App) -> [Option<String>; 2] {
    let book = app.book();
    ["flour", "yeast"].map(|what| {
        book.batches
            .values()
            .filter_map(|b| {
                let lot = b.lot.as_ref()?.get(what)?.as_str()?;
                Some((book.stage(&b.id, StageKind::Bulk)?.start, lot))
            })
            .max_by_key(|(start, _)| *start)
            .map(|(_, lot)| lot.to_owned())
    })
}

/// What is worth knowing before a proof begins: no thermometer, a silent one, a weak battery.
fn warnings(app: &App, place: Option<&str>) -> Vec<String> {
    let Some(place) = place else {
        return Vec::new();
    };
    let now = app.clock.now();
    let channels = app.board.channels();
    let mut all = Vec::new();
    match now::air_in(&channels, place, now) {
        None => all.push(format!(
            "No thermometer stands in {place}; the forecast will go by the usual air there."
        )),
        Some(air) if air.stale => all.push(format!(
            "The thermometer in {place} has gone silent. Look at it before you count on it."
        )),
        Some(_) => {}
    }
    // Of every oven: another place may be chosen than the one filled in.
    let book = app.book();
    let ovens = book.places.values();
    for oven in ovens.filter(|p| p.kind == Some(PlaceKind::Oven)) {
        let there = channels.iter().filter(|c| {
            c.quantity == Quantity::AirTemperature
                && super::sensors::place_of(c).as_ref() == Some(&oven.name)
        });
        let gaps: Vec<Option<f64>> = there.map(|c| c.longest_gap_s).collect();
        if too_slow(&gaps) == Some(true) {
            all.push(format!(
                "No thermometer in {} is fast enough to warn of the oven coming on: hang a note on its knob.",
                oven.name
            ));
        }
    }
    for c in &channels {
        let weak = c.quantity == Quantity::Battery
            && super::sensors::place_of(c).as_deref() == Some(place)
            && c.newest.as_ref().is_some_and(|n| n.value < WEAK_BATTERY);
        if weak {
            all.push(format!("The battery of {} is weak.", c.sensor));
        }
    }
    all
}

/// "Start."
///
/// # Errors
/// If something is missing or the store cannot be written.
pub async fn start(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let app = &web.app;
        let started = begin(app, &fields)?;
        Ok(back_to(&batch_path(&started.batch), "begun", started.group))
    })
    .await
}

/// Two starts of one dough in one place within this are one start, tapped twice.
const TAPPED_TWICE_MS: i64 = 60_000;

fn begin(app: &App, fields: &Fields) -> Result<Done, Problem> {
    let book = app.book();
    let show = display::show(app)?;
    let dough = fields
        .text("new_dough")
        .or_else(|| fields.text("dough"))
        .ok_or_else(|| Problem::unprocessable("Say which dough it is."))?;
    let place = fields
        .text("new_place")
        .or_else(|| fields.text("place"))
        .ok_or_else(|| Problem::unprocessable("Say where it stands."))?;
    let at = display::when(fields, &show)?;
    let twice = book.batches.values().find(|b| {
        b.dough == dough
            && b.place == place
            && book
                .stages
                .get(&(b.id.clone(), StageKind::Bulk))
                .is_some_and(|s| (s.start.0 - at.0).abs() < TAPPED_TWICE_MS)
    });
    if let Some(batch) = twice {
        return Ok(Done {
            batch: batch.id.clone(),
            group: None,
        });
    }
    let again = fields.text("again").and_then(|id| book.batches.get(id));
    let mut batch = match again.filter(|b| b.dough == dough) {
        Some(b) => Batch {
            id: String::new(),
            from: None,
            learn: None,
            lot: None,
            extra: Default::default(),
            ..b.clone()
        },
        None => Batch {
            dough: dough.to_owned(),
            ..Batch::default()
        },
    };
    batch.place = place.to_owned();
    if let Some(n) = fields
        .number("pieces", "Pieces")?
        .filter(|n| (1.0..=10_000.0).contains(n))
    {
        batch.pieces = Some(n as u32);
    }
    if let Some(vessel) = fields.text("vessel") {
        batch.vessel = Some(vessel.to_owned());
    }
    if let Some(covered) = super::batch::covered(fields) {
        batch.set_covered(covered);
    }
    let lots: serde_json::Map<String, serde_json::Value> =
        [("flour", "flour_lot"), ("yeast", "yeast_lot")]
            .into_iter()
            .filter_map(|(what, field)| Some((what.to_owned(), fields.text(field)?.into())))
            .collect();
    if !lots.is_empty() {
        batch.lot = Some(lots);
    }
    let dough_c = fields
        .number("dough_temperature", "The dough's temperature")?
        .map(|t| (100.0 * show.to_celsius(t)).round() / 100.0);
    Ok(actions::start_batch(app, batch, at, dough_c, None)?)
}

//! Places.

use axum::extract::{Query, State};
use axum::response::Redirect;
use doughwarden_dashboards::places::Place as View;
use maud::Markup;

use super::{Fields, Just, Sent, back_to, frame, now, sensors};
use crate::app::App;
use crate::batches::actions;
use crate::batches::record::{Place, PlaceKind, Record};
use crate::web::Shared;
use crate::web::problem::Problem;

fn kind_word(kind: PlaceKind) -> &'static str {
    match kind {
        PlaceKind::Room => "room",
        PlaceKind::Box => "box",
        PlaceKind::Oven => "oven",
        PlaceKind::Fridge => "fridge",
    }
}

fn views(app: &App) -> Result<Vec<View>, Problem> {
    let open = app.store.open_alerts()?;
    let book = app.book();
    let now = app.clock.now();
    let channels = app.board.channels();
    let mut names = super::batch::places(&book);
    names.extend(channels.iter().filter_map(sensors::place_of));
    names.sort_unstable();
    names.dedup();
    let views = names
        .into_iter()
        .map(|name| {
            let mut here: Vec<String> = channels
                .iter()
                .filter(|c| sensors::place_of(c).as_deref() == Some(name.as_str()))
                .map(|c| c.sensor.clone())
                .collect();
            here.dedup();
            let record = book.places.get(&name);
            View {
                kind: kind_word(book.kind_of(&name)).into(),
                inside: record.and_then(|p| p.inside.clone()),
                lamp: record.and_then(|p| p.lamp),
                air: now::air_in(&channels, &name, now),
                sensors: here,
                doughs: book
                    .in_progress(now)
                    .filter(|s| book.place_at(&s.batch, now) == Some(name.as_str()))
                    .filter_map(|s| book.batches.get(&s.batch))
                    .map(|b| b.dough.clone())
                    .collect(),
                notes: crate::watch::notes_on_place(&open, &name),
                name,
            }
        })
        .collect();
    Ok(views)
}

/// The page.
///
/// # Errors
/// If the store cannot be read.
pub async fn page(State(web): State<Shared>, Query(just): Query<Just>) -> Result<Markup, Problem> {
    web.off(move |web| {
        let frame = frame(&web.app, just.done("/places"))?;
        Ok(doughwarden_dashboards::places::page(
            &views(&web.app)?,
            &frame,
        ))
    })
    .await
}

/// "Save."
///
/// # Errors
/// If something cannot be right or the store cannot be written.
pub async fn save(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let name = fields.need("name", "The place's name")?;
        let before = web.app.book().places.get(name).cloned().unwrap_or_default();
        let kind = match fields.need("kind", "What it is")? {
            "room" => PlaceKind::Room,
            "box" => PlaceKind::Box,
            "oven" => PlaceKind::Oven,
            "fridge" => PlaceKind::Fridge,
            other => return Err(Problem::bad(format!("`{other}` is no kind of place."))),
        };
        let inside = fields.text("inside").map(str::to_owned);
        if inside.as_deref() == Some(name) {
            return Err(Problem::unprocessable("A place cannot stand in itself."));
        }
        let lamp = match (fields.text("lamp").is_some(), before.lamp) {
            (true, _) => Some(true),
            (false, None) => None,
            (false, Some(_)) => Some(false),
        };
        let place = Place {
            name: name.to_owned(),
            kind: Some(kind),
            inside,
            lamp,
            extra: before.extra,
        };
        let undo = actions::put(&web.app, &[Record::Place(place)])?.group;
        Ok(back_to("/places", "saved", undo))
    })
    .await
}

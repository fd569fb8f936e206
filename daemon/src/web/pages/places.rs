//! Places.

use axum::extract::{Query, State};
use axum::response::Redirect;
use doughwarden_dashboards::places::Place as View;
use doughwarden_dashboards::show::Show;
use maud::Markup;

use super::{Fields, Just, Sent, back_to, frame, now, sensors};
use crate::app::App;
use crate::batches::actions;
use crate::batches::record::{Place, PlaceKind, PlannedChange, Record, Season};
use crate::time::UtcMs;
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

fn views(app: &App, show: &Show) -> Result<Vec<View>, Problem> {
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
                seasons: record.map_or_else(String::new, |p| {
                    let each = p.seasons.iter().map(|s| format!("{}={}", s.name, s.from));
                    each.collect::<Vec<_>>().join(";")
                }),
                planned: record.map_or_else(Vec::new, |p| {
                    p.planned.iter().map(|c| in_words(c, show)).collect()
                }),
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
            &views(&web.app, &frame.show)?,
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
            planned: before.planned,
            seasons: seasons(fields.text("seasons").unwrap_or_default())?,
            extra: before.extra,
        };
        let undo = actions::put(&web.app, &[Record::Place(place)])?.group;
        Ok(back_to("/places", "saved", undo))
    })
    .await
}

/// Seasons in one line: `heating=10-15;open windows=05-01`.
fn seasons(text: &str) -> Result<Vec<Season>, Problem> {
    text.split(';')
        .map(str::trim)
        .filter(|part| !part.is_empty())
        .map(|part| {
            let (name, from) = part.split_once('=').ok_or_else(|| {
                Problem::unprocessable(format!(
                    "`{part}` is no season: write its name and first day, like heating=10-15."
                ))
            })?;
            Ok(Season {
                name: name.trim().to_owned(),
                from: from.trim().to_owned(),
                ..Season::default()
            })
        })
        .collect()
}

/// A planned change in a baker's words: `every day at 6:30 to 23 °C`.
fn in_words(change: &PlannedChange, show: &Show) -> String {
    let when = match (&change.daily, change.time) {
        (Some(clock), _) => {
            let own = show.zone.iana_name();
            match change.zone.as_deref() {
                zone if zone == own => format!("every day at {clock}"),
                zone => format!("every day at {clock} ({})", zone.unwrap_or("UTC")),
            }
        }
        (None, Some(time)) => format!("once, {}", show.when(time.timestamp())),
        (None, None) => "never".to_owned(),
    };
    match (change.air, change.on) {
        (Some(c), _) => format!("{when} to {}", show.temperature(c)),
        (None, Some(true)) => format!("{when} on"),
        (None, _) => format!("{when} off"),
    }
}

/// "Plan a change", or "Take it out".
///
/// # Errors
/// If something cannot be right or the store cannot be written.
pub async fn plan(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let name = fields.need("name", "The place's name")?;
        let show = super::display::show(&web.app)?;
        let mut place = web
            .app
            .book()
            .places
            .get(name)
            .cloned()
            .unwrap_or_else(|| Place {
                name: name.to_owned(),
                ..Place::default()
            });
        match fields.text("remove") {
            Some(index) => {
                // Two people may tap at once: what was shown there, and no other.
                let shown = fields.text("planned");
                let index: usize = index
                    .parse()
                    .ok()
                    .filter(|i| {
                        let there = place.planned.get(*i);
                        there.is_some_and(|c| shown == Some(in_words(c, &show).as_str()))
                    })
                    .ok_or_else(|| {
                        Problem::unprocessable("That change is not planned any more.")
                    })?;
                place.planned.remove(index);
            }
            None => place.planned.push(planned(&fields, &show)?),
        }
        let undo = actions::put(&web.app, &[Record::Place(place)])?.group;
        Ok(back_to("/places", "saved", undo))
    })
    .await
}

fn planned(fields: &Fields, show: &Show) -> Result<PlannedChange, Problem> {
    let clock = fields.need("clock", "The clock time")?;
    let time: jiff::civil::Time = clock.parse().map_err(|_| {
        Problem::unprocessable(format!("`{clock}` is not a clock time, like 6:30."))
    })?;
    let mut change = match fields.text("day") {
        None => PlannedChange {
            daily: Some(time.strftime("%H:%M").to_string()),
            zone: show.zone.iana_name().map(str::to_owned),
            from: Some(UtcMs(show.now.as_second() * 1000)),
            ..PlannedChange::default()
        },
        Some(day) => {
            let date: jiff::civil::Date = day.parse().map_err(|_| {
                Problem::unprocessable(format!("`{day}` is not a day, like 2026-01-10."))
            })?;
            let moment = date
                .to_datetime(time)
                .to_zoned_datetime(show.zone.clone())
                .map_err(|_| Problem::unprocessable(format!("`{day}` is not a day.")))?;
            PlannedChange {
                time: Some(UtcMs(moment.timestamp().as_millisecond())),
                ..PlannedChange::default()
            }
        }
    };
    match fields.text("to").unwrap_or("air") {
        "on" => change.on = Some(true),
        "off" => change.on = Some(false),
        _ => {
            let typed = fields.number("air", "The air wanted")?.ok_or_else(|| {
                Problem::unprocessable("Say how warm it will be, or choose on or off.")
            })?;
            change.air = Some((show.to_celsius(typed) * 100.0).round() / 100.0);
        }
    }
    Ok(change)
}

//! Readings from another logger's CSV file: the form, the preview, and how far it is.

use std::io::Write as _;
use std::sync::Arc;

use axum::Json;
use axum::body::Body;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use doughwarden_dashboards::import as view;
use maud::Markup;
use serde_json::{Value, json};

use super::{Fields, Sent, frame, no_such_button};
use crate::app::App;
use crate::backfill::csv::{self, Around, Beginning, CsvError, Preview};
use crate::backfill::dates::DateOrder;
use crate::backfill::head::Find;
use crate::backfill::mapping::{self, Column, Mapping, MappingError};
use crate::backfill::uploads::{State as Stage, Upload, nameless};
use crate::backfill::{Report, tell};
use crate::batches::record::{Quantity, Unit};
use crate::events::Event;
use crate::web::api::csv::put_aside;
use crate::web::problem::{Problem, sentence};
use crate::web::{Shared, Web};

/// The page with the files.
///
/// # Errors
/// If the store cannot be read.
pub async fn list(State(web): State<Shared>) -> Result<Markup, Problem> {
    web.off(|web| list_page(web, None, "")).await
}

fn list_page(web: &Web, wrong: Option<&str>, typed: &str) -> Result<Markup, Problem> {
    let app = &web.app;
    let files: Vec<view::File> = app.uploads.all().iter().map(|u| file_view(u)).collect();
    let kept: Vec<String> = mapping::all(&*app.store)?
        .into_iter()
        .map(|m| m.name)
        .collect();
    Ok(view::list(&files, &kept, &frame(app, None)?, wrong, typed))
}

fn file_view(upload: &Upload) -> view::File {
    view::File {
        id: upload.id.clone(),
        name: upload.name.clone(),
        at: upload.at.timestamp(),
        state: match upload.state() {
            Stage::Waiting => view::State::Waiting,
            Stage::Running(p) => view::State::Running(p.done * 100 / p.of.max(1)),
            Stage::Done(report) => view::State::Done(counts(&report, 0)),
            Stage::Failed(why) => view::State::Failed(why),
        },
    }
}

fn counts(r: &Report, readings: u64) -> view::Counts {
    view::Counts {
        lines: r.lines,
        readings,
        stored: r.stored,
        again: r.again,
        kept_out: r.kept_out,
        empty: r.empty,
        bad: r.bad,
        bad_lines: r
            .bad_lines
            .iter()
            .map(|b| (b.line, b.reason.clone()))
            .collect(),
        span: r
            .from
            .zip(r.to)
            .map(|(a, b)| (a.timestamp(), b.timestamp())),
        notes: r.notes.iter().map(|note| sentence(note)).collect(),
        refused: r.refused,
    }
}

fn path_of(upload: &Upload) -> String {
    format!("/import/{}", upload.id)
}

fn take_on(app: &App, name: &str, file: std::fs::File) -> Result<Arc<Upload>, Problem> {
    app.uploads
        .put(name, app.clock.now(), file)
        .ok_or_else(|| Problem::conflict("Several files are being stored: wait for one of them."))
}

/// Lines that were pasted.
///
/// # Errors
/// If the store cannot be read or the disk is full.
pub async fn paste(State(web): State<Shared>, form: Sent) -> Result<Response, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let typed = fields.text("text").unwrap_or_default();
        let mut file = std::io::Cursor::new(typed.as_bytes().to_vec());
        let wrong = match csv::beginning(&mut file, Find::Guess, web.app.clock.now()) {
            Ok(_) if !typed.is_empty() => None,
            Ok(_) | Err(CsvError::Header(_)) if typed.is_empty() => {
                Some("Choose a file, or paste its lines.".to_owned())
            }
            Ok(_) => None,
            Err(error) => Some(sentence(&error.to_string())),
        };
        if let Some(wrong) = wrong {
            let page = list_page(web, Some(&wrong), typed)?;
            return Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response());
        }
        let mut file = nameless(&web.app.data_dir).map_err(|e| {
            Problem::unprocessable(format!("The lines could not be put aside: {e}."))
        })?;
        file.write_all(typed.as_bytes()).map_err(|e| {
            Problem::unprocessable(format!("The lines could not be put aside: {e}."))
        })?;
        let upload = take_on(&web.app, "pasted lines", file)?;
        Ok(Redirect::to(&path_of(&upload)).into_response())
    })
    .await
}

/// A file's name.
#[derive(Debug, serde::Deserialize)]
pub struct Named {
    #[serde(default)]
    name: String,
}

/// A file as it is: answers where its page is.
///
/// # Errors
/// If it is too large, has no header, or the disk is full.
pub async fn file(
    State(web): State<Shared>,
    Query(named): Query<Named>,
    body: Body,
) -> Result<Json<Value>, Problem> {
    let mut file = put_aside(&web, body).await?;
    web.off(move |web| {
        csv::beginning(&mut file, Find::Guess, web.app.clock.now())?;
        let upload = take_on(&web.app, &named.name, file)?;
        Ok(Json(json!({ "path": path_of(&upload) })))
    })
    .await
}

fn upload(app: &App, id: &str) -> Result<Arc<Upload>, Problem> {
    app.uploads
        .get(id)
        .ok_or_else(|| Problem::none("This file is no longer here: bring it again."))
}

/// One file's page.
///
/// # Errors
/// If it is gone or cannot be read.
pub async fn one(State(web): State<Shared>, Path(id): Path<String>) -> Result<Markup, Problem> {
    web.off(move |web| {
        let app = &web.app;
        let upload = upload(app, &id)?;
        let form = match upload.state() {
            Stage::Waiting => {
                let known = csv::known(
                    &mut *upload.file(),
                    mapping::all(&*app.store)?,
                    app.clock.now(),
                )?;
                let (mapping, beginning) = match known {
                    Some(both) => both,
                    None => guessed(app, &upload, Find::Guess)?,
                };
                let place = mapping.values.iter().find_map(|v| v.place.clone());
                Some(form_view(app, &upload, &beginning, &mapping, place, false))
            }
            _ => None,
        };
        let frame = frame(app, None)?;
        Ok(view::one(&file_view(&upload), form.as_ref(), &frame))
    })
    .await
}

/// What a file seems to hold; its sensor is guessed from the file's name.
fn guessed(app: &App, upload: &Upload, find: Find<'_>) -> Result<(Mapping, Beginning), CsvError> {
    let beginning = csv::beginning(&mut *upload.file(), find, app.clock.now())?;
    let sensor = upload.name.split('.').next().unwrap_or(&upload.name);
    Ok((Mapping::guess(&beginning, sensor), beginning))
}

fn form_view(
    app: &App,
    upload: &Upload,
    beginning: &Beginning,
    mapping: &Mapping,
    place: Option<String>,
    strict: bool,
) -> view::Form {
    let usual = mapping.values.first().map(|v| v.sensor.clone());
    let columns = beginning
        .header
        .iter()
        .map(|name| {
            let mapped = mapping.values.iter().find(|v| v.column == *name);
            view::Column {
                name: name.clone(),
                measures: mapped.map_or_else(String::new, |v| {
                    format!("{}:{}", v.quantity.as_str(), v.unit.as_str())
                }),
                sensor: mapped
                    .map(|v| v.sensor.clone())
                    .or_else(|| usual.clone())
                    .unwrap_or_default(),
                is_time: mapping.is_time(name),
            }
        })
        .collect();
    view::Form {
        id: upload.id.clone(),
        file: upload.name.clone(),
        header: beginning.header.clone(),
        header_line: beginning.header_line,
        rows: beginning.rows.clone(),
        time: mapping.time.clone(),
        clock: mapping.clock.clone().unwrap_or_default(),
        zone: mapping
            .zone
            .clone()
            .unwrap_or_else(|| mapping::usual_zone(app)),
        dates: mapping.dates.as_str().into(),
        dates_matter: beginning.dates.iter().any(Option::is_some),
        place: place.unwrap_or_default(),
        keep: mapping.name.clone(),
        strict,
        columns,
        places: super::batch::places(&app.book()),
        wrong: None,
        preview: None,
    }
}

/// What was typed of each column: its name, what it measures, its sensor.
fn rows(fields: &Fields) -> impl Iterator<Item = ((&str, &str), &str)> {
    let named = fields.all("column").zip(fields.all("measures"));
    named.zip(fields.all("sensor"))
}

/// The mapping that was typed. A column that is chosen as the time is no value, whatever it says.
fn typed(fields: &Fields, beginning: &Beginning) -> Result<Mapping, String> {
    let time = fields.text("time").unwrap_or_default();
    let clock = fields.text("clock").map(str::to_owned);
    let dates = fields
        .text("dates")
        .unwrap_or(DateOrder::default().as_str());
    let dates =
        DateOrder::from_name(dates).ok_or_else(|| format!("`{dates}` is no order of a date."))?;
    // Another column's dates may be written otherwise than what was proposed for the one before.
    let moved = fields.text("time_shown").is_some_and(|shown| shown != time);
    let dates = match beginning.dates_in(time) {
        Some(proposed) if moved => proposed,
        _ => dates,
    };
    let place = fields.text("place");
    let mut values = Vec::new();
    for ((column, measures), sensor) in rows(fields) {
        if measures.is_empty() || column == time || clock.as_deref() == Some(column) {
            continue;
        }
        let what = measures
            .split_once(':')
            .and_then(|(q, u)| Some((Quantity::from_name(q)?, Unit::from_name(u)?)));
        let (quantity, unit) =
            what.ok_or_else(|| format!("`{measures}` is nothing to measure."))?;
        values.push(Column {
            column: column.to_owned(),
            sensor: sensor.to_owned(),
            quantity,
            unit,
            place: place.map(str::to_owned),
        });
    }
    Ok(Mapping {
        name: fields.text("keep").unwrap_or("this file").to_owned(),
        time: time.to_owned(),
        clock,
        zone: fields.text("zone").map(str::to_owned),
        dates,
        values,
    })
}

/// "Look at it", "Store it".
///
/// # Errors
/// If the file is gone or is being stored already.
pub async fn act(
    State(web): State<Shared>,
    Path(id): Path<String>,
    form: Sent,
) -> Result<Response, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let app = &web.app;
        let upload = upload(app, &id)?;
        if upload.state() != Stage::Waiting {
            return Err(Problem::conflict(
                "This file is being stored, or is already.",
            ));
        }
        let take = match fields.need("do", "Which button")? {
            "look" => false,
            "take" => true,
            other => return Err(no_such_button(other)),
        };
        let strict = fields.text("strict").is_some();
        let line = |name: &str| fields.text(name).and_then(|n| n.parse().ok());
        let shown = line("header_shown");
        let wanted = line("header_line").filter(|wanted| Some(*wanted) != shown);
        if let Some(wanted) = wanted {
            return header_moved(app, &upload, wanted, &fields);
        }
        let find = shown.map_or(Find::Guess, Find::Line);
        let beginning = csv::beginning(&mut *upload.file(), find, app.clock.now())?;
        let (mapping, looked) = match typed(&fields, &beginning) {
            Err(why) => (Mapping::default(), Err(why)),
            Ok(mapping) => {
                let mut looked = look(app, &upload, &mapping, take && !strict, &fields)?;
                // A file that must be whole is looked through first: what is wrong stands above the form.
                let whole = matches!(&looked, Ok(Some(p)) if p.report.bad == 0);
                if take && strict && whole {
                    looked = look(app, &upload, &mapping, true, &fields)?;
                }
                (mapping, looked)
            }
        };
        let place = fields.text("place").map(str::to_owned);
        let mut form = form_view(app, &upload, &beginning, &mapping, place, strict);
        form.keep = fields.text("keep").unwrap_or_default().to_owned();
        // What was typed stays, also for columns that are left out or hold the time.
        for ((column, measures), sensor) in rows(&fields) {
            if let Some(shown) = form.columns.iter_mut().find(|c| c.name == column) {
                measures.clone_into(&mut shown.measures);
                sensor.clone_into(&mut shown.sensor);
            }
        }
        let status = match looked {
            Ok(None) => {
                store(app, &upload, mapping, strict)?;
                return Ok(Redirect::to(&path_of(&upload)).into_response());
            }
            Ok(Some(preview)) => {
                form.preview = Some(preview_view(&preview));
                if take {
                    form.wrong = Some(
                        "Nothing was stored, because not every line is good. To store the good ones, say so below."
                            .to_owned(),
                    );
                    StatusCode::UNPROCESSABLE_ENTITY
                } else {
                    StatusCode::OK
                }
            }
            Err(why) => {
                form.wrong = Some(why);
                StatusCode::UNPROCESSABLE_ENTITY
            }
        };
        let page = view::one(&file_view(&upload), Some(&form), &frame(app, None)?);
        Ok((status, page).into_response())
    })
    .await
}

/// The columns' names are read from another line: other columns, so what was said of the others is
/// guessed anew, and nothing is stored yet.
fn header_moved(
    app: &App,
    upload: &Upload,
    line: u64,
    fields: &Fields,
) -> Result<Response, Problem> {
    let (mapping, beginning, wrong) = match guessed(app, upload, Find::Line(line)) {
        Ok((mapping, beginning)) => (mapping, beginning, None),
        Err(CsvError::Header(why)) => {
            let (mapping, beginning) = guessed(app, upload, Find::Guess)?;
            (mapping, beginning, Some(sentence(&why)))
        }
        Err(error) => return Err(error.into()),
    };
    let status = match wrong {
        Some(_) => StatusCode::UNPROCESSABLE_ENTITY,
        None => StatusCode::OK,
    };
    let place = fields.text("place").map(str::to_owned);
    let strict = fields.text("strict").is_some();
    let mut form = form_view(app, upload, &beginning, &mapping, place, strict);
    if let Some(zone) = fields.text("zone") {
        zone.clone_into(&mut form.zone);
    }
    form.wrong = wrong;
    let page = view::one(&file_view(upload), Some(&form), &frame(app, None)?);
    Ok((status, page).into_response())
}

/// A preview (`None` when it is to be stored), or why what was typed cannot be.
fn look(
    app: &App,
    upload: &Upload,
    mapping: &Mapping,
    take: bool,
    fields: &Fields,
) -> Result<Result<Option<Preview>, String>, Problem> {
    if take {
        let kept = match fields.text("keep") {
            Some(_) => mapping::keep(&*app.store, mapping),
            None => mapping.check().map_err(MappingError::Bad),
        };
        return match kept {
            Ok(()) => Ok(Ok(None)),
            Err(MappingError::Bad(why)) => Ok(Err(why)),
            Err(MappingError::Store(error)) => Err(error.into()),
        };
    }
    let (book, zone) = (app.book(), mapping::usual_zone(app));
    let around = Around {
        book: &book,
        now: app.clock.now(),
        usual_zone: &zone,
    };
    match csv::preview(&mut *upload.file(), mapping, &around) {
        Ok(preview) => Ok(Ok(Some(preview))),
        Err(CsvError::Mapping(why) | CsvError::Header(why)) => Ok(Err(sentence(&why))),
        Err(error) => Err(error.into()),
    }
}

fn preview_view(preview: &Preview) -> (Vec<view::Reading>, view::Counts) {
    let first = preview
        .first
        .iter()
        .map(|r| view::Reading {
            line: r.line,
            at: r.time.timestamp(),
            sensor: r.sensor.clone(),
            quantity: r.quantity.as_str().into(),
            value: r.value,
            kept_out: r.kept_out.map(|k| k.as_str().to_owned()),
        })
        .collect();
    (first, counts(&preview.report, preview.readings))
}

/// Stores the file in a task of its own, and tells how far it is.
fn store(
    app: &Arc<App>,
    upload: &Arc<Upload>,
    mapping: Mapping,
    strict: bool,
) -> Result<(), Problem> {
    if !upload.begin() {
        return Err(Problem::conflict(
            "This file is being stored, or is already.",
        ));
    }
    let (app, upload) = (Arc::clone(app), Arc::clone(upload));
    tokio::task::spawn_blocking(move || {
        let (book, zone) = (app.book(), mapping::usual_zone(&app));
        let around = Around {
            book: &book,
            now: app.clock.now(),
            usual_zone: &zone,
        };
        let mut shown = 0;
        let mut progress = |p: crate::backfill::Progress| {
            upload.note(Stage::Running(p));
            let percent = p.done * 100 / p.of.max(1);
            if percent != shown {
                shown = percent;
                app.bus.tell(Event::Sensors);
            }
            !app.stop.is_cancelled()
        };
        let done = csv::import(
            &*app.store,
            &mut *upload.file(),
            &mapping,
            &around,
            strict,
            &mut progress,
        )
        .and_then(|report| {
            tell(&app, &report)?;
            Ok(report)
        });
        upload.note(match done {
            Ok(report) => Stage::Done(report),
            Err(error) => {
                tracing::warn!(file = %upload.name, %error, "a file of readings was not taken in whole");
                Stage::Failed(sentence(&error.to_string()))
            }
        });
        app.bus.tell(Event::Sensors);
    });
    Ok(())
}

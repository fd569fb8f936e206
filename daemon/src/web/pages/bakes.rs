//! The log of bakes, and learning from them.

use axum::extract::{Query, State};
use axum::response::Redirect;
use doughwarden_dashboards::bakes::{Bake, Bakes, Close, Learned, outcome_words};
use maud::Markup;
use serde::Deserialize;
use serde_json::Value;

use super::{Fields, Just, Sent, back_to, batch, frame, now};
use crate::app::App;
use crate::batches::record::{Outcome, StageKind};
use crate::store::CalibrationRow;
use crate::web::Shared;
use crate::web::problem::Problem;

/// Bakes on the page, the newest.
const NEWEST: usize = 200;

/// Whether to go through all bakes.
#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    close: Option<String>,
}

fn log(app: &App) -> Vec<Bake> {
    let book = app.book();
    let mut all: Vec<Bake> = book
        .batches
        .values()
        .map(|b| {
            let stages: Vec<_> = [StageKind::Bulk, StageKind::Final]
                .into_iter()
                .filter_map(|kind| book.stage(&b.id, kind))
                .collect();
            Bake {
                id: b.id.clone(),
                dough: b.dough.clone(),
                start: stages.first().map(|s| s.start.timestamp()),
                stages: stages
                    .iter()
                    .map(|s| {
                        let min = s.end.map(|end| end.seconds_since(s.start) / 60.0);
                        let word = s.end.map(|_| {
                            outcome_words(batch::outcome_word(
                                s.outcome.unwrap_or(Outcome::Unknown),
                            ))
                            .to_owned()
                        });
                        (now::stage(s.stage), min, word)
                    })
                    .collect(),
                learn: b.learn != Some(false),
            }
        })
        .collect();
    all.sort_by_key(|b| std::cmp::Reverse(b.start));
    all.truncate(NEWEST);
    all
}

/// What moved, a sentence each, from the filed document's parameters.
fn moved(doc: &Value) -> Vec<String> {
    doc.get("parameters")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .filter_map(|p| {
            let number = |name: &str| p.get(name).and_then(Value::as_f64);
            let (before, after) = (number("before")?, number("after")?);
            let name = p.get("name")?.as_str()?.replace('_', " ");
            let short = |v| doughwarden_dashboards::show::number(v, 3);
            let range = match (number("p10"), number("p90")) {
                (Some(low), Some(high)) => {
                    format!(" (most likely {} to {})", short(low), short(high))
                }
                _ => String::new(),
            };
            Some(format!(
                "{name}: {} became {}{range}",
                short(before),
                short(after)
            ))
        })
        .collect()
}

/// The comparison's figures that a baker can use.
fn close(doc: &Value) -> Close {
    let overall = &doc["overall"];
    Close {
        count: overall["n"].as_u64().unwrap_or_default(),
        in_span: overall["coverage"].as_f64(),
        half_within_min: overall["median_abs_error_min"].as_f64(),
        clock_half_within_min: overall["clock"]["median_abs_error_min"].as_f64(),
        left_out: doc["left_out"].as_u64().unwrap_or_default(),
    }
}

fn learned(rows: &[CalibrationRow]) -> Vec<Learned> {
    rows.iter()
        .rev()
        .map(|r| Learned {
            version: r.version,
            at: r.at.timestamp(),
            stages: r.stages,
            in_force: r.in_force,
            moved: moved(&r.doc),
        })
        .collect()
}

/// The page.
///
/// # Errors
/// If the store cannot be read.
pub async fn page(
    State(web): State<Shared>,
    Query(just): Query<Just>,
    Query(asked): Query<Asked>,
) -> Result<Markup, Problem> {
    web.off(move |web| {
        let app = &web.app;
        let frame = frame(app, just.done("/bakes"))?;
        let close = asked.close.is_some().then(|| {
            crate::web::api::learning::look_back(app)
                .map(|doc| close(&doc))
                .map_err(|p| p.detail)
        });
        let view = Bakes {
            log: log(app),
            close,
            learned: learned(&app.store.calibrations()?),
        };
        Ok(doughwarden_dashboards::bakes::page(&view, &frame))
    })
    .await
}

/// "Go back to this one."
///
/// # Errors
/// If there is no such version or the store cannot be written.
pub async fn go_back(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let version = fields
            .need("version", "Which one")?
            .parse()
            .map_err(|_| Problem::bad("Which one is not a number."))?;
        crate::web::api::learning::go_back(web, version)?;
        Ok(back_to("/bakes", "changed", None))
    })
    .await
}

/// "Learn from my bakes."
///
/// # Errors
/// If the store cannot be read or written.
pub async fn learn(State(web): State<Shared>) -> Result<Redirect, Problem> {
    web.off(|web| {
        crate::web::api::learning::learn(&web.app)?;
        Ok(back_to("/bakes", "learned", None))
    })
    .await
}

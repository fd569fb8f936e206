//! `GET batches`, `batches/{id}`, its forecast and its charts' numbers; places and doughs.

use axum::Json;
use axum::extract::{Path, Query, State};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::time;
use crate::batches::book::Book;
use crate::batches::record::{Batch, Record, StageKind};
use crate::forecasts::document::ForecastDocument;
use crate::time::UtcMs;
use crate::web::Shared;
use crate::web::pages::charts;
use crate::web::problem::Problem;

/// A batch with what belongs to it, all as the log book writes it.
#[derive(Debug, Serialize)]
pub struct Whole {
    /// The batch's own record.
    #[serde(flatten)]
    batch: Record,
    /// Where it stands now.
    stands_in: Option<String>,
    /// The proof in progress now.
    in_progress: Option<StageKind>,
    /// Its dough, if there is a record of it.
    recipe: Option<Record>,
    /// Its proofs; a split batch's bulk proof is its parent's.
    stages: Vec<Record>,
    /// Where it was carried.
    moves: Vec<Record>,
    /// What was seen.
    observations: Vec<Record>,
}

fn whole(book: &Book, batch: &Batch, now: UtcMs) -> Whole {
    let (first, last) = (UtcMs(i64::MIN), UtcMs(i64::MAX));
    Whole {
        stands_in: book.place_at(&batch.id, now).map(str::to_owned),
        in_progress: book.stage_in_progress(&batch.id, now).map(|s| s.stage),
        recipe: book.doughs.get(&batch.dough).cloned().map(Record::Dough),
        stages: [StageKind::Bulk, StageKind::Final]
            .into_iter()
            .filter_map(|kind| book.stage(&batch.id, kind).cloned().map(Record::Stage))
            .collect(),
        moves: book
            .moves
            .range((batch.id.clone(), first)..=(batch.id.clone(), last))
            .map(|(_, m)| Record::Move(m.clone()))
            .collect(),
        observations: book
            .observations_of(&batch.id, first, last)
            .cloned()
            .map(Record::Observation)
            .collect(),
        batch: Record::Batch(batch.clone()),
    }
}

/// Every batch, the newest start first.
#[utoipa::path(get, path = "/api/v1/batches", tag = "batches",
    responses((status = 200, description = "Batches as the log book writes them, each with `stands_in`, `in_progress`, its dough as `recipe`, and its `stages`, `moves`, `observations`", body = Vec<Object>)))]
pub async fn batches(State(web): State<Shared>) -> Json<Vec<Whole>> {
    let book = web.app.book();
    let now = web.app.clock.now();
    let first = |b: &Batch| {
        let stages = [StageKind::Bulk, StageKind::Final].into_iter();
        stages
            .filter_map(|kind| Some(book.stage(&b.id, kind)?.start))
            .min()
    };
    let mut all: Vec<&Batch> = book.batches.values().collect();
    all.sort_by_key(|b| std::cmp::Reverse(first(b)));
    Json(all.into_iter().map(|b| whole(&book, b, now)).collect())
}

/// One batch.
#[utoipa::path(get, path = "/api/v1/batches/{id}", tag = "batches",
    params(("id" = String, Path, description = "The batch's id")),
    responses(
        (status = 200, description = "The batch with what belongs to it", body = Object),
        (status = 404, description = "No such batch", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn batch(
    State(web): State<Shared>,
    Path(id): Path<String>,
) -> Result<Json<Whole>, Problem> {
    let book = web.app.book();
    let batch = book.batches.get(&id).ok_or_else(|| no_batch(&id))?;
    Ok(Json(whole(&book, batch, web.app.clock.now())))
}

pub(in crate::web) fn no_batch(id: &str) -> Problem {
    Problem::none(format!("There is no batch `{id}`."))
}

/// The moment asked.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct At {
    /// RFC 3339; absent: now.
    at: Option<String>,
}

/// The forecast for the proof in progress at a moment, from what was known by then.
#[utoipa::path(get, path = "/api/v1/batches/{id}/forecast", tag = "batches",
    params(("id" = String, Path, description = "The batch's id"), At),
    responses(
        (status = 200, description = "The forecast document: `ready` (p10, p50, p90), `rise`, `dough_temperature`, `assumed_air_temperature`, `evidence`", body = Object),
        (status = 404, description = "No such batch", body = Object, content_type = "application/problem+json"),
        (status = 409, description = "No proof is in progress then", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn forecast(
    State(web): State<Shared>,
    Path(id): Path<String>,
    Query(at): Query<At>,
) -> Result<Json<ForecastDocument>, Problem> {
    let at = time("at", at.at.as_deref())?;
    web.off(move |web| Ok(Json(crate::forecasts::forecast(&web.app, &id, at)?)))
        .await
}

/// The numbers of the page's two charts, in the baker's unit.
#[utoipa::path(get, path = "/api/v1/batches/{id}/chart", tag = "batches",
    params(("id" = String, Path, description = "The batch's id")),
    responses(
        (status = 200, description = "Columns: seconds since 1970 and values; `null` breaks a line", body = Object),
        (status = 404, description = "No such batch", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn chart(
    State(web): State<Shared>,
    Path(id): Path<String>,
) -> Result<Json<Value>, Problem> {
    web.off(move |web| {
        let show = crate::web::pages::display::show(&web.app)?;
        Ok(Json(charts::columns(&charts::of(&web.app, &id)?, &show)))
    })
    .await
}

/// Every place.
#[utoipa::path(get, path = "/api/v1/places", tag = "batches",
    responses((status = 200, description = "Places as the log book writes them", body = Vec<Object>)))]
pub async fn places(State(web): State<Shared>) -> Json<Vec<Record>> {
    let book = web.app.book();
    Json(book.places.values().cloned().map(Record::Place).collect())
}

/// Every dough, with each ingredient's share of the flour.
#[utoipa::path(get, path = "/api/v1/doughs", tag = "batches",
    responses((status = 200, description = "Doughs as the log book writes them, with `bakers_percentages` where there is a formula", body = Vec<Object>)))]
pub async fn doughs(State(web): State<Shared>) -> Json<Vec<Value>> {
    let book = web.app.book();
    let all = book.doughs.values().map(|d| {
        let mut value =
            serde_json::to_value(Record::Dough(d.clone())).unwrap_or_else(|_| json!({}));
        let lines = crate::web::pages::batch::formula(d.formula.as_deref().unwrap_or_default());
        if let (Value::Object(map), false) = (&mut value, lines.is_empty()) {
            map.insert(
                "bakers_percentages".into(),
                lines
                    .iter()
                    .map(
                        |l| json!({"ingredient": l.name, "percent": l.of_flour.map(|s| s * 100.0)}),
                    )
                    .collect(),
            );
        }
        value
    });
    Json(all.collect())
}

//! Readings from another logger's CSV file: the mappings kept, a preview, taking it in.

use axum::Json;
use axum::body::Body;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use futures::StreamExt as _;
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::io::AsyncWriteExt as _;

use crate::backfill::csv::{self, Around, CsvError};
use crate::backfill::mapping::{self, Mapping, MappingError};
use crate::backfill::uploads::nameless;
use crate::web::problem::{Problem, done};
use crate::web::{FILE_LIMIT, Shared};

impl From<CsvError> for Problem {
    fn from(error: CsvError) -> Self {
        match error {
            CsvError::Store(error) => error.into(),
            CsvError::Stopped => Self::internal(),
            CsvError::Input(_) | CsvError::Header(_) | CsvError::Mapping(_) => {
                Self::unprocessable(super::super::problem::sentence(&error.to_string()))
            }
        }
    }
}

impl From<MappingError> for Problem {
    fn from(error: MappingError) -> Self {
        match error {
            MappingError::Store(error) => error.into(),
            MappingError::Bad(why) => Self::unprocessable(why),
        }
    }
}

/// Puts a body aside on the disk, piece by piece, up to the limit.
///
/// # Errors
/// If it is too large, breaks off, or the disk is full.
pub(in crate::web) async fn put_aside(web: &Shared, body: Body) -> Result<std::fs::File, Problem> {
    let full = |e: std::io::Error| {
        Problem::new(
            StatusCode::INSUFFICIENT_STORAGE,
            "The file could not be put aside",
            format!("{e}: free some space on this machine."),
        )
    };
    let file = nameless(&web.app.data_dir).map_err(full)?;
    let mut file = tokio::fs::File::from_std(file);
    let mut pieces = body.into_data_stream();
    let mut size = 0;
    while let Some(piece) = pieces.next().await {
        let piece = piece.map_err(|e| Problem::bad(format!("The file broke off: {e}.")))?;
        size += piece.len();
        if size > FILE_LIMIT {
            return Err(Problem::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                "Too large",
                format!(
                    "At most {} MiB are taken here; `doughwarden import-csv` takes larger files.",
                    FILE_LIMIT >> 20
                ),
            ));
        }
        file.write_all(&piece).await.map_err(full)?;
    }
    file.flush().await.map_err(full)?;
    Ok(file.into_std().await)
}

/// The mappings of CSV columns that are kept.
#[utoipa::path(get, path = "/api/v1/csv-mappings", tag = "readings",
    responses((status = 200, description = "Each with `name`, `time`, `clock` (the column with the clock time, where `time` holds the date alone), `zone`, `dates` (`day_first`, `month_first` or `year_first`) and `values`: `column`, `sensor`, `quantity`, `unit`, `place`", body = Vec<Object>)))]
pub async fn mappings(State(web): State<Shared>) -> Result<Json<Vec<Mapping>>, Problem> {
    web.off(|web| Ok(Json(mapping::all(&*web.app.store)?)))
        .await
}

/// Keeps a mapping of CSV columns under its name, in the place of the one before.
#[utoipa::path(post, path = "/api/v1/csv-mappings", tag = "readings",
    request_body(content = Object, description = "`name`, `time`, `values` and, where wanted, `clock`, `zone` and `dates`"),
    responses(
        (status = 204, description = "Kept"),
        (status = 422, description = "It cannot work", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn keep(
    State(web): State<Shared>,
    Json(mapping): Json<Mapping>,
) -> Result<axum::response::Response, Problem> {
    web.off(move |web| Ok(mapping::keep(&*web.app.store, &mapping)?))
        .await?;
    Ok(done())
}

/// How a file is taken.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct How {
    /// The kept mapping to use.
    mapping: String,
    /// `true`: nothing is stored; the first readings, counts, span and bad lines come back.
    #[serde(default)]
    preview: bool,
    /// `true`: nothing is stored when one line is bad.
    #[serde(default)]
    strict: bool,
}

/// Takes readings in from a CSV file by a kept mapping; twice changes nothing. Good lines go in
/// though others are bad, unless `strict`.
#[utoipa::path(post, path = "/api/v1/readings/csv", tag = "readings", params(How),
    request_body(content = String, content_type = "text/csv", description = "The file, with its header; at most 64 MiB"),
    responses(
        (status = 200, description = "`stored`, `again`, `kept_out`, `empty`, `lines`, `from`, `to`, `notes`; a preview has `first` and `readings` besides, and `bad_lines`", body = Object),
        (status = 404, description = "No such mapping", body = Object, content_type = "application/problem+json"),
        (status = 413, description = "More than 64 MiB", body = Object, content_type = "application/problem+json"),
        (status = 422, description = "Some lines are bad (`bad_lines`: `line` and `reason`), or the mapping does not fit the file", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn take(
    State(web): State<Shared>,
    Query(how): Query<How>,
    body: Body,
) -> Result<Json<Value>, Problem> {
    let mut file = put_aside(&web, body).await?;
    web.off(move |web| {
        let app = &web.app;
        let mapping = mapping::all(&*app.store)?
            .into_iter()
            .find(|m| m.name == how.mapping)
            .ok_or_else(|| Problem::none(format!("No mapping is kept as `{}`.", how.mapping)))?;
        let (book, zone) = (app.book(), mapping::usual_zone(app));
        let around = Around {
            book: &book,
            now: app.clock.now(),
            usual_zone: &zone,
        };
        if how.preview {
            let preview = csv::preview(&mut file, &mapping, &around)?;
            return Ok(Json(json!(preview)));
        }
        let goes_on = &mut |_| !app.stop.is_cancelled();
        let report = csv::import(
            &*app.store,
            &mut file,
            &mapping,
            &around,
            how.strict,
            goes_on,
        )?;
        crate::backfill::tell(app, &report)?;
        let Some(first) = report.bad_lines.first() else {
            return Ok(Json(json!(report)));
        };
        let detail = match report.bad {
            1 => format!("line {}: {}", first.line, first.reason),
            n => format!("{n} lines are bad; line {}: {}", first.line, first.reason),
        };
        let mut problem = Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "Bad lines", detail);
        if let Value::Object(members) = json!(report) {
            problem.more = members;
        }
        Err(problem)
    })
    .await
}

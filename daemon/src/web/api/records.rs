//! `POST records`: log-book lines, by import's rules. This starts, marks, moves and ends.

use axum::Json;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::{Value, json};

use crate::batches::apply::{Applied, apply};
use crate::web::Shared;
use crate::web::problem::Problem;

/// How strict.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
pub struct How {
    /// `true`: nothing goes in when one line is bad.
    #[serde(default)]
    strict: bool,
}

/// JSON Lines from a body that is JSON Lines or one JSON array.
fn lines(body: &str) -> Result<String, Problem> {
    let body = body.trim_start_matches('\u{feff}');
    if !body.trim_start().starts_with('[') {
        return Ok(body.to_owned());
    }
    let records: Vec<Value> = serde_json::from_str(body)
        .map_err(|e| Problem::bad(format!("The body is not a JSON array: {e}")))?;
    Ok(records.iter().map(|r| format!("{r}\n")).collect())
}

/// Takes log-book lines, one record each, as JSON Lines or a JSON array. Good lines go in though
/// others are bad, unless `strict`.
#[utoipa::path(post, path = "/api/v1/records", tag = "batches", params(How),
    request_body(content = String, content_type = "application/jsonl", description = "Log-book lines, or a JSON array of records"),
    responses(
        (status = 200, description = "All lines went in: `written`, `readings`, `again`, `warnings`, and the `group` under which it can be undone", body = Object),
        (status = 422, description = "Some lines are bad: `bad` lists `line` (from 1) and `reason`", body = Object, content_type = "application/problem+json"),
        (status = 403, description = "Asked for by another page", body = Object, content_type = "application/problem+json"),
        (status = 413, description = "More than 1 MiB", body = Object, content_type = "application/problem+json"),
    ))]
pub async fn records(
    State(web): State<Shared>,
    Query(how): Query<How>,
    body: String,
) -> Result<Json<Applied>, Problem> {
    let lines = lines(&body)?;
    let applied = web
        .off(move |web| Ok(apply(&web.app, &lines, how.strict)?))
        .await?;
    refuse(applied).map(Json)
}

/// What went in, or a problem that lists the bad lines.
pub(in crate::web) fn refuse(applied: Applied) -> Result<Applied, Problem> {
    if applied.bad.is_empty() {
        return Ok(applied);
    }
    let first = applied
        .bad
        .first()
        .map(|b| format!("line {}: {}", b.line, b.reason))
        .unwrap_or_default();
    let detail = match applied.bad.len() {
        1 => first,
        n => format!("{n} lines are bad; {first}"),
    };
    Err(
        Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "Bad lines", detail)
            .with("bad", json!(applied.bad))
            .with("written", json!(applied.written))
            .with("readings", json!(applied.readings))
            .with("again", json!(applied.again))
            .with("warnings", json!(applied.warnings))
            .with("group", json!(applied.group)),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_array_is_as_good_as_lines_and_counts_the_same() {
        let array = lines("\u{feff} [{\"record\":\"place\",\"name\":\"a\"},\n{\"record\":\"place\",\"name\":\"b\"}]").unwrap();
        assert_eq!(
            array,
            "{\"record\":\"place\",\"name\":\"a\"}\n{\"record\":\"place\",\"name\":\"b\"}\n"
        );
        assert_eq!(lines("{}\n\n{}").unwrap(), "{}\n\n{}");
        assert!(lines("[{]").unwrap_err().detail.contains("JSON array"));
    }
}

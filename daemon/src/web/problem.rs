//! Errors as RFC 9457 `application/problem+json`; pages show the same as a page.

use axum::Json;
use axum::body::{Body, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use serde_json::{Map, Value, json};

use crate::batches::actions::ActionError;
use crate::forecasts::ForecastError;
use crate::ingest::assign::AssignError;
use crate::store::StoreError;

/// An error's text never needs more than this, bytes.
const TEXT: usize = 4096;

/// What went wrong, for the one who asked.
#[derive(Clone, Debug)]
pub struct Problem {
    /// The status.
    pub status: StatusCode,
    /// The same for every occurrence.
    pub title: &'static str,
    /// What was wrong here, and what to do.
    pub detail: String,
    /// More members.
    pub more: Map<String, Value>,
}

impl Problem {
    /// One without more members.
    #[must_use]
    pub fn new(status: StatusCode, title: &'static str, detail: impl Into<String>) -> Self {
        Self {
            status,
            title,
            detail: detail.into(),
            more: Map::new(),
        }
    }

    /// With one more member.
    #[must_use]
    pub fn with(mut self, name: &str, value: Value) -> Self {
        self.more.insert(name.to_owned(), value);
        self
    }

    /// The request cannot be understood.
    #[must_use]
    pub fn bad(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, "Not understood", detail)
    }

    /// Understood, but cannot be done.
    #[must_use]
    pub fn unprocessable(detail: impl Into<String>) -> Self {
        Self::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "That cannot be right",
            detail,
        )
    }

    /// There is no such thing.
    #[must_use]
    pub fn none(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, "Nothing by that name", detail)
    }

    /// Something newer stands in the way.
    #[must_use]
    pub fn conflict(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::CONFLICT, "Not as things stand", detail)
    }

    /// A fault of ours.
    #[must_use]
    pub fn internal() -> Self {
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "A fault in the program",
            "The log says more. Nothing was lost; try again.",
        )
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut body = json!({
            "type": "about:blank",
            "title": self.title,
            "status": self.status.as_u16(),
            "detail": self.detail,
        });
        if let Value::Object(map) = &mut body {
            map.extend(self.more.clone());
        }
        let mut response = (self.status, Json(body)).into_response();
        response.headers_mut().insert(
            header::CONTENT_TYPE,
            HeaderValue::from_static("application/problem+json"),
        );
        if self.status == StatusCode::UNAUTHORIZED {
            response
                .headers_mut()
                .insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        if let Some(wait) = self.more.get("retry_after_s").and_then(Value::as_u64) {
            response
                .headers_mut()
                .insert(header::RETRY_AFTER, HeaderValue::from(wait));
        }
        response.extensions_mut().insert(self);
        response
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        let status = match error {
            StoreError::NoRoom(_) => StatusCode::INSUFFICIENT_STORAGE,
            _ => StatusCode::SERVICE_UNAVAILABLE,
        };
        tracing::warn!(
            error = &error as &dyn std::error::Error,
            "a request could not be answered by the store"
        );
        Self::new(status, "The store did not answer", error.to_string())
    }
}

impl From<ForecastError> for Problem {
    fn from(error: ForecastError) -> Self {
        match error {
            ForecastError::Store(error) => error.into(),
            ForecastError::NoBatch(_) => Self::none(error.to_string()),
            ForecastError::NoStage { .. } => Self::conflict(error.to_string()),
        }
    }
}

impl From<ActionError> for Problem {
    fn from(error: ActionError) -> Self {
        match error {
            ActionError::Store(error) => error.into(),
            ActionError::Refused(why) => Self::unprocessable(sentence(&why)),
        }
    }
}

impl From<crate::plans::PlanError> for Problem {
    fn from(error: crate::plans::PlanError) -> Self {
        use crate::plans::PlanError;
        match error {
            PlanError::Store(error) => error.into(),
            PlanError::Forecast(error) => error.into(),
            PlanError::NoDough { .. } => Self::none(error.to_string()),
            PlanError::Bad(_) | PlanError::Model(_) => {
                Self::unprocessable(sentence(&error.to_string()))
            }
        }
    }
}

/// A reason as a sentence of its own.
pub(super) fn sentence(reason: &str) -> String {
    let mut letters = reason.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string());
    let end = if reason.ends_with(['.', '?', '!']) {
        ""
    } else {
        "."
    };
    format!("{}{}{end}", first.unwrap_or_default(), letters.as_str())
}

impl From<AssignError> for Problem {
    fn from(error: AssignError) -> Self {
        match error {
            AssignError::Store(error) => error.into(),
            AssignError::Bad(_) => Self::unprocessable(error.to_string()),
        }
    }
}

/// What a layer or an extractor refused in plain text becomes a problem, too; an answer in JSON stays.
pub async fn as_json(request: Request, next: Next) -> Response {
    told_as_json(next.run(request).await, &["application/json"]).await
}

/// The same for refusals of the layers outside the API (a body too large, a foreign origin), which
/// are bare or plain text; a page's own words stay.
pub async fn plain_as_json(request: Request, next: Next) -> Response {
    let api = request.uri().path().starts_with("/api/");
    let kept: &[&str] = if api {
        &["application/json"]
    } else {
        &["application/json", "text/html"]
    };
    told_as_json(next.run(request).await, kept).await
}

/// A refusal as a problem, unless it is one, or is of a kind that is kept as it is.
async fn told_as_json(response: Response, kept: &[&str]) -> Response {
    let kind = response.headers().get(axum::http::header::CONTENT_TYPE);
    let kind = kind.and_then(|k| k.to_str().ok()).unwrap_or_default();
    let status = response.status();
    if !(status.is_client_error() || status.is_server_error())
        || response.extensions().get::<Problem>().is_some()
        || kept.iter().any(|k| kind.starts_with(k))
    {
        return response;
    }
    let mut problem = from_plain(response).await;
    problem.status = status;
    problem.into_response()
}

/// The problem behind a plain-text refusal.
pub async fn from_plain(response: Response) -> Problem {
    let status = response.status();
    if let Some(problem) = response.extensions().get::<Problem>() {
        return problem.clone();
    }
    let text = to_bytes(response.into_body(), TEXT)
        .await
        .unwrap_or_default();
    let text = String::from_utf8_lossy(&text);
    let detail = if text.is_empty() {
        status.canonical_reason().unwrap_or("refused").to_owned()
    } else {
        text.into_owned()
    };
    Problem::new(status, "Refused", detail)
}

/// An empty answer.
#[must_use]
pub fn done() -> Response<Body> {
    StatusCode::NO_CONTENT.into_response()
}

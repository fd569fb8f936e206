//! Pages for people: reads the rooms into `dashboards`' view structs, and turns forms into the
//! same calls that the API makes.

pub mod bakes;
pub mod batch;
pub mod charts;
pub mod display;
pub mod doughs;
pub mod import;
pub mod now;
pub mod places;
pub mod plans;
pub mod sensors;
pub mod settings;
pub mod sign_in;
pub mod start;

use axum::Router;
use axum::extract::{Form, FromRequest as _, Request, State};
use axum::http::StatusCode;
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use doughwarden_dashboards::controls::Done;
use doughwarden_dashboards::frame::{Clock, Frame};
use doughwarden_dashboards::show::encode;

use super::Shared;
use super::problem::{Problem, from_plain};
use crate::app::App;
use crate::clock_check::Doubt;
use crate::time::UtcMs;

/// Pages and forms that answer at once.
pub(super) fn quick() -> Router<Shared> {
    Router::new()
        .route("/", get(now::page))
        .route("/alerts/{id}/seen", post(now::seen))
        .route("/alerts/{id}/remind", post(now::remind))
        .route("/alerts/{id}/all-out", post(now::all_out))
        .route("/batches", post(start::start))
        .route("/new", get(start::page))
        .route("/batches/{id}", get(batch::page))
        .route("/batches/{id}/do", post(batch::act))
        .route("/batches/{id}/entry", post(batch::entry))
        .route("/batches/{id}/learn", post(batch::learn))
        .route("/doughs", get(doughs::list).post(doughs::save))
        .route("/doughs/edit", get(doughs::edit))
        .route("/plan", get(plans::page))
        .route("/plan/oven", post(plans::keep_oven))
        .route("/reader-table", get(plans::reader_table))
        .route("/reader-table/tester", post(plans::tester))
        .route("/places", get(places::page).post(places::save))
        .route("/places/plan", post(places::plan))
        .route("/sensors", get(sensors::page))
        .route("/sensors/assign", post(sensors::assign))
        .route("/sensors/unassign", post(sensors::unassign))
        .route("/sensors/correct", post(sensors::correct))
        .route("/import", get(import::list).post(import::paste))
        .route("/import/{id}", get(import::one).post(import::act))
        .route("/bakes/go-back", post(bakes::go_back))
        .route("/settings", get(settings::page).post(settings::save))
        .route("/settings/test", post(settings::test))
        .route("/settings/phone", post(settings::phone))
        .route("/settings/invite", post(settings::invite))
        .route("/settings/sign-out", post(settings::sign_out))
        .route("/sign-in", get(sign_in::page).post(sign_in::enter))
        .route("/clock", post(clock))
        .route("/undo", post(undo))
}

/// Pages that go through all bakes.
pub(super) fn sums() -> Router<Shared> {
    Router::new()
        .route("/bakes", get(bakes::page))
        .route("/compare", get(plans::compare_page))
        .route("/bakes/learn", post(bakes::learn))
}

/// What takes a file.
pub(super) fn files() -> Router<Shared> {
    Router::new().route("/import/file", post(import::file))
}

/// A form's fields, in order; a name may come more than once.
#[derive(Debug)]
pub struct Fields(Vec<(String, String)>);

/// The extractor behind [`Fields`].
pub type Sent = Form<Vec<(String, String)>>;

impl Fields {
    /// From the extractor.
    #[must_use]
    pub fn new(sent: Sent) -> Self {
        Self(sent.0)
    }

    /// A field's text without blanks around it, if there is any.
    #[must_use]
    pub fn text(&self, name: &str) -> Option<&str> {
        self.0
            .iter()
            .find(|(n, v)| n == name && !v.trim().is_empty())
            .map(|(_, v)| v.trim())
    }

    /// A field that must be there.
    ///
    /// # Errors
    /// If it is empty.
    pub fn need(&self, name: &str, what: &str) -> Result<&str, Problem> {
        self.text(name)
            .ok_or_else(|| Problem::unprocessable(format!("{what} is missing.")))
    }

    /// A number, if one was typed; a comma is as good as a point.
    ///
    /// # Errors
    /// If what was typed is no number.
    pub fn number(&self, name: &str, what: &str) -> Result<Option<f64>, Problem> {
        self.text(name)
            .map(|t| {
                t.replace(',', ".")
                    .parse::<f64>()
                    .ok()
                    .filter(|v| v.is_finite())
                    .ok_or_else(|| {
                        Problem::unprocessable(format!("{what}: `{t}` is not a number."))
                    })
            })
            .transpose()
    }

    /// All texts of a name, empty ones included.
    pub fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        self.0
            .iter()
            .filter(move |(n, _)| n == name)
            .map(|(_, v)| v.trim())
    }
}

/// What stands around a page.
///
/// # Errors
/// If the store cannot be read.
pub fn frame(app: &App, done: Option<Done>) -> Result<Frame, Problem> {
    use std::sync::atomic::Ordering::Relaxed;
    let unseen = app
        .store
        .open_alerts()?
        .iter()
        .filter(|a| a.seen.is_none() && crate::watch::on_first_page(a))
        .count();
    Ok(Frame {
        show: display::show(app)?,
        done,
        store_writes: app.health.store_writes.load(Relaxed),
        broker_ready: app.health.broker_ready.load(Relaxed),
        unseen,
        clock: Clock {
            doubted: app.clock_check.doubt().map(|doubt| match doubt {
                Doubt::NotSynchronised => "This machine has not heard a time server since it was switched on, so its clock may be wrong.",
                Doubt::BehindWhatIsStored => "This machine's clock stands before what it has already stored, so it is wrong.",
            }),
            corrected: app.clock.corrected_by_ms().is_some(),
            own_time: !app.clock.can_be_corrected(),
        },
    })
}

/// What was just done, from a page's address: `done` is one of our own words, `undo` a number.
#[derive(Debug, Default, serde::Deserialize)]
pub struct Just {
    done: Option<String>,
    undo: Option<i64>,
}

/// What can have been just done: the word in the address, and what the page says.
const DONE: [(&str, &str); 15] = [
    ("noted", "Noted."),
    ("ended", "Ended. Well done."),
    ("begun", "The proof has begun."),
    ("moved", "Carried."),
    (
        "split",
        "Split. This is the new batch; start its final proof when it is shaped.",
    ),
    ("changed", "Changed."),
    ("removed", "Taken out."),
    ("saved", "Saved."),
    ("undone", "Undone."),
    ("taken", "The test was taken. Did your phone ring?"),
    ("assigned", "In use from the next message on."),
    ("learned", "Learned."),
    ("seen", "Noted: it will not be repeated."),
    ("out", "Noted: all out. Mind that the oven is hot."),
    ("later", "You will be told again in 10 minutes."),
];

impl Just {
    fn done(&self, back: &str) -> Option<Done> {
        let word = self.done.as_deref()?;
        let (_, text) = DONE.iter().find(|(w, _)| *w == word)?;
        Some(Done {
            text: (*text).into(),
            undo: self.undo.map(|group| (group, back.to_owned())),
        })
    }
}

/// Back to a page that says what was done.
pub fn back_to(path: &str, word: &str, undo: Option<i64>) -> Redirect {
    let mark = if path.contains('?') { '&' } else { '?' };
    let undo = undo.map_or_else(String::new, |g| format!("&undo={g}"));
    Redirect::to(&format!("{path}{mark}done={word}{undo}"))
}

/// A batch's page.
#[must_use]
pub fn batch_path(id: &str) -> String {
    format!("/batches/{}", encode(id))
}

/// A path of our own to go back to; anything else becomes the first page.
fn own_path(path: &str) -> &str {
    let own = path.starts_with('/')
        && !path.starts_with("//")
        && !path.contains('\\')
        && path.bytes().all(|b| b.is_ascii_graphic());
    if own { path } else { "/" }
}

/// "Use this time": the phone's, which its script sends, or one that was typed; or "use the
/// machine's clock again".
async fn clock(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let app = &web.app;
        match fields.need("do", "Which button")? {
            "use" => {
                let phone = fields
                    .text("phone_ms")
                    .map(|ms| {
                        ms.parse::<i64>()
                            .map_err(|_| Problem::bad("The phone's time is no number."))
                    })
                    .transpose()?;
                let now = match phone {
                    Some(ms) => UtcMs(ms),
                    None => {
                        let typed = fields.need("typed", "The time")?;
                        let zone = display::show(app)?.zone;
                        let clock: jiff::civil::DateTime = typed.parse().map_err(|_| {
                            Problem::unprocessable(format!("`{typed}` is not a date and time."))
                        })?;
                        let at = clock
                            .to_zoned_datetime(zone)
                            .map_err(|_| Problem::internal())?;
                        UtcMs(at.timestamp().as_millisecond())
                    }
                };
                crate::clock_check::correct(app, now)?;
            }
            "machine" => crate::clock_check::take_back(app)?,
            other => return Err(no_such_button(other)),
        }
        Ok(back_to(
            own_path(fields.text("back").unwrap_or("/")),
            "saved",
            None,
        ))
    })
    .await
}

async fn undo(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    let group = fields
        .need("group", "What to undo")?
        .parse::<i64>()
        .map_err(|_| Problem::bad("What to undo is not a number."))?;
    let back = own_path(fields.text("back").unwrap_or("/")).to_owned();
    web.off(move |web| super::api::history::undo_group(&web.app, group))
        .await?;
    Ok(back_to(&back, "undone", None))
}

/// A problem on a page's path is shown as a page.
pub(super) async fn problems_as_pages(
    State(web): State<Shared>,
    request: Request,
    next: Next,
) -> Response {
    let back = request
        .headers()
        .get(axum::http::header::REFERER)
        .and_then(|r| r.to_str().ok())
        .and_then(|r| r.split_once("://"))
        .and_then(|(_, rest)| rest.find('/').map(|i| rest[i..].to_owned()))
        // What was done before is not said again.
        .map(|p| match p.split_once("?done=") {
            Some((path, _)) => path.to_owned(),
            None => p,
        })
        .map_or_else(|| "/".to_owned(), |p| own_path(&p).to_owned());
    let (request, typed) = match typed(request).await {
        Ok(both) => both,
        Err(problem) => return problem.into_response(),
    };
    let response = next.run(request).await;
    let status = response.status();
    if !(status.is_client_error() || status.is_server_error()) {
        return response;
    }
    // A page that says what was wrong by itself (the door) stays as it is.
    if response.extensions().get::<Problem>().is_none() && is_html(&response) {
        return response;
    }
    let problem = from_plain(response).await;
    let shown = problem.clone();
    web.off(move |web| {
        let frame = frame(&web.app, None)?;
        let typed = typed.as_ref().map(|(p, f)| (p.as_str(), f.as_slice()));
        let page = frame.wrong(shown.title, &shown.detail, &back, typed);
        Ok((status, page).into_response())
    })
    .await
    .unwrap_or_else(|_| problem.into_response())
}

/// A form that is sent: where to, and its fields.
type Refused = (String, Vec<(String, String)>);

/// Fields whose text is nobody's to see twice.
const SECRET: [&str; 3] = ["key", "password", "token"];

/// What a form says, kept beside the request until it is known whether it is refused.
async fn typed(request: Request) -> Result<(Request, Option<Refused>), Problem> {
    let is_form = request.method() == axum::http::Method::POST
        && request
            .headers()
            .get(axum::http::header::CONTENT_TYPE)
            .is_some_and(|t| {
                t.as_bytes()
                    .starts_with(b"application/x-www-form-urlencoded")
            });
    if !is_form {
        return Ok((request, None));
    }
    let (parts, body) = request.into_parts();
    let bytes = axum::body::to_bytes(body, super::BODY_LIMIT)
        .await
        .map_err(|_| {
            Problem::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                "Too long",
                "The form is too long.",
            )
        })?;
    let path = parts.uri.path().to_owned();
    let mut again = Request::new(axum::body::Body::from(bytes.clone()));
    *again.method_mut() = parts.method.clone();
    again.headers_mut().clone_from(&parts.headers);
    let fields = Sent::from_request(again, &())
        .await
        .map_or_else(|_| Vec::new(), |sent| sent.0);
    let open = !fields
        .iter()
        .any(|(n, _)| SECRET.iter().any(|s| n.contains(s)));
    let request = Request::from_parts(parts, axum::body::Body::from(bytes));
    Ok((request, open.then_some((path, fields))))
}

fn is_html(response: &Response) -> bool {
    response
        .headers()
        .get(axum::http::header::CONTENT_TYPE)
        .is_some_and(|t| t.as_bytes().starts_with(b"text/html"))
}

/// Only used where a form asks for something that a page cannot do.
fn no_such_button(what: &str) -> Problem {
    Problem::new(
        StatusCode::BAD_REQUEST,
        "Not understood",
        format!("There is no button `{what}`."),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_sent_to_another_site() {
        for path in [
            "//evil.example",
            "https://evil.example",
            "/\\evil.example",
            "javascript:alert(1)",
            "/a b",
            "",
        ] {
            assert_eq!(own_path(path), "/", "{path}");
        }
        assert_eq!(own_path("/batches/x?a=b"), "/batches/x?a=b");
    }
}

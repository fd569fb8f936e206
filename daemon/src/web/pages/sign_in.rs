//! The door's page: the access key, or a link from a phone that is signed in.

use axum::extract::{Query, Request, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use axum::{Form, RequestExt as _};
use doughwarden_dashboards::sign_in;
use maud::Markup;
use serde::Deserialize;

use super::{Fields, own_path};
use crate::web::Shared;
use crate::web::door::{self, Knock};
use crate::web::guard;
use crate::web::problem::Problem;

/// Where one comes from.
#[derive(Debug, Deserialize)]
pub struct Asked {
    token: Option<String>,
    next: Option<String>,
}

/// The page. Nothing is taken here: a link is used up only by the tap on "Sign in".
pub async fn page(State(web): State<Shared>, Query(asked): Query<Asked>) -> Response {
    if web.app.config.http.access_key.is_none() {
        return Redirect::to("/").into_response();
    }
    let next = own_path(asked.next.as_deref().unwrap_or("/"));
    sign_in::page(asked.token.as_deref(), next, None).into_response()
}

fn refused(status: StatusCode, next: &str, why: &str) -> Response {
    let page: Markup = sign_in::page(None, next, Some(why));
    (status, page).into_response()
}

/// "Sign in."
///
/// # Errors
/// If the store cannot be written.
pub async fn enter(State(web): State<Shared>, request: Request) -> Result<Response, Problem> {
    let Some(key) = web.app.config.http.access_key.clone() else {
        return Ok(Redirect::to("/").into_response());
    };
    let from = guard::peer(&request);
    let name = request
        .headers()
        .get(header::USER_AGENT)
        .and_then(|v| v.to_str().ok())
        .map_or("A browser", browser)
        .to_owned();
    let form: Form<Vec<(String, String)>> = request
        .extract()
        .await
        .map_err(|_| Problem::bad("The form cannot be read."))?;
    let fields = Fields::new(form);
    let next = own_path(fields.text("next").unwrap_or("/")).to_owned();
    if let Some(token) = fields.text("token") {
        if !web.door.take(token, web.app.clock.now()) {
            return Ok(refused(
                StatusCode::UNAUTHORIZED,
                &next,
                "This link was used already or is older than ten minutes.",
            ));
        }
    } else {
        match web
            .door
            .knock(from, fields.text("key").unwrap_or_default(), &key.0)
        {
            Knock::Right => {}
            Knock::Wrong => {
                return Ok(refused(
                    StatusCode::UNAUTHORIZED,
                    &next,
                    "That is not the key.",
                ));
            }
            Knock::Wait(s) => {
                let why = format!("Too many wrong keys. Wait {s} s and try again.");
                return Ok(refused(StatusCode::TOO_MANY_REQUESTS, &next, &why));
            }
        }
    }
    let token = web
        .off(move |web| Ok(web.door.sign_in(&web.app, &name)?))
        .await?;
    let cookie = door::set_cookie(Some(&token), web.https());
    Ok(([(header::SET_COOKIE, cookie)], Redirect::to(&next)).into_response())
}

/// What a browser calls itself, in a word that tells phones apart.
fn browser(agent: &str) -> &'static str {
    [
        ("iPhone", "An iPhone"),
        ("iPad", "An iPad"),
        ("Android", "An Android phone"),
        ("Windows", "A Windows computer"),
        ("Mac OS", "A Mac"),
        ("Linux", "A Linux computer"),
    ]
    .into_iter()
    .find(|(mark, _)| agent.contains(mark))
    .map_or("A browser", |(_, name)| name)
}

//! Settings: unit, zone, quiet hours, ways to be told, who is signed in, undo.

use axum::extract::{OriginalUri, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use doughwarden_dashboards::settings::{
    Change, Channel, Copy, Kept, Nightly, Phone, Sent as Message, Session, Settings,
};
use maud::Markup;
use serde_json::{Value, json};

use super::{Fields, Just, Sent, back_to, display, frame};
use crate::app::App;
use crate::config::display::TemperatureUnit;
use crate::events::Event;
use crate::store::{ChangeLogEntry, OutboxRow};
use crate::time::UtcMs;
use crate::web::door;
use crate::web::guard::host;
use crate::web::problem::Problem;
use crate::web::{Shared, Web};

/// The setting with the quiet hours: `"22:00-05:00"`.
pub const QUIET_HOURS: &str = "quiet_hours";
/// Messages listed.
const MESSAGES: usize = 30;
/// Changes looked at for the list of what can be undone.
const CHANGES: usize = 60;
/// Groups of changes listed.
const GROUPS: usize = 10;

/// The page.
///
/// # Errors
/// If the store cannot be read.
pub async fn page(
    State(web): State<Shared>,
    Query(just): Query<Just>,
    headers: HeaderMap,
) -> Result<Markup, Problem> {
    show(&web, just, &headers, None).await
}

async fn show(
    web: &Shared,
    just: Just,
    headers: &HeaderMap,
    invite: Option<String>,
) -> Result<Markup, Problem> {
    let mine = door::cookie(headers, web.https()).map(|t| door::hash_of(&t));
    web.off(move |web| {
        let frame = frame(&web.app, just.done("/settings"))?;
        let mut view = view(web, mine.as_deref())?;
        view.invite = invite;
        Ok(doughwarden_dashboards::settings::page(&view, &frame))
    })
    .await
}

fn message(row: OutboxRow) -> Message {
    let state = match (row.accepted, row.failed) {
        (Some(_), _) => "taken".to_owned(),
        (None, Some(_)) => format!("failed: {}", row.last_error.unwrap_or_default()),
        (None, None) if row.tries == 0 => "waiting".to_owned(),
        (None, None) => format!(
            "tried {} times: {}",
            row.tries,
            row.last_error.unwrap_or_default()
        ),
    };
    Message {
        channel: row.channel,
        title: row
            .doc
            .get("title")
            .and_then(Value::as_str)
            .unwrap_or_default()
            .to_owned(),
        queued: row.queued.timestamp(),
        failed: row.failed.is_some(),
        state,
    }
}

fn change_words(c: &ChangeLogEntry) -> String {
    let verb = match (&c.before, &c.after) {
        (None, _) => "new",
        (_, None) => "taken out:",
        _ => "changed:",
    };
    let what = match c.key.record.as_str() {
        "stage" => "proof",
        "move" => "carried",
        "observation" => "note",
        other => other,
    };
    let name = c.key.key.split('\u{1f}').next().unwrap_or_default();
    format!("{verb} {what} {name}")
}

/// The newest groups of changes, each with its first change in words.
fn changes(all: Vec<ChangeLogEntry>) -> Vec<Change> {
    let mut groups: Vec<(i64, Vec<ChangeLogEntry>)> = Vec::new();
    for change in all {
        match groups.last_mut() {
            Some((group, list)) if *group == change.group => list.push(change),
            _ => groups.push((change.group, vec![change])),
        }
    }
    groups
        .into_iter()
        .take(GROUPS)
        .filter_map(|(group, list)| {
            let main = list.last()?;
            let more = match list.len() {
                1 => String::new(),
                n => format!(" and {} more", n - 1),
            };
            Some(Change {
                group,
                at: main.at.timestamp(),
                text: format!("{}{more}", change_words(main)),
            })
        })
        .collect()
}

fn kept(app: &App) -> Kept {
    let config = &app.config.store;
    let standing = app.nightly.standing();
    Kept {
        keep_days: config.keep_days,
        nightly: config.nightly_folder.as_ref().map(|folder| Nightly {
            folder: folder.display().to_string(),
            hour: config.nightly_hour,
            newest: standing.newest.map(UtcMs::timestamp),
            copies: standing.copies,
            keep: config.nightly_keep,
            too_old: standing.too_old(app.clock.now()),
            last_error: standing.last_error.map(|(_, why)| why),
            same_disk: standing.same_disk,
        }),
    }
}

fn view(web: &Web, mine: Option<&str>) -> Result<Settings, Problem> {
    let app: &App = &web.app;
    let shown = display::show(app)?;
    let configured = &app.config;
    let quiet = configured.alert.quiet_hours.clone().or_else(|| {
        let set = app.store.setting(QUIET_HOURS).ok().flatten();
        set.and_then(|v| v.as_str().map(str::to_owned))
    });
    Ok(Settings {
        unit: if shown.fahrenheit { "degF" } else { "degC" }.into(),
        zone: shown.zone.iana_name().unwrap_or("UTC").into(),
        fixed: (
            configured.display.unit.is_some(),
            configured.display.zone.is_some(),
            configured.alert.quiet_hours.is_some(),
        ),
        quiet_hours: quiet,
        channels: crate::notify::channels(app)
            .into_iter()
            .map(|c| Channel {
                name: c.name,
                wakes_phone: c.wakes_phone,
                last_accepted: c.last_accepted.map(UtcMs::timestamp),
                last_error: c.last_error,
                waiting: c.waiting,
            })
            .collect(),
        phones: crate::notify::push::subscriptions(app)
            .into_iter()
            .map(|p| Phone {
                name: p.name,
                endpoint: p.endpoint,
                on_duty: p.on_duty,
            })
            .collect(),
        sent: app
            .store
            .outbox_history(MESSAGES)?
            .into_iter()
            .map(message)
            .collect(),
        sessions: door::sessions(app)?
            .into_iter()
            .map(|s| Session {
                this_one: Some(s.hash.as_str()) == mine,
                id: s.hash,
                name: s.name,
                since: s.since.timestamp(),
            })
            .collect(),
        locked: configured.http.access_key.is_some(),
        invite: None,
        copy: configured.influx.as_ref().map(|influx| {
            let standing = app.copy.standing();
            Copy {
                server: influx.url.clone(),
                waiting: standing.waiting,
                oldest: standing.oldest.map(UtcMs::timestamp),
                dropped: standing.dropped,
                refused: standing.refused,
                last_sent: standing.last_sent.map(UtcMs::timestamp),
                failing_since: standing.failing_since.map(UtcMs::timestamp),
                last_error: standing.last_error,
            }
        }),
        tested: app.desk.tested().map(|o| (o.at.timestamp(), o.failed)),
        changes: changes(app.store.changes(CHANGES)?),
        kept: kept(app),
    })
}

/// "Save."
///
/// # Errors
/// If something cannot be right or the store cannot be written.
pub async fn save(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let app = &web.app;
        let mut set = app
            .store
            .setting(display::SETTING)?
            .filter(Value::is_object)
            .unwrap_or_else(|| json!({}));
        if let Some(zone) = fields.text("zone") {
            if jiff::tz::TimeZone::get(zone).is_err() {
                return Err(Problem::unprocessable(format!(
                    "`{zone}` is no time zone; write it like Europe/Oslo."
                )));
            }
            set["zone"] = json!(zone);
        }
        if let Some(unit) = fields.text("unit") {
            let unit: TemperatureUnit = serde_json::from_value(json!(unit))
                .map_err(|_| Problem::bad(format!("`{unit}` is no unit.")))?;
            set["unit"] = json!(unit);
        }
        app.store.set_setting(display::SETTING, Some(&set))?;
        if app.config.alert.quiet_hours.is_none() {
            let hours = match (fields.text("quiet_from"), fields.text("quiet_to")) {
                (None, None) => None,
                (Some(from), Some(to)) => Some(quiet(from, to)?),
                _ => {
                    return Err(Problem::unprocessable(
                        "Quiet hours need a beginning and an end.",
                    ));
                }
            };
            app.store
                .set_setting(QUIET_HOURS, hours.map(Value::from).as_ref())?;
        }
        app.bus.tell(Event::Settings);
        Ok(back_to("/settings", "saved", None))
    })
    .await
}

fn quiet(from: &str, to: &str) -> Result<String, Problem> {
    let time = |text: &str| {
        text.parse::<jiff::civil::Time>()
            .map(|t| format!("{:02}:{:02}", t.hour(), t.minute()))
            .map_err(|_| Problem::unprocessable(format!("`{text}` is not a clock time.")))
    };
    let (from, to) = (time(from)?, time(to)?);
    if from == to {
        return Err(Problem::unprocessable(
            "Quiet hours begin and end at different times.",
        ));
    }
    Ok(format!("{from}-{to}"))
}

/// "Send a test."
///
/// # Errors
/// What the channel says.
pub async fn test(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    let channel = fields.need("channel", "Which channel")?;
    crate::notify::test(&web.app, channel)
        .await
        .map_err(|e| Problem::new(StatusCode::BAD_GATEWAY, "The test was not taken", e))?;
    Ok(back_to("/settings", "taken", None))
}

/// "Sign in another phone."
///
/// # Errors
/// If the store cannot be read.
pub async fn invite(
    State(web): State<Shared>,
    OriginalUri(uri): OriginalUri,
    headers: HeaderMap,
) -> Result<Markup, Problem> {
    if web.app.config.http.access_key.is_none() {
        return Err(Problem::conflict(
            "No access key is set, so nobody needs to sign in.",
        ));
    }
    let host = host(&uri, &headers).unwrap_or_else(|| "localhost".to_owned());
    let scheme = if web.https() { "https" } else { "http" };
    let token = web.door.invite(web.app.clock.now());
    let link = format!("{scheme}://{host}/sign-in?token={token}");
    show(&web, Just::default(), &headers, Some(link)).await
}

/// "Sign out", this or another.
///
/// # Errors
/// If the store cannot be written.
pub async fn sign_out(
    State(web): State<Shared>,
    headers: HeaderMap,
    form: Sent,
) -> Result<Response, Problem> {
    let fields = Fields::new(form);
    let id = fields.need("id", "Which one")?.to_owned();
    let https = web.https();
    let mine = door::cookie(&headers, https).map(|t| door::hash_of(&t)) == Some(id.clone());
    web.off(move |web| Ok(web.door.sign_out(&web.app, &id)?))
        .await?;
    if mine {
        let gone = door::set_cookie(None, https);
        return Ok(([(header::SET_COOKIE, gone)], Redirect::to("/sign-in")).into_response());
    }
    Ok(back_to("/settings", "changed", None).into_response())
}

/// A phone on duty, off, or taken away.
///
/// # Errors
/// If it is no longer signed up or the store cannot be written.
pub async fn phone(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let endpoint = fields.need("endpoint", "Which phone")?;
        match fields.need("do", "Which button")? {
            "on" => crate::web::api::push::duty(&web.app, endpoint, true)?,
            "off" => crate::web::api::push::duty(&web.app, endpoint, false)?,
            "remove" => crate::notify::push::unsubscribe(&web.app, endpoint)?,
            other => return Err(super::no_such_button(other)),
        }
        Ok(back_to("/settings", "changed", None))
    })
    .await
}

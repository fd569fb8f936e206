//! Sensors: what is known, what is heard, and assigning with one tap.

use axum::extract::{Query, State};
use axum::response::Redirect;
use doughwarden_dashboards::sensors::{Guess, Heard, KeptOut, Sensor as View, Sensors};
use maud::Markup;

use super::{Fields, Just, Sent, back_to, display, frame};
use crate::app::App;
use crate::batches::record::{Quantity, Unit};
use crate::config::sensor::{Correction, Sensor};
use crate::ingest::assign;
use crate::ingest::board::Channel;
use crate::store::ReadingQuery;
use crate::time::{HOUR_MS, UtcMs};
use crate::web::Shared;
use crate::web::problem::Problem;

/// A sensor whose normal gap is not known yet counts as silent after this, s.
const UNKNOWN_GAP_S: f64 = 600.0;
/// Readings kept out that the page lists.
const KEPT_OUT: usize = 30;
/// How far back it looks for them: a week.
const KEPT_OUT_MS: i64 = 7 * 24 * HOUR_MS;

/// Where a sensor stands: as mapped, else as its newest reading says, else the place of its name.
#[must_use]
pub fn place_of(c: &Channel) -> Option<String> {
    c.spec
        .as_ref()
        .and_then(|s| s.place.clone())
        .or_else(|| Some(c.newest.as_ref()?.place.as_ref()?.to_string()))
        .or_else(|| Some(c.sensor.clone()))
}

/// Whether its newest reading is older than two of its normal gaps.
#[must_use]
pub fn stale(c: &Channel, now: UtcMs) -> bool {
    let gap = c.longest_gap_s.unwrap_or(UNKNOWN_GAP_S);
    c.newest
        .as_ref()
        .is_none_or(|n| now.seconds_since(n.time) > 2.0 * gap)
}

/// The page.
///
/// # Errors
/// If the store cannot be read.
pub async fn page(State(web): State<Shared>, Query(just): Query<Just>) -> Result<Markup, Problem> {
    web.off(move |web| {
        let frame = frame(&web.app, just.done("/sensors"))?;
        Ok(doughwarden_dashboards::sensors::page(
            &view(&web.app, &frame.show)?,
            &frame,
        ))
    })
    .await
}

fn correction_words(
    c: &Correction,
    quantity: &str,
    show: &doughwarden_dashboards::show::Show,
) -> String {
    let value = |v| doughwarden_dashboards::sensors::value_words(quantity, v, show);
    match c.points.as_slice() {
        [[shown, is]] if quantity.ends_with("temperature") => show.difference(is - shown),
        points => points
            .iter()
            .map(|[shown, is]| format!("{} is {}", value(*shown), value(*is)))
            .collect::<Vec<_>>()
            .join(", "),
    }
}

fn view(app: &App, show: &doughwarden_dashboards::show::Show) -> Result<Sensors, Problem> {
    let now = app.clock.now();
    let open = app.store.open_alerts()?;
    let counts: std::collections::BTreeMap<_, _> = app
        .store
        .series()?
        .into_iter()
        .map(|s| ((s.sensor.clone(), s.quantity), s))
        .collect();
    let sensors = app
        .board
        .channels()
        .iter()
        .map(|c| {
            let quantity = c.quantity.as_str().to_owned();
            let count = counts.get(&(c.sensor.clone(), c.quantity));
            View {
                name: c.sensor.clone(),
                place: place_of(c),
                topic: c.spec.as_ref().map(|s| s.topic.clone()),
                newest: c.newest.as_ref().map(|n| (n.value, n.time.timestamp())),
                kept_out: c
                    .newest
                    .as_ref()
                    .and_then(|n| n.kept_out)
                    .map(|k| k.as_str().to_owned()),
                stale: stale(c, now),
                retained_value: c.retained_value,
                longest_gap_s: c.longest_gap_s,
                kept_out_count: count.map_or(0, |s| s.kept_out),
                count: count.map_or(0, |s| s.count),
                from_config: c.from_config,
                notes: crate::watch::notes_on_sensor(&open, &c.sensor, c.quantity),
                corrections: c
                    .spec
                    .iter()
                    .flat_map(|s| &s.correction)
                    .map(|k| (k.from.timestamp(), correction_words(k, &quantity, show)))
                    .collect(),
                quantity,
            }
        })
        .collect();
    let heard = app
        .board
        .heard()
        .into_iter()
        .map(|h| Heard {
            at: h.at.timestamp(),
            retained: h.retained,
            guesses: h
                .guesses
                .iter()
                .map(|g| Guess {
                    pointer: g.pointer.clone(),
                    senml_name: g.senml_name.clone(),
                    quantity: g.quantity.as_str().into(),
                    unit: g.unit.as_str().into(),
                    value: g.value,
                    name: name_for(&h.topic),
                })
                .collect(),
            topic: h.topic,
            preview: h.preview,
        })
        .collect();
    let mut kept_out: Vec<KeptOut> = app
        .store
        .readings(&ReadingQuery {
            from: Some(now.plus_ms(-KEPT_OUT_MS)),
            with_kept_out: true,
            newest: Some(5_000),
            ..ReadingQuery::default()
        })?
        .into_iter()
        .filter_map(|r| {
            Some(KeptOut {
                reason: r.kept_out?.as_str().into(),
                sensor: r.sensor.into(),
                quantity: r.quantity.as_str().into(),
                at: r.time.timestamp(),
                value: r.raw.map_or(r.value, |(v, _)| v),
            })
        })
        .collect();
    kept_out.reverse();
    kept_out.truncate(KEPT_OUT);
    Ok(Sensors {
        sensors,
        heard,
        kept_out,
        places: super::batch::places(&app.book()),
        broker: broker(app),
    })
}

/// Where sensors send to, without user or password.
fn broker(app: &App) -> String {
    match &app.config.mqtt.broker {
        Some(url) => {
            let url = url.0.as_str();
            let (scheme, rest) = url.split_once("://").unwrap_or(("mqtt", url));
            let host = rest.rsplit_once('@').map_or(rest, |(_, host)| host);
            format!("{scheme}://{host}")
        }
        None => format!("mqtt://{}", app.config.mqtt.listen),
    }
}

/// A name to propose for what sends on a topic: its last part that says something.
fn name_for(topic: &str) -> String {
    topic
        .split('/')
        .rev()
        .find(|part| {
            !part.is_empty()
                && !matches!(
                    part.to_ascii_lowercase().as_str(),
                    "state"
                        | "status"
                        | "temperature"
                        | "humidity"
                        | "sensor"
                        | "value"
                        | "tele"
                        | "stat"
                )
        })
        .unwrap_or(topic)
        .chars()
        .take(64)
        .collect()
}

/// "Use it."
///
/// # Errors
/// If it cannot work.
pub async fn assign(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let quantity = fields.need("quantity", "What it measures")?;
        let unit = fields.need("unit", "Its unit")?;
        let name = fields.need("name", "Its name")?;
        let sensor = Sensor {
            name: name.to_owned(),
            place: Some(fields.text("place").unwrap_or(name).to_owned()),
            topic: fields.need("topic", "Its topic")?.to_owned(),
            pointer: fields.text("pointer").map(str::to_owned),
            time_pointer: None,
            matches: Default::default(),
            quantity: Quantity::from_name(quantity)
                .ok_or_else(|| Problem::bad(format!("`{quantity}` is no quantity.")))?,
            unit: Unit::from_name(unit)
                .ok_or_else(|| Problem::bad(format!("`{unit}` is no unit.")))?,
            interval_s: None,
            senml_name: fields.text("senml_name").map(str::to_owned),
            empty_distance_m: None,
            role: None,
            batch: None,
            correction: Vec::new(),
        };
        assign::put(&web.app, sensor)?;
        Ok(back_to("/sensors", "assigned", None))
    })
    .await
}

fn series(fields: &Fields) -> Result<(&str, Quantity), Problem> {
    let sensor = fields.need("sensor", "The sensor")?;
    let quantity = fields.need("quantity", "What it measures")?;
    let quantity = Quantity::from_name(quantity)
        .ok_or_else(|| Problem::bad(format!("`{quantity}` is no quantity.")))?;
    Ok((sensor, quantity))
}

/// "No longer listen to it."
///
/// # Errors
/// If there is no such mapping.
pub async fn unassign(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let (sensor, quantity) = series(&fields)?;
        crate::web::api::sensors::remove(&web.app, sensor, quantity)?;
        Ok(back_to("/sensors", "removed", None))
    })
    .await
}

/// "Correct from now on."
///
/// # Errors
/// If it cannot work.
pub async fn correct(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let (sensor, quantity) = series(&fields)?;
        let show = display::show(&web.app)?;
        let stored = |typed: f64| match quantity.unit() {
            Unit::Cel => show.to_celsius(typed),
            Unit::Metre => typed / 1000.0,
            _ => typed,
        };
        let pair = |a: &str, b: &str| -> Result<Option<[f64; 2]>, Problem> {
            match (fields.number(a, "It says")?, fields.number(b, "It is")?) {
                (Some(shown), Some(is)) => Ok(Some([stored(shown), stored(is)])),
                (None, None) => Ok(None),
                _ => Err(Problem::unprocessable(
                    "Write both: what it says and what it is.",
                )),
            }
        };
        let points: Vec<[f64; 2]> = [pair("shown", "is")?, pair("shown2", "is2")?]
            .into_iter()
            .flatten()
            .collect();
        let correction = Correction {
            from: web.app.clock.now(),
            points,
        };
        crate::web::api::sensors::correct(&web.app, sensor, quantity, correction)?;
        Ok(back_to("/sensors", "saved", None))
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_topic_gives_a_name_worth_having() {
        assert_eq!(name_for("kitchen/box/state"), "box");
        assert_eq!(name_for("tele/shelf/SENSOR"), "shelf");
        assert_eq!(name_for("state"), "state");
    }
}

//! Watching: rules over readings, forecasts and the book; the life of an alert.
//!
//! - [`world`]: the replayable stream the rules see, and what it adds up to;
//! - [`rules`]: one small state machine a file; [`RULES`] is the table that page and docs print;
//! - [`watcher`]: all of them over one stream, and what takes the place of what;
//! - [`life`]: raised, changed, repeated, cleared; one event has one id;
//! - `gather`: what the rules are shown of sensors, broker, disk and weeks past;
//! - [`run`]: the loop that writes and tells; [`say`], [`advice`], [`quiet`]: words and hours.

pub mod advice;
mod gather;
pub mod life;
pub mod quiet;
pub mod rules;
pub mod run;
pub mod say;
pub mod watcher;
pub mod world;

#[cfg(test)]
mod bakes;
#[cfg(test)]
pub(crate) mod timeline;

use serde_json::json;

use crate::app::App;
use crate::batches::actions::{self, ActionError};
use crate::batches::record::{PlaceKind, Quantity};
use crate::store::{AlertRow, StoreError};
use crate::time::UtcMs;

pub use rules::RULES;
pub use run::start;

/// Someone has seen an alert: it is not repeated, for anyone. A grouped one is seen with all it
/// stands for. `Ok(false)`: no such alert.
///
/// # Errors
/// If the store cannot be written.
pub fn acknowledge(app: &App, id: &str) -> Result<bool, StoreError> {
    let now = app.clock.now();
    change(app, id, |row| {
        row.seen.get_or_insert(now);
        row.quiet_until = None;
    })
}

/// Remind me in so many minutes. `Ok(false)`: no such alert.
///
/// # Errors
/// If the store cannot be written.
pub fn remind(app: &App, id: &str, minutes: f64) -> Result<bool, StoreError> {
    let until = app.clock.now().plus_min(minutes.clamp(0.0, 24.0 * 60.0));
    change(app, id, |row| {
        if row.cleared.is_none() {
            row.seen = None;
            row.quiet_until = Some(until);
        }
    })
}

/// "All out, preheating": ends an `oven_on` alert and records that everything in that oven was
/// carried out. `Ok(false)`: no such alert is open.
///
/// # Errors
/// If the store cannot be written.
pub fn all_out(app: &App, id: &str) -> Result<bool, StoreError> {
    let now = app.clock.now();
    let Some(row) = app.store.alert(id)?.filter(|r| r.cleared.is_none()) else {
        return Ok(false);
    };
    let Some(oven) = row.doc["place"]
        .as_str()
        .filter(|_| row.doc["alert"] == rules::oven_on::ABOUT.name)
        .map(str::to_owned)
    else {
        return Ok(false);
    };
    let book = app.book();
    let inside: Vec<String> = book
        .in_progress(now)
        .filter(|s| book.place_at(&s.batch, now) == Some(oven.as_str()))
        .map(|s| s.batch.clone())
        .collect();
    let place = outside(&book, &oven);
    for batch in inside {
        match actions::move_batch(app, &batch, &place, now, None) {
            Ok(_) => {}
            Err(ActionError::Store(error)) => return Err(error),
            // The dough is out, whatever the book says: the alert ends.
            Err(error) => {
                tracing::warn!(batch, %error, "The move out of the oven was not recorded")
            }
        }
    }
    change(app, id, |row| end(row, now, app))
}

/// Where what is taken out of an oven stands: what the oven is inside of, else the first room.
fn outside(book: &crate::batches::book::Book, oven: &str) -> String {
    book.places
        .get(oven)
        .and_then(|p| p.inside.clone())
        .or_else(|| {
            book.places
                .values()
                .find(|p| p.kind == Some(PlaceKind::Room))
                .map(|p| p.name.clone())
        })
        .unwrap_or_else(|| "counter".to_owned())
}

fn end(row: &mut AlertRow, now: UtcMs, app: &App) {
    row.seen.get_or_insert(now);
    row.cleared.get_or_insert(now);
    let memory = life::Memory::of(row);
    row.doc = life::over_document(now, row, memory.as_ref(), &run::manner(app));
}

/// Changes an alert and those it stands for, and tells the page.
fn change(app: &App, id: &str, mut with: impl FnMut(&mut AlertRow)) -> Result<bool, StoreError> {
    let rows = {
        let _lock = run::writes();
        let Some(first) = app.store.alert(id)? else {
            return Ok(false);
        };
        let mut rows = Vec::new();
        for included in first.doc["includes"].as_array().into_iter().flatten() {
            if let Some(row) = included
                .as_str()
                .map(|id| app.store.alert(id))
                .transpose()?
            {
                rows.extend(row);
            }
        }
        rows.insert(0, first);
        let now = app.clock.now();
        let mut step = life::Step::default();
        for row in &mut rows {
            let open = row.cleared.is_none();
            with(row);
            if open && row.cleared.is_some() {
                step.messages.extend(life::over_by_hand(now, row));
            }
        }
        app.store.put_alerts(&rows, &run::outbox(app, now, &step))?;
        rows
    };
    for row in &rows {
        run::tell_row(app, row);
    }
    Ok(true)
}

/// Alerts that are notes on the page of their place or sensor, and not on the first one.
const ON_THEIR_OWN_PAGE: [&str; 2] = [rules::sweating::ABOUT.name, rules::sensor_drift::ABOUT.name];

/// Whether an alert stands on the first page.
#[must_use]
pub fn on_first_page(row: &AlertRow) -> bool {
    row.doc["alert"]
        .as_str()
        .is_none_or(|name| !ON_THEIR_OWN_PAGE.contains(&name))
}

/// What the open alerts have to say of a place on its page.
#[must_use]
pub fn notes_on_place(open: &[AlertRow], place: &str) -> Vec<String> {
    notes(open, |alert, subject, _| {
        alert == rules::sweating::ABOUT.name && subject.place.as_deref() == Some(place)
    })
}

/// What the open alerts have to say of one of a sensor's quantities on its page.
#[must_use]
pub fn notes_on_sensor(open: &[AlertRow], sensor: &str, quantity: Quantity) -> Vec<String> {
    notes(open, |alert, subject, own| {
        let it = subject.sensor.as_deref() == Some(sensor);
        if alert == rules::sensor_drift::ABOUT.name {
            let beside = own["others"].as_array().into_iter().flatten();
            // Of two nobody knows which: both pages say so.
            let beside: Vec<&str> = beside.filter_map(serde_json::Value::as_str).collect();
            return quantity == Quantity::AirTemperature && (it || beside == [sensor]);
        }
        let of_quantity = subject.other.as_deref() == Some(quantity.as_str());
        it && (of_quantity
            || alert == rules::battery_low::ABOUT.name && quantity == Quantity::Battery)
    })
}

fn notes(
    open: &[AlertRow],
    is_of: impl Fn(&str, &rules::Subject, &serde_json::Value) -> bool,
) -> Vec<String> {
    open.iter()
        .filter(|row| life::Memory::of(row).is_some_and(|m| is_of(&m.rule, &m.subject, &m.own)))
        .map(|row| {
            let said = |field: &str| row.doc[field].as_str().unwrap_or_default().to_owned();
            format!("{}. {}", said("title"), said("text"))
        })
        .collect()
}

/// How an alert stands, in the page's three words.
#[must_use]
pub fn standing(row: &AlertRow) -> &'static str {
    match (row.cleared, row.seen) {
        (Some(_), _) => "Over",
        (None, Some(_)) => "Seen",
        (None, None) => "New",
    }
}

/// An alert as `GET alerts` gives it: the contract's document with how it stands beside it.
#[must_use]
pub fn history_document(row: &AlertRow) -> serde_json::Value {
    let mut doc = row.doc.clone();
    if let Some(fields) = doc.as_object_mut() {
        fields.insert("raised".into(), json!(row.raised));
        fields.insert("told".into(), json!(row.told));
        fields.insert("seen".into(), json!(row.seen));
        fields.insert("cleared".into(), json!(row.cleared));
        fields.insert("remind_at".into(), json!(row.quiet_until));
    }
    doc
}

/// The table of rules in Markdown, as the docs print it.
#[must_use]
pub fn rules_table() -> String {
    let mut table = String::from(
        "| alert | severity | fires | clears | default | why |\n| --- | --- | --- | --- | --- | --- |\n",
    );
    for about in RULES {
        table.push_str(&format!(
            "| `{}` | {} | {} | {} | {} | {} |\n",
            about.name,
            about.severity.as_str(),
            about.fires,
            about.clears,
            about.default,
            about.why
        ));
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_lists_every_rule_once() {
        let running: Vec<&str> = rules::all().iter().map(|r| r.about().name).collect();
        let listed: Vec<&str> = RULES.iter().map(|a| a.name).collect();
        assert_eq!(running, listed);
        let names: std::collections::BTreeSet<&str> = listed.iter().copied().collect();
        assert_eq!(names.len(), listed.len());
        for about in RULES {
            // A rule that gives way gives way to one that exists; no cell breaks the table.
            assert!(about.gives_way_to.iter().all(|other| names.contains(other)));
            assert!(!format!("{about:?}").contains('|'), "{}", about.name);
        }
        assert_eq!(rules_table().lines().count(), RULES.len() + 2);
        let docs = include_str!("../../../DEVELOPERS.md");
        assert!(
            docs.contains(&rules_table()),
            "put this into DEVELOPERS.md:\n{}",
            rules_table()
        );
    }
}

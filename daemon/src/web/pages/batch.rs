//! One batch's page, and its buttons.

use axum::extract::{Path, Query, State};
use axum::response::Redirect;
use doughwarden_dashboards::batch::{
    Batch as View, Entry, FormulaLine, Life, StageLine, rise_words,
};
use doughwarden_dashboards::now::Alert;
use doughwarden_model::formula::{Kind, guess_kind};
use maud::Markup;

use super::{Fields, Just, Sent, back_to, batch_path, charts, display, frame, no_such_button, now};
use crate::app::App;
use crate::batches::actions::{self, Done};
use crate::batches::book::Book;
use crate::batches::record::{
    Dent, Ingredient, Observation, ObservationKind, Outcome, Record, StageKind,
};
use crate::time::UtcMs;
use crate::web::Shared;
use crate::web::api::batches::no_batch;
use crate::web::problem::Problem;

/// The page.
///
/// # Errors
/// If there is no such batch or the store cannot be read.
pub async fn page(
    State(web): State<Shared>,
    Path(id): Path<String>,
    Query(just): Query<Just>,
) -> Result<Markup, Problem> {
    web.off(move |web| {
        let frame = frame(&web.app, just.done(&batch_path(&id)))?;
        let view = view(&web.app, &id)?;
        Ok(doughwarden_dashboards::batch::page(&view, &frame))
    })
    .await
}

fn life(app: &App, book: &Book, id: &str) -> Life {
    let now = app.clock.now();
    if let Some(stage) = book.stage_in_progress(id, now) {
        return Life::Proofing(Box::new(now::proof(app, book, id, stage)));
    }
    if let Some(since) = now::shaping_since(book, id) {
        return Life::Shaping {
            since: since.timestamp(),
        };
    }
    if book.stage(id, StageKind::Bulk).is_none() && book.stage(id, StageKind::Final).is_none() {
        Life::Mixed
    } else {
        Life::Baked
    }
}

/// An outcome as the log book writes it.
#[must_use]
pub fn outcome_word(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Ready => "ready",
        Outcome::Under => "under",
        Outcome::Over => "over",
        Outcome::Abandoned => "abandoned",
        Outcome::Unknown => "unknown",
    }
}

fn kind_word(kind: Kind) -> String {
    serde_json::to_value(kind)
        .ok()
        .and_then(|v| v.as_str().map(|s| s.replace('_', " ")))
        .unwrap_or_default()
}

/// A formula's lines with each one's share of the flour; kinds not written are guessed and said so.
#[must_use]
pub fn formula(ingredients: &[Ingredient]) -> Vec<FormulaLine> {
    let kind = |i: &Ingredient| -> (Kind, bool) {
        i.kind
            .as_ref()
            .and_then(|k| serde_json::from_value(k.clone().into()).ok())
            .map_or_else(|| (guess_kind(&i.ingredient), true), |k| (k, false))
    };
    let flour: f64 = ingredients
        .iter()
        .filter(|i| kind(i).0 == Kind::Flour)
        .map(|i| i.mass_g)
        .sum();
    ingredients
        .iter()
        .map(|i| {
            let (kind, guessed) = kind(i);
            FormulaLine {
                name: i.ingredient.clone(),
                mass_g: i.mass_g,
                of_flour: (flour > 0.0).then(|| i.mass_g / flour),
                kind: (kind_word(kind), guessed),
            }
        })
        .collect()
}

fn words(o: &Observation, show: &doughwarden_dashboards::show::Show) -> String {
    match o.kind {
        ObservationKind::Rise => rise_words(o.rise.unwrap_or_default()),
        ObservationKind::FingerDent => match o.result {
            Some(Dent::SpringsBack) => "the dent springs back".into(),
            Some(Dent::ReturnsSlowly) => "the dent comes back slowly".into(),
            Some(Dent::Stays) => "the dent stays".into(),
            None => "a dent".into(),
        },
        ObservationKind::DoughTemperature => {
            format!("dough {}", show.temperature(o.value.unwrap_or_default()))
        }
        ObservationKind::Note => o.text.clone().unwrap_or_default(),
    }
}

fn entries(book: &Book, id: &str, show: &doughwarden_dashboards::show::Show) -> Vec<Entry> {
    let (first, last) = (UtcMs(i64::MIN), UtcMs(i64::MAX));
    let mut all: Vec<Entry> = book
        .observations_of(id, first, last)
        .map(|o| Entry {
            at: o.time.timestamp(),
            text: words(o, show),
            kind: o.kind.as_str().into(),
            at_ms: o.time.0,
        })
        .chain(
            book.moves
                .range((id.to_owned(), first)..=(id.to_owned(), last))
                .map(|(_, m)| Entry {
                    at: m.time.timestamp(),
                    text: format!("carried to {}", m.place),
                    kind: "move".into(),
                    at_ms: m.time.0,
                }),
        )
        .collect();
    all.sort_by_key(|e| std::cmp::Reverse(e.at_ms));
    all
}

fn view(app: &App, id: &str) -> Result<View, Problem> {
    let book = app.book();
    let batch = book.batches.get(id).ok_or_else(|| no_batch(id))?;
    let charts = charts::of(app, id)?;
    let show = display::show(app)?;
    let place = book
        .place_at(id, app.clock.now())
        .unwrap_or_default()
        .to_owned();
    let formula_of = batch
        .formula
        .as_deref()
        .or_else(|| book.doughs.get(&batch.dough)?.formula.as_deref())
        .unwrap_or_default();
    Ok(View {
        id: id.to_owned(),
        dough: batch.dough.clone(),
        life: life(app, &book, id),
        stages: [StageKind::Bulk, StageKind::Final]
            .into_iter()
            .filter_map(|kind| book.stage(id, kind))
            .map(|s| StageLine {
                stage: now::stage(s.stage),
                start: s.start.timestamp(),
                end: s.end.map(UtcMs::timestamp),
                outcome: s.end.map(|_| {
                    let word = outcome_word(s.outcome.unwrap_or(Outcome::Unknown));
                    doughwarden_dashboards::bakes::outcome_words(word).to_owned()
                }),
            })
            .collect(),
        rise: charts.rise,
        temperature: charts.temperature,
        evidence: charts.evidence,
        entries: entries(&book, id, &show),
        places: places(&book).into_iter().filter(|p| *p != place).collect(),
        formula: formula(formula_of),
        pieces: batch.pieces.map(|n| (n, batch.piece_mass_g)),
        from: batch.from.clone(),
        alerts: alerts(app, id)?,
        covered: batch.covered(),
        learn: batch.learn != Some(false),
        cautions: now::cautions(&book, &batch.dough, &place),
        place,
    })
}

/// The open alerts about a batch, without the way to the page they stand on.
fn alerts(app: &App, id: &str) -> Result<Vec<Alert>, Problem> {
    let rows = app.store.open_alerts()?;
    let own = rows
        .iter()
        .filter(|row| row.doc["batch"] == id && crate::watch::on_first_page(row))
        .map(|row| Alert {
            batch: None,
            ..now::alert(row)
        });
    Ok(own.collect())
}

/// Every place known, from its record or from where batches stood.
#[must_use]
pub fn places(book: &Book) -> Vec<String> {
    let mut all: Vec<String> = book.places.keys().cloned().collect();
    all.extend(book.batches.values().map(|b| b.place.clone()));
    all.extend(book.moves.values().map(|m| m.place.clone()));
    all.sort_unstable();
    all.dedup();
    all
}

/// What a button did: the word to say, the group to undo, and the page to show.
struct Did {
    word: &'static str,
    undo: Option<i64>,
    to: String,
}

/// A tap on one of the page's buttons.
///
/// # Errors
/// If it cannot be done; the page says why.
pub async fn act(
    State(web): State<Shared>,
    Path(id): Path<String>,
    form: Sent,
) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    let did = web.off(move |web| press(&web.app, &id, &fields)).await?;
    Ok(back_to(&did.to, did.word, did.undo))
}

fn press(app: &App, id: &str, fields: &Fields) -> Result<Did, Problem> {
    let book = app.book();
    if !book.batches.contains_key(id) {
        return Err(no_batch(id));
    }
    let show = display::show(app)?;
    let at = display::when(fields, &show)?;
    // Without a button something sent the form by itself: then what was typed is meant.
    let button = fields.text("do").unwrap_or("typed");
    let (verb, rest) = button.split_once(' ').unwrap_or((button, ""));
    let (word, done) = match verb {
        "end" => (
            "ended",
            actions::end_stage(app, id, meant(fields), outcome(rest)?, at, None)?,
        ),
        "was" | "reopen" => ("changed", correct_end(app, id, verb, rest, meant(fields))?),
        "start" => {
            let kind = match rest {
                "bulk" => StageKind::Bulk,
                "final" => StageKind::Final,
                _ => return Err(no_such_button(button)),
            };
            let place = fields.text("place");
            let begun = actions::start_stage(app, id, kind, at, place, None)?;
            // Said along with it, and what was said before stays.
            if let Some(covered) = covered(fields)
                && book.batches[id].covered() != Some(covered)
            {
                actions::set_covered(app, id, covered)?;
            }
            ("begun", begun)
        }
        "cover" | "uncover" => ("noted", actions::set_covered(app, id, verb == "cover")?),
        "move" => ("moved", actions::move_batch(app, id, rest, at, None)?),
        "move_new" => {
            let place = fields.need("new_place", "The place")?;
            ("moved", actions::move_batch(app, id, place, at, None)?)
        }
        "split" => {
            let pieces = fields
                .number("split_pieces", "Pieces")?
                .filter(|n| (1.0..=10_000.0).contains(n))
                .map(|n| n as u32);
            let place = fields.need("split_place", "Where they stand")?;
            (
                "split",
                actions::split_batch(app, id, place, pieces, at, None)?,
            )
        }
        _ => {
            let records = seen(id, at, verb, rest, fields, &show)?;
            let applied = actions::put(app, &records)?;
            (
                "noted",
                Done {
                    batch: id.to_owned(),
                    group: applied.group,
                },
            )
        }
    };
    Ok(Did {
        word,
        undo: done.group,
        to: batch_path(&done.batch),
    })
}

/// The stage that the page showed, where it says so.
fn meant(fields: &Fields) -> Option<StageKind> {
    let shown = fields.text("stage")?;
    [StageKind::Bulk, StageKind::Final]
        .into_iter()
        .find(|kind| kind.as_str() == shown)
}

/// What was chosen of "covered" and "open to the air", if either was.
pub(super) fn covered(fields: &Fields) -> Option<bool> {
    match fields.text("covered")? {
        "yes" => Some(true),
        "no" => Some(false),
        _ => None,
    }
}

/// How the last proof ended, said otherwise; or that it goes on after all.
fn correct_end(
    app: &App,
    id: &str,
    verb: &str,
    rest: &str,
    meant: Option<StageKind>,
) -> Result<Done, Problem> {
    let book = app.book();
    let stages = || {
        let kinds = [StageKind::Final, StageKind::Bulk].into_iter();
        kinds.filter_map(|kind| book.stage(id, kind))
    };
    let mut stage = stages()
        .find(|stage| stage.end.is_some())
        .ok_or_else(|| Problem::conflict("No proof has ended."))?
        .clone();
    if meant.is_some_and(|meant| meant != stage.stage) {
        return Err(Problem::conflict("Another proof has ended since."));
    }
    if verb == "was" {
        stage.outcome = Some(outcome(rest)?);
    } else if stages().any(|other| other.end.is_none()) {
        // One of them at a time: the dough is in the later one.
        return Err(Problem::conflict(
            "Its next proof has begun: undo that first.",
        ));
    } else {
        (stage.end, stage.outcome) = (None, None);
    }
    let applied = actions::put(app, &[Record::Stage(stage)])?;
    Ok(Done {
        batch: id.to_owned(),
        group: applied.group,
    })
}

fn observation(batch: &str, time: UtcMs, kind: ObservationKind) -> Observation {
    Observation {
        batch: batch.to_owned(),
        time,
        kind,
        rise: None,
        result: None,
        value: None,
        unit: None,
        by: None,
        text: None,
        extra: Default::default(),
    }
}

fn outcome(word: &str) -> Result<Outcome, Problem> {
    match word {
        "ready" => Ok(Outcome::Ready),
        "under" => Ok(Outcome::Under),
        "over" => Ok(Outcome::Over),
        "abandoned" => Ok(Outcome::Abandoned),
        "unknown" => Ok(Outcome::Unknown),
        other => Err(no_such_button(other)),
    }
}

/// What the baker saw, as records. `typed` (Enter in a text field) takes whatever was typed.
fn seen(
    id: &str,
    at: UtcMs,
    verb: &str,
    rest: &str,
    fields: &Fields,
    show: &doughwarden_dashboards::show::Show,
) -> Result<Vec<Record>, Problem> {
    let mut all = Vec::new();
    let mut put = |o: Observation| all.push(Record::Observation(o));
    let typed = verb == "typed";
    match verb {
        "rise" => {
            let rise = rest.parse().map_err(|_| no_such_button(rest))?;
            put(Observation {
                rise: Some(rise),
                ..observation(id, at, ObservationKind::Rise)
            });
        }
        "dent" => {
            let result = match rest {
                "springs_back" => Dent::SpringsBack,
                "returns_slowly" => Dent::ReturnsSlowly,
                "stays" => Dent::Stays,
                _ => return Err(no_such_button(rest)),
            };
            put(Observation {
                result: Some(result),
                ..observation(id, at, ObservationKind::FingerDent)
            });
        }
        "heights" | "temperature" | "note" | "typed" => {}
        other => return Err(no_such_button(other)),
    }
    let heights = (
        fields.number("height_start", "The height at the start")?,
        fields.number("height_now", "The height now")?,
    );
    if verb == "heights" || (typed && heights != (None, None)) {
        let (Some(start), Some(now)) = heights else {
            return Err(Problem::unprocessable(
                "Two heights are needed: at the start and now.",
            ));
        };
        if start <= 0.0 || now <= 0.0 {
            return Err(Problem::unprocessable("Heights are above zero."));
        }
        let rise = (1000.0 * (now / start - 1.0)).round() / 1000.0;
        put(Observation {
            rise: Some(rise),
            ..observation(id, at, ObservationKind::Rise)
        });
    }
    let temperature = fields.number("dough_temperature", "The dough's temperature")?;
    if verb == "temperature" || (typed && temperature.is_some()) {
        let typed = temperature
            .ok_or_else(|| Problem::unprocessable("The dough's temperature is missing."))?;
        let value = (100.0 * show.to_celsius(typed)).round() / 100.0;
        if !(-5.0..=60.0).contains(&value) {
            return Err(Problem::unprocessable(format!(
                "{typed} {} is no dough's temperature.",
                show.unit()
            )));
        }
        put(Observation {
            value: Some(value),
            unit: Some("Cel".into()),
            ..observation(id, at, ObservationKind::DoughTemperature)
        });
    }
    let note = fields.text("note");
    if verb == "note" || (typed && note.is_some()) {
        let text = note.ok_or_else(|| Problem::unprocessable("The note is empty."))?;
        put(Observation {
            text: Some(text.to_owned()),
            ..observation(id, at, ObservationKind::Note)
        });
    }
    if all.is_empty() {
        return Err(Problem::unprocessable("Nothing was typed."));
    }
    Ok(all)
}

/// Changing or taking out something that was noted.
///
/// # Errors
/// If it is not there, or the store cannot be written.
pub async fn entry(
    State(web): State<Shared>,
    Path(id): Path<String>,
    form: Sent,
) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    let did = web.off(move |web| amend(&web.app, &id, &fields)).await?;
    Ok(back_to(&did.to, did.word, did.undo))
}

fn amend(app: &App, id: &str, fields: &Fields) -> Result<Did, Problem> {
    let book = app.book();
    let at = UtcMs(
        fields
            .need("at_ms", "When it was")?
            .parse()
            .map_err(|_| Problem::bad("When it was is not a number."))?,
    );
    let kind = fields.need("kind", "What it was")?;
    let old = match kind {
        "move" => book
            .moves
            .get(&(id.to_owned(), at))
            .cloned()
            .map(Record::Move),
        _ => book
            .observations_of(id, at, at)
            .find(|o| o.kind.as_str() == kind)
            .cloned()
            .map(Record::Observation),
    }
    .ok_or_else(|| {
        Problem::conflict("It is not there any more; perhaps it was changed already.")
    })?;
    let (word, new) = match fields.need("do", "Which button")? {
        "remove" => ("removed", None),
        "retime" => {
            let show = display::show(app)?;
            // Near where it was: a clock time on the day before it plus a day ahead, not after now.
            let limit = UtcMs(
                at.0.saturating_add(12 * crate::time::HOUR_MS)
                    .min(app.clock.now().0),
            );
            let time = display::clock(fields.need("clock", "The clock time")?, limit, &show)?;
            let new = match old.clone() {
                Record::Move(m) => Record::Move(crate::batches::record::Move { time, ..m }),
                Record::Observation(o) => Record::Observation(Observation { time, ..o }),
                other => other,
            };
            ("changed", Some(new))
        }
        other => return Err(no_such_button(other)),
    };
    let key = old.key().ok_or_else(Problem::internal)?;
    let undo = match new {
        Some(new) => actions::replace(app, &key, new)?,
        None => actions::remove(app, &key)?,
    };
    Ok(Did {
        word,
        undo,
        to: batch_path(id),
    })
}

/// The switch "leave this bake out of learning".
///
/// # Errors
/// If there is no such batch or the store cannot be written.
pub async fn learn(
    State(web): State<Shared>,
    Path(id): Path<String>,
    form: Sent,
) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let learn = fields.text("learn") != Some("no");
        let undo = actions::set_learn(&web.app, &id, learn)?.group;
        Ok(back_to(&batch_path(&id), "changed", undo))
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bakers_percentages_are_of_all_flour_and_guesses_are_marked() {
        // By definition in baking: every mass over the sum of the flours.
        let line = |name: &str, mass_g, kind: Option<&str>| Ingredient {
            ingredient: name.into(),
            mass_g,
            kind: kind.map(str::to_owned),
            ..Ingredient::default()
        };
        let lines = formula(&[
            line("wheat flour", 300.0, None),
            line("Grandmother's mix", 100.0, Some("flour")),
            line("milk", 220.0, None),
        ]);
        for (line, percent) in lines.iter().zip([75.0, 25.0, 55.0]) {
            assert!(
                (line.of_flour.unwrap() * 100.0 - percent).abs() < 1e-9,
                "{line:?}"
            );
        }
        assert_eq!(lines[0].kind, ("flour".to_owned(), true));
        assert_eq!(lines[1].kind, ("flour".to_owned(), false));
        assert_eq!(formula(&[line("milk", 1.0, None)])[0].of_flour, None);
    }
}

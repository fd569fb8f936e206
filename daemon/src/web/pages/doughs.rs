//! Doughs: the list and the form.

use axum::extract::{Query, State};
use axum::response::Redirect;
use doughwarden_dashboards::doughs::{Dough as View, Usual as UsualView};
use maud::Markup;
use serde::Deserialize;

use super::{Fields, Just, Sent, back_to, display, frame};
use crate::app::App;
use crate::batches::actions;
use crate::batches::book::Book;
use crate::batches::record::{Dough, Ingredient, LeadMin, Record, StageKind, Usual};
use crate::web::Shared;
use crate::web::problem::Problem;

fn view(d: &Dough, book: &Book) -> View {
    let usual = |u: Option<Usual>, lead: Option<f64>| {
        let u = u.unwrap_or_default();
        UsualView {
            usual_min: u.usual_min,
            at_c: u.at,
            target_rise: u.target_rise,
            lead_min: lead,
        }
    };
    let lead = d.lead_min.unwrap_or_default();
    View {
        name: d.name.clone(),
        bulk: usual(d.bulk, lead.bulk),
        final_: usual(d.final_, lead.final_),
        ceiling_c: d.ceiling,
        formula: d
            .formula
            .iter()
            .flatten()
            .map(|i| (i.ingredient.clone(), i.mass_g))
            .collect(),
        egg: d.caution.iter().any(|c| c == "egg"),
        milk: d.caution.iter().any(|c| c == "milk"),
        bakes: book
            .batches
            .values()
            .filter(|b| b.dough == d.name && book.stage(&b.id, StageKind::Bulk).is_some())
            .count(),
    }
}

/// Every dough known, from its record or from its batches.
#[must_use]
pub fn names(book: &Book) -> Vec<String> {
    let mut all: Vec<String> = book.doughs.keys().cloned().collect();
    all.extend(book.batches.values().map(|b| b.dough.clone()));
    all.sort_unstable();
    all.dedup();
    all
}

/// The list.
///
/// # Errors
/// If the store cannot be read.
pub async fn list(State(web): State<Shared>, Query(just): Query<Just>) -> Result<Markup, Problem> {
    web.off(move |web| {
        let book = web.app.book();
        let all: Vec<View> = names(&book)
            .into_iter()
            .map(|name| {
                let unwritten = || Dough {
                    name: name.clone(),
                    ..Dough::default()
                };
                view(
                    &book.doughs.get(&name).cloned().unwrap_or_else(unwritten),
                    &book,
                )
            })
            .collect();
        let frame = frame(&web.app, just.done("/doughs"))?;
        Ok(doughwarden_dashboards::doughs::list(&all, &frame))
    })
    .await
}

/// Which one.
#[derive(Debug, Deserialize)]
pub struct Named {
    name: Option<String>,
}

/// The form.
///
/// # Errors
/// If there is no such dough or the store cannot be read.
pub async fn edit(
    State(web): State<Shared>,
    Query(named): Query<Named>,
) -> Result<Markup, Problem> {
    web.off(move |web| {
        let book = web.app.book();
        let frame = frame(&web.app, None)?;
        Ok(match named.name {
            None => doughwarden_dashboards::doughs::edit(&View::default(), true, &frame),
            Some(name) => {
                // A dough known from a batch only has no record yet: an empty form with its name.
                let dough = book.doughs.get(&name).cloned();
                let known = dough.is_some() || book.batches.values().any(|b| b.dough == name);
                if !known {
                    return Err(Problem::none(format!("There is no dough `{name}`.")));
                }
                let dough = dough.unwrap_or(Dough {
                    name,
                    ..Dough::default()
                });
                doughwarden_dashboards::doughs::edit(&view(&dough, &book), false, &frame)
            }
        })
    })
    .await
}

/// "Save."
///
/// # Errors
/// If something cannot be right or the store cannot be written.
pub async fn save(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let dough = dough(&web.app, &fields)?;
        let undo = actions::put(&web.app, &[Record::Dough(dough)])?.group;
        Ok(back_to("/doughs", "saved", undo))
    })
    .await
}

fn dough(app: &App, fields: &Fields) -> Result<Dough, Problem> {
    let show = display::show(app)?;
    let name = fields.need("name", "The dough's name")?;
    let before = app.book().doughs.get(name).cloned().unwrap_or_default();
    let celsius = |field: &str, what: &str| -> Result<Option<f64>, Problem> {
        Ok(fields
            .number(field, what)?
            .map(|t| (10.0 * show.to_celsius(t)).round() / 10.0))
    };
    let usual = |prefix: &str, words: &str| -> Result<Option<Usual>, Problem> {
        let u = Usual {
            usual_min: fields.number(&format!("{prefix}_min"), &format!("{words}: usual time"))?,
            at: celsius(&format!("{prefix}_at"), &format!("{words}: temperature"))?,
            target_rise: fields
                .number(&format!("{prefix}_rise"), &format!("{words}: rise"))?
                .map(|p| p / 100.0),
        };
        Ok((u != Usual::default()).then_some(u))
    };
    let lead = LeadMin {
        bulk: fields.number("bulk_lead", "Tell me before")?,
        final_: fields.number("final_lead", "Tell me before")?,
    };
    let mut caution: Vec<String> = before
        .caution
        .iter()
        .filter(|c| !matches!(c.as_str(), "egg" | "milk"))
        .cloned()
        .collect();
    for word in ["egg", "milk"] {
        if fields.text(word).is_some() {
            caution.push(word.into());
        }
    }
    let formula = formula(fields, before.formula.as_deref().unwrap_or_default())?;
    Ok(Dough {
        name: name.to_owned(),
        bulk: usual("bulk", "Bulk proof")?,
        final_: usual("final", "Final proof")?,
        ceiling: celsius("ceiling", "Top proofing temperature")?,
        lead_min: (lead != LeadMin::default()).then_some(lead),
        caution,
        formula: (!formula.is_empty()).then_some(formula),
        extra: before.extra,
    })
}

/// The formula's lines; what the form does not show of an ingredient stays as it was.
fn formula(fields: &Fields, before: &[Ingredient]) -> Result<Vec<Ingredient>, Problem> {
    let mut lines = Vec::new();
    for (name, mass) in fields.all("ingredient").zip(fields.all("mass")) {
        match (name, mass) {
            ("", "") => {}
            ("", _) => return Err(Problem::unprocessable("An ingredient has no name.")),
            (name, mass) => {
                let mass_g = mass
                    .replace(',', ".")
                    .parse::<f64>()
                    .ok()
                    .filter(|g| g.is_finite() && *g >= 0.0)
                    .ok_or_else(|| Problem::unprocessable(format!("{name}: how many grams?")))?;
                let old = before.iter().find(|i| i.ingredient == name);
                lines.push(Ingredient {
                    ingredient: name.to_owned(),
                    mass_g,
                    kind: old.and_then(|i| i.kind.clone()),
                    extra: old.map(|i| i.extra.clone()).unwrap_or_default(),
                });
            }
        }
    }
    Ok(lines)
}

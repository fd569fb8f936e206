//! Doughs: the list, and one recipe's form.

use maud::{Markup, html};

use crate::cautions::{self, Caution};
use crate::controls;
use crate::frame::{Frame, Tab};
use crate::show::{Show, encode, minutes, number};

/// What the recipe says of one proof.
#[derive(Clone, Copy, Debug, Default)]
pub struct Usual {
    /// Minutes.
    pub usual_min: Option<f64>,
    /// At which temperature, °C.
    pub at_c: Option<f64>,
    /// Ready at which rise, fraction.
    pub target_rise: Option<f64>,
    /// Tell how long before, minutes.
    pub lead_min: Option<f64>,
}

/// One dough.
#[derive(Clone, Debug, Default)]
pub struct Dough {
    /// Its name.
    pub name: String,
    /// Its bulk proof.
    pub bulk: Usual,
    /// Its final proof.
    pub final_: Usual,
    /// Top proofing temperature, °C.
    pub ceiling_c: Option<f64>,
    /// Its formula: name and grams.
    pub formula: Vec<(String, f64)>,
    /// Holds egg.
    pub egg: bool,
    /// Holds milk.
    pub milk: bool,
    /// How often it was baked.
    pub bakes: usize,
}

/// The list.
#[must_use]
pub fn list(doughs: &[Dough], frame: &Frame) -> Markup {
    let show = &frame.show;
    frame.page(
        Some(Tab::Doughs),
        "Doughs",
        &html! {
            h1 { "Doughs" }
            a.button.wide.main href="/doughs/edit" { "Write down a dough" }
            @if doughs.is_empty() { section.empty { h2 { "No dough yet" } p { "Write down one with its usual times, or just start a batch." } } }
            div.cards { @for d in doughs { article.card {
                h2 { (d.name) }
                (usual_line("Bulk", &d.bulk, show))
                (usual_line("Final", &d.final_, show))
                @if let Some(c) = d.ceiling_c { p { "Top proofing temperature " b { (show.temperature(c)) } } }
                p.small { @match d.bakes { 0 => "Never baked here", 1 => "Baked once", n => { "Baked " (n) " times" } } }
                div.grid.two {
                    a.button.quiet href={ "/doughs/edit?name=" (encode(&d.name)) } { "Change" }
                    a.button href={ "/new?dough=" (encode(&d.name)) } { "Start" }
                }
            } } }
        },
    )
}

fn usual_line(name: &str, usual: &Usual, show: &Show) -> Markup {
    html! {
        @if let Some(min) = usual.usual_min {
            p { (name) " " b { (minutes(min)) } @if let Some(at) = usual.at_c { " at " (show.temperature(at)) } " " span.tag { "from the recipe" } }
        }
    }
}

/// Empty lines below the formula for more ingredients.
const MORE_LINES: usize = 4;

fn usual_fields(prefix: &str, legend: &str, u: &Usual, show: &Show) -> Markup {
    let opt = |v: Option<f64>, d: usize| v.map(|v| number(v, d));
    html! {
        fieldset { legend { (legend) " " span.tag { "from the recipe" } }
            div.grid.two {
                (controls::field("Usual time, min", &html! { input.short type="number" name={ (prefix) "_min" } min="1" max="4320" step="any" inputmode="numeric" value=[opt(u.usual_min, 2)]; }))
                (controls::field(&format!("at {}", show.unit()), &html! { input.short type="number" name={ (prefix) "_at" } step="any" inputmode="decimal" value=[u.at_c.map(|c| show.field(Some(c)))]; }))
                (controls::field("Ready when up by, %", &html! { input.short type="number" name={ (prefix) "_rise" } min="5" max="400" step="any" inputmode="numeric" value=[opt(u.target_rise.map(|r| r * 100.0), 1)]; }))
                (controls::field("Tell me before, min", &html! { input.short type="number" name={ (prefix) "_lead" } min="0" max="240" step="any" inputmode="numeric" value=[opt(u.lead_min, 2)]; }))
            }
        }
    }
}

/// One dough's form.
#[must_use]
pub fn edit(d: &Dough, new: bool, frame: &Frame) -> Markup {
    let show = &frame.show;
    frame.page(
        Some(Tab::Doughs),
        if new { "A new dough" } else { &d.name },
        &html! {
            h1 { @if new { "A new dough" } @else { (d.name) } }
            form.act method="post" action="/doughs" {
                @if new {
                    (controls::field("Its name", &html! { input type="text" name="name" maxlength="64" required; }))
                } @else {
                    input type="hidden" name="name" value=(d.name);
                }
                (usual_fields("bulk", "Bulk proof", &d.bulk, show))
                (usual_fields("final", "Final proof", &d.final_, show))
                fieldset { legend { "Top proofing temperature" }
                    (controls::field(&format!("Warn me above, {}", show.unit()), &html! { input.short type="number" name="ceiling" step="any" inputmode="decimal" value=[d.ceiling_c.map(|c| show.field(Some(c)))]; }))
                    p.small { "Where butter begins to run out of the dough, or where you do not want the proof to go." }
                }
                fieldset { legend { "Formula, g" }
                    div.formula-lines {
                        @for (name, grams) in &d.formula { (line(name, &number(*grams, 2))) }
                        @for _ in 0..MORE_LINES { (line("", "")) }
                    }
                    p.small { "Empty lines are passed over. Save to get more." }
                }
                fieldset { legend { "Holds" }
                    label.choice { input type="checkbox" name="egg" value="yes" checked[d.egg]; span { "egg" } }
                    label.choice { input type="checkbox" name="milk" value="yes" checked[d.milk]; span { "milk or cream" } }
                }
                button.wide.main type="submit" { "Save" }
            }
            (cautions::list(&[Caution::Egg, Caution::Milk, Caution::RawDough]))
        },
    )
}

fn line(name: &str, grams: &str) -> Markup {
    html! {
        div.row {
            input type="text" name="ingredient" value=(name) maxlength="64" aria-label="Ingredient" placeholder="ingredient";
            input.short type="number" name="mass" value=(grams) min="0" step="any" inputmode="decimal" aria-label="Grams" placeholder="g";
        }
    }
}

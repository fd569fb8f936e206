//! Places: where dough stands. A place owns its history; sensors are put into it.

use maud::{Markup, html};

use crate::cautions::{self, Caution};
use crate::controls;
use crate::frame::{Frame, Tab};
use crate::now::{Air, air};
use crate::show::Show;

/// One place.
#[derive(Clone, Debug)]
pub struct Place {
    /// Its name.
    pub name: String,
    /// `room`, `box`, `oven` or `fridge`.
    pub kind: String,
    /// The place around it.
    pub inside: Option<String>,
    /// Whether its lamp is on.
    pub lamp: Option<bool>,
    /// How the year is cut there: `heating=10-15;open windows=05-01`.
    pub seasons: String,
    /// Changes planned for its air, in words.
    pub planned: Vec<String>,
    /// The air in it.
    pub air: Option<Air>,
    /// Sensors in it.
    pub sensors: Vec<String>,
    /// Doughs proofing in it.
    pub doughs: Vec<String>,
    /// What was noticed there: water that settles on the dough.
    pub notes: Vec<String>,
}

/// The kinds, in words.
pub const KINDS: [(&str, &str); 4] = [
    ("room", "a room or counter"),
    ("box", "a proof box or cupboard"),
    ("oven", "an oven that is off"),
    ("fridge", "a fridge"),
];

/// The page.
#[must_use]
pub fn page(places: &[Place], frame: &Frame) -> Markup {
    let names: Vec<String> = places.iter().map(|p| p.name.clone()).collect();
    let any = |kind: &str| places.iter().any(|p| p.kind == kind);
    let mut warn = Vec::new();
    if any("oven") {
        warn.extend([Caution::Oven, Caution::Lamp]);
    }
    if any("box") {
        warn.extend([Caution::Lamp, Caution::BoilingWater]);
    }
    frame.page(
        Some(Tab::Sensors),
        "Places",
        &html! {
            h1 { "Places" }
            p { a href="/sensors" { "Sensors" } " stand in places; a place keeps its history when a sensor is swapped." }
            div.cards { @for p in places { article.card {
                h2 { (p.name) }
                p { (air(p.air.as_ref(), None, &frame.show)) }
                @for note in &p.notes { p.hint { (note) } }
                @if !p.doughs.is_empty() { p { "Proofing here: " (p.doughs.join(", ")) } }
                p.small { @if p.sensors.is_empty() { "No sensor here" } @else { "Sensors: " (p.sensors.join(", ")) } }
                details { summary { "Change" } (form(Some(p), &names)) }
                details open[!p.planned.is_empty()] { summary { "What its air will do" } (plans(p, &frame.show)) }
            } } }
            section.card { h2 { "Another place" } (form(None, &names)) }
            (cautions::list(&warn))
        },
    )
}

fn form(place: Option<&Place>, names: &[String]) -> Markup {
    let others: Vec<&String> = names
        .iter()
        .filter(|n| place.is_none_or(|p| p.name != **n))
        .collect();
    html! {
        form.act method="post" action="/places" {
            @match place {
                Some(p) => { input type="hidden" name="name" value=(p.name); }
                None => (controls::field("Its name", &html! { input type="text" name="name" maxlength="64" required; })),
            }
            fieldset { legend { "It is" }
                div.pick { @for (kind, words) in KINDS {
                    label.choice { input type="radio" name="kind" value=(kind) checked[place.map_or("room", |p| p.kind.as_str()) == kind]; span { (words) } }
                } }
            }
            (controls::field("It stands in", &html! {
                select name="inside" {
                    option value="" { "nothing larger" }
                    @for o in others { option value=(o) selected[place.and_then(|p| p.inside.as_ref()) == Some(o)] { (o) } }
                }
            }))
            label.choice { input type="checkbox" name="lamp" value="on" checked[place.and_then(|p| p.lamp) == Some(true)]; span { "its lamp is on" } }
            details open[place.is_some_and(|p| !p.seasons.is_empty())] { summary { "Seasons of your own" }
                (controls::field("Names and first days", &html! { input type="text" name="seasons" value=[place.map(|p| p.seasons.as_str()).filter(|s| !s.is_empty())] placeholder="heating=10-15;open windows=05-01"; }))
                p.small { "Each goes on until the next begins, here and in what stands in here. What is learned and compared by season goes by them; without, by three months each." }
            }
            button type="submit" { "Save" }
        }
    }
}

/// A heating hour, a fridge that warms at three: what forecasts and plans count on.
fn plans(place: &Place, show: &Show) -> Markup {
    html! {
        @if place.planned.is_empty() {
            p.small { "Does the heating come on at six, or does a fridge warm by itself in the night? Say so, and forecasts count on it." }
        }
        @for (i, words) in place.planned.iter().enumerate() {
            form.act method="post" action="/places/plan" {
                input type="hidden" name="name" value=(place.name);
                input type="hidden" name="remove" value=(i);
                input type="hidden" name="planned" value=(words);
                p { (words) " " button.quiet type="submit" { "Take it out" } }
            }
        }
        form.act method="post" action="/places/plan" {
            input type="hidden" name="name" value=(place.name);
            (controls::field("When the clock shows", &html! { input.short type="time" name="clock" required; }))
            (controls::field("Only on this day (else every day)", &html! { input type="date" name="day"; }))
            fieldset { legend { "Its air" }
                div.choice {
                    label { input type="radio" name="to" value="air" checked; span { "goes to" } }
                    input.short type="number" name="air" step="any" inputmode="decimal" aria-label={ "How warm, in " (show.unit()) };
                    span { (show.unit()) }
                }
                @if place.kind != "room" {
                    label.choice { input type="radio" name="to" value="on"; span { @if place.kind == "fridge" { "cooling goes on" } @else { "its lamp or heating goes on" } } }
                }
                label.choice { input type="radio" name="to" value="off"; span {
                    @match place.kind.as_str() { "fridge" => { "cooling goes off" }, "room" => { "is left to itself" }, _ => { "its lamp or heating goes off" } }
                } }
            }
            button type="submit" { "Plan this change" }
        }
    }
}

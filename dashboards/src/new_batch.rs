//! Starting a dough: which, where, when. "Same again" comes here filled in.

use maud::{Markup, html};

use crate::cautions::{self, Caution};
use crate::controls;
use crate::frame::{Frame, Tab};

/// Everything on the page.
#[derive(Clone, Debug)]
pub struct NewBatch {
    /// Doughs known.
    pub doughs: Vec<String>,
    /// The dough filled in.
    pub dough: Option<String>,
    /// Places known.
    pub places: Vec<String>,
    /// The place filled in.
    pub place: Option<String>,
    /// The batch this one repeats.
    pub again: Option<String>,
    /// Whether it is covered, filled in.
    pub covered: Option<bool>,
    /// Pieces filled in.
    pub pieces: Option<u32>,
    /// Vessel filled in.
    pub vessel: Option<String>,
    /// The flour's and the yeast's lot filled in.
    pub lots: [Option<String>; 2],
    /// Cautions of the dough filled in.
    pub cautions: Vec<Caution>,
    /// What is worth knowing before it begins, like a weak battery.
    pub warnings: Vec<String>,
}

/// The page.
#[must_use]
pub fn page(n: &NewBatch, frame: &Frame) -> Markup {
    let mut cautions = n.cautions.clone();
    cautions.extend([
        Caution::Oven,
        Caution::Lamp,
        Caution::BoilingWater,
        Caution::RawDough,
    ]);
    frame.page(
        Some(Tab::Now),
        "Start a dough",
        &html! {
            h1 { @if n.again.is_some() { "Same again" } @else { "Start a dough" } }
            @for warning in &n.warnings { p.hint { (warning) } }
            form.act method="post" action="/batches" {
                @if let Some(again) = &n.again { input type="hidden" name="again" value=(again); }
                fieldset { legend { "Which dough?" }
                    div.pick { @for dough in &n.doughs {
                        label.choice { input type="radio" name="dough" value=(dough) checked[n.dough.as_ref() == Some(dough)]; span { (dough) } }
                    } }
                    details open[n.doughs.is_empty()] { summary { "A new one" }
                        (controls::field("Its name", &html! { input type="text" name="new_dough" maxlength="64"; }))
                    }
                }
                fieldset { legend { "Where does it stand?" }
                    div.pick { @for place in &n.places {
                        label.choice { input type="radio" name="place" value=(place) checked[n.place.as_ref() == Some(place)]; span { (place) } }
                    } }
                    details open[n.places.is_empty()] { summary { "Somewhere new" }
                        (controls::field("Name of the place", &html! { input type="text" name="new_place" maxlength="64"; }))
                    }
                }
                (controls::covered(n.covered))
                (controls::when(&frame.show, "start"))
                button.wide.main type="submit" { "Start the bulk proof" }
                details { summary { "More: pieces, dough temperature, vessel, lots" }
                    div.row {
                        (controls::field("Pieces", &html! { input.short type="number" name="pieces" min="1" max="10000" step="1" inputmode="numeric" value=[n.pieces]; }))
                        (controls::field(&format!("Dough out of the mixer, {}", frame.show.unit()), &html! { input.short type="number" name="dough_temperature" step="any" inputmode="decimal"; }))
                    }
                    div.row {
                        (controls::field("Bowl, tub or tin", &html! { input type="text" name="vessel" maxlength="64" value=[n.vessel.as_ref()]; }))
                        (controls::field("Flour: which bag or lot", &html! { input type="text" name="flour_lot" maxlength="64" value=[n.lots[0].as_ref()]; }))
                        (controls::field("Yeast: which pack or lot", &html! { input type="text" name="yeast_lot" maxlength="64" value=[n.lots[1].as_ref()]; }))
                    }
                    p.small { "Measure the dough once or twice in a vessel, and how slowly it warms there is learned. A new bag widens the range until its first mark." }
                }
            }
            (cautions::list(&cautions))
        },
    )
}

//! The reader's table: to look at, and to copy into a published recipe.

use maud::{Markup, PreEscaped, html};

use crate::controls::field;
use crate::frame::{Frame, Tab};
use crate::show::encode;

/// Everything on the page.
#[derive(Clone, Debug, Default)]
pub struct ReaderTable {
    /// The dough.
    pub dough: String,
    /// The table as HTML: made by the model, every name in it escaped there.
    pub html: String,
    /// As plain text.
    pub text: String,
    /// As CSV.
    pub csv: String,
    /// Testers counted.
    pub testers: usize,
}

/// The page.
#[must_use]
pub fn page(t: &ReaderTable, frame: &Frame) -> Markup {
    let unit = frame.show.unit();
    frame.page(
        Some(Tab::Plan),
        "For your readers",
        &html! {
            h1 { "For your readers" }
            section.card.readers { (PreEscaped(&t.html)) }
            section.card { h2 { "To copy" }
                @for (name, text, format) in [("Plain text", &t.text, "text"), ("Table for a spreadsheet (CSV)", &t.csv, "csv"), ("For a web page (HTML)", &t.html, "html")] {
                    details { summary { (name) }
                        textarea readonly rows="12" cols="40" aria-label=(name) { (text) }
                        p { a href={ "/api/v1/reader-table?dough=" (encode(&t.dough)) "&format=" (format) } { "By itself" } }
                    }
                }
            }
            section.card { h2 { "A tester's bake" }
                p { "Four numbers from another kitchen count as a bake there, and widen or narrow the ranges. " (t.testers) " so far." }
                form method="post" action="/reader-table/tester" {
                    input type="hidden" name="dough" value=(t.dough);
                    div.row {
                        (field(&format!("Their room, {unit}"), &html! { input.short type="number" name="room" step="any" inputmode="decimal" required; }))
                        (field(&format!("Their dough out of the mixer, {unit}"), &html! { input.short type="number" name="dough_temperature" step="any" inputmode="decimal" required; }))
                        (field("Bulk, min", &html! { input.short type="number" name="bulk_min" step="1" min="1" inputmode="numeric"; }))
                        (field("Final proof, min", &html! { input.short type="number" name="final_min" step="1" min="1" inputmode="numeric"; }))
                    }
                    button type="submit" { "Count it" }
                }
            }
        },
    )
}

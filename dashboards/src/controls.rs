//! Small parts that forms share: when it happened, choices, hidden fields, undo.

use maud::{Markup, html};

use crate::show::Show;

/// "When?": now, some minutes ago, or a clock time (the last time the clock showed it).
/// `name` tells several on one page apart.
#[must_use]
pub fn when(show: &Show, name: &str) -> Markup {
    html! {
        details { summary { "It happened now. Earlier? Tap here." }
        fieldset.when aria-label="When was it?" {
            label.choice { input type="radio" name="when" value="now" checked; span { "Now" } }
            div.choice {
                label for={ "ago-" (name) } { input type="radio" name="when" value="ago" aria-label="Minutes ago"; span.sr { "Some minutes ago" } }
                input.short type="number" name="ago_min" id={ "ago-" (name) } min="0" max="2880" step="1" value="5" inputmode="numeric" aria-label="How many minutes ago";
                span { "min ago" }
            }
            div.choice {
                label { input type="radio" name="when" value="clock" aria-label="At a clock time"; span { "at" } }
                input.short type="time" name="clock" value=(show.clock_field(show.now)) aria-label="Clock time";
            }
        } }
    }
}

/// A labelled field.
#[must_use]
pub fn field(label: &str, input: &Markup) -> Markup {
    html! { label.field { span { (label) } (input) } }
}

/// A drop-down of plain names.
#[must_use]
pub fn select(name: &str, options: &[String], chosen: Option<&str>) -> Markup {
    html! {
        select name=(name) {
            @for option in options {
                option value=(option) selected[Some(option.as_str()) == chosen] { (option) }
            }
        }
    }
}

/// What marking a dough as open to the air is good for.
pub const OPEN_MEANS: &str = "you are told before a skin forms";

/// "Is it covered?" at the start of a proof; nothing has to be said.
#[must_use]
pub fn covered(chosen: Option<bool>) -> Markup {
    let choice = |value: &str, is: bool, words: &str| {
        html! {
            label.choice { input type="radio" name="covered" value=(value) checked[chosen == Some(is)]; span { (words) } }
        }
    };
    html! {
        fieldset { legend { "Is it covered?" }
            div.pick {
                (choice("yes", true, "Covered"))
                (choice("no", false, "Open to the air"))
            }
            p.small { "Open to the air, where a humidity sensor stands: " (OPEN_MEANS) "." }
        }
    }
}

/// What was just done, with its way back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Done {
    /// One sentence.
    pub text: String,
    /// The number under which it can be undone, and the page to come back to.
    pub undo: Option<(i64, String)>,
}

/// The line that says what was just done.
#[must_use]
pub fn done(done: Option<&Done>) -> Markup {
    html! {
        @if let Some(done) = done {
            div.done role="status" {
                span { (done.text) }
                @if let Some((group, back)) = &done.undo {
                    form method="post" action="/undo" {
                        input type="hidden" name="group" value=(group);
                        input type="hidden" name="back" value=(back);
                        button.quiet type="submit" { "Undo" }
                    }
                }
            }
        }
    }
}

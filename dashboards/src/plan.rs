//! Plan: four questions on one page (when to mix, how warm the water, how long the oven light, can it
//! wait), each a form of its own that answers in its place. Works without script.

use jiff::Timestamp;
use maud::{Markup, html};

use crate::cautions::{self, Caution};
use crate::controls::{field, select};
use crate::frame::{Frame, Tab};
use crate::refusal::{self, Labels};
use crate::show::encode;

/// Which question.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Question {
    /// When to mix.
    Mix,
    /// How warm the water.
    Water,
    /// How long the oven light.
    Light,
    /// Can it wait.
    Hold,
}

impl Question {
    /// Its word in the address.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Mix => "mix",
            Self::Water => "water",
            Self::Light => "light",
            Self::Hold => "hold",
        }
    }

    /// What its form calls the fields that an answer can refuse; a unit stands behind.
    fn labels(self) -> Labels {
        match self {
            Self::Mix => &[
                ("dough", "Dough"),
                ("table", "On the table at"),
                ("start", "I can only start at"),
                ("late_percent", "Late at most, times in 100"),
                ("night_h", "Hours in the fridge during bulk"),
                ("bulk_place", "Bulk stands in"),
                ("bulk_c", "Bulk's air"),
                ("final_place", "The pieces stand in"),
                ("final_c", "The pieces' air"),
                ("dough_c", "Dough out of the mixer"),
                ("mixing_min", "Mixing, min"),
                ("shaping_min", "Shaping, min"),
                ("baking_min", "Baking, min"),
                ("cooling_min", "Cooling, min"),
            ],
            Self::Water => &[("mixing", "Mixed")],
            Self::Light => &[
                ("place", "Oven or box"),
                ("dough_c", "Dough now"),
                ("target_c", "Dough wanted"),
                ("room_c", "Room"),
                ("since", "The light went on at"),
            ],
            Self::Hold => &[
                ("back", "I am back at"),
                ("ready", "Ready at"),
                ("fridge_c", "The fridge"),
                ("over_percent", "Over-proofed at most, times in 100"),
            ],
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Mix, Self::Water, Self::Light, Self::Hold]
            .into_iter()
            .find(|q| q.word() == word)
    }
}

/// A step of the day.
#[derive(Clone, Debug)]
pub struct Step {
    /// What happens then.
    pub what: String,
    /// About then.
    pub about: Option<Timestamp>,
    /// From and to, four times in five.
    pub span: Option<(Timestamp, Timestamp)>,
}

/// An answer.
#[derive(Clone, Debug, Default)]
pub struct Answer {
    /// Sentences, the first the answer itself.
    pub lines: Vec<String>,
    /// The day, for a plan.
    pub steps: Vec<Step>,
    /// What to mind.
    pub cautions: Vec<Caution>,
    /// An oven that a run has learned: its place and when its light went on, to keep.
    pub keep: Option<(String, String)>,
}

/// Everything on the page.
#[derive(Clone, Debug, Default)]
pub struct Plan {
    /// Doughs to choose from.
    pub doughs: Vec<String>,
    /// Places to choose from.
    pub places: Vec<String>,
    /// Batches in progress: id and what to call them.
    pub batches: Vec<(String, String)>,
    /// What was typed, name and text.
    pub typed: Vec<(String, String)>,
    /// What was asked, and the answer or why there is none.
    pub asked: Option<(Question, Result<Answer, String>)>,
}

impl Plan {
    fn typed(&self, name: &str) -> Option<&str> {
        self.typed
            .iter()
            .find(|(n, v)| n == name && !v.is_empty())
            .map(|(_, v)| v.as_str())
    }

    fn number(&self, label: &str, name: &str) -> Markup {
        field(
            label,
            &html! { input.short type="number" name=(name) step="any" inputmode="decimal" value=[self.typed(name)]; },
        )
    }

    fn clock(&self, label: &str, name: &str, needed: bool) -> Markup {
        field(
            label,
            &html! { input.short type="time" name=(name) value=[self.typed(name)] required[needed]; },
        )
    }

    /// A place, or none of them.
    fn place(&self, label: &str, name: &str, otherwise: &str) -> Markup {
        field(
            label,
            &html! {
                select name=(name) {
                    option value="" { (otherwise) }
                    @for place in &self.places { option value=(place) selected[self.typed(name) == Some(place)] { (place) } }
                }
            },
        )
    }

    fn form(&self, question: Question, button: &str, fields: &Markup, frame: &Frame) -> Markup {
        html! {
            form method="get" action={ "/plan#" (question.word()) } {
                input type="hidden" name="ask" value=(question.word());
                (fields)
                button.wide type="submit" { (button) }
            }
            @match &self.asked {
                Some((asked, Ok(answer))) if *asked == question => (shown(answer, frame)),
                Some((asked, Err(why))) if *asked == question => p.wrong role="alert" { (refusal::words(why, question.labels(), &frame.show)) },
                _ => {},
            }
        }
    }
}

fn shown(answer: &Answer, frame: &Frame) -> Markup {
    let show = &frame.show;
    html! {
        div role="status" {
            @if let Some(lead) = answer.lines.first() { p.big-line { b { (lead) } } }
            @if !answer.steps.is_empty() {
                table { thead { tr { th { "Step" } th { "About" } th { "Between" } } }
                    tbody { @for step in &answer.steps { tr {
                        td { (step.what) }
                        td { @match step.about { Some(t) => (show.when(t)), None => "not in three days" } }
                        td { @if let Some((a, b)) = step.span { @if a != b { (show.when(a)) " and " (show.when(b)) } } }
                    } } } }
            }
            ul.plain { @for line in answer.lines.iter().skip(1) { li { (line) } } }
            @if let Some((place, since)) = &answer.keep {
                form method="post" action="/plan/oven" {
                    input type="hidden" name="place" value=(place);
                    input type="hidden" name="since" value=(since);
                    button type="submit" { "Keep this and plan with it" }
                }
            }
            (cautions::list(&answer.cautions))
        }
    }
}

/// The page.
#[must_use]
pub fn page(p: &Plan, frame: &Frame) -> Markup {
    let unit = frame.show.unit();
    let degrees = |what: &str| format!("{what}, {unit}");
    let doughs = |name: &str| {
        if p.doughs.is_empty() {
            field(
                "Dough",
                &html! { input type="text" name=(name) value=[p.typed(name)] required; },
            )
        } else {
            field("Dough", &select(name, &p.doughs, p.typed(name)))
        }
    };
    let mix = html! {
        div.row { (doughs("dough")) (p.clock("On the table at", "table", true)) }
        details open[p.typed("start").is_some()] { summary { "More: a start to keep, other places, other times" }
            div.row { (p.clock("I can only start at", "start", false)) (p.number("Late at most, times in 100", "late_percent")) (p.number("Hours in the fridge during bulk", "night_h")) }
            div.row { (p.place("Bulk stands in", "bulk_place", "as last time")) (p.number(&degrees("Bulk's air"), "bulk_c")) }
            div.row { (p.place("The pieces stand in", "final_place", "the same")) (p.number(&degrees("The pieces' air"), "final_c")) }
            div.row { (p.number(&degrees("Dough out of the mixer"), "dough_c")) (p.number("Mixing, min", "mixing_min")) (p.number("Shaping, min", "shaping_min"))
                (p.number("Baking, min", "baking_min")) (p.number("Cooling, min", "cooling_min")) }
        }
    };
    let water = html! {
        div.row { (p.number(&degrees("Dough wanted"), "wanted_c")) (p.number(&degrees("Room"), "room_c")) (p.number(&degrees("Flour"), "flour_c"))
            (p.number(&degrees("Pre-ferment"), "preferment_c")) (p.number(&degrees("Cold tap"), "tap_c")) }
        (field("Mixed", &html! { select name="mixing" {
            @for (value, text) in [("stand_mixer", "in a stand mixer"), ("hand", "by hand"), ("food_processor", "in a food processor")] {
                option value=(value) selected[p.typed("mixing") == Some(value)] { (text) } } } }))
    };
    let light = html! {
        div.row { (p.place("Oven or box", "place", "choose")) (field("Dough", &html! { select name="light_dough" {
            option value="" { "any" }
            @for dough in &p.doughs { option value=(dough) selected[p.typed("light_dough") == Some(dough)] { (dough) } } } })) }
        div.row { (p.number(&degrees("Dough now"), "now_c")) (p.number(&degrees("Dough wanted"), "target_c")) (p.number(&degrees("Room"), "light_room_c")) }
        label.choice { input type="checkbox" name="shaped" value="true" checked[p.typed("shaped").is_some()]; span { "shaped pieces" } }
        details open[p.typed("since").is_some()] { summary { "Learn this oven: a guided empty run" }
            ol {
                li { "Empty the oven and leave its heat off. Put the sensor inside, the door shut." }
                li { "Put the light on and note the time." }
                li { "Look here again with that time. It takes about 90 minutes." }
            }
            (p.clock("The light went on at", "since", false))
        }
    };
    let hold = html! {
        div.row {
            (field("Dough", &html! { select name="batch" { @for (id, name) in &p.batches { option value=(id) selected[p.typed("batch") == Some(id)] { (name) } } } }))
            (p.clock("I am back at", "back", true)) (p.clock("Ready at", "ready", false))
        }
        div.row { (p.number(&degrees("The fridge"), "fridge_c")) (p.number("Over-proofed at most, times in 100", "over_percent")) }
    };
    frame.page(
        Some(Tab::Plan),
        "Plan",
        &html! {
            h1 { "Plan" }
            section.card #mix { h2 { "When must I mix?" } (p.form(Question::Mix, "Work it out", &mix, frame)) }
            section.card #hold { h2 { "Can it wait in the fridge?" }
                @if p.batches.is_empty() { p { "No dough is proofing now." } } @else { (p.form(Question::Hold, "Can it wait?", &hold, frame)) } }
            section.card #water { h2 { "How warm must the water be?" } (p.form(Question::Water, "Work it out", &water, frame)) }
            section.card #light { h2 { "How long may the oven light stay on?" } (p.form(Question::Light, "Look", &light, frame))
                (cautions::list(&[Caution::Oven, Caution::Lamp])) }
            section.card { h2 { "For others" }
                p { "Proof times for your readers at 18 to 28 °C (64 to 82 °F):" }
                ul.plain { @for dough in &p.doughs { li { a href={ "/reader-table?dough=" (encode(dough)) } { (dough) } } } }
                p { a href="/compare" { "Compare seasons, places and flours" } }
            }
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::show::Show;

    fn frame() -> Frame {
        Frame {
            show: Show {
                now: "2026-01-10T07:00:00Z".parse().unwrap(),
                zone: jiff::tz::TimeZone::UTC,
                fahrenheit: false,
            },
            done: None,
            store_writes: true,
            broker_ready: true,
            unseen: 0,
            clock: crate::frame::Clock::default(),
        }
    }

    #[test]
    fn an_answer_stands_under_its_own_question_and_names_are_text() {
        let plan = Plan {
            doughs: vec!["<b>rye & co</b>".into()],
            typed: vec![("table".into(), "15:00".into())],
            asked: Some((
                Question::Mix,
                Ok(Answer {
                    lines: vec!["Begin by 9:10.".into(), "Late 10 times in 100.".into()],
                    ..Answer::default()
                }),
            )),
            ..Plan::default()
        };
        let page = page(&plan, &frame()).into_string();
        assert!(page.contains("Begin by 9:10.") && page.contains("value=\"15:00\""));
        assert!(!page.contains("<b>rye") && page.contains("&lt;b&gt;rye &amp; co"));
        let mix = page.split("id=\"hold\"").next().unwrap();
        assert!(mix.contains("Late 10 times in 100."));
        for question in [
            Question::Mix,
            Question::Water,
            Question::Light,
            Question::Hold,
        ] {
            assert_eq!(Question::from_word(question.word()), Some(question));
        }
    }

    #[test]
    fn a_refusal_names_the_field_as_its_form_does() {
        let plan = Plan {
            batches: vec![("b".into(), "rolls".into())],
            asked: Some((
                Question::Hold,
                Err("Back: 2026-01-10T06:00:00Z is past (it is 2026-01-10T07:00:00Z).".into()),
            )),
            ..Plan::default()
        };
        let page = page(&plan, &frame()).into_string();
        assert!(
            page.contains("I am back at: 6:00 is past (it is 7:00)."),
            "{page}"
        );
        for question in [
            Question::Mix,
            Question::Water,
            Question::Light,
            Question::Hold,
        ] {
            let after = page
                .split(&format!("id=\"{}\"", question.word()))
                .nth(1)
                .unwrap();
            let form = after.split("</form>").next().unwrap();
            for (name, label) in question.labels() {
                assert!(form.contains(label), "{name}: {label}");
            }
        }
    }

    #[test]
    fn why_there_is_no_answer_is_said_where_it_was_asked() {
        let plan = Plan {
            asked: Some((Question::Light, Err("This oven is not known.".into()))),
            ..Plan::default()
        };
        let page = page(&plan, &frame()).into_string();
        let after = page.split("id=\"light\"").nth(1).unwrap();
        assert!(after.contains("role=\"alert\"") && after.contains("This oven is not known."));
        assert!(after.contains("The oven stays off"));
    }
}

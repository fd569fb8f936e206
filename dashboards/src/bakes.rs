//! Bakes: the log, how close the forecasts were, and learning from them.

use jiff::Timestamp;
use maud::{Markup, html};

use crate::frame::{Frame, Tab};
use crate::now::Stage;
use crate::refusal;
use crate::show::{encode, minutes, number, percent};

/// One bake in the log.
#[derive(Clone, Debug)]
pub struct Bake {
    /// Its id.
    pub id: String,
    /// Its dough.
    pub dough: String,
    /// When its first proof began.
    pub start: Option<Timestamp>,
    /// Its proofs: which, minutes (if over), how it was.
    pub stages: Vec<(Stage, Option<f64>, Option<String>)>,
    /// Whether it teaches.
    pub learn: bool,
}

/// How close the forecasts were.
#[derive(Clone, Debug)]
pub struct Close {
    /// Forecasts judged (three a proof).
    pub count: u64,
    /// Share in the span given.
    pub in_span: Option<f64>,
    /// Half of them were closer than this, minutes.
    pub half_within_min: Option<f64>,
    /// The same for the mere mean time of earlier bakes.
    pub clock_half_within_min: Option<f64>,
    /// Proofs not judged.
    pub left_out: u64,
}

/// One filed calibration.
#[derive(Clone, Debug)]
pub struct Learned {
    /// Its number.
    pub version: i64,
    /// When.
    pub at: Timestamp,
    /// On how many proofs it rests.
    pub stages: u32,
    /// Whether it is the one in use.
    pub in_force: bool,
    /// What moved, plain sentences.
    pub moved: Vec<String>,
}

/// Everything on the page.
#[derive(Clone, Debug, Default)]
pub struct Bakes {
    /// The log, newest first.
    pub log: Vec<Bake>,
    /// How close we were, if it was worked out.
    pub close: Option<Result<Close, String>>,
    /// What was learned, newest first.
    pub learned: Vec<Learned>,
}

/// An outcome in words.
#[must_use]
pub fn outcome_words(word: &str) -> &str {
    match word {
        "ready" => "just right",
        "under" => "early",
        "over" => "late",
        "abandoned" => "given up",
        _ => "nobody knows how it was",
    }
}

/// The page.
#[must_use]
pub fn page(b: &Bakes, frame: &Frame) -> Markup {
    let show = &frame.show;
    frame.page(
        Some(Tab::Bakes),
        "Bakes",
        &html! {
            h1 { "Bakes" }
            div.columns {
                div.left {
                    h2.sr { "The log" }
                    @if b.log.is_empty() { section.empty { h2 { "No bake yet" } p { "Every proof you end here is kept, and teaches the next one." } } }
                    ul.log { @for bake in &b.log { li {
                        a href={ "/batches/" (encode(&bake.id)) } {
                            b { (bake.dough) } " " span.small { @match bake.start { Some(t) => (show.when(t)), None => "not begun" } @if !bake.learn { ", left out of learning" } }
                            @for (stage, min, outcome) in &bake.stages {
                                span.stage { (stage.words()) ": " @match min { Some(m) => (minutes(*m)), None => "in progress" } @if let Some(o) = outcome { ", " (o) } }
                            }
                        }
                    } } }
                }
                div.right {
                    section.card { h2 { "How close were we" }
                        @match &b.close {
                            None => {
                                p { "Goes through every finished proof and asks what the forecast would have said on the way." }
                                form method="get" action="/bakes" { button.quiet type="submit" name="close" value="yes" { "Work it out" } }
                            }
                            Some(Err(why)) => p.hint { (refusal::said(why, show)) },
                            Some(Ok(c)) if c.count == 0 => p { "No proof that ended just right yet, so there is nothing to compare." },
                            Some(Ok(c)) => {
                                @if let Some(m) = c.half_within_min { p.big-line { "Half the forecasts were within " b { (minutes(m)) } } }
                                @if let Some(m) = c.clock_half_within_min { p { "Going by the clock alone: within " b { (minutes(m)) } "." } }
                                @if let Some(s) = c.in_span { p { "The dough was ready inside the span we gave in " b { (percent(s)) } " of them (it should be about 80 %)." } }
                                p.small { (c.count) " forecasts judged, " (c.left_out) " proofs not." }
                            }
                        }
                    }
                    section.card { h2 { "Learn from my bakes" }
                        p { "Fits what your doughs have in common to every finished proof." }
                        form method="post" action="/bakes/learn" { button type="submit" { "Learn from my bakes" } }
                        @for l in &b.learned {
                            details { summary { "No " (l.version) ", " (show.when(l.at)) ", from " (number(f64::from(l.stages), 0)) " proofs" @if l.in_force { " " span.tag { "in use" } } }
                                ul.plain { @for line in &l.moved { li { (line) } } }
                                @if !l.in_force {
                                    form method="post" action="/bakes/go-back" { input type="hidden" name="version" value=(l.version);
                                        button.quiet type="submit" { "Go back to this one" } }
                                }
                            }
                        }
                    }
                }
            }
        },
    )
}

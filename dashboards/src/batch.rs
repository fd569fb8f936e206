//! One batch: its forecast, its charts, what was seen, and the big buttons.

use jiff::Timestamp;
use maud::{Markup, html};

use crate::cautions::{self, Caution};
use crate::chart::{self, RiseChart, TemperatureChart};
use crate::controls;
use crate::frame::{Frame, Tab};
use crate::now::{Alert, Proof, Stage, air, alert, progress};
use crate::ready;
use crate::show::{Show, encode, minutes, number};

/// Where in its life a batch is.
#[derive(Clone, Debug)]
pub enum Life {
    /// Mixed, no proof begun.
    Mixed,
    /// A proof is in progress.
    Proofing(Box<Proof>),
    /// Between bulk and final.
    Shaping {
        /// Since when.
        since: Timestamp,
    },
    /// In the oven or beyond.
    Baked,
}

/// A proof that is over or in progress, for the list.
#[derive(Clone, Debug)]
pub struct StageLine {
    /// Which.
    pub stage: Stage,
    /// When it began.
    pub start: Timestamp,
    /// When it ended.
    pub end: Option<Timestamp>,
    /// How, in words (`just right`).
    pub outcome: Option<String>,
}

/// Something the baker saw or did, which can be changed or taken back.
#[derive(Clone, Debug)]
pub struct Entry {
    /// When.
    pub at: Timestamp,
    /// In words.
    pub text: String,
    /// `rise`, `finger_dent`, `dough_temperature`, `note`, `move`: its key with the time.
    pub kind: String,
    /// Its time in milliseconds since 1970, exactly: the other half of its key.
    pub at_ms: i64,
}

/// One line of the formula.
#[derive(Clone, Debug)]
pub struct FormulaLine {
    /// The ingredient as written.
    pub name: String,
    /// Grams.
    pub mass_g: f64,
    /// Share of all flour, if there is flour.
    pub of_flour: Option<f64>,
    /// Its kind in words, and whether it was guessed from the name.
    pub kind: (String, bool),
}

/// Everything on the page.
#[derive(Clone, Debug)]
pub struct Batch {
    /// Its id.
    pub id: String,
    /// Its dough.
    pub dough: String,
    /// Where it stands now.
    pub place: String,
    /// Where in its life it is.
    pub life: Life,
    /// Its proofs.
    pub stages: Vec<StageLine>,
    /// The rise chart.
    pub rise: RiseChart,
    /// The temperature chart.
    pub temperature: TemperatureChart,
    /// What the forecast rests on, plain sentences.
    pub evidence: Vec<String>,
    /// What was seen and done, newest first.
    pub entries: Vec<Entry>,
    /// Other places it can be carried to.
    pub places: Vec<String>,
    /// The formula.
    pub formula: Vec<FormulaLine>,
    /// Pieces and a piece's mass, g.
    pub pieces: Option<(u32, Option<f64>)>,
    /// The batch it was split from.
    pub from: Option<String>,
    /// The alerts about it that are open: a message on a phone leads here.
    pub alerts: Vec<Alert>,
    /// Whether a lid, cloth or film covers it; `None`: nobody said.
    pub covered: Option<bool>,
    /// Whether it teaches.
    pub learn: bool,
    /// Its cautions.
    pub cautions: Vec<Caution>,
}

/// Rises with a button of their own.
const RISES: [(&str, &str, &str); 4] = [
    ("0.25", "¼", "up a quarter"),
    ("0.5", "½", "up a half"),
    ("0.75", "¾", "up three quarters"),
    ("1", "×2", "doubled"),
];

const DENTS: [(&str, &str, &str); 3] = [
    ("springs_back", "Springs back", "needs longer"),
    ("returns_slowly", "Comes back slowly", "ready"),
    ("stays", "Stays", "gone too far"),
];

const ENDS: [(&str, &str); 3] = [
    ("under", "Early"),
    ("ready", "Just right"),
    ("over", "Late"),
];

/// A stage's word in forms.
fn stage_word(stage: Stage) -> &'static str {
    match stage {
        Stage::Bulk => "bulk",
        Stage::Final => "final",
    }
}

fn buttons(b: &Batch, proof: &Proof, show: &Show) -> Markup {
    html! {
        form.act method="post" action={ "/batches/" (encode(&b.id)) "/do" } {
            // Enter in a text field presses the first button of a form: it saves what was typed.
            button.sr type="submit" name="do" value="typed" tabindex="-1" aria-hidden="true" { "Save" }
            input type="hidden" name="stage" value=(stage_word(proof.stage));
            (controls::when(show, "act"))
            fieldset {
                legend { "How far has it risen?" }
                div.grid.four {
                    @for (value, sign, words) in RISES {
                        button type="submit" name="do" value={ "rise " (value) } { b { (sign) } span { (words) } }
                    }
                }
                details { summary { "In a straight jar: two heights" }
                    div.row {
                        (controls::field("at the start", &html! { input.short type="number" name="height_start" min="0" step="any" inputmode="decimal" placeholder="mm"; }))
                        (controls::field("now", &html! { input.short type="number" name="height_now" min="0" step="any" inputmode="decimal" placeholder="mm"; }))
                        button type="submit" name="do" value="heights" { "Save" }
                    }
                }
            }
            fieldset {
                legend { "Press a finger in. The dent …" }
                div.grid.three {
                    @for (value, words, means) in DENTS {
                        button type="submit" name="do" value={ "dent " (value) } { b { (words) } span { (means) } }
                    }
                }
            }
            fieldset {
                legend { @match proof.stage { Stage::Bulk => "Bulk proof is over. It was …", Stage::Final => "Into the oven. It was …" } }
                div.grid.three {
                    @for (value, words) in ENDS {
                        button type="submit" name="do" value={ "end " (value) } { b { (words) } }
                    }
                }
                details { summary { "Something else" }
                    div.grid.two {
                        button.quiet type="submit" name="do" value="end unknown" { "Over, I do not know how" }
                        button.quiet type="submit" name="do" value="end abandoned" { "Given up" }
                    }
                }
            }
            (cover(b.covered))
            fieldset {
                legend { "The dough's own temperature" }
                div.row {
                    (controls::field(show.unit(), &html! { input.short type="number" name="dough_temperature" step="any" inputmode="decimal"; }))
                    button type="submit" name="do" value="temperature" { "Save" }
                }
            }
            fieldset {
                legend { "A note" }
                div.row {
                    (controls::field("What to remember", &html! { input type="text" name="note" maxlength="500"; }))
                    button type="submit" name="do" value="note" { "Save" }
                }
            }
            (carry(b))
        }
    }
}

/// A dough in the open dries: its baker says so here, and is told before a skin shows.
fn cover(covered: Option<bool>) -> Markup {
    let choice = |value: &str, is: bool, words: &str, means: &str| {
        html! {
            button type="submit" name="do" value=(value) aria-pressed=(covered == Some(is)) {
                b { (words) } span { (means) }
            }
        }
    };
    html! {
        fieldset {
            legend { @match covered {
                Some(true) => "It is covered. Still so?",
                Some(false) => "It stands open to the air. Still so?",
                None => "Is it covered?",
            } }
            div.grid.two {
                (choice("cover", true, "Covered", "lid, cloth or film"))
                (choice("uncover", false, "Open to the air", controls::OPEN_MEANS))
            }
        }
    }
}

fn carry(b: &Batch) -> Markup {
    html! {
        fieldset {
            legend { "Carry it from " (b.place) " to …" }
            div.grid.two {
                @for place in &b.places { button.quiet type="submit" name="do" value={ "move " (place) } { (place) } }
            }
            details { summary { "Somewhere new" }
                div.row {
                    (controls::field("Name of the place", &html! { input type="text" name="new_place" maxlength="64"; }))
                    button type="submit" name="do" value="move_new" { "Carry it there" }
                }
            }
        }
    }
}

fn begin(b: &Batch, stage: Stage, show: &Show) -> Markup {
    let (value, words) = match stage {
        Stage::Bulk => ("start bulk", "Start the bulk proof"),
        Stage::Final => ("start final", "Shaped: start the final proof"),
    };
    let mut places = vec![b.place.clone()];
    places.extend(b.places.iter().cloned());
    html! {
        form.act method="post" action={ "/batches/" (encode(&b.id)) "/do" } {
            (controls::field("It stands in", &controls::select("place", &places, Some(&b.place))))
            (controls::covered(b.covered))
            (controls::when(show, "begin"))
            button.wide.main type="submit" name="do" value=(value) { (words) }
            @if stage == Stage::Final {
                details { summary { "Split it first: some pieces go elsewhere" }
                    div.row {
                        (controls::field("Pieces that go", &html! { input.short type="number" name="split_pieces" min="1" step="1" inputmode="numeric"; }))
                        (controls::field("They stand in", &controls::select("split_place", &places, Some(&b.place))))
                        button type="submit" name="do" value="split" { "Split" }
                    }
                    p.small { "The new batch shares this bulk proof; start its final proof on its own page." }
                }
            }
        }
    }
}

fn entries(b: &Batch, show: &Show) -> Markup {
    html! {
        section #entries data-live {
            h2 { "What you noted" }
            @if b.entries.is_empty() { p.small { "Nothing yet." } }
            ul.entries { @for e in &b.entries {
                li {
                    details {
                        summary { time datetime=(e.at) { (show.when(e.at)) } " " (e.text) }
                        form.row method="post" action={ "/batches/" (encode(&b.id)) "/entry" } {
                            input type="hidden" name="kind" value=(e.kind);
                            input type="hidden" name="at_ms" value=(e.at_ms);
                            (controls::field("It was at", &html! { input.short type="time" name="clock" value=(show.clock_field(e.at)) required; }))
                            button type="submit" name="do" value="retime" { "Change the time" }
                            button.quiet type="submit" name="do" value="remove" formnovalidate { "Take it out" }
                        }
                    }
                }
            } }
        }
    }
}

/// What a line is counted as, where its name does not say so itself.
fn counted_as(line: &FormulaLine) -> Option<String> {
    let (kind, guessed) = &line.kind;
    let name = line.name.to_lowercase();
    let said = kind.split(' ').all(|word| name.contains(word));
    let guess = if *guessed { ", a guess" } else { "" };
    (!said).then(|| format!("counted as {kind}{guess}"))
}

fn formula(b: &Batch) -> Markup {
    html! {
        @if !b.formula.is_empty() {
            section { h2 { "Formula" }
                table.formula { thead { tr { th { "Ingredient" } th.num { "g" } th.num { "% of flour" } } }
                    tbody { @for line in &b.formula { tr {
                        td { (line.name) @if let Some(words) = counted_as(line) { " " span.small { (words) } } }
                        td.num { (number(line.mass_g, 1)) }
                        td.num { @match line.of_flour { Some(share) => (number(share * 100.0, 1)), None => "–" } }
                    } } } }
                @if let Some((pieces, mass)) = b.pieces {
                    p.small { (pieces) " pieces" @if let Some(g) = mass { " of " (number(g, 0)) " g" } }
                }
            }
        }
    }
}

/// The page.
#[must_use]
pub fn page(b: &Batch, frame: &Frame) -> Markup {
    let show = &frame.show;
    let data = format!("/api/v1/batches/{}/chart", encode(&b.id));
    frame.page(
        Some(Tab::Now),
        &b.dough,
        &html! {
            header.title {
                h1 { (b.dough) }
                p.where { (b.id) @if let Some(from) = &b.from { ", split from " a href={ "/batches/" (encode(from)) } { (from) } } }
            }
            div #alerts data-live aria-live="polite" {
                @if !b.alerts.is_empty() {
                    ul.alerts aria-label="Alerts" { @for a in &b.alerts { (alert(a, show)) } }
                }
            }
            div.columns {
                div.left {
                    div #state data-live {
                        @match &b.life {
                            Life::Proofing(p) => {
                                p.where { (p.stage.words()) " in " b { (p.place) } ", since " (show.when(p.started)) }
                                (ready::block(p.ready.as_ref(), show))
                                @if p.ready.is_some() { (progress(p.progress)) }
                                p.temperatures { (air(p.air.as_ref(), p.ceiling_c, show)) @if let Some(d) = p.dough_c { " " span.dough-temperature { "dough about " (show.temperature(d)) } } }
                                @if p.dent_would_help { p.hint { "One finger dent now would make the time much surer." } }
                            }
                            Life::Shaping { since } => p.where { "Being shaped since " (show.when(*since)) }
                            Life::Mixed => p.where { "Mixed; no proof has begun." }
                            Life::Baked => p.where { "Baked." }
                        }
                    }
                    @match &b.life {
                        Life::Proofing(p) => (buttons(b, p, show)),
                        Life::Shaping { .. } => (begin(b, Stage::Final, show)),
                        Life::Mixed => (begin(b, Stage::Bulk, show)),
                        Life::Baked => { a.button.wide.main href={ "/new?again=" (encode(&b.id)) } { "Same again" } }
                    }
                }
                div.right {
                    section { h2 { "Rise" } (chart::rise_chart(&b.rise, &data, show)) }
                    section { h2 { "Temperature" } (chart::temperature_chart(&b.temperature, &data, show)) }
                    // Of a proof that has ended it would speak of what is still to come.
                    @if matches!(b.life, Life::Proofing(_)) && !b.evidence.is_empty() {
                        section #evidence data-live { h2 { "What this rests on" } ul.plain { @for line in &b.evidence { li { (line) } } } }
                    }
                    (entries(b, show))
                    section { h2 { "Proofs" }
                        ul.plain { @for s in &b.stages { li {
                            b { (s.stage.words()) } " from " (show.when(s.start))
                            @match s.end {
                                Some(end) => { " to " (show.when(end)) ", " (minutes(end.duration_since(s.start).as_secs_f64() / 60.0)) @if let Some(o) = &s.outcome { ", " (o) } }
                                None => ", in progress",
                            }
                        } } }
                        @if let Some(ended) = b.stages.iter().rev().find(|s| s.end.is_some()) {
                            details { summary { "Ended by mistake, or ended otherwise?" }
                                form method="post" action={ "/batches/" (encode(&b.id)) "/do" } {
                                    input type="hidden" name="when" value="now";
                                    input type="hidden" name="stage" value=(stage_word(ended.stage));
                                    div.grid.two {
                                        @if b.stages.iter().all(|s| s.end.is_some()) {
                                            button.quiet type="submit" name="do" value="reopen" { "It is still proofing" }
                                        }
                                        @for (value, words) in ENDS { button.quiet type="submit" name="do" value={ "was " (value) } { "It was: " (words) } }
                                    }
                                }
                            }
                        }
                    }
                    (formula(b))
                    section { h2 { "Learn from my bakes" }
                        form method="post" action={ "/batches/" (encode(&b.id)) "/learn" } {
                            @if b.learn {
                                p { "This bake teaches what comes after it." }
                                button.quiet type="submit" name="learn" value="no" { "Leave this bake out of learning" }
                            } @else {
                                p { "This bake is left out of learning." }
                                button.quiet type="submit" name="learn" value="yes" { "Learn from it again" }
                            }
                        }
                    }
                    (cautions::list(&b.cautions))
                }
            }
        },
    )
}

/// A rise in words for the list of what was noted.
#[must_use]
pub fn rise_words(fraction: f64) -> String {
    format!("risen: {}", crate::show::rise(fraction))
}

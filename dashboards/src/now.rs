//! The first page: every proof with when it will be ready, the alerts, and whether this phone
//! can be woken.

use jiff::Timestamp;
use maud::{Markup, html};

use crate::cautions::{self, Caution};
use crate::frame::{Frame, Tab};
use crate::ready::{self, Ready};
use crate::show::{Show, encode, percent};

/// Which proof.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// In one piece.
    Bulk,
    /// Shaped.
    Final,
}

impl Stage {
    /// As a baker says it.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Bulk => "bulk proof",
            Self::Final => "final proof",
        }
    }
}

/// The air a proof stands in.
#[derive(Clone, Copy, Debug)]
pub struct Air {
    /// °C.
    pub value_c: f64,
    /// When it was read.
    pub at: Timestamp,
    /// Older than two of the sensor's normal gaps.
    pub stale: bool,
}

/// One proof in progress.
#[derive(Clone, Debug)]
pub struct Proof {
    /// The batch's id.
    pub batch: String,
    /// The dough's name.
    pub dough: String,
    /// Which proof.
    pub stage: Stage,
    /// Where it stands.
    pub place: String,
    /// When it began.
    pub started: Timestamp,
    /// When it will be ready; `None`: not worked out yet.
    pub ready: Option<Ready>,
    /// How much of the way it is, 0 to about 1.2.
    pub progress: f64,
    /// The air it stands in.
    pub air: Option<Air>,
    /// The dough's own temperature now, °C.
    pub dough_c: Option<f64>,
    /// Its top proofing temperature, °C.
    pub ceiling_c: Option<f64>,
    /// One finger dent now would make the time much surer.
    pub dent_would_help: bool,
    /// Its cautions.
    pub cautions: Vec<Caution>,
}

/// How far an alert is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AlertState {
    /// Nobody has said "seen".
    New,
    /// Seen, still so.
    Seen,
    /// Over.
    Over,
}

/// An alert.
#[derive(Clone, Debug)]
pub struct Alert {
    /// Its id.
    pub id: String,
    /// How far it is.
    pub state: AlertState,
    /// `note`, `warning` or `urgent`.
    pub severity: String,
    /// Large.
    pub title: String,
    /// Under it.
    pub text: String,
    /// When it was raised.
    pub raised: Timestamp,
    /// The batch it is about.
    pub batch: Option<String>,
    /// Whether "all out, preheating" answers it.
    pub all_out: bool,
    /// Whether phones are told of it, so that there can be a reminder.
    pub told: bool,
    /// Not repeated before.
    pub quiet_until: Option<Timestamp>,
}

/// Batches between their proofs.
#[derive(Clone, Debug)]
pub struct Shaping {
    /// The batch's id.
    pub batch: String,
    /// The dough's name.
    pub dough: String,
    /// Since when.
    pub since: Timestamp,
}

/// How alerts reach the baker.
#[derive(Clone, Debug)]
pub enum Waking {
    /// A channel that can wake a phone takes messages.
    Works {
        /// Its name.
        channel: String,
        /// When it last took a message.
        last: Option<Timestamp>,
    },
    /// It failed last time.
    Fails {
        /// Its name.
        channel: String,
        /// In its own words.
        error: String,
    },
    /// Only open pages hear.
    PageOnly,
}

/// A dough to start again in two taps.
#[derive(Clone, Debug)]
pub struct Again {
    /// The batch that is repeated.
    pub batch: String,
    /// Its dough.
    pub dough: String,
    /// When it was last started.
    pub last: Option<Timestamp>,
}

/// Everything on the page.
#[derive(Clone, Debug)]
pub struct Now {
    /// Proofs in progress, the soonest first.
    pub proofs: Vec<Proof>,
    /// Batches being shaped.
    pub shaping: Vec<Shaping>,
    /// Alerts: open ones, and those over within the last hours.
    pub alerts: Vec<Alert>,
    /// How alerts reach the baker.
    pub waking: Waking,
    /// What was baked lately.
    pub again: Vec<Again>,
}

/// An alert with its answers.
#[must_use]
pub fn alert(alert: &Alert, show: &Show) -> Markup {
    let (class, word) = match alert.state {
        AlertState::New => ("new", "New"),
        AlertState::Seen => ("seen", "Seen"),
        AlertState::Over => ("past", "Over"),
    };
    html! {
        li.alert.(class).(severity_class(&alert.severity)) {
            p.head { span.state { (word) } " " strong { (alert.title) } " " time datetime=(alert.raised) { (show.when(alert.raised)) } }
            p { (alert.text)
                @if let Some(batch) = &alert.batch { " " a href={ "/batches/" (encode(batch)) } { "Open the batch" } } }
            @if let (Some(until), AlertState::New | AlertState::Seen) = (alert.quiet_until, alert.state) {
                @if until > show.now { p.small { "Quiet until " (show.when(until)) } }
            }
            @if alert.state != AlertState::Over {
                div.answers {
                    // What ends it comes first: nobody should snooze a hot oven by habit.
                    @if alert.all_out {
                        form method="post" action={ "/alerts/" (encode(&alert.id)) "/all-out" } { button.main type="submit" { "All out, preheating" } }
                    }
                    @if alert.state == AlertState::New {
                        form method="post" action={ "/alerts/" (encode(&alert.id)) "/seen" } { button type="submit" { "Seen" } }
                    }
                    @if alert.told {
                        form method="post" action={ "/alerts/" (encode(&alert.id)) "/remind" } { button.quiet type="submit" { "Remind me in 10 minutes" } }
                    }
                }
            }
        }
    }
}

fn severity_class(severity: &str) -> &'static str {
    match severity {
        "urgent" => "urgent",
        "warning" => "warning",
        _ => "note",
    }
}

/// The air against its limit, with the reading's age.
#[must_use]
pub fn air(air: Option<&Air>, ceiling_c: Option<f64>, show: &Show) -> Markup {
    html! {
        @match air {
            Some(air) => {
                @let hot = ceiling_c.is_some_and(|limit| air.value_c > limit);
                span.air.stale[air.stale].hot[hot] {
                    strong { (show.temperature(air.value_c)) }
                    " " span.age { (show.ago(air.at)) @if air.stale { ", old" } }
                }
            }
            None => span.air.stale { strong { "no thermometer here" } },
        }
        @if let Some(limit) = ceiling_c { " " span.limit { "limit " (show.temperature(limit)) } }
    }
}

/// The bar that shows how far along a proof is.
#[must_use]
pub fn progress(fraction: f64) -> Markup {
    let shown = fraction.clamp(0.0, 1.0);
    html! {
        div.progress {
            progress max="100" value=(format!("{:.0}", shown * 100.0)) aria-label="How far along" {}
            span.small { @if fraction >= 1.0 { "all the way" } @else { (percent(shown)) " of the way" } }
        }
    }
}

fn proof(proof: &Proof, show: &Show) -> Markup {
    html! {
        article.proof {
            a.cover href={ "/batches/" (encode(&proof.batch)) } {
                h2 { (proof.dough) }
            }
            p.where { (proof.stage.words()) " in " b { (proof.place) } ", since " (show.when(proof.started)) }
            (ready::block(proof.ready.as_ref(), show))
            @if proof.ready.is_some() { (progress(proof.progress)) }
            p.temperatures {
                (air(proof.air.as_ref(), proof.ceiling_c, show))
                @if let Some(dough) = proof.dough_c { " " span.dough-temperature { "dough about " (show.temperature(dough)) } }
            }
            @if proof.dent_would_help {
                p.hint { "One finger dent now would make the time much surer." }
            }
            a.button.wide href={ "/batches/" (encode(&proof.batch)) } { "Open" }
        }
    }
}

fn waking(waking: &Waking, show: &Show) -> Markup {
    html! {
        p.waking #waking data-live {
            @match waking {
                Waking::Works { channel, last } => {
                    b { "Alerts also go out through " (channel) }
                    @match last {
                        Some(last) => { ", last taken " (show.when(*last)) ". Whether this phone rings for it, only a " a href="/settings" { "test" } " tells." }
                        None => { ", not tried yet: " a href="/settings" { "send a test" } " and see whether this phone rings." }
                    }
                }
                Waking::Fails { channel, error } => {
                    b.bad { "This phone may stay silent: " (channel) " failed last time." } " It said: " (error) " " a href="/settings" { "Look into it" }
                }
                Waking::PageOnly => {
                    b { "This phone hears alerts only while this page is open." } " It will not be woken. " a href="/settings" { "Set up a way to wake it" }
                }
            }
        }
    }
}

/// The page.
#[must_use]
pub fn page(now: &Now, frame: &Frame) -> Markup {
    let show = &frame.show;
    let (open, past): (Vec<_>, Vec<_>) =
        now.alerts.iter().partition(|a| a.state != AlertState::Over);
    let mut cautions: Vec<Caution> = now.proofs.iter().flat_map(|p| p.cautions.clone()).collect();
    cautions.push(Caution::RawDough);
    frame.page(
        Some(Tab::Now),
        "Now",
        &html! {
            h1.sr { "Now" }
            div #alerts data-live aria-live="polite" {
                @if !open.is_empty() {
                    ul.alerts aria-label="Alerts" { @for a in &open { (alert(a, show)) } }
                }
            }
            div #proofs data-live {
                @if now.proofs.is_empty() {
                    section.empty {
                        h2 { "Nothing is proofing" }
                        p { "Mixed a dough? Start it here and I will tell you when it is ready." }
                    }
                }
                div.cards {
                    @for p in &now.proofs { (proof(p, show)) }
                    @for s in &now.shaping {
                    article.proof.shaping {
                        h2 { (s.dough) }
                        p.where { "being shaped since " (show.when(s.since)) }
                        a.button.wide href={ "/batches/" (encode(&s.batch)) } { "Shaped: start the final proof" }
                    }
                    }
                }
            }
            a.button.wide.main href="/new" { "Start a dough" }
            @if !now.again.is_empty() {
                section.again aria-label="Same again" {
                    ul { @for a in &now.again {
                        li { a.button.quiet href={ "/new?again=" (encode(&a.batch)) } {
                            "Same again: " (a.dough) @if let Some(last) = a.last { " " span.small { "last " (show.when(last)) } }
                        } }
                    } }
                }
            }
            (waking(&now.waking, show))
            p.small #this-phone {}
            p.ring hidden { button.quiet #ring type="button" { "Let this page ring" } }
            div #past data-live {
                @if !past.is_empty() {
                    details.past { summary { "Alerts that are over (" (past.len()) ")" }
                        ul.alerts { @for a in &past { (alert(a, show)) } } }
                }
            }
            (cautions::list(&cautions))
        },
    )
}

//! Sensors: last heard, value, battery, what is kept out, and what nothing claims yet.

use jiff::Timestamp;
use maud::{Markup, html};

use crate::controls;
use crate::frame::{Frame, Tab};
use crate::show::{Show, number};

/// One sensor's quantity.
#[derive(Clone, Debug)]
pub struct Sensor {
    /// Its name.
    pub name: String,
    /// The quantity's word, as the log book writes it.
    pub quantity: String,
    /// Where it stands.
    pub place: Option<String>,
    /// Its topic.
    pub topic: Option<String>,
    /// Its newest value in the stored unit, and when.
    pub newest: Option<(f64, Timestamp)>,
    /// The newest was not believed, and why.
    pub kept_out: Option<String>,
    /// Older than two of its normal gaps.
    pub stale: bool,
    /// A value the broker had kept from before: of unknown age.
    pub retained_value: Option<f64>,
    /// Its longest normal gap, s.
    pub longest_gap_s: Option<f64>,
    /// How many readings are kept out.
    pub kept_out_count: u64,
    /// How many are stored.
    pub count: u64,
    /// The configuration file sets it, so the page cannot.
    pub from_config: bool,
    /// Corrections: from when, and in words.
    pub corrections: Vec<(Timestamp, String)>,
    /// What was noticed about it: stuck, drifting, a weak battery.
    pub notes: Vec<String>,
}

/// A topic that nothing claims.
#[derive(Clone, Debug)]
pub struct Heard {
    /// The topic.
    pub topic: String,
    /// When its newest message came.
    pub at: Timestamp,
    /// Kept by the broker from before.
    pub retained: bool,
    /// That message, one line.
    pub preview: String,
    /// What it seems to hold.
    pub guesses: Vec<Guess>,
}

/// One quantity guessed in a payload.
#[derive(Clone, Debug)]
pub struct Guess {
    /// JSON Pointer; `None`: the payload is the number.
    pub pointer: Option<String>,
    /// Which record of a SenML array.
    pub senml_name: Option<String>,
    /// The quantity's word.
    pub quantity: String,
    /// The unit's word.
    pub unit: String,
    /// Its value now, in that unit.
    pub value: f64,
    /// A name to propose.
    pub name: String,
}

/// A reading kept out of the model.
#[derive(Clone, Debug)]
pub struct KeptOut {
    /// Which sensor.
    pub sensor: String,
    /// The quantity's word.
    pub quantity: String,
    /// When.
    pub at: Timestamp,
    /// As it came.
    pub value: f64,
    /// Why, as the log book writes it.
    pub reason: String,
}

/// A quantity in words.
#[must_use]
pub fn quantity_words(word: &str) -> &str {
    match word {
        "air_temperature" => "air",
        "humidity" => "humidity",
        "dough_temperature" => "dough",
        "surface_temperature" => "surface",
        "dough_height" => "dough height",
        "battery" => "battery",
        other => other,
    }
}

/// Why a reading was kept out, in words.
#[must_use]
pub fn reason_words(word: &str) -> &str {
    match word {
        "not_a_number" => "not a number",
        "out_of_range" => "cannot be true here",
        "probe_fault" => "the probe was just switched on or has come loose",
        "lone_jump" => "a lone jump that the next reading did not bear out",
        "future" => "its time lies ahead of the clock",
        "unknown_time" => "came in a rush after a break, so nobody knows when it was measured",
        other => other,
    }
}

/// A stored value in the baker's unit.
#[must_use]
pub fn value_words(quantity: &str, value: f64, show: &Show) -> String {
    match quantity {
        "air_temperature" | "dough_temperature" | "surface_temperature" => show.temperature(value),
        "humidity" | "battery" => format!("{} %", number(value, 0)),
        "dough_height" => format!("{} mm", number(value * 1000.0, 0)),
        _ => number(value, 2),
    }
}

const QUANTITIES: [&str; 6] = [
    "air_temperature",
    "humidity",
    "dough_temperature",
    "surface_temperature",
    "dough_height",
    "battery",
];
/// Units, and how pages call them.
pub(crate) const UNITS: [(&str, &str); 6] = [
    ("Cel", "°C"),
    ("degF", "°F"),
    ("K", "K"),
    ("%RH", "% humidity"),
    ("m", "m"),
    ("%EL", "% battery"),
];

/// A battery below this is named weak, %.
pub const WEAK_BATTERY: f64 = 20.0;

/// Everything on the page.
#[derive(Clone, Debug, Default)]
pub struct Sensors {
    /// Assigned ones and those known from their readings.
    pub sensors: Vec<Sensor>,
    /// Topics that nothing claims.
    pub heard: Vec<Heard>,
    /// The newest readings kept out.
    pub kept_out: Vec<KeptOut>,
    /// Places to choose from.
    pub places: Vec<String>,
    /// Where a sensor sends to, for the one who sets it up.
    pub broker: String,
}

fn sensor(s: &Sensor, show: &Show) -> Markup {
    let weak = s.quantity == "battery" && s.newest.is_some_and(|(v, _)| v < WEAK_BATTERY);
    html! {
        article.card {
            h2 { (s.name) " " span.small { (quantity_words(&s.quantity)) } }
            p {
                @match &s.newest {
                    Some((value, at)) => span.air.stale[s.stale].hot[weak] {
                        strong { (value_words(&s.quantity, *value, show)) }
                        " " span.age { (show.ago(*at)) @if s.stale { ", old" } }
                    },
                    None => span.air.stale { @match s.retained_value {
                        Some(v) => { (value_words(&s.quantity, v, show)) " of unknown age" }
                        None => "not heard yet",
                    } },
                }
                @if weak { " " span.tag.bad { "weak" } }
            }
            @if let Some(reason) = &s.kept_out { p.hint { "The newest is kept out: " (reason_words(reason)) "." } }
            @for note in &s.notes { p.hint { (note) } }
            p.small {
                @match &s.place { Some(p) => { "In " (p) "." } None => "In no place yet." }
                @if let Some(gap) = s.longest_gap_s { " Longest normal gap " @if gap < 120.0 { (number(gap, 0)) " s" } @else { (crate::show::minutes(gap / 60.0)) } ". Twice that is silence." }
                " " (s.count) " readings" @if s.kept_out_count > 0 { ", " (s.kept_out_count) " kept out" } "."
            }
            details { summary { "Correct it, or take it away" }
                @for (from, words) in &s.corrections { p.small { "From " (show.when(*from)) ": " (words) } }
                @if s.from_config {
                    p.small { "The configuration file sets this sensor; change it there." }
                } @else {
                    form.act method="post" action="/sensors/correct" {
                        input type="hidden" name="sensor" value=(s.name);
                        input type="hidden" name="quantity" value=(s.quantity);
                        p { "Hold a trusted thermometer beside it. Write what each says; a second pair makes it truer over the range." }
                        div.row {
                            (controls::field("It says", &html! { input.short type="number" name="shown" step="any" inputmode="decimal" required; }))
                            (controls::field("It is", &html! { input.short type="number" name="is" step="any" inputmode="decimal" required; }))
                            (controls::field("It says (2)", &html! { input.short type="number" name="shown2" step="any" inputmode="decimal"; }))
                            (controls::field("It is (2)", &html! { input.short type="number" name="is2" step="any" inputmode="decimal"; }))
                            button type="submit" { "Correct from now on" }
                        }
                    }
                    @if s.topic.is_some() {
                        form method="post" action="/sensors/unassign" {
                            input type="hidden" name="sensor" value=(s.name);
                            input type="hidden" name="quantity" value=(s.quantity);
                            button.quiet type="submit" { "No longer listen to it" }
                        }
                    }
                }
                @if let Some(topic) = &s.topic { p.small { "Topic " code { (topic) } } }
            }
        }
    }
}

fn heard(h: &Heard, show: &Show) -> Markup {
    html! {
        article.card.heard {
            h3 { code { (h.topic) } }
            p.small { (show.ago(h.at)) @if h.retained { ", kept by the broker from before" } ": " code.preview { (h.preview) } }
            @for g in &h.guesses {
                form.assign method="post" action="/sensors/assign" {
                    @if let Some(pointer) = &g.pointer { input type="hidden" name="pointer" value=(pointer); }
                    @if let Some(name) = &g.senml_name { input type="hidden" name="senml_name" value=(name); }
                    p { strong { (number(g.value, 2)) } " looks like " b { (quantity_words(&g.quantity)) } @if let Some(p) = &g.pointer { " " code { (p) } } }
                    div.row {
                        (controls::field("Call it", &html! { input type="text" name="name" value=(g.name) maxlength="64" required; }))
                        (controls::field("It stands in", &html! {
                            input type="text" name="place" maxlength="64" list="places" placeholder=(g.name);
                        }))
                        button type="submit" { "Use it" }
                    }
                    details { summary { "It is something else, or one of many" }
                        (controls::field("Topic: a + stands for any one part of it, and {1} in name and place for what the first + stands for", &html! { input type="text" name="topic" value=(h.topic) maxlength="256" required autocapitalize="off" autocomplete="off" spellcheck="false"; }))
                        div.row {
                            (controls::field("It measures", &html! { select name="quantity" { @for q in QUANTITIES { option value=(q) selected[q == g.quantity] { (quantity_words(q)) } } } }))
                            (controls::field("in", &html! { select name="unit" { @for (u, words) in UNITS { option value=(u) selected[u == g.unit] { (words) } } } }))
                        }
                    }
                }
            }
            @if h.guesses.is_empty() { p.small { "Nothing in it looks like a measurement. A mapping by hand goes into the configuration file." } }
        }
    }
}

/// Topics that nothing claims.
fn waiting(s: &Sensors, show: &Show) -> Markup {
    html! {
        section #heard data-live {
            h2 { "Heard, not in use" }
            @if s.heard.is_empty() { p.small { "Nothing else is sending." } }
            @for h in &s.heard { (heard(h, show)) }
        }
    }
}

/// The page.
#[must_use]
pub fn page(s: &Sensors, frame: &Frame) -> Markup {
    let show = &frame.show;
    frame.page(
        Some(Tab::Sensors),
        "Sensors",
        &html! {
            h1 { "Sensors" }
            p { "Sensors send to " code { (s.broker) } ". They stand in " a href="/places" { "places" } ". A logger that does not send: " a href="/import" { "bring its file" } "." }
            datalist #places { @for p in &s.places { option value=(p) {} } }
            // What waits for a tap comes first; when nothing does, it does not push the sensors down.
            @if !s.heard.is_empty() { (waiting(s, show)) }
            div #sensors data-live {
                @if s.sensors.is_empty() { section.empty { h2 { "No sensor yet" } p { "Point one at the address above; what it sends shows up below within a second, and one tap takes it." } } }
                div.cards { @for one in &s.sensors { (sensor(one, show)) } }
            }
            @if s.heard.is_empty() { (waiting(s, show)) }
            section #kept-out data-live {
                h2 { "Kept out" }
                p.small { "Readings that cannot be true are kept here and do not move a forecast. A hot oven is told all the same." }
                @if !s.kept_out.is_empty() {
                    table { thead { tr { th { "When" } th { "Sensor" } th { "It said" } th { "Why it is out" } } }
                        tbody { @for k in &s.kept_out { tr {
                            td { (show.when(k.at)) } td { (k.sensor) " " (quantity_words(&k.quantity)) } td { (number(k.value, 2)) } td { (reason_words(&k.reason)) }
                        } } } }
                }
            }
        },
    )
}

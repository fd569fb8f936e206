//! Settings: unit and zone, ways to be told, quiet hours, who is signed in.

use jiff::Timestamp;
use maud::{Markup, PreEscaped, html};

use crate::cautions::{self, Caution};
use crate::controls;
use crate::frame::{Frame, Tab};
use crate::show::Show;

/// A way to be told.
#[derive(Clone, Debug)]
pub struct Channel {
    /// Its name.
    pub name: String,
    /// Whether it can wake a phone.
    pub wakes_phone: bool,
    /// When it last took a message.
    pub last_accepted: Option<Timestamp>,
    /// What it said when it did not.
    pub last_error: Option<String>,
    /// How many messages wait.
    pub waiting: usize,
}

/// A phone whose browser is signed up to be woken.
#[derive(Clone, Debug)]
pub struct Phone {
    /// What its owner calls it.
    pub name: String,
    /// What tells it apart.
    pub endpoint: String,
    /// Whether it is to be woken.
    pub on_duty: bool,
}

/// A message that was sent, or was to be.
#[derive(Clone, Debug)]
pub struct Sent {
    /// By which channel.
    pub channel: String,
    /// Its title.
    pub title: String,
    /// When it was put there.
    pub queued: Timestamp,
    /// What became of it, in words.
    pub state: String,
    /// Whether it failed.
    pub failed: bool,
}

/// A phone or computer that is signed in.
#[derive(Clone, Debug)]
pub struct Session {
    /// What tells it apart, for signing it out.
    pub id: String,
    /// What it called itself.
    pub name: String,
    /// Since when.
    pub since: Timestamp,
    /// Whether it is the one looking.
    pub this_one: bool,
}

/// Everything on the page.
#[derive(Clone, Debug, Default)]
pub struct Settings {
    /// `degC` or `degF`.
    pub unit: String,
    /// The zone's name.
    pub zone: String,
    /// The configuration file sets unit, zone, quiet hours.
    pub fixed: (bool, bool, bool),
    /// From and to, `22:00-05:00`.
    pub quiet_hours: Option<String>,
    /// Ways to be told.
    pub channels: Vec<Channel>,
    /// Phones whose browser is signed up to be woken.
    pub phones: Vec<Phone>,
    /// The newest messages.
    pub sent: Vec<Sent>,
    /// Who is signed in; empty when no key is set.
    pub sessions: Vec<Session>,
    /// Whether an access key is set.
    pub locked: bool,
    /// A fresh link for another phone.
    pub invite: Option<String>,
    /// The copy to InfluxDB, where one is configured.
    pub copy: Option<Copy>,
    /// When the daily test of the whole chain last ran, and what it found wrong.
    pub tested: Option<(Timestamp, Vec<String>)>,
    /// What this page may change last.
    pub changes: Vec<Change>,
    /// How the bakes are kept.
    pub kept: Kept,
}

/// How readings and bakes are kept.
#[derive(Clone, Debug, Default)]
pub struct Kept {
    /// Readings older than so many days are thinned; `None`: none are.
    pub keep_days: Option<u32>,
    /// The nightly copy; `None`: no folder for it is configured.
    pub nightly: Option<Nightly>,
}

/// The nightly copy of everything.
#[derive(Clone, Debug, Default)]
pub struct Nightly {
    /// Where to.
    pub folder: String,
    /// At which full hour.
    pub hour: u8,
    /// When the newest was made.
    pub newest: Option<Timestamp>,
    /// How many there are.
    pub copies: usize,
    /// How many are kept.
    pub keep: u32,
    /// What went wrong last.
    pub last_error: Option<String>,
    /// Too old to rely on.
    pub too_old: bool,
    /// On the same disk as what it is a copy of.
    pub same_disk: bool,
}

/// The copy to InfluxDB, and how it stands.
#[derive(Clone, Debug)]
pub struct Copy {
    /// The server.
    pub server: String,
    /// Readings that wait.
    pub waiting: u64,
    /// The time of the one that has waited longest.
    pub oldest: Option<Timestamp>,
    /// Dropped from the copy because the queue was full.
    pub dropped: u64,
    /// Not taken by the server.
    pub refused: u64,
    /// When it last took some.
    pub last_sent: Option<Timestamp>,
    /// Since when every try has failed.
    pub failing_since: Option<Timestamp>,
    /// What went wrong last.
    pub last_error: Option<String>,
}

/// A change to the book that can be undone.
#[derive(Clone, Debug)]
pub struct Change {
    /// Its group.
    pub group: i64,
    /// When.
    pub at: Timestamp,
    /// What, in words.
    pub text: String,
}

fn channel(c: &Channel, frame: &Frame) -> Markup {
    let show = &frame.show;
    html! {
        article.card {
            h3 { (c.name) " " span.small { @if c.wakes_phone { "can wake a phone" } @else { "wakes no phone" } } }
            @match (&c.last_error, c.last_accepted) {
                (Some(error), _) => p.wrong { "Failed: " (error) },
                (None, Some(at)) => p { "Last message taken " (show.when(at)) },
                (None, None) => p { "Not tried yet" },
            }
            @if c.waiting > 0 { p.small { (c.waiting) " waiting" } }
            form method="post" action="/settings/test" {
                input type="hidden" name="channel" value=(c.name);
                button type="submit" { "Send a test" }
            }
        }
    }
}

fn copy(c: &Copy, show: &Show) -> Markup {
    html! {
        section #copy data-live { h2 { "Copy to InfluxDB" }
            @match c.failing_since {
                Some(since) => p.wrong { "Every try since " (show.when(since)) " has failed. No reading is lost: they are here, and go out when the server is back." },
                None => p { @match c.last_sent { Some(at) => { "Last sent " (show.ago(at)) "." } None => "Nothing sent yet since the start." } },
            }
            p.small { (c.server) ": " @if c.waiting == 0 { "nothing waits" } @else { (c.waiting) " readings wait" @if let Some(at) = c.oldest { ", the oldest of " (show.when(at)) } } "." }
            @if let Some(error) = &c.last_error { p.small { "Last trouble: " (error) } }
            @if c.refused > 0 { p.hint { (c.refused) " readings the server would not take; they are here." } }
            @if c.dropped > 0 { p.hint { (c.dropped) " readings were dropped from the copy because too many waited; they are here, and `doughwarden resend` sends them again." } }
        }
    }
}

fn phones(phones: &[Phone]) -> Markup {
    html! {
        article.card {
            h3 { "Phones woken by this page" }
            ul.entries { @for p in phones { li {
                form.row method="post" action="/settings/phone" {
                    input type="hidden" name="endpoint" value=(p.endpoint);
                    span.grow { (p.name) @if !p.on_duty { ", off duty" } }
                    @if p.on_duty {
                        button.quiet type="submit" name="do" value="off" { "Off duty" }
                    } @else {
                        button type="submit" name="do" value="on" { "On duty" }
                    }
                    button.quiet type="submit" name="do" value="remove" { "Remove" }
                }
            } } }
            p.small #wake-words { "Needs https, and on some phones the page on the home screen." }
            div #wake hidden {
                div.row {
                    (controls::field("Call this phone", &html! { input #phone-name type="text" maxlength="40" autocomplete="off"; }))
                    button #wake-button type="button" { "Wake this phone" }
                }
            }
        }
    }
}

fn kept(k: &Kept, show: &crate::show::Show) -> Markup {
    html! {
        section #kept { h2 { "How your bakes are kept" }
            @match &k.nightly {
                None => p.hint { "Everything is on this machine only. A memory card that dies takes it all: name a folder on another disk or card for a copy every night (" code { "nightly_folder" } ", see the README)." },
                Some(n) => article.card {
                    @match n.newest {
                        Some(at) => p.wrong[n.too_old] { "Newest copy " (show.ago(at)) " (" (show.when(at)) "), " (n.copies) " of " (n.keep) " in " (n.folder) @if n.too_old { ". That is too old: look after it." } },
                        None => p.wrong[n.too_old] { "No copy yet in " (n.folder) "." },
                    }
                    @if let Some(why) = &n.last_error { p.wrong { "The last try failed: " (why) } }
                    @if n.same_disk { p.hint { "That folder is on the same disk as everything else: a copy there helps against a mistake, not against a dead disk." } }
                    p.small { "Made every night at " (n.hour) ":00." }
                }
            }
            p.small { @match k.keep_days {
                Some(days) => { "Readings older than " (days) " days are thinned to one line a minute; those around a proof stay whole." }
                None => "Every reading is kept.",
            } }
        }
    }
}

/// The page.
#[must_use]
pub fn page(s: &Settings, frame: &Frame) -> Markup {
    let show = &frame.show;
    let fixed = |on: bool| html! { @if on { p.small { "Set in the configuration file." } } };
    frame.page(
        Some(Tab::Settings),
        "Settings",
        &html! {
            h1 { "Settings" }
            div.columns {
                div.left {
                    section { h2 { "Ways to be told" }
                        p { "An open page always hears. \"Taken\" means the other end took the message; whether your phone rang, only you can tell. Send a test with the phone locked." }
                        @if !s.channels.iter().any(|c| c.wakes_phone) { p.hint { "Nothing here can wake a phone yet. A webhook to a push relay does it; the README shows how, step by step." } }
                        @for c in &s.channels { (channel(c, frame)) }
                        (phones(&s.phones))
                        @match &s.tested {
                            None => p.small { "Once a day, and two minutes after a start, everything is tried from a sensor's message to the far end of each way. No phone rings for it." },
                            Some((at, failed)) if failed.is_empty() => p.small { "Tried by itself " (show.when(*at)) ", from a sensor's message to the far end of each way: all well." },
                            Some((at, failed)) => p.wrong { "Tried by itself " (show.when(*at)) ", and failed: " (failed.join("; ")) },
                        }
                        @if !s.sent.is_empty() {
                            details { summary { "What was sent" }
                                table { thead { tr { th { "When" } th { "What" } th { "How" } th { "Became" } } }
                                    tbody { @for m in &s.sent { tr.bad[m.failed] { td { (show.when(m.queued)) } td { (m.title) } td { (m.channel) } td { (m.state) } } } } }
                            }
                        }
                    }
                    @if let Some(c) = &s.copy { (copy(c, show)) }
                    section { h2 { "Undo" }
                        @if s.changes.is_empty() { p.small { "Nothing was changed yet." } }
                        ul.entries { @for c in &s.changes { li {
                            form.row method="post" action="/undo" {
                                input type="hidden" name="group" value=(c.group);
                                input type="hidden" name="back" value="/settings";
                                span.grow { (show.when(c.at)) " " (c.text) }
                                button.quiet type="submit" { "Undo" }
                            }
                        } } }
                    }
                }
                div.right {
                    form.act method="post" action="/settings" {
                        fieldset disabled[s.fixed.0] { legend { "Temperatures in" }
                            div.pick {
                                label.choice { input type="radio" name="unit" value="degC" checked[s.unit != "degF"]; span { "°C" } }
                                label.choice { input type="radio" name="unit" value="degF" checked[s.unit == "degF"]; span { "°F" } }
                            }
                            (fixed(s.fixed.0))
                        }
                        fieldset disabled[s.fixed.1] { legend { "Time zone" }
                            (controls::field("Like Europe/Oslo", &html! { input type="text" name="zone" value=(s.zone) maxlength="64" autocapitalize="off" autocomplete="off"; }))
                            (fixed(s.fixed.1))
                        }
                        fieldset disabled[s.fixed.2] { legend { "Quiet hours" }
                            @let (from, to) = s.quiet_hours.as_deref().and_then(|q| q.split_once('-')).unwrap_or(("", ""));
                            div.row {
                                (controls::field("from", &html! { input.short type="time" name="quiet_from" value=(from); }))
                                (controls::field("to", &html! { input.short type="time" name="quiet_to" value=(to); }))
                            }
                            p.small { "Only urgent alerts are sent then; the others wait till the end of it. Leave empty if the night is working time." }
                            (fixed(s.fixed.2))
                        }
                        button.wide type="submit" { "Save" }
                    }
                    (kept(&s.kept, show))
                    section { h2 { "Signed in" }
                        @if s.locked {
                            ul.entries { @for x in &s.sessions { li {
                                form.row method="post" action="/settings/sign-out" {
                                    input type="hidden" name="id" value=(x.id);
                                    span.grow { (x.name) ", since " (show.when(x.since)) @if x.this_one { " (this one)" } }
                                    button.quiet type="submit" { "Sign out" }
                                }
                            } } }
                            @match &s.invite {
                                Some(link) => {
                                    p { "Scan this with the other phone within ten minutes. It works once." }
                                    div.qr { (qr(link)) }
                                    p.small { a href=(link) { (link) } }
                                }
                                None => form method="post" action="/settings/invite" { button.quiet type="submit" { "Sign in another phone" } },
                            }
                        } @else {
                            p { "Only this machine can open these pages, so no key is asked." }
                        }
                    }
                }
            }
            (cautions::list(&[Caution::Oven, Caution::Lamp, Caution::BoilingWater, Caution::Egg, Caution::Milk, Caution::RawDough]))
        },
    )
}

/// A QR code of a link as a picture without inline style; empty if the link is too long for one.
#[must_use]
pub fn qr(link: &str) -> Markup {
    let Ok(code) = qrcode::QrCode::new(link.as_bytes()) else {
        return html! {};
    };
    let width = code.width();
    let quiet = 4; // ISO/IEC 18004 asks for four light modules around the symbol.
    let size = width + 2 * quiet;
    let mut path = String::new();
    for (i, color) in code.to_colors().iter().enumerate() {
        if *color == qrcode::Color::Dark {
            use std::fmt::Write as _;
            // Writing into a String cannot fail.
            let _ = write!(path, "M{} {}h1v1h-1z", quiet + i % width, quiet + i / width);
        }
    }
    html! {
        svg viewBox={ "0 0 " (size) " " (size) } role="img" aria-label="QR code of the link below" {
            rect width=(size) height=(size) fill="#fff" {}
            path d=(PreEscaped(path)) fill="#000" {}
        }
    }
}

//! What stands around every page: head, the way to the other pages, what is wrong with the
//! service itself, and the line on what it is not.

use maud::{DOCTYPE, Markup, html};

use crate::assets;
use crate::cautions::{self, Caution};
use crate::controls::{self, Done};
use crate::refusal;
use crate::show::Show;

/// The pages one can go to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tab {
    /// The proofs in progress.
    Now,
    /// The log and how close we were.
    Bakes,
    /// When to mix, the oven light, the fridge, the reader's table.
    Plan,
    /// Recipes.
    Doughs,
    /// Sensors and places.
    Sensors,
    /// Everything else.
    Settings,
}

impl Tab {
    const ALL: [(Self, &'static str, &'static str); 6] = [
        (Self::Now, "/", "Now"),
        (Self::Bakes, "/bakes", "Bakes"),
        (Self::Plan, "/plan", "Plan"),
        (Self::Doughs, "/doughs", "Doughs"),
        (Self::Sensors, "/sensors", "Sensors"),
        (Self::Settings, "/settings", "Settings"),
    ];
}

/// What every page is told.
#[derive(Clone, Debug)]
pub struct Frame {
    /// How to write times and temperatures.
    pub show: Show,
    /// What was just done.
    pub done: Option<Done>,
    /// Whether readings can be written to disk.
    pub store_writes: bool,
    /// Whether the broker is connected.
    pub broker_ready: bool,
    /// Open alerts that nobody has said "seen" to.
    pub unseen: usize,
    /// Whether the machine's clock is right.
    pub clock: Clock,
}

/// Whether the machine's clock is right.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Clock {
    /// Why it is doubted, in a sentence.
    pub doubted: Option<&'static str>,
    /// It was corrected by hand.
    pub corrected: bool,
    /// It is meant to differ from a phone's (the demo).
    pub own_time: bool,
}

impl Frame {
    /// A whole page that keeps itself fresh.
    #[must_use]
    pub fn page(&self, tab: Option<Tab>, title: &str, main: &Markup) -> Markup {
        self.around(tab, title, main, false)
    }

    /// A page that answers a form and stays as it is: fetched again it would be another.
    #[must_use]
    pub fn answer(&self, tab: Option<Tab>, title: &str, main: &Markup) -> Markup {
        self.around(tab, title, main, true)
    }

    /// `still`: answers a form, so its address cannot be asked again.
    fn around(&self, tab: Option<Tab>, title: &str, main: &Markup, still: bool) -> Markup {
        html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover";
                    meta name="color-scheme" content="light dark";
                    title { @if self.unseen > 0 { "(" (self.unseen) ") " } (title) " · Doughwarden" }
                    link rel="icon" type="image/svg+xml" href=(assets::url("favicon.svg"));
                    link rel="manifest" href="/manifest.webmanifest" crossorigin="use-credentials";
                    link rel="stylesheet" href=(assets::url("uPlot.min.css"));
                    link rel="stylesheet" href=(assets::url("warm.css"));
                    link rel="stylesheet" href=(assets::url("parts.css"));
                    script defer src=(assets::url("uPlot.iife.min.js")) {}
                    script type="module" src=(assets::url("live.js")) {}
                    script type="module" src=(assets::url("wake.js")) {}
                }
                body data-still[still] {
                    a.skip href="#main" { "Skip to the page" }
                    header.top {
                        nav aria-label="Pages" {
                            @for (t, href, name) in Tab::ALL {
                                a href=(href) aria-current=[(Some(t) == tab).then_some("page")] {
                                    (name)
                                    @if t == Tab::Now && self.unseen > 0 {
                                        " " span.count aria-label="alerts not seen" { (self.unseen) }
                                    }
                                }
                            }
                        }
                    }
                    main id="main" {
                        div #service data-live {
                            @if !self.store_writes {
                                p.wrong role="alert" { "Readings cannot be written to disk right now. Free some space on this machine; nothing stored so far is lost." }
                            }
                            @if !self.broker_ready {
                                p.wrong role="alert" { "The message broker is away, so no sensor can be heard. Readings will resume by themselves when it is back." }
                            }
                        }
                        (self.clock_line())
                        (controls::done(self.done.as_ref()))
                        (main)
                    }
                    footer {
                        (cautions::list(&[Caution::NotASafetyDevice]))
                        p.small #made data-live data-now=(self.show.now.as_millisecond()) data-own-time[self.clock.own_time] { "Page of " (self.show.clock(self.show.now)) ". "
                            span.live-state { "" } }
                    }
                }
            }
        }
    }

    /// What is wrong with the clock, and the way to put it right. Hidden, it waits for the script to
    /// find that this phone's clock says another time.
    fn clock_line(&self) -> Markup {
        let Clock {
            doubted, corrected, ..
        } = self.clock;
        let quiet = doubted.is_none() || corrected;
        html! {
            section #clock hidden[quiet] {
                @match doubted {
                    Some(why) => p.wrong role="alert" { (why) " It says " (self.show.when(self.show.now)) "." },
                    None => p.wrong role="alert" { "This phone's clock and the machine's differ by " span #clock-differs { "much" } "." },
                }
                form.act method="post" action="/clock" {
                    input type="hidden" name="do" value="use";
                    input type="hidden" name="phone_ms" value="";
                    (controls::field("It is", &html! { input type="datetime-local" name="typed" step="1"; }))
                    button type="submit" { "Use this time" }
                }
            }
            @if corrected {
                form.row method="post" action="/clock" {
                    input type="hidden" name="do" value="machine";
                    span.grow.small { "The clock was set by hand; this lasts until the machine's own agrees." }
                    button.quiet type="submit" { "Use the machine's clock" }
                }
            }
        }
    }

    /// A page that says what went wrong and what to do. `typed` is the form that was refused: where
    /// it went, and its fields; it stands there again, so that nothing typed is lost.
    #[must_use]
    pub fn wrong(
        &self,
        title: &str,
        what: &str,
        back: &str,
        typed: Option<(&str, &[(String, String)])>,
    ) -> Markup {
        self.around(
            None,
            title,
            &html! {
                h1 { (title) }
                p.wrong role="alert" { (refusal::said(what, &self.show)) }
                @if let Some((action, fields)) = typed {
                    (self.typed_again(action, fields))
                }
                p { a.button href=(back) { "Back" } }
            },
            true,
        )
    }

    /// The form that was refused, with what was typed to be corrected; what was tapped goes along.
    fn typed_again(&self, action: &str, fields: &[(String, String)]) -> Markup {
        let when = fields.iter().find(|(name, _)| name == "when");
        let when = when.map_or("", |(_, how)| how.as_str());
        let label = |name: &str| {
            // Of the ways to say when, the chosen one.
            let other_way = matches!(
                (name, when),
                ("ago_min", "now" | "clock") | ("clock", "now" | "ago")
            );
            refusal::label(action, name, &self.show).filter(|_| !other_way)
        };
        let any = fields.iter().any(|(name, _)| label(name).is_some());
        html! {
            @if any {
                section.card { h2 { "What you typed" }
                    p.small { "Correct it here and send it again." }
                    form.act method="post" action=(action) {
                        @for (name, value) in fields {
                            @match label(name) {
                                Some(label) => (controls::field(&label, &html! { input type="text" name=(name) value=(value); })),
                                None => input type="hidden" name=(name) value=(value);,
                            }
                        }
                        button type="submit" { "Send again" }
                    }
                }
            }
        }
    }
}

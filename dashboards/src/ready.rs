//! How a forecast is said: the time large, and how sure in words a baker uses.

use jiff::Timestamp;
use maud::{Markup, html};

use crate::show::Show;

/// When it will be ready.
#[derive(Clone, Copy, Debug, Default)]
pub struct Ready {
    /// One in ten is ready before.
    pub early: Option<Timestamp>,
    /// As likely before as after.
    pub middle: Option<Timestamp>,
    /// Nine in ten are ready before.
    pub late: Option<Timestamp>,
    /// Chance that it is ready already.
    pub chance_ready: f64,
    /// Chance that it is past its range already.
    pub chance_over: f64,
}

/// A chance from which "ready" is said without hedging.
const READY: f64 = 0.5;
/// A chance from which over-proofing is named first.
const OVER: f64 = 0.5;

/// The two lines: what to say large, and how sure.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Words {
    /// Large.
    pub large: String,
    /// Under it.
    pub sure: String,
    /// `calm`, `soon`, `ready` or `over`: the class that colours it.
    pub mood: &'static str,
}

/// Minutes to the middle below which the mood is `soon`.
const SOON_MIN: i64 = 30;

impl Ready {
    /// In words.
    #[must_use]
    pub fn words(&self, show: &Show) -> Words {
        if self.chance_over >= OVER {
            return Words {
                large: "Over-proofing".into(),
                sure: "Most likely past its best. Look at it now.".into(),
                mood: "over",
            };
        }
        if self.chance_ready >= READY {
            return Words {
                large: "Ready now".into(),
                sure: if self.chance_ready >= 0.9 {
                    "Quite sure. Press a finger in to see.".into()
                } else {
                    "More likely than not. Press a finger in to see.".into()
                },
                mood: "ready",
            };
        }
        let Some(middle) = self.middle else {
            return Words {
                large: "Not soon".into(),
                sure: match self.early {
                    Some(early) => format!(
                        "Hardly before {}. It is very slow where it stands.",
                        show.when(early)
                    ),
                    None => "Not within two days as it stands. Is it too cold there?".into(),
                },
                mood: "calm",
            };
        };
        let minutes = middle.duration_since(show.now).as_secs() / 60;
        let sure = match (self.early, self.late) {
            (Some(early), Some(late)) => {
                let spread = late.duration_since(early).as_secs() / 60;
                let lead = match spread {
                    ..=25 => "Quite sure",
                    26..=70 => "Fairly sure",
                    _ => "A rough guess",
                };
                let (from, to) = (show.when(early), show.when(late));
                // "tomorrow 6:10 and tomorrow 6:50" says the day twice.
                let to = if show.day(early) == show.day(late) {
                    show.clock(late)
                } else {
                    to
                };
                if from == to {
                    format!("{lead}: about {from}")
                } else {
                    format!("{lead}: between {from} and {to}")
                }
            }
            (Some(early), None) => format!(
                "A rough guess: not before {}, perhaps much later",
                show.when(early)
            ),
            _ => "A rough guess".into(),
        };
        Words {
            large: show.when(middle),
            sure,
            mood: if minutes <= SOON_MIN { "soon" } else { "calm" },
        }
    }

    /// How long until then: `in 1 h 20 min`.
    #[must_use]
    pub fn until(&self, show: &Show) -> Option<String> {
        if self.chance_ready >= READY || self.chance_over >= OVER {
            return None;
        }
        let s = self.middle?.duration_since(show.now).as_secs_f64();
        (s >= 45.0).then(|| format!("in {}", crate::show::minutes(s / 60.0)))
    }
}

/// The large time with how sure; without a forecast yet, says so.
#[must_use]
pub fn block(ready: Option<&Ready>, show: &Show) -> Markup {
    html! {
        @if let Some(ready) = ready {
            @let words = ready.words(show);
            div.ready.(words.mood) {
                p.large {
                    @if matches!(words.mood, "calm" | "soon") { span.lead { "Ready about " } }
                    strong { (words.large) }
                    @if let Some(until) = ready.until(show) { " " span.until { (until) } }
                }
                p.sure { (words.sure) }
            }
        } @else {
            div.ready.calm { p.large { strong { "Working it out …" } } p.sure { "The first forecast comes within a few seconds." } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::tz::TimeZone;

    fn show() -> Show {
        Show {
            now: "2026-01-10T07:00:00Z".parse().unwrap(),
            zone: TimeZone::get("Europe/Oslo").unwrap(),
            fahrenheit: false,
        }
    }

    fn at(text: &str) -> Option<Timestamp> {
        Some(text.parse().unwrap())
    }

    #[test]
    fn a_forecast_reads_as_a_clock_time_and_a_span() {
        let ready = Ready {
            early: at("2026-01-10T08:40:00Z"),
            middle: at("2026-01-10T08:50:00Z"),
            late: at("2026-01-10T09:05:00Z"),
            ..Ready::default()
        };
        let words = ready.words(&show());
        assert_eq!(words.large, "9:50");
        assert_eq!(words.sure, "Quite sure: between 9:40 and 10:05");
        assert_eq!(ready.until(&show()).unwrap(), "in 1 h 50 min");
    }

    #[test]
    fn ready_and_over_come_before_any_time() {
        let mut ready = Ready {
            middle: at("2026-01-10T07:10:00Z"),
            chance_ready: 0.6,
            ..Ready::default()
        };
        assert_eq!(ready.words(&show()).large, "Ready now");
        assert_eq!(ready.until(&show()), None);
        ready.chance_over = 0.7;
        assert_eq!(ready.words(&show()).mood, "over");
    }

    #[test]
    fn a_proof_without_an_end_says_so() {
        let words = Ready::default().words(&show());
        assert_eq!(words.large, "Not soon");
        assert!(words.sure.contains("two days"));
    }
}

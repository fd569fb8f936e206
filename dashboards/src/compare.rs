//! Compare: groups of bakes side by side, against the clock and as if all had stood equally warm, and
//! what can honestly be said of the difference.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::controls::field;
use crate::frame::{Frame, Tab};
use crate::refusal;
use crate::show::{minutes, percent};

/// A point: minutes, and low, middle and high rise.
pub type Point = (f64, Option<f64>, f64, Option<f64>);

/// One group.
#[derive(Clone, Debug, Default)]
pub struct Group {
    /// Its name.
    pub name: String,
    /// Its proofs.
    pub proofs: usize,
    /// Half of them were done in this by the clock, minutes.
    pub clock_min: f64,
    /// The same as if they had stood at 27 °C.
    pub effective_min: f64,
    /// Their dough's mean temperature, °C.
    pub dough_c: f64,
    /// Rise against the clock.
    pub by_clock: Vec<Point>,
    /// Rise as if at 27 °C.
    pub by_effective: Vec<Point>,
}

/// Everything on the page.
#[derive(Clone, Debug, Default)]
pub struct Compare {
    /// Doughs to choose from.
    pub doughs: Vec<String>,
    /// What was asked: `by`, `dough`, `stage`, `dates`, `only`, `south`.
    pub typed: Vec<(String, String)>,
    /// The groups.
    pub groups: Vec<Group>,
    /// What can be said, a sentence each.
    pub verdicts: Vec<String>,
    /// What it rests on.
    pub evidence: Vec<String>,
    /// Why there is no answer.
    pub wrong: Option<String>,
}

const WIDTH: f64 = 360.0;
const HEIGHT: f64 = 180.0;
const LEFT: f64 = 38.0;
const TOP: f64 = 10.0;
const BOTTOM: f64 = 22.0;

/// One picture; `reach` is the longest time and the highest rise of all beside it.
fn picture(points: &[Point], reach: (f64, f64), label: &str) -> Markup {
    let x = |m: f64| LEFT + m / reach.0.max(1.0) * (WIDTH - LEFT - 8.0);
    let y = |v: f64| HEIGHT - BOTTOM - v / reach.1.max(0.1) * (HEIGHT - TOP - BOTTOM);
    let mut middle = String::new();
    for (i, p) in points.iter().enumerate() {
        // Writing into a String cannot fail.
        let _ = write!(
            middle,
            "{}{:.1} {:.1}",
            if i == 0 { "M" } else { "L" },
            x(p.0),
            y(p.2)
        );
    }
    let band: Vec<(f64, f64, f64)> = points
        .iter()
        .filter_map(|p| Some((p.0, p.1?, p.3?)))
        .collect();
    let mut area = String::new();
    for (i, (m, _, high)) in band.iter().enumerate() {
        let _ = write!(
            area,
            "{}{:.1} {:.1}",
            if i == 0 { "M" } else { "L" },
            x(*m),
            y(*high)
        );
    }
    for (m, low, _) in band.iter().rev() {
        let _ = write!(area, "L{:.1} {:.1}", x(*m), y(*low));
    }
    let step = [0.25, 0.5, 1.0, 2.0]
        .into_iter()
        .find(|s| reach.1 / s <= 4.5)
        .unwrap_or(4.0);
    let every = [15.0, 30.0, 60.0, 120.0, 240.0, 480.0]
        .into_iter()
        .find(|s| reach.0 / s <= 5.0)
        .unwrap_or(1440.0);
    html! {
        svg.chart viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label=(label) {
            @for i in 0..=(reach.1 / step) as i32 {
                @let v = f64::from(i) * step;
                line.grid x1=(LEFT) x2=(WIDTH - 8.0) y1=(format!("{:.1}", y(v))) y2=(format!("{:.1}", y(v))) {}
                text.tick x=(LEFT - 5.0) y=(format!("{:.1}", y(v) + 3.5)) text-anchor="end" { (percent(v)) }
            }
            @for i in 1..=(reach.0 / every) as i32 {
                @let m = f64::from(i) * every;
                line.grid x1=(format!("{:.1}", x(m))) x2=(format!("{:.1}", x(m))) y1=(TOP) y2=(HEIGHT - BOTTOM) {}
                text.tick x=(format!("{:.1}", x(m))) y=(HEIGHT - 7.0) text-anchor="middle" { (minutes(m)) }
            }
            @if band.len() > 1 { path.band d={ (area) "Z" } {} }
            @if points.len() > 1 { path.middle d=(middle) {} }
        }
    }
}

fn reach(groups: &[Group], of: fn(&Group) -> &Vec<Point>) -> (f64, f64) {
    groups
        .iter()
        .flat_map(|g| of(g).iter())
        .fold((0.0, 0.0), |(m, v), p| {
            (f64::max(m, p.0), f64::max(v, p.3.unwrap_or(p.2)))
        })
}

/// The page.
#[must_use]
pub fn page(c: &Compare, frame: &Frame) -> Markup {
    let typed = |name: &str| {
        c.typed
            .iter()
            .find(|(n, v)| n == name && !v.is_empty())
            .map(|(_, v)| v.as_str())
    };
    let choose = |name: &str, options: &[(&str, &str)]| {
        html! {
            select name=(name) { @for (value, text) in options { option value=(value) selected[typed(name) == Some(value)] { (text) } } }
        }
    };
    let (clock, effective) = (
        reach(&c.groups, |g| &g.by_clock),
        reach(&c.groups, |g| &g.by_effective),
    );
    frame.page(
        Some(Tab::Bakes),
        "Compare",
        &html! {
            h1 { "Compare" }
            section.card {
                form method="get" action="/compare" {
                    div.row {
                        (field("By", &choose("by", &[("season", "season"), ("place", "place"), ("flour", "flour lot"), ("yeast", "yeast lot"), ("dates", "my own dates")])))
                        (field("Proof", &choose("stage", &[("bulk", "bulk"), ("final", "final proof")])))
                        (field("Dough", &html! { select name="dough" { option value="" { "all" }
                            @for d in &c.doughs { option value=(d) selected[typed("dough") == Some(d)] { (d) } } } }))
                    }
                    label.choice { input type="checkbox" name="south" value="true" checked[typed("south").is_some()]; span { "south of the equator" } }
                    details open[typed("dates").is_some()] { summary { "My own dates" }
                        (field("Names and dates", &html! { input type="text" name="dates" value=[typed("dates")] placeholder="old flour=2026-01-01..2026-02-15;new flour=2026-02-16..2026-03-31"; }))
                    }
                    details open[typed("only").is_some()] { summary { "Only some of the groups" }
                        (field("Their names", &html! { input type="text" name="only" value=[typed("only")] placeholder="a7;b2"; }))
                        p.small { "The fewer are compared at once, the smaller a difference that can be told from luck." }
                    }
                    button type="submit" { "Compare" }
                }
                @if let Some(why) = &c.wrong { p.wrong role="alert" { (refusal::words(why, &[("dates", "Names and dates")], &frame.show)) } }
            }
            @if c.wrong.is_none() {
                section.card { h2 { "What can be said" }
                    ul.plain { @for line in &c.verdicts { li { (line) } } }
                    @for line in &c.evidence { p.small { (line) } }
                }
                @for g in &c.groups {
                    section.card { h2 { (g.name) }
                        p { (g.proofs) @if g.proofs == 1 { " proof. " } @else { " proofs. " } "Half of them done in " b { (minutes(g.clock_min)) } " by the clock, " b { (minutes(g.effective_min)) } " as if all had stood at " (frame.show.temperature(27.0)) ". The dough was at " (frame.show.temperature(g.dough_c)) " on average." }
                        div.columns {
                            figure.chart { (picture(&g.by_clock, clock, &format!("{}: rise by the clock", g.name))) figcaption.small { "By the clock" } }
                            figure.chart { (picture(&g.by_effective, effective, &format!("{}: rise as if equally warm", g.name))) figcaption.small { "As if all had stood equally warm. A further proof would lie in the band four times in five." } }
                        }
                        details.numbers { summary { "As a table" }
                            table { thead { tr { th { "By the clock" } th { "Mean" } th { "From" } th { "To" } } }
                                tbody { @for p in g.by_clock.iter().step_by(4) { tr {
                                    td { (minutes(p.0)) } td { (percent(p.2)) } td { @if let Some(v) = p.1 { (percent(v)) } } td { @if let Some(v) = p.3 { (percent(v)) } }
                                } } } }
                        }
                    }
                }
            }
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pictures_beside_each_other_share_their_scale() {
        let group = |name: &str, end: f64| Group {
            name: name.into(),
            proofs: 4,
            by_clock: vec![
                (0.0, Some(0.0), 0.0, Some(0.0)),
                (end, Some(0.7), 0.8, Some(0.9)),
            ],
            ..Group::default()
        };
        let (short, long) = (group("summer", 60.0), group("winter", 120.0));
        let reach = reach(&[short.clone(), long.clone()], |g| &g.by_clock);
        assert_eq!(reach, (120.0, 0.9));
        // Summer's line ends half way along the common axis: 38 + 60/120·(360 - 46) = 195.
        assert!(
            picture(&short.by_clock, reach, "x")
                .into_string()
                .contains("L195.0")
        );
        assert!(
            picture(&long.by_clock, reach, "x")
                .into_string()
                .contains("L352.0")
        );
        // Nothing to draw draws nothing, and does not divide by nothing.
        assert!(!picture(&[], (0.0, 0.0), "x").into_string().contains("NaN"));
    }
}

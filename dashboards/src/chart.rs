//! Small charts in SVG, drawn on the server: the first paint, and all there is without script.
//! With script the same numbers, fetched as JSON, are drawn larger by uPlot in their place.
//! A table of the same numbers stands under each, for those who cannot see a picture.

use std::fmt::Write as _;

use jiff::Timestamp;
use maud::{Markup, html};

use crate::show::{Show, number, percent, rise};

/// A number at a moment; `None` breaks the line there.
pub type Point = (Timestamp, Option<f64>);

/// Rise: the band, its middle line and what was seen.
#[derive(Clone, Debug, Default)]
pub struct RiseChart {
    /// `(when, low, middle, high)` as fractions.
    pub band: Vec<(Timestamp, f64, f64, f64)>,
    /// What the baker saw, as fractions.
    pub seen: Vec<(Timestamp, f64)>,
    /// The rise at which it is ready.
    pub target: Option<f64>,
}

/// Temperatures, °C.
#[derive(Clone, Debug, Default)]
pub struct TemperatureChart {
    /// The air measured.
    pub air: Vec<Point>,
    /// The dough, worked out.
    pub dough: Vec<Point>,
    /// The air assumed from now on.
    pub assumed: Vec<Point>,
    /// Its top proofing temperature.
    pub ceiling_c: Option<f64>,
}

/// Drawing area, in the picture's own units; text is sized for a phone's width.
const WIDTH: f64 = 360.0;
const HEIGHT: f64 = 200.0;
const LEFT: f64 = 38.0;
const RIGHT: f64 = 8.0;
const TOP: f64 = 10.0;
const BOTTOM: f64 = 22.0;

struct Axes {
    from: f64,
    to: f64,
    low: f64,
    high: f64,
}

impl Axes {
    fn over(
        times: impl Iterator<Item = Timestamp>,
        values: impl Iterator<Item = f64>,
    ) -> Option<Self> {
        let mut axes = Self {
            from: f64::INFINITY,
            to: f64::NEG_INFINITY,
            low: f64::INFINITY,
            high: f64::NEG_INFINITY,
        };
        for t in times {
            let t = t.as_millisecond() as f64;
            axes.from = axes.from.min(t);
            axes.to = axes.to.max(t);
        }
        for v in values.filter(|v| v.is_finite()) {
            axes.low = axes.low.min(v);
            axes.high = axes.high.max(v);
        }
        (axes.from < axes.to && axes.low <= axes.high).then(|| {
            let pad = ((axes.high - axes.low) * 0.08).max(0.02);
            axes.high += pad;
            axes.low -= pad;
            axes
        })
    }

    fn x(&self, t: Timestamp) -> f64 {
        let share = (t.as_millisecond() as f64 - self.from) / (self.to - self.from);
        LEFT + share * (WIDTH - LEFT - RIGHT)
    }

    fn y(&self, v: f64) -> f64 {
        let share = (v - self.low) / (self.high - self.low);
        HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)
    }

    fn line(&self, points: &[Point]) -> String {
        let mut path = String::new();
        let mut down = false;
        for (t, v) in points {
            match v {
                Some(v) => {
                    // Writing into a String cannot fail.
                    let _ = write!(
                        path,
                        "{}{:.1} {:.1}",
                        if down { "L" } else { "M" },
                        self.x(*t),
                        self.y(*v)
                    );
                    down = true;
                }
                None => down = false,
            }
        }
        path
    }

    /// Round values for the side, three to six of them.
    fn steps(&self) -> Vec<f64> {
        let span = self.high - self.low;
        let rough = span / 4.0;
        let power = 10_f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 2.5, 5.0, 10.0]
            .into_iter()
            .map(|m| m * power)
            .find(|s| *s >= rough)
            .unwrap_or(rough);
        let first = (self.low / step).ceil() as i64;
        let last = (self.high / step).floor() as i64;
        (first..=last).map(|i| i as f64 * step).collect()
    }

    /// Whole hours or halves along the foot.
    fn hours(&self, show: &Show) -> Vec<(Timestamp, String)> {
        let span_min = (self.to - self.from) / 60_000.0;
        let step_min = [15.0, 30.0, 60.0, 120.0, 240.0, 480.0, 720.0, 1440.0]
            .into_iter()
            .find(|s| span_min / s <= 5.0)
            .unwrap_or(2880.0);
        let step = step_min * 60_000.0;
        // Counted from the zone's own midnight, so that the labels are round there.
        let offset = show
            .zone
            .to_offset(Timestamp::from_millisecond(self.from as i64).unwrap_or_default())
            .seconds() as f64
            * 1000.0;
        let mut at = ((self.from + offset) / step).ceil() * step - offset;
        let mut out = Vec::new();
        while at <= self.to && out.len() < 12 {
            if let Ok(t) = Timestamp::from_millisecond(at as i64) {
                out.push((t, show.clock(t)));
            }
            at += step;
        }
        out
    }
}

fn frame(axes: &Axes, show: &Show, label: impl Fn(f64) -> String, inner: &Markup) -> Markup {
    let (now_x, has_now) = {
        let n = show.now.as_millisecond() as f64;
        (axes.x(show.now), n >= axes.from && n <= axes.to)
    };
    html! {
        svg.chart viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="presentation" aria-hidden="true" {
            @for v in axes.steps() {
                @let y = axes.y(v);
                line.grid x1=(LEFT) x2=(WIDTH - RIGHT) y1=(format!("{y:.1}")) y2=(format!("{y:.1}")) {}
                text.tick x=(LEFT - 5.0) y=(format!("{:.1}", y + 3.5)) text-anchor="end" { (label(v)) }
            }
            @for (t, text) in axes.hours(show) {
                @let x = axes.x(t);
                line.grid x1=(format!("{x:.1}")) x2=(format!("{x:.1}")) y1=(TOP) y2=(HEIGHT - BOTTOM) {}
                text.tick x=(format!("{x:.1}")) y=(HEIGHT - 7.0) text-anchor="middle" { (text) }
            }
            (inner)
            @if has_now {
                line.now x1=(format!("{now_x:.1}")) x2=(format!("{now_x:.1}")) y1=(TOP) y2=(HEIGHT - BOTTOM) {}
            }
        }
    }
}

/// The rise so far and to come. `data` is the address of its numbers as JSON.
#[must_use]
pub fn rise_chart(chart: &RiseChart, data: &str, show: &Show) -> Markup {
    let times = chart
        .band
        .iter()
        .map(|b| b.0)
        .chain(chart.seen.iter().map(|s| s.0));
    let values = chart
        .band
        .iter()
        .flat_map(|b| [b.1, b.3])
        .chain(chart.seen.iter().map(|s| s.1))
        .chain(chart.target)
        .chain([0.0]);
    let Some(axes) = Axes::over(times, values) else {
        return html! { p.small { "The rise will be drawn here once there is a forecast." } };
    };
    let upper: Vec<Point> = chart.band.iter().map(|b| (b.0, Some(b.3))).collect();
    let middle: Vec<Point> = chart.band.iter().map(|b| (b.0, Some(b.2))).collect();
    let mut area = axes.line(&upper);
    for (t, low, _, _) in chart.band.iter().rev() {
        let _ = write!(area, "L{:.1} {:.1}", axes.x(*t), axes.y(*low));
    }
    let inner = html! {
        @if !area.is_empty() { path.band d={ (area) "Z" } {} }
        path.middle d=(axes.line(&middle)) {}
        @if let Some(target) = chart.target {
            @let y = format!("{:.1}", axes.y(target));
            line.target x1=(LEFT) x2=(WIDTH - RIGHT) y1=(y) y2=(y) {}
        }
        @for (t, v) in &chart.seen {
            circle.seen cx=(format!("{:.1}", axes.x(*t))) cy=(format!("{:.1}", axes.y(*v))) r="5" {}
        }
    };
    let every = (chart.band.len() / 10).max(1);
    html! {
        figure.chart data-chart="rise" data-src=(data) data-zone=(show.zone.iana_name().unwrap_or("UTC")) {
            div.plot { (frame(&axes, show, percent, &inner)) }
            figcaption.small {
                "How far it has grown. The band holds four proofs in five"
                @if chart.target.is_some() { "; the dashed line is where it is ready" }
                "; dots are what you saw."
            }
            details.numbers { summary { "As a table" }
                table { thead { tr { th { "Time" } th { "Likely" } th { "From" } th { "To" } } }
                    tbody { @for (t, low, mid, high) in chart.band.iter().step_by(every) {
                        tr { td { (show.when(*t)) } td { (rise(*mid)) } td { (percent(*low)) } td { (percent(*high)) } }
                    } } }
            }
        }
    }
}

/// Temperatures against the limit. `data` is the address of its numbers as JSON.
#[must_use]
pub fn temperature_chart(chart: &TemperatureChart, data: &str, show: &Show) -> Markup {
    let deg = |points: &[Point]| -> Vec<Point> {
        points
            .iter()
            .map(|(t, v)| (*t, v.map(|c| show.degrees(c))))
            .collect()
    };
    let (air, dough, assumed) = (deg(&chart.air), deg(&chart.dough), deg(&chart.assumed));
    let ceiling = chart.ceiling_c.map(|c| show.degrees(c));
    let all = || air.iter().chain(&dough).chain(&assumed);
    let Some(axes) = Axes::over(all().map(|p| p.0), all().filter_map(|p| p.1).chain(ceiling))
    else {
        return html! { p.small { "No temperature has been read here yet." } };
    };
    let inner = html! {
        path.air d=(axes.line(&air)) {}
        path.assumed d=(axes.line(&assumed)) {}
        path.dough d=(axes.line(&dough)) {}
        @if let Some(limit) = ceiling {
            @let y = format!("{:.1}", axes.y(limit));
            line.limit x1=(LEFT) x2=(WIDTH - RIGHT) y1=(y) y2=(y) {}
        }
    };
    let every = (air.len() / 10).max(1);
    html! {
        figure.chart data-chart="temperature" data-src=(data) data-zone=(show.zone.iana_name().unwrap_or("UTC")) {
            div.plot { (frame(&axes, show, |v| number(v, 1), &inner)) }
            figcaption.small.legend {
                span.key.air { "air" } " " span.key.dough { "dough, worked out" } " "
                @if !assumed.is_empty() { span.key.assumed { "air to come" } " " }
                @if ceiling.is_some() { span.key.limit { "top proofing temperature" } }
                " (" (show.unit()) ")"
            }
            details.numbers { summary { "As a table" }
                table { thead { tr { th { "Time" } th { "Air" } } }
                    tbody { @for (t, v) in air.iter().step_by(every) {
                        tr { td { (show.when(*t)) } td { @match v { Some(v) => (number(*v, 1)), None => "no reading" } } }
                    } } }
            }
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

    fn t(minute: i64) -> Timestamp {
        let start: Timestamp = "2026-01-10T06:05:00Z".parse().unwrap();
        Timestamp::from_second(start.as_second() + minute * 60).unwrap()
    }

    #[test]
    fn the_band_is_drawn_inside_the_frame_and_the_hours_are_local() {
        let chart = RiseChart {
            band: (0..20)
                .map(|i| (t(i * 5), i as f64 * 0.04, i as f64 * 0.05, i as f64 * 0.06))
                .collect(),
            seen: vec![(t(55), 0.42)],
            target: Some(0.8),
        };
        let html = rise_chart(&chart, "/x", &show()).into_string();
        assert!(
            html.contains(">7:30<"),
            "half hours of Oslo stand along the foot"
        );
        assert!(html.contains("class=\"seen\""));
        assert!(!html.contains("style="), "no inline style");
        for number in html
            .split(&['M', 'L'][..])
            .skip(1)
            .filter_map(|p| p.split(' ').next()?.parse::<f64>().ok())
        {
            assert!((LEFT - 0.1..=WIDTH).contains(&number));
        }
    }

    #[test]
    fn a_gap_in_the_air_breaks_the_line() {
        let chart = TemperatureChart {
            air: vec![
                (t(0), Some(24.0)),
                (t(5), None),
                (t(10), Some(24.5)),
                (t(15), Some(25.0)),
            ],
            ..TemperatureChart::default()
        };
        let html = temperature_chart(&chart, "/x", &show()).into_string();
        let path = html.split("class=\"air\" d=\"").nth(1).unwrap();
        let path = path.split('"').next().unwrap();
        assert_eq!(path.matches('M').count(), 2);
    }

    #[test]
    fn nothing_to_draw_is_said_and_does_not_panic() {
        assert!(
            rise_chart(&RiseChart::default(), "/x", &show())
                .into_string()
                .contains("will be drawn")
        );
        let one = TemperatureChart {
            air: vec![(t(0), Some(24.0))],
            ..TemperatureChart::default()
        };
        assert!(
            temperature_chart(&one, "/x", &show())
                .into_string()
                .contains("No temperature")
        );
    }
}

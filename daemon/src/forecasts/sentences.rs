//! The evidence in a baker's words: one plain sentence for each thing a forecast rests on.

use doughwarden_dashboards::show::Show;

use super::air::{Sources, UNKNOWN_AIR_C};
use super::learned::Learned;
use super::outlook::Outlook;
use super::scenario::Last;
use crate::batches::record::{PlaceKind, StageKind};
use crate::time::UtcMs;

/// The sentences, most weighty first.
#[must_use]
pub fn evidence(
    o: &Outlook,
    at: UtcMs,
    learned: &Learned,
    sources: &Sources<'_>,
    show: &Show,
) -> Vec<String> {
    let degrees = |c: f64| show.temperature(c);
    let known = &o.known;
    let track = &known.track;
    let proof = if known.kind == StageKind::Bulk {
        "bulk proof"
    } else {
        "final proof"
    };
    let mut out = Vec::new();

    // The dough's own past, or its recipe.
    let dough = &known.subject.dough;
    let bakes = learned.calibration.count(dough, o.stage());
    let usual = super::prior::usual(sources.book, dough, known.kind);
    match (bakes, usual.and_then(|u| u.usual_min.map(|m| (m, u.at)))) {
        (0, Some((minutes, temperature))) => out.push(format!(
            "The recipe gives {minutes:.0} min at {} for the {proof}; no finished bake of this dough has corrected it yet.",
            degrees(temperature.unwrap_or(UNKNOWN_AIR_C))
        )),
        (0, None) => out.push(format!(
            "There is neither a recipe time nor a finished bake for the {proof} of {dough}: doughs like it set the pace, so the range is wide."
        )),
        (1, _) => out.push(format!("One finished {proof} of {dough} in this kitchen sets the pace, beside the recipe.")),
        (n, _) => out.push(format!("{n} finished {proof}s of {dough} in this kitchen set the pace.")),
    }
    if o.from_bulk {
        out.push("How this batch went in its bulk proof is carried over.".into());
    }
    let dose = known.subject.ln_dose.exp();
    if (dose - 1.0).abs() > 0.05 {
        out.push(format!(
            "It holds {:.0} % {} yeast than this dough usually does.",
            (dose - 1.0).abs() * 100.0,
            if dose > 1.0 { "more" } else { "less" }
        ));
    }

    for lot in &known.new_lots {
        out.push(format!(
            "This is the first bake with {lot}: the range is wider until one is marked."
        ));
    }

    // What was seen.
    let hand = known.evidence.rises.len() - known.heights;
    if hand > 0 {
        out.push(count(hand, "reading of the rise", "readings of the rise"));
    }
    if known.heights > 0 {
        out.push("The height sensor's readings follow the rise.".into());
    }
    if !known.evidence.dents.is_empty() {
        out.push(count(
            known.evidence.dents.len(),
            "finger test",
            "finger tests",
        ));
    }
    if let Some(last) = known.evidence.looks.iter().copied().reduce(f64::max) {
        out.push(format!(
            "Somebody looked after {last:.0} min and let it stand."
        ));
    }

    let already = o.ready.chance_by(o.now_min);
    if already > 0.1 {
        out.push(format!(
            "It may be ready already, about {:.0} times in ten: the times hold if it is not.",
            10.0 * already
        ));
    }

    // The dough's temperature.
    if known.start_measured {
        out.push(format!(
            "The dough started at {}, measured.",
            degrees(known.start_temperature.mean_c)
        ));
    } else if known.kind == StageKind::Final {
        out.push(format!(
            "Nobody measured the dough at the start: {} is taken from the end of its bulk proof and the bench.",
            degrees(known.start_temperature.mean_c)
        ));
    } else {
        out.push(format!(
            "Nobody measured the dough at the start: {} is taken, as doughs in this kitchen usually are.",
            degrees(known.start_temperature.mean_c)
        ));
    }
    if known.dough_readings > 0 {
        out.push(count(
            known.dough_readings,
            "reading of the dough's own temperature",
            "readings of the dough's own temperature",
        ));
    }

    // The air.
    if track.readings == 0 {
        out.push(match usual_of(sources, &track.place, known.start) {
            Some(c) => format!(
                "No reading of the air in this proof: {} is assumed, as {} usually is.",
                degrees(c),
                track.place
            ),
            None => format!(
                "No reading of the air: {} is assumed.",
                degrees(track.stretches.last().map_or(UNKNOWN_AIR_C, |s| s.to_c))
            ),
        });
    } else {
        out.push(format!(
            "The air of {} over {:.0} min, {} at the end; the dough follows it with {:.0} min of delay.",
            track.place,
            o.now_min,
            degrees(track.outlook.now_c),
            known.path.tau_min()
        ));
        if track.gap_min.1 > 0.0 {
            out.push(format!(
                "No readings for {:.0} min (longest silence {:.0} min): there the air is taken to drift towards {}.",
                track.gap_min.0,
                track.gap_min.1,
                if track.planned.is_empty() {
                    "the room"
                } else {
                    "the room or what is planned"
                }
            ));
        }
    }
    if track.moves > 0 {
        out.push(format!(
            "The dough was moved; it stands in {} now.",
            track.place
        ));
    }
    out.extend(air_to_come(o, at, show));
    if let Some((low, high)) = learned.calibration.temperatures_c {
        let here = known.path.now().dough_c;
        let logged = match (degrees(low), degrees(high)) {
            (low, high) if low == high => low,
            (low, high) => format!("{low} to {high}"),
        };
        if here < low - 2.0 || here > high + 2.0 {
            out.push(format!(
                "The dough is at {}, outside the {logged} of the bakes so far: the pace there is a guess.",
                degrees(here)
            ));
        } else {
            let then = o.future.at(o.now_min + 60.0).dough_c;
            if then < low - 2.0 || then > high + 2.0 {
                out.push(format!(
                    "It is on its way to {} within the hour, outside the {logged} of the bakes so far: the pace there is a guess.",
                    degrees(then)
                ));
            }
        }
    }
    let alive = known.path.now().alive;
    if alive < 0.95 {
        out.push(format!(
            "The dough ran hot: about {:.0} % of the yeast is taken to have survived.",
            alive * 100.0
        ));
    }
    out
}

/// Where the air is heading, and what is planned for it until the dough is late at the latest.
fn air_to_come(o: &Outlook, at: UtcMs, show: &Show) -> Vec<String> {
    let track = &o.known.track;
    let air = &track.outlook;
    let degrees = |c: f64| show.temperature(c);
    let place = capital(&track.place);
    let mut out = Vec::new();
    let (now, then) = (air.now_c, air.at(60.0, 0.0));
    match air.last {
        Last::Underway(since, goal) if (goal - now).abs() > 0.3 => out.push(format!(
            "A change planned for {} {since:.0} min ago is underway: it is heading for {}.",
            track.place,
            degrees(goal)
        )),
        Last::Unseen(since, goal) => out.push(format!(
            "{place} should have been heading for {} since {since:.0} min, but the readings show nothing of it: the forecast goes by the readings.",
            degrees(goal)
        )),
        _ => out.push(match track.kind {
            PlaceKind::Box | PlaceKind::Oven if (then - now).abs() > 0.3 => format!(
                "{place} is still on its way: {} is expected in an hour.",
                degrees(then)
            ),
            _ if (then - now).abs() > 0.3 => {
                format!(
                    "The air is expected to go to {} within an hour.",
                    degrees(then)
                )
            }
            _ => format!("The air is expected to stay near {}.", degrees(now)),
        }),
    }
    let late_min = o
        .told_at(0.9)
        .map_or(f64::INFINITY, |t| t.seconds_since(at) / 60.0);
    for change in air.planned.iter().filter(|c| c.minute <= late_min).take(4) {
        out.push(format!(
            "Planned for {} at {}: heading for {}. The forecast counts on it.",
            track.place,
            show.when(at.plus_min(change.minute).timestamp()),
            degrees(change.goal_c)
        ));
    }
    out
}

fn usual_of(sources: &Sources<'_>, place: &str, before: UtcMs) -> Option<f64> {
    sources.usual_air(place, before).ok().flatten()
}

fn count(n: usize, one: &str, many: &str) -> String {
    if n == 1 {
        format!("One {one} counts.")
    } else {
        format!("{n} {many} count.")
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

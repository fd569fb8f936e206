//! The evidence in a baker's words: one plain sentence for each thing a forecast rests on.

use super::air::{Sources, UNKNOWN_AIR_C};
use super::learned::Learned;
use super::outlook::Outlook;
use crate::batches::record::{PlaceKind, StageKind};
use crate::time::UtcMs;

/// The sentences, most weighty first.
#[must_use]
pub fn evidence(
    o: &Outlook,
    batch: &str,
    at: UtcMs,
    learned: &Learned,
    sources: &Sources<'_>,
) -> Vec<String> {
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
    let usual = super::inputs::usual(sources.book, dough, known.kind);
    match (bakes, usual.and_then(|u| u.usual_min.map(|m| (m, u.at)))) {
        (0, Some((minutes, temperature))) => out.push(format!(
            "The recipe gives {minutes:.0} min at {:.0} °C for the {proof}; no finished bake of this dough has corrected it yet.",
            temperature.unwrap_or(UNKNOWN_AIR_C)
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

    // The dough's temperature.
    if known.start_measured {
        out.push(format!(
            "The dough started at {:.1} °C, measured.",
            known.start_temperature.mean_c
        ));
    } else if known.kind == StageKind::Final {
        out.push(format!(
            "Nobody measured the dough at the start: {:.1} °C is taken from the end of its bulk proof and the bench.",
            known.start_temperature.mean_c
        ));
    } else {
        out.push(format!(
            "Nobody measured the dough at the start: {:.1} °C is taken, as doughs in this kitchen usually are.",
            known.start_temperature.mean_c
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
                "No reading of the air in this proof: {c:.1} °C is assumed, as {} usually is.",
                track.place
            ),
            None => format!(
                "No reading of the air: {:.0} °C is assumed.",
                track.stretches.last().map_or(UNKNOWN_AIR_C, |s| s.to_c)
            ),
        });
    } else {
        out.push(format!(
            "The air of {} over {:.0} min, {:.1} °C at the end; the dough follows it with {:.0} min of delay.",
            track.place,
            o.now_min,
            track.outlook.now_c,
            known.path.tau_min()
        ));
        if track.gap_min.1 > 0.0 {
            out.push(format!(
                "No readings for {:.0} min (longest silence {:.0} min): there the air is taken to drift towards the room.",
                track.gap_min.0, track.gap_min.1
            ));
        }
    }
    if track.moves > 0 {
        out.push(format!(
            "The dough was moved; it stands in {} now.",
            track.place
        ));
    }
    let (now, then) = (track.outlook.now_c, track.outlook.at(60.0, 0.0));
    out.push(match track.kind {
        PlaceKind::Box | PlaceKind::Oven if (then - now).abs() > 0.3 => {
            format!(
                "{} is still on its way: {then:.1} °C is expected in an hour.",
                capital(&track.place)
            )
        }
        _ if (then - now).abs() > 0.3 => {
            format!("The air is expected to drift to {then:.1} °C within an hour.")
        }
        _ => format!("The air is expected to stay near {now:.1} °C."),
    });
    if let Some((low, high)) = learned.calibration.temperatures_c {
        let here = known.path.now().dough_c;
        if here < low - 2.0 || here > high + 2.0 {
            out.push(format!(
                "The dough is at {here:.1} °C, outside the {low:.0} to {high:.0} °C of the bakes so far: the pace there is a guess."
            ));
        }
    }
    let alive = known.path.now().alive;
    if alive < 0.95 {
        out.push(format!(
            "The dough ran hot: about {:.0} % of the yeast is taken to have survived.",
            alive * 100.0
        ));
    }
    let _ = (batch, at);
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

//! A stage left open.
//!
//! **Fires** (asks, once) when a stage is well past its range: an hour after the forecast's late
//! end with over-proofing nearly sure, or a day after its start where nothing is forecast.
//! **Clears** when the stage ends. Three hours after asking, the stage is closed as unknown, which
//! teaches nothing. A stage in a fridge is asked about after two days.

use super::hold::{Patience, StageHolds};
use super::{About, Finding, Open, Rule, Severity};
use crate::batches::record::PlaceKind;
use crate::time::{HOUR_MS, UtcMs};
use crate::watch::world::{Input, Proof, World};

/// What it is.
pub static ABOUT: About = About {
    name: "stage_left_open",
    fires: "a stage is an hour past the forecast's late end with over-proofing nearly sure, or a day old without a forecast (two in a fridge)",
    clears: "the stage ends; 3 h after asking it is closed as unknown",
    default: "1 h, then 3 h",
    why: "a forgotten tap must not teach the forecast a wrong time",
    severity: Severity::Note,
    repeats: false,
    tells_over: false,
    expires_min: 3 * 60,
    gives_way_to: &[],
};

/// How long after asking the stage is closed, ms.
pub const CLOSE_MS: i64 = 3 * HOUR_MS;
/// Chance of being past its range that counts as nearly sure.
const SURE: f64 = 0.9;

const PATIENCE: Patience = Patience {
    on_ms: HOUR_MS,
    off_ms: 0,
};

/// The rule.
#[derive(Debug, Default)]
pub struct LeftOpen(StageHolds);

fn well_past(world: &World, proof: &Proof<'_>) -> bool {
    let days = if proof.kind == PlaceKind::Fridge {
        2
    } else {
        1
    };
    let old = world.now.0 - proof.stage.start.0 >= days * 24 * HOUR_MS;
    let Some(view) = &proof.view else { return old };
    let late_end_past = view.ready().p90.is_some_and(|t| t <= world.now);
    (view.chance_over_now >= SURE && late_end_past && proof.kind != PlaceKind::Fridge) || old
}

impl Rule for LeftOpen {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if matches!(input, Input::Tick) {
            self.0.look(world, PATIENCE, |proof| {
                let past = well_past(world, proof);
                Some((past, !past))
            });
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let on = self.0.on(world);
        on.iter()
            .map(|(proof, _)| {
                let mut finding = Finding::of_stage(&ABOUT, proof);
                finding.title = format!("{}: still proofing?", proof.title());
                finding.text = "Say how it ended: early, right or late. Without an answer it is \
                                closed and teaches nothing."
                    .into();
                finding
            })
            .collect()
    }

    fn resume(&mut self, open: &Open<'_>) {
        self.0.resume(open);
    }
}

/// Whether a stage that was asked about at `asked` is to be closed now.
#[must_use]
pub fn to_close(asked: UtcMs, now: UtcMs) -> bool {
    now.0 - asked.0 >= CLOSE_MS
}

#[cfg(test)]
mod tests {
    use crate::watch::timeline::{Timeline, view};

    #[test]
    fn it_is_asked_once_when_well_past() {
        let mut t = Timeline::knots_in("box");
        t.forecast(view([0.0, 0.0, 10.0], 1.0, 0.95));
        t.until(65.0);
        assert!(t.first("stage_left_open", "raised").is_none());
        t.until(300.0);
        let asked = t
            .pushes()
            .iter()
            .filter(|p| p.starts_with("stage_left_open"))
            .count();
        assert_eq!(asked, 1);
    }

    #[test]
    fn a_stage_within_its_range_or_in_the_fridge_overnight_is_not_asked_about() {
        let mut t = Timeline::knots_in("box");
        t.forecast(view([0.0, 0.0, 10.0], 0.9, 0.6));
        t.until(300.0);
        assert!(t.first("stage_left_open", "raised").is_none());
        let mut t = Timeline::knots_in("fridge");
        t.until(14.0 * 60.0);
        assert!(t.pushes().is_empty());
    }
}

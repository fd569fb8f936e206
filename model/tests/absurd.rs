//! The whole way from readings to a ready time, over inputs nobody should ever give: constant, empty,
//! absurd, gaps of hours, 0 °C, 60 °C. Nothing may panic, nothing may come out that is not finite.
//!
//! A quick run with the other tests; the long one:
//! ```text
//! PROPTEST_CASES=1000000 cargo test --release -p doughwarden-model --test absurd
//! ```

use doughwarden_model::age::AgePath;
use doughwarden_model::calibration::{Calibration, Group, PastStage, Site, Stage, Subject};
use doughwarden_model::cardinal::{Cardinal, RateLaw};
use doughwarden_model::proof::{Dent, Ending, Evidence, ReadyTime};
use proptest::num::f64::ANY;
use proptest::prelude::*;

/// Air a log may hold: steady, the ends of what dough meets, or any bits.
fn air() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => 15.0..40.0f64,
        1 => Just(24.0),
        1 => Just(0.0),
        1 => Just(60.0),
        1 => -60.0..300.0f64,
        1 => ANY,
    ]
}

/// Minutes between readings: a sensor's beat, none at all, hours of silence, or any bits.
fn gap() -> impl Strategy<Value = f64> {
    prop_oneof![
        5 => 0.1..10.0f64,
        1 => Just(0.0),
        2 => 60.0..900.0f64,
        1 => -100.0..100.0f64,
        1 => ANY,
    ]
}

fn minute() -> impl Strategy<Value = f64> {
    prop_oneof![5 => 0.0..300.0f64, 1 => Just(0.0), 1 => -1e3..1e6f64, 1 => ANY]
}

fn rise() -> impl Strategy<Value = f64> {
    prop_oneof![4 => -0.2..2.5f64, 1 => Just(0.0), 1 => ANY]
}

/// A law, a lag, a start and a log.
fn path() -> impl Strategy<Value = AgePath> {
    (
        prop_oneof![3 => -0.5..0.5f64, 1 => ANY],
        prop_oneof![3 => 0.0..300.0f64, 1 => ANY],
        air(),
        proptest::collection::vec((gap(), air()), 0..12),
        proptest::option::of(air()),
    )
        .prop_map(|(tilt, tau, start, log, probe)| {
            let mut path = AgePath::begin(RateLaw::new(Cardinal::GAS, tilt), tau, start);
            let (mut at, mut before) = (0.0, start);
            for (gap, c) in log {
                at += if gap.is_finite() {
                    gap.clamp(-1e3, 2e3)
                } else {
                    gap
                };
                path.advance(at, before, c);
                before = c;
            }
            if let Some(c) = probe {
                path.measured(c);
            }
            path
        })
}

fn dent() -> impl Strategy<Value = Dent> {
    prop_oneof![
        Just(Dent::SpringsBack),
        Just(Dent::ReturnsSlowly),
        Just(Dent::Stays)
    ]
}

fn ending() -> impl Strategy<Value = Ending> {
    prop_oneof![4 => Just(Ending::Ready), 1 => Just(Ending::Under), 1 => Just(Ending::Over)]
}

fn evidence() -> impl Strategy<Value = Evidence> {
    (
        proptest::collection::vec(
            (minute(), rise(), prop_oneof![3 => Just(1.0), 1 => ANY]),
            0..5,
        ),
        proptest::collection::vec((minute(), dent()), 0..4),
        proptest::collection::vec(minute(), 0..4),
        proptest::option::of((minute(), ending())),
    )
        .prop_map(|(rises, dents, looks, ending)| Evidence {
            rises,
            dents,
            looks,
            ending,
        })
}

fn subject() -> impl Strategy<Value = Subject> {
    (
        0..3usize,
        any::<bool>(),
        prop_oneof![4 => 3.0..6.0f64, 1 => ANY],
        prop_oneof![4 => 0.05..0.6f64, 1 => ANY],
        prop_oneof![4 => -1.0..1.0f64, 1 => ANY],
        proptest::option::of(prop_oneof![4 => 0.3..2.5f64, 1 => ANY]),
        prop_oneof![4 => 0.0..0.3f64, 1 => ANY],
        proptest::collection::vec((0..3usize, prop_oneof![4 => 0.0..0.1f64, 1 => ANY]), 0..3),
    )
        .prop_map(
            |(dough, bulk, prior_ln_age, prior_sd, ln_dose, target_rise, extra_sd, groups)| {
                Subject {
                    dough: ["a", "b", "c"][dough].into(),
                    stage: if bulk { Stage::Bulk } else { Stage::Final },
                    prior_ln_age,
                    prior_sd,
                    ln_dose,
                    target_rise,
                    extra_sd,
                    groups: groups
                        .into_iter()
                        .map(|(i, ln_sd)| Group {
                            name: ["x", "y", "z"][i].into(),
                            ln_sd,
                        })
                        .collect(),
                }
            },
        )
}

proptest! {
    #[test]
    fn from_readings_to_a_ready_time_nothing_breaks(
        past in proptest::collection::vec((0..3usize, subject(), path(), evidence()), 0..3),
        (subject, path, evidence) in (subject(), path(), evidence()),
        air_to_come in air(),
    ) {
        let stages: Vec<PastStage> = past
            .into_iter()
            .map(|(batch, subject, path, evidence)| PastStage { batch: batch.to_string(), subject, path, evidence })
            .collect();
        let fit = Calibration::fit(&stages);
        for p in fit.parameters() {
            prop_assert!(p.value.is_finite() && p.p10.is_finite() && p.p90.is_finite(), "{p:?}");
        }
        let warmth = path.mean_warmth(path.now().minute);
        let bulk = fit.expect(&subject, warmth, &[]);
        let others = [(subject.clone(), warmth, Site::between(bulk.mean, bulk.sd, bulk.mean, 0.5 * bulk.sd))];
        let prior = fit.expect(&subject, warmth, &others);
        prop_assert!(prior.mean.is_finite() && prior.sd.is_finite() && prior.sd > 0.0, "{prior:?}");
        let after = prior.after(&path, &evidence);
        prop_assert!(after.mean().is_finite() && after.sd().is_finite() && after.ln_evidence().is_finite());
        let now = path.now();
        prop_assert!(now.dough_c.is_finite() && now.age_min.is_finite() && (0.0..=1.0).contains(&now.alive), "{now:?}");
        prop_assert!(after.rise_at(now.age_min).iter().all(|r| r.is_finite() && *r >= 0.0));
        let mut future = path.branch();
        future.advance(now.minute + 600.0, air_to_come, air_to_come);
        let ready = ReadyTime::new(&after, &path, &[(1.0, future)]);
        let mut before = f64::NEG_INFINITY;
        for p in [0.1, 0.5, 0.9] {
            if let Some(minute) = ready.quantile(p) {
                prop_assert!(minute.is_finite() && minute >= before);
                before = minute;
            }
        }
        let chance = ready.chance_by(now.minute);
        prop_assert!((0.0..=1.0 + 1e-9).contains(&chance), "{chance}");
    }
}

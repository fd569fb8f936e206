//! Tests of the fit across bakes.

use super::*;
use crate::age::AgePath;
use crate::cardinal::RateLaw;
use crate::proof::{Ending, Evidence};
use proptest::prelude::*;

fn subject(dough: &str, ln_dose: f64) -> Subject {
    Subject {
        dough: dough.into(),
        stage: Stage::Bulk,
        prior_ln_age: 4.3,
        prior_sd: 0.3,
        ln_dose,
        target_rise: None,
        extra_sd: 0.0,
        groups: Vec::new(),
    }
}

fn past(batch: usize, ready: f64, temperature: f64, ln_dose: f64) -> PastStage {
    let mut path = AgePath::begin(RateLaw::default(), 0.0, temperature);
    path.advance(400.0, temperature, temperature);
    let minute = path.minute_at(ready).unwrap_or(400.0);
    PastStage {
        batch: format!("b{batch}"),
        subject: subject("rolls", ln_dose),
        path,
        evidence: Evidence {
            looks: vec![minute - 6.0],
            ending: Some((minute + 2.0, Ending::Ready)),
            ..Default::default()
        },
    }
}

#[test]
fn a_dough_s_own_bakes_outweigh_the_recipe() {
    let stages: Vec<PastStage> = (0..12).map(|i| past(i, 100.0, 25.0, 0.0)).collect();
    let fit = Calibration::fit(&stages);
    let now = fit.expect(&subject("rolls", 0.0), -0.2, &[]);
    assert!(
        (now.mean - 100f64.ln()).abs() < 0.04,
        "{} {}",
        now.mean.exp(),
        now.sd
    );
    assert!(now.sd < 0.12, "{}", now.sd);
    // Another dough of this house learns a little from it, and stays uncertain.
    let other = fit.expect(&subject("plait", 0.0), -0.2, &[]);
    assert!(other.mean > 4.3 && other.sd > 0.25);
}

fn in_lot(mut stage: PastStage, lot: &str) -> PastStage {
    stage.subject.groups = vec![Group {
        name: lot.into(),
        ln_sd: 0.08,
    }];
    stage
}

/// Bakes of one lot that take longer: what is learned of the lot is what the textbook's normal model
/// says, τ²/(τ² + s²/n) of the difference at most (shrinkage of a group's mean; from memory), as the
/// house's and the dough's own level take a part of it.
#[test]
fn a_slow_lot_is_learned_by_its_share_and_bends_no_other() {
    let stages: Vec<PastStage> = (0..24)
        .map(|i| {
            let (lot, ready) = if i < 12 {
                ("old", 100.0)
            } else {
                ("new", 115.0)
            };
            in_lot(past(i, ready, 25.0, 0.0), lot)
        })
        .collect();
    let fit = Calibration::fit(&stages);
    let expect = |lot: &str| {
        let subject = in_lot(past(0, 100.0, 25.0, 0.0), lot).subject;
        fit.expect(&subject, -0.2, &[])
    };
    let (old, new) = (expect("old"), expect("new"));
    let whole = 1.15f64.ln();
    let most = 0.08f64.powi(2) / (0.08f64.powi(2) + fit.spread.powi(2) / 12.0);
    let learned = (new.mean - old.mean) / whole;
    assert!(
        (0.6..=most + 0.02).contains(&learned),
        "{learned} of {most}"
    );
    // One that nobody has met lies between, with its own doubt on top.
    let unknown = expect("another");
    assert!(old.mean < unknown.mean && unknown.mean < new.mean);
    let doubt = (unknown.sd.powi(2) - new.sd.powi(2)).sqrt();
    assert!((0.05..0.1).contains(&doubt), "{doubt}");
    // The report tells it: so much longer than the others.
    let told = fit.parameters();
    let lot = told
        .iter()
        .find(|p| p.name.starts_with("new:"))
        .expect("told");
    assert!(
        lot.value > 1.02 && lot.value < 1.15 && lot.p10 < lot.value,
        "{lot:?}"
    );
}

/// The first mark of a new lot takes most of its doubt away.
#[test]
fn a_new_lot_is_doubted_until_its_first_mark() {
    let old = (0..10).map(|i| in_lot(past(i, 100.0, 25.0, 0.0), "old"));
    let mut stages: Vec<PastStage> = old.collect();
    let subject = in_lot(past(0, 100.0, 25.0, 0.0), "new").subject;
    let before = Calibration::fit(&stages).expect(&subject, -0.2, &[]);
    stages.push(in_lot(past(10, 108.0, 25.0, 0.0), "new"));
    let after = Calibration::fit(&stages).expect(&subject, -0.2, &[]);
    assert!(after.sd < before.sd && after.mean > before.mean);
}

#[test]
fn a_mistaken_tap_hardly_moves_the_fit() {
    let mut stages: Vec<PastStage> = (0..12).map(|i| past(i, 100.0, 25.0, 0.0)).collect();
    let before = Calibration::fit(&stages)
        .expect(&subject("rolls", 0.0), -0.2, &[])
        .mean;
    stages.push(past(12, 260.0, 25.0, 0.0));
    let after = Calibration::fit(&stages)
        .expect(&subject("rolls", 0.0), -0.2, &[])
        .mean;
    assert!((after - before).abs() < 0.03, "{before} {after}");
}

#[test]
fn the_tilt_is_learned_only_from_temperatures_that_differ() {
    // A truth steeper than the law by 0.3 per 10 °C.
    let at = |i: usize, c: f64| past(i, 100.0 * (-0.3 * (c - 27.0) / 10.0f64).exp(), c, 0.0);
    let wide: Vec<PastStage> = (0..16)
        .map(|i| at(i, if i % 2 == 0 { 19.0 } else { 30.0 }))
        .collect();
    let narrow: Vec<PastStage> = (0..16).map(|i| at(i, 24.0)).collect();
    let (w, n) = (
        Calibration::fit(&wide).tilt(),
        Calibration::fit(&narrow).tilt(),
    );
    assert!((w.0 - 0.3).abs() < 0.1 && w.1 < 0.15, "{w:?}");
    assert!(n.1 > 0.9 * TILT.1, "{n:?}");
}

proptest! {
    #[test]
    fn no_bakes_however_absurd_break_the_fit(
        bakes in proptest::collection::vec(
            (0..4usize, 0..3usize, proptest::num::f64::ANY, -60.0..160.0f64, proptest::num::f64::ANY, proptest::num::f64::ANY, 0..4u8),
            0..12,
        ),
    ) {
        let stages: Vec<PastStage> = bakes
            .iter()
            .map(|&(batch, dough, end, air, rise, dose, kind)| {
                let mut path = AgePath::begin(RateLaw::default(), 60.0, air);
                path.advance(if end.is_finite() { end.clamp(0.0, 3000.0) } else { 50.0 }, air, 25.0);
                PastStage {
                    batch: format!("{batch}"),
                    subject: Subject {
                        stage: if kind % 2 == 0 { Stage::Bulk } else { Stage::Final },
                        ln_dose: if dose.is_finite() { dose.clamp(-1.5, 1.5) } else { 0.0 },
                        ..subject(["a", "b", "c"][dough], 0.0)
                    },
                    evidence: Evidence {
                        rises: vec![(end / 2.0, rise, 1.0), (end, 0.5, 1.0)],
                        dents: vec![(end / 3.0, crate::proof::Dent::SpringsBack)],
                        looks: vec![end / 2.0],
                        ending: [Some((end, Ending::Ready)), Some((end, Ending::Under)), Some((end, Ending::Over)), None][kind as usize],
                    },
                    path,
                }
            })
            .collect();
        let fit = Calibration::fit(&stages);
        prop_assert!(fit.parameters().iter().all(|p| p.value.is_finite() && p.p10.is_finite() && p.p90.is_finite()));
        for s in &stages {
            let expected = fit.expect(&s.subject, 0.0, &[]);
            prop_assert!(expected.mean.is_finite() && expected.sd.is_finite() && expected.sd > 0.0);
        }
    }
}

/// The budget of carbon dioxide (Weiss 1974; 65 g of water in 130 mL of dough) sets the lag of the
/// bulk proof; the final proof starts with the water full.
#[test]
fn the_textbook_lag_is_the_budget_s() {
    use crate::carbon_dioxide::{dissolved_ml_per_ml, lag_fraction};
    let bulk = textbook(Stage::Bulk).curve;
    let dissolved = 65.0 * dissolved_ml_per_ml(25.0).expect("valid") / 130.0;
    let lag = |kept| lag_fraction(dissolved, bulk.ln_rise.exp(), kept).expect("valid");
    assert!(
        (0.02..0.06).contains(&(bulk.lag - lag(0.8))),
        "{}",
        lag(0.8)
    );
    assert!((lag(0.4) - 0.15).abs() < 0.01 && (lag(1.0) - 0.31).abs() < 0.01);
    let last = textbook(Stage::Final).curve;
    assert!(last.lag.abs() < 1e-12 && (last.ln_power.exp() - 7.0 / 8.0).abs() < 0.02);
}

#[test]
fn it_survives_its_own_writing() {
    let stages: Vec<PastStage> = (0..3).map(|i| past(i, 90.0, 25.0, 0.1)).collect();
    let fit = Calibration::fit(&stages);
    assert!(
        fit.parameters()
            .iter()
            .all(|p| p.value.is_finite() && p.p10 <= p.value && p.value <= p.p90)
    );
    assert_eq!(fit.stages, 3);
}

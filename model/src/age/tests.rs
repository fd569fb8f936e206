//! Tests of equivalent age along a dough's temperature.

use super::*;
use crate::composition::Composition;
use crate::heat::{Piece, STILL_AIR_FILM, Shape};
use proptest::prelude::*;

/// 25 °C for 1 h, a straight line to 35 °C over 1 h, 35 °C for 1 h; no lag.
fn history(step: f64) -> AgePath {
    let air = |m: f64| 25.0 + 10.0 * ((m - 60.0) / 60.0).clamp(0.0, 1.0);
    let mut path = AgePath::begin(RateLaw::default(), 0.0, 25.0);
    let mut m = 0.0;
    while m < 180.0 - 1e-9 {
        path.advance(m + step, air(m), air(m + step));
        m += step;
    }
    path
}

#[test]
fn the_worked_history_in_thermal_time() {
    // Independent quadrature (scipy) of Rosso et al. 1993, gas preset: hours at 27 °C.
    for (step, tolerance) in [(1.0 / 6.0, 1e-5), (1.0, 1e-6), (5.0, 1e-6), (15.0, 1e-6)] {
        let path = history(step);
        for (m, hours) in [
            (60.0, 0.887_091_49),
            (120.0, 2.023_150_20),
            (180.0, 3.342_088_15),
        ] {
            assert!(
                (path.age_at(m) / 60.0 - hours).abs() < tolerance,
                "{step}: {}",
                path.age_at(m) / 60.0
            );
        }
        // Mean temperature instead of mean rate: 3.4 % too old.
        let wrong = 3.0 * RateLaw::default().rate(30.0);
        assert!((wrong - 3.457_065_66).abs() < 1e-7);
    }
}

#[test]
fn lag_matters_and_one_pole_is_enough() {
    // Conduction series with convection (textbook eigenvalue solution), ages in hours at 27 °C.
    let rows = [
        (0.9, 24.0, 35.0, 120.0, 2.0529, 0.006),
        (0.25, 24.0, 35.0, 90.0, 1.5795, 0.004),
        (0.08, 24.0, 35.0, 60.0, 1.0545, 0.003),
        (0.9, 4.0, 27.0, 240.0, 1.5894, 0.025),
    ];
    for (kg, start, air, minutes, hours, tolerance) in rows {
        let piece = Piece::of_mass(
            kg,
            Shape::Sphere,
            &Composition::lean_dough(),
            STILL_AIR_FILM,
        )
        .expect("valid");
        let mut path = AgePath::begin(RateLaw::default(), piece.time_constant_s() / 60.0, start);
        path.advance(minutes, air, air);
        let ratio = path.now().age_min / 60.0 / hours - 1.0;
        assert!(ratio.abs() < tolerance, "{kg} kg: {ratio}");
    }
}

#[test]
fn a_hot_half_hour_is_not_forgiven() {
    let mut hot = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    let mut cool = hot.clone();
    hot.advance(30.0, 48.0, 48.0);
    cool.advance(30.0, 27.0, 27.0);
    let (h, c) = (hot.now().age_min, cool.now().age_min);
    hot.advance(90.0, 27.0, 27.0);
    cool.advance(90.0, 27.0, 27.0);
    assert!(hot.now().age_min - h < 0.4 * (cool.now().age_min - c));
}

#[test]
fn spot_readings_pull_the_start() {
    let s = StartTemperature {
        mean_c: 24.0,
        sd_c: 1.5,
    }
    .after_readings(150.0, &[(0.0, 2.0)], 0.5);
    // Normal shrinkage: 2 * 1.5² / (1.5² + 0.5²) = 1.8.
    assert!((s.mean_c - 25.8).abs() < 1e-9);
    assert!(s.sd_c < 0.5);
}

proptest! {
    #[test]
    fn any_log_gives_a_finite_path_that_never_goes_back(
        start in proptest::num::f64::ANY,
        tau in proptest::num::f64::ANY,
        log in proptest::collection::vec((-10.0..2000.0f64, proptest::num::f64::ANY), 0..30),
    ) {
        let mut path = AgePath::begin(RateLaw::default(), tau, start);
        for (m, c) in log {
            path.advance(m, c, c);
        }
        prop_assert!(path.knots().iter().all(|k| k.age_min.is_finite() && k.dough_c.is_finite()));
        prop_assert!(path.knots().windows(2).all(|w| w[1].age_min >= w[0].age_min && w[1].minute >= w[0].minute));
        let half = path.now().age_min * 0.5;
        if let Some(m) = path.minute_at(half) {
            prop_assert!((path.age_at(m) - half).abs() < 1e-6 * (1.0 + half));
        }
    }

    #[test]
    fn how_the_log_is_cut_does_not_matter(cuts in proptest::collection::vec(0.0..180.0f64, 0..40)) {
        let mut cuts = cuts;
        cuts.push(180.0);
        cuts.sort_by(f64::total_cmp);
        let mut one = AgePath::begin(RateLaw::default(), 60.0, 22.0);
        one.advance(180.0, 30.0, 30.0);
        let mut many = AgePath::begin(RateLaw::default(), 60.0, 22.0);
        for c in cuts {
            many.advance(c, 30.0, 30.0);
        }
        prop_assert!((one.now().age_min - many.now().age_min).abs() < 1e-5);
    }
}

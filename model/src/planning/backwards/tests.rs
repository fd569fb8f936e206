//! Plans against sums by hand, a library's quantiles and themselves backwards.

use super::*;
use proptest::prelude::*;
use statrs::distribution::LogNormal;

pub(crate) fn plain(air: f64, sd: f64) -> Bake {
    let step = |minutes| Step {
        minutes,
        sd_min: 0.0,
    };
    let age = |minutes: f64| ProofAge {
        ln_age: f64::ln(minutes),
        sd,
        tilt_sd: 0.0,
        known_warmth: 0.0,
    };
    Bake {
        places: vec![Place::steady("counter", air, 0.0)],
        law: RateLaw::default(),
        mixing: step(15.0),
        dough_c: air,
        dough_sd_c: 0.0,
        bulk: Proof::at(0, age(90.0), 60.0),
        shaping: step(20.0),
        final_proof: Proof::at(0, age(60.0), 40.0),
        baking: step(20.0),
        cooling: step(30.0),
        shared: 0.5,
        look_every_min: 0.0,
    }
}

#[test]
fn without_doubt_it_is_a_sum() {
    // 15 + 90 + 20 + 60 + 20 + 30 at the reference temperature, by hand.
    let day = plain(27.0, 0.0).run(100.0).expect("valid");
    assert!((day.table.p50.expect("comes") - 335.0).abs() < 0.01);
    assert!((day.bulk_ready.p50.expect("comes") - 205.0).abs() < 0.01);
    // Rosso's equation at 20 °C: 0.444364 against 0.747914 at 27 °C.
    let slow = plain(20.0, 0.0).run(0.0).expect("valid");
    let want = 85.0 + 150.0 * 0.747_914 / 0.444_364;
    assert!((slow.table.p50.expect("comes") - want).abs() < 0.05);
}

#[test]
fn one_spread_is_the_lognormal_of_a_library() {
    // Both proofs wholly shared: (90 + 60)·lognormal, statrs' quantile.
    let bake = Bake {
        shared: 1.0,
        ..plain(27.0, 0.2)
    };
    let law = LogNormal::new(150f64.ln(), 0.2).expect("valid");
    for risk in [0.05, 0.1, 0.3, 0.5] {
        let plan = bake.latest_start(1000.0, risk).expect("valid");
        let want = 1000.0 - 85.0 - law.inverse_cdf(1.0 - risk);
        assert!(
            (plan.start_min - want).abs() < 1.0,
            "{risk}: {} {want}",
            plan.start_min
        );
        assert!((plan.risk - risk).abs() < 0.004);
    }
}

#[test]
fn steps_by_the_clock_add_as_normals() {
    let bake = Bake {
        baking: Step {
            minutes: 20.0,
            sd_min: 6.0,
        },
        cooling: Step {
            minutes: 30.0,
            sd_min: 8.0,
        },
        ..plain(27.0, 0.0)
    };
    // sqrt(36 + 64) = 10; two-sided 80 % of a normal: 1.2815516 (tables).
    let day = bake.run(0.0).expect("valid");
    assert!((day.table.p90.expect("comes") - (235.0 + 12.815_516)).abs() < 0.02);
    assert!((day.chance_late(245.0) - 0.158_655).abs() < 1e-4);
}

#[test]
fn even_normals_are_normal() {
    // Halton's sequence in base 2 and 3 as printed in textbooks.
    let inverse = |i, b| radical_inverse(i, b);
    assert!(
        (inverse(1, 2) - 0.5).abs() < 1e-15
            && (inverse(3, 2) - 0.75).abs() < 1e-15
            && (inverse(6, 2) - 0.375).abs() < 1e-15
    );
    assert!((inverse(5, 3) - 7.0 / 9.0).abs() < 1e-15);
    let z = even_normals(256, 6);
    for d in 0..6 {
        // No two dimensions move together, and the whole of each is a normal.
        let mean = z.iter().map(|r| r[d]).sum::<f64>() / 256.0;
        let var = z.iter().map(|r| r[d] * r[d]).sum::<f64>() / 256.0;
        assert!(
            mean.abs() < 1e-9 && (var - 1.0).abs() < 0.02,
            "{d}: {mean} {var}"
        );
        for e in 0..d {
            let r = z.iter().map(|r| r[d] * r[e]).sum::<f64>() / 256.0;
            assert!(r.abs() < 0.06, "{d} {e}: {r}");
        }
    }
}

#[test]
fn a_night_in_the_fridge_is_a_stay() {
    let mut bake = plain(22.0, 0.1);
    bake.places.push(Place::steady("fridge", 4.0, 1.0));
    let quick = bake.run(0.0).expect("valid").table.p50.expect("comes");
    bake.bulk.stays = vec![
        Stay {
            place: 0,
            for_min: Some(30.0),
        },
        Stay {
            place: 1,
            for_min: Some(600.0),
        },
        Stay {
            place: 0,
            for_min: None,
        },
    ];
    let slow = bake.run(0.0).expect("valid").table.p50.expect("comes");
    assert!(
        slow > quick + 540.0 && slow < quick + 720.0,
        "{quick} {slow}"
    );
}

#[test]
fn a_daily_course_lengthens_a_night_start() {
    let mut bake = plain(21.0, 0.1);
    bake.places[0].course = Course::Daily {
        mean_c: 21.0,
        swing_c: 3.0,
        warmest_min: 960.0,
    };
    let took = |start: f64| bake.run(start).expect("valid").table.p50.expect("comes") - start;
    assert!(took(120.0) > took(720.0) + 60.0);
    let plan = bake.latest_start(1440.0, 0.1).expect("valid");
    assert!((plan.risk - 0.1).abs() < 0.01);
}

#[test]
fn what_cannot_be_is_refused() {
    let mut bake = plain(21.0, 0.1);
    bake.bulk.stays[0].place = 7;
    assert!(bake.run(0.0).is_err());
    assert!(plain(3.0, 0.1).latest_start(0.0, 0.1).is_err());
    assert!(plain(f64::NAN, 0.1).run(0.0).is_err());
    assert!(plain(21.0, 0.1).latest_start(0.0, 0.0).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn any_bits_are_refused_or_answered(v in proptest::collection::vec(proptest::num::f64::ANY, 14), small in proptest::bool::ANY) {
        let n = |i: usize, usual: f64| if small && !i.is_multiple_of(3) { usual } else { v[i] };
        let mut bake = plain(n(0, 22.0), n(1, 0.2));
        bake.places[0].course = Course::Daily { mean_c: n(2, 20.0), swing_c: n(3, 2.0), warmest_min: n(4, 900.0) };
        bake.places[0].sd_c = n(5, 1.0);
        bake.dough_c = n(6, 24.0);
        bake.bulk.tau_min = n(7, 90.0);
        bake.mixing = Step { minutes: n(8, 20.0), sd_min: n(9, 2.0) };
        bake.bulk.stays[0].for_min = Some(n(10, 60.0));
        if let Ok(day) = bake.run(n(11, 480.0)) {
            prop_assert!((0.0..=1.0).contains(&day.chance_late(n(12, 900.0))) || v[12].is_nan());
            prop_assert!(day.table.p50.is_none_or(f64::is_finite));
        }
        if let Ok(plan) = bake.latest_start(n(12, 900.0), n(13, 0.1)) {
            prop_assert!(plan.start_min.is_finite() && (0.0..=1.0).contains(&plan.risk));
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn there_and_back(air in 16.0..34.0f64, sd in 0.0..0.4f64, doubt in 0.0..2.5f64, risk in 0.02..0.6f64, table in 0.0..3000.0f64) {
        let mut bake = plain(air, sd);
        bake.places[0].sd_c = doubt;
        bake.dough_sd_c = 0.5 * doubt;
        let plan = bake.latest_start(table, risk).expect("valid");
        let again = bake.run(plan.start_min).expect("valid");
        prop_assert!((again.chance_late(table) - risk).abs() < 0.03);
        prop_assert!(bake.run(plan.start_min - 60.0).expect("valid").chance_late(table) <= risk + 0.005);
    }
}

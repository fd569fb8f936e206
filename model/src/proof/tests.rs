//! Tests of one proof, live.

use super::marks::look_density;
use super::*;
use crate::cardinal::RateLaw;
use proptest::prelude::*;

fn prior() -> Prior {
    Prior {
        mean: 1.8f64.ln() + 60f64.ln(),
        sd: 0.25,
        curves: vec![RiseCurve::UNKNOWN],
        rise_sd: 0.15,
        tie: 0.4,
        noise_share: 0.08,
        noise: 0.04,
    }
}

fn steady(minutes: f64) -> AgePath {
    let mut path = AgePath::begin(RateLaw::default(), 0.0, 27.0);
    path.advance(minutes, 27.0, 27.0);
    path
}

#[test]
fn without_evidence_the_posterior_is_the_prior() {
    let after = prior().after(&steady(10.0), &Evidence::default());
    assert!((after.mean() - prior().mean).abs() < 1e-6);
    assert!((after.sd() - prior().sd).abs() < 2e-3);
    assert!((after.quantile(0.1) - (prior().mean - 1.2816 * prior().sd)).abs() < 3e-3);
    assert!(after.ln_evidence().abs() < 1e-3);
}

#[test]
fn at_a_constant_temperature_the_ready_time_is_the_threshold() {
    let past = steady(30.0);
    let after = prior().after(&past, &Evidence::default());
    let mut future = past.branch();
    future.advance(600.0, 27.0, 27.0);
    let ready = ReadyTime::new(&after, &past, &[(1.0, future)]);
    // At 27 °C minutes are minutes of age: exp(mean) = 108.
    assert!((ready.quantile(0.5).expect("within ten hours") - 108.0).abs() < 0.1);
    let p90 = ready.quantile(0.9).expect("within ten hours");
    assert!(
        (p90 - (prior().mean + 1.2816 * 0.25).exp()).abs() < 0.6,
        "{p90}"
    );
}

#[test]
fn a_dent_that_springs_back_and_a_look_push_later_and_a_stay_earlier() {
    let path = steady(110.0);
    let with = |e: Evidence| prior().after(&path, &e).mean();
    let base = with(Evidence::default());
    assert!(
        with(Evidence {
            dents: vec![(105.0, Dent::SpringsBack)],
            ..Default::default()
        }) > base + 0.05
    );
    assert!(
        with(Evidence {
            dents: vec![(105.0, Dent::Stays)],
            ..Default::default()
        }) < base - 0.05
    );
    assert!(
        with(Evidence {
            looks: vec![105.0],
            ..Default::default()
        }) > base + 0.05
    );
    assert!(
        with(Evidence {
            ending: Some((80.0, Ending::Ready)),
            ..Default::default()
        }) < base - 0.1
    );
    assert!(
        with(Evidence {
            ending: Some((105.0, Ending::Over)),
            ..Default::default()
        }) < base - 0.1
    );
}

#[test]
fn one_mistaken_tap_cannot_move_it_far() {
    let path = steady(500.0);
    let mistaken = Evidence {
        ending: Some((500.0, Ending::Ready)),
        ..Default::default()
    };
    assert!((prior().after(&path, &mistaken).mean() - prior().mean).abs() < 0.2);
}

#[test]
fn looks_are_a_distribution() {
    let step = 0.01;
    let whole: f64 = (0..120_000)
        .map(|i| look_density((f64::from(i) + 0.5) * step) * step)
        .sum();
    assert!((whole - 1.0).abs() < 1e-3, "{whole}");
}

proptest! {
    #[test]
    fn nothing_seen_can_break_it(
        mean in proptest::num::f64::ANY, sd in proptest::num::f64::ANY,
        rises in proptest::collection::vec((proptest::num::f64::ANY, proptest::num::f64::ANY, proptest::num::f64::ANY), 0..6),
        look in proptest::num::f64::ANY, end in proptest::num::f64::ANY, kind in 0..3u8,
        air in proptest::num::f64::ANY, running in proptest::num::f64::ANY,
    ) {
        let mut path = AgePath::begin(RateLaw::default(), 60.0, air);
        path.advance(90.0, air, air);
        let evidence = Evidence {
            rises,
            dents: vec![(look, [Dent::SpringsBack, Dent::ReturnsSlowly, Dent::Stays][kind as usize])],
            looks: vec![look],
            ending: Some((end, [Ending::Ready, Ending::Under, Ending::Over][kind as usize])),
        };
        let after = Prior { mean, sd, ..prior() }.after(&path, &evidence);
        prop_assert!(after.mean().is_finite() && after.sd().is_finite() && after.ln_evidence().is_finite());
        let mut future = path.branch();
        future.advance(2000.0, air, air);
        let ready = ReadyTime::new(&after, &path, &[(1.0, future)]);
        let not_yet = ready.given_not_ready_at(running);
        for p in [0.1, 0.5, 0.9] {
            prop_assert!(ready.quantile(p).is_none_or(f64::is_finite));
            prop_assert!(not_yet.quantile(p).is_none_or(f64::is_finite));
        }
        prop_assert!(after.rise_at(50.0).iter().all(|r| r.is_finite() && *r >= 0.0));
    }
}

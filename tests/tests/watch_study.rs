//! The studies' own footing: nights are the same for the same seed, and the all-knowing forecaster
//! is as good as it must be for its share to be a bar.

// Tests run on the machine's own clock, and say what they measured.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use doughwarden::kitchen::ferment::Law;
use doughwarden::time::MINUTE_MS;
use doughwarden_tests::watch_study::all_knowing::AllKnowing;
use doughwarden_tests::watch_study::bakes::bakes;
use doughwarden_tests::watch_study::night::{minutes, simulate};
use doughwarden_tests::watch_study::{each, nearly_scenes, paces, told_before};

#[test]
fn the_same_seed_gives_the_same_night() {
    let (scenes, paces) = (nearly_scenes(2), paces(Law::default()));
    let twice = [simulate(&scenes[1], &paces), simulate(&scenes[1], &paces)];
    assert_eq!(twice[0].readings, twice[1].readings);
    assert_eq!(twice[0].ready, twice[1].ready);
    assert_ne!(twice[0].ready, simulate(&scenes[0], &paces).ready);
}

/// Bayes' rule with the true prior, law and air is unbiased and sharper once it has seen the rise
/// twice: the spread of what is left is under that of the batches (10 % of the proof).
#[test]
fn the_all_knowing_forecaster_is_right_on_average_and_sharpened_by_what_it_sees() {
    let paces = paces(Law::default());
    let errors = each(&nearly_scenes(80), |scene| {
        let night = simulate(scene, &paces);
        let oracle = AllKnowing::of(&night);
        let whole = minutes(scene.begin, night.ready);
        let last = night.rises.last().map_or(scene.begin, |(at, _)| *at);
        [scene.begin, last].map(|at| minutes(night.ready, oracle.median(at)) / whole)
    });
    let n = errors.len() as f64;
    let spread = |i: usize| (errors.iter().map(|e| e[i] * e[i]).sum::<f64>() / n).sqrt();
    let mean = errors.iter().map(|e| e[0]).sum::<f64>() / n;
    // Four standard errors of a mean of 80 whose sd is a tenth.
    assert!(mean.abs() < 0.045, "{mean}");
    // A speed's logarithm spreads by 0.10; a proof's lag in heat and gas takes some of it away.
    assert!((0.07..0.13).contains(&spread(0)), "{}", spread(0));
    assert!(spread(1) < 0.75 * spread(0), "{} {}", spread(1), spread(0));
}

/// At most two messages a stage and one for the oven on ordinary bakes; the full table is printed by
/// `watch_study -- bakes`.
#[test]
fn a_phone_is_told_at_most_twice_a_stage_on_ordinary_bakes() {
    let bakes = bakes(0.1, 0).unwrap();
    println!("{}", bakes.table());
    assert_eq!(bakes.short_of(), Vec::<String>::new());
}

/// With the moment itself for a forecast, the word comes within a look of the lead.
#[test]
fn a_forecaster_that_knew_the_moment_would_be_told_right() {
    let paces = paces(Law::default());
    for scene in nearly_scenes(6) {
        let night = simulate(&scene, &paces);
        let told = told_before(&night, |_| Some(night.ready)).unwrap();
        let most = minutes(scene.begin, night.ready).min(scene.lead_min);
        assert!(told <= most && told > most - 1.01, "{told}");
        assert!(night.ready.0 - scene.begin.0 > 20 * MINUTE_MS);
    }
}

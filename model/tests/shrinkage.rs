//! Shrinkage against worked numbers and the mixed model against R's nlme.

use doughwarden_model::least_squares::Curve;
use doughwarden_model::shrinkage::*;
use proptest::prelude::*;

fn close(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "{got} is not {want} to {tolerance}"
    );
}

#[test]
fn three_marks_and_a_prior() {
    let h = shrink(3, 2.4f64.ln(), 0.12, 2f64.ln(), 0.35).expect("valid");
    close(h.mean, 0.8685941, 5e-8);
    close(h.sd, 0.0679633, 5e-8);
    close(h.weight, 0.9622938, 5e-8);
    close(h.predictive_sd, 0.1379094, 5e-8);
    let (low, high) = h.predictive_interval(0.90);
    close(low.exp(), 1.899809, 1e-6);
    close(high.exp(), 2.990483, 1e-6);
}

#[test]
fn few_marks_without_a_prior_are_nearly_useless() {
    for (n, half, factor) in [
        (2, 0.92793, 2.53),
        (3, 0.40461, 1.50),
        (5, 0.28024, 1.32),
        (10, 0.23071, 1.26),
        (30, 0.20727, 1.23),
    ] {
        let got = half_width_unknown_spread(n, 0.12, 0.90).expect("valid");
        close(got, half, 5e-6);
        close(got.exp(), factor, 6e-3);
    }
    assert!(half_width_unknown_spread(1, 0.12, 0.9).is_err());
}

/// Trunk circumference (mm) of five orange trees at seven ages (days): Draper & Smith 1998, by way of
/// Pinheiro & Bates 2000.
fn orange() -> Vec<Individual> {
    let age = [118.0, 484.0, 664.0, 1004.0, 1231.0, 1372.0, 1582.0];
    [
        [30.0, 58.0, 87.0, 115.0, 120.0, 142.0, 145.0],
        [33.0, 69.0, 111.0, 156.0, 172.0, 203.0, 203.0],
        [30.0, 51.0, 75.0, 108.0, 115.0, 139.0, 140.0],
        [32.0, 62.0, 112.0, 167.0, 179.0, 209.0, 214.0],
        [30.0, 49.0, 81.0, 125.0, 142.0, 174.0, 177.0],
    ]
    .iter()
    .map(|y| Individual {
        x: age.to_vec(),
        y: y.to_vec(),
    })
    .collect()
}

fn logistic(x: f64, s: &[f64]) -> f64 {
    1.0 / (1.0 + ((s[0] - x) / s[1]).exp())
}

#[test]
fn orange_trees() {
    let f = fit_family(&orange(), logistic, &[190.0, 700.0, 350.0]).expect("found");
    eprintln!("{f:?}");
    // R nlme (SSlogis, random asymptote, "ML") stops where its alternating linearisation stands still:
    // 191.0500, 722.5595, 344.1685, sd 31.4826, residual 7.84625, log likelihood -131.5846. At those
    // numbers the exact likelihood, the standard errors of its vcov (its printed summary multiplies
    // them by √(35/32)) and its predicted trees are ours too, to its digits.
    let nlme = family_at(
        &orange(),
        logistic,
        191.0500,
        &[722.5595, 344.1685],
        31.4826,
        7.84625,
    )
    .expect("valid");
    close(nlme.ln_likelihood, -131.5846, 1e-3);
    for (se, want) in nlme.standard_errors.iter().zip([15.4463, 33.6118, 25.9585]) {
        close(se / want, 1.0, 1e-3);
    }
    close(
        nlme.standard_errors[0] * (35.0f64 / 32.0).sqrt(),
        16.154,
        0.016,
    );
    for (u, want) in nlme
        .deviations
        .iter()
        .zip([-29.4036, 31.5650, -37.0002, 40.0183, -5.1794])
    {
        close(*u, want, 1e-3 * want.abs());
    }
    // The exact maximum lies a little higher, close by: the numbers R's lme4 gives (from memory).
    assert!(f.ln_likelihood > nlme.ln_likelihood && f.ln_likelihood < nlme.ln_likelihood + 0.05);
    close(f.height / 192.053, 1.0, 1e-4);
    close(f.shape[0] / 727.90, 1.0, 1e-4);
    close(f.shape[1] / 348.07, 1.0, 1e-4);
    close(f.between_sd / 31.646, 1.0, 1e-3);
    close(f.within_sd / 7.843, 1.0, 1e-3);
}

#[test]
fn orange_trees_without_a_random_effect() {
    let trees = orange();
    let x: Vec<f64> = trees.iter().flat_map(|t| t.x.clone()).collect();
    let y: Vec<f64> = trees.iter().flat_map(|t| t.y.clone()).collect();
    let fit = Curve {
        x: &x,
        y: &y,
        model: |x: f64, b: &[f64]| b[0] * logistic(x, &b[1..]),
    }
    .fit(&[190.0, 700.0, 350.0])
    .expect("found");
    for (b, want) in fit.parameters.iter().zip([192.6873, 728.7552, 353.5326]) {
        close(b / want, 1.0, 1e-5);
    }
    close(fit.sigma, 23.3721, 1e-4);
}

proptest! {
    #[test]
    fn a_shrunken_mean_lies_between_prior_and_data(n in 0usize..50, y in -5.0f64..5.0, s in 0.01f64..5.0, m in -5.0f64..5.0, t in 0.01f64..5.0) {
        let h = shrink(n, y, s, m, t).expect("valid");
        prop_assert!(h.mean >= y.min(m) - 1e-9 && h.mean <= y.max(m) + 1e-9);
        prop_assert!(h.sd <= t + 1e-12 && (0.0..=1.0).contains(&h.weight));
    }

    #[test]
    fn any_bits_are_refused_or_finite(n in 0usize..5, y in proptest::num::f64::ANY, s in proptest::num::f64::ANY, m in proptest::num::f64::ANY, t in proptest::num::f64::ANY) {
        if let Ok(h) = shrink(n, y, s, m, t) {
            prop_assert!(h.mean.is_finite() && h.sd.is_finite() && h.predictive_sd.is_finite());
        }
        let _ = half_width_unknown_spread(n, s, y).map(|h| assert!(h.is_finite()));
    }

    #[test]
    fn any_family_is_refused_or_finite(ys in proptest::collection::vec(proptest::collection::vec(-10.0f64..10.0, 4), 1..5)) {
        let individuals: Vec<_> = ys.into_iter().map(|y| Individual { x: vec![1.0, 2.0, 3.0, 4.0], y }).collect();
        if let Ok(f) = fit_family(&individuals, logistic, &[5.0, 2.0, 1.0]) {
            prop_assert!(f.height.is_finite() && f.ln_likelihood.is_finite() && f.deviations.iter().all(|d| d.is_finite()));
        }
    }
}

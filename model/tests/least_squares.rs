//! Nonlinear regression against certified and reference values.
//!
//! NIST StRD nonlinear sets (public domain; files and licences in `tests/data` at the top): certified
//! parameters, standard errors and residual sums of squares. Required: 6 digits on parameters, 4 on
//! standard errors.

use doughwarden_model::least_squares::{Curve, Failure, Fit};
use proptest::prelude::*;

fn columns(csv: &str) -> (Vec<f64>, Vec<f64>) {
    csv.lines()
        .skip(1)
        .filter(|l| !l.trim().is_empty())
        .map(|l| {
            let (x, y) = l.split_once(',').expect("two columns");
            (
                x.trim().parse::<f64>().expect("a number"),
                y.trim().parse::<f64>().expect("a number"),
            )
        })
        .unzip()
}

fn digits(got: &[f64], want: &[f64], tolerance: f64) {
    for (g, w) in got.iter().zip(want) {
        assert!((g / w - 1.0).abs() < tolerance, "{got:?} is not {want:?}");
    }
    assert_eq!(got.len(), want.len());
}

fn certified(fit: &Fit, b: &[f64], se: &[f64], rss: f64, s: f64, df: usize) {
    digits(&fit.parameters, b, 1e-6);
    digits(&fit.standard_errors, se, 1e-4);
    digits(&[fit.rss, fit.sigma], &[rss, s], 1e-8);
    assert_eq!(fit.degrees_of_freedom, df);
}

const RAT42: &str = include_str!("../../tests/data/nist/Rat42.csv");
const RAT43: &str = include_str!("../../tests/data/nist/Rat43.csv");
const MGH09: &str = include_str!("../../tests/data/nist/MGH09.csv");
const MISRA1A: &str = include_str!("../../tests/data/nist/Misra1a.csv");
const THURBER: &str = include_str!("../../tests/data/nist/Thurber.csv");

fn rat42(x: f64, b: &[f64]) -> f64 {
    b[0] / (1.0 + (b[1] - b[2] * x).exp())
}

fn mgh09(x: f64, b: &[f64]) -> f64 {
    b[0] * (x * x + b[1] * x) / (x * x + b[2] * x + b[3])
}

#[test]
fn nist_rat42() {
    let (x, y) = columns(RAT42);
    for start in [[100.0, 1.0, 0.1], [75.0, 2.5, 0.07]] {
        let fit = Curve {
            x: &x,
            y: &y,
            model: rat42,
        }
        .fit(&start)
        .expect("found");
        certified(
            &fit,
            &[72.462237576, 2.6180768402, 0.067359200066],
            &[1.7340283401, 0.088295217536, 0.0034465663377],
            8.0565229338,
            1.1587725499,
            6,
        );
    }
}

#[test]
fn nist_rat43() {
    let (x, y) = columns(RAT43);
    let model = |x: f64, b: &[f64]| b[0] / (1.0 + (b[1] - b[2] * x).exp()).powf(1.0 / b[3]);
    for start in [[100.0, 10.0, 1.0, 1.0], [700.0, 5.0, 0.75, 1.3]] {
        let fit = Curve {
            x: &x,
            y: &y,
            model,
        }
        .fit(&start)
        .expect("found");
        certified(
            &fit,
            &[699.64151270, 5.2771253025, 0.75962938329, 1.2792483859],
            &[16.302297817, 2.0828735829, 0.19566123451, 0.68761936385],
            8786.4049080,
            28.262414662,
            // The certificate prints 9; 15 points less 4 parameters are 11, and RSS/s² = 11.
            11,
        );
    }
}

#[test]
fn nist_misra1a() {
    let (x, y) = columns(MISRA1A);
    let model = |x: f64, b: &[f64]| b[0] * (1.0 - (-b[1] * x).exp());
    for start in [[500.0, 1e-4], [250.0, 5e-4]] {
        let fit = Curve {
            x: &x,
            y: &y,
            model,
        }
        .fit(&start)
        .expect("found");
        certified(
            &fit,
            &[238.94212918, 5.5015643181e-4],
            &[2.7070075241, 7.2668688436e-6],
            0.12455138894,
            0.10187876330,
            12,
        );
    }
}

#[test]
fn nist_thurber() {
    // Certified parameters and RSS from memory, confirmed by a MINPACK refit to 8 digits.
    let (x, y) = columns(THURBER);
    let model = |x: f64, b: &[f64]| {
        (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1.0 + x * (b[4] + x * (b[5] + x * b[6])))
    };
    for start in [
        [1000.0, 1000.0, 400.0, 40.0, 0.7, 0.3, 0.03],
        [1300.0, 1500.0, 500.0, 75.0, 1.0, 0.4, 0.05],
    ] {
        let fit = Curve {
            x: &x,
            y: &y,
            model,
        }
        .fit(&start)
        .expect("found");
        digits(
            &fit.parameters,
            &[
                1288.1396800,
                1491.0792535,
                583.23836877,
                75.416644291,
                0.96629502864,
                0.39797285797,
                0.049727297349,
            ],
            1e-6,
        );
        digits(&[fit.rss], &[5642.7082397], 1e-8);
    }
}

#[test]
fn nist_mgh09_from_the_near_start() {
    let (x, y) = columns(MGH09);
    let fit = Curve {
        x: &x,
        y: &y,
        model: mgh09,
    }
    .fit(&[0.25, 0.39, 0.415, 0.39])
    .expect("found");
    certified(
        &fit,
        &[0.19280693458, 0.19128232873, 0.12305650693, 0.13606233068],
        &[
            0.011435312227,
            0.19633220911,
            0.080842031232,
            0.090025542308,
        ],
        3.0750560385e-4,
        0.0066279236551,
        7,
    );
}

#[test]
fn nist_mgh09_from_the_far_start_reports_failure() {
    // The known hard case: many programs run off to where the parameters cannot be told apart, with
    // twice the certified residual sum of squares, and hand that out. Ours must report failure...
    let (x, y) = columns(MGH09);
    let curve = Curve {
        x: &x,
        y: &y,
        model: mgh09,
    };
    let far = [25.0, 39.0, 41.5, 39.0];
    let answer = curve.fit(&far);
    assert!(
        matches!(
            answer,
            Err(Failure::NotConverged { .. } | Failure::NotIdentified { .. })
        ),
        "{answer:?}"
    );
    // ... and with whatever budget never a wrong fit: a failure or the certified values.
    for budget in (0..400).step_by(7) {
        if let Ok(fit) = curve.fit_within(&far, budget) {
            digits(&[fit.rss], &[3.0750560385e-4], 1e-6);
            digits(
                &fit.parameters,
                &[0.19280693458, 0.19128232873, 0.12305650693, 0.13606233068],
                1e-6,
            );
        }
    }
}

#[test]
fn profile_likelihood_of_rat42() {
    // R confint.nls, 95 %; and the Wald intervals beside it.
    let (x, y) = columns(RAT42);
    let curve = Curve {
        x: &x,
        y: &y,
        model: rat42,
    };
    let fit = curve.fit(&[75.0, 2.5, 0.07]).expect("found");
    for (i, (low, high), (wald_low, wald_high)) in [
        (0, (68.76567, 77.19015), (68.21923, 76.70526)),
        (1, (2.41558, 2.84840), (2.40203, 2.83413)),
        (2, (0.0594728, 0.0760044), (0.0589258, 0.0757926)),
    ] {
        let got = curve.profile_interval(&fit, i, 0.95).expect("bounded");
        digits(&[got.0, got.1], &[low, high], 1e-3);
        let t = 2.446911851; // Student's t, 6 degrees of freedom, 97.5 %
        let wald = [
            fit.parameters[i] - t * fit.standard_errors[i],
            fit.parameters[i] + t * fit.standard_errors[i],
        ];
        digits(&wald, &[wald_low, wald_high], 1e-5);
    }
}

#[test]
fn puromycin_treated() {
    // Treloar 1974 by way of Bates & Watts 1988: twelve initial velocities. Reference: R nls and confint.
    let x = [
        0.02, 0.02, 0.06, 0.06, 0.11, 0.11, 0.22, 0.22, 0.56, 0.56, 1.1, 1.1,
    ];
    let y = [
        76.0, 47.0, 97.0, 107.0, 123.0, 139.0, 159.0, 152.0, 191.0, 201.0, 207.0, 200.0,
    ];
    let curve = Curve {
        x: &x,
        y: &y,
        model: |x: f64, b: &[f64]| b[0] * x / (b[1] + x),
    };
    let fit = curve.fit(&[200.0, 0.05]).expect("found");
    // R stops a little early (relative offset 1e-5): the minimum is at 212.683743, 0.0641212817.
    digits(&fit.parameters, &[212.6836, 0.06412103], 1e-5);
    digits(&fit.parameters, &[212.683743, 0.0641212817], 1e-6);
    digits(&fit.standard_errors, &[6.947146, 0.008280922], 1e-4);
    digits(&[fit.sigma], &[10.93366], 1e-6);
    let (low, high) = curve.profile_interval(&fit, 0, 0.95).expect("bounded");
    digits(&[low, high], &[197.3021, 229.2901], 1e-3);
    let (low, high) = curve.profile_interval(&fit, 1, 0.95).expect("bounded");
    digits(&[low, high], &[0.0469252, 0.0861600], 1e-3);
}

#[test]
fn carlson_yeast_counts() {
    // Carlson 1913 by way of Pearl. Reference: scipy, to 1e-4. Logistic beats Gompertz twentyfold here.
    let (x, y) = columns(include_str!("../../tests/data/growth/carlson_yeast.csv"));
    assert_eq!(x.len(), 19);
    let logistic = |x: f64, b: &[f64]| b[0] / (1.0 + (b[1] - b[2] * x).exp());
    let fit = Curve {
        x: &x,
        y: &y,
        model: logistic,
    }
    .fit(&[600.0, 4.0, 0.5])
    .expect("found");
    digits(&fit.parameters, &[663.021991, 4.270764, 0.546995], 1e-6);
    digits(&fit.standard_errors, &[1.702729, 0.040896, 0.005583], 1e-4);
    digits(&[fit.rss, fit.sigma], &[194.325378, 3.485015], 1e-6);
    let gompertz = |x: f64, b: &[f64]| {
        b[0] * (-(b[1] * std::f64::consts::E / b[0] * (b[2] - x) + 1.0).exp()).exp()
    };
    let fit = Curve {
        x: &x,
        y: &y,
        model: gompertz,
    }
    .fit(&[700.0, 80.0, 3.0])
    .expect("found");
    digits(&fit.parameters, &[689.262047, 87.705192, 3.829559], 1e-6);
    digits(&[fit.rss], &[4001.198], 1e-6);
}

#[test]
fn bacteria_on_a_plate() {
    // Mean of the G-strain wells (MIT licence, see tests/data/growth). Reference: scipy, to 1e-4. Here
    // Gompertz beats logistic threefold: no shape is right everywhere.
    let (x, y) = columns(include_str!("../../tests/data/growth/curveball_G_mean.csv"));
    assert_eq!(x.len(), 52);
    let e = std::f64::consts::E;
    let gompertz =
        |x: f64, b: &[f64]| b[0] + b[1] * (-(b[2] * e / b[1] * (b[3] - x) + 1.0).exp()).exp();
    let logistic =
        |x: f64, b: &[f64]| b[0] + b[1] / (1.0 + (4.0 * b[2] / b[1] * (b[3] - x) + 2.0).exp());
    let start = [0.1, 0.5, 0.08, 3.0];
    let fit = Curve {
        x: &x,
        y: &y,
        model: gompertz,
    }
    .fit(&start)
    .expect("found");
    digits(
        &fit.parameters,
        &[0.11470213, 0.55634328, 0.07460059, 3.49188217],
        1e-6,
    );
    digits(&[fit.rss], &[3.90777e-4], 1e-5);
    let fit = Curve {
        x: &x,
        y: &y,
        model: logistic,
    }
    .fit(&start)
    .expect("found");
    digits(
        &fit.parameters,
        &[0.09516011, 0.52355289, 0.07790590, 3.44707735],
        1e-6,
    );
    digits(&[fit.rss], &[1.136981e-3], 1e-5);
}

proptest! {
    #[test]
    fn absurd_data_are_refused_or_give_a_finite_fit(
        points in proptest::collection::vec((proptest::num::f64::ANY, proptest::num::f64::ANY), 0..12),
        start in proptest::array::uniform3(proptest::num::f64::ANY)
    ) {
        let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
        if let Ok(f) = (Curve { x: &x, y: &y, model: rat42 }).fit(&start) {
            prop_assert!(f.parameters.iter().chain(&f.standard_errors).all(|v| v.is_finite()));
        }
    }

    #[test]
    fn ordinary_data_too(
        y in proptest::collection::vec(-5.0f64..5.0, 5..12), start in proptest::array::uniform3(-3.0f64..3.0)
    ) {
        let x: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
        if let Ok(f) = (Curve { x: &x, y: &y, model: rat42 }).fit(&start) {
            prop_assert!(f.parameters.iter().chain(&f.standard_errors).all(|v| v.is_finite()));
        }
    }
}

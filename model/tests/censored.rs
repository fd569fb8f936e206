//! Interval-censored likelihoods against scipy and R's survreg, and their derivatives.

use doughwarden_model::censored::*;
use proptest::prelude::*;

fn close(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "{got} is not {want} to {tolerance}"
    );
}

fn ln(a: f64, b: f64) -> Interval {
    Interval::new(a, b).and_then(|i| i.ln()).expect("valid")
}

#[test]
fn lognormal_maximum_of_the_test_set() {
    // scipy and R survreg agree to 1e-7 on these eight marks (min).
    let marks = [
        (60.0, 75.0),
        (75.0, 85.0),
        (80.0, 100.0),
        (70.0, 80.0),
        (90.0, f64::INFINITY),
        (85.0, 95.0),
        (65.0, 80.0),
        (95.0, 110.0),
    ]
    .map(|(a, b)| ln(a, b));
    let fit = fit_normal(&marks).expect("found");
    close(fit.mean, 4.4286178, 1e-7);
    close(fit.mean_se, 0.0510033, 1e-6);
    close(fit.sd, 0.1341434, 1e-7);
    close(fit.ln_sd_se, 0.3128924, 1e-6);
    close(fit.ln_likelihood, -10.0513833, 1e-7);
}

#[test]
fn one_mark_by_laplace_and_by_quadrature() {
    let mark = ln(2.0, 2.3);
    let (prior_mean, prior_sd, sd) = (1.8f64.ln(), 0.25, 0.12);
    let p = posterior_mean(&[mark], sd, prior_mean, prior_sd).expect("found");
    close(p.mode, 0.7270616, 1e-7);
    close(p.sd, 0.1132384, 1e-7);
    close(p.ln_evidence, -1.808961, 1e-6);
    // Quadrature (scipy): mean 0.7272286, sd 0.1129792, log evidence -1.810153; repeated here.
    let n = 20_000;
    let (mut z, mut m1, mut m2) = (0.0, 0.0, 0.0);
    for i in 0..n {
        let m = -1.0 + 3.0 * (f64::from(i) + 0.5) / f64::from(n);
        let density = (mark.ln_likelihood(m, sd).value
            + ln_normal_density((m - prior_mean) / prior_sd)
            - prior_sd.ln())
        .exp()
            * 3.0
            / f64::from(n);
        z += density;
        m1 += m * density;
        m2 += m * m * density;
    }
    let mean = m1 / z;
    let quadrature_sd = (m2 / z - mean * mean).sqrt();
    close(mean, 0.7272286, 1e-6);
    close(quadrature_sd, 0.1129792, 1e-6);
    close(z.ln(), -1.810153, 1e-6);
    close(p.sd / quadrature_sd, 1.0, 0.003);
}

#[test]
fn tails_that_naive_arithmetic_loses() {
    // scipy.stats.norm.logcdf: -40 -> -804.6084420137538, -10 -> -53.23128515051248, 5 -> -2.8665161296e-7.
    close(ln_normal_cdf(-40.0), -804.6084420137538, 1e-9);
    close(ln_normal_cdf(-10.0), -53.231_285_150_512_48, 1e-12);
    close(ln_normal_cdf(5.0), -2.866_516_129_637_635e-7, 1e-17);
    close(
        ln_normal_between(8.0, 9.0),
        ln_normal_between(-9.0, -8.0),
        0.0,
    );
    close(
        ln_normal_between(10.0, f64::INFINITY),
        -53.231_285_150_512_48,
        1e-12,
    );
    assert!(ln_normal_between(500.0, 501.0).is_finite());
    // Joined without a seam where the continued fraction and the narrow rule take over.
    close(
        ln_normal_cdf(-30.0 - 1e-9),
        ln_normal_cdf(-30.0 + 1e-9),
        1e-6,
    );
    let narrow = |w: f64| ln_normal_between(-3.0, -3.0 + w) - w.ln();
    close(narrow(3.3e-5), narrow(3.4e-5), 1e-5);
}

#[test]
fn marks_that_teach_nothing_are_refused() {
    assert!(fit_normal(&[ln(60.0, 70.0)]).is_err());
    assert!(fit_normal(&[ln(60.0, f64::INFINITY), ln(50.0, f64::INFINITY)]).is_err());
    // All intervals share a moment: the likelihood rises without end as the spread goes to nothing.
    assert!(fit_normal(&[ln(60.0, 80.0), ln(70.0, 90.0), ln(65.0, 85.0)]).is_err());
    assert!(Interval::new(2.0, 2.0).is_err());
}

proptest! {
    #[test]
    fn derivatives_agree_with_finite_differences(
        a in -3.0f64..3.0, width in 0.01f64..4.0, open in 0..4, mean in -2.0f64..2.0, sd in 0.05f64..2.0
    ) {
        let interval = match open {
            0 => Interval::after(a),
            1 => Interval::before(a),
            _ => Interval::new(a, a + width),
        }.expect("valid");
        let d = interval.ln_likelihood(mean, sd);
        prop_assume!(d.value > -300.0);
        let h = 1e-5;
        let (up, down) = (interval.ln_likelihood(mean + h * sd, sd), interval.ln_likelihood(mean - h * sd, sd));
        let (wide, slim) = (interval.ln_likelihood(mean, sd * h.exp()), interval.ln_likelihood(mean, sd * (-h).exp()));
        let scale = 1.0 + d.value.abs() * 10.0;
        let near = |x: f64, y: f64, s: f64| (x - y).abs() < 2e-4 * (s * scale + x.abs() + y.abs());
        prop_assert!(near((up.value - down.value) / (2.0 * h * sd), d.mean, 1.0 / sd));
        prop_assert!(near((wide.value - slim.value) / (2.0 * h), d.ln_sd, 1.0));
        prop_assert!(near((up.mean - down.mean) / (2.0 * h * sd), d.mean_mean, 1.0 / (sd * sd)));
        prop_assert!(near((wide.mean - slim.mean) / (2.0 * h), d.mean_ln_sd, 1.0 / sd));
        prop_assert!(near((wide.ln_sd - slim.ln_sd) / (2.0 * h), d.ln_sd_ln_sd, 1.0));
    }

    #[test]
    fn no_marks_make_a_posterior_that_is_not_finite(
        marks in proptest::collection::vec((-50.0f64..50.0, 1e-6f64..100.0, 0..3), 0..6),
        sd in 1e-3f64..10.0, mean in -50.0f64..50.0, prior_sd in 1e-3f64..10.0
    ) {
        let marks: Vec<_> = marks.into_iter().map(|(a, w, kind)| match kind {
            0 => Interval::after(a), 1 => Interval::before(a), _ => Interval::new(a, a + w),
        }.expect("valid")).collect();
        if let Ok(p) = posterior_mean(&marks, sd, mean, prior_sd) {
            prop_assert!(p.mode.is_finite() && p.sd > 0.0 && p.sd <= prior_sd * (1.0 + 1e-9) && p.ln_evidence.is_finite());
        }
        if let Ok(f) = fit_normal(&marks) {
            prop_assert!(f.mean.is_finite() && f.sd > 0.0 && f.mean_se.is_finite() && f.ln_sd_se.is_finite());
        }
    }

    #[test]
    fn any_bits_are_refused_or_finite(a in proptest::num::f64::ANY, b in proptest::num::f64::ANY) {
        prop_assert!(!ln_normal_between(a, b).is_nan());
        prop_assert!(ln_normal_between(a, b) <= 1e-15);
        let _ = Interval::new(a, b).and_then(|i| i.ln());
    }
}

//! Comparing groups: against R's lm and t.test on one invented set, and what must be refused.

use doughwarden_model::seasons::*;
use proptest::prelude::*;

fn close(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "{got} is not {want} to {tolerance}"
    );
}

const WINTER: [f64; 8] = [0.921, 0.985, 0.874, 1.012, 0.943, 0.899, 0.968, 0.931];
const SUMMER: [f64; 8] = [0.902, 0.955, 0.861, 0.987, 0.940, 0.878, 0.949, 0.917];
const WINTER_YEAST: [f64; 8] = [1.0, 0.9, 1.1, 0.8, 1.0, 1.05, 0.95, 1.0];
const SUMMER_YEAST: [f64; 8] = [1.0, 0.9, 1.1, 0.85, 0.95, 1.1, 0.95, 1.0];

fn group(name: &str, ages: &[f64], yeast: Option<&[f64]>, cold: f64) -> Group {
    Group {
        name: name.into(),
        bakes: ages
            .iter()
            .enumerate()
            .map(|(i, a)| Bake {
                ln_age: *a,
                ln_clock: a + cold,
                recipe: "knots".into(),
                covariates: yeast.map(|y| vec![y[i].ln()]).unwrap_or_default(),
                ..Bake::default()
            })
            .collect(),
    }
}

#[test]
fn summer_and_winter_with_and_without_the_yeast() {
    // R lm (invented data): intercept 0.91351043, yeast -0.44992236 (0.03133649), season W +0.01485890
    // (0.00554267), p 0.01887, s 0.01107671 on 13, CI 0.002885 to 0.026833, F 7.18679.
    let summer = group("summer", &SUMMER, Some(&SUMMER_YEAST), 0.0);
    let winter = group("winter", &WINTER, Some(&WINTER_YEAST), 0.3);
    let y: Vec<f64> = SUMMER.iter().chain(&WINTER).copied().collect();
    let yeast: Vec<f64> = SUMMER_YEAST
        .iter()
        .chain(&WINTER_YEAST)
        .map(|v| v.ln())
        .collect();
    let season: Vec<f64> = (0..16).map(|i| if i < 8 { 0.0 } else { 1.0 }).collect();
    let fit = ordinary_least_squares(&[vec![1.0; 16], yeast, season], &y).expect("full rank");
    close(fit.coefficients[0], 0.91351043, 5e-9);
    close(fit.coefficients[1], -0.44992236, 5e-9);
    close(fit.standard_errors[1], 0.03133649, 5e-9);
    close(fit.coefficients[2], 0.01485890, 5e-9);
    close(fit.standard_errors[2], 0.00554267, 5e-9);
    close(fit.sigma, 0.01107671, 5e-9);
    assert_eq!(fit.degrees_of_freedom, 13);

    let c = compare(&summer, &winter).expect("valid");
    let d = c.difference.expect("fitted");
    close(d.estimate, 0.01485890, 5e-9);
    close(d.sigma, 0.01107671, 5e-9);
    // Each side with its own scatter: HC2 and its degrees of freedom from their definitions in numpy.
    close(d.standard_error, 0.005565781, 5e-9);
    close(d.degrees_of_freedom, 11.30960558, 5e-8);
    close(d.p, 0.02134828, 5e-8);
    close(d.interval.0, 0.00264949, 5e-8);
    close(d.interval.1, 0.02706831, 5e-8);
    assert!(matches!(c.verdict, Verdict::Longer { .. }), "{c:?}");
    // The clock differed by much more; temperature explains that part, the doses some, the rest is the
    // season; together they are the whole.
    close(c.explained_by_temperature, 0.3, 1e-9);
    close(
        c.ln_clock_difference,
        0.3 + c.explained_by_recipes.expect("fitted") + d.estimate,
        1e-12,
    );
    let f = any_difference(&[summer, winter])
        .expect("valid")
        .expect("fitted");
    close(f.f, 7.18679, 5e-6);
    close(f.p, 0.01887, 5e-6);

    // R t.test without the covariate: t 0.8215, p 0.4252. Same data, opposite verdict.
    let (t, _, p) = welch(&WINTER, &SUMMER).expect("valid");
    close(t, 0.8215, 5e-5);
    close(p, 0.4252, 5e-5);
    let c = compare(
        &group("summer", &SUMMER, None, 0.0),
        &group("winter", &WINTER, None, 0.0),
    )
    .expect("valid");
    // With nothing but two groups the comparison is that test (R: 13.92 degrees of freedom).
    let d = c.difference.expect("fitted");
    close(d.t, 0.8215, 5e-5);
    close(d.p, 0.4252, 5e-5);
    close(d.degrees_of_freedom, 13.92, 5e-3);
    assert!(
        matches!(c.verdict, Verdict::CannotTell(Reason::TooMuchScatter)),
        "{c:?}"
    );
}

#[test]
fn what_the_data_cannot_show_is_refused() {
    let few = compare(
        &group("a", &SUMMER[..3], None, 0.0),
        &group("b", &WINTER, None, 0.0),
    )
    .expect("valid");
    assert_eq!(few.verdict, Verdict::CannotTell(Reason::TooFewBakes));
    // Another recipe in each season: nobody can say which did it.
    let mut other = group("b", &WINTER, None, 0.0);
    for b in &mut other.bakes {
        b.recipe = "loaf".into();
    }
    let c = compare(&group("a", &SUMMER, None, 0.0), &other).expect("valid");
    assert_eq!(c.verdict, Verdict::CannotTell(Reason::Entangled));
    // The same bakes twice: no difference that matters.
    let steady = [0.90, 0.91, 0.92, 0.905, 0.915, 0.895];
    let c = compare(
        &group("a", &steady, None, 0.0),
        &group("b", &steady, None, 0.0),
    )
    .expect("valid");
    assert_eq!(c.verdict, Verdict::NoneThatMatters);
    // p about 0.03 alone; among six comparisons it is luck.
    let base = [0.90, 0.94, 0.88, 0.92, 0.91, 0.89, 0.95, 0.93];
    let moved: Vec<f64> = base.iter().map(|v| v + 0.031).collect();
    let groups = [
        group("a", &base, None, 0.0),
        group("b", &moved, None, 0.0),
        group("c", &base.map(|v| v + 0.012), None, 0.0),
        group("d", &base.map(|v| v + 0.018), None, 0.0),
    ];
    assert!(matches!(
        compare(&groups[0], &groups[1]).expect("valid").verdict,
        Verdict::Longer { .. }
    ));
    let all = compare_all(&groups).expect("valid");
    assert_eq!(all.len(), 6);
    assert_eq!(all[0].verdict, Verdict::CannotTell(Reason::ManyComparisons));
}

#[test]
fn warmth_that_cannot_be_taken_out_is_no_season() {
    // Winter at 20 °C, summer at 26 °C, a tenth apart and hardly any scatter. At one temperature each,
    // that tenth may as well be the house's own answer to warmth.
    let warm = |name: &str, ages: &[f64], c: f64, swing: f64| {
        let mut g = group(name, ages, None, 0.0);
        for (i, b) in g.bakes.iter_mut().enumerate() {
            b.warmth = (c + swing * (i % 3) as f64 - 27.0) / 10.0;
        }
        g
    };
    let base = [0.90, 0.92, 0.91, 0.905, 0.915, 0.895];
    let slower: Vec<f64> = base.iter().map(|v| v + 0.1).collect();
    let c = compare(
        &warm("winter", &base, 20.0, 0.0),
        &warm("summer", &slower, 26.0, 0.0),
    )
    .expect("valid");
    assert_eq!(
        c.verdict,
        Verdict::CannotTell(Reason::NeverEquallyWarm),
        "{c:?}"
    );
    assert!(!c.temperatures_overlap && c.plain().contains("different temperatures"));
    // Equally warm, the same tenth is a difference.
    let c = compare(
        &warm("old flour", &base, 23.0, 0.0),
        &warm("new flour", &slower, 23.0, 0.0),
    )
    .expect("valid");
    assert!(matches!(c.verdict, Verdict::Longer { .. }), "{c:?}");
    // Days of each group that differ by as much show that warmth is not it.
    let c = compare(
        &warm("winter", &base, 20.0, 4.0),
        &warm("summer", &slower, 22.0, 4.0),
    )
    .expect("valid");
    assert!(matches!(c.verdict, Verdict::Longer { .. }), "{c:?}");
}

#[test]
fn a_split_bake_counts_once_and_an_empty_group_is_refused() {
    let split = |name: &str, ages: &[f64], of: &str| {
        let mut g = group(name, ages, None, 0.0);
        for (i, b) in g.bakes.iter_mut().enumerate() {
            b.batch = format!("{of}{}", i / 2);
        }
        g
    };
    let (a, b) = ([0.9, 0.94, 0.88, 0.9, 0.91, 0.95, 0.92, 0.9], [1.0; 8]);
    // Eight parts of four bakes are four bakes: their means.
    let means = [0.92, 0.89, 0.93, 0.91];
    let parts = compare(&split("a", &a, "p"), &split("b", &b, "q")).expect("valid");
    let whole = compare(
        &group("a", &means, None, 0.0),
        &group("b", &[1.0; 4], None, 0.0),
    );
    let (parts, whole) = (
        parts.difference.expect("fitted"),
        whole.expect("valid").difference.expect("fitted"),
    );
    close(parts.standard_error, whole.standard_error, 1e-12);
    close(parts.estimate, whole.estimate, 1e-12);
    // Six parts of three bakes are too few.
    let c = compare(&split("a", &a[..6], "p"), &split("b", &b, "q")).expect("valid");
    assert_eq!(c.verdict, Verdict::CannotTell(Reason::TooFewBakes));
    assert!(c.plain().contains("too few bakes"), "{}", c.plain());
    // One half here, the other there.
    let c = compare(&split("a", &a, "p"), &split("b", &b, "p")).expect("valid");
    assert_eq!(c.in_both, 4);
    let none = compare(&group("a", &[], None, 0.0), &group("b", &b, None, 0.0));
    assert!(
        none.expect_err("empty")
            .to_string()
            .contains("bakes in a group"),
    );
    let one = compare(&group("a", &a[..1], None, 0.0), &group("b", &b, None, 0.0));
    assert_eq!(
        one.expect("valid").verdict,
        Verdict::CannotTell(Reason::TooFewBakes)
    );
}

#[test]
fn bands_follow_the_curves() {
    let curves = vec![
        vec![(0.0, 0.0), (1.0, 0.4), (2.0, 0.8)],
        vec![(0.0, 0.0), (1.0, 0.5), (2.0, 1.0)],
        vec![(0.0, 0.0), (1.0, 0.6)],
    ];
    let b = band(&curves, &[0.5, 1.5, 3.0], 0.8).expect("valid");
    assert_eq!((b.len(), b[0].n, b[1].n), (2, 3, 2));
    close(b[0].mean, 0.25, 1e-12);
    // t(2), 90 %: 1.885618; sd 0.05.
    let half = 1.885618 * 0.05 * (4.0f64 / 3.0).sqrt();
    close(b[0].range.expect("three curves").1, 0.25 + half, 1e-6);
}

proptest! {
    #[test]
    fn any_groups_are_refused_or_finite(
        a in proptest::collection::vec((proptest::num::f64::ANY, -1.0f64..1.0, 0u8..3), 0..10),
        b in proptest::collection::vec((-3.0f64..3.0, -1.0f64..1.0, 0u8..3), 0..10), tame: bool
    ) {
        let make = |v: Vec<(f64, f64, u8)>| Group { name: "g".into(), bakes: v.into_iter().map(|(y, x, r)| Bake {
            ln_age: if tame { y.clamp(-2.0, 2.0) } else { y }, ln_clock: 0.0, recipe: r.to_string(), warmth: x, covariates: vec![x * x], ..Bake::default() }).collect() };
        let (a, b) = (make(a), make(b));
        if let Ok(c) = compare(&a, &b) {
            if let Some(d) = c.difference {
                prop_assert!(d.estimate.is_finite() && d.p.is_finite() && d.interval.0 <= d.interval.1);
            }
            prop_assert!(!c.plain().contains("NaN"));
            prop_assert!(c.ln_clock_difference.is_finite() && c.explained_by_temperature.is_finite());
        }
        if let Ok(Some(f)) = any_difference(&[a, b]) { prop_assert!(f.f.is_finite() && (0.0..=1.0).contains(&f.p)); }
    }
}

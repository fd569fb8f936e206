//! Growth curves against reference values, and what an anchored shape must keep.

use doughwarden_model::curves::*;
use proptest::prelude::*;

fn close(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "{got} is not {want} to {tolerance}"
    );
}

#[test]
fn zwietering_forms() {
    // Computed with scipy from Zwietering et al. 1990, A 1.5, mu 1, lam 0.5; to 1e-7.
    let g = Growth::new(1.5, 1.0, 0.5).expect("valid");
    for (t, gompertz, logistic, richards) in [
        (0.0, 0.00179761, 0.05166779, 0.02402070),
        (0.5, 0.09898205, 0.17880438, 0.14281534),
        (1.0, 0.50007788, 0.50886545, 0.50264030),
        (1.5, 0.96230799, 0.99113455, 0.98157962),
        (2.0, 1.25368978, 1.32119562, 1.29395746),
        (3.0, 1.45670051, 1.48602606, 1.47604554),
    ] {
        close(g.gompertz(t), gompertz, 1e-8);
        close(g.logistic(t), logistic, 1e-8);
        close(g.richards(0.5, t).expect("valid"), richards, 1e-8);
    }
    close(g.gompertz_inverse(1.0).expect("reached"), 1.5499576, 1e-7);
    close(g.logistic_inverse(1.0).expect("reached"), 1.5099302, 1e-7);
    let (t, y) = g.gompertz_inflexion();
    close(t, 1.0518192, 1e-7);
    close(y, 0.5518192, 1e-7);
    close(
        (g.gompertz(t + 1e-5) - g.gompertz(t - 1e-5)) / 2e-5,
        1.0,
        1e-8,
    ); // slope mu
    // Richards with shape 1 is the logistic.
    close(g.richards(1.0, 1.2).expect("valid"), g.logistic(1.2), 1e-12);
}

#[test]
fn the_differential_gompertz_is_the_closed_one() {
    let g = Growth::new(1.5, 1.0, 0.5).expect("valid");
    close(g.gompertz_advance(g.gompertz(0.0), 2.0), 1.25368978, 1e-8);
    // An independent Runge-Kutta integration of dy/dt = k y ln(A/y).
    let k = std::f64::consts::E / 1.5;
    let f = |y: f64| k * y * (1.5 / y).ln();
    let (mut y, h) = (g.gompertz(0.0), 1e-3);
    for _ in 0..2000 {
        let k1 = f(y);
        let k2 = f(y + 0.5 * h * k1);
        let k3 = f(y + 0.5 * h * k2);
        let k4 = f(y + h * k3);
        y += h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4);
    }
    close(y, g.gompertz(2.0), 1e-11);
}

#[test]
fn baranyi_closed_and_dynamic() {
    // Baranyi & Roberts 1994: y0 0, ymax 2, mu 0.5, h0 1.
    let b = Baranyi::new(0.0, 2.0, 0.5, 1.0).expect("valid");
    for (t, y) in [
        (1.0, 0.18223574),
        (2.0, 0.40779500),
        (4.0, 0.93289494),
        (8.0, 1.73120492),
        (12.0, 1.95802679),
    ] {
        close(b.ln_count(t), y, 1e-8);
    }
    close(b.start().readiness, 0.58197671, 1e-8);
    close(b.lag_h(), 2.0, 1e-12);
    // The dynamic form by Runge-Kutta in ln N and q.
    let f = |s: [f64; 2]| {
        [
            0.5 * s[1] / (1.0 + s[1]) * (1.0 - (s[0] - 2.0).exp()),
            0.5 * s[1],
        ]
    };
    let add = |a: [f64; 2], h: f64, d: [f64; 2]| [a[0] + h * d[0], a[1] + h * d[1]];
    let (mut s, h) = ([0.0, b.start().readiness], 1e-3);
    for _ in 0..8000 {
        let k1 = f(s);
        let k2 = f(add(s, 0.5 * h, k1));
        let k3 = f(add(s, 0.5 * h, k2));
        let k4 = f(add(s, h, k3));
        for i in 0..2 {
            s[i] += h / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i]);
        }
    }
    close(s[0], 1.73120492, 1e-8);
}

/// The cardinal law with the gas constants over its value at 27 °C, for the ramp below.
fn gas(t: f64) -> f64 {
    let gamma = |t: f64| {
        (t - 50.0) * (t - 2.8) * (t - 2.8) / (34.2 * (34.2 * (t - 37.0) + 13.0 * (39.8 - 2.0 * t)))
    };
    gamma(t) / gamma(27.0)
}

#[test]
fn equivalent_age_and_the_differential_form_agree_on_a_ramp() {
    // 25 °C 1 h, to 35 °C in 1 h, 35 °C 1 h: theta 0.88709149, 2.02315020, 3.34208815 h.
    let t = |h: f64| {
        if h < 1.0 {
            25.0
        } else if h < 2.0 {
            25.0 + 10.0 * (h - 1.0)
        } else {
            35.0
        }
    };
    let g = Growth::new(1.5, 1.0, 0.5).expect("valid");
    let b = Baranyi::new(0.0, 2.0, 0.5, 1.0).expect("valid");
    let (mut theta, mut y, mut s) = (0.0, g.gompertz(0.0), b.start());
    let (n, mut at) = (36_000, vec![]);
    for i in 0..n {
        let h = 3.0 / f64::from(n);
        let step = gas(t((f64::from(i) + 0.5) * h)) * h;
        theta += step;
        y = g.gompertz_advance(y, step);
        s = b.advance(s, step);
        if (i + 1) % 12_000 == 0 {
            at.push((theta, y));
        }
    }
    for ((theta, y), (want_theta, want_y)) in at.iter().zip([
        (0.88709149, 0.38969379),
        (2.02315020, 1.26296301),
        (3.34208815, 1.47654804),
    ]) {
        close(*theta, want_theta, 1e-6);
        close(*y, want_y, 1e-6);
        close(g.gompertz(*theta), *y, 1e-9);
    }
    close(s.ln_count, 0.75632318, 1e-6);
    close(b.ln_count(theta), s.ln_count, 1e-9);
}

proptest! {
    #[test]
    fn shapes_are_anchored_monotone_and_invertible(
        lag in 0.0f64..0.8, ceiling in 1.02f64..20.0, logistic: bool, x in 0.0f64..3.0
    ) {
        let shape = if logistic { AnchoredShape::logistic(lag, ceiling) } else { AnchoredShape::gompertz(lag, ceiling) }.expect("valid");
        prop_assert!(shape.fraction(0.0).abs() < 1e-12);
        prop_assert!((shape.fraction(1.0) - 1.0).abs() < 1e-9);
        let y = shape.fraction(x);
        prop_assert!(y >= -1e-12 && y <= ceiling + 1e-12);
        prop_assert!(shape.fraction(x + 0.01) >= y - 1e-12);
        prop_assert!(shape.slope(x) >= 0.0 && shape.slope(x).is_finite());
        let h = 1e-6;
        if x > h {
            let numeric = (shape.fraction(x + h) - shape.fraction(x - h)) / (2.0 * h);
            prop_assert!((numeric - shape.slope(x)).abs() < 1e-4 * (1.0 + numeric.abs()));
        }
        if y > 1e-6 && y < 0.999 * ceiling {
            prop_assert!((shape.relative_age(y).expect("below the ceiling") - x).abs() < 1e-5);
        }
    }

    #[test]
    fn nothing_absurd_comes_out(a in proptest::num::f64::ANY, b in proptest::num::f64::ANY, c in proptest::num::f64::ANY, t in -1e3f64..1e3) {
        if let Ok(g) = Growth::new(a, b, c) {
            prop_assert!(g.gompertz(t).is_finite() && g.logistic(t).is_finite());
            prop_assert!(g.richards(0.5, t).expect("valid").is_finite());
            prop_assert!(g.gompertz_advance(t, t).is_finite());
        }
        if let Ok(g) = Baranyi::new(a, b, c, 1.0) { prop_assert!(g.ln_count(t).is_finite()); }
        if let Ok(g) = AnchoredShape::gompertz(a, b) { prop_assert!(g.fraction(c).is_finite() || c.is_nan()); }
        prop_assert!(AnchoredShape::default().relative_age(c).is_none_or(f64::is_finite));
    }
}

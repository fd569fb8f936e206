//! Humid air against a general-purpose fluid-property library's table (IAPWS saturation and
//! moist-air properties at 101 325 Pa).

use doughwarden_model::humid_air::*;
use proptest::prelude::*;

fn close(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "{got} is not {want} to {tolerance}"
    );
}

#[test]
fn saturation() {
    #[rustfmt::skip]
    let table = [
        (0.01, 611.655, 611.657, 611.643), (5.0, 872.575, 872.487, 871.743), (10.0, 1228.199, 1227.995, 1226.030),
        (15.0, 1705.793, 1705.448, 1701.672), (20.0, 2339.318, 2338.804, 2332.596), (25.0, 3169.929, 3169.216, 3160.057),
        (30.0, 4246.971, 4246.030, 4233.724), (35.0, 5629.016, 5627.819, 5612.842), (40.0, 7384.938, 7383.460, 7367.458),
        (45.0, 9594.999, 9593.220, 9579.710), (50.0, 12351.946, 12349.856, 12345.158),
    ];
    for (t, iapws, hyland, magnus) in table {
        close(saturation_pa(t).expect("valid"), magnus, 1e-3);
        close(saturation_hyland_wexler_pa(t).expect("valid"), hyland, 1e-3);
        close(saturation_pa(t).expect("valid") / iapws, 1.0, 0.0032);
        close(
            saturation_hyland_wexler_pa(t).expect("valid") / iapws,
            1.0,
            0.00023,
        );
    }
}

#[test]
fn moist_air() {
    // t, RH, then the library's dew point, W and p_w, then this equation's e, td, W and VPD.
    #[rustfmt::skip]
    let table = [
        (5.0, 20.0, -14.4133, 0.001077, 175.22, 174.35, -16.1575, 0.001072, 697.39),
        (5.0, 95.0, 4.2668, 0.005151, 832.32, 828.16, 4.2650, 0.005125, 43.59),
        (10.0, 50.0, 0.0642, 0.003808, 616.59, 613.02, 0.0409, 0.003786, 613.02),
        (15.0, 70.0, 9.5802, 0.007447, 1198.92, 1191.17, 9.5693, 0.007399, 510.50),
        (20.0, 50.0, 9.2744, 0.007294, 1174.49, 1166.30, 9.2552, 0.007242, 1166.30),
        (22.0, 40.0, 7.7970, 0.006591, 1062.54, 1054.97, 7.7722, 0.006544, 1582.45),
        (25.0, 60.0, 16.7035, 0.011949, 1910.00, 1896.03, 16.6931, 0.011860, 1264.02),
        (27.0, 75.0, 22.1914, 0.016946, 2687.53, 2667.67, 22.1873, 0.016817, 889.22),
        (28.0, 80.0, 24.2269, 0.019234, 3039.47, 3016.92, 24.2244, 0.019087, 754.23),
        (30.0, 75.0, 25.0831, 0.020277, 3199.13, 3175.29, 25.0807, 0.020121, 1058.43),
        (32.0, 85.0, 29.1582, 0.025985, 4063.57, 4033.29, 29.1581, 0.025783, 711.76),
        (35.0, 80.0, 31.0271, 0.029065, 4523.69, 4490.27, 31.0283, 0.028840, 1122.57),
        (35.0, 95.0, 34.0764, 0.034819, 5371.88, 5332.20, 34.0769, 0.034548, 280.64),
        (38.0, 85.0, 35.0308, 0.036827, 5664.26, 5623.24, 35.0334, 0.036544, 992.34),
        (40.0, 50.0, 27.5928, 0.023638, 3710.06, 3683.73, 27.5981, 0.023464, 3683.73),
        (45.0, 30.0, 23.4057, 0.018279, 2892.93, 2873.91, 23.4166, 0.018155, 6705.80),
        (50.0, 20.0, 20.9014, 0.015627, 2483.43, 2469.03, 20.9219, 0.015534, 9876.13),
        (50.0, 95.0, 48.9712, 0.081947, 11796.30, 11727.90, 48.9748, 0.081410, 617.26),
    ];
    for (t, rh, lib_td, lib_w, lib_e, e, td, w, vpd) in table {
        let (own_e, own_td) = (
            vapour_pa(t, rh).expect("valid"),
            dew_point_c(t, rh).expect("valid"),
        );
        let own_w = humidity_ratio(t, rh, 101_325.0).expect("valid");
        close(own_e, e, 0.006);
        close(own_td, td, 6e-5);
        close(own_w, w, 6e-7);
        close(
            vapour_pressure_deficit_pa(t, rh).expect("valid"),
            vpd,
            0.006,
        );
        // The library's p_w holds an enhancement factor: ours is 0 to 0.8 % below.
        assert!((-0.008..=0.0).contains(&(own_e / lib_e - 1.0)), "{t} {rh}");
        assert!((-0.008..=0.0).contains(&(own_w / lib_w - 1.0)), "{t} {rh}");
        if lib_td > 0.0 {
            close(own_td, lib_td, 0.03); // below 0 the library gives the frost point
        }
    }
    // Saturated W: the library, and ASHRAE's table from memory, within 0.8 %.
    for (t, lib, ashrae) in [
        (20.0, 0.0147605, 0.014758),
        (25.0, 0.0201734, 0.020170),
        (30.0, 0.0273329, 0.027329),
        (35.0, 0.0367601, 0.036756),
        (40.0, 0.0491445, 0.049141),
    ] {
        let w = humidity_ratio(t, 100.0, 101_325.0).expect("valid");
        assert!(
            (-0.009..=0.0).contains(&(w / lib - 1.0))
                && (-0.009..=0.0).contains(&(w / ashrae - 1.0)),
            "{w}"
        );
    }
}

#[test]
fn skin_and_sweat() {
    for (air, rh, ts, e, own, td, verdict) in [
        (
            35.0,
            80.0,
            24.0,
            4490.27,
            2887.29,
            31.03,
            Surface::Condenses,
        ),
        (35.0, 80.0, 32.0, 4490.27, 4602.70, 31.03, Surface::Dries),
        (27.0, 75.0, 24.0, 2667.67, 2887.29, 22.19, Surface::Dries),
        (24.0, 45.0, 24.0, 1339.46, 2887.29, 11.33, Surface::Dries),
        (
            30.0,
            95.0,
            29.0,
            4022.04,
            3876.70,
            29.11,
            Surface::Condenses,
        ),
    ] {
        close(vapour_pa(air, rh).expect("valid"), e, 0.006);
        close(0.97 * saturation_pa(ts).expect("valid"), own, 0.006);
        close(dew_point_c(air, rh).expect("valid"), td, 0.006);
        assert_eq!(surface(ts, air, rh).expect("valid"), verdict);
    }
    close(mass_transfer_m_s(4.5), 0.00431, 6e-6);
    close(
        evaporation_g_m2_h(0.97, 24.0, 24.0, 45.0).expect("valid"),
        175.0,
        0.5,
    );
    close(
        evaporation_g_m2_h(0.97, 34.0, 35.0, 80.0).expect("valid"),
        72.0,
        0.5,
    );
    // A cool dough in a warm wet box sweats first, and the film dries before the dough does.
    let wet = Skin::default()
        .advance(24.0, 35.0, 80.0, 1800.0)
        .expect("valid");
    assert!(wet.film_g_m2 > 0.0 && wet.lost_g_m2 == 0.0);
    let soon = wet.advance(34.0, 35.0, 80.0, 600.0).expect("valid");
    assert!(soon.film_g_m2 < wet.film_g_m2 && soon.lost_g_m2 == 0.0);
    let late = wet.advance(34.0, 35.0, 80.0, 36_000.0).expect("valid");
    assert!(late.film_g_m2 == 0.0 && late.lost_g_m2 > SKIN_WARNING_G_M2);
}

proptest! {
    #[test]
    fn any_bits_are_refused_or_finite(t in proptest::num::f64::ANY, h in proptest::num::f64::ANY, s in proptest::num::f64::ANY) {
        for v in [dew_point_c(t, h), humidity_ratio(t, h, 101_325.0), evaporation_g_m2_h(0.97, s, t, h), vapour_pa(t, h)].into_iter().flatten() {
            prop_assert!(v.is_finite());
        }
    }

    #[test]
    fn ordinary_air_has_a_dew_point_below_it(t in -20.0f64..60.0, h in 1.0f64..100.0) {
        prop_assert!(dew_point_c(t, h).expect("valid") <= t + 1e-9);
    }
}

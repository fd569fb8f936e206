//! What a forecast after one more reading costs, and a calibration of a thousand stages.

#![allow(missing_docs)] // the macro makes an undocumented function

use criterion::{Criterion, criterion_group, criterion_main};
use doughwarden_model::age::AgePath;
use doughwarden_model::calibration::{Calibration, PastStage, Stage, Subject};
use doughwarden_model::cardinal::RateLaw;
use doughwarden_model::proof::{Dent, Ending, Evidence, ReadyTime};

fn subject(i: usize) -> Subject {
    Subject {
        dough: format!("dough {}", i % 5),
        stage: if i.is_multiple_of(2) {
            Stage::Bulk
        } else {
            Stage::Final
        },
        prior_ln_age: 4.2,
        prior_sd: 0.2,
        ln_dose: 0.1 * ((i * 7) as f64).sin(),
        target_rise: None,
        extra_sd: 0.02,
        groups: Vec::new(),
    }
}

/// Two hours and a half of air every three minutes, with two rises and a dent.
fn stage(i: usize) -> PastStage {
    let wobble = ((i * 31) as f64).sin();
    let air = |m: f64| 23.0 + 3.0 * ((i * 13) as f64).cos() + (m / 50.0).sin();
    let mut path = AgePath::begin(RateLaw::default(), 90.0, 24.0);
    for k in 0..50 {
        let m = 3.0 * f64::from(k);
        path.advance(m + 3.0, air(m), air(m + 3.0));
    }
    let ready = path.minute_at((4.2 + 0.12 * wobble).exp()).unwrap_or(120.0);
    PastStage {
        batch: format!("batch {}", i / 2),
        subject: subject(i),
        evidence: Evidence {
            rises: vec![(0.5 * ready, 0.35, 1.0), (0.8 * ready, 0.7, 1.0)],
            dents: vec![(0.7 * ready, Dent::SpringsBack)],
            looks: vec![0.8 * ready],
            ending: Some((ready + 6.0, Ending::Ready)),
        },
        path,
    }
}

fn benches(c: &mut Criterion) {
    let stages: Vec<PastStage> = (0..1000).map(stage).collect();
    c.bench_function("calibration of 1000 stages", |b| {
        b.iter(|| Calibration::fit(&stages))
    });
    let fit = Calibration::fit(&stages[..60]);
    for hours in [1.0, 12.0, 24.0] {
        let mut path = AgePath::begin(RateLaw::default(), 90.0, 12.0);
        let mut m = 0.0;
        while m < hours * 60.0 {
            path.advance(m + 1.0 / 6.0, 14.0, 14.0);
            m += 1.0 / 6.0;
        }
        let prior = fit.expect(&subject(0), -1.0, &[]);
        let mut evidence = stage(0).evidence;
        evidence.ending = None;
        c.bench_function(
            &format!("forecast after one more reading, {hours} h of 10-second readings"),
            |b| {
                b.iter(|| {
                    let mut path = path.clone();
                    path.advance(m + 1.0 / 6.0, 14.0, 14.1);
                    let after = prior.after(&path, &evidence);
                    let enough = after.quantile(0.9995).exp();
                    let futures: Vec<(f64, AgePath)> = [14.1, 13.0, 15.0]
                        .map(|air| {
                            let mut future = path.branch();
                            let mut ahead = 0.0;
                            while ahead < 2880.0 && future.now().age_min < enough {
                                ahead += if ahead < 360.0 { 4.0 } else { 12.0 };
                                future.advance(m + ahead, air, air);
                            }
                            (1.0, future)
                        })
                        .into();
                    ReadyTime::new(&after, &path, &futures).quantile(0.5)
                });
            },
        );
    }
}

criterion_group!(all, benches);
criterion_main!(all);

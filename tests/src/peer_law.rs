//! The script's forecast written again in Rust, for one purpose: asked through the study's door it must say
//! what the script says, and say it again when the book ends at the moment asked. That proves that
//! histories and moments are the same for every forecaster.

use crate::laws::Stage;
use crate::study::{Forecaster, Quantiles, Question, minutes, peeks, text, time};
use jiff::Timestamp;
use serde_json::Value;
use statrs::distribution::{ContinuousCDF as _, Normal};
use std::collections::BTreeMap;

struct PeerLaw;

/// Log threshold, its sd, and the rise line (slope, intercept, sd).
#[derive(Clone, Copy)]
struct Fit {
    mu: f64,
    sd: f64,
    p: f64,
    c: f64,
    sy: Option<f64>,
}

struct Fitted(BTreeMap<(String, String), Fit>);

struct Seen {
    m: Vec<f64>,
    v: Vec<f64>,
    start_c: f64,
    notes: Vec<(f64, Value)>,
    now: f64,
    dough: String,
    dose: f64,
}

fn gas(t: f64) -> f64 {
    let t = t.clamp(2.81, 49.99);
    (t - 50.0) * (t - 2.8) * (t - 2.8) / (34.2 * (34.2 * (t - 37.0) + 13.0 * (39.8 - 2.0 * t)))
}

fn interp(x: f64, xs: &[f64], ys: &[f64]) -> f64 {
    let i = xs.partition_point(|v| *v <= x);
    if i == 0 {
        return ys[0];
    }
    if i == xs.len() {
        return ys[i - 1];
    }
    ys[i - 1] + (ys[i] - ys[i - 1]) * (x - xs[i - 1]) / (xs[i] - xs[i - 1])
}

fn age(s: &Seen, ahead: f64) -> (Vec<f64>, Vec<f64>) {
    let last: Vec<f64> =
        s.m.iter()
            .zip(&s.v)
            .filter(|(m, _)| **m > s.now - 10.0)
            .map(|(_, v)| *v)
            .collect();
    let held = if last.is_empty() {
        *s.v.last().expect("never empty")
    } else {
        last.iter().sum::<f64>() / last.len() as f64
    };
    let grid: Vec<f64> = (0..)
        .map(f64::from)
        .take_while(|g| *g < s.now + ahead)
        .collect();
    let k = 1.0 - (-1.0_f64 / 40.0).exp();
    let (mut x, mut sum, mut out) = (s.start_c, 0.0, vec![0.0]);
    for g in &grid[..grid.len() - 1] {
        sum += gas(x) / gas(24.0) * s.dose;
        out.push(sum);
        let air = if *g <= s.now {
            interp(*g, &s.m, &s.v)
        } else {
            held
        };
        x += (air - x) * k;
    }
    (grid, out)
}

fn see(records: &[Value], batch: &str, stage: &str, until: Timestamp) -> Seen {
    let b = records
        .iter()
        .find(|r| text(r, "record") == "batch" && text(r, "id") == batch)
        .expect("the batch");
    let s = records
        .iter()
        .find(|r| {
            text(r, "record") == "stage" && text(r, "batch") == batch && text(r, "stage") == stage
        })
        .expect("the stage");
    let start = time(s, "start").expect("a time");
    let within = |r: &Value| {
        time(r, "time")
            .ok()
            .filter(|t| start <= *t && *t <= until)
            .map(|t| minutes(start, t))
    };
    let mut air: Vec<(f64, f64)> = records
        .iter()
        .filter(|r| text(r, "record") == "reading" && text(r, "sensor") == text(b, "place"))
        .filter_map(|r| Some((within(r)?, r["value"].as_f64()?)))
        .collect();
    air.sort_by(|a, b| a.0.total_cmp(&b.0));
    if air.is_empty() {
        air.push((0.0, 24.0));
    }
    let notes = records
        .iter()
        .filter(|r| text(r, "record") == "observation" && text(r, "batch") == batch)
        .filter_map(|r| Some((within(r)?, r.clone())))
        .collect();
    let mass = |word: &str| -> f64 {
        b["formula"]
            .as_array()
            .into_iter()
            .flatten()
            .filter(|i| text(i, "ingredient").contains(word))
            .filter_map(|i| i["mass_g"].as_f64())
            .sum()
    };
    Seen {
        start_c: s["dough_temperature"].as_f64().unwrap_or(air[0].1),
        m: air.iter().map(|a| a.0).collect(),
        v: air.iter().map(|a| a.1).collect(),
        notes,
        now: minutes(start, until),
        dough: text(b, "dough").to_owned(),
        dose: 100.0 * mass("yeast") / mass("flour"),
    }
}

fn median(v: &mut [f64]) -> f64 {
    v.sort_by(f64::total_cmp);
    let m = v.len() / 2;
    if v.len().is_multiple_of(2) {
        0.5 * (v[m - 1] + v[m])
    } else {
        v[m]
    }
}

impl Forecaster for PeerLaw {
    fn name(&self) -> String {
        "peer law".into()
    }

    fn forecast(
        &self,
        records: &[Value],
        history: &[String],
        questions: &[Question],
    ) -> anyhow::Result<Vec<Quantiles>> {
        type Marks = (Vec<f64>, Vec<(f64, f64)>);
        let mut by: BTreeMap<(String, String), Marks> = BTreeMap::new();
        for r in records.iter().filter(|r| {
            text(r, "record") == "stage"
                && text(r, "outcome") == "ready"
                && history.iter().any(|h| h == text(r, "batch"))
        }) {
            let s = see(
                records,
                text(r, "batch"),
                text(r, "stage"),
                time(r, "end").expect("a time"),
            );
            let (g, a) = age(&s, 1.0);
            let star = interp(s.now - 5.0, &g, &a);
            let (logs, rows) = by
                .entry((s.dough.clone(), text(r, "stage").to_owned()))
                .or_default();
            logs.push(star.ln());
            for (t, n) in &s.notes {
                let (rise, then) = (n["rise"].as_f64().unwrap_or(0.0), interp(*t, &g, &a));
                if rise > 0.05 && then > 0.25 * star {
                    rows.push(((then / star).ln(), rise.ln()));
                }
            }
        }
        let fits = by.into_iter().map(|(key, (mut logs, rows))| {
            let mu = median(&mut logs);
            let mut away: Vec<f64> = logs.iter().map(|l| (l - mu).abs()).collect();
            let sd = if logs.len() > 2 {
                (1.4826 * median(&mut away)).max(0.08)
            } else {
                0.25
            };
            let mut fit = Fit {
                mu,
                sd,
                p: 1.2,
                c: 0.0,
                sy: None,
            };
            if rows.len() >= 6 {
                let n = rows.len() as f64;
                let (x, y) = (
                    rows.iter().map(|r| r.0).sum::<f64>() / n,
                    rows.iter().map(|r| r.1).sum::<f64>() / n,
                );
                let slope = rows.iter().map(|r| (r.0 - x) * (r.1 - y)).sum::<f64>()
                    / rows.iter().map(|r| (r.0 - x).powi(2)).sum::<f64>();
                fit.c = y - slope * x;
                fit.p = slope.max(0.5);
                let left: Vec<f64> = rows.iter().map(|r| r.1 - fit.p * r.0 - fit.c).collect();
                let mean = left.iter().sum::<f64>() / n;
                fit.sy = Some(
                    (left.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / n)
                        .sqrt()
                        .max(0.06),
                );
            }
            (key, fit)
        });
        let fitted = Fitted(fits.collect());
        Ok(questions
            .iter()
            .map(|(b, s, t)| fitted.forecast(records, b, *s, *t))
            .collect())
    }
}

impl Fitted {
    fn forecast(&self, known: &[Value], batch: &str, stage: Stage, at: Timestamp) -> Quantiles {
        let s = see(known, batch, stage.name(), at);
        let usual: f64 = if stage == Stage::Bulk { 90.0 } else { 60.0 };
        let prior = Fit {
            mu: (usual * s.dose).ln(),
            sd: 0.4,
            p: 1.2,
            c: 0.0,
            sy: None,
        };
        let fit = self
            .0
            .get(&(s.dough.clone(), stage.name().to_owned()))
            .copied()
            .unwrap_or(prior);
        let (g, a) = age(&s, 480.0);
        let (mut w, mut x) = (fit.sd.powi(-2), fit.mu * fit.sd.powi(-2));
        let mut low = (interp(s.now, &g, &a) * 0.97).max(1e-6).ln();
        for (t, n) in &s.notes {
            let then = interp(*t, &g, &a).max(1e-6).ln();
            match (text(n, "kind"), fit.sy) {
                ("rise", Some(sy)) => {
                    let rise = n["rise"].as_f64().unwrap_or(0.0);
                    if rise > 0.05 {
                        let k = (fit.p / sy).powi(2) / 2.0;
                        w += k;
                        x += k * (then - (rise.ln() - fit.c) / fit.p);
                    }
                }
                ("finger_dent", _) if text(n, "result") == "springs_back" => low = low.max(then),
                _ => {}
            }
        }
        let (mean, sd) = (x / w, (1.0 / w + 0.03 * 0.03).sqrt());
        let normal = Normal::standard();
        let below = normal.cdf((low - mean) / sd);
        let at = |u: f64| {
            interp(
                (mean + sd * normal.inverse_cdf((below + (1.0 - below) * u).min(1.0 - 1e-9))).exp(),
                &a,
                &g,
            )
            .max(s.now)
        };
        Quantiles {
            p10: at(0.1),
            p50: at(0.5),
            p90: at(0.9),
        }
    }
}

#[test]
fn what_was_known_is_what_the_script_sees() {
    use crate::study::{Plan, run};
    let plan = Plan {
        seed: 3,
        kitchens: 2,
        judged: 3,
        histories: vec![8, 0],
    };
    let cases = run(&plan, &[&PeerLaw]).expect("python3 with numpy and scipy");
    assert_eq!(cases.len(), 3 * 2 * 2 * 3 * 2 * 3);
    for c in &cases {
        let (script, ours) = (c.answers[0], c.answers[4]);
        for (a, b) in [
            (script.p10, ours.p10),
            (script.p50, ours.p50),
            (script.p90, ours.p90),
        ] {
            assert!((a - b).abs() < 0.02, "{script:?} {ours:?} {c:?}");
        }
    }
}

#[test]
fn a_book_that_ends_at_the_moment_is_enough() {
    let book = crate::books::book(&crate::laws::Biomass, 4, 1, 8, 4);
    let questions: Vec<Question> = book.batches[book.history..]
        .iter()
        .flat_map(|b| {
            Stage::BOTH.map(|s| {
                let stage = &b.stages[s.index()];
                let at = stage.start_min as f64 + 0.6 * stage.ready_min;
                (b.id.clone(), s, crate::books::after(b.start, at))
            })
        })
        .collect();
    assert_eq!(
        peeks(&PeerLaw, &book, &questions).expect("answers"),
        Vec::<String>::new()
    );
}

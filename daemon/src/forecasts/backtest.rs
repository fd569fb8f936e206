//! The back-test: what the forecasts would have said at a quarter, half and three quarters of every
//! finished proof, each calibrated without that batch, beside a wall clock and the doubling rule.

use std::collections::{BTreeMap, BTreeSet};

use doughwarden_model::age::StartHabit;
use doughwarden_model::calibration::{Calibration, PastStage};
use doughwarden_model::proof::ReadyTime;

use super::ForecastError;
use super::air::{Sources, UNKNOWN_AIR_C};
use super::document::{BacktestDocument, Baseline, Score};
use super::inputs::Without;
use super::learned::{Hints, LagScale, Learned, past_stages, teachers, usual_yeasts};
use super::outlook::look_ahead;
use crate::batches::record::{Outcome, StageKind};
use crate::time::UtcMs;

/// Shares of a proof at which it is asked.
const MOMENTS: [f64; 3] = [0.25, 0.5, 0.75];
/// A quantile that does not come counts as so many minutes after the moment asked.
const HORIZON_MIN: f64 = 48.0 * 60.0;
/// The doubling rule's span, °C.
const DOUBLING_C: f64 = 9.0;

/// One forecast against what happened, minutes.
#[derive(Clone, Debug)]
pub struct Point {
    /// The batch.
    pub batch: String,
    /// Which proof.
    pub stage: StageKind,
    /// At which share of it.
    pub share: f64,
    /// Minutes it really took.
    pub took_min: f64,
    /// 10 %, 50 % and 90 % as forecast.
    pub quantiles: [f64; 3],
    /// Continuous ranked probability score.
    pub crps: f64,
    /// Chance that the forecast gave to an earlier end (the probability integral transform).
    pub pit: f64,
    /// What the wall clock says.
    pub clock: Option<f64>,
    /// What the doubling rule says.
    pub doubling: Option<f64>,
}

/// Every point, and how many finished stages were not judged.
///
/// # Errors
/// If the readings cannot be read.
pub fn points(sources: Sources<'_>, now: UtcMs) -> Result<(Vec<Point>, u64), ForecastError> {
    let book = sources.book;
    let mut judged = Vec::new();
    let mut left_out = 0;
    for s in book.stages.values() {
        let Some(end) = s.end.filter(|e| *e <= now) else {
            continue;
        };
        let learns = book
            .batches
            .get(&s.batch)
            .is_some_and(|b| b.learn != Some(false));
        if s.outcome == Some(Outcome::Ready) && learns && end > s.start {
            judged.push((s.batch.clone(), s.stage, s.start, end));
        } else {
            left_out += 1;
        }
    }
    let chosen: BTreeSet<(String, StageKind)> = teachers(book, now).into_iter().collect();
    let hints = Hints::gather(sources, now, &|b, k| chosen.contains(&(b.to_owned(), k)))?;
    let usual_yeast = usual_yeasts(book, &chosen, now);
    let mut sets = StageSets {
        sources,
        now,
        sets: Vec::new(),
    };
    // What the baselines need: duration and mean air of each ready stage.
    let mut plain: BTreeMap<(String, StageKind), (f64, f64)> = BTreeMap::new();
    for (batch, stage, start, end) in &judged {
        let air = sources
            .mean_air(batch, *start, *end)?
            .unwrap_or(UNKNOWN_AIR_C);
        plain.insert(
            (batch.clone(), *stage),
            (end.seconds_since(*start) / 60.0, air),
        );
    }
    let mut out = Vec::new();
    let mut current: Option<(String, Learned)> = None;
    for (batch, stage, start, end) in &judged {
        if current.as_ref().is_none_or(|(b, _)| b != batch) {
            let family = family(sources, batch);
            let (habit, lag) = hints.learn(&family);
            let others: Vec<PastStage> = sets
                .of(habit, &lag)?
                .iter()
                .filter(|s| !family.contains(&s.batch))
                .cloned()
                .collect();
            let calibration = Calibration::fit(&others);
            let learned = Learned {
                calibration,
                habit,
                lag,
                usual_yeast: usual_yeast.clone(),
            };
            current = Some((batch.clone(), learned));
        }
        let Some((_, learned)) = &current else {
            continue;
        };
        let took = end.seconds_since(*start) / 60.0;
        for share in MOMENTS {
            let at = start.plus_min(share * took);
            let o = look_ahead(sources, learned, batch, *stage, at, Without::default())?;
            let now_min = share * took;
            let quantiles = [0.1, 0.5, 0.9].map(|p| {
                o.told_at(p).map_or(now_min + HORIZON_MIN, |t| {
                    (t.seconds_since(*start) / 60.0).max(now_min)
                })
            });
            let a_air = sources
                .mean_air(batch, *start, at)?
                .unwrap_or(UNKNOWN_AIR_C);
            let (clock, doubling) = baselines(sources, &plain, batch, *stage, a_air);
            out.push(Point {
                batch: batch.clone(),
                stage: *stage,
                share,
                took_min: took,
                quantiles,
                crps: crps(&o.told, now_min, took),
                pit: o.told.chance_by(took),
                clock,
                doubling,
            });
        }
    }
    Ok((out, left_out))
}

/// Past stages built along each habit and lag that turned up.
struct StageSets<'a> {
    sources: Sources<'a>,
    now: UtcMs,
    sets: Vec<(StartHabit, LagScale, Vec<PastStage>)>,
}

impl StageSets<'_> {
    fn of(&mut self, habit: StartHabit, lag: &LagScale) -> Result<&[PastStage], ForecastError> {
        let found = self
            .sets
            .iter()
            .position(|(h, l, _)| *h == habit && l.same_factors(lag));
        let i = match found {
            Some(i) => i,
            None => {
                let past = past_stages(self.sources, habit, lag, self.now, Without::default())?;
                self.sets.push((habit, lag.clone(), past));
                self.sets.len() - 1
            }
        };
        Ok(&self.sets[i].2)
    }
}

/// A batch with those split from it or from the same one.
fn family(sources: Sources<'_>, batch: &str) -> BTreeSet<String> {
    let root = |id: &str| {
        sources
            .book
            .batches
            .get(id)
            .and_then(|b| b.from.clone())
            .unwrap_or_else(|| id.to_owned())
    };
    let own = root(batch);
    sources
        .book
        .batches
        .keys()
        .filter(|id| root(id) == own)
        .cloned()
        .chain([batch.to_owned(), own.clone()])
        .collect()
}

/// The wall clock's and the doubling rule's answers from the other batches' ready stages: same dough
/// and stage, else same stage, else none.
fn baselines(
    sources: Sources<'_>,
    plain: &BTreeMap<(String, StageKind), (f64, f64)>,
    batch: &str,
    stage: StageKind,
    air_c: f64,
) -> (Option<f64>, Option<f64>) {
    let dough_of = |id: &str| sources.book.batches.get(id).map(|b| b.dough.as_str());
    let own = dough_of(batch);
    let pick = |same_dough: bool| -> Vec<(f64, f64)> {
        plain
            .iter()
            .filter(|((b, k), _)| b != batch && *k == stage && (!same_dough || dough_of(b) == own))
            .map(|(_, v)| *v)
            .collect()
    };
    let mut rows = pick(true);
    if rows.is_empty() {
        rows = pick(false);
    }
    if rows.is_empty() {
        return (None, None);
    }
    let n = rows.len() as f64;
    let mean = rows.iter().map(|r| r.0).sum::<f64>() / n;
    let airs = rows.iter().map(|r| r.1).sum::<f64>() / n;
    (
        Some(mean),
        Some(mean * ((airs - air_c) / DOUBLING_C).exp2()),
    )
}

/// `∫ (F(t) - [t >= y])² dt`, exact for the table's straight pieces; nothing lies before `now`, and
/// what the table does not reach comes with the horizon.
fn crps(ready: &ReadyTime, now_min: f64, took: f64) -> f64 {
    let (minutes, chances) = ready.table();
    let mut knots: Vec<(f64, f64)> = vec![(now_min, ready.chance_by(now_min))];
    knots.extend(
        minutes
            .iter()
            .copied()
            .zip(chances.iter().copied())
            .filter(|(m, _)| *m > now_min),
    );
    let last = knots[knots.len() - 1];
    knots.push(((now_min + HORIZON_MIN).max(last.0), last.1));
    let piece = |h: f64, a: f64, b: f64| h * (a * a + a * b + b * b) / 3.0;
    let mut sum = 0.0;
    for pair in knots.windows(2) {
        let ((m0, f0), (m1, f1)) = (pair[0], pair[1]);
        if m1 <= m0 {
            continue;
        }
        if took <= m0 {
            sum += piece(m1 - m0, f0 - 1.0, f1 - 1.0);
        } else if took >= m1 {
            sum += piece(m1 - m0, f0, f1);
        } else {
            let middle = f0 + (f1 - f0) * (took - m0) / (m1 - m0);
            sum += piece(took - m0, f0, middle) + piece(m1 - took, middle - 1.0, f1 - 1.0);
        }
    }
    sum
}

fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    (n > 0).then(|| 0.5 * (values[(n - 1) / 2] + values[n / 2]))
}

fn baseline(points: &[&Point], answer: impl Fn(&Point) -> Option<f64>) -> Baseline {
    let mut errors: Vec<f64> = points
        .iter()
        .filter_map(|p| answer(p).map(|a| (a - p.took_min).abs()))
        .collect();
    let n = errors.len() as f64;
    Baseline {
        mean_crps_min: (!errors.is_empty()).then(|| errors.iter().sum::<f64>() / n),
        median_abs_error_min: median(&mut errors),
    }
}

fn score(points: &[&Point]) -> Score {
    let n = points.len() as f64;
    let some = |v: f64| (!points.is_empty()).then_some(v);
    let mut errors: Vec<f64> = points
        .iter()
        .map(|p| (p.quantiles[1] - p.took_min).abs())
        .collect();
    let inside = points
        .iter()
        .filter(|p| p.quantiles[0] <= p.took_min && p.took_min <= p.quantiles[2])
        .count();
    Score {
        n: points.len() as u64,
        coverage: some(inside as f64 / n),
        median_abs_error_min: median(&mut errors),
        mean_crps_min: some(points.iter().map(|p| p.crps).sum::<f64>() / n),
        pit: (!points.is_empty()).then(|| {
            let mut tenths = [0.0; 10];
            for p in points {
                tenths[((p.pit * 10.0) as usize).min(9)] += 1.0 / n;
            }
            tenths.map(|share: f64| (share * 1e4).round() / 1e4)
        }),
        clock: baseline(points, |p| p.clock),
        doubling: baseline(points, |p| p.doubling),
    }
}

/// The contract's document.
#[must_use]
pub fn document(points: &[Point], left_out: u64) -> BacktestDocument {
    let of = |kind: Option<StageKind>| -> Vec<&Point> {
        points
            .iter()
            .filter(|p| kind.is_none_or(|k| p.stage == k))
            .collect()
    };
    BacktestDocument {
        overall: score(&of(None)),
        by_stage: super::document::ByStage {
            bulk: score(&of(Some(StageKind::Bulk))),
            final_: score(&of(Some(StageKind::Final))),
        },
        left_out,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use doughwarden_model::age::AgePath;
    use doughwarden_model::cardinal::RateLaw;
    use doughwarden_model::proof::{Evidence, Prior, RiseCurve};
    use doughwarden_model::scores::crps_lognormal;

    #[test]
    fn the_table_s_score_is_the_closed_form_s() {
        // Lognormal, mu ln 90, s 0.15, outcome 100: 5.90243962 (Gneiting & Raftery 2007, J. Am. Stat.
        // Assoc. 102:359-378).
        let mut past = AgePath::begin(RateLaw::default(), 0.0, 27.0);
        past.advance(1.0, 27.0, 27.0);
        let prior = Prior {
            mean: 90f64.ln(),
            sd: 0.15,
            curves: vec![RiseCurve::UNKNOWN],
            rise_sd: 0.1,
            tie: 0.0,
            noise_share: 0.08,
            noise: 0.04,
        };
        let mut future = past.branch();
        future.advance(2000.0, 27.0, 27.0);
        let ready = ReadyTime::new(
            &prior.after(&past, &Evidence::default()),
            &past,
            &[(1.0, future)],
        );
        let exact = crps_lognormal(90f64.ln(), 0.15, 100.0).expect("valid");
        assert!((exact - 5.902_439_62).abs() < 1e-6);
        assert!(
            (crps(&ready, 1.0, 100.0) - exact).abs() < 0.03,
            "{}",
            crps(&ready, 1.0, 100.0)
        );
    }
}

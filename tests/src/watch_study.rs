//! Studies of when alerts come, on simulated nights whose dough follows a law that is not the one
//! being fitted: the nearly-ready alert against the lead and against an all-knowing forecaster;
//! ordinary nights for false alarms; nights with a fault for missed ones.
//!
//! [`night`] simulates, [`all_knowing`] is the best that can be done, [`watching`] lives through a
//! night with the daemon's own forecasts and rules, [`nights`] is the ordinary nights and the faults,
//! [`bakes`] counts what a phone is told on ordinary bakes.

pub mod all_knowing;
pub mod bakes;
pub mod night;
pub mod nights;
mod told;
pub mod watching;

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use doughwarden::batches::record::{Record, StageKind};
use doughwarden::kitchen::chance::Chance;
use doughwarden::kitchen::ferment::Law;
use doughwarden::kitchen::proof::{Pace, Recipe};
use doughwarden::time::UtcMs;

use all_knowing::AllKnowing;
use night::{Night, Scene, Standing, minutes, recipes, simulate};
use watching::{Past, watch};

/// When the nights begin.
pub const FIRST_NIGHT: UtcMs = UtcMs(1_768_032_000_000);
/// The rule looks so often, min.
const LOOK_MIN: f64 = 1.0;

/// Each recipe's pace, by the law of its author's kitchen.
#[must_use]
pub fn paces(law: Law) -> [Pace; 3] {
    recipes().map(|(_, recipe)| Recipe { law, ..recipe }.pace())
}

/// The nearly-ready study's scenes: lead 30 min, speeds that spread by 10 %, rooms of 17 to 27 °C,
/// every other one in the oven with its light on, bulk and final proofs by turns.
#[must_use]
pub fn nearly_scenes(runs: usize) -> Vec<Scene> {
    let mut chance = Chance::from_seed(4_300);
    (0..runs)
        .map(|i| {
            let lamp_w = chance.between(6.0, 13.0);
            Scene {
                seed: 10_000 + i as u64,
                begin: FIRST_NIGHT.plus_min(chance.between(0.0, 24.0 * 60.0)),
                stage: if i / 2 % 2 == 0 {
                    StageKind::Bulk
                } else {
                    StageKind::Final
                },
                recipe: i % 3,
                law: Law::default(),
                speed_sd: 0.10,
                room_c: chance.between(17.0, 27.0),
                standing: if i % 2 == 0 {
                    Standing::Room
                } else {
                    Standing::Oven(lamp_w)
                },
                interval_s: 30.0,
                lead_min: 30.0,
                oddity: None,
                fault: None,
            }
        })
        .collect()
}

/// Does a piece of work for each item on every core, in order.
pub fn each<T: Sync, R: Send>(items: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, R)>> = Mutex::new(Vec::with_capacity(items.len()));
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some((i, item)) = {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    items.get(i).map(|item| (i, item))
                } {
                    let result = work(item);
                    done.lock()
                        .unwrap_or_else(std::sync::PoisonError::into_inner)
                        .push((i, result));
                }
            });
        }
    });
    let mut done = done
        .into_inner()
        .unwrap_or_else(std::sync::PoisonError::into_inner);
    done.sort_by_key(|(i, _)| *i);
    done.into_iter().map(|(_, r)| r).collect()
}

/// Minutes before ready at which a forecaster's word comes: the first look at which its median is
/// no more than the lead away.
pub fn told_before(night: &Night, median: impl Fn(UtcMs) -> Option<UtcMs>) -> Option<f64> {
    let mut at = night.scene.begin;
    while at < night.end {
        if median(at).is_some_and(|m| minutes(at, m) <= night.scene.lead_min) {
            return Some(minutes(at, night.ready));
        }
        at = at.plus_min(LOOK_MIN);
    }
    None
}

/// The recipe's own time, made longer or shorter by the bakers' rule (doubles for 9 °C) on the mean
/// air so far: what a baker without a model does.
fn rule_of_thumb(night: &Night, at: UtcMs) -> Option<UtcMs> {
    let usual = night.standing_records.iter().find_map(|r| match r {
        Record::Dough(d) => match night.scene.stage {
            StageKind::Bulk => d.bulk,
            StageKind::Final => d.final_,
        },
        _ => None,
    })?;
    let heard: Vec<f64> = night
        .readings
        .iter()
        .filter(|r| r.time >= night.scene.begin.plus_min(-5.0) && r.time <= at)
        .map(|r| r.value)
        .collect();
    let mean = heard.iter().sum::<f64>() / (heard.len().max(1)) as f64;
    let takes = usual.usual_min? * 2_f64.powf((usual.at? - mean) / 9.0);
    Some(night.scene.begin.plus_min(takes))
}

/// How one forecaster did.
#[derive(Clone, Debug, Default)]
pub struct Timing {
    /// Minutes before ready, one a night; `None`: never.
    pub told: Vec<Option<f64>>,
}

/// Runs of a full study.
const FULL: usize = 400;

/// What a share is held against: the bar itself in a full study; in a part of one, the bar less what
/// chance alone takes off in one part of a hundred (normal approximation to the binomial).
pub(crate) fn held_against(bar: f64, runs: usize) -> f64 {
    if runs >= FULL {
        return bar;
    }
    bar - 2.326 * (bar * (1.0 - bar) / runs.max(1) as f64).sqrt()
}

impl Timing {
    /// The share told between two shares of the lead.
    #[must_use]
    pub fn share(&self, lead_min: f64, low: f64, high: f64) -> f64 {
        let good = self
            .told
            .iter()
            .flatten()
            .filter(|m| (low * lead_min..=high * lead_min).contains(*m))
            .count();
        good as f64 / self.told.len().max(1) as f64
    }

    fn head(lead_min: f64) -> String {
        format!(
            "nearly-ready alert, lead {lead_min} min: minutes before the dough is truly ready\n{:<32} {:>8}  {:>5} {:>5} {:>5}  {:>6} {:>6} {:>6}\n",
            "", "in time", "early", "late", "never", "10 %", "median", "90 %"
        )
    }

    fn row(&self, name: &str, lead_min: f64, low: f64, high: f64) -> String {
        let mut told: Vec<f64> = self.told.iter().flatten().copied().collect();
        told.sort_by(f64::total_cmp);
        let at = |p: f64| {
            told.get(((told.len() as f64 - 1.0) * p).round() as usize)
                .copied()
                .unwrap_or(f64::NAN)
        };
        let count = |test: &dyn Fn(f64) -> bool| told.iter().filter(|m| test(**m)).count();
        format!(
            "{name:<32} {:>6.1} %  {:>5} {:>5} {:>5}  {:>6.1} {:>6.1} {:>6.1}\n",
            100.0 * self.share(lead_min, low, high),
            count(&|m| m > high * lead_min),
            count(&|m| m < low * lead_min),
            self.told.len() - told.len(),
            at(0.1),
            at(0.5),
            at(0.9),
        )
    }
}

/// The nearly-ready study's figures.
#[derive(Clone, Debug)]
pub struct Nearly {
    /// Whose, and how they did.
    pub rows: Vec<(&'static str, Timing)>,
    /// What each run was.
    pub scenes: Vec<Scene>,
    /// The lead, min.
    pub lead_min: f64,
}

/// Between these shares of the lead the word comes in time.
const IN_TIME: (f64, f64) = (0.6, 1.4);

impl Nearly {
    /// The table.
    #[must_use]
    pub fn table(&self) -> String {
        let (low, high) = IN_TIME;
        let mut out = Timing::head(self.lead_min);
        for (name, timing) in &self.rows {
            out += &timing.row(name, self.lead_min, low, high);
        }
        for (who, timing) in &self.rows[..2] {
            out += &format!("\n{who}, by stage and place\n");
            for stage in [StageKind::Bulk, StageKind::Final] {
                for place in ["counter", "oven"] {
                    let told = self.scenes.iter().zip(&timing.told);
                    let told = told
                        .filter(|(s, _)| s.stage == stage && s.standing.place() == place)
                        .map(|(_, t)| *t)
                        .collect();
                    let name = format!("  {} on/in the {place}", stage.as_str());
                    out += &Timing { told }.row(&name, self.lead_min, low, high);
                }
            }
        }
        out
    }

    /// What of the bar is not met: four in five, or the all-knowing forecaster's share less 5
    /// points, whichever is lower.
    #[must_use]
    pub fn short_of(&self) -> Vec<String> {
        let (low, high) = IN_TIME;
        let share = |i: usize| self.rows[i].1.share(self.lead_min, low, high);
        let bar = held_against((share(1) - 0.05).min(0.80), self.rows[0].1.told.len());
        (share(0) < bar)
            .then(|| format!("in time in {:.3}, the bar is {bar:.3}", share(0)))
            .into_iter()
            .collect()
    }
}

/// Runs the nearly-ready study over a share of its 400 runs.
#[must_use]
pub fn nearly(share: f64) -> Nearly {
    let runs = ((400.0 * share).round() as usize).max(1);
    let paces = paces(Law::default());
    let scenes = nearly_scenes(runs);
    let rows = each(&scenes, |scene| {
        let night = simulate(scene, &paces);
        let oracle = AllKnowing::of(&night);
        let told = watch(&night, &Past::default());
        [
            told.iter()
                .find(|t| t.rule == "nearly_ready")
                .map(|t| minutes(t.at, night.ready)),
            told_before(&night, |at| Some(oracle.median(at))),
            told_before(&night, |at| rule_of_thumb(&night, at)),
        ]
    });
    let column = |i: usize| Timing {
        told: rows.iter().map(|r| r[i]).collect(),
    };
    Nearly {
        rows: vec![
            ("Doughwarden, no bakes yet", column(0)),
            ("all-knowing forecaster", column(1)),
            ("recipe's time, doubling rule", column(2)),
        ],
        scenes,
        lead_min: 30.0,
    }
}

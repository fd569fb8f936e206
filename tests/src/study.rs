//! The study: forecasts of the same cases by ours, the script, the wall clock, the doubling rule and the
//! bound, by law and by moment, after histories of several lengths.
//!
//! A case is one stage of a judged batch, asked at 25, 50 or 75 % of its *true* time. A forecaster
//! learns once from a history and then answers each case from what was known of the judged batch at
//! that moment, and nothing else; [`peeks`] checks that it does.

use crate::books::{self, Book};
use crate::bound;
use crate::laws::{self, Law, Stage};
use crate::peer::Script;
use jiff::Timestamp;
use serde_json::Value;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Quantiles of ready time, minutes from the start of the stage.
#[derive(Clone, Copy, Debug, PartialEq, serde::Deserialize)]
pub struct Quantiles {
    /// One in ten is ready sooner.
    pub p10: f64,
    /// As likely sooner as later.
    pub p50: f64,
    /// One in ten is ready later.
    pub p90: f64,
}

impl Quantiles {
    /// A point forecast: all three the same.
    pub fn point(minutes: f64) -> Self {
        Self {
            p10: minutes,
            p50: minutes,
            p90: minutes,
        }
    }

    /// Is `truth` within p10 to p90?
    pub fn covers(&self, truth: f64) -> bool {
        self.p10 <= truth && truth <= self.p90
    }

    /// Mean pinball loss at 10, 50 and 90 % (Koenker & Bassett 1978, Econometrica 46:33).
    pub fn pinball(&self, truth: f64) -> f64 {
        let loss = |q: f64, u: f64| {
            if truth >= q {
                (truth - q) * u
            } else {
                (q - truth) * (1.0 - u)
            }
        };
        (loss(self.p10, 0.1) + loss(self.p50, 0.5) + loss(self.p90, 0.9)) / 3.0
    }
}

/// A question: the batch, the stage, and the moment it is asked.
pub type Question = (String, Stage, Timestamp);

/// Someone who forecasts from log books.
pub trait Forecaster: Sync {
    /// A short name for the tables.
    fn name(&self) -> String;

    /// Learns once from the batches named in `history`, then answers every question, in order.
    ///
    /// `records` is the whole log book, as the script too is given it. A question may rest only on
    /// what was learned and on the asked batch's own records up to the moment; [`peeks`] finds out.
    fn forecast(
        &self,
        records: &[Value],
        history: &[String],
        questions: &[Question],
    ) -> anyhow::Result<Vec<Quantiles>>;
}

/// Asks each question twice, of the whole book and of a book that ends at the moment asked (with the
/// stage in progress still open); returns a line for each question answered differently.
pub fn peeks(
    forecaster: &dyn Forecaster,
    book: &Book,
    questions: &[Question],
) -> anyhow::Result<Vec<String>> {
    let view = View::of(book)?;
    let history = book.history_ids();
    let whole = forecaster.forecast(&book.records, &history, questions)?;
    let mut out = Vec::new();
    for (q, whole) in questions.iter().zip(whole) {
        let mut records = view.history.clone();
        records.extend(
            view.known(&q.0, q.1, q.2)
                .into_iter()
                .filter(|r| !matches!(text(r, "record"), "place" | "dough")),
        );
        let cut = forecaster.forecast(&records, &history, std::slice::from_ref(q))?;
        if (cut[0].p10 - whole.p10)
            .abs()
            .max((cut[0].p50 - whole.p50).abs())
            .max((cut[0].p90 - whole.p90).abs())
            > 1e-6
        {
            out.push(format!(
                "{} {} at {}: {whole:?} with the whole book, {:?} without the future",
                q.0,
                q.1.name(),
                q.2,
                cut[0]
            ));
        }
    }
    Ok(out)
}

/// The moments asked, as shares of the true time.
pub const MOMENTS: [f64; 3] = [0.25, 0.5, 0.75];
/// The lengths of history, in batches.
pub const HISTORIES: [usize; 4] = [30, 8, 3, 0];

/// How much to run.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Seed of all chance.
    pub seed: u64,
    /// Kitchens per law.
    pub kitchens: u64,
    /// Judged batches per kitchen; each has two stages.
    pub judged: usize,
    /// Lengths of history.
    pub histories: Vec<usize>,
}

impl Plan {
    /// The full run is 400 kitchens a law with 5 judged batches each, 4,000 cases a cell; `share` of it.
    /// (One kitchen's cases rest on one history: with 50 kitchens a ratio to the script's error still
    /// strays by .04 from seed to seed.)
    pub fn share(seed: u64, share: f64) -> Self {
        let kitchens = ((400.0 * share).round() as u64).clamp(2, 8_000);
        Self {
            seed,
            kitchens,
            judged: 5,
            histories: HISTORIES.to_vec(),
        }
    }
}

/// One case, with everybody's answer.
#[derive(Clone, Debug)]
pub struct Case {
    /// Index of the law.
    pub law: usize,
    /// Number of the kitchen.
    pub kitchen: u64,
    /// The judged batch's id.
    pub batch: String,
    /// Batches of history.
    pub history: usize,
    /// Index into [`MOMENTS`].
    pub moment: usize,
    /// The stage.
    pub stage: Stage,
    /// True ready time, minutes from the stage's start.
    pub truth: f64,
    /// Answers: script, clock, doubling, bound, then the forecasters in their order.
    pub answers: Vec<Quantiles>,
}

/// Names of the answers that come before the forecasters'.
pub const OTHERS: [&str; 4] = ["script", "clock", "doubling", "bound"];

/// Runs the plan on as many threads as there are cores.
pub fn run(plan: &Plan, forecasters: &[&dyn Forecaster]) -> anyhow::Result<Vec<Case>> {
    let laws = laws::all();
    let units: Vec<(usize, u64)> = (0..laws.len())
        .flat_map(|l| (0..plan.kitchens).map(move |k| (l, k)))
        .collect();
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, Vec<Case>)>> = Mutex::new(Vec::new());
    let workers = std::thread::available_parallelism().map_or(1, |n| n.get());
    std::thread::scope(|scope| {
        let handles: Vec<_> = (0..workers)
            .map(|_| {
                scope.spawn(|| -> anyhow::Result<()> {
                    let mut script = Script::start()?;
                    loop {
                        let i = next.fetch_add(1, Ordering::Relaxed);
                        let Some(&(law, kitchen)) = units.get(i) else {
                            return Ok(());
                        };
                        let cases = unit(
                            plan,
                            law,
                            laws[law].as_ref(),
                            kitchen,
                            forecasters,
                            &mut script,
                        )?;
                        done.lock()
                            .map_err(|_| anyhow::anyhow!("a worker failed"))?
                            .push((i, cases));
                    }
                })
            })
            .collect();
        for h in handles {
            h.join()
                .map_err(|_| anyhow::anyhow!("a worker panicked"))??;
        }
        anyhow::Ok(())
    })?;
    let mut done = done
        .into_inner()
        .map_err(|_| anyhow::anyhow!("a worker failed"))?;
    done.sort_by_key(|(i, _)| *i);
    Ok(done.into_iter().flat_map(|(_, c)| c).collect())
}

fn unit(
    plan: &Plan,
    law_index: usize,
    law: &dyn Law,
    kitchen: u64,
    forecasters: &[&dyn Forecaster],
    script: &mut Script,
) -> anyhow::Result<Vec<Case>> {
    let seed = plan.seed.wrapping_mul(1000).wrapping_add(law_index as u64);
    let mut bounds = None;
    let mut out = Vec::new();
    for &history in &plan.histories {
        let book = books::book(law, seed, kitchen, history, plan.judged);
        let judged = &book.batches[book.history..];
        // The judged batches are the same after every history, so the bound is asked once.
        let bounds = bounds.get_or_insert_with(|| {
            judged
                .iter()
                .enumerate()
                .map(|(i, b)| {
                    bound::ask(
                        law,
                        &book.kitchen,
                        b,
                        &MOMENTS,
                        seed ^ (kitchen << 32) ^ i as u64,
                    )
                })
                .collect::<Vec<_>>()
        });
        let view = View::of(&book)?;
        let mut asked = Vec::new();
        for (b, bound) in judged.iter().zip(bounds.iter()) {
            for (s, bound) in Stage::BOTH.into_iter().zip(bound) {
                let truth = &b.stages[s.index()];
                for (moment, share) in MOMENTS.iter().enumerate() {
                    let start = books::after(b.start, truth.start_min as f64);
                    let at = books::after(start, share * truth.ready_min);
                    let known = view.known(&b.id, s, at);
                    let clock = view.clock(&b.id, s);
                    let doubling = view.doubling(&known, &b.id, s, at);
                    let mut answers = vec![Quantiles::point(clock); 4];
                    answers[2] = Quantiles::point(doubling);
                    answers[3] = bound[moment];
                    asked.push((b.id.clone(), s, at));
                    out.push(Case {
                        batch: b.id.clone(),
                        law: law_index,
                        kitchen,
                        history,
                        moment,
                        stage: s,
                        truth: truth.ready_min,
                        answers,
                    });
                }
            }
        }
        let first = out.len() - asked.len();
        for (case, q) in out[first..].iter_mut().zip(script.ask(&book, &asked)?) {
            case.answers[0] = q;
        }
        let ids = book.history_ids();
        for f in forecasters {
            let answers = f.forecast(&book.records, &ids, &asked)?;
            anyhow::ensure!(
                answers.len() == asked.len(),
                "{} left questions unanswered",
                f.name()
            );
            for (case, q) in out[first..].iter_mut().zip(answers) {
                case.answers.push(q);
            }
        }
    }
    Ok(out)
}

/// A log book cut up: what a forecaster may learn from, and what was known of a judged batch when.
pub struct View<'a> {
    book: &'a Book,
    /// Records of the history alone.
    pub history: Vec<Value>,
    readings: Vec<(Timestamp, &'a Value)>,
    durations: Vec<Duration>,
}

struct Duration {
    dough: String,
    stage: String,
    minutes: f64,
    air_c: f64,
}

/// Readings from so long before a batch are part of what is known of it.
const EARLIER_MIN: f64 = 60.0;

impl<'a> View<'a> {
    /// Cuts a book.
    pub fn of(book: &'a Book) -> anyhow::Result<Self> {
        let judged: Vec<&str> = book.batches[book.history..]
            .iter()
            .map(|b| b.id.as_str())
            .collect();
        let first = book
            .batches
            .get(book.history)
            .map(|b| books::after(b.start, -EARLIER_MIN));
        let mut history = Vec::new();
        let mut readings = Vec::new();
        for r in &book.records {
            let batch = match text(r, "record") {
                "batch" => text(r, "id"),
                _ => text(r, "batch"),
            };
            if text(r, "record") == "reading" {
                let t = time(r, "time")?;
                readings.push((t, r));
                if first.is_none_or(|f| t < f) {
                    history.push(r.clone());
                }
            } else if !judged.contains(&batch) {
                history.push(r.clone());
            }
        }
        readings.sort_by_key(|(t, _)| *t);
        let mut view = Self {
            book,
            history,
            readings,
            durations: Vec::new(),
        };
        view.durations = view.durations()?;
        Ok(view)
    }

    fn durations(&self) -> anyhow::Result<Vec<Duration>> {
        let mut out = Vec::new();
        for r in self
            .history
            .iter()
            .filter(|r| text(r, "record") == "stage" && text(r, "outcome") == "ready")
        {
            let (start, end) = (time(r, "start")?, time(r, "end")?);
            let Some((dough, place)) = self.dough_and_place(text(r, "batch")) else {
                continue;
            };
            let (dough, air_c) = (dough.to_owned(), self.mean_air(place, start, end));
            out.push(Duration {
                dough,
                stage: text(r, "stage").to_owned(),
                minutes: minutes(start, end),
                air_c,
            });
        }
        Ok(out)
    }

    fn dough_and_place(&self, batch: &str) -> Option<(&str, &str)> {
        let b = self
            .book
            .records
            .iter()
            .find(|r| text(r, "record") == "batch" && text(r, "id") == batch)?;
        Some((text(b, "dough"), text(b, "place")))
    }

    fn mean_air(&self, place: &str, from: Timestamp, to: Timestamp) -> f64 {
        let first = self.readings.partition_point(|(t, _)| *t < from);
        let last = self.readings.partition_point(|(t, _)| *t <= to);
        let air: Vec<f64> = self.readings[first..last]
            .iter()
            .filter(|(_, r)| text(r, "sensor") == place)
            .filter_map(|(_, r)| r["value"].as_f64())
            .collect();
        if air.is_empty() {
            24.0
        } else {
            air.iter().sum::<f64>() / air.len() as f64
        }
    }

    /// What was known of `batch` at `at`, during `stage`.
    pub fn known(&self, batch: &str, stage: Stage, at: Timestamp) -> Vec<Value> {
        let mut out = Vec::new();
        let place = self.dough_and_place(batch).map_or("", |(_, p)| p);
        let mut start = None;
        for r in &self.book.records {
            let mine = text(r, "batch") == batch;
            match text(r, "record") {
                "place" | "dough" => out.push(r.clone()),
                "batch" if text(r, "id") == batch => out.push(r.clone()),
                "stage" if mine && time(r, "start").is_ok_and(|t| t <= at) => {
                    let mut r = r.clone();
                    let begun = time(&r, "start").ok();
                    start = start.min(begun).or(begun);
                    if text(&r, "stage") == stage.name()
                        && let Some(fields) = r.as_object_mut()
                    {
                        fields.remove("end");
                        fields.remove("outcome");
                    }
                    out.push(r);
                }
                "observation" if mine && time(r, "time").is_ok_and(|t| t <= at) => {
                    out.push(r.clone())
                }
                _ => {}
            }
        }
        let from = books::after(start.unwrap_or(at), -EARLIER_MIN);
        let first = self.readings.partition_point(|(t, _)| *t < from);
        let last = self.readings.partition_point(|(t, _)| *t <= at);
        out.extend(
            self.readings[first..last]
                .iter()
                .filter(|(_, r)| text(r, "sensor") == place)
                .map(|(_, r)| (*r).clone()),
        );
        out
    }

    fn like(&self, batch: &str, stage: Stage) -> (f64, f64) {
        let dough = self.dough_and_place(batch).map_or("", |(d, _)| d);
        let stages: Vec<&Duration> = self
            .durations
            .iter()
            .filter(|d| d.stage == stage.name())
            .collect();
        let same: Vec<&Duration> = stages
            .iter()
            .copied()
            .filter(|d| d.dough == dough)
            .collect();
        let of = if same.is_empty() { stages } else { same };
        if of.is_empty() {
            // Common practice for an unknown dough at 24 °C, no published source.
            return (if stage == Stage::Bulk { 90.0 } else { 60.0 }, 24.0);
        }
        let n = of.len() as f64;
        (
            of.iter().map(|d| d.minutes).sum::<f64>() / n,
            of.iter().map(|d| d.air_c).sum::<f64>() / n,
        )
    }

    /// The wall clock: the mean of this dough's recorded times.
    pub fn clock(&self, batch: &str, stage: Stage) -> f64 {
        self.like(batch, stage).0
    }

    /// The doubling rule: half the time for nine degrees more, about the clock's time and mean air.
    pub fn doubling(&self, known: &[Value], batch: &str, stage: Stage, at: Timestamp) -> f64 {
        let (m, a) = self.like(batch, stage);
        let start = known
            .iter()
            .find(|r| text(r, "record") == "stage" && text(r, "stage") == stage.name())
            .and_then(|r| time(r, "start").ok());
        let place = self.dough_and_place(batch).map_or("", |(_, p)| p);
        let b = self.mean_air(place, start.unwrap_or(at), at);
        m * ((a - b) / 9.0).exp2()
    }
}

/// A text field, empty when absent.
pub fn text<'v>(record: &'v Value, field: &str) -> &'v str {
    record[field].as_str().unwrap_or("")
}

/// A time field.
pub fn time(record: &Value, field: &str) -> anyhow::Result<Timestamp> {
    Ok(text(record, field).parse()?)
}

/// Minutes from `a` to `b`.
pub fn minutes(a: Timestamp, b: Timestamp) -> f64 {
    (b.as_millisecond() - a.as_millisecond()) as f64 / 60_000.0
}

//! `compare`: groups of logged proofs (seasons, places, lots, dates) against clock time and against
//! effective time, what temperature explains and what is left, and a verdict that claims no more
//! than the bakes show.

use std::collections::BTreeMap;

use doughwarden_dashboards::show::{Show, minutes};
use doughwarden_model::seasons::{
    Bake, Comparison, Group, Reason, Verdict, any_difference, compare_all,
};
use serde::{Deserialize, Serialize};

use super::{Grounds, PlanError};
use crate::batches::record::{Batch, Outcome, StageKind};
use crate::forecasts::groups::quarter;
use crate::forecasts::inputs::{Builder, Known, Without, known_end};
use crate::forecasts::outlook;
use crate::time::UtcMs;

/// Points of a curve.
const POINTS: usize = 25;
/// Proofs a band needs; fewer show their middle alone.
const LEAST_FOR_BAND: usize = 3;
/// Groups compared at most: more pairs than anybody reads.
const MOST_GROUPS: usize = 8;

/// What is asked.
#[derive(Clone, Debug, Default, Deserialize, clap::Args, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(default, deny_unknown_fields)]
pub struct CompareAsked {
    /// `season` (unless told), `place`, `flour`, `yeast` (lots), or `dates`
    #[arg(long)]
    pub by: Option<String>,
    /// Only this dough
    #[arg(long)]
    pub dough: Option<String>,
    /// `bulk` (unless told) or `final`
    #[arg(long)]
    pub stage: Option<String>,
    /// Seasons of the southern half of the world
    #[arg(long)]
    pub south: bool,
    /// For `dates`: `name=2026-01-01..2026-03-31;other=2026-06-01..2026-08-31`
    #[arg(long)]
    pub dates: Option<String>,
}

/// A point of a curve: minutes, and the rise of one proof in ten, half of them, nine in ten.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct CurvePoint {
    /// Minutes by the clock, or of effective time (minutes at 27 °C).
    pub min: f64,
    /// Lower edge of the band; null with fewer than three proofs.
    pub p10: Option<f64>,
    /// The middle.
    pub p50: f64,
    /// Upper edge.
    pub p90: Option<f64>,
}

/// One group.
#[derive(Clone, Debug, Serialize)]
pub struct GroupDocument {
    /// Its name.
    pub name: String,
    /// Its proofs.
    pub proofs: usize,
    /// Their middle time by the clock, minutes.
    pub clock_min: f64,
    /// Their middle effective time, minutes at 27 °C.
    pub effective_min: f64,
    /// Rise against the clock.
    pub by_clock: Vec<CurvePoint>,
    /// Rise against effective time.
    pub by_effective_time: Vec<CurvePoint>,
}

/// One pair of groups.
#[derive(Clone, Debug, Serialize)]
pub struct PairDocument {
    /// The first.
    pub first: String,
    /// The second, compared with it.
    pub second: String,
    /// How much longer the second took by the clock, percent.
    pub clock_percent: f64,
    /// What of that temperature explains, percent.
    pub explained_percent: f64,
    /// What is left at the same temperature, percent, and its 95 % interval; null where it cannot be said.
    pub left_percent: Option<[f64; 3]>,
    /// The p value among all pairs (Holm).
    pub p_adjusted: Option<f64>,
    /// `longer`, `sooner`, `none_that_matters` or `cannot_tell`.
    pub verdict: &'static str,
    /// Why, for `cannot_tell`: `too_few_bakes`, `entangled`, `too_much_scatter`, `many_comparisons`.
    pub reason: Option<&'static str>,
    /// The verdict in words.
    pub words: String,
}

/// The answer.
#[derive(Clone, Debug, Serialize)]
pub struct CompareDocument {
    /// How the groups were made.
    pub by: String,
    /// Which proof.
    pub stage: StageKind,
    /// The groups.
    pub groups: Vec<GroupDocument>,
    /// Every pair.
    pub pairs: Vec<PairDocument>,
    /// Whether the groups differ at all: the p value of all at once, where there are three or more.
    pub any_difference_p: Option<f64>,
    /// What it rests on.
    pub evidence: Vec<String>,
}

/// One finished proof.
struct Proofed {
    bake: Bake,
    known: Known,
    minutes: f64,
    age_min: f64,
}

/// Answers.
///
/// # Errors
/// If what was asked cannot be understood.
pub fn answer(g: &Grounds<'_>, asked: &CompareAsked) -> Result<CompareDocument, PlanError> {
    let kind = match asked
        .stage
        .as_deref()
        .filter(|s| !s.is_empty())
        .unwrap_or("bulk")
    {
        "bulk" => StageKind::Bulk,
        "final" => StageKind::Final,
        other => {
            return Err(PlanError::Bad(format!(
                "stage: `{other}` is neither bulk nor final"
            )));
        }
    };
    let by = asked
        .by
        .clone()
        .filter(|b| !b.is_empty())
        .unwrap_or_else(|| "season".to_owned());
    let spans = match by.as_str() {
        "dates" => spans(g, asked.dates.as_deref().unwrap_or_default())?,
        "season" | "place" | "flour" | "yeast" => Vec::new(),
        other => {
            return Err(PlanError::Bad(format!(
                "by: `{other}` is none of season, place, flour, yeast, dates"
            )));
        }
    };
    let law = outlook::law(&g.learned, Without::default());
    let builder = Builder {
        sources: g.sources,
        habit: g.learned.habit,
        lag: &g.learned.lag,
        usual_yeast: Some(&g.learned.usual_yeast),
        without: Without::default(),
    };
    let mut groups: BTreeMap<(usize, String), Vec<Proofed>> = BTreeMap::new();
    let (mut unreadable, mut no_group) = (0, 0);
    for stage in g.book().stages.values().filter(|s| s.stage == kind) {
        let Some(batch) = g.book().batches.get(&stage.batch) else {
            continue;
        };
        if asked
            .dough
            .as_ref()
            .is_some_and(|d| !d.is_empty() && *d != batch.dough)
        {
            continue;
        }
        let Some((end, Outcome::Ready)) = known_end(stage, g.now) else {
            continue;
        };
        let Some(name) = group_of(g, &by, &spans, asked.south, batch, stage.start) else {
            no_group += 1;
            continue;
        };
        let Some(known) = builder.known(&stage.batch, kind, g.now, law)? else {
            continue;
        };
        let minutes = end.seconds_since(stage.start) / 60.0;
        let age_min = known.path.now().age_min;
        if known.track.readings == 0 || minutes < 1.0 || age_min < 0.1 {
            unreadable += 1;
            continue;
        }
        let bake = Bake {
            ln_age: age_min.ln(),
            ln_clock: minutes.ln(),
            recipe: batch.dough.clone(),
            covariates: vec![known.subject.ln_dose],
        };
        groups.entry(name).or_default().push(Proofed {
            bake,
            known,
            minutes,
            age_min,
        });
    }
    if groups.len() > MOST_GROUPS {
        return Err(PlanError::Bad(format!(
            "{} groups are too many to compare ({MOST_GROUPS} at most): choose a dough or dates",
            groups.len()
        )));
    }
    let for_model: Vec<Group> = groups
        .iter()
        .map(|((_, name), proofs)| Group {
            name: name.clone(),
            bakes: proofs.iter().map(|p| p.bake.clone()).collect(),
        })
        .collect();
    let pairs = compare_all(&for_model)?.iter().map(pair).collect();
    let any_difference_p = if for_model.len() > 2 {
        any_difference(&for_model)?.map(|f| f.p)
    } else {
        None
    };
    let mut evidence = vec![format!(
        "Only {} proofs that ended just right, with readings of their air, are compared; yeast and each dough's own pace are taken out.",
        if kind == StageKind::Bulk {
            "bulk"
        } else {
            "final"
        }
    )];
    if unreadable > 0 {
        evidence.push(format!(
            "{unreadable} left out: no readings of the air they stood in."
        ));
    }
    if no_group > 0 {
        evidence.push(format!("{no_group} belong to none of the groups."));
    }
    if for_model.len() < 2 {
        evidence.push("There are not two groups yet, so there is nothing to compare.".into());
    }
    Ok(CompareDocument {
        by,
        stage: kind,
        groups: groups
            .iter()
            .map(|((_, name), proofs)| group(g, name, proofs))
            .collect(),
        pairs,
        any_difference_p,
        evidence,
    })
}

/// A group's place in the order, and its name.
fn group_of(
    g: &Grounds<'_>,
    by: &str,
    spans: &[(String, UtcMs, UtcMs)],
    south: bool,
    batch: &Batch,
    start: UtcMs,
) -> Option<(usize, String)> {
    let lot = |what: &str| {
        let lot = batch.lot.as_ref()?.get(what)?;
        Some((
            0,
            lot.as_str().map_or_else(|| lot.to_string(), str::to_owned),
        ))
    };
    match by {
        "place" => Some((0, g.book().place_at(&batch.id, start)?.to_owned())),
        "flour" | "yeast" => lot(by),
        "dates" => spans
            .iter()
            .enumerate()
            .find(|(_, (_, from, to))| start >= *from && start < *to)
            .map(|(i, (name, _, _))| (i, name.clone())),
        _ => {
            // Meteorological seasons: whole months, December to February the northern winter.
            let month = start.timestamp().to_zoned_datetime(g.zone.clone()).month();
            let quarter = quarter(month);
            let names = ["winter", "spring", "summer", "autumn"];
            let season = if south { (quarter + 2) % 4 } else { quarter };
            Some((season, names[season].to_owned()))
        }
    }
}

/// The user's own dates: whole days in their zone, both ends included.
fn spans(g: &Grounds<'_>, text: &str) -> Result<Vec<(String, UtcMs, UtcMs)>, PlanError> {
    let bad = |part: &str| {
        PlanError::Bad(format!(
            "dates: `{part}` is not name=2026-01-01..2026-03-31"
        ))
    };
    let found: Vec<_> = text
        .split(';')
        .map(str::trim)
        .filter(|p| !p.is_empty())
        .map(|part| {
            let (name, span) = part.split_once('=').ok_or_else(|| bad(part))?;
            let (from, to) = span.split_once("..").ok_or_else(|| bad(part))?;
            let day = |t: &str| t.trim().parse::<jiff::civil::Date>().map_err(|_| bad(part));
            let begin = |d: jiff::civil::Date| {
                d.to_datetime(jiff::civil::Time::midnight())
                    .to_zoned_datetime(g.zone.clone())
                    .map(|z| UtcMs(z.timestamp().as_millisecond()))
                    .map_err(|_| bad(part))
            };
            let after = day(to)?.tomorrow().map_err(|_| bad(part))?;
            Ok((name.trim().to_owned(), begin(day(from)?)?, begin(after)?))
        })
        .collect::<Result<_, PlanError>>()?;
    if found.len() < 2 {
        return Err(PlanError::Bad("dates: give at least two, like winter=2026-01-01..2026-03-31;summer=2026-06-01..2026-08-31".into()));
    }
    Ok(found)
}

fn middle(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    if n == 0 {
        0.0
    } else {
        0.5 * (values[(n - 1) / 2] + values[n / 2])
    }
}

fn group(g: &Grounds<'_>, name: &str, proofs: &[Proofed]) -> GroupDocument {
    let (mut clock, mut effective): (Vec<f64>, Vec<f64>) =
        proofs.iter().map(|p| (p.minutes, p.age_min)).unzip();
    let (clock_min, effective_min) = (middle(&mut clock), middle(&mut effective));
    // Each proof's own curve, fitted to what was seen of it; the group's band lies over these.
    let bands: Vec<_> = proofs
        .iter()
        .map(|p| {
            let warmth = p.known.path.mean_warmth(p.minutes);
            let prior = g.learned.calibration.expect(&p.known.subject, warmth, &[]);
            (p, prior.after(&p.known.path, &p.known.evidence).rise_band())
        })
        .collect();
    let curve = |end: f64, at: &dyn Fn(&Proofed, f64) -> Option<f64>| -> Vec<CurvePoint> {
        (0..POINTS)
            .filter_map(|i| {
                let x = end * i as f64 / (POINTS - 1) as f64;
                let mut rises: Vec<f64> = bands
                    .iter()
                    .filter_map(|(p, band)| at(p, x).map(|age| band.at(age)[1]))
                    .collect();
                rises.sort_by(f64::total_cmp);
                let n = rises.len();
                let quantile = |p: f64| {
                    let k = p * (n - 1) as f64;
                    let (a, b) = (k.floor() as usize, k.ceil() as usize);
                    rises[a] + (rises[b] - rises[a]) * (k - k.floor())
                };
                let round = |v: f64| (v * 1000.0).round() / 1000.0;
                (n > 0).then(|| CurvePoint {
                    min: (x * 10.0).round() / 10.0,
                    p10: (n >= LEAST_FOR_BAND).then(|| round(quantile(0.1))),
                    p50: round(quantile(0.5)),
                    p90: (n >= LEAST_FOR_BAND).then(|| round(quantile(0.9))),
                })
            })
            .collect()
    };
    // A proof is on the curve as long as it ran, to the middle proof's end.
    let by_clock = curve(clock_min, &|p, x| {
        (x <= p.minutes + 1e-9).then(|| p.known.path.age_at(x))
    });
    let by_effective_time = curve(effective_min, &|p, x| (x <= p.age_min + 1e-9).then_some(x));
    GroupDocument {
        name: name.to_owned(),
        proofs: proofs.len(),
        clock_min: clock_min.round(),
        effective_min: effective_min.round(),
        by_clock,
        by_effective_time,
    }
}

fn pair(c: &Comparison) -> PairDocument {
    let percent = |ln: f64| (ln.exp_m1() * 1000.0).round() / 10.0;
    let (verdict, reason) = match c.verdict {
        Verdict::Longer { .. } => ("longer", None),
        Verdict::Sooner { .. } => ("sooner", None),
        Verdict::NoneThatMatters => ("none_that_matters", None),
        Verdict::CannotTell(why) => (
            "cannot_tell",
            Some(match why {
                Reason::TooFewBakes => "too_few_bakes",
                Reason::Entangled => "entangled",
                Reason::TooMuchScatter => "too_much_scatter",
                Reason::ManyComparisons => "many_comparisons",
            }),
        ),
    };
    PairDocument {
        first: c.names.0.clone(),
        second: c.names.1.clone(),
        clock_percent: percent(c.ln_clock_difference),
        explained_percent: percent(c.explained_by_temperature),
        left_percent: c.difference.map(|d| {
            [
                percent(d.estimate),
                percent(d.interval.0),
                percent(d.interval.1),
            ]
        }),
        p_adjusted: c.difference.map(|d| d.p_adjusted),
        verdict,
        reason,
        words: c.plain(),
    }
}

impl PairDocument {
    /// The comparison in sentences.
    #[must_use]
    pub fn sentence(&self) -> String {
        let more = |v: f64| {
            if v >= 0.0 {
                format!("{v:.0} % more time")
            } else {
                format!("{:.0} % less time", -v)
            }
        };
        format!(
            "By the clock {} took {} than {}; by temperature alone it would have been {}. {}",
            self.second,
            more(self.clock_percent),
            self.first,
            more(self.explained_percent),
            self.words
        )
    }
}

impl CompareDocument {
    /// The answer in sentences.
    #[must_use]
    pub fn words(&self, _show: &Show) -> Vec<String> {
        let mut out: Vec<String> = self
            .groups
            .iter()
            .map(|g| {
                let n = if g.proofs == 1 {
                    "1 proof".to_owned()
                } else {
                    format!("{} proofs", g.proofs)
                };
                format!(
                    "{}: {n}, half of them done in {} by the clock, {} at 27 °C.",
                    g.name,
                    minutes(g.clock_min),
                    minutes(g.effective_min)
                )
            })
            .collect();
        out.extend(self.pairs.iter().map(PairDocument::sentence));
        out.extend(self.evidence.iter().cloned());
        out
    }
}

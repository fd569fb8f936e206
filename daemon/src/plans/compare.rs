//! `compare`: groups of logged proofs (seasons, places, lots, dates) against clock time and against
//! effective time, what temperature explains and what is left, and a verdict that claims no more
//! than the bakes show. Every proof that is left out is counted, with why.

mod sorting;
#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, BTreeSet};

use doughwarden_dashboards::show::{Show, minutes};
use doughwarden_model::cardinal::REFERENCE_C;
use doughwarden_model::seasons::{
    Bake, Comparison, Group, Reason, Verdict, any_difference, band, compare_all,
};
use serde::{Deserialize, Serialize};

use self::sorting::{Chosen, GroupName, LeftOut, Question};
use super::{Grounds, PlanError, tenth};
use crate::batches::record::StageKind;
use crate::forecasts::inputs::{Builder, Known, Without};
use crate::forecasts::outlook;

/// Points of a curve.
const POINTS: usize = 25;
/// Proofs a band needs; fewer show their middle alone.
const LEAST_FOR_BAND: usize = 3;
/// The band holds one further proof of the group this often.
const BAND: f64 = 0.8;
/// Groups compared at most: more pairs than anybody reads.
const MOST_GROUPS: usize = 8;
/// A proof whose air is unknown for more than this share of it is left out.
const MOST_MISSING: f64 = 0.25;

/// What is asked.
#[derive(Clone, Debug, Default, Deserialize, clap::Args, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(default, deny_unknown_fields)]
pub struct CompareAsked {
    /// `season` (unless told; the place's own where it has some), `place`, `flour`, `yeast` (lots), or `dates`
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
    /// Only these groups, by name: `a7;b2`. The fewer are compared, the more a difference counts
    #[arg(long)]
    pub only: Option<String>,
}

/// A point of a curve: minutes, the mean rise, and where one further proof lies four times in five.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct CurvePoint {
    /// Minutes by the clock, or of effective time (minutes at 27 °C).
    pub min: f64,
    /// Lower edge of the band; null with fewer than three proofs.
    pub p10: Option<f64>,
    /// The mean.
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
    /// Their mean dough temperature, °C, each moment counted by how fast the dough went.
    pub dough_c: f64,
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
    /// What of that temperature explains, percent. As factors the parts multiply to the whole.
    pub explained_percent: f64,
    /// What of it other doughs and other yeast explain, percent; null where it cannot be said.
    pub doughs_and_yeast_percent: Option<f64>,
    /// What is left at the same temperature, percent, and its 95 % interval (of several pairs, all
    /// intervals hold together that often); null where it cannot be said.
    pub left_percent: Option<[f64; 3]>,
    /// The p value among all pairs (Holm).
    pub p_adjusted: Option<f64>,
    /// `longer`, `sooner`, `none_that_matters` or `cannot_tell`.
    pub verdict: &'static str,
    /// Why, for `cannot_tell`: `too_few_bakes`, `entangled`, `never_equally_warm`, `too_much_scatter`,
    /// `many_comparisons`.
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

/// Proofs by their group: its place in the order, and its name.
type Groups = BTreeMap<GroupName, Vec<Proofed>>;

/// Answers.
///
/// # Errors
/// If what was asked cannot be understood.
pub fn answer(g: &Grounds<'_>, asked: &CompareAsked) -> Result<CompareDocument, PlanError> {
    let question = Question::of(g, asked)?;
    let mut left_out = LeftOut::default();
    let chosen = question.choose(g, &mut left_out)?;
    let groups = read(g, question.kind, chosen, &mut left_out)?;
    if groups.len() > MOST_GROUPS {
        return Err(PlanError::Bad(format!(
            "{} groups are too many to compare ({MOST_GROUPS} at most): choose a dough, or say which with only; there are: {}",
            groups.len(),
            groups
                .keys()
                .map(|k| k.1.as_str())
                .collect::<Vec<_>>()
                .join(", ")
        )));
    }
    let for_model: Vec<Group> = groups
        .iter()
        .map(|((_, name), proofs)| Group {
            name: name.clone(),
            bakes: proofs.iter().map(|p| p.bake.clone()).collect(),
        })
        .collect();
    let comparisons = compare_all(&for_model)?;
    let any_difference_p = if for_model.len() > 2 {
        any_difference(&for_model)?.map(|f| f.p)
    } else {
        None
    };
    Ok(CompareDocument {
        groups: groups
            .iter()
            .map(|((_, name), proofs)| group(g, name, proofs))
            .collect::<Result<_, PlanError>>()?,
        pairs: comparisons.iter().map(pair).collect(),
        any_difference_p,
        evidence: evidence(&question, &left_out, &groups, &comparisons),
        by: question.by,
        stage: question.kind,
    })
}

/// Reads each chosen proof's temperatures and counts its effective time.
fn read(
    g: &Grounds<'_>,
    kind: StageKind,
    chosen: Vec<Chosen<'_>>,
    left_out: &mut LeftOut,
) -> Result<Groups, PlanError> {
    let law = outlook::law(&g.learned, Without::default());
    let builder = Builder {
        sources: g.sources,
        habit: g.learned.habit,
        lag: &g.learned.lag,
        usual_yeast: Some(&g.learned.usual_yeast),
        without: Without::default(),
    };
    let mut groups = Groups::new();
    for Chosen {
        group,
        batch,
        start,
        end,
    } in chosen
    {
        let Some(known) = builder.known(&batch.id, kind, g.now, law)? else {
            continue;
        };
        let minutes = end.seconds_since(start) / 60.0;
        let age_min = known.path.now().age_min;
        let gaps = known.track.gap_min.0 / minutes.max(1.0);
        if known.track.readings == 0 || gaps > MOST_MISSING || minutes < 1.0 || age_min < 0.1 {
            left_out.unreadable += 1;
            continue;
        }
        let warmth = known.path.mean_warmth(minutes);
        let bake = Bake {
            // Back to the published rule: the house's tilt was learned from these same bakes, and the
            // comparison weighs it anew.
            ln_age: age_min.ln() - law.tilt() * warmth,
            ln_clock: minutes.ln(),
            warmth,
            recipe: batch.dough.clone(),
            batch: batch.from.clone().unwrap_or_else(|| batch.id.clone()),
            covariates: vec![known.subject.ln_dose],
        };
        groups.entry(group).or_default().push(Proofed {
            bake,
            known,
            minutes,
            age_min,
        });
    }
    Ok(groups)
}

/// What the answer rests on, and what was left out of it.
fn evidence(
    question: &Question,
    left_out: &LeftOut,
    groups: &Groups,
    comparisons: &[Comparison],
) -> Vec<String> {
    let mut evidence = vec![format!(
        "Only {} proofs that ended just right, with readings of their air, are compared; yeast and each dough's own pace are taken out.",
        question.kind.as_str()
    )];
    evidence.extend(left_out.lines(&question.by));
    let spanned: BTreeSet<&str> = question.spans.iter().map(|s| s.0.as_str()).collect();
    evidence.extend(
        spanned
            .into_iter()
            .filter(|name| !groups.keys().any(|k| k.1 == *name))
            .map(|name| format!("{name}: no such proof, so nothing to compare it with.")),
    );
    let unseen = groups
        .values()
        .flatten()
        .filter(|p| p.known.evidence.rises.is_empty())
        .count();
    if unseen > 0 {
        evidence.push(format!(
            "No rise was noted in {unseen} of {} proofs: their curves are what such doughs usually do.",
            groups.values().map(Vec::len).sum::<usize>()
        ));
    }
    evidence.extend(comparisons.iter().filter(|c| c.in_both > 0).map(|c| {
        format!(
            "{} split, with a part in {} and one in {}: both count, which makes that comparison more careful than it need be.",
            if c.in_both == 1 {
                "1 bake was".to_owned()
            } else {
                format!("{} bakes were", c.in_both)
            },
            c.names.0,
            c.names.1
        )
    }));
    if question.by == "place"
        && comparisons
            .iter()
            .any(|c| matches!(c.verdict, Verdict::Longer { .. } | Verdict::Sooner { .. }))
    {
        // Measured in simulated kitchens of other laws (DEVELOPERS.md): one such claim in six is false.
        evidence.push("Places warm a dough each in its own way, and the temperature rule's own error can look like a difference between them: believe a small one only if it comes again.".into());
    }
    if groups.len() < 2 {
        evidence.push("There are not two groups yet, so there is nothing to compare.".into());
    } else if comparisons.len() > 1 {
        evidence.push(format!(
            "{} comparisons at once: each has to be that much surer (Holm), and the ranges hold for all of them together.",
            comparisons.len()
        ));
    }
    evidence
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

fn group(g: &Grounds<'_>, name: &str, proofs: &[Proofed]) -> Result<GroupDocument, PlanError> {
    let (mut clock, mut effective): (Vec<f64>, Vec<f64>) =
        proofs.iter().map(|p| (p.minutes, p.age_min)).unzip();
    let (clock_min, effective_min) = (middle(&mut clock), middle(&mut effective));
    let warmth = proofs.iter().map(|p| p.bake.warmth).sum::<f64>() / proofs.len().max(1) as f64;
    // Each proof's own curve, fitted to what was seen of it; the group's band lies over these.
    let rises: Vec<_> = proofs
        .iter()
        .map(|p| {
            let prior = g
                .learned
                .calibration
                .expect(&p.known.subject, p.bake.warmth, &[]);
            (p, prior.after(&p.known.path, &p.known.evidence).rise_band())
        })
        .collect();
    let curve = |end: f64, age: &dyn Fn(&Proofed, f64) -> f64| -> Result<_, PlanError> {
        let at: Vec<f64> = (0..POINTS)
            .map(|i| end * i as f64 / (POINTS - 1) as f64)
            .collect();
        let curves: Vec<Vec<(f64, f64)>> = rises
            .iter()
            .map(|(p, rise)| at.iter().map(|&x| (x, rise.at(age(p, x))[1])).collect())
            .collect();
        let round = |v: f64| (v * 1000.0).round() / 1000.0;
        Ok(band(&curves, &at, BAND)?
            .into_iter()
            .map(|b| {
                let range = b.range.filter(|_| b.n >= LEAST_FOR_BAND);
                CurvePoint {
                    min: (b.x * 10.0).round() / 10.0,
                    p10: range.map(|r| round(r.0.max(0.0))),
                    p50: round(b.mean),
                    p90: range.map(|r| round(r.1)),
                }
            })
            .collect::<Vec<_>>())
    };
    // To the middle proof's end. One that ended sooner goes on by its own curve, at its last pace: were
    // it left out, the slow ones alone would make the end of the group's curve.
    let by_clock = curve(clock_min, &|p, x| {
        let last = p.known.path.now();
        p.known.path.age_at(x)
            + (x - last.minute).max(0.0) * p.known.path.law().rate(last.dough_c) * last.alive
    })?;
    let by_effective_time = curve(effective_min, &|_, x| x)?;
    Ok(GroupDocument {
        name: name.to_owned(),
        proofs: proofs.len(),
        clock_min: clock_min.round(),
        effective_min: effective_min.round(),
        dough_c: tenth(REFERENCE_C + 10.0 * warmth),
        by_clock,
        by_effective_time,
    })
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
                Reason::NeverEquallyWarm => "never_equally_warm",
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
        doughs_and_yeast_percent: c.explained_by_recipes.map(percent),
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
        let doughs = match self.doughs_and_yeast_percent {
            Some(v) if v.abs() >= 0.5 => format!(", doughs and yeast {}", more(v)),
            _ => String::new(),
        };
        format!(
            "By the clock {} took {} than {}; temperature accounts for {}{doughs}. {}",
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
    pub fn words(&self, show: &Show) -> Vec<String> {
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
                    "{}: {n}, the dough at {} on average, half of them done in {} by the clock, {} at {}.",
                    g.name,
                    show.temperature(g.dough_c),
                    minutes(g.clock_min),
                    minutes(g.effective_min),
                    show.temperature(REFERENCE_C)
                )
            })
            .collect();
        out.extend(self.pairs.iter().map(PairDocument::sentence));
        out.extend(self.evidence.iter().cloned());
        out
    }
}

//! Comparing groups of bakes: summer and winter, two flours, two boxes.
//!
//! What is compared is `ln` of the *equivalent age* at ready, not clock time: if the temperature rule is
//! right, a season leaves no mark on it. Yeast dose and other covariates, a level per recipe, and the
//! house's own answer to warmth are taken out by least squares:
//! ```text
//! ln age = level + recipe + c·covariates - tilt·warmth + d·[second group] + e
//! tilt ~ Normal(0, its prior)         warmth = age-weighted mean of (Td - 27)/10
//! ```
//! Ages are counted by the rate law *without* a tilt. The tilt a calibration has learned came from these
//! same bakes, the difference between the groups included, and would hide what is asked for; here it is
//! learned only as far as bakes of one group differ in temperature, and what stays unknown of it widens
//! the interval. So a winter 6 K under the summer is compared, but not with more confidence than the
//! temperature rule deserves.
//!
//! `d` is the difference. Its standard error lets each group scatter in its own way (HC2 with Bell &
//! McCaffrey's degrees of freedom; with two groups and nothing else, Welch 1947); Holm 1979 for many
//! comparisons, and intervals that hold for all of them together (Bonferroni).
//! `F = ((RSS0 - RSS)/q)/(RSS/(n - p))` for more groups at once. The same data can give opposite
//! verdicts with and without the yeast dose: covariates are not optional.
//!
//! The difference in clock time splits exactly into three, since `ln clock = ln age - ln(mean rate)`:
//! what temperature explains, what other doughs and doses explain, and what is left, `d`.
//!
//! A [`Verdict`] claims a difference only where the data show it, and says why where they cannot. How
//! often it claims one where there is none, and how often it finds one, is measured in
//! `model/tests/seasons_simulated.rs`.

mod contrast;
mod tests_of_difference;
mod verdict;

use self::contrast::{Contrast, Question, contrast};
use self::tests_of_difference::student_p;
pub use self::tests_of_difference::{Linear, holm, ordinary_least_squares, welch};
use self::verdict::judge;
pub use self::verdict::{Reason, Verdict};

use std::collections::BTreeMap;

use crate::refusal::{Refusal, within};
use crate::shrinkage::student_quantile;
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

/// Bakes each group needs before anything is said.
pub const LEAST_BAKES: usize = 4;

/// Degrees of freedom needed after covariates and recipes.
pub const LEAST_DEGREES: usize = 5;

/// Differences below this share do not matter in a kitchen (own choice): 5 %.
pub const SHARE_THAT_MATTERS: f64 = 0.05;

/// Significance asked for.
pub const SIGNIFICANCE: f64 = 0.05;

/// How far a house's answer to warmth strays from the published law: standard deviation of its tilt, per
/// 10 °C. A third more than [`crate::calibration`] starts from, for a law can err in ways that no tilt
/// mends (own choice).
const TILT_SD: f64 = 0.2;

/// A group column of which other columns explain more than all but this share says next to nothing of
/// its own (a variance inflation of five; own choice).
const LEAST_OWN_SHARE: f64 = 0.2;

/// One bake as the comparison sees it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Bake {
    /// `ln` of the equivalent age at ready, counted by the rate law without a tilt.
    pub ln_age: f64,
    /// `ln` of the clock time to ready, in the same unit.
    pub ln_clock: f64,
    /// Age-weighted mean of `(Td - 27)/10` up to ready ([`crate::age::AgePath::mean_warmth`]).
    pub warmth: f64,
    /// Which recipe; each gets a level of its own.
    pub recipe: String,
    /// Bakes split from one share this, and with it their luck: in a group they count once, by their
    /// mean. Empty for one that stands alone.
    pub batch: String,
    /// Covariates in one fixed order, such as `ln` of the yeast dose over the usual one.
    pub covariates: Vec<f64>,
}

/// Bakes that belong together.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// What the user calls it.
    pub name: String,
    /// Its bakes.
    pub bakes: Vec<Bake>,
}

/// Two groups compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// Names of the two groups.
    pub names: (String, String),
    /// `d`: second minus first, in `ln` equivalent age. None where nothing could be fitted.
    pub difference: Option<Difference>,
    /// Second over first in mean clock time, as `ln`.
    pub ln_clock_difference: f64,
    /// The part of it that the temperature during the bakes explains, `ln`.
    pub explained_by_temperature: f64,
    /// The part that other recipes and covariates explain, `ln`; none where nothing could be fitted.
    /// The two and the difference add up to the clock's.
    pub explained_by_recipes: Option<f64>,
    /// Whether the two groups' mean dough temperatures overlap at all. If not, part of what is left may
    /// be the temperature rule's own error.
    pub temperatures_overlap: bool,
    /// Bakes that were split and stand in both groups; what they share makes the interval wider than
    /// it need be, never narrower.
    pub in_both: usize,
    /// The verdict.
    pub verdict: Verdict,
}

/// An estimated difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Estimate.
    pub estimate: f64,
    /// Standard error.
    pub standard_error: f64,
    /// 95 % interval; of several comparisons all hold together that often.
    pub interval: (f64, f64),
    /// t statistic.
    pub t: f64,
    /// p value of this comparison alone.
    pub p: f64,
    /// p value among all comparisons made (Holm).
    pub p_adjusted: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Residual standard deviation.
    pub sigma: f64,
    /// What stands most in the way of a claim, should there be none.
    pub hindrance: Reason,
}

/// Compares the second group with the first.
///
/// # Errors
/// If a group is empty, a number is not finite or out of range, or the bakes' covariates differ in
/// number.
///
/// ```
/// use doughwarden_model::seasons::{Bake, Group, Verdict, compare};
/// let group = |name: &str, ages: &[f64]| Group { name: name.into(), bakes: ages.iter().map(|a| Bake {
///     ln_age: *a, ln_clock: *a, recipe: "knots".into(), ..Bake::default() }).collect() };
/// let c = compare(&group("old flour", &[0.90, 0.93, 0.88, 0.91, 0.92]),
///                 &group("new flour", &[1.10, 1.12, 1.09, 1.13, 1.11]))?;
/// assert!(matches!(c.verdict, Verdict::Longer { .. }));
/// assert!(c.plain().contains("new flour"));
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn compare(first: &Group, second: &Group) -> Result<Comparison, Refusal> {
    let mut one = [compare_unjudged(first, second)?];
    judge(&mut one)?;
    let [one] = one;
    Ok(one)
}

/// Every pair of groups, with Holm's correction for their number.
///
/// # Errors
/// As [`compare`].
///
/// ```
/// use doughwarden_model::seasons::{Bake, Group, compare_all};
/// let group = |name: &str, at: f64| Group { name: name.into(), bakes: (0..5).map(|i| Bake {
///     ln_age: at + 0.01 * f64::from(i), ln_clock: at, recipe: "knots".into(), ..Bake::default() }).collect() };
/// let all = compare_all(&[group("spring", 0.9), group("summer", 0.9), group("winter", 1.2)])?;
/// assert_eq!(all.len(), 3);
/// assert!(all.iter().all(|c| c.difference.unwrap().p_adjusted >= c.difference.unwrap().p));
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn compare_all(groups: &[Group]) -> Result<Vec<Comparison>, Refusal> {
    let mut all = Vec::new();
    for (i, first) in groups.iter().enumerate() {
        for second in &groups[i + 1..] {
            all.push(compare_unjudged(first, second)?);
        }
    }
    judge(&mut all)?;
    Ok(all)
}

fn check(group: &Group, covariates: usize) -> Result<(), Refusal> {
    if group.bakes.is_empty() {
        return Err(Refusal::TooFew {
            what: "bakes in a group",
            needed: 1,
            given: 0,
        });
    }
    for b in &group.bakes {
        within("ln of the equivalent age", b.ln_age, -50.0, 50.0)?;
        within("ln of the clock time", b.ln_clock, -50.0, 50.0)?;
        within("warmth", b.warmth, -10.0, 15.0)?;
        if b.covariates.len() != covariates {
            return Err(Refusal::Inconsistent(
                "every bake needs the same covariates",
            ));
        }
        for c in &b.covariates {
            within("covariate", *c, -1e6, 1e6)?;
        }
    }
    Ok(())
}

/// The group's bakes, those split from one (and of one recipe) as their mean.
fn counted_once(group: &Group) -> Vec<Bake> {
    let mut split: BTreeMap<(&str, &str), Vec<&Bake>> = BTreeMap::new();
    let mut out = Vec::new();
    for b in &group.bakes {
        if b.batch.is_empty() {
            out.push(b.clone());
        } else {
            split.entry((&b.batch, &b.recipe)).or_default().push(b);
        }
    }
    out.extend(split.into_values().map(|parts| {
        let mean =
            |f: &dyn Fn(&Bake) -> f64| parts.iter().map(|b| f(b)).sum::<f64>() / parts.len() as f64;
        Bake {
            ln_age: mean(&|b| b.ln_age),
            ln_clock: mean(&|b| b.ln_clock),
            warmth: mean(&|b| b.warmth),
            covariates: (0..parts[0].covariates.len())
                .map(|k| mean(&|b| b.covariates[k]))
                .collect(),
            ..parts[0].clone()
        }
    }));
    out
}

/// The columns of some bakes, without any group's.
struct Design {
    columns: Vec<Vec<f64>>,
    /// The warmth's column and its prior, where the bakes were not all equally warm.
    held: Option<(usize, f64)>,
}

/// The level, recipe levels, covariates and warmth of bakes. What is the same everywhere is left out.
fn design(bakes: &[&Bake]) -> Design {
    let mut columns = vec![vec![1.0; bakes.len()]];
    let mut recipes: Vec<&str> = bakes.iter().map(|b| b.recipe.as_str()).collect();
    recipes.sort_unstable();
    recipes.dedup();
    for r in recipes.iter().skip(1) {
        columns.push(
            bakes
                .iter()
                .map(|b| f64::from(u8::from(b.recipe == *r)))
                .collect(),
        );
    }
    let differs = |column: &[f64]| {
        let (low, high) = ends(column.iter().copied());
        high - low > 1e-9
    };
    for k in 0..bakes.first().map_or(0, |b| b.covariates.len()) {
        let column: Vec<f64> = bakes.iter().map(|b| b.covariates[k]).collect();
        if differs(&column) {
            columns.push(column);
        }
    }
    let warmth: Vec<f64> = bakes.iter().map(|b| b.warmth).collect();
    let held = differs(&warmth).then(|| {
        columns.push(warmth);
        (columns.len() - 1, TILT_SD)
    });
    Design { columns, held }
}

fn ends(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
        (l.min(v), h.max(v))
    })
}

fn mean(bakes: &[Bake], f: impl Fn(&Bake) -> f64) -> f64 {
    bakes.iter().map(f).sum::<f64>() / bakes.len().max(1) as f64
}

fn compare_unjudged(first: &Group, second: &Group) -> Result<Comparison, Refusal> {
    let covariates = first.bakes.first().map_or(0, |b| b.covariates.len());
    check(first, covariates)?;
    check(second, covariates)?;
    let (one, two) = (counted_once(first), counted_once(second));
    let (a, b) = (
        ends(one.iter().map(|b| b.warmth)),
        ends(two.iter().map(|b| b.warmth)),
    );
    let apart = |f: fn(&Bake) -> f64| mean(&two, f) - mean(&one, f);
    let in_both = one
        .iter()
        .filter(|b| !b.batch.is_empty() && two.iter().any(|c| c.batch == b.batch))
        .count();
    let mut comparison = Comparison {
        names: (first.name.clone(), second.name.clone()),
        difference: None,
        ln_clock_difference: apart(|b| b.ln_clock),
        explained_by_temperature: apart(|b| b.ln_clock - b.ln_age),
        explained_by_recipes: None,
        temperatures_overlap: a.0 <= b.1 + 1e-9 && b.0 <= a.1 + 1e-9,
        in_both,
        verdict: Verdict::CannotTell(Reason::TooFewBakes),
    };
    if one.len() < LEAST_BAKES || two.len() < LEAST_BAKES {
        return Ok(comparison);
    }
    let bakes: Vec<&Bake> = one.iter().chain(&two).collect();
    let y: Vec<f64> = bakes.iter().map(|b| b.ln_age).collect();
    let Design { mut columns, held } = design(&bakes);
    let group = columns.len();
    columns.push(
        (0..bakes.len())
            .map(|i| f64::from(u8::from(i >= one.len())))
            .collect(),
    );
    // The held column brings its own row.
    if bakes.len() + usize::from(held.is_some()) < columns.len() + LEAST_DEGREES {
        return Ok(comparison);
    }
    let Some(fit) = contrast(&Question {
        columns: &columns,
        y: &y,
        wanted: group,
        held,
    }) else {
        comparison.verdict = Verdict::CannotTell(Reason::Entangled);
        return Ok(comparison);
    };
    if fit.degrees_of_freedom < 1.0 {
        return Ok(comparison);
    }
    if let Some((warmth, _)) = held {
        comparison.explained_by_temperature += fit.coefficients[warmth] * apart(|b| b.warmth);
    }
    let difference = difference(&fit, group)?;
    comparison.explained_by_recipes = Some(
        comparison.ln_clock_difference - comparison.explained_by_temperature - difference.estimate,
    );
    comparison.difference = Some(difference);
    Ok(comparison)
}

fn difference(fit: &Contrast, group: usize) -> Result<Difference, Refusal> {
    let (estimate, error) = (fit.coefficients[group], fit.standard_error);
    let t = estimate / error;
    let p = student_p(t, fit.degrees_of_freedom)?;
    let half = student_quantile(1.0 - SIGNIFICANCE / 2.0, fit.degrees_of_freedom)? * error;
    Ok(Difference {
        estimate,
        standard_error: error,
        interval: (estimate - half, estimate + half),
        t,
        p,
        p_adjusted: p,
        degrees_of_freedom: fit.degrees_of_freedom,
        sigma: fit.sigma,
        hindrance: if fit.held_share > 0.5 {
            Reason::NeverEquallyWarm
        } else if fit.own_share < LEAST_OWN_SHARE {
            Reason::Entangled
        } else {
            Reason::TooMuchScatter
        },
    })
}

/// F test of all groups at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FTest {
    /// The statistic.
    pub f: f64,
    /// Groups less one, and degrees left.
    pub degrees_of_freedom: (usize, usize),
    /// p value.
    pub p: f64,
}

/// Whether the groups differ at all, covariates, recipes and warmth taken out; none where that cannot be
/// fitted. Bakes of all groups count as equally scattered; empty groups are passed over.
///
/// `F = [(RSS0 - RSS)/q]/[RSS/(n - p)]`, the classical test of nested linear models.
///
/// ```
/// use doughwarden_model::seasons::{Bake, Group, any_difference};
/// let group = |name: &str, from: f64| Group { name: name.into(), bakes: (0..8).map(|i| Bake {
///     ln_age: from + 0.01 * f64::from(i % 3), ln_clock: 4.5, recipe: "knots".into(), ..Bake::default() }).collect() };
/// let same = any_difference(&[group("a", 4.6), group("b", 4.6), group("c", 4.6)])?.unwrap();
/// let other = any_difference(&[group("a", 4.6), group("b", 4.6), group("c", 5.0)])?.unwrap();
/// assert!(same.p > 0.9 && other.p < 0.001);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn any_difference(groups: &[Group]) -> Result<Option<FTest>, Refusal> {
    let filled: Vec<&Group> = groups.iter().filter(|g| !g.bakes.is_empty()).collect();
    let covariates = filled
        .first()
        .and_then(|g| g.bakes.first())
        .map_or(0, |b| b.covariates.len());
    let mut once = Vec::with_capacity(filled.len());
    for g in &filled {
        check(g, covariates)?;
        once.push(counted_once(g));
    }
    let bakes: Vec<&Bake> = once.iter().flatten().collect();
    let mut y: Vec<f64> = bakes.iter().map(|b| b.ln_age).collect();
    let Design {
        columns: mut plain,
        held,
    } = design(&bakes);
    let mut named = Vec::new();
    let mut from = 0;
    for (k, g) in once.iter().enumerate() {
        let to = from + g.len();
        if k > 0 {
            named.push(
                (0..bakes.len())
                    .map(|i| f64::from(u8::from(i >= from && i < to)))
                    .collect::<Vec<f64>>(),
            );
        }
        from = to;
    }
    let q = named.len();
    // What is known of the tilt, as one more row of the scatter's weight.
    if let Some((warmth, sd)) = held {
        let all: Vec<Vec<f64>> = plain.iter().chain(&named).cloned().collect();
        let scatter = ordinary_least_squares(&all, &y).map_or(0.1, |f| f.sigma.clamp(0.01, 1.0));
        for (j, column) in plain.iter_mut().enumerate() {
            column.push(if j == warmth { scatter / sd } else { 0.0 });
        }
        named.iter_mut().for_each(|c| c.push(0.0));
        y.push(0.0);
    }
    let full: Vec<Vec<f64>> = plain.iter().chain(&named).cloned().collect();
    let (Some(without), Some(with)) = (
        ordinary_least_squares(&plain, &y),
        ordinary_least_squares(&full, &y),
    ) else {
        return Ok(None);
    };
    if q == 0 || with.rss <= 0.0 {
        return Ok(None);
    }
    let f = ((without.rss - with.rss) / q as f64).max(0.0) / (with.sigma * with.sigma);
    let law = FisherSnedecor::new(q as f64, with.degrees_of_freedom as f64)
        .map_err(|_| Refusal::Inconsistent("no degrees of freedom are left"))?;
    Ok(Some(FTest {
        f,
        degrees_of_freedom: (q, with.degrees_of_freedom),
        p: law.sf(f),
    }))
}

/// One point of a group's proof curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Where, in the unit of the curves' abscissa (clock or effective hours).
    pub x: f64,
    /// Mean of the curves that reach this far.
    pub mean: f64,
    /// Lower and upper end of where one further bake would lie; none with fewer than two curves.
    pub range: Option<(f64, f64)>,
    /// Curves that reach this far.
    pub n: usize,
}

/// Mean and range (two-sided, for one further bake, at `level` 0 to 0.999) of curves `(x, y)` in order of
/// `x` at the points `at`; each is read by straight lines and not continued beyond its ends.
///
/// ```
/// use doughwarden_model::seasons::band;
/// let curves = [vec![(0.0, 0.0), (2.0, 0.8)], vec![(0.0, 0.0), (2.0, 1.0)]];
/// let at_one = band(&curves, &[1.0], 0.8)?[0];
/// assert!((at_one.mean - 0.45).abs() < 1e-12 && at_one.n == 2);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn band(curves: &[Vec<(f64, f64)>], at: &[f64], level: f64) -> Result<Vec<Band>, Refusal> {
    let level = within("level", level, 0.0, 0.999)?;
    let mut out = Vec::with_capacity(at.len());
    for &x in at {
        let values: Vec<f64> = curves.iter().filter_map(|c| read(c, x)).collect();
        let n = values.len();
        if n == 0 {
            continue;
        }
        let mean = values.iter().sum::<f64>() / n as f64;
        let range = if n < 2 {
            None
        } else {
            let variance =
                values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n as f64 - 1.0);
            let half = student_quantile(0.5 + 0.5 * level, n as f64 - 1.0)?
                * (variance * (1.0 + 1.0 / n as f64)).sqrt();
            Some((mean - half, mean + half))
        };
        out.push(Band { x, mean, range, n });
    }
    Ok(out)
}

fn read(curve: &[(f64, f64)], x: f64) -> Option<f64> {
    curve
        .windows(2)
        .find(|w| w[0].0 <= x && x <= w[1].0)
        .and_then(|w| {
            let width = w[1].0 - w[0].0;
            let share = if width > 0.0 {
                (x - w[0].0) / width
            } else {
                0.0
            };
            let y = w[0].1 + share * (w[1].1 - w[0].1);
            (y.abs() < 1e12).then_some(y)
        })
}

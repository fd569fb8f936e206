//! Comparing groups of bakes: summer and winter, two flours, two boxes.
//!
//! What is compared is `ln` of the *equivalent age* at ready, not clock time: if the temperature rule is
//! right, a season leaves no mark on it. Yeast dose and other covariates, and a level per recipe,
//! are taken out by ordinary least squares:
//! ```text
//! ln age = level + c·covariates + d·[second group] + e,        e ~ N(0, s²)
//! ```
//! `d` is the difference, with `t = d/se` on `n - p` degrees of freedom; `F = ((RSS0 - RSS)/q)/(RSS/(n - p))`
//! for more groups at once; Holm 1979 for many comparisons; Welch 1947 without covariates. The same
//! data can give opposite verdicts with and without the yeast dose: covariates are not optional.
//!
//! The difference in clock time splits into what temperature explains and what is left, since
//! `ln clock = ln age - ln(mean rate)`.
//!
//! A [`Verdict`] claims a difference only where the data show it, and says why where they cannot.

mod tests_of_difference;

use tests_of_difference::student_p;
pub use tests_of_difference::{Linear, holm, ordinary_least_squares, welch};

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

/// One bake as the comparison sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct Bake {
    /// `ln` of the equivalent age at ready.
    pub ln_age: f64,
    /// `ln` of the clock time to ready, in the same unit.
    pub ln_clock: f64,
    /// Which recipe; each gets a level of its own.
    pub recipe: String,
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

/// What the data show, in words a kitchen uses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Verdict {
    /// The second group takes longer at the same temperature; by how many percent, from and to.
    Longer {
        /// Lower end of the 95 % interval.
        from_percent: f64,
        /// Upper end.
        to_percent: f64,
    },
    /// The second group is ready sooner at the same temperature; by how many percent, from and to.
    Sooner {
        /// Smaller end of the 95 % interval.
        from_percent: f64,
        /// Larger end.
        to_percent: f64,
    },
    /// Whatever difference there is lies within [`SHARE_THAT_MATTERS`].
    NoneThatMatters,
    /// The data cannot say.
    CannotTell(Reason),
}

/// Why the data cannot say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reason {
    /// A group has fewer than [`LEAST_BAKES`] bakes, or covariates use up the rest.
    TooFewBakes,
    /// The groups differ in recipe or yeast in just the way they differ in group.
    Entangled,
    /// The scatter between bakes hides differences that would matter.
    TooMuchScatter,
    /// It would have stood alone, but among this many comparisons one such is luck.
    ManyComparisons,
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
    /// The part of it that the temperature during the bakes explains.
    pub explained_by_temperature: f64,
    /// Whether the two groups' average temperatures overlap at all. If not, part of what is left may
    /// be the temperature rule's own error.
    pub temperatures_overlap: bool,
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
    /// 95 % interval.
    pub interval: (f64, f64),
    /// t statistic.
    pub t: f64,
    /// p value of this comparison alone.
    pub p: f64,
    /// p value among all comparisons made (Holm).
    pub p_adjusted: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: usize,
    /// Residual standard deviation.
    pub sigma: f64,
}

/// Compares the second group with the first.
///
/// ```
/// use doughwarden_model::seasons::{Bake, Group, Verdict, compare};
/// let group = |name: &str, ages: &[f64]| Group { name: name.into(), bakes: ages.iter().map(|a| Bake {
///     ln_age: *a, ln_clock: *a, recipe: "knots".into(), covariates: vec![] }).collect() };
/// let c = compare(&group("old flour", &[0.90, 0.93, 0.88, 0.91, 0.92]),
///                 &group("new flour", &[1.10, 1.12, 1.09, 1.13, 1.11]))?;
/// assert!(matches!(c.verdict, Verdict::Longer { .. }));
/// assert!(c.plain().contains("new flour"));
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn compare(first: &Group, second: &Group) -> Result<Comparison, Refusal> {
    let mut one = [compare_unjudged(first, second)?];
    judge(&mut one);
    let [one] = one;
    Ok(one)
}

/// Every pair of groups, with Holm's correction for their number.
///
/// ```
/// use doughwarden_model::seasons::{Bake, Group, compare_all};
/// let group = |name: &str, at: f64| Group { name: name.into(), bakes: (0..5).map(|i| Bake {
///     ln_age: at + 0.01 * f64::from(i), ln_clock: at, recipe: "knots".into(), covariates: vec![] }).collect() };
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
    judge(&mut all);
    Ok(all)
}

fn check(group: &Group, covariates: usize) -> Result<(), Refusal> {
    for b in &group.bakes {
        within("ln of the equivalent age", b.ln_age, -50.0, 50.0)?;
        within("ln of the clock time", b.ln_clock, -50.0, 50.0)?;
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

/// The level, recipe levels and covariates of bakes, without any group column. A covariate that is
/// the same everywhere is left out.
fn design(bakes: &[&Bake]) -> Vec<Vec<f64>> {
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
    for k in 0..bakes.first().map_or(0, |b| b.covariates.len()) {
        let column: Vec<f64> = bakes.iter().map(|b| b.covariates[k]).collect();
        let (low, high) = ends(column.iter().copied());
        if high - low > 1e-9 {
            columns.push(column);
        }
    }
    columns
}

fn ends(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
        (l.min(v), h.max(v))
    })
}

fn compare_unjudged(first: &Group, second: &Group) -> Result<Comparison, Refusal> {
    let covariates = first
        .bakes
        .first()
        .or(second.bakes.first())
        .map_or(0, |b| b.covariates.len());
    check(first, covariates)?;
    check(second, covariates)?;
    let mean = |g: &Group, f: fn(&Bake) -> f64| {
        g.bakes.iter().map(f).sum::<f64>() / g.bakes.len().max(1) as f64
    };
    let shortening = |b: &Bake| b.ln_clock - b.ln_age;
    let (a, b) = (
        ends(first.bakes.iter().map(shortening)),
        ends(second.bakes.iter().map(shortening)),
    );
    let mut comparison = Comparison {
        names: (first.name.clone(), second.name.clone()),
        difference: None,
        ln_clock_difference: mean(second, |b| b.ln_clock) - mean(first, |b| b.ln_clock),
        explained_by_temperature: mean(second, shortening) - mean(first, shortening),
        temperatures_overlap: a.0 <= b.1 + 1e-9 && b.0 <= a.1 + 1e-9,
        verdict: Verdict::CannotTell(Reason::TooFewBakes),
    };
    if first.bakes.len() < LEAST_BAKES || second.bakes.len() < LEAST_BAKES {
        return Ok(comparison);
    }
    let bakes: Vec<&Bake> = first.bakes.iter().chain(&second.bakes).collect();
    let y: Vec<f64> = bakes.iter().map(|b| b.ln_age).collect();
    let mut columns = design(&bakes);
    let group = columns.len();
    columns.push(
        (0..bakes.len())
            .map(|i| f64::from(u8::from(i >= first.bakes.len())))
            .collect(),
    );
    if bakes.len() < columns.len() + LEAST_DEGREES {
        return Ok(comparison);
    }
    let Some(fit) = ordinary_least_squares(&columns, &y) else {
        comparison.verdict = Verdict::CannotTell(Reason::Entangled);
        return Ok(comparison);
    };
    // Identical marks have no scatter to judge by; a thousandth stands in for rounding.
    let error = fit.standard_errors[group].max(1e-6);
    let estimate = fit.coefficients[group];
    let degrees = fit.degrees_of_freedom as f64;
    let t = estimate / error;
    let p = student_p(t, degrees)?;
    let half = student_quantile(1.0 - SIGNIFICANCE / 2.0, degrees)? * error;
    comparison.difference = Some(Difference {
        estimate,
        standard_error: error,
        interval: (estimate - half, estimate + half),
        t,
        p,
        p_adjusted: p,
        degrees_of_freedom: fit.degrees_of_freedom,
        sigma: fit.sigma,
    });
    Ok(comparison)
}

/// Corrects for the number of comparisons and speaks.
fn judge(comparisons: &mut [Comparison]) {
    let alone: Vec<f64> = comparisons
        .iter()
        .filter_map(|c| c.difference.map(|d| d.p))
        .collect();
    let adjusted = holm(&alone);
    let mut next = adjusted.into_iter();
    for c in comparisons {
        let Some(d) = c.difference.as_mut() else {
            continue;
        };
        let p = next.next().unwrap_or(d.p);
        d.p_adjusted = p;
        let (low, high) = d.interval;
        let percent = |ln: f64| 100.0 * ln.exp_m1().abs();
        c.verdict = if p < SIGNIFICANCE && d.estimate > 0.0 {
            Verdict::Longer {
                from_percent: percent(low.max(0.0)),
                to_percent: percent(high),
            }
        } else if p < SIGNIFICANCE {
            Verdict::Sooner {
                from_percent: percent(high.min(0.0)),
                to_percent: percent(low),
            }
        } else if low > -SHARE_THAT_MATTERS && high < SHARE_THAT_MATTERS {
            Verdict::NoneThatMatters
        } else if d.p < SIGNIFICANCE {
            Verdict::CannotTell(Reason::ManyComparisons)
        } else {
            Verdict::CannotTell(Reason::TooMuchScatter)
        };
    }
}

impl Comparison {
    /// The verdict as one or two sentences.
    ///
    /// ```
    /// use doughwarden_model::seasons::{Bake, Group, compare_all};
    /// let group = |name: &str, from: f64| Group { name: name.into(), bakes: (0..8).map(|i| Bake {
    ///     ln_age: from + 0.01 * f64::from(i % 3), ln_clock: 4.5, recipe: "knots".into(), covariates: vec![] }).collect() };
    /// let all = compare_all(&[group("winter", 4.6), group("summer", 4.6)])?;
    /// assert!(all[0].plain().contains("winter"));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn plain(&self) -> String {
        let (first, second) = (&self.names.0, &self.names.1);
        let range = |from: f64, to: f64| format!("{from:.0} to {to:.0} %");
        let mut text = match self.verdict {
            Verdict::Longer {
                from_percent,
                to_percent,
            } => format!(
                "At the same dough temperature, {second} took longer than {first}: by {}.",
                range(from_percent, to_percent)
            ),
            Verdict::Sooner {
                from_percent,
                to_percent,
            } => format!(
                "At the same dough temperature, {second} was ready sooner than {first}: by {}.",
                range(from_percent, to_percent)
            ),
            Verdict::NoneThatMatters => format!(
                "Once temperature is counted, {first} and {second} do not differ by more than 5 %."
            ),
            Verdict::CannotTell(reason) => {
                let why = match reason {
                    Reason::TooFewBakes => "there are too few bakes",
                    Reason::Entangled => {
                        "their recipes or yeast changed together with the group, so nobody can say which did it"
                    }
                    Reason::TooMuchScatter => "bakes of one kind vary too much among themselves",
                    Reason::ManyComparisons => {
                        "among this many comparisons one such difference turns up by luck"
                    }
                };
                format!("Cannot tell {first} and {second} apart yet: {why}.")
            }
        };
        let claims = matches!(
            self.verdict,
            Verdict::Longer { .. } | Verdict::Sooner { .. }
        );
        if claims && !self.temperatures_overlap {
            text.push_str(
                " The two never stood equally warm, so part of this may be the temperature rule's own error.",
            );
        }
        text
    }
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

/// Whether the groups differ at all, covariates and recipes taken out; none where that cannot be
/// fitted.
///
/// `F = [(RSS0 - RSS)/q]/[RSS/(n - p)]`, the classical test of nested linear models.
///
/// ```
/// use doughwarden_model::seasons::{Bake, Group, any_difference};
/// let group = |name: &str, from: f64| Group { name: name.into(), bakes: (0..8).map(|i| Bake {
///     ln_age: from + 0.01 * f64::from(i % 3), ln_clock: 4.5, recipe: "knots".into(), covariates: vec![] }).collect() };
/// let same = any_difference(&[group("a", 4.6), group("b", 4.6), group("c", 4.6)])?.unwrap();
/// let other = any_difference(&[group("a", 4.6), group("b", 4.6), group("c", 5.0)])?.unwrap();
/// assert!(same.p > 0.9 && other.p < 0.001);
/// # Ok::<(), doughwarden_model::refusal::Refusal>(())
/// ```
pub fn any_difference(groups: &[Group]) -> Result<Option<FTest>, Refusal> {
    let covariates = groups
        .iter()
        .find_map(|g| g.bakes.first())
        .map_or(0, |b| b.covariates.len());
    for g in groups {
        check(g, covariates)?;
    }
    let filled: Vec<&Group> = groups.iter().filter(|g| !g.bakes.is_empty()).collect();
    let bakes: Vec<&Bake> = filled.iter().flat_map(|g| &g.bakes).collect();
    let y: Vec<f64> = bakes.iter().map(|b| b.ln_age).collect();
    let plain = design(&bakes);
    let mut full = plain.clone();
    let mut from = 0;
    for (k, g) in filled.iter().enumerate() {
        let to = from + g.bakes.len();
        if k > 0 {
            full.push(
                (0..bakes.len())
                    .map(|i| f64::from(u8::from(i >= from && i < to)))
                    .collect(),
            );
        }
        from = to;
    }
    let (Some(without), Some(with)) = (
        ordinary_least_squares(&plain, &y),
        ordinary_least_squares(&full, &y),
    ) else {
        return Ok(None);
    };
    let q = full.len() - plain.len();
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

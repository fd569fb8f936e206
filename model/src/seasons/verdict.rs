//! What a comparison may claim, corrected for how many were made, and its words.

use super::{Comparison, LEAST_BAKES, SHARE_THAT_MATTERS, SIGNIFICANCE, holm};
use crate::refusal::Refusal;
use crate::shrinkage::student_quantile;

/// What the data show, in words a kitchen uses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Verdict {
    /// The second group takes longer at the same temperature; by how many percent, from and to.
    Longer {
        /// Lower end of the interval.
        from_percent: f64,
        /// Upper end.
        to_percent: f64,
    },
    /// The second group is ready sooner at the same temperature; by how many percent, from and to.
    Sooner {
        /// Smaller end of the interval.
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
    /// The groups differ in recipe or yeast in just the way, or very nearly, they differ in group.
    Entangled,
    /// They stood at different temperatures, and how much warmth alone does to this dough is not
    /// known well enough to take it out.
    NeverEquallyWarm,
    /// The scatter between bakes hides differences that would matter.
    TooMuchScatter,
    /// It would have stood alone, but among this many comparisons one such is luck.
    ManyComparisons,
}

/// Corrects for the number of comparisons and speaks.
pub(super) fn judge(comparisons: &mut [Comparison]) -> Result<(), Refusal> {
    let alone: Vec<f64> = comparisons
        .iter()
        .filter_map(|c| c.difference.map(|d| d.p))
        .collect();
    let adjusted = holm(&alone);
    let all = alone.len().max(1) as f64;
    let mut next = adjusted.into_iter();
    for c in comparisons {
        let Some(d) = c.difference.as_mut() else {
            continue;
        };
        let p = next.next().unwrap_or(d.p);
        d.p_adjusted = p;
        let half = student_quantile(1.0 - 0.5 * SIGNIFICANCE / all, d.degrees_of_freedom)?
            * d.standard_error;
        d.interval = (d.estimate - half, d.estimate + half);
        let (low, high) = d.interval;
        let percent = |ln: f64| 100.0 * ln.exp_m1().abs();
        // Holm may reject where Bonferroni's interval still touches nothing: the claim ends there.
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
            Verdict::CannotTell(d.hindrance)
        };
    }
    Ok(())
}

impl Comparison {
    /// The verdict as one to three sentences: a claim with its range, or why there is none and what
    /// the bakes leave possible.
    ///
    /// ```
    /// use doughwarden_model::seasons::{Bake, Group, compare_all};
    /// let group = |name: &str, from: f64, n: u32| Group { name: name.into(), bakes: (0..n).map(|i| Bake {
    ///     ln_age: from + 0.1 * f64::from(i % 3), ln_clock: 4.5, recipe: "knots".into(), ..Bake::default() }).collect() };
    /// let all = compare_all(&[group("winter", 4.6, 8), group("summer", 4.6, 8), group("spring", 4.6, 2)])?;
    /// assert!(all[0].plain().starts_with("Cannot tell winter and summer apart yet"));
    /// assert!(all[0].plain().contains("anything from"));
    /// assert!(all[1].plain().contains("too few bakes"));
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
                "Once temperature is counted, {first} and {second} do not differ by more than {:.0} %.",
                100.0 * SHARE_THAT_MATTERS
            ),
            Verdict::CannotTell(reason) => {
                let why = match reason {
                    Reason::TooFewBakes => format!(
                        "there are too few bakes (each side needs {LEAST_BAKES}, and more where doughs or yeast differ)"
                    ),
                    Reason::Entangled => {
                        "their recipes or yeast changed together with the group, so nobody can say which did it".to_owned()
                    }
                    Reason::NeverEquallyWarm => {
                        "they stood at different temperatures, and what warmth alone does to these doughs is not known well enough".to_owned()
                    }
                    Reason::TooMuchScatter => {
                        "bakes of one kind vary too much among themselves".to_owned()
                    }
                    Reason::ManyComparisons => {
                        "among this many comparisons one such difference turns up by luck".to_owned()
                    }
                };
                format!("Cannot tell {first} and {second} apart yet: {why}.")
            }
        };
        let claims = matches!(
            self.verdict,
            Verdict::Longer { .. } | Verdict::Sooner { .. }
        );
        if let (Verdict::CannotTell(_), Some(d)) = (self.verdict, self.difference) {
            let side = |ln: f64| {
                let percent = 100.0 * ln.exp_m1();
                if percent < 0.0 {
                    format!("{:.0} % less", -percent)
                } else {
                    format!("{percent:.0} % more")
                }
            };
            text.push_str(&format!(
                " At the same temperature {second} may need anything from {} to {} time.",
                side(d.interval.0),
                side(d.interval.1)
            ));
        }
        if claims && !self.temperatures_overlap {
            text.push_str(
                " The two never stood equally warm, so part of this may be the temperature rule's own error.",
            );
        }
        text
    }
}

//! What was asked; which proofs belong to which group, which belong to none, and why.

use std::collections::BTreeSet;

use super::CompareAsked;
use crate::batches::record::{Batch, Outcome, StageKind};
use crate::forecasts::groups::{lot, own_season, quarter};
use crate::forecasts::inputs::known_end;
use crate::plans::{Grounds, PlanError};
use crate::time::UtcMs;

/// A group's place in the order, and its name.
pub(super) type GroupName = (usize, String);
/// A group's name with its days: from the first moment to before the second.
pub(super) type Span = (String, UtcMs, UtcMs);

/// What was asked, understood.
pub(super) struct Question {
    pub(super) kind: StageKind,
    pub(super) by: String,
    pub(super) spans: Vec<Span>,
    dough: Option<String>,
    /// Without case; empty: every group.
    only: Vec<String>,
    south: bool,
}

/// A finished proof to be compared.
pub(super) struct Chosen<'a> {
    pub(super) group: GroupName,
    pub(super) batch: &'a Batch,
    pub(super) start: UtcMs,
    pub(super) end: UtcMs,
}

impl Question {
    pub(super) fn of(g: &Grounds<'_>, asked: &CompareAsked) -> Result<Self, PlanError> {
        let said = |field: &Option<String>| field.clone().filter(|f| !f.trim().is_empty());
        let kind = match said(&asked.stage).as_deref().unwrap_or("bulk") {
            "bulk" => StageKind::Bulk,
            "final" => StageKind::Final,
            other => {
                return Err(PlanError::Bad(format!(
                    "stage: `{other}` is neither bulk nor final"
                )));
            }
        };
        let by = said(&asked.by).unwrap_or_else(|| "season".to_owned());
        let spans = match by.as_str() {
            "dates" => spans(g, asked.dates.as_deref().unwrap_or_default())?,
            "season" | "place" | "flour" | "yeast" => Vec::new(),
            other => {
                return Err(PlanError::Bad(format!(
                    "by: `{other}` is none of season, place, flour, yeast, dates"
                )));
            }
        };
        let dough = said(&asked.dough);
        if let Some(name) = &dough
            && !g.book().doughs.contains_key(name)
            && !g.book().batches.values().any(|b| b.dough == *name)
        {
            return Err(PlanError::NoDough {
                name: name.clone(),
                known: g
                    .book()
                    .doughs
                    .keys()
                    .cloned()
                    .collect::<Vec<_>>()
                    .join(", "),
            });
        }
        Ok(Self {
            kind,
            by,
            spans,
            dough,
            only: names(asked.only.as_deref().unwrap_or_default()),
            south: asked.south,
        })
    }

    /// The proofs that are asked for, each with its group.
    pub(super) fn choose<'a>(
        &self,
        g: &'a Grounds<'_>,
        left_out: &mut LeftOut,
    ) -> Result<Vec<Chosen<'a>>, PlanError> {
        let mut found = Vec::new();
        let mut known_names = BTreeSet::new();
        for stage in g.book().stages.values().filter(|s| s.stage == self.kind) {
            let Some(batch) = g.book().batches.get(&stage.batch) else {
                continue;
            };
            if self.dough.as_ref().is_some_and(|d| *d != batch.dough) {
                continue;
            }
            let end = match known_end(stage, g.now) {
                Some((end, Outcome::Ready)) => end,
                Some((_, Outcome::Under | Outcome::Over)) => {
                    left_out.early_or_late += 1;
                    continue;
                }
                Some((_, Outcome::Unknown | Outcome::Abandoned)) => {
                    left_out.unknown += 1;
                    continue;
                }
                // Still in progress: nothing to say yet.
                None => continue,
            };
            if batch.learn == Some(false) {
                left_out.not_learned += 1;
                continue;
            }
            let Some(group) = self.group_of(g, batch, stage.start) else {
                left_out.no_group += 1;
                continue;
            };
            known_names.insert(group.1.clone());
            if !self.only.is_empty() && !self.only.contains(&group.1.to_lowercase()) {
                left_out.not_asked += 1;
                continue;
            }
            if self.by == "place" && g.book().stays(&batch.id, stage.start, end).len() > 1 {
                left_out.moved += 1;
                continue;
            }
            found.push(Chosen {
                group,
                batch,
                start: stage.start,
                end,
            });
        }
        if let Some(name) = self
            .only
            .iter()
            .find(|o| !known_names.iter().any(|k| k.to_lowercase() == **o))
        {
            return Err(PlanError::Bad(format!(
                "only: there is no group `{name}`; there are: {}",
                if known_names.is_empty() {
                    "none yet".to_owned()
                } else {
                    known_names.into_iter().collect::<Vec<_>>().join(", ")
                }
            )));
        }
        Ok(found)
    }

    fn group_of(&self, g: &Grounds<'_>, batch: &Batch, start: UtcMs) -> Option<GroupName> {
        let spans = &self.spans;
        match self.by.as_str() {
            by @ ("flour" | "yeast") => Some((0, lot(batch, by)?)),
            "place" => Some((0, g.book().place_at(&batch.id, start)?.to_owned())),
            "dates" => spans
                .iter()
                .find(|(_, from, to)| start >= *from && start < *to)
                .map(|(name, _, _)| {
                    // Spans of one name are one group, in the place of the first.
                    let first = spans.iter().position(|s| s.0 == *name).unwrap_or(0);
                    (first, name.clone())
                }),
            _ => {
                if let Some((season, name)) = g
                    .book()
                    .place_at(&batch.id, start)
                    .and_then(|place| own_season(g.book(), place, start, &g.zone))
                {
                    return Some((season, name.to_owned()));
                }
                // Meteorological seasons: whole months, December to February the northern winter.
                let month = start.timestamp().to_zoned_datetime(g.zone.clone()).month();
                let quarter = quarter(month);
                let names = ["winter", "spring", "summer", "autumn"];
                let season = if self.south {
                    (quarter + 2) % 4
                } else {
                    quarter
                };
                Some((season, names[season].to_owned()))
            }
        }
    }
}

/// Proofs that were not compared, and why.
#[derive(Default)]
pub(super) struct LeftOut {
    pub(super) early_or_late: usize,
    pub(super) unknown: usize,
    pub(super) not_learned: usize,
    pub(super) no_group: usize,
    pub(super) moved: usize,
    pub(super) not_asked: usize,
    pub(super) unreadable: usize,
}

impl LeftOut {
    pub(super) fn lines(&self, by: &str) -> Vec<String> {
        let ungrouped = match by {
            "flour" | "yeast" => format!("no lot of {by} is noted"),
            "dates" => "they lie outside the dates given".to_owned(),
            _ => "they belong to none of the groups".to_owned(),
        };
        [
            (
                self.early_or_late,
                "they were ended early or late, so nobody knows when they were ready",
            ),
            (self.unknown, "how they ended is not known"),
            (
                self.not_learned,
                "their bake is marked as nothing to learn from",
            ),
            (self.no_group, &ungrouped),
            (
                self.moved,
                "they were moved from one place to another while they proofed",
            ),
            (self.not_asked, "their group was not asked for"),
            (
                self.unreadable,
                "there are no readings of the air they stood in, or too many are missing",
            ),
        ]
        .into_iter()
        .filter(|(n, _)| *n > 0)
        .map(|(n, why)| format!("{n} left out: {why}."))
        .collect()
    }
}

/// Names somebody wrote in one line, without case.
fn names(text: &str) -> Vec<String> {
    text.split(';')
        .map(|n| n.trim().to_lowercase())
        .filter(|n| !n.is_empty())
        .collect()
}

/// The user's own dates: whole days in their zone, both ends included. A name may stand twice (two
/// winters are one group); no day may belong to two names.
fn spans(g: &Grounds<'_>, text: &str) -> Result<Vec<Span>, PlanError> {
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
            let (first, last) = (day(from)?, day(to)?);
            let name = name.trim();
            if name.is_empty() || last < first {
                return Err(PlanError::Bad(format!(
                    "dates: `{part}` needs a name, and a last day that is not before the first"
                )));
            }
            let after = last.tomorrow().map_err(|_| bad(part))?;
            Ok((name.to_owned(), begin(first)?, begin(after)?))
        })
        .collect::<Result<_, PlanError>>()?;
    if !found.iter().any(|f| f.0 != found[0].0) {
        return Err(PlanError::Bad("dates: give at least two, like winter=2026-01-01..2026-03-31;summer=2026-06-01..2026-08-31".into()));
    }
    for (i, a) in found.iter().enumerate() {
        if let Some(b) = found[i + 1..].iter().find(|b| a.1 < b.2 && b.1 < a.2) {
            return Err(PlanError::Bad(format!(
                "dates: `{}` and `{}` share days; a bake can be in one of them only",
                a.0, b.0
            )));
        }
    }
    Ok(found)
}

//! What phones were told on ordinary bakes: the count, its table, and the bar it is held to.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::bakes::Kind;

/// What one bake brought.
#[derive(Clone, Debug)]
pub(super) struct Told {
    pub(super) kind: Kind,
    /// Messages in bulk, in the final proof (and the bake), and of the oven.
    pub(super) counts: [usize; 3],
    /// Their names.
    pub(super) names: Vec<String>,
    /// "Ready" was sent for a proof that had ended.
    pub(super) ready_after_end: bool,
}

/// The table and its figures.
#[derive(Clone, Debug)]
pub struct Bakes(pub(super) Vec<Told>);

impl Bakes {
    /// The table.
    #[must_use]
    pub fn table(&self) -> String {
        let mut out = format!(
            "messages to a phone on ordinary bakes, the baker acting on each within its lead\n{:<32} {:>5}  {:>12} {:>12} {:>12}\n{:<32} {:>5}  {:>12} {:>12} {:>12}\n",
            "", "bakes", "bulk", "final", "oven", "", "", "mean, most", "mean, most", "mean, most"
        );
        for kind in Kind::ALL {
            let of: Vec<&Told> = self.0.iter().filter(|t| t.kind == kind).collect();
            let column = |i: usize| {
                let sum: usize = of.iter().map(|t| t.counts[i]).sum();
                let most = of.iter().map(|t| t.counts[i]).max().unwrap_or(0);
                format!("{:.2}, {most}", sum as f64 / of.len().max(1) as f64)
            };
            // Writing to a string cannot fail.
            let _ = writeln!(
                out,
                "{:<32} {:>5}  {:>12} {:>12} {:>12}",
                kind.name(),
                of.len(),
                column(0),
                column(1),
                column(2)
            );
        }
        let mut names: BTreeMap<&str, usize> = BTreeMap::new();
        for name in self.0.iter().flat_map(|t| &t.names) {
            *names.entry(name).or_default() += 1;
        }
        out += "\nwhat was told, in all bakes\n";
        for (name, count) in names {
            let _ = writeln!(out, "{name:<32} {count:>5}");
        }
        let late = self.0.iter().filter(|t| t.ready_after_end).count();
        let _ = writeln!(out, "“ready” for a proof that had ended: {late}");
        out
    }

    /// What of the bar is not met: at most two messages a stage and one for the oven, and no "ready"
    /// for a proof that was ended before.
    #[must_use]
    pub fn short_of(&self) -> Vec<String> {
        let mut short = Vec::new();
        for told in &self.0 {
            let [bulk, last, oven] = told.counts;
            if bulk > 2 || last > 2 || oven > 1 {
                short.push(format!(
                    "{}: {bulk} in bulk, {last} in the final proof, {oven} of the oven: {}",
                    told.kind.name(),
                    told.names.join(", ")
                ));
            }
            if told.ready_after_end {
                short.push(format!("{}: “ready” after the end", told.kind.name()));
            }
        }
        short
    }
}

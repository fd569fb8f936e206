//! `calibrations`: what was filed, what each moved, which is in force; and back to an earlier one.

use std::process::ExitCode;

use anyhow::bail;

use super::{Common, Done, print_json, print_line, questions};
use crate::events::Event;
use crate::forecasts::document::CalibratedParameter;
use crate::store::CalibrationRow;

/// Every calibration filed; with a version, what it moved; or back to an earlier one.
#[derive(Debug, clap::Args)]
pub(super) struct Calibrations {
    /// Only this one, with everything it moved
    #[arg(long, value_name = "N")]
    version: Option<i64>,
    /// Go back to this one, until the next `calibrate`
    #[arg(long, value_name = "N", conflicts_with = "version")]
    roll_back: Option<i64>,
    /// One JSON document on standard output
    #[arg(long)]
    json: bool,
}

impl Calibrations {
    pub(super) fn run(self, common: &Common) -> Done {
        let app = common.open_app()?;
        if let Some(version) = self.roll_back {
            if !app.store.roll_back_to(version)? {
                bail!("there is no calibration {version}: `calibrations` lists them");
            }
            app.bus.tell(Event::Settings);
        }
        let mut rows = app.store.calibrations()?;
        if let Some(version) = self.version {
            rows.retain(|r| r.version == version);
            if rows.is_empty() {
                bail!("there is no calibration {version}: `calibrations` lists them");
            }
        }
        if self.json {
            print_json(&rows)?;
            return Ok(ExitCode::SUCCESS);
        }
        let show = questions::show(&app)?;
        let mut lines = Vec::new();
        for row in &rows {
            lines.push(format!(
                "version {}, {}, learned from {} finished proofs{}",
                row.version,
                show.when(row.at.timestamp()),
                row.stages,
                if row.in_force {
                    ", in force by hand"
                } else {
                    ""
                }
            ));
            if self.version.is_some() {
                lines.extend(moved(row));
            }
        }
        if lines.is_empty() {
            lines.push("nothing is filed yet: `calibrate` files the first".into());
        }
        print_line(&lines.join("\n"))?;
        Ok(ExitCode::SUCCESS)
    }
}

fn moved(row: &CalibrationRow) -> Vec<String> {
    let parameters: Vec<CalibratedParameter> = row
        .doc
        .get("parameters")
        .and_then(|p| serde_json::from_value(p.clone()).ok())
        .unwrap_or_default();
    parameters
        .into_iter()
        .map(|p| {
            format!(
                "  {}: {:.3} (was {:.3}; most likely {:.3} to {:.3})",
                p.name, p.after, p.before, p.p10, p.p90
            )
        })
        .collect()
}

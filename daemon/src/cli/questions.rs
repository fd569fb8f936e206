//! What the commands that answer a baker's question share.

use std::process::ExitCode;

use doughwarden_dashboards::show::Show;
use jiff::tz::TimeZone;

use super::{Common, Done, print_json, print_line};
use crate::app::App;
use crate::plans::{Grounds, PlanError};

/// How times and temperatures are written: as on the pages.
pub(super) fn show(app: &App) -> anyhow::Result<Show> {
    Ok(crate::display::show(app)?)
}

/// Asks the planning room.
pub(super) fn ask<T>(
    app: &App,
    zone: TimeZone,
    answer: impl FnOnce(&Grounds<'_>) -> Result<T, PlanError>,
) -> anyhow::Result<T> {
    Ok(crate::plans::on(app, zone, answer)?)
}

/// Asks, and prints the document or its sentences.
pub(super) fn say<T: serde::Serialize>(
    common: &Common,
    json: bool,
    answer: impl FnOnce(&Grounds<'_>, &App) -> Result<T, PlanError>,
    words: impl FnOnce(&T, &Show) -> Vec<String>,
) -> Done {
    let app = common.open_app()?;
    let show = show(&app)?;
    let document = ask(&app, show.zone.clone(), |g| answer(g, &app))?;
    if json {
        print_json(&document)?;
    } else {
        print_line(&words(&document, &show).join("\n"))?;
    }
    Ok(ExitCode::SUCCESS)
}

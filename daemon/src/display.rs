//! How times and temperatures are written for people: what the configuration sets wins over what the
//! page set.

use doughwarden_dashboards::show::Show;
use jiff::tz::TimeZone;
use serde_json::Value;

use crate::app::App;
use crate::config::display::TemperatureUnit;
use crate::store::StoreError;

/// The setting that holds what the page set: `zone` and `unit`.
pub const SETTING: &str = "display";

/// How times and temperatures are written.
///
/// # Errors
/// If the store cannot be read.
pub fn show(app: &App) -> Result<Show, StoreError> {
    let set = app.store.setting(SETTING)?.unwrap_or(Value::Null);
    let configured = &app.config.display;
    let zone = configured
        .zone
        .as_deref()
        .or_else(|| set.get("zone").and_then(Value::as_str))
        .and_then(|name| TimeZone::get(name).ok())
        .unwrap_or_else(TimeZone::system);
    let fahrenheit = match configured.unit {
        Some(unit) => unit == TemperatureUnit::Fahrenheit,
        None => set.get("unit").and_then(Value::as_str) == Some("degF"),
    };
    Ok(Show {
        now: app.clock.now().timestamp(),
        zone,
        fahrenheit,
    })
}

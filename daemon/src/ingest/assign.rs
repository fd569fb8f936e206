//! Which topic is which sensor: what the configuration maps and what the page or a command mapped.
//! The latter is one document in the store's settings, a list of `[[sensor]]` shapes.

use serde_json::Value;

use super::mapping::Mappings;
use crate::app::App;
use crate::batches::record::Quantity;
use crate::config::sensor::Sensor;
use crate::events::Event;
use crate::store::StoreError;

/// The setting's name.
pub const SETTING: &str = "sensors";
/// Mappings the page may make; the configuration may have as many again.
const MAPPINGS: usize = 500;

/// Why an assignment was refused.
#[derive(Debug, thiserror::Error)]
pub enum AssignError {
    /// It cannot work, and why.
    #[error("{0}")]
    Bad(String),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Every mapping, with whether the configuration made it (which the page cannot change).
///
/// # Errors
/// If the store cannot be read.
pub fn all(app: &App) -> Result<Vec<(Sensor, bool)>, StoreError> {
    let configured = &app.config.sensor;
    let from_page = from_page(app)?;
    let mut all: Vec<(Sensor, bool)> = configured.iter().cloned().map(|s| (s, true)).collect();
    all.extend(
        from_page
            .into_iter()
            .filter(|s| !configured.iter().any(|c| is(c, &s.name, s.quantity)))
            .map(|s| (s, false)),
    );
    Ok(all)
}

/// Makes or replaces the mapping of this name and quantity; the daemon takes it up at once.
///
/// # Errors
/// If it cannot work, or the configuration already maps it.
pub fn put(app: &App, sensor: Sensor) -> Result<(), AssignError> {
    sensor.check().map_err(|(key, why)| {
        AssignError::Bad(format!("sensor `{}`: `{key}`: {why}", sensor.name))
    })?;
    if app
        .config
        .sensor
        .iter()
        .any(|c| is(c, &sensor.name, sensor.quantity))
    {
        return Err(AssignError::Bad(format!(
            "`{}` (`{}`) is set in the configuration file: change it there",
            sensor.name,
            sensor.quantity.as_str()
        )));
    }
    let mut list = from_page(app)?;
    list.retain(|s| !is(s, &sensor.name, sensor.quantity));
    if list.len() >= MAPPINGS {
        return Err(AssignError::Bad(format!(
            "there are {MAPPINGS} assignments already: remove some"
        )));
    }
    list.push(sensor);
    write(app, &list)
}

/// Takes a mapping away; its readings stay. `Ok(false)`: there was none of the page's.
///
/// # Errors
/// If the store cannot be written.
pub fn remove(app: &App, sensor: &str, quantity: Quantity) -> Result<bool, AssignError> {
    let mut list = from_page(app)?;
    let before = list.len();
    list.retain(|s| !is(s, sensor, quantity));
    if list.len() == before {
        return Ok(false);
    }
    write(app, &list)?;
    Ok(true)
}

/// Puts every mapping in force, as configuration and store have them now.
///
/// # Errors
/// If the store cannot be read; the old ones stay in force.
pub(super) fn reload(app: &App) -> Result<(), StoreError> {
    app.board.put_mappings(Mappings::new(all(app)?));
    Ok(())
}

fn is(spec: &Sensor, name: &str, quantity: Quantity) -> bool {
    spec.name == name && spec.quantity == quantity
}

fn from_page(app: &App) -> Result<Vec<Sensor>, StoreError> {
    match app.store.setting(SETTING)? {
        None => Ok(Vec::new()),
        Some(document) => serde_json::from_value(document)
            .map_err(|e| StoreError::Corrupt(format!("the sensors' assignments: {e}"))),
    }
}

fn write(app: &App, list: &[Sensor]) -> Result<(), AssignError> {
    let document: Value = serde_json::to_value(list)
        .map_err(|e| AssignError::Bad(format!("the assignment cannot be written: {e}")))?;
    app.store.set_setting(SETTING, Some(&document))?;
    reload(app)?;
    app.bus.tell(Event::Sensors);
    Ok(())
}

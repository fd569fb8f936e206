//! Which topic is which sensor: what the configuration maps and what the page or a command mapped.

use crate::app::App;
use crate::batches::record::Quantity;
use crate::config::sensor::Sensor;
use crate::store::StoreError;

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
    Ok(app
        .config
        .sensor
        .iter()
        .cloned()
        .map(|s| (s, true))
        .collect())
}

/// Makes or replaces the mapping of this name and quantity; the daemon takes it up at once.
///
/// # Errors
/// If it cannot work, or the configuration already maps it.
pub fn put(_app: &App, _sensor: Sensor) -> Result<(), AssignError> {
    Err(AssignError::Bad("assigning is not built yet".into()))
}

/// Takes a mapping away; its readings stay. `Ok(false)`: there was none of the page's.
///
/// # Errors
/// If the store cannot be written.
pub fn remove(_app: &App, _sensor: &str, _quantity: Quantity) -> Result<bool, AssignError> {
    Err(AssignError::Bad("assigning is not built yet".into()))
}

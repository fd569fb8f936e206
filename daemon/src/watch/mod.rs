//! Watching: rules over readings, forecasts and the book; the life of an alert.

use crate::app::App;
use crate::store::StoreError;

/// Someone has seen an alert: it is not repeated. `Ok(false)`: no such alert.
///
/// # Errors
/// If the store cannot be written.
pub fn acknowledge(_app: &App, _id: &str) -> Result<bool, StoreError> {
    Ok(false)
}

/// Remind me in so many minutes. `Ok(false)`: no such alert.
///
/// # Errors
/// If the store cannot be written.
pub fn remind(_app: &App, _id: &str, _minutes: f64) -> Result<bool, StoreError> {
    Ok(false)
}

//! Watching: rules over readings, forecasts and the book; the life of an alert.

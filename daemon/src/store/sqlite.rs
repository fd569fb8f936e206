//! The embedded store.

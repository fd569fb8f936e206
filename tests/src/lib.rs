//! End-to-end tests, simulation studies, reference data and peers.

pub mod harness;
pub mod watch_study;

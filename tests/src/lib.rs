//! End-to-end tests, simulation studies, reference data and peers.

pub mod books;
pub mod bound;
pub mod browser;
pub mod chance;
pub mod harness;
pub mod house;
pub mod laws;
pub mod ours;
pub mod peer;
#[cfg(test)]
mod peer_law;
pub mod store;
pub mod study;
pub mod tables;
pub mod watch_study;

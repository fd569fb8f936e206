//! End-to-end tests, simulation studies, reference data and peers.

pub mod books;
pub mod chance;
pub mod laws;

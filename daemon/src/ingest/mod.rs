//! Readings in: brokers, payloads, identity, plausibility, and the one writer that stores before
//! anything is acknowledged.

pub mod assign;
pub mod board;
pub mod publisher;

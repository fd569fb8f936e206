//! Batches: the log book's records, the book in memory, import and export.

pub mod actions;
pub mod apply;
pub mod book;
pub mod check;
pub mod export;
pub mod follow;
pub mod import;
pub mod record;
pub mod sensible;

#[cfg(test)]
mod action_tests;
#[cfg(test)]
mod export_tests;
#[cfg(test)]
mod tests;

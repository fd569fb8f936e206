//! placeholder

pub mod watch_study;

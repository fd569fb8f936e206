//! The daemon: thin rooms around the model.
//!
//! [`ingest`] takes readings in, [`store`] keeps them, [`batches`] owns the log book, [`backfill`] brings readings from before, [`forecasts`]
//! joins book, readings and model, [`plans`] answers the baker's questions with them, [`watch`] decides what to tell, [`notify`] tells it, [`web`]
//! shows it, [`mod@copy`] sends readings on to InfluxDB, [`cli`] is the command line, [`kitchen`] the
//! simulated kitchen of the demo. What they share is one [`app::App`] and the [`events::Bus`];
//! [`daemon`] puts them together.

pub mod app;
pub mod backfill;
pub mod backoff;
pub mod batches;
pub mod cli;
pub mod clock_check;
pub mod config;
pub mod copy;
pub mod daemon;
pub mod display;
pub mod events;
pub mod forecasts;
pub mod health;
pub mod ingest;
pub mod kitchen;
pub mod metrics;
pub mod notify;
pub mod plans;
pub mod store;
pub mod time;
pub mod watch;
pub mod web;

//! What people look at: pages, styles and charts.
//!
//! Every page is a function from a plain view struct to HTML. The structs hold what is to be
//! shown (instants, °C, g, fractions), never a store or a clock, so a page can be rendered and
//! tested without a daemon. Times and temperatures are turned into the baker's own in one place,
//! [`show`]. Pages work without script; `assets/live.js` keeps them fresh and `assets/charts.js`
//! draws the charts larger. No inline script, no inline style, nothing from another host.

pub mod assets;
pub mod bakes;
pub mod batch;
pub mod cautions;
pub mod chart;
pub mod compare;
pub mod controls;
pub mod doughs;
pub mod frame;
pub mod import;
pub mod new_batch;
pub mod now;
pub mod places;
pub mod plan;
pub mod reader_table;
pub mod ready;
pub mod refusal;
pub mod sensors;
pub mod settings;
pub mod show;
pub mod sign_in;

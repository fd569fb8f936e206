//! Fermentation, heat and humid-air arithmetic for yeast doughs.
//!
//! Everything here is a function of its inputs: no I/O, no clock, no async, no panic on absurd
//! numbers. Each function states its equation, symbols, units, range of validity and source, and is
//! tested against published numbers. Units stand in names: `_c` degrees Celsius, `_s` seconds,
//! `_h` hours, `_kg` kilograms, `_pa` pascals; a rise is the fraction by which the dough has grown
//! (0.8 = 80 % of its volume at the start of that proof).
//!
//! # Rooms
//! Physics: [`cardinal`], [`age`], [`heat`], [`composition`], [`solution`], [`carbon_dioxide`],
//! [`thermal_death`], [`humid_air`], [`surroundings`], [`curves`], [`formula`], [`dough_water`].
//! Statistics: [`least_squares`], [`censored`], [`scores`], [`shrinkage`].
//! The baker's questions: [`proof`] (one stage, live), [`calibration`] (what past bakes teach),
//! [`seasons`] (comparing groups of bakes), [`planning`] (backwards from the table).
//! Shared: [`refusal`] (what a function says to a number it cannot use).

// `!(x > 0.0)` sends what is not a number down the refusing branch, on purpose.
#![allow(clippy::neg_cmp_op_on_partial_ord)]

pub mod age;
pub mod calibration;
pub mod carbon_dioxide;
pub mod cardinal;
pub mod censored;
pub mod composition;
pub mod curves;
pub mod dough_water;
pub mod formula;
pub mod heat;
pub mod humid_air;
pub mod least_squares;
pub mod planning;
pub mod proof;
pub mod refusal;
pub mod scores;
pub mod seasons;
pub mod shrinkage;
pub mod solution;
pub mod surroundings;
pub mod thermal_death;

//! The simulated kitchen: a physical simulation behind the demo and the studies, publishing through
//! the same door as real sensors. Everything but [`demo`] and [`publish`] is pure and seeded.
//!
//! [`air`] is places, [`body`] heat in the dough, [`ferment`] its gas, [`proof`] the two together and
//! the baker's word for ready, [`sensor`] what is measured of it, [`chance`] the seeded noise.
//! [`bakehouse`] puts them together with a baker who taps; [`demo`] is our scenario and its run,
//! [`publish`] its way to the broker.

pub mod air;
pub mod bakehouse;
pub mod body;
pub mod chance;
pub mod demo;
pub mod ferment;
pub mod proof;
pub mod publish;
pub mod sensor;

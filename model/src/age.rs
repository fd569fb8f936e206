//! Equivalent age (thermal time): a proof's progress in minutes at a reference temperature.

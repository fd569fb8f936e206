//! Water temperature for a desired dough temperature, and the friction factor.

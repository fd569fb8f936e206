//! Transient conduction in dough pieces, film coefficients, and the one-pole lag they amount to.

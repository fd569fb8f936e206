//! Comparing groups of bakes: what temperature explains of a difference, and what is left.

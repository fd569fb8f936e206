//! Likelihoods of times known only to lie within an interval.

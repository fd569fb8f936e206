//! Nonlinear least squares that reports failure, with profile-likelihood intervals.

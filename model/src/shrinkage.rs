//! Partial pooling: normal shrinkage and a random-effect model.

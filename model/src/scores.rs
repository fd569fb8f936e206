//! Scoring forecasts: CRPS, pinball loss, PIT, coverage.

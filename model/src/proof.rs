//! One stage's proof, live: the posterior of its threshold and the forecast of its ready time.

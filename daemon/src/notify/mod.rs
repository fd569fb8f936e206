//! Notifying: carries alerts to channels, with an outbox that survives restarts.

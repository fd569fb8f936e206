//! `[mqtt]`: `listen`, `user`, `password`, `broker`, `ca_file`.

use serde::Deserialize;

/// The embedded broker, or an outside one.
#[derive(Clone, Debug, Deserialize)]
#[serde(default)]
pub struct Mqtt {
    /// Where the embedded broker listens; not used when `broker` is set.
    pub listen: String,
    /// The user it asks for.
    pub user: Option<String>,
    /// The password it asks for; required when it listens beyond loopback.
    pub password: Option<Secret>,
    /// An outside broker instead: `mqtt://` or `mqtts://`, with `user:password@` if it asks.
    pub broker: Option<Secret>,
    /// Certificates in PEM trusted for `mqtts`, beside the system's.
    pub ca_file: Option<std::path::PathBuf>,
}

impl Default for Mqtt {
    fn default() -> Self {
        Self {
            listen: "127.0.0.1:1883".into(),
            user: None,
            password: None,
            broker: None,
            ca_file: None,
        }
    }
}

/// A text that never shows in a log: its `Debug` is a row of dots.
#[derive(Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(transparent)]
pub struct Secret(pub String);

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("•••")
    }
}

//! `[http]`: `listen`, `access_key`, `certificate`, `key`, `hosts`.

use serde::Deserialize;

use super::mqtt::Secret;

/// Pages and HTTP.
#[derive(Clone, Debug, Deserialize)]
#[serde(default)]
pub struct Http {
    /// Address and port; port 0: any free one.
    pub listen: String,
    /// Asked of everyone; required when `listen` is not loopback.
    pub access_key: Option<Secret>,
    /// A certificate chain in PEM; with `key`: https.
    pub certificate: Option<std::path::PathBuf>,
    /// Its private key in PEM.
    pub key: Option<std::path::PathBuf>,
    /// Names by which this machine may be called, beside addresses and `localhost`.
    #[serde(deserialize_with = "super::load::list_or_text")]
    pub hosts: Vec<String>,
}

impl Default for Http {
    fn default() -> Self {
        Self {
            listen: "127.0.0.1:8080".into(),
            access_key: None,
            certificate: None,
            key: None,
            hosts: Vec::new(),
        }
    }
}

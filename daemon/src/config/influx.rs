//! `[influx]`: `url`, `org`, `bucket`, `token`, `queue_mib`. Absent: no copy is sent.

use serde::Deserialize;

use super::mqtt::Secret;

/// Where a copy of every reading goes.
#[derive(Clone, Debug, Deserialize)]
pub struct Influx {
    /// The server.
    #[serde(default)]
    pub url: String,
    /// The organisation.
    #[serde(default)]
    pub org: String,
    /// The bucket.
    #[serde(default)]
    pub bucket: String,
    /// The token.
    #[serde(default)]
    pub token: Secret,
    /// How much of the copy may wait on this disk, MiB.
    #[serde(default = "queue_mib")]
    pub queue_mib: u32,
}

fn queue_mib() -> u32 {
    256
}

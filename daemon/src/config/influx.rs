//! `[influx]`: `url`, `org`, `bucket`, `token`, `queue_mib`. Absent: no copy is sent.

use serde::Deserialize;

use super::mqtt::Secret;

/// Where a copy of every reading goes.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Influx {
    /// The server.
    pub url: String,
    /// The organisation.
    pub org: String,
    /// The bucket.
    pub bucket: String,
    /// The token.
    pub token: Secret,
    /// How much of the copy may wait on this disk, MiB.
    #[serde(default = "queue_mib")]
    pub queue_mib: u32,
}

fn queue_mib() -> u32 {
    256
}

//! The configuration: one typed tree, a file per section, unknown keys refused, checked before a
//! port opens. Read by the `config` crate from TOML and from `DOUGHWARDEN__SECTION__KEY`.

pub mod alert;
pub mod display;
pub mod http;
pub mod influx;
pub mod load;
pub mod mqtt;
pub mod sensor;
pub mod store;

use serde::Deserialize;

pub use load::{ConfigError, load};

/// Everything that can be configured.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default)]
pub struct Config {
    /// Pages and HTTP.
    pub http: http::Http,
    /// The embedded broker, or an outside one.
    pub mqtt: mqtt::Mqtt,
    /// Where a copy of every reading goes.
    pub influx: Option<influx::Influx>,
    /// How the baker is told.
    pub alert: alert::Alert,
    /// How times and temperatures are shown.
    pub display: display::Display,
    /// The embedded store.
    pub store: store::Store,
    /// Sensors.
    pub sensor: Vec<sensor::Sensor>,
}

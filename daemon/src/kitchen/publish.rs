//! The simulated sensors' way to the broker: real MQTT, one payload style a device, as homes have.

use std::time::Duration;

use rumqttc::{AsyncClient, MqttOptions, QoS};
use serde_json::{Value, json};
use tokio_util::sync::CancellationToken;

use super::bakehouse::{Sent, Spot};
use super::demo::DemoError;

/// Messages that may wait for the connection: a few seconds of four sensors in a fast demo.
/// Beyond it they are lost, as a sensor's are when the radio is down.
const WAITING: usize = 256;
/// How long to wait (of real time) before connecting again.
const AGAIN_AFTER: Duration = Duration::from_secs(1);

/// The topic and the payload of what a sensor sends.
#[must_use]
pub fn message(sent: &Sent) -> (&'static str, Value) {
    let tenth = |x: f64| (x * 10.0).round() / 10.0;
    match sent.spot {
        Spot::Counter => (
            "bakehouse/counter/state",
            json!({"temperature": tenth(sent.air_c), "humidity": sent.humidity_pct, "battery": sent.battery_pct}),
        ),
        Spot::Box => (
            "bakehouse/box/state",
            json!({"at": sent.at.to_string(), "air": {"f": tenth(sent.air_c * 1.8 + 32.0), "rh": sent.humidity_pct}}),
        ),
        // SenML (RFC 8428).
        Spot::Oven => (
            "bakehouse/oven/senml",
            json!([
                {"bn": "oven/", "bt": sent.at.0 as f64 / 1000.0, "n": "air", "u": "Cel", "v": sent.air_c},
                {"n": "humidity", "u": "%RH", "v": sent.humidity_pct},
                {"n": "battery", "u": "%EL", "v": sent.battery_pct}
            ]),
        ),
        Spot::Pantry => (
            "bakehouse/pantry/state",
            json!({"temperature": tenth(sent.air_c), "humidity": sent.humidity_pct}),
        ),
    }
}

/// A connection kept up in the background until `stop`.
pub struct Connection(AsyncClient);

impl Connection {
    /// Connects to `mqtt://[user:password@]host:port`, again and again until it holds.
    ///
    /// # Errors
    /// If the address is none.
    pub fn open(mqtt_url: &str, stop: CancellationToken) -> Result<Self, DemoError> {
        let url = reqwest::Url::parse(mqtt_url)
            .ok()
            .filter(|u| u.scheme() == "mqtt")
            .ok_or_else(|| DemoError::Address(mqtt_url.to_owned()))?;
        let host = url
            .host_str()
            .ok_or_else(|| DemoError::Address(mqtt_url.to_owned()))?;
        let mut options = MqttOptions::new("simulated-kitchen", host, url.port().unwrap_or(1883));
        options.set_keep_alive(Duration::from_secs(30));
        if !url.username().is_empty() {
            options.set_credentials(url.username(), url.password().unwrap_or_default());
        }
        let (client, mut events) = AsyncClient::new(options, WAITING);
        tokio::spawn(async move {
            loop {
                tokio::select! {
                    () = stop.cancelled() => break,
                    event = events.poll() => if let Err(error) = event {
                        tracing::debug!(%error, "the simulated sensors lost the broker");
                        tokio::select! {
                            () = stop.cancelled() => break,
                            () = tokio::time::sleep(AGAIN_AFTER) => {}
                        }
                    }
                }
            }
        });
        Ok(Self(client))
    }

    /// Sends, or loses it when too much waits already.
    pub fn send(&self, sent: &Sent) {
        let (topic, payload) = message(sent);
        let qos = if sent.spot == Spot::Oven {
            QoS::AtLeastOnce
        } else {
            QoS::AtMostOnce
        };
        if let Err(error) = self.0.try_publish(topic, qos, false, payload.to_string()) {
            tracing::debug!(%error, topic, "a simulated reading was lost");
        }
    }
}

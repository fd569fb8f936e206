//! The MQTT topics: each event, and the retained state, over whichever broker is in use.

use std::sync::Arc;

use bytes::Bytes;
use serde_json::Value;

use super::{Channel, Refusal, Sending};
use crate::app::App;
use crate::ingest::publisher::Publisher;

/// Its name.
pub const NAME: &str = "mqtt";
/// Each event: QoS 1, not retained.
pub const EVENTS: &str = "doughwarden/alert";
/// The newest documents of all alerts that are not over: retained.
pub const OPEN: &str = "doughwarden/alerts/open";

/// Where the daily test says that it came by.
pub const TRIED: &str = "doughwarden/self-test/out";

/// The channel.
pub struct Mqtt {
    app: Arc<App>,
    publisher: Publisher,
    after_min: f64,
}

impl Mqtt {
    /// Over this publisher.
    #[must_use]
    pub fn new(app: Arc<App>, publisher: Publisher) -> Self {
        let after_min = app.config.alert.mqtt.after_min;
        Self {
            app,
            publisher,
            after_min,
        }
    }

    async fn deliver(&self, doc: &Value) -> Result<(), Refusal> {
        self.publisher
            .publish(EVENTS, Bytes::from(doc.to_string()), false)
            .await
            .map_err(Refusal::later)?;
        let app = Arc::clone(&self.app);
        let open = tokio::task::spawn_blocking(move || app.store.open_alerts()).await;
        if let Ok(Ok(rows)) = open {
            let docs: Vec<Value> = rows.into_iter().map(|r| r.doc).collect();
            let state = Bytes::from(Value::from(docs).to_string());
            // The event is out: it is not sent again for this.
            if let Err(why) = self.publisher.publish(OPEN, state, true).await {
                tracing::warn!(
                    topic = OPEN,
                    why,
                    "displays see older alerts until the next one comes"
                );
            }
        }
        Ok(())
    }
}

impl Channel for Mqtt {
    fn name(&self) -> &'static str {
        NAME
    }

    fn wakes_phone(&self) -> bool {
        false
    }

    fn after_min(&self) -> f64 {
        self.after_min
    }

    fn send<'a>(&'a self, doc: &'a Value) -> Sending<'a> {
        Box::pin(self.deliver(doc))
    }

    fn try_silently(&self) -> Sending<'_> {
        let text = Bytes::from_static(br#"{"alert":"self_test"}"#);
        Box::pin(async {
            let sent = self.publisher.publish(TRIED, text, false).await;
            sent.map_err(Refusal::later)
        })
    }
}

//! The MQTT topics: each event, and the retained state, over whichever broker is in use.

use std::sync::Arc;
use std::time::Duration;

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

/// How long the list of open alerts waits for a broker that is away at the start.
const AGAIN_AFTER: Duration = Duration::from_secs(5);

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
        // The event is out: it is not sent again for this.
        if let Err(why) = say_open(&self.app, &self.publisher).await {
            tracing::warn!(
                topic = OPEN,
                why,
                "displays see older alerts until the next one comes"
            );
        }
        Ok(())
    }
}

async fn say_open(app: &Arc<App>, publisher: &Publisher) -> Result<(), String> {
    let app = Arc::clone(app);
    let open = tokio::task::spawn_blocking(move || app.store.open_alerts()).await;
    let rows = open
        .map_err(|e| e.to_string())?
        .map_err(|e| e.to_string())?;
    let docs: Vec<Value> = rows.into_iter().map(|r| r.doc).collect();
    let state = Bytes::from(Value::from(docs).to_string());
    publisher.publish(OPEN, state, true).await
}

/// Says once after a start which alerts are open: the embedded broker keeps nothing over a restart, and
/// an outside one may keep what has ended since.
pub async fn say_open_at_start(app: Arc<App>, publisher: Publisher) {
    loop {
        let again = async {
            if say_open(&app, &publisher).await.is_err() {
                tokio::time::sleep(AGAIN_AFTER).await;
                return true;
            }
            false
        };
        tokio::select! {
            () = app.stop.cancelled() => return,
            again = again => if !again {
                return;
            },
        }
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

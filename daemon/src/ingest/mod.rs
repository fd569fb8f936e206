//! Readings in: brokers, payloads, identity, plausibility, and the one writer that stores before
//! anything is acknowledged.

pub mod assign;
pub mod board;
pub mod correct;
pub mod embedded;
pub mod gaps;
pub mod gate;
pub mod heard;
pub mod intake;
pub mod link;
pub mod mapping;
pub mod outside;
pub mod payload;
pub mod publisher;
pub mod session;
pub mod topic;
pub mod trial;
pub mod visit;
pub mod wire;
pub mod writer;

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use crate::app::App;
use crate::config::Config;
use crate::events::Event;
use crate::store::StoreError;
use publisher::Outgoing;

/// How long stopping may take before what hangs is left behind.
const STOP_WITHIN: Duration = Duration::from_secs(5);
/// Readings without a time that come after a longer absence than this may have waited, ms.
const ABSENCE_MS: i64 = 10_000;
/// How often a mapping made by a command beside the daemon is looked for.
const LOOK_FOR_CHANGES: Duration = Duration::from_secs(1);

/// Why readings cannot come in.
#[derive(Debug, thiserror::Error)]
pub enum IngestError {
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The broker's configuration cannot work.
    #[error("{0}")]
    Broker(String),
}

/// Choices that are not the configuration's.
#[derive(Clone, Copy, Debug, Default)]
pub struct Options {
    /// Takes any free port when the embedded broker's own is busy (the demo).
    pub free_port_if_busy: bool,
}

/// Readings come in from now on.
#[derive(Debug)]
pub struct Started {
    /// The broker in use: `mqtt://host:port`, without user or password.
    pub mqtt_url: String,
    broker: Broker,
    mappings: tokio::task::JoinHandle<()>,
    writer: std::thread::JoinHandle<()>,
    give_up: CancellationToken,
}

#[derive(Debug)]
enum Broker {
    Embedded(embedded::Running),
    Outside(outside::Running),
}

/// Opens the embedded broker or connects to the outside one, and starts the writer.
///
/// # Errors
/// If the store cannot be read or the broker's configuration cannot work; an outside broker that is
/// away is no error.
pub async fn start(
    app: &Arc<App>,
    outgoing: mpsc::Receiver<Outgoing>,
    options: Options,
) -> Result<Started, IngestError> {
    assign::reload(app)?;
    let give_up = CancellationToken::new();
    let (messages, writer) = writer::start(app, give_up.clone())?;
    let (mqtt_url, broker) = match &app.config.mqtt.broker {
        Some(url) => {
            let running = outside::start(app, &url.0, messages, outgoing)?;
            (running.url.clone(), Broker::Outside(running))
        }
        None => {
            let running = embedded::start(app, messages, outgoing, options).await?;
            (running.url.clone(), Broker::Embedded(running))
        }
    };
    Ok(Started {
        mqtt_url,
        broker,
        mappings: tokio::spawn(take_up_changes(Arc::clone(app))),
        writer,
        give_up,
    })
}

impl Started {
    /// Stops: no new messages, what waits is stored and acknowledged, all within five seconds.
    pub async fn stop(self) {
        self.mappings.abort();
        match self.broker {
            Broker::Embedded(running) => running.stop().await,
            Broker::Outside(running) => running.stop().await,
        }
        let writer = self.writer;
        let joined = tokio::task::spawn_blocking(move || writer.join());
        tokio::pin!(joined);
        if tokio::time::timeout(STOP_WITHIN / 2, &mut joined)
            .await
            .is_err()
        {
            self.give_up.cancel();
            if tokio::time::timeout(STOP_WITHIN / 2, joined).await.is_err() {
                tracing::warn!("the writer did not stop in time");
            }
        }
    }
}

/// Takes up mappings that a command beside the daemon made.
async fn take_up_changes(app: Arc<App>) {
    let mut bus = app.bus.listen();
    let mut revision = None;
    loop {
        let settings_told = tokio::select! {
            () = app.stop.cancelled() => return,
            event = bus.recv() => match event {
                Ok(Event::Settings) => true,
                Ok(_) => continue,
                Err(tokio::sync::broadcast::error::RecvError::Lagged(_)) => true,
                Err(tokio::sync::broadcast::error::RecvError::Closed) => return,
            },
            () = tokio::time::sleep(LOOK_FOR_CHANGES) => false,
        };
        let app = Arc::clone(&app);
        let known = revision;
        let read = tokio::task::spawn_blocking(move || {
            let now = app.store.revision().ok();
            if (settings_told || now != known)
                && let Err(error) = assign::reload(&app)
            {
                tracing::warn!(error = %error, "the sensors' mappings could not be read again");
            }
            now
        });
        revision = read.await.unwrap_or(known);
    }
}

/// Tries the outside broker the configuration names: its name and what became of it. Sends nothing.
/// (Whether the embedded broker's port is free is known to who knows of a daemon beside.)
pub async fn check(config: &Config) -> Vec<(String, Result<String, String>)> {
    match &config.mqtt.broker {
        Some(url) => vec![("mqtt".to_owned(), visit::check(config, &url.0).await)],
        None => Vec::new(),
    }
}

/// A digest of a message, the same over restarts and versions (FNV-1a, 64 bit): with the packet's
/// identifier it tells a redelivery.
fn digest(topic: &str, payload: &[u8]) -> u64 {
    let bytes = topic.bytes().chain([0]).chain(payload.iter().copied());
    bytes.fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    })
}

#[cfg(test)]
mod tests;

//! The daemon put together: opens the store, starts each room, says where it serves, stops in order.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use tokio::task::JoinSet;

use crate::app::App;
use crate::config::Config;
use crate::ingest::publisher::Publisher;
use crate::store::lock::DirLock;
use crate::store::sqlite::SqliteStore;
use crate::time::Clock;
use crate::{batches, clock_check, copy, forecasts, ingest, notify, store, watch, web};

/// The longest that stopping may take before what still runs is dropped.
const STOP_WITHIN: Duration = Duration::from_secs(8);

/// What a daemon is started with.
#[derive(Clone, Debug)]
pub struct Options {
    /// The configuration, checked.
    pub config: Config,
    /// Where everything is kept.
    pub data_dir: PathBuf,
    /// The time.
    pub clock: Clock,
    /// Take any free port where the configured one is busy (the demo).
    pub any_port_if_busy: bool,
}

/// A daemon that serves.
pub struct Daemon {
    app: Arc<App>,
    http_url: String,
    ingest: ingest::Started,
    rooms: JoinSet<()>,
    // Held until the last room has stopped: a second `run` on this directory is refused.
    _lock: DirLock,
}

impl Daemon {
    /// Opens the store and starts every room; returns when store, pages and broker serve.
    ///
    /// # Errors
    /// If the directory is in use, the store cannot be opened or a port is taken.
    pub async fn start(options: Options) -> anyhow::Result<Self> {
        let Options {
            config,
            data_dir,
            clock,
            any_port_if_busy,
        } = options;
        let lock = DirLock::take(&data_dir)?;
        let store = Arc::new(SqliteStore::open(&data_dir)?);
        let app = App::new(clock, config, data_dir, store)?;
        let mut rooms = JoinSet::new();

        // First: what arrives from here on is stamped by it.
        clock_check::start(&app, &mut rooms)?;
        let (publisher, outgoing) = Publisher::channel();
        let listener = web::bind(&app.config.http.listen, any_port_if_busy)
            .await
            .with_context(|| format!("the pages cannot listen on {}", app.config.http.listen))?;
        if let Ok(bound) = listener.local_addr() {
            // Set once, here, before anything could send a link.
            let _ = app
                .health
                .address
                .set(web::link_base(&app.config.http, bound));
        }
        let ingest = ingest::start(
            &app,
            outgoing,
            ingest::Options {
                free_port_if_busy: any_port_if_busy,
            },
        )
        .await?;
        batches::follow::start(&app, &mut rooms);
        store::retention::start(&app, &mut rooms);
        store::nightly::start(&app, &mut rooms);
        forecasts::start(&app, &mut rooms);
        // The channels first: an alert is written together with a message for each of them, and one
        // raised from stored readings before they are known would be sent to nobody.
        notify::start(&app, publisher, &mut rooms);
        watch::start(&app, &mut rooms);
        copy::start(&app, &mut rooms)?;
        let http_url = web::start(&app, listener, &mut rooms)?;
        Ok(Self {
            app,
            http_url,
            ingest,
            rooms,
            _lock: lock,
        })
    }

    /// What the rooms share.
    #[must_use]
    pub fn app(&self) -> &Arc<App> {
        &self.app
    }

    /// Where the pages are: `http://HOST:PORT`.
    #[must_use]
    pub fn http_url(&self) -> &str {
        &self.http_url
    }

    /// Which broker is in use: `mqtt://HOST:PORT`, never with a user.
    #[must_use]
    pub fn mqtt_url(&self) -> &str {
        &self.ingest.mqtt_url
    }

    /// The one line on standard output.
    #[must_use]
    pub fn ready_line(&self) -> String {
        format!("ready http={} mqtt={}", self.http_url, self.ingest.mqtt_url)
    }

    /// Stops every room; bounded.
    pub async fn stop(mut self) {
        self.app.stop.cancel();
        let all = async {
            self.ingest.stop().await;
            while self.rooms.join_next().await.is_some() {}
        };
        if tokio::time::timeout(STOP_WITHIN, all).await.is_err() {
            tracing::warn!("some tasks did not stop in time; everything acknowledged is on disk");
        }
    }
}

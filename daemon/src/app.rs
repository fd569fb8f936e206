//! What the rooms share: one `App`, made once, handed to each room by `Arc`.

use std::path::PathBuf;
use std::sync::{Arc, RwLock};

use tokio_util::sync::CancellationToken;

use crate::backfill::uploads::Uploads;
use crate::batches::book::Book;
use crate::clock_check::ClockCheck;
use crate::config::Config;
use crate::copy::CopyStatus;
use crate::events::{Bus, Event};
use crate::forecasts::live::Live;
use crate::health::Health;
use crate::ingest::board::SensorBoard;
use crate::metrics::Metrics;
use crate::store::Store;
use crate::store::nightly::Nightly;
use crate::time::Clock;

/// What the rooms share.
pub struct App {
    /// The time.
    pub clock: Clock,
    /// The configuration as read at start.
    pub config: Config,
    /// Where everything embedded is kept.
    pub data_dir: PathBuf,
    /// The store.
    pub store: Arc<dyn Store>,
    /// What rooms tell each other.
    pub bus: Bus,
    /// Sensors as known, heard and assigned.
    pub board: SensorBoard,
    /// The proofs in progress, kept up to date.
    pub live: Live,
    /// How the copy to InfluxDB goes.
    pub copy: CopyStatus,
    /// How the nightly copy of the store stands.
    pub nightly: Nightly,
    /// Files that came over HTTP and are to be taken in.
    pub uploads: Uploads,
    /// Whether the machine's clock is right.
    pub clock_check: ClockCheck,
    /// How the daily test's reading gets in.
    pub trial: crate::ingest::trial::Trial,
    /// What moves and what does not.
    pub health: Health,
    /// Counters.
    pub metrics: Metrics,
    /// What the channels share.
    pub desk: crate::notify::Desk,
    /// Cancelled when the daemon is to stop.
    pub stop: CancellationToken,
    book: RwLock<Arc<Book>>,
}

impl App {
    /// Reads the book and puts everything together.
    ///
    /// # Errors
    /// If the store cannot be read.
    pub fn new(
        clock: Clock,
        config: Config,
        data_dir: PathBuf,
        store: Arc<dyn Store>,
    ) -> crate::store::Result<Arc<Self>> {
        let book = Arc::new(Book::from_records(store.book()?));
        Ok(Arc::new(Self {
            clock,
            config,
            data_dir,
            store,
            bus: Bus::default(),
            board: SensorBoard::default(),
            live: Live::default(),
            copy: CopyStatus::default(),
            nightly: Nightly::default(),
            uploads: Uploads::default(),
            clock_check: ClockCheck::default(),
            trial: crate::ingest::trial::Trial::default(),
            health: Health::default(),
            metrics: Metrics::default(),
            desk: crate::notify::Desk::default(),
            stop: CancellationToken::new(),
            book: RwLock::new(book),
        }))
    }

    /// The book as it stands; cheap, never changes under the reader's hands.
    #[must_use]
    pub fn book(&self) -> Arc<Book> {
        Arc::clone(
            &self
                .book
                .read()
                .unwrap_or_else(std::sync::PoisonError::into_inner),
        )
    }

    /// Reads the book again after a change, and tells everyone.
    ///
    /// # Errors
    /// If the store cannot be read; the old book stays.
    pub fn reload_book(&self) -> crate::store::Result<()> {
        let book = Arc::new(Book::from_records(self.store.book()?));
        *self
            .book
            .write()
            .unwrap_or_else(std::sync::PoisonError::into_inner) = book;
        self.bus.tell(Event::Book);
        Ok(())
    }
}

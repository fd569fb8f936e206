//! A little disk kept back. When the disk is full, readings are refused and wait at their senders;
//! what people enter and what alerts say is small, cannot wait, and gets the room of this file.
//!
//! Once it is given away, readings are refused until it could be taken back, so that they do not eat
//! up what was freed for the others.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

/// Some hundred entries, with their part of the log.
const BYTES: u64 = 2 << 20;

/// The file's name in the data directory.
const FILE: &str = "doughwarden.reserve";

#[derive(Debug)]
pub(super) struct Reserve {
    file: PathBuf,
    held: AtomicBool,
}

impl Reserve {
    /// Takes it, if there is room.
    pub(super) fn new(dir: &Path) -> Self {
        let reserve = Self {
            file: dir.join(FILE),
            held: AtomicBool::new(false),
        };
        reserve.take();
        reserve
    }

    /// Whether it is held; takes it (back) if it is not and there is room.
    pub(super) fn take(&self) -> bool {
        if self.held.load(Ordering::Relaxed) {
            return true;
        }
        let taken = match std::fs::metadata(&self.file) {
            Ok(meta) if meta.len() >= BYTES => true,
            _ => self.fill().is_ok(),
        };
        if !taken {
            // Half a reserve is only in the way.
            let _ = std::fs::remove_file(&self.file);
        }
        self.held.store(taken, Ordering::Relaxed);
        taken
    }

    /// Gives it away; `false`: it was gone already.
    pub(super) fn give(&self) -> bool {
        let gone = std::fs::remove_file(&self.file).is_ok();
        self.held.store(false, Ordering::Relaxed);
        if gone {
            tracing::warn!(
                "the disk is full or fails: the room kept back is given to entries and alerts, readings wait"
            );
        }
        gone
    }

    fn fill(&self) -> std::io::Result<()> {
        let file = File::create(&self.file)?;
        match rustix::fs::fallocate(&file, rustix::fs::FallocateFlags::empty(), 0, BYTES) {
            Ok(()) => Ok(()),
            // A file system that cannot reserve is written to.
            Err(rustix::io::Errno::OPNOTSUPP | rustix::io::Errno::NOSYS) => {
                std::io::copy(
                    &mut std::io::Read::take(std::io::repeat(0), BYTES),
                    &mut &file,
                )?;
                file.sync_all()
            }
            Err(error) => Err(error.into()),
        }
    }
}

//! One daemon a directory: a lock file held for as long as the daemon runs. Commands beside it do
//! not take it.

use std::fs::{File, TryLockError};
use std::path::Path;

use super::{Result, StoreError};

/// Name of the lock file in the data directory.
const LOCK_FILE: &str = "daemon.lock";

/// Held while a daemon runs on a directory; the system lets go of it when the process ends,
/// however it ends.
#[derive(Debug)]
pub struct DirLock {
    // Only held: closing the file is what releases the lock.
    _file: File,
}

impl DirLock {
    /// Takes the directory for this process, creating it if need be.
    ///
    /// # Errors
    /// [`StoreError::Taken`] while another daemon runs on it; else the system's own error.
    pub fn take(data_dir: &Path) -> Result<Self> {
        make_dir(data_dir)?;
        let path = data_dir.join(LOCK_FILE);
        let io = |source| StoreError::Io {
            doing: format!("lock {}", path.display()),
            source,
        };
        let file = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(io)?;
        match file.try_lock() {
            Ok(()) => Ok(Self { _file: file }),
            Err(TryLockError::WouldBlock) => Err(StoreError::Taken(data_dir.to_path_buf())),
            Err(TryLockError::Error(source)) => Err(io(source)),
        }
    }

    /// Whether a daemon runs on the directory now (`check` takes its ports as good then).
    #[must_use]
    pub fn is_taken(data_dir: &Path) -> bool {
        File::options()
            .write(true)
            .open(data_dir.join(LOCK_FILE))
            .is_ok_and(|file| matches!(file.try_lock(), Err(TryLockError::WouldBlock)))
    }
}

/// Creates the data directory, closed to other users: it holds sign-ins and tokens.
pub(super) fn make_dir(data_dir: &Path) -> Result<()> {
    let mut builder = std::fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(data_dir).map_err(|source| StoreError::Io {
        doing: format!("create the data directory {}", data_dir.display()),
        source,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_daemon_on_the_same_directory_is_refused_in_one_clear_line() {
        let dir = tempfile::tempdir().unwrap();
        let first = DirLock::take(dir.path()).unwrap();
        assert!(DirLock::is_taken(dir.path()));
        let refused = DirLock::take(dir.path()).unwrap_err().to_string();
        assert!(refused.contains("already runs"), "{refused}");
        assert!(!refused.contains('\n'));
        drop(first);
        assert!(!DirLock::is_taken(dir.path()));
        DirLock::take(dir.path()).unwrap();
    }
}

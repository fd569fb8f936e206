//! Files that came over HTTP and wait to be taken in, or are. They have no name on the disk: one that
//! is forgotten, or left by a daemon that was killed, is gone.

use std::fs::File;
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::{Progress, Report};
use crate::time::UtcMs;

/// Files kept at once, the oldest goes first: one being looked at, and a few before it.
const KEPT: usize = 4;
/// Longest name shown, characters.
const NAME: usize = 64;

/// One file.
#[derive(Debug)]
pub struct Upload {
    /// What tells it apart.
    pub id: String,
    /// Its name.
    pub name: String,
    /// When it came.
    pub at: UtcMs,
    file: Mutex<File>,
    state: Mutex<State>,
}

/// How far a file is.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum State {
    /// Nothing is stored yet.
    #[default]
    Waiting,
    /// It is being stored.
    Running(Progress),
    /// What became of it.
    Done(Report),
    /// Why it ended early.
    Failed(String),
}

/// All of them.
#[derive(Debug, Default)]
pub struct Uploads(Mutex<Vec<Arc<Upload>>>);

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A file without a name on the disk of the data directory.
///
/// # Errors
/// If the disk is full or read-only.
pub fn nameless(data_dir: &Path) -> std::io::Result<File> {
    tempfile::tempfile_in(data_dir)
}

impl Uploads {
    /// Takes a file on; the oldest that is not being stored goes. `None`: all are being stored.
    pub fn put(&self, name: &str, at: UtcMs, file: File) -> Option<Arc<Upload>> {
        let clean: String = name
            .chars()
            .filter(|c| !c.is_control())
            .take(NAME)
            .collect();
        let upload = Arc::new(Upload {
            id: format!("{:016x}", rand::random::<u64>()),
            name: if clean.trim().is_empty() {
                "a file".into()
            } else {
                clean
            },
            at,
            file: Mutex::new(file),
            state: Mutex::default(),
        });
        let mut all = locked(&self.0);
        if all.len() >= KEPT {
            let goes = all
                .iter()
                .position(|u| !matches!(u.state(), State::Running(_)))?;
            all.remove(goes);
        }
        all.push(Arc::clone(&upload));
        Some(upload)
    }

    /// One of them.
    #[must_use]
    pub fn get(&self, id: &str) -> Option<Arc<Upload>> {
        locked(&self.0).iter().find(|u| u.id == id).cloned()
    }

    /// All, newest first.
    #[must_use]
    pub fn all(&self) -> Vec<Arc<Upload>> {
        locked(&self.0).iter().rev().cloned().collect()
    }
}

impl Upload {
    /// How far it is.
    #[must_use]
    pub fn state(&self) -> State {
        locked(&self.state).clone()
    }

    /// Begins to store it, unless somebody else has.
    #[must_use]
    pub fn begin(&self) -> bool {
        let mut state = locked(&self.state);
        let waits = *state == State::Waiting;
        if waits {
            *state = State::Running(Progress::default());
        }
        waits
    }

    /// Notes how far it is.
    pub fn note(&self, state: State) {
        *locked(&self.state) = state;
    }

    /// The file, for one reader at a time.
    pub fn file(&self) -> MutexGuard<'_, File> {
        locked(&self.file)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_are_kept_and_one_being_stored_is_never_dropped() {
        let uploads = Uploads::default();
        let put = || uploads.put("a\n.csv", UtcMs(0), tempfile::tempfile().unwrap());
        let first = put().unwrap();
        assert_eq!(first.name, "a.csv");
        assert!(first.begin() && !first.begin());
        for _ in 0..10 {
            assert!(put().is_some());
        }
        assert_eq!(uploads.all().len(), KEPT);
        assert!(uploads.get(&first.id).is_some());
        for upload in uploads.all() {
            upload.note(State::Running(Progress::default()));
        }
        assert!(put().is_none());
    }
}

//! Looking after the file: copies, integrity, what a crash cost.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::backup::Backup;
use rusqlite::{Connection, OpenFlags};

use super::{SqliteStore, failed};
use crate::store::lock::DirLock;
use crate::store::{Result, StoreError};

/// The log beside the file.
fn wal(file: &Path) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push("-wal");
    PathBuf::from(name)
}

/// How many frames of its newest round the log beside the file holds, whole or torn, before SQLite
/// opens it; `None` when there is no log. (The log's layout: "WAL file format" in SQLite's
/// documentation: a header of 32 bytes with page size and two salts, then frames of a 24-byte
/// header, which repeats the salts, and a page.)
pub(super) fn frames_in_wal(file: &Path) -> Option<u64> {
    let mut log = std::fs::File::open(wal(file)).ok()?;
    let length = log.metadata().ok()?.len();
    let mut header = [0_u8; 32];
    log.read_exact(&mut header).ok()?;
    let page = u64::from(u32::from_be_bytes(header[8..12].try_into().ok()?));
    if page < 512 {
        return None;
    }
    let mut frames = 0;
    let mut frame = [0_u8; 24];
    let mut at = 32;
    while at < length {
        use std::io::Seek;
        log.seek(std::io::SeekFrom::Start(at)).ok()?;
        if log.read_exact(&mut frame).is_err() {
            // Too short even for its header: torn.
            return Some(frames + 1);
        }
        if frame[8..16] != header[16..24] {
            break;
        }
        frames += 1;
        at += 24 + page;
    }
    Some(frames)
}

/// Logs what the log held that SQLite did not take over: frames of a write that never returned.
pub(super) fn report_lost_tail(conn: &Connection, expected: u64) {
    let taken: rusqlite::Result<i64> =
        conn.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |row| row.get(1));
    if let Ok(taken) = taken
        && let Ok(taken) = u64::try_from(taken)
        && taken < expected
    {
        tracing::warn!(
            pages_found = expected,
            pages_taken = taken,
            "the last write before the stop was cut short and was dropped; it had not been acknowledged"
        );
    }
}

/// Copies a store into a new file while it is in use.
pub(super) fn copy_to(conn: &Connection, to: &Path) -> Result<()> {
    let copying = failed("copy the store");
    // Pages between pauses, and the pause: a copy does not hold writers up for longer than this.
    const PAGES: i32 = 1024;
    const PAUSE: Duration = Duration::from_millis(2);
    let part = to.with_extension("part");
    if part.exists() {
        std::fs::remove_file(&part).map_err(|source| StoreError::Io {
            doing: format!("take away the unfinished copy {}", part.display()),
            source,
        })?;
    }
    {
        let mut target = Connection::open(&part).map_err(&copying)?;
        Backup::new(conn, &mut target)
            .and_then(|backup| backup.run_to_completion(PAGES, PAUSE, None))
            .map_err(&copying)?;
        // The copy is one file, whole on disk.
        target
            .pragma_update(None, "journal_mode", "delete")
            .map_err(&copying)?;
    }
    std::fs::File::open(&part)
        .and_then(|file| file.sync_all())
        .and_then(|()| std::fs::rename(&part, to))
        .map_err(|source| StoreError::Io {
            doing: format!("finish the copy {}", to.display()),
            source,
        })
}

/// Puts a copy in the place of a data directory's store; what was there is kept beside it as
/// `doughwarden.db.before-restore`. The copy is looked through first.
///
/// # Errors
/// If a daemon runs on the directory, or the copy is not sound; nothing is changed then.
pub fn restore(copy: &Path, data_dir: &Path) -> Result<()> {
    let _lock = DirLock::take(data_dir)?;
    let opening = failed("open the copy");
    let source =
        Connection::open_with_flags(copy, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(&opening)?;
    let ours: i64 = source
        .pragma_query_value(None, "application_id", |row| row.get(0))
        .map_err(&opening)?;
    if ours != super::schema::APPLICATION_ID {
        return Err(StoreError::Corrupt(format!(
            "{} is no copy of this program's store",
            copy.display()
        )));
    }
    super::schema::not_newer(&source)?;
    if let Some(first) = troubles(&source)?.into_iter().next() {
        return Err(StoreError::Corrupt(format!(
            "{} is damaged: {first}",
            copy.display()
        )));
    }
    let file = data_dir.join(super::FILE);
    let fresh = data_dir.join(format!("{}.restored", super::FILE));
    copy_to(&source, &fresh)?;
    let moving = |source| StoreError::Io {
        doing: format!("put the copy in the place of {}", file.display()),
        source,
    };
    if file.exists() {
        // Opening and closing it writes the log back, so that the one file is whole.
        drop(SqliteStore::open(data_dir)?);
        let aside = data_dir.join(format!("{}.before-restore", super::FILE));
        std::fs::rename(&file, aside).map_err(moving)?;
        for beside in ["-wal", "-shm"] {
            let mut name = file.as_os_str().to_owned();
            name.push(beside);
            match std::fs::remove_file(PathBuf::from(name)) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                    return Err(moving(error));
                }
                _ => {}
            }
        }
    }
    std::fs::rename(&fresh, &file).map_err(moving)
}

fn troubles(conn: &Connection) -> Result<Vec<String>> {
    let checking = failed("check the store");
    let mut check = conn.prepare("PRAGMA integrity_check").map_err(&checking)?;
    let lines = check
        .query_map([], |row| row.get::<_, String>(0))
        .and_then(Iterator::collect::<rusqlite::Result<Vec<_>>>)
        .map_err(&checking)?;
    Ok(lines.into_iter().filter(|line| line != "ok").collect())
}

impl SqliteStore {
    /// What is wrong with the file, one line each; empty: nothing.
    ///
    /// # Errors
    /// If it cannot be read at all.
    pub fn integrity(&self) -> Result<Vec<String>> {
        self.pool.read(troubles)
    }

    /// Copies the store into one file while it is in use.
    ///
    /// # Errors
    /// If either cannot be used.
    pub fn back_up(&self, to: &Path) -> Result<()> {
        self.pool.read(|conn| copy_to(conn, to))
    }
}

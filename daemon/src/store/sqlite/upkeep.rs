//! Looking after the file: copies, restoring, integrity, what a crash cost.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::backup::Backup;
use rusqlite::{Connection, OpenFlags};

use super::{SqliteStore, failed};
use crate::store::lock::DirLock;
use crate::store::{Result, StoreError};

/// A name beside the file: the log's is its name with `-wal`.
fn beside(file: &Path, ending: &str) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// The log beside the file.
pub(super) fn log_of(file: &Path) -> PathBuf {
    beside(file, "-wal")
}

/// A file that is to be read.
pub(super) fn must_exist(file: &Path) -> Result<()> {
    match std::fs::metadata(file) {
        Ok(meta) if meta.is_file() => Ok(()),
        Ok(_) => Err(StoreError::Unusable(format!(
            "{} is not a file",
            file.display()
        ))),
        Err(source) => Err(StoreError::Io {
            doing: format!("read {}", file.display()),
            source,
        }),
    }
}

/// The store's file in a data directory.
///
/// # Errors
/// If there is none.
pub fn file_in(data_dir: &Path) -> Result<PathBuf> {
    let file = data_dir.join(super::FILE);
    if file.exists() {
        Ok(file)
    } else {
        Err(StoreError::Unusable(format!(
            "there is no store in {}: name its directory with --data",
            data_dir.display()
        )))
    }
}

/// Makes an empty file that only this user can read: a store holds sign-ins.
pub(super) fn make_private(file: &Path) -> Result<()> {
    use std::os::unix::fs::OpenOptionsExt as _;
    std::fs::File::options()
        .create(true)
        .write(true)
        .truncate(true)
        .mode(0o600)
        .open(file)
        .map(drop)
        .map_err(|source| StoreError::Io {
            doing: format!("write {}", file.display()),
            source,
        })
}

/// Gives a finished file its name, for good.
pub(super) fn put_in_place(part: &Path, to: &Path) -> Result<()> {
    let dir = to.parent().filter(|p| !p.as_os_str().is_empty());
    std::fs::File::open(part)
        .and_then(|file| file.sync_all())
        .and_then(|()| std::fs::rename(part, to))
        .and_then(|()| std::fs::File::open(dir.unwrap_or(Path::new("."))))
        .and_then(|dir| dir.sync_all())
        .map_err(|source| StoreError::Io {
            doing: format!("finish {}", to.display()),
            source,
        })
}

/// Puts a whole file in the place of the store's. What stood there is kept beside it, with its log,
/// under a name with `why` that is not taken yet; gives that name. At every moment there is a file
/// under the store's name: the old one or the new one.
pub(super) fn swap(fresh: &Path, file: &Path, why: &str) -> Result<PathBuf> {
    let moving = |source| StoreError::Io {
        doing: format!("put a file in the place of {}", file.display()),
        source,
    };
    let aside = (1..)
        .map(|n| match n {
            1 => beside(file, &format!(".{why}")),
            n => beside(file, &format!(".{why}-{n}")),
        })
        .find(|name| !name.exists())
        .unwrap_or_else(|| beside(file, why));
    let keep = |from: &Path, to: &Path| {
        // Not every file system has hard links.
        std::fs::hard_link(from, to).or_else(|_| std::fs::copy(from, to).map(drop))
    };
    if file.exists() {
        keep(file, &aside).map_err(moving)?;
        if log_of(file).exists() {
            keep(&log_of(file), &log_of(&aside)).map_err(moving)?;
        }
        for old in [log_of(file), beside(file, "-shm")] {
            match std::fs::remove_file(old) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                    return Err(moving(error));
                }
                _ => {}
            }
        }
    }
    put_in_place(fresh, file)?;
    Ok(aside)
}

/// How many frames of its newest round the log beside the file holds, whole or torn, before SQLite
/// opens it; `None` when there is no log. (The log's layout: "WAL file format" in SQLite's
/// documentation: a header of 32 bytes with page size and two salts, then frames of a 24-byte
/// header, which repeats the salts, and a page.)
pub(super) fn frames_in_wal(file: &Path) -> Option<u64> {
    let mut log = std::fs::File::open(log_of(file)).ok()?;
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
///
/// One view of the store is held all the while: a copy made page by page without one begins anew
/// with each write, and on a slow card under live readings never ends. The log grows meanwhile by
/// what is written, and is cut back after.
pub(super) fn copy_to(conn: &Connection, to: &Path) -> Result<()> {
    let part = copy_beside(conn, to)?;
    put_in_place(&part, to)
}

/// The same, looked through before it takes its name: what had that name stays if it is not sound.
fn copy_proven(conn: &Connection, to: &Path) -> Result<()> {
    let part = copy_beside(conn, to)?;
    if let Err(error) = proven(&part, to) {
        let _ = std::fs::remove_file(&part);
        return Err(error);
    }
    put_in_place(&part, to)
}

/// Copies into a file beside `to`, whose name it gives.
fn copy_beside(conn: &Connection, to: &Path) -> Result<PathBuf> {
    let copying = failed("copy the store");
    // Pages between pauses, and the pause: leaves the disk to the readings in between.
    const PAGES: i32 = 256;
    const PAUSE: Duration = Duration::from_millis(2);
    let part = beside(to, ".part");
    // Before SQLite tries: what cannot be written is said in the system's own words.
    make_private(&part)?;
    let copied = (|| {
        let view = conn.unchecked_transaction().map_err(&copying)?;
        view.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(()))
            .map_err(&copying)?;
        let mut target = Connection::open(&part).map_err(&copying)?;
        Backup::new(&view, &mut target)
            .and_then(|backup| backup.run_to_completion(PAGES, PAUSE, None))
            .map_err(|source| StoreError::Sqlite {
                doing: "copy the store",
                source,
            })?;
        // The copy is one file, whole on disk.
        target
            .pragma_update(None, "journal_mode", "delete")
            .map_err(|source| StoreError::Sqlite {
                doing: "finish the copy",
                source,
            })
    })();
    if let Err(error) = copied {
        let _ = std::fs::remove_file(&part);
        return Err(error);
    }
    Ok(part)
}

/// Opens a file only to read it.
fn look_into(file: &Path) -> Result<Connection> {
    must_exist(file)?;
    let unusable = |error: rusqlite::Error| {
        StoreError::Unusable(format!("{} cannot be read: {error}", file.display()))
    };
    let conn =
        Connection::open_with_flags(file, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(unusable)?;
    conn.busy_timeout(Duration::from_secs(10))
        .map_err(unusable)?;
    let ours: i64 = conn
        .pragma_query_value(None, "application_id", |row| row.get(0))
        .map_err(unusable)?;
    if ours != super::schema::APPLICATION_ID {
        return Err(StoreError::Unusable(format!(
            "{} is no store of this program",
            file.display()
        )));
    }
    super::schema::not_newer(&conn)?;
    Ok(conn)
}

/// What is wrong with a file (the store in use, or a copy), one line each; empty: nothing.
///
/// # Errors
/// If it cannot be read at all, or is no store of this version's.
pub fn check(file: &Path) -> Result<Vec<String>> {
    let conn = look_into(file)?;
    let mut found = troubles(&conn)?;
    if found.is_empty() {
        // Sound pages, but is it the log book?
        if let Err(error) = super::book::all(&conn) {
            found.push(error.to_string());
        }
    }
    Ok(found)
}

/// Copies a data directory's store into one file while it may be in use, and looks the copy through.
/// Gives its size in bytes.
///
/// # Errors
/// If there is no store, either file cannot be used, or the copy is not sound.
pub fn back_up(data_dir: &Path, to: &Path) -> Result<u64> {
    let from = look_into(&file_in(data_dir)?)?;
    copy_proven(&from, to)?;
    std::fs::metadata(to)
        .map(|meta| meta.len())
        .map_err(|source| StoreError::Io {
            doing: format!("read {}", to.display()),
            source,
        })
}

/// Looks through a finished copy that is to get a name.
fn proven(copy: &Path, name: &Path) -> Result<()> {
    match check(copy)?.into_iter().next() {
        None => Ok(()),
        Some(first) => Err(StoreError::Unusable(format!(
            "the copy {} was damaged ({first}) and is not kept: check the store itself with `store check`",
            name.display()
        ))),
    }
}

/// Puts a copy in the place of a data directory's store; what was there is kept beside it. Gives the
/// name of that, if there was one. The copy is looked through first.
///
/// # Errors
/// If a daemon runs on the directory, or the copy is not sound; nothing is changed then.
pub fn restore(copy: &Path, data_dir: &Path) -> Result<Option<PathBuf>> {
    let source = look_into(copy)?;
    let _lock = DirLock::take(data_dir)?;
    if let Some(first) = troubles(&source)?.into_iter().next() {
        return Err(StoreError::Unusable(format!(
            "{} is damaged ({first}): `store repair` makes a sound file of what can be read",
            copy.display()
        )));
    }
    let file = data_dir.join(super::FILE);
    let fresh = beside(&file, ".restored");
    copy_to(&source, &fresh)?;
    let was_there = file.exists();
    let aside = swap(&fresh, &file, "before-restore")?;
    Ok(was_there.then_some(aside))
}

/// What SQLite finds wrong with the file, one line each.
pub(super) fn troubles(conn: &Connection) -> Result<Vec<String>> {
    let checking = failed("check the store");
    let mut check = match conn.prepare("PRAGMA integrity_check") {
        Ok(check) => check,
        Err(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::DatabaseCorrupt) => {
            return Ok(vec![error.to_string()]);
        }
        Err(error) => return Err(checking(error)),
    };
    let mut rows = check.query([]).map_err(&checking)?;
    let mut found = Vec::new();
    loop {
        match rows.next() {
            Ok(Some(row)) => {
                let text: String = row.get(0).map_err(&checking)?;
                found.extend(text.lines().filter(|l| *l != "ok").map(str::to_owned));
            }
            Ok(None) => return Ok(found),
            // Too damaged to be looked through to the end.
            Err(error)
                if error.sqlite_error_code() == Some(rusqlite::ErrorCode::DatabaseCorrupt) =>
            {
                found.push(error.to_string());
                return Ok(found);
            }
            Err(error) => return Err(checking(error)),
        }
    }
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

//! The nightly copy: the whole store, every night, to a second place (another disk or card, a mounted
//! share), a few of them kept.
//!
//! The folder itself says what there is: each copy's name holds the moment it was begun, so that its
//! age is true after a restart, a restore or a tidy-up by hand. The folder is never made: where a disk
//! is not plugged in, its mount point would be filled instead. Copies are written through a name of
//! their own and looked through before they count; only then do older ones go.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use jiff::tz::TimeZone;
use tokio::task::JoinSet;

use super::{Result, StoreError, sqlite};
use crate::app::App;
use crate::time::{HOUR_MS, MINUTE_MS, UtcMs};

/// How often it is looked at whether a copy is due.
const EVERY: Duration = Duration::from_secs(60);
/// After a failure the next try waits this long.
const AGAIN_MS: i64 = 10 * MINUTE_MS;
/// A newest copy older than this is told of: one night was missed, and half a day to notice.
pub const TOO_OLD_MS: i64 = 36 * HOUR_MS;
/// A copy that seems to be this far ahead was made while the clock was wrong: it does not count.
const AHEAD_MS: i64 = HOUR_MS;
const PREFIX: &str = "doughwarden-";
const ENDING: &str = ".db";
/// What a copy is called until it is whole and looked through.
const UNFINISHED: &str = ".db.part";

/// How the nightly copy stands.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Standing {
    /// The newest copy.
    pub newest: Option<UtcMs>,
    /// How many there are.
    pub copies: usize,
    /// The last failure, until a copy succeeds: when, and in one line why.
    pub last_error: Option<(UtcMs, String)>,
    /// The folder is on the same disk as the store: a copy there does not survive that disk.
    pub same_disk: bool,
    /// Since when copies are looked after (the daemon's start).
    pub since: Option<UtcMs>,
}

impl Standing {
    /// How old the newest copy is, ms.
    #[must_use]
    pub fn age_ms(&self, now: UtcMs) -> Option<i64> {
        self.newest.map(|at| now.0.saturating_sub(at.0).max(0))
    }

    /// Whether the newest copy is too old, or there is none although there was time for one.
    #[must_use]
    pub fn too_old(&self, now: UtcMs) -> bool {
        match (self.newest.or(self.since), self.newest) {
            (Some(at), Some(_)) => now.0.saturating_sub(at.0) > TOO_OLD_MS,
            // There never was one, and the first was due at once.
            (Some(since), None) => {
                self.last_error.is_some() && now.0.saturating_sub(since.0) > HOUR_MS
            }
            (None, _) => false,
        }
    }
}

/// The daemon's view of it, shared with page, counters and rules.
#[derive(Debug, Default)]
pub struct Nightly(Mutex<Standing>);

impl Nightly {
    /// How it stands; what the last look found.
    #[must_use]
    pub fn standing(&self) -> Standing {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    fn change(&self, change: impl FnOnce(&mut Standing)) {
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner));
    }
}

/// Makes copies, as one of the daemon's tasks, if a folder is configured.
pub fn start(app: &Arc<App>, rooms: &mut JoinSet<()>) {
    if app.config.store.nightly_folder.is_some() {
        rooms.spawn(run(Arc::clone(app)));
    }
}

async fn run(app: Arc<App>) {
    loop {
        let here = Arc::clone(&app);
        // The runtime going down is the only way this fails.
        if tokio::task::spawn_blocking(move || look(&here))
            .await
            .is_err()
        {
            return;
        }
        tokio::select! {
            () = app.stop.cancelled() => return,
            () = tokio::time::sleep(app.clock.real(EVERY)) => {}
        }
    }
}

/// Makes a copy if one is due, and notes how things stand. Blocks for as long as a copy takes.
pub fn look(app: &App) {
    let (store, now) = (&app.config.store, app.clock.now());
    let Some(folder) = &store.nightly_folder else {
        return;
    };
    app.nightly.change(|s| {
        s.since.get_or_insert(now);
    });
    note(app, folder, now);
    let standing = app.nightly.standing();
    let due = last_due(now, store.nightly_hour, &zone(app));
    let tried = standing.last_error.as_ref().map(|(at, _)| *at);
    let wait = tried.is_some_and(|at| (0..AGAIN_MS).contains(&now.0.saturating_sub(at.0)));
    if standing.newest.is_none_or(|at| at < due) && !wait {
        // What went wrong is noted; the next look tries again.
        let _ = make(app);
    }
}

/// Makes a copy now.
///
/// # Errors
/// One line: no folder is configured, it is not there, or it cannot be written.
pub fn make(app: &App) -> std::result::Result<PathBuf, String> {
    let Some(folder) = &app.config.store.nightly_folder else {
        return Err("no folder for copies is configured (`store.nightly_folder`)".into());
    };
    let now = app.clock.now();
    let made = copy(&app.data_dir, folder, now, app.config.store.nightly_keep);
    match &made {
        Ok(file) => {
            tracing::info!(file = %file.display(), "the store is copied");
            app.nightly.change(|s| s.last_error = None);
        }
        Err(error) => {
            let line = crate::store::in_one_line(error);
            tracing::warn!(error = line, "the nightly copy failed; it is tried again");
            app.nightly.change(|s| s.last_error = Some((now, line)));
        }
    }
    note(app, folder, now);
    made.map_err(|error| crate::store::in_one_line(&error))
}

fn note(app: &App, folder: &Path, now: UtcMs) {
    let there = copies(folder, now);
    let same_disk = same_disk(folder, &app.data_dir);
    app.nightly.change(|s| {
        match there {
            Ok(there) => {
                s.newest = there.last().map(|(at, _)| *at);
                s.copies = there.len();
            }
            // The disk was pulled out: what was known of it still is.
            Err(error) => {
                let line = crate::store::in_one_line(&error);
                s.last_error.get_or_insert((now, line));
            }
        }
        s.same_disk = same_disk;
    });
    let standing = app.nightly.standing();
    let age_s = standing.age_ms(now).map_or(-1, |ms| ms / 1000);
    app.metrics.nightly_age_s.set(age_s);
    let failing = i64::from(standing.last_error.is_some());
    app.metrics.nightly_failing.set(failing);
}

fn zone(app: &App) -> TimeZone {
    let set = || app.store.setting("display").ok().flatten();
    match &app.config.display.zone {
        Some(_) => crate::config::display::zone(&app.config.display),
        None => set()
            .and_then(|v| TimeZone::get(v.get("zone")?.as_str()?).ok())
            .unwrap_or_else(TimeZone::system),
    }
}

/// The last moment not after `now` at which a copy was due: once each local day. Where a change of
/// clocks skips the hour, the moment just behind it; where the hour comes twice, the first.
fn last_due(now: UtcMs, hour: u8, zone: &TimeZone) -> UtcMs {
    let today = now.timestamp().to_zoned_datetime(zone.clone()).date();
    let hour = i8::try_from(hour).unwrap_or(0);
    for date in [Ok(today), today.yesterday()].into_iter().flatten() {
        let due = date
            .at(hour, 0, 0, 0)
            .to_zoned_datetime(zone.clone())
            .map(|due| UtcMs(due.timestamp().as_millisecond()));
        if let Ok(due) = due
            && due <= now
        {
            return due;
        }
    }
    now.plus_ms(-24 * HOUR_MS)
}

fn cannot_read(folder: &Path) -> impl Fn(std::io::Error) -> StoreError {
    let doing = format!(
        "use the folder for nightly copies, {} (is its disk plugged in and mounted?)",
        folder.display()
    );
    move |source| StoreError::Io {
        doing: doing.clone(),
        source,
    }
}

/// The copies in a folder, oldest first; those from ahead of the clock left out.
fn copies(folder: &Path, now: UtcMs) -> Result<Vec<(UtcMs, PathBuf)>> {
    let cannot = cannot_read(folder);
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(&cannot)? {
        let path = entry.map_err(&cannot)?.path();
        let stamp = path
            .file_name()
            .and_then(|name| name.to_str())
            .and_then(|name| name.strip_prefix(PREFIX)?.strip_suffix(ENDING));
        if let Some(at) = stamp.and_then(from_stamp)
            && at.0 <= now.0.saturating_add(AHEAD_MS)
        {
            found.push((at, path));
        }
    }
    found.sort_unstable();
    Ok(found)
}

/// `20260110T020000Z`: sorts like time, and every file system takes it.
fn stamp(at: UtcMs) -> String {
    at.timestamp().strftime("%Y%m%dT%H%M%SZ").to_string()
}

fn from_stamp(text: &str) -> Option<UtcMs> {
    let at = jiff::civil::DateTime::strptime("%Y%m%dT%H%M%SZ", text).ok()?;
    let at = at.to_zoned_datetime(TimeZone::UTC).ok()?;
    Some(UtcMs(at.timestamp().as_millisecond()))
}

fn same_disk(a: &Path, b: &Path) -> bool {
    use std::os::unix::fs::MetadataExt as _;
    let device = |path: &Path| std::fs::metadata(path).map(|meta| meta.dev()).ok();
    device(a).is_some_and(|dev| Some(dev) == device(b))
}

/// Makes one copy and lets the oldest go. Where the folder is too small for all that are to be kept,
/// older ones go first, but never the last.
fn copy(data_dir: &Path, folder: &Path, now: UtcMs, keep: u32) -> Result<PathBuf> {
    let cannot = cannot_read(folder);
    // What a copy that was cut off left.
    for entry in std::fs::read_dir(folder).map_err(&cannot)? {
        let path = entry.map_err(&cannot)?.path();
        let name = path.file_name().and_then(|name| name.to_str());
        if name.is_some_and(|n| n.starts_with(PREFIX) && n.ends_with(UNFINISHED)) {
            std::fs::remove_file(&path).map_err(&cannot)?;
        }
    }
    let mut there = copies(folder, now)?;
    let size = std::fs::metadata(sqlite::file_in(data_dir)?)
        .map_err(&cannot)?
        .len();
    while there.len() > 1 && free(folder).is_some_and(|free| free < size + size / 16) {
        let (_, oldest) = there.remove(0);
        std::fs::remove_file(oldest).map_err(&cannot)?;
    }
    let file = folder.join(format!("{PREFIX}{}{ENDING}", stamp(now)));
    sqlite::back_up(data_dir, &file)?;
    let there = copies(folder, now)?;
    let over = there.len().saturating_sub(keep as usize);
    for (_, oldest) in there.into_iter().take(over) {
        std::fs::remove_file(oldest).map_err(&cannot)?;
    }
    Ok(file)
}

fn free(folder: &Path) -> Option<u64> {
    rustix::fs::statvfs(folder)
        .ok()
        .map(|fs| fs.f_bavail * fs.f_frsize)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;
    use crate::store::sqlite::SqliteStore;
    use crate::time::Clock;

    fn at(text: &str) -> UtcMs {
        UtcMs::parse(text).unwrap()
    }

    struct Kitchen {
        app: Arc<App>,
        dir: tempfile::TempDir,
    }

    impl Kitchen {
        fn new(now: &str) -> Self {
            let dir = tempfile::tempdir().unwrap();
            let data = dir.path().join("data");
            let mut config = Config::default();
            config.store.nightly_folder = Some(dir.path().join("second"));
            config.store.nightly_keep = 3;
            config.display.zone = Some("Europe/Oslo".into());
            let store = Arc::new(SqliteStore::open(&data).unwrap());
            let app = App::new(Clock::by_hand(at(now)), config, data, store).unwrap();
            Self { app, dir }
        }

        fn second(&self) -> PathBuf {
            self.dir.path().join("second")
        }

        fn names(&self) -> Vec<String> {
            let mut names: Vec<String> = std::fs::read_dir(self.second())
                .unwrap()
                .map(|e| e.unwrap().file_name().into_string().unwrap())
                .collect();
            names.sort();
            names
        }

        fn look_at(&self, now: &str) -> Standing {
            self.app.clock.set(at(now));
            look(&self.app);
            self.app.nightly.standing()
        }
    }

    #[test]
    fn one_copy_a_night_and_only_so_many_are_kept() {
        let k = Kitchen::new("2026-01-10T12:00:00Z");
        std::fs::create_dir(k.second()).unwrap();
        std::fs::write(k.second().join("a note.txt"), "mine").unwrap();
        // The first one at once, so that a wrong folder shows before the night.
        let s = k.look_at("2026-01-10T12:00:00Z");
        assert_eq!((s.copies, s.newest), (1, Some(at("2026-01-10T12:00:00Z"))));
        assert_eq!(k.app.metrics.nightly_age_s.get(), 0);
        // 3:00 in Oslo is 2:00 in UTC in winter.
        assert_eq!(k.look_at("2026-01-11T01:59:00Z").copies, 1);
        assert_eq!(k.look_at("2026-01-11T02:00:00Z").copies, 2);
        assert_eq!(k.look_at("2026-01-11T02:01:00Z").copies, 2);
        assert_eq!(k.look_at("2026-01-12T02:30:00Z").copies, 3);
        assert_eq!(k.look_at("2026-01-13T02:00:00Z").copies, 3);
        assert_eq!(
            k.names(),
            [
                "a note.txt",
                "doughwarden-20260111T020000Z.db",
                "doughwarden-20260112T023000Z.db",
                "doughwarden-20260113T020000Z.db",
            ]
        );
        let newest = k.second().join("doughwarden-20260113T020000Z.db");
        let back = tempfile::tempdir().unwrap();
        sqlite::restore(&newest, back.path()).unwrap();
        assert!(
            SqliteStore::open(back.path())
                .unwrap()
                .integrity()
                .unwrap()
                .is_empty()
        );
    }

    #[test]
    fn a_damaged_copy_does_not_count_and_takes_no_good_one_s_place() {
        use std::os::unix::fs::FileExt as _;
        let k = Kitchen::new("2026-01-10T12:00:00Z");
        std::fs::create_dir(k.second()).unwrap();
        k.look_at("2026-01-10T12:00:00Z");
        // What a copy that was cut off left goes with the next one.
        let cut_off = k.second().join("doughwarden-20260110T020000Z.db.part");
        std::fs::write(&cut_off, "half").unwrap();
        let file = sqlite::file_in(&k.app.data_dir).unwrap();
        let conn = rusqlite::Connection::open(&file).unwrap();
        conn.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)")
            .unwrap();
        drop(conn);
        let raw = std::fs::OpenOptions::new().write(true).open(&file).unwrap();
        let size = raw.metadata().unwrap().len();
        raw.write_all_at(&[0xff; 4096], size - 4096).unwrap();
        let s = k.look_at("2026-01-11T03:00:00Z");
        assert_eq!((s.copies, s.newest), (1, Some(at("2026-01-10T12:00:00Z"))));
        assert!(s.last_error.is_some_and(|(_, why)| why.contains("damaged")));
        assert_eq!(k.names(), ["doughwarden-20260110T120000Z.db"]);
        let now = at("2026-01-12T03:00:00Z");
        assert!(k.look_at("2026-01-12T03:00:00Z").too_old(now));
        // By hand neither: the good one stays under its name.
        let good = k.second().join("doughwarden-20260110T120000Z.db");
        assert!(sqlite::back_up(&k.app.data_dir, &good).is_err());
        assert_eq!(sqlite::check(&good).unwrap(), Vec::<String>::new());
    }

    #[test]
    fn a_folder_that_is_not_there_is_said_and_never_made() {
        let k = Kitchen::new("2026-01-10T12:00:00Z");
        let s = k.look_at("2026-01-10T12:00:00Z");
        let (_, why) = s.last_error.clone().unwrap();
        assert!(why.contains("plugged in") && !why.contains('\n'), "{why}");
        assert!(!k.second().exists());
        assert!(!s.too_old(at("2026-01-10T12:30:00Z")));
        assert!(s.too_old(at("2026-01-10T14:00:00Z")));
        assert_eq!(k.app.metrics.nightly_age_s.get(), -1);
        assert_eq!(k.app.metrics.nightly_failing.get(), 1);
        // Plugged in: within ten minutes.
        std::fs::create_dir(k.second()).unwrap();
        assert_eq!(k.look_at("2026-01-10T12:09:00Z").copies, 0);
        let s = k.look_at("2026-01-10T12:10:00Z");
        assert_eq!((s.copies, s.last_error), (1, None));
        // Pulled out again: the last copy's age goes on, and is told of when it is too old.
        std::fs::rename(k.second(), k.dir.path().join("drawer")).unwrap();
        let s = k.look_at("2026-01-11T02:10:00Z");
        assert!(s.newest.is_some() && s.last_error.is_some());
        let now = at("2026-01-12T02:10:00Z");
        assert!(k.look_at("2026-01-12T02:10:00Z").too_old(now));
    }

    #[test]
    fn a_clock_that_jumps_makes_no_flood_of_copies_and_no_pause() {
        let k = Kitchen::new("2026-01-10T12:00:00Z");
        std::fs::create_dir(k.second()).unwrap();
        k.look_at("2026-01-10T12:00:00Z");
        // A year ahead by mistake, then back: the copy from there does not count, nor is it the newest.
        k.look_at("2027-01-10T12:00:00Z");
        assert_eq!(k.names().len(), 2);
        let s = k.look_at("2026-01-10T12:05:00Z");
        assert_eq!((s.newest, s.copies), (Some(at("2026-01-10T12:00:00Z")), 1));
        let s = k.look_at("2026-01-11T03:00:00Z");
        assert_eq!(s.newest, Some(at("2026-01-11T03:00:00Z")));
        assert!(!s.too_old(at("2026-01-11T03:00:00Z")));
        // An hour back and forth again: no second copy of that night.
        for now in ["2026-01-11T02:10:00Z", "2026-01-11T03:20:00Z"] {
            assert_eq!(k.look_at(now).copies, 2);
        }
        // Booted in 1970: one copy of then, replaced by nothing, and none is lost.
        k.look_at("1970-01-01T00:00:30Z");
        let names = k.names();
        assert!(
            names.contains(&"doughwarden-20260111T030000Z.db".to_owned()),
            "{names:?}"
        );
    }

    /// Dates of the changes: the EU's rule, last Sundays of March and October at 1:00 UTC.
    #[test]
    fn each_local_day_has_one_copy_also_where_clocks_change() {
        let zone = TimeZone::get("Europe/Oslo").unwrap();
        for (hour, day, expected) in [
            // Clocks go from 2:00 to 3:00 on 29 March 2026: 2:00 is not there, so it is 3:00.
            (2, "2026-03-29", "2026-03-29T01:00:00Z"),
            (3, "2026-03-29", "2026-03-29T01:00:00Z"),
            // From 3:00 back to 2:00 on 25 October 2026: 2:00 comes twice, the first counts.
            (2, "2026-10-25", "2026-10-25T00:00:00Z"),
            (3, "2026-10-25", "2026-10-25T02:00:00Z"),
            // A leap day.
            (3, "2028-02-29", "2028-02-29T02:00:00Z"),
        ] {
            let start = at(&format!("{day}T00:00:00Z")).plus_ms(-2 * HOUR_MS);
            let mut dues: Vec<UtcMs> = (0..27 * 60)
                .map(|minute| last_due(start.plus_ms(minute * MINUTE_MS), hour, &zone))
                .collect();
            dues.dedup();
            assert!(dues.is_sorted());
            let inside: Vec<String> = dues
                .iter()
                .filter(|d| **d > start)
                .map(UtcMs::to_string)
                .filter(|d| d.starts_with(day))
                .collect();
            assert_eq!(inside, [expected], "{hour}:00 on {day}");
        }
    }

    #[test]
    fn a_stamp_reads_back() {
        let moment = at("2026-01-10T02:03:04Z");
        assert_eq!(stamp(moment), "20260110T020304Z");
        assert_eq!(from_stamp("20260110T020304Z"), Some(moment));
        assert_eq!(from_stamp("yesterday"), None);
    }
}

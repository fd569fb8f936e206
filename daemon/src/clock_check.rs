//! Is the machine's clock right? A small computer without a battery boots with an old time and stays
//! there until a time server is heard. It is doubted when the system's own time service has not been
//! heard since the boot, or when it stands before what is stored; then the page says so and offers
//! the phone's time. A correction lasts until the machine's clock agrees with it, or for the same
//! boot of the machine.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use std::time::Duration;

use serde_json::{Value, json};
use tokio::task::JoinSet;

use crate::app::App;
use crate::events::Event;
use crate::store::StoreError;
use crate::time::UtcMs;

/// Where systemd-timesyncd says that it runs, and that it has heard a server (its manual page:
/// "/run/systemd/timesync/synchronized: a file that is touched on each successful
/// synchronization").
const SERVICE: &str = "/run/systemd/timesync";
/// The file in it.
const HEARD: &str = "synchronized";
/// The number of this boot.
const BOOT: &str = "/proc/sys/kernel/random/boot_id";
/// How often it is looked at.
const EVERY: Duration = Duration::from_secs(10);
/// A clock so far before the newest stored reading was not set, ms.
const BEHIND_MS: i64 = 10 * 60_000;
/// No clock of this program was ever right before this (2025-01-01).
const NEVER_BEFORE: UtcMs = UtcMs(1_735_689_600_000);
/// No phone says a later time than this (2100-01-01).
const NEVER_AFTER: UtcMs = UtcMs(4_102_444_800_000);
/// A correction no larger than this is none: the machine's clock is right again, ms.
const AGREES_MS: i64 = 2_000;
/// A machine's clock that moved by more than this against the time that passed was set, ms.
const SET_MS: i64 = 60_000;
/// The setting that keeps a correction over a restart of the program.
const SETTING: &str = "clock_correction";

/// Why the clock is doubted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Doubt {
    /// The system's time service has not been heard since the boot.
    NotSynchronised,
    /// It stands before what is stored.
    BehindWhatIsStored,
}

/// What is known of the clock.
#[derive(Debug)]
pub struct ClockCheck {
    service: PathBuf,
    newest_stored: AtomicI64,
    doubt: RwLock<Option<Doubt>>,
    /// What the machine's clock said when it was corrected, and the time since the boot, ms.
    corrected_at: Mutex<Option<(i64, i64)>>,
    /// By how much it was corrected then, ms.
    corrected_by_ms: AtomicI64,
}

impl Default for ClockCheck {
    fn default() -> Self {
        Self::with_service(Path::new(SERVICE))
    }
}

impl ClockCheck {
    fn with_service(service: &Path) -> Self {
        Self {
            service: service.to_owned(),
            newest_stored: i64::MIN.into(),
            doubt: RwLock::default(),
            corrected_at: Mutex::default(),
            corrected_by_ms: 0.into(),
        }
    }

    /// Why the clock is doubted, if it is.
    #[must_use]
    pub fn doubt(&self) -> Option<Doubt> {
        *self
            .doubt
            .read()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn note_correction(&self, at: Option<(i64, i64)>, by_ms: i64) {
        self.corrected_by_ms.store(by_ms, Ordering::Relaxed);
        *self
            .corrected_at
            .lock()
            .unwrap_or_else(PoisonError::into_inner) = at;
    }

    /// Whether the machine's clock was set since the correction: it and the time since the boot, which
    /// goes on while the machine sleeps, would have gone on alike. `None`: that time is not known.
    fn was_set(&self, machine: UtcMs) -> Option<bool> {
        let at = *self
            .corrected_at
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        let ((then, up), up_now) = at.zip(up_ms())?;
        let expected = then.saturating_add(up_now.saturating_sub(up));
        Some(machine.0.abs_diff(expected) > SET_MS.unsigned_abs())
    }

    fn judge(&self, machine: UtcMs) -> Option<Doubt> {
        let newest = self.newest_stored.load(Ordering::Relaxed);
        if machine < NEVER_BEFORE || machine.0 < newest.saturating_sub(BEHIND_MS) {
            return Some(Doubt::BehindWhatIsStored);
        }
        let runs = self.service.is_dir();
        (runs && !self.service.join(HEARD).exists()).then_some(Doubt::NotSynchronised)
    }
}

/// Looks once; a correction that the machine's clock has caught up with is taken back. Gives whether
/// anything changed.
///
/// # Errors
/// If the store cannot be written; the correction is taken back all the same.
pub fn look(app: &App) -> Result<bool, StoreError> {
    let check = &app.clock_check;
    // Caught up with, or set by its time server since: it knows better than whoever typed.
    let was_set = check.was_set(app.clock.uncorrected());
    // A corrected clock stands still while the machine sleeps; the machine's own does not.
    let by_ms = check.corrected_by_ms.load(Ordering::Relaxed);
    if let Some(ms) = app.clock.corrected_by_ms()
        && was_set == Some(false)
        && ms.abs_diff(by_ms) > AGREES_MS.unsigned_abs()
    {
        tracing::info!("the machine has slept: the correction is counted from its clock");
        app.clock.correct(app.clock.uncorrected().plus_ms(by_ms));
    }
    let agrees = app
        .clock
        .corrected_by_ms()
        .is_some_and(|ms| was_set == Some(true) || ms.abs() <= AGREES_MS);
    let doubt = check.judge(app.clock.uncorrected());
    if agrees {
        app.clock.take_back();
        tracing::info!(
            "the machine's clock agrees with the correction, or was set: that is taken back"
        );
    }
    let before = std::mem::replace(
        &mut *check
            .doubt
            .write()
            .unwrap_or_else(std::sync::PoisonError::into_inner),
        doubt,
    );
    if before != doubt {
        match doubt {
            Some(doubt) => tracing::warn!(?doubt, "the machine's clock may be wrong"),
            None => tracing::info!("the machine's clock is no longer doubted"),
        }
    }
    if agrees {
        app.store.set_setting(SETTING, None)?;
    }
    Ok(agrees || before != doubt)
}

/// It is `now`, by somebody's word.
///
/// # Errors
/// One sentence if no clock can say that.
pub fn correct(app: &App, now: UtcMs) -> Result<(), CorrectError> {
    if !(NEVER_BEFORE..NEVER_AFTER).contains(&now) {
        return Err(CorrectError::Nonsense(now));
    }
    let machine = app.clock.uncorrected().0;
    let up_ms = up_ms();
    let by_ms = now.0.saturating_sub(machine);
    app.clock_check
        .note_correction(up_ms.map(|up_ms| (machine, up_ms)), by_ms);
    app.clock.correct(now);
    tracing::warn!(%now, by_ms = app.clock.corrected_by_ms(), "the clock was corrected by hand");
    let kept = json!({
        "by_ms": by_ms, "boot": boot(), "machine": machine, "up_ms": up_ms,
    });
    app.store.set_setting(SETTING, Some(&kept))?;
    look(app)?;
    app.bus.tell(Event::Settings);
    Ok(())
}

/// The machine's clock is to be used as it is.
///
/// # Errors
/// If the store cannot be written.
pub fn take_back(app: &App) -> Result<(), StoreError> {
    app.clock.take_back();
    app.store.set_setting(SETTING, None)?;
    look(app)?;
    app.bus.tell(Event::Settings);
    Ok(())
}

/// Why a correction was refused.
#[derive(Debug, thiserror::Error)]
pub enum CorrectError {
    /// No clock says that.
    #[error("{0} cannot be the time now.")]
    Nonsense(UtcMs),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Time since the boot (`/proc/uptime`, proc(5): seconds with two decimals).
fn up_ms() -> Option<i64> {
    let text = std::fs::read_to_string("/proc/uptime").ok()?;
    let seconds: f64 = text.split(' ').next()?.parse().ok()?;
    Some((seconds * 1000.0) as i64)
}

fn boot() -> Option<String> {
    std::fs::read_to_string(BOOT)
        .ok()
        .map(|id| id.trim().to_owned())
}

/// Takes up a correction made earlier in this boot, and looks from now on.
///
/// # Errors
/// If the store cannot be read.
pub fn start(app: &Arc<App>, rooms: &mut JoinSet<()>) -> Result<(), StoreError> {
    resume(app)?;
    look(app)?;
    let app = Arc::clone(app);
    rooms.spawn(async move {
        loop {
            tokio::select! {
                () = app.stop.cancelled() => return,
                () = tokio::time::sleep(EVERY) => {}
            }
            let here = Arc::clone(&app);
            match tokio::task::spawn_blocking(move || look(&here)).await {
                Ok(Ok(true)) => app.bus.tell(Event::Settings),
                Ok(Ok(false)) => {}
                Ok(Err(error)) => {
                    tracing::warn!(%error, "the clock's correction could not be noted")
                }
                Err(_) => return,
            }
        }
    });
    Ok(())
}

fn resume(app: &App) -> Result<(), StoreError> {
    let newest = app
        .store
        .series()?
        .into_iter()
        .filter_map(|s| s.newest)
        .filter(|r| r.kept_out.is_none())
        .map(|r| r.arrived.0)
        .max();
    let check = &app.clock_check;
    check
        .newest_stored
        .store(newest.unwrap_or(i64::MIN), Ordering::Relaxed);
    let kept = app.store.setting(SETTING)?.unwrap_or_default();
    let same_boot = kept["boot"].as_str().map(str::to_owned) == boot() && boot().is_some();
    let at = kept["machine"].as_i64().zip(kept["up_ms"].as_i64());
    check.note_correction(at, kept["by_ms"].as_i64().unwrap_or(0));
    if same_boot && check.was_set(app.clock.uncorrected()) == Some(true) {
        tracing::info!("the machine's clock was set since it was corrected: that is taken back");
        return app.store.set_setting(SETTING, None);
    }
    if let Some(by_ms) = kept["by_ms"].as_i64().filter(|_| same_boot) {
        app.clock.correct(app.clock.uncorrected().plus_ms(by_ms));
        tracing::warn!(by_ms, "the clock is corrected as before the restart");
    }
    Ok(())
}

/// As the API says it.
#[must_use]
pub fn standing(app: &App) -> Value {
    json!({
        "now": app.clock.now(),
        "doubt": app.clock_check.doubt(),
        "corrected_by_s": app.clock.corrected_by_ms().map(|ms| ms as f64 / 1000.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_is_doubted_before_what_is_stored_and_until_its_service_is_heard() {
        let dir = tempfile::tempdir().unwrap();
        let now = UtcMs::parse("2026-01-10T07:00:00Z").unwrap();
        let none = ClockCheck::with_service(&dir.path().join("nowhere"));
        assert_eq!(none.judge(now), None);
        assert_eq!(none.judge(UtcMs(0)), Some(Doubt::BehindWhatIsStored));
        none.newest_stored.store(now.0, Ordering::Relaxed);
        assert_eq!(none.judge(now.plus_ms(-60_000)), None);
        assert_eq!(
            none.judge(now.plus_ms(-11 * 60_000)),
            Some(Doubt::BehindWhatIsStored)
        );
        let runs = ClockCheck::with_service(dir.path());
        assert_eq!(runs.judge(now), Some(Doubt::NotSynchronised));
        std::fs::write(dir.path().join(HEARD), "").unwrap();
        assert_eq!(runs.judge(now), None);
    }

    /// The machine's clock was set while the program was not running: its old distance from somebody's
    /// word is not added to a clock that is right.
    #[test]
    fn a_correction_is_taken_up_again_only_while_the_machines_clock_goes_on_as_it_did() {
        let month_ms = 30 * 86_400_000;
        let now = UtcMs::parse("2026-02-10T07:00:00Z").unwrap();
        for (machine, by_ms) in [(now, Some(month_ms)), (now.plus_ms(-month_ms), None)] {
            let dir = tempfile::tempdir().unwrap();
            let store = crate::store::sqlite::SqliteStore::open(dir.path()).unwrap();
            let kept = json!({
                "by_ms": month_ms, "boot": boot(), "machine": machine.0, "up_ms": up_ms(),
            });
            crate::store::Store::set_setting(&store, SETTING, Some(&kept)).unwrap();
            let app = App::new(
                crate::time::Clock::by_hand(now),
                crate::config::Config::default(),
                dir.path().to_path_buf(),
                Arc::new(store),
            )
            .unwrap();
            resume(&app).unwrap();
            assert_eq!(app.clock.corrected_by_ms(), by_ms);
            assert_eq!(
                app.store.setting(SETTING).unwrap().is_some(),
                by_ms.is_some()
            );
        }
    }
}

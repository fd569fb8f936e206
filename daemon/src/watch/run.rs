//! The alert loop: the bus and a tick a second go through the rules, what follows is written with
//! its messages in one transaction, and only then told.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use serde_json::Value;
use tokio::sync::broadcast::error::RecvError;

use super::gather::{around, learned, sensors};
use super::life::{self, Ending, Manner, Memory, Message, State, Step};
use super::quiet::QuietHours;
use super::rules::{Finding, Open, Subject, left_open};
use super::say::Speech;
use super::watcher::Watcher;
use super::world::Input;
use crate::app::App;
use crate::batches::actions;
use crate::events::Event;
use crate::health::Health;
use crate::metrics::Reason;
use crate::notify;
use crate::store::{AlertRow, OutboxRow, ReadingQuery, StoreError, StoredReading};
use crate::time::{HOUR_MS, UtcMs};

/// How far back a start reads, so that no pending condition is lost, ms.
const REPLAY_MS: i64 = 30 * 60_000;
/// While it is gone through, rules that count time are shown the clock so often, ms.
const REPLAY_TICK_MS: i64 = 10_000;
/// Events taken in one go before the rules' findings are looked at.
const DRAIN: usize = 256;
/// In a burst the findings are looked at this often: the quickest rule waits for seconds.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// A clock that moved this much more or less than the time that passed was set, ms.
const CLOCK_SET_MS: f64 = 2_000.0;
/// How often what the stored readings teach is learned anew, ms.
const LEARN_MS: i64 = 6 * HOUR_MS;
/// A second way has at least so long once its turn has come, min.
const SECOND_WAY_MIN: f64 = 10.0;

/// Alerts are read, changed and written back under this lock: the loop and a tap never cross.
static WRITES: Mutex<()> = Mutex::new(());

pub(super) fn writes() -> MutexGuard<'static, ()> {
    WRITES.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Starts the alert loop.
pub fn start(app: &Arc<App>, rooms: &mut tokio::task::JoinSet<()>) {
    // Listening begins before the store is read: nothing falls between.
    let events = app.bus.listen();
    rooms.spawn(run(Arc::clone(app), events));
}

async fn run(app: Arc<App>, mut events: tokio::sync::broadcast::Receiver<Event>) {
    let mut watcher = Watcher::default();
    let mut open = Vec::new();
    match blocking(&app, |app| {
        Ok((recent(app)?, app.store.open_alerts()?, learned(app)?))
    })
    .await
    {
        Ok((recent, rows, learned)) => {
            let now = app.clock.now();
            watcher.see(now, &Input::UsualTops(learned.tops));
            replay(&app, &mut watcher, &recent);
            resume(&mut watcher, &rows);
            watcher.see(now, &Input::Beside(learned.beside));
            open = rows;
        }
        Err(error) => tracing::error!(
            error = &error as &dyn std::error::Error,
            "The alert loop starts without what was stored"
        ),
    }
    let mut manner = manner(&app);
    let mut last = (app.clock.now(), Instant::now());
    let mut learned_at = last.0;
    let mut unwritten = Unwritten::default();
    watcher.see(last.0, &Input::Afresh);
    let mut looked = None::<tokio::time::Instant>;
    let second = app.clock.real(Duration::from_secs(1));
    // Due at a moment of its own: events that come oftener than once a second must not put it off.
    let mut due = tokio::time::Instant::now() + second;
    loop {
        let mut stale = false;
        tokio::select! {
            () = app.stop.cancelled() => return,
            () = tokio::time::sleep_until(due) => {
                due = tokio::time::Instant::now() + second;
                let now = app.clock.now();
                if clock_was_set(&app, last, now) {
                    tracing::warn!(now = %now, "The clock was set: ages count from now on");
                    watcher.see(now, &Input::Afresh);
                }
                last = (now, Instant::now());
                watcher.see(now, &Input::Sensors(sensors(&app)));
                watcher.see(now, &Input::Around(around(&app)));
                watcher.see(now, &Input::Tick);
                Health::beat(&app.health.watch_beat, now);
            }
            event = events.recv() => {
                let mut next = match event {
                    Ok(event) => Some(event),
                    Err(RecvError::Closed) => return,
                    Err(RecvError::Lagged(_)) => {
                        let now = app.clock.now();
                        watcher.see(now, &Input::Book(app.book()));
                        watcher.see(now, &Input::Proofs(app.live.all()));
                        stale = true;
                        None
                    }
                };
                if let Some(looked) = looked {
                    tokio::time::sleep_until(looked + app.clock.real(LOOK_EVERY)).await;
                }
                for _ in 0..DRAIN {
                    let Some(event) = next.take() else { break };
                    stale |= take(&app, &mut watcher, &mut manner, &event);
                    // One that lags is told so at the next turn.
                    next = events.try_recv().ok();
                }
            }
        }
        if stale && let Ok(rows) = blocking(&app, |app| app.store.open_alerts()).await {
            open = rows;
        }
        close_left_open(&app, &open).await;
        let now = app.clock.now();
        if now.0 - learned_at.0 > LEARN_MS {
            learned_at = now;
            if let Ok(learned) = blocking(&app, learned).await {
                watcher.see(now, &Input::UsualTops(learned.tops));
                watcher.see(now, &Input::Beside(learned.beside));
            }
        }
        look(&app, &watcher, &manner, &mut open, &mut unwritten).await;
        looked = Some(tokio::time::Instant::now());
    }
}

/// Closes the stages that were asked about long ago as unknown.
async fn close_left_open(app: &Arc<App>, open: &[AlertRow]) {
    let now = app.clock.now();
    for row in open {
        let Some(memory) = Memory::of(row).filter(|m| m.rule == left_open::ABOUT.name) else {
            continue;
        };
        let Some((batch, stage)) = memory.subject.batch_stage() else {
            continue;
        };
        // In progress still? An answer that is on its way through the book comes first.
        let here = app.book();
        let waits = here.stage(&batch, stage).is_some_and(|s| s.end.is_none());
        if !waits || !left_open::to_close(row.raised, now) {
            continue;
        }
        let closed = tokio::task::spawn_blocking({
            let app = Arc::clone(app);
            let batch = batch.clone();
            move || actions::close_unknown(&app, &batch, stage, now).map(|_| ())
        })
        .await;
        match closed {
            Ok(Ok(())) => tracing::info!(
                batch,
                stage = stage.as_str(),
                "A stage left open was closed as unknown"
            ),
            Ok(Err(error)) => tracing::warn!(
                batch,
                error = &error as &dyn std::error::Error,
                "A stage left open could not be closed"
            ),
            Err(error) => tracing::warn!(%error, "A stage left open could not be closed"),
        }
    }
}

/// Runs a piece of work that blocks.
async fn blocking<T: Send + 'static>(
    app: &Arc<App>,
    work: impl FnOnce(&App) -> Result<T, StoreError> + Send + 'static,
) -> Result<T, StoreError> {
    let app = Arc::clone(app);
    tokio::task::spawn_blocking(move || work(&app))
        .await
        .unwrap_or_else(|e| Err(StoreError::Corrupt(e.to_string())))
}

fn clock_was_set(app: &App, last: (UtcMs, Instant), now: UtcMs) -> bool {
    let second = app.clock.real(Duration::from_secs(1)).as_secs_f64();
    let passed_ms = last.1.elapsed().as_secs_f64() / second.max(1e-6) * 1000.0;
    let moved_ms = (now.0 - last.0.0) as f64;
    // A faster clock's own rounding grows with its speed.
    (moved_ms - passed_ms).abs() > CLOCK_SET_MS.max(0.05 / second.max(1e-6) * 1000.0)
}

/// Takes an event in; true when the open alerts must be read again.
fn take(app: &App, watcher: &mut Watcher, manner: &mut Manner, event: &Event) -> bool {
    let now = app.clock.now();
    match event {
        Event::Readings(readings) => watcher.see(now, &Input::Readings(readings)),
        Event::Book => watcher.see(now, &Input::Book(app.book())),
        Event::Forecast(_) => watcher.see(now, &Input::Proofs(app.live.all())),
        Event::Settings => {
            *manner = self::manner(app);
            watcher.world.say = manner.say.clone();
        }
        Event::Sensors => {}
        Event::Alert(_) => return true,
    }
    false
}

fn resume(watcher: &mut Watcher, rows: &[AlertRow]) {
    for row in rows {
        if let Some(memory) = Memory::of(row) {
            watcher.resume(
                &memory.rule,
                &Open {
                    subject: &memory.subject,
                    began: memory.began,
                    raised: row.raised,
                    edition: memory.edition,
                    memory: &memory.own,
                },
            );
        }
    }
}

fn recent(app: &App) -> Result<Vec<StoredReading>, StoreError> {
    let mut readings = app.store.readings(&ReadingQuery {
        from: Some(app.clock.now().plus_ms(-REPLAY_MS)),
        with_kept_out: true,
        ..ReadingQuery::default()
    })?;
    readings.sort_by_key(|r| r.arrived);
    Ok(readings)
}

/// Brings the rules to where they would be had they not been interrupted.
fn replay(app: &App, watcher: &mut Watcher, recent: &[StoredReading]) {
    let now = app.clock.now();
    watcher.world.say = manner(app).say;
    watcher.see(now, &Input::Sensors(sensors(app)));
    watcher.see(now, &Input::Book(app.book()));
    let mut ticked = UtcMs(i64::MIN);
    for reading in recent.iter().filter(|r| r.arrived <= now) {
        watcher.see(
            reading.arrived,
            &Input::Readings(std::slice::from_ref(reading)),
        );
        if reading.arrived.0.saturating_sub(ticked.0) >= REPLAY_TICK_MS {
            ticked = reading.arrived;
            watcher.see(reading.arrived, &Input::Tick);
        }
    }
    watcher.see(now, &Input::Proofs(app.live.all()));
}

/// How messages are said: the configuration's display, else the page's setting, else the machine's.
pub(super) fn manner(app: &App) -> Manner {
    let setting = |name: &str| app.store.setting(name).ok().flatten().unwrap_or_default();
    let display = setting("display");
    let zone = app
        .config
        .display
        .zone
        .clone()
        .or_else(|| display["zone"].as_str().map(str::to_owned))
        .and_then(|name| jiff::tz::TimeZone::get(&name).ok())
        .unwrap_or_else(jiff::tz::TimeZone::system);
    let unit = app
        .config
        .display
        .unit
        .or_else(|| serde_json::from_value(display["unit"].clone()).ok())
        .unwrap_or_default();
    let quiet = app
        .config
        .alert
        .quiet_hours
        .clone()
        .or_else(|| setting("quiet_hours").as_str().map(str::to_owned))
        .and_then(|text| QuietHours::parse(&text).ok());
    Manner {
        say: Speech {
            zone,
            unit,
            base: base(app),
        },
        quiet,
    }
}

/// When the quiet hours that are on now end; `None`: phones may ring for anything.
#[must_use]
pub fn quiet_until(app: &App) -> Option<UtcMs> {
    let manner = manner(app);
    manner.quiet?.until(app.clock.now(), &manner.say.zone)
}

/// What links begin with.
fn base(app: &App) -> String {
    if let Some(link) = &app.config.alert.link {
        return link.trim_end_matches('/').to_owned();
    }
    if let Some(address) = app.health.address.get() {
        return address.trim_end_matches('/').to_owned();
    }
    // Not served yet (a test of the rules alone): as configured.
    format!("http://{}", app.config.http.listen)
}

/// Messages that went out while the store could not be written: not again with each try.
#[derive(Default)]
struct Unwritten {
    told: BTreeSet<String>,
}

async fn look(
    app: &Arc<App>,
    watcher: &Watcher,
    manner: &Manner,
    open: &mut Vec<AlertRow>,
    unwritten: &mut Unwritten,
) {
    let now = app.clock.now();
    let findings = watcher.findings();
    if findings.is_empty() && open.is_empty() {
        return;
    }
    let endings: BTreeMap<(String, Subject), Ending> = open
        .iter()
        .filter_map(Memory::of)
        .map(|m| {
            let ending = watcher.ending(&m.rule, &m.subject);
            ((m.rule, m.subject), ending)
        })
        .collect();
    let ending = move |rule: &str, subject: &Subject| {
        let of = endings.get(&(rule.to_owned(), subject.clone()));
        of.copied().unwrap_or_default()
    };
    let before = |app: &App, id: &str| {
        let row = app.store.alert(id).ok().flatten();
        row.filter(|r| r.cleared.is_some())
    };
    let cheap = life::look(
        now,
        &findings,
        open.clone(),
        manner,
        &mut |id| before(app, id),
        &ending,
    );
    if cheap.rows.is_empty() {
        return;
    }
    let (manner, found) = (manner.clone(), findings.clone());
    let written = blocking(app, move |app| {
        let _lock = writes();
        let step = life::look(
            now,
            &found,
            app.store.open_alerts()?,
            &manner,
            &mut |id| before(app, id),
            &ending,
        );
        let outbox = outbox(app, now, &step);
        app.store.put_alerts(&step.rows, &outbox)?;
        Ok((step, app.store.open_alerts()?))
    })
    .await;
    match written {
        Ok((step, rows)) => {
            unwritten.told.clear();
            *open = rows;
            tell(app, &findings, &step);
        }
        Err(error) => {
            // Nothing is written now; the next tick tries again. The open page and the channels
            // hear of it all the same, once.
            let fresh: Vec<Message> = cheap
                .messages
                .into_iter()
                .filter(|m| {
                    unwritten
                        .told
                        .insert(format!("{} {}", m.alert, m.doc["state"]))
                })
                .collect();
            if !fresh.is_empty() {
                tracing::error!(
                    error = &error as &dyn std::error::Error,
                    waiting = fresh.len(),
                    "Alerts could not be written; they are told all the same"
                );
            }
            for message in fresh {
                if message.pushed {
                    app.desk.spill(&message.doc);
                }
                app.bus.tell(Event::Alert(Arc::new(message.doc)));
            }
        }
    }
}

/// The messages for each channel.
pub(super) fn outbox(app: &App, now: UtcMs, step: &Step) -> Vec<OutboxRow> {
    let channels = notify::names(app);
    let mut rows = Vec::new();
    for message in &step.messages {
        for (channel, after_min) in &channels {
            let after_min = *after_min;
            // A machine that listens on MQTT is also told what is over without a word to phones.
            let told_machine = *channel == notify::mqtt::NAME && message.machines;
            if !message.pushed && !told_machine {
                continue;
            }
            let pending = || {
                app.store
                    .outbox(channel)
                    .is_ok_and(|rows| rows.iter().any(|r| r.alert == message.alert))
            };
            if message.repeat && pending() {
                continue;
            }
            // Quiet hours are for phones.
            let not_before = match *channel {
                notify::mqtt::NAME => now,
                _ => message.not_before,
            };
            let next_try = not_before.max(now.plus_min(after_min));
            rows.push(OutboxRow {
                seq: 0,
                channel: (*channel).to_owned(),
                alert: message.alert.clone(),
                doc: message.doc.clone(),
                queued: now,
                // What nobody has seen when a second way's turn comes is news there.
                expires: message.expires.max(next_try.plus_min(SECOND_WAY_MIN)),
                next_try,
                tries: 0,
                accepted: None,
                failed: None,
                last_error: None,
            });
        }
    }
    rows
}

fn tell(app: &App, findings: &[Finding], step: &Step) {
    for message in &step.messages {
        let name = message.doc["alert"].as_str().unwrap_or_default();
        if message.doc["state"] == State::Raised.as_str()
            && let Some(finding) = findings.iter().find(|f| f.about.name == name)
        {
            app.metrics
                .alerts
                .get_or_create(&Reason {
                    reason: finding.about.name,
                })
                .inc();
        }
        tracing::info!(
            alert = name,
            id = message.alert,
            state = message.doc["state"].as_str().unwrap_or_default(),
            pushed = message.pushed,
            "An alert changed"
        );
        app.bus.tell(Event::Alert(Arc::new(message.doc.clone())));
    }
}

/// Tells the page of an alert as it now stands.
pub(super) fn tell_row(app: &App, row: &AlertRow) {
    let doc: Value = row.doc.clone();
    app.bus.tell(Event::Alert(Arc::new(doc)));
}

/// The address of the front page, as a message links to it.
#[must_use]
pub fn link(app: &App) -> String {
    format!("{}/", base(app))
}

//! The life of an alert: raised, changed, repeated, cleared. Pure: from the conditions that hold
//! now and the alerts that are open, the rows to write and the messages to send, together.
//!
//! One event has one id: an open alert is found by rule and subject, its id is a digest of its
//! cause, and a cause that was told and is over is never told again (undo and redo fire nothing). One
//! that another took the place of is not over: it goes on when the other has gone. One that was taken
//! back may come again.

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};

use super::quiet::QuietHours;
use super::rules::{Finding, RULES, Severity, Subject};
use super::say::Speech;
use crate::batches::record::StageKind;
use crate::store::AlertRow;
use crate::time::UtcMs;

/// How often phones are told again until someone has seen it, ms.
pub const REPEAT_MS: i64 = 30 * 60_000;

/// How long it is of use to say that one is over, min.
const OVER_MIN: f64 = 12.0 * 60.0;

/// What an [`AlertRow`] remembers beside what the page shows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Memory {
    /// The rule.
    pub rule: String,
    /// What it is about.
    pub subject: Subject,
    /// What made it one event.
    pub began: UtcMs,
    /// The facts as found.
    pub edition: u32,
    /// The facts as phones were told.
    pub told_edition: Option<u32>,
    /// Whether phones are told.
    pub pushed: bool,
    /// What is said when it is over.
    pub over: String,
    /// The rule's own.
    pub own: Value,
    /// Another took its place.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub gave_way: bool,
    /// It was taken back: should it come again, it is told again.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub taken_back: bool,
}

impl Memory {
    /// Reads a row's memory.
    #[must_use]
    pub fn of(row: &AlertRow) -> Option<Self> {
        serde_json::from_value(row.memory.clone()).ok()
    }
}

/// What happened to an event.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// New.
    Raised,
    /// The same event, new facts.
    Changed,
    /// Told again because nobody has seen it.
    Repeated,
    /// Over.
    Cleared,
}

impl State {
    /// As the contract writes it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::Changed => "changed",
            Self::Repeated => "repeated",
            Self::Cleared => "cleared",
        }
    }
}

/// One message.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    /// The alert's id.
    pub alert: String,
    /// The contract's document.
    pub doc: Value,
    /// Whether phones are told, or only the open page.
    pub pushed: bool,
    /// Whether machines that listen on MQTT are told although phones are not.
    pub machines: bool,
    /// Not to be sent before.
    pub not_before: UtcMs,
    /// Not to be sent after.
    pub expires: UtcMs,
    /// Whether an older undelivered message of the same alert does as well.
    pub repeat: bool,
}

/// What follows from a look.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Step {
    /// Rows to write.
    pub rows: Vec<AlertRow>,
    /// Messages that go with them.
    pub messages: Vec<Message>,
}

/// What follows when a finding is over.
#[derive(Clone, Copy, Debug, Default)]
pub struct Ending {
    /// Phones hear of it.
    pub told: bool,
    /// It was taken back: should it come again, it is told again.
    pub may_come_again: bool,
}

/// How messages are said and when phones rest.
#[derive(Clone, Debug, Default)]
pub struct Manner {
    /// Times, temperatures, links.
    pub say: Speech,
    /// When only urgent things are pushed.
    pub quiet: Option<QuietHours>,
}

impl Manner {
    fn quiet_until(&self, now: UtcMs, severity: Severity) -> Option<UtcMs> {
        if severity == Severity::Urgent {
            return None;
        }
        self.quiet.as_ref()?.until(now, &self.say.zone)
    }
}

/// One look: `found` is what holds now, `open` the alerts not cleared, `before` the alert of an id
/// that was raised and cleared before, `ending` what follows when one is over.
#[must_use]
pub fn look(
    now: UtcMs,
    found: &[Finding],
    open: Vec<AlertRow>,
    manner: &Manner,
    before: &mut dyn FnMut(&str) -> Option<AlertRow>,
    ending: &dyn Fn(&str, &Subject) -> Ending,
) -> Step {
    let mut step = Step::default();
    let mut open: Vec<(AlertRow, Option<Memory>)> = open
        .into_iter()
        .map(|row| {
            let memory = Memory::of(&row);
            (row, memory)
        })
        .collect();
    for finding in found {
        let at = open.iter().position(|(_, memory)| {
            memory
                .as_ref()
                .is_some_and(|m| m.rule == finding.about.name && m.subject == finding.subject)
        });
        if let Some(at) = at {
            if let (row, Some(memory)) = open.swap_remove(at) {
                go_on(now, finding, row, memory, manner, &mut step);
            }
            continue;
        }
        match before(&finding.id()).map(|row| (Memory::of(&row), row)) {
            None => raise(now, finding, manner, &mut step),
            Some((Some(memory), mut row)) if memory.gave_way => {
                row.cleared = None;
                go_on(now, finding, row, memory, manner, &mut step);
            }
            Some((Some(mut memory), mut row)) if memory.taken_back => {
                (row.raised, row.cleared, row.seen) = (now, None, None);
                row.quiet_until = None;
                memory.told_edition = None;
                go_on(now, finding, row, memory, manner, &mut step);
            }
            Some(_) => {}
        }
    }
    for (row, memory) in open {
        let by = memory.as_ref().and_then(|m| taken_over_by(m, found));
        clear(now, row, memory, by, manner, ending, &mut step);
    }
    step
}

/// What took the place of an alert that is still true: no all-clear then.
fn taken_over_by<'a>(memory: &Memory, found: &'a [Finding]) -> Option<&'a Finding> {
    let about = RULES.iter().find(|about| about.name == memory.rule)?;
    found
        .iter()
        .find(|f| about.gives_way_to.contains(&f.about.name) && f.subject == memory.subject)
}

fn raise(now: UtcMs, finding: &Finding, manner: &Manner, step: &mut Step) {
    let doc = document(now, finding, State::Raised, manner);
    let tell =
        finding.pushed && !finding.held_back && manner.quiet_until(now, finding.severity).is_none();
    let memory = Memory {
        rule: finding.about.name.to_owned(),
        subject: finding.subject.clone(),
        began: finding.began,
        edition: finding.edition,
        told_edition: tell.then_some(finding.edition),
        pushed: finding.pushed,
        over: finding.over.clone(),
        own: finding.memory.clone(),
        gave_way: false,
        taken_back: false,
    };
    step.rows.push(AlertRow {
        id: finding.id(),
        cause: finding.cause(),
        raised: now,
        seen: None,
        cleared: None,
        quiet_until: None,
        told: tell.then_some(now),
        doc: doc.clone(),
        memory: json!(memory),
    });
    step.messages.push(message(
        now,
        finding,
        finding.id(),
        doc,
        tell,
        State::Raised,
    ));
}

fn go_on(
    now: UtcMs,
    finding: &Finding,
    mut row: AlertRow,
    memory: Memory,
    manner: &Manner,
    step: &mut Step,
) {
    let may_tell =
        finding.pushed && !finding.held_back && manner.quiet_until(now, finding.severity).is_none();
    let reminded = row.quiet_until.is_some_and(|t| now >= t);
    // What has become urgent waits for no reminder.
    let urgent = finding.severity == Severity::Urgent;
    let worse = urgent && row.doc["severity"] != Severity::Urgent.as_str();
    let waits = row.quiet_until.is_some() && !reminded && !worse;
    let state = match memory.told_edition {
        _ if !may_tell || waits => None,
        None if row.seen.is_some() => None,
        None => Some(State::Raised),
        Some(told) if finding.edition > told => Some(State::Changed),
        Some(_) if reminded => Some(State::Repeated),
        Some(_)
            if finding.about.repeats
                && finding.severity > Severity::Note
                && row.seen.is_none()
                && row.told.is_some_and(|t| now.0 - t.0 >= REPEAT_MS) =>
        {
            Some(State::Repeated)
        }
        Some(_) => None,
    };
    let includes: Vec<&str> = row.doc["includes"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(Value::as_str)
        .collect();
    let back = memory.gave_way && row.told.is_some();
    let changed_quietly = memory.gave_way
        || memory.taken_back
        || memory.edition != finding.edition
        || memory.pushed != finding.pushed
        || row.doc["severity"] != finding.severity.as_str()
        || includes != finding.includes;
    if state.is_none() && !changed_quietly {
        return;
    }
    let said = state.unwrap_or(State::Changed);
    let doc = document_as(now, finding, &row.id, said, manner);
    if state.is_some() {
        row.told = Some(now);
        row.quiet_until = None;
    }
    if state == Some(State::Changed) {
        row.seen = None;
    }
    row.doc = doc.clone();
    row.memory = json!(Memory {
        edition: finding.edition,
        told_edition: if state.is_some() {
            Some(finding.edition)
        } else {
            memory.told_edition
        },
        pushed: finding.pushed,
        over: finding.over.clone(),
        own: finding.memory.clone(),
        gave_way: false,
        taken_back: false,
        ..memory
    });
    let id = row.id.clone();
    step.rows.push(row);
    step.messages.push(Message {
        // They were told that it is over.
        machines: back,
        ..message(now, finding, id, doc, state.is_some(), said)
    });
}

fn clear(
    now: UtcMs,
    mut row: AlertRow,
    memory: Option<Memory>,
    by: Option<&Finding>,
    manner: &Manner,
    ending: &dyn Fn(&str, &Subject) -> Ending,
    step: &mut Step,
) {
    row.cleared = Some(now);
    let mut doc = over_document(now, &row, memory.as_ref(), manner);
    if let (Some(by), Some(fields)) = (by, doc.as_object_mut()) {
        fields.insert(
            "title".into(),
            json!(format!("Told of now as: {}", by.title)),
        );
        fields.insert("text".into(), json!(by.text));
    }
    let follows = memory
        .as_ref()
        .map_or_else(Ending::default, |m| ending(&m.rule, &m.subject));
    // Only those who were told it began are told it is over.
    let tell = row.told.is_some()
        && by.is_none()
        && memory.as_ref().is_some_and(|m| m.pushed && follows.told);
    let not_before = manner.quiet_until(now, Severity::Note).unwrap_or(now);
    row.doc = doc.clone();
    if let Some(memory) = memory {
        row.memory = json!(Memory {
            gave_way: by.is_some(),
            taken_back: by.is_none() && follows.may_come_again,
            ..memory
        });
    }
    step.messages.push(Message {
        alert: row.id.clone(),
        doc,
        pushed: tell,
        machines: row.told.is_some(),
        not_before,
        expires: not_before.plus_min(OVER_MIN),
        repeat: false,
    });
    step.rows.push(row);
}

/// What is said of an alert that somebody ended: they know, but machines that were told it began are
/// told it is over.
#[must_use]
pub fn over_by_hand(now: UtcMs, row: &AlertRow) -> Option<Message> {
    row.told.is_some().then(|| Message {
        alert: row.id.clone(),
        doc: row.doc.clone(),
        pushed: false,
        machines: true,
        not_before: now,
        expires: now.plus_min(OVER_MIN),
        repeat: false,
    })
}

/// The document of an alert that is over.
#[must_use]
pub fn over_document(
    now: UtcMs,
    row: &AlertRow,
    memory: Option<&Memory>,
    manner: &Manner,
) -> Value {
    let mut doc = row.doc.clone();
    if let Some(fields) = doc.as_object_mut() {
        fields.insert("state".into(), json!(State::Cleared.as_str()));
        fields.insert("severity".into(), json!(Severity::Note.as_str()));
        fields.insert("at".into(), json!(now));
        if let Some(over) = memory.map(|m| &m.over).filter(|o| !o.is_empty()) {
            fields.insert("title".into(), json!(over));
        }
        let text = format!("This ended at {}.", manner.say.clock(now, now));
        fields.insert("text".into(), json!(text));
    }
    doc
}

fn message(
    now: UtcMs,
    finding: &Finding,
    alert: String,
    doc: Value,
    pushed: bool,
    state: State,
) -> Message {
    Message {
        alert,
        doc,
        pushed,
        machines: false,
        not_before: now,
        expires: now.plus_min(f64::from(finding.about.expires_min)),
        repeat: state == State::Repeated,
    }
}

fn document(now: UtcMs, finding: &Finding, state: State, manner: &Manner) -> Value {
    document_as(now, finding, &finding.id(), state, manner)
}

/// The contract's document.
fn document_as(now: UtcMs, finding: &Finding, id: &str, state: State, manner: &Manner) -> Value {
    let mut doc = Map::new();
    let proof = finding.proof.as_ref();
    let batch = finding.subject.batch.as_ref().or(proof.map(|(b, _)| b));
    let stage = finding.subject.stage.or(proof.map(|(_, s)| *s));
    doc.insert("id".into(), json!(id));
    doc.insert("alert".into(), json!(finding.about.name));
    doc.insert("state".into(), json!(state.as_str()));
    doc.insert("severity".into(), json!(finding.severity.as_str()));
    doc.insert("batch".into(), json!(batch));
    doc.insert("stage".into(), json!(stage.map(StageKind::as_str)));
    doc.insert("place".into(), json!(finding.place));
    doc.insert("at".into(), json!(now));
    doc.insert("title".into(), json!(finding.title));
    doc.insert("text".into(), json!(finding.text));
    doc.insert(
        "link".into(),
        json!(format!("{}{}", manner.say.base, finding.link)),
    );
    if !finding.includes.is_empty() {
        doc.insert("includes".into(), json!(finding.includes));
    }
    Value::Object(doc)
}

//! The rules: one small state machine a file. Each says which conditions hold *now*
//! ([`Finding`]s); what is told of them, when and how often is [`super::life`]'s matter.

pub mod hold;

pub mod battery_low;
pub mod check_the_dough;
pub mod heat_damage;
pub mod held_warm;
pub mod left_open;
pub mod machine;
pub mod nearly_ready;
mod oven_climb;
pub mod oven_on;
pub mod over_proofing;
pub mod ready;
pub mod sensor_drift;
pub mod sensor_fault;
pub mod sensor_silent;
pub mod sensor_stuck;
pub mod skinning;
pub mod sweating;
pub mod too_cold;
pub mod too_hot;
pub mod too_slow_for_oven;
pub mod two_batches;
pub mod will_be_too_hot;

use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest, Sha256};

use super::world::{Input, Proof, World};
use crate::batches::record::StageKind;
use crate::time::UtcMs;

/// How much it matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Good to know; told once.
    Note,
    /// The dough suffers if nobody comes.
    Warning,
    /// Somebody may be hurt, or the bake is lost within minutes: passes quiet hours.
    Urgent,
}

impl Severity {
    /// As the contract writes it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Warning => "warning",
            Self::Urgent => "urgent",
        }
    }
}

/// What a rule is, for the table that page and docs print ([`super::RULES`]).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct About {
    /// The alert's name on every wire.
    pub name: &'static str,
    /// When it fires.
    pub fires: &'static str,
    /// When it clears.
    pub clears: &'static str,
    /// What it goes by unless told otherwise.
    pub default: &'static str,
    /// Why.
    pub why: &'static str,
    /// How much it matters (a finding may say otherwise).
    pub severity: Severity,
    /// Whether phones are told again every half hour until someone has seen it.
    pub repeats: bool,
    /// Whether phones are told when it is over.
    pub tells_over: bool,
    /// After how many minutes an undelivered message is no use any more.
    pub expires_min: u32,
    /// The rules whose alert for the same batch and stage takes this one's place.
    pub gives_way_to: &'static [&'static str],
}

/// What a finding is about.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Subject {
    /// The batch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub batch: Option<String>,
    /// Its stage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stage: Option<StageKind>,
    /// The place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// The sensor.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sensor: Option<String>,
    /// What else tells it from its like (two batches, a group).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub other: Option<String>,
}

impl Subject {
    /// A batch's stage.
    #[must_use]
    pub fn stage(proof: &Proof<'_>) -> Self {
        Self {
            batch: Some(proof.batch.id.clone()),
            stage: Some(proof.stage.stage),
            ..Self::default()
        }
    }

    /// A place.
    #[must_use]
    pub fn place(place: &str) -> Self {
        Self {
            place: Some(place.to_owned()),
            ..Self::default()
        }
    }

    /// A sensor.
    #[must_use]
    pub fn sensor(sensor: &str) -> Self {
        Self {
            sensor: Some(sensor.to_owned()),
            ..Self::default()
        }
    }

    /// Batch and stage, where both are set.
    #[must_use]
    pub fn batch_stage(&self) -> Option<(String, StageKind)> {
        Some((self.batch.clone()?, self.stage?))
    }
}

/// A condition that holds now.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Its rule.
    pub about: &'static About,
    /// What it is about: rule and subject find the open alert it belongs to.
    pub subject: Subject,
    /// What makes it one event: when it began, or its stage's start for what is told once a stage.
    pub began: UtcMs,
    /// How much it matters.
    pub severity: Severity,
    /// Counts up with new facts worth telling under the same id.
    pub edition: u32,
    /// Whether phones are told, or it is only shown on the page.
    pub pushed: bool,
    /// Held back: nothing is said of a place whose sensors are all silent.
    pub held_back: bool,
    /// A line for the lock screen: which dough (or place), what.
    pub title: String,
    /// When, and what to do.
    pub text: String,
    /// What is said when it is over.
    pub over: String,
    /// Where it stands, for the document (also where the subject is a batch).
    pub place: Option<String>,
    /// The one proof that stands in the place it is about, for the document.
    pub proof: Option<(String, StageKind)>,
    /// The page it links to, from the slash on.
    pub link: String,
    /// Ids of the alerts it stands for.
    pub includes: Vec<String>,
    /// What the rule needs to go on after a restart.
    pub memory: Value,
}

impl Finding {
    /// A finding as its rule makes it by default.
    #[must_use]
    pub fn new(about: &'static About, subject: Subject, began: UtcMs) -> Self {
        let link = match (&subject.batch, &subject.place, &subject.sensor) {
            (Some(batch), ..) => format!("/batches/{batch}"),
            _ => "/".to_owned(),
        };
        Self {
            about,
            place: subject.place.clone(),
            proof: subject.batch_stage(),
            subject,
            began,
            severity: about.severity,
            edition: 0,
            pushed: true,
            held_back: false,
            title: String::new(),
            text: String::new(),
            over: String::new(),
            link,
            includes: Vec::new(),
            memory: Value::Null,
        }
    }

    /// One about a batch's stage, told once a stage.
    #[must_use]
    pub fn of_stage(about: &'static About, proof: &Proof<'_>) -> Self {
        let mut finding = Self::new(about, Subject::stage(proof), proof.stage.start);
        finding.place = Some(proof.place.to_owned());
        finding
    }

    /// One about a place: where exactly one dough stands there it names it and links to it.
    #[must_use]
    pub fn of_place(about: &'static About, place: &str, began: UtcMs, world: &World) -> Self {
        let mut finding = Self::new(about, Subject::place(place), began);
        if let [only] = world.standing_in(place).as_slice() {
            finding.proof = Some(only.key());
            finding.link = format!("/batches/{}", only.batch.id);
        }
        finding
    }

    /// What it is one event of; unique.
    #[must_use]
    pub fn cause(&self) -> String {
        let s = &self.subject;
        let part = |text: &Option<String>| text.clone().unwrap_or_default();
        [
            self.about.name.to_owned(),
            part(&s.batch),
            s.stage.map(|k| k.as_str().to_owned()).unwrap_or_default(),
            part(&s.place),
            part(&s.sensor),
            part(&s.other),
            self.began.0.to_string(),
        ]
        .join("\u{1f}")
    }

    /// Its id: the same for the same cause, whoever computes it and however often.
    #[must_use]
    pub fn id(&self) -> String {
        use std::fmt::Write as _;
        let digest = Sha256::digest(self.cause().as_bytes());
        let mut hash = String::new();
        for byte in &digest[..6] {
            // Writing to a string cannot fail.
            let _ = write!(hash, "{byte:02x}");
        }
        let year = self
            .began
            .timestamp()
            .to_zoned_datetime(jiff::tz::TimeZone::UTC)
            .year();
        format!("{year}-{}-{hash}", self.about.name)
    }
}

/// What is known of an open alert when the daemon starts again.
#[derive(Clone, Debug)]
pub struct Open<'a> {
    /// What it is about.
    pub subject: &'a Subject,
    /// What made it one event.
    pub began: UtcMs,
    /// When it was raised.
    pub raised: UtcMs,
    /// Which facts were told.
    pub edition: u32,
    /// What the rule asked to be kept.
    pub memory: &'a Value,
}

/// One rule: a pure state machine over the stream.
pub trait Rule: Send + Sync {
    /// What it is.
    fn about(&self) -> &'static About;
    /// Sees one input; `world` has taken it in already.
    fn see(&mut self, world: &World, input: &Input<'_>);
    /// The conditions that hold now.
    fn findings(&self, world: &World) -> Vec<Finding>;
    /// Goes on with an alert that was open before a restart.
    fn resume(&mut self, _open: &Open<'_>) {}
    /// Whether, once the finding is gone, phones are told that it is over.
    fn tells_over(&self, _world: &World, _subject: &Subject) -> bool {
        self.about().tells_over
    }

    /// Whether one that was told and is over is told again should it come back: it was taken back.
    fn may_come_again(&self, _world: &World, _subject: &Subject) -> bool {
        false
    }
}

/// A name with a capital, as a message begins with it.
#[must_use]
pub fn capital(name: &str) -> String {
    let mut letters = name.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// Every rule, as new.
#[must_use]
pub fn all() -> Vec<Box<dyn Rule>> {
    vec![
        Box::<nearly_ready::NearlyReady>::default(),
        Box::<ready::Ready>::default(),
        Box::<over_proofing::OverProofing>::default(),
        Box::<too_hot::TooHot>::default(),
        Box::<heat_damage::HeatDamage>::default(),
        Box::<oven_on::OvenOn>::default(),
        Box::<sensor_silent::SensorSilent>::default(),
        Box::<check_the_dough::CheckTheDough>::default(),
        Box::<will_be_too_hot::WillBeTooHot>::default(),
        Box::<too_cold::TooCold>::default(),
        Box::<skinning::Skinning>::default(),
        Box::<sweating::Sweating>::default(),
        Box::<held_warm::HeldWarm>::default(),
        Box::<two_batches::TwoBatches>::default(),
        Box::<left_open::LeftOpen>::default(),
        Box::<battery_low::BatteryLow>::default(),
        Box::<sensor_fault::SensorFault>::default(),
        Box::<sensor_stuck::SensorStuck>::default(),
        Box::<sensor_drift::SensorDrift>::default(),
        Box::<too_slow_for_oven::TooSlowForOven>::default(),
        Box::<machine::BrokerUnreachable>::default(),
        Box::<machine::CopyFailing>::default(),
        Box::<machine::Disk>::default(),
        Box::<machine::NightlyCopy>::default(),
        Box::<machine::SelfTest>::default(),
    ]
}

/// Every rule's name, when it fires, when it clears, its default and why: what page and docs print.
pub static RULES: &[&About] = &[
    &nearly_ready::ABOUT,
    &ready::ABOUT,
    &over_proofing::ABOUT,
    &too_hot::ABOUT,
    &heat_damage::ABOUT,
    &oven_on::ABOUT,
    &sensor_silent::ABOUT,
    &check_the_dough::ABOUT,
    &will_be_too_hot::ABOUT,
    &too_cold::ABOUT,
    &skinning::ABOUT,
    &sweating::ABOUT,
    &held_warm::ABOUT,
    &two_batches::ABOUT,
    &left_open::ABOUT,
    &battery_low::ABOUT,
    &sensor_fault::ABOUT,
    &sensor_stuck::ABOUT,
    &sensor_drift::ABOUT,
    &too_slow_for_oven::ABOUT,
    &machine::BROKER,
    &machine::COPY,
    &machine::DISK,
    &machine::NIGHTLY,
    &machine::SELF_TEST,
];

//! Why a reading is held out of the model: its words and the numbers they are stored as.

use serde::{Deserialize, Serialize};

/// Why a reading is held out of the model (never out of the safety rules). The store keeps the
/// numbers of [`KeptOut::code`]: never renumber.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum KeptOut {
    /// Not a number or not finite.
    NotANumber,
    /// Outside what the quantity can be here.
    OutOfRange,
    /// A probe's value after power-on (85 °C) or when disconnected (-127 °C, 127.94 °C).
    ProbeFault,
    /// A lone jump that the next reading did not confirm.
    LoneJump,
    /// More than ten minutes ahead of the clock.
    Future,
    /// Delivered in a burst after a reconnect, without a time of its own: the moment is unknown.
    UnknownTime,
    /// A reason that no longer can be told.
    Other,
    /// A reason in another program's words (import); made by [`KeptOut::from_name`] only.
    Said(&'static str),
}

/// How many reasons in other programs' words are remembered by one process; more become `other`.
/// They stay in memory for good, and nobody has more than a handful.
const SAID_REASONS: usize = 256;

impl KeptOut {
    const NAMED: [Self; 7] = [
        Self::NotANumber,
        Self::OutOfRange,
        Self::ProbeFault,
        Self::LoneJump,
        Self::Future,
        Self::UnknownTime,
        Self::Other,
    ];

    /// As `kept_out` says it in the log book.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::NotANumber => "not_a_number",
            Self::OutOfRange => "out_of_range",
            Self::ProbeFault => "probe_fault",
            Self::LoneJump => "lone_jump",
            Self::Future => "future",
            Self::UnknownTime => "unknown_time",
            Self::Other => "other",
            Self::Said(reason) => reason,
        }
    }

    /// From the log book's word; an unknown one is kept as it is said.
    #[must_use]
    pub fn from_name(name: &str) -> Self {
        static SAID: std::sync::Mutex<Vec<&'static str>> = std::sync::Mutex::new(Vec::new());
        if let Some(known) = Self::NAMED.into_iter().find(|k| k.as_str() == name) {
            return known;
        }
        let mut said = SAID
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        if let Some(reason) = said.iter().find(|r| **r == name) {
            return Self::Said(reason);
        }
        if said.len() >= SAID_REASONS {
            return Self::Other;
        }
        let reason: &'static str = Box::leak(name.to_owned().into_boxed_str());
        said.push(reason);
        Self::Said(reason)
    }

    /// The number it is stored as, 1 to 7; `None` for a reason in another program's words.
    #[must_use]
    pub fn code(self) -> Option<i64> {
        Self::NAMED
            .into_iter()
            .position(|k| k == self)
            .map(|at| at as i64 + 1)
    }

    /// From the number it is stored as.
    #[must_use]
    pub fn from_code(code: i64) -> Option<Self> {
        usize::try_from(code - 1)
            .ok()
            .and_then(|at| Self::NAMED.get(at))
            .copied()
    }
}

impl Serialize for KeptOut {
    fn serialize<S: serde::Serializer>(&self, s: S) -> std::result::Result<S::Ok, S::Error> {
        s.serialize_str(self.as_str())
    }
}

impl<'de> Deserialize<'de> for KeptOut {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> std::result::Result<Self, D::Error> {
        let name = std::borrow::Cow::<'de, str>::deserialize(d)?;
        Ok(Self::from_name(&name))
    }
}

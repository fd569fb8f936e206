//! Where dough stands, and what is planned for its air.

use serde::{Deserialize, Serialize};

use super::{Extra, num};
use crate::time::UtcMs;

/// What kind of place it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PlaceKind {
    /// A room: follows the house.
    Room,
    /// A proof box: has a plateau of its own.
    Box,
    /// An oven that is off, its light on or off.
    Oven,
    /// A fridge.
    Fridge,
}

/// A place owns history; devices are assigned to it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// Its name, the key.
    pub name: String,
    /// What kind of place it is; a place without one is treated as a room.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<PlaceKind>,
    /// The place around it, towards which its air relaxes (a box in a room).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inside: Option<String>,
    /// Whether its lamp is said to be on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lamp: Option<bool>,
    /// Changes planned for its air: a heating hour, a retarder that warms at three.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub planned: Vec<PlannedChange>,
    /// How the year is cut here, and in the places inside it; without, into meteorology's quarters.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub seasons: Vec<Season>,
    /// The rest.
    #[serde(flatten)]
    pub extra: Extra,
}

/// A season of a place: from a day of each year to the next season's first.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Season {
    /// What the user calls it.
    pub name: String,
    /// Its first day, month and day: `10-15`.
    pub from: String,
    /// The rest.
    #[serde(flatten)]
    pub extra: Extra,
}

impl Season {
    /// Its first day as `(month, day)`; none if it is no day of any year.
    #[must_use]
    pub fn first_day(&self) -> Option<(i8, i8)> {
        // A leap year has all days.
        let date: jiff::civil::Date = format!("2024-{}", self.from.trim()).parse().ok()?;
        Some((date.month(), date.day()))
    }
}

/// A change planned for a place's air: `daily` or once (`time`), to `air` or by switching (`on`).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlannedChange {
    /// Every day when the clock shows this (`06:30`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub daily: Option<String>,
    /// Once, then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<UtcMs>,
    /// The zone in which `daily` is meant (an IANA name); UTC without one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// From when a daily change counts; without it, always.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<UtcMs>,
    /// The air heads for this, °C.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub air: Option<f64>,
    /// Its lamp, heating or cooling goes on or off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on: Option<bool>,
    /// The rest.
    #[serde(flatten)]
    pub extra: Extra,
}

//! `water`: the water (or milk) temperature for a wanted dough temperature, with the mixer's friction
//! factor learned from batches that noted what went into the bowl.
//!
//! A batch may carry `"mix":{"room":21,"flour":20.5,"water":18,"preferment":19,"by":"stand_mixer"}`,
//! °C; with the dough's temperature noted at the start of bulk it teaches one friction factor.

use doughwarden_dashboards::show::Show;
use doughwarden_model::dough_water::{Going, Mixing};
use doughwarden_model::planning::{WaterCaution, WaterPlan};
use serde::{Deserialize, Serialize};

use super::{Grounds, PlanError, tenth};
use crate::batches::record::{PlaceKind, StageKind};

/// What is asked.
#[derive(Clone, Debug, Default, Deserialize, clap::Args, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(default, deny_unknown_fields)]
pub struct WaterAsked {
    /// The dough wanted, °C
    #[arg(long, value_name = "DEGREES")]
    pub wanted_c: Option<f64>,
    /// The room, °C; without it, the first room's newest reading
    #[arg(long, value_name = "DEGREES")]
    pub room_c: Option<f64>,
    /// The flour, °C; without it, like the room
    #[arg(long, value_name = "DEGREES")]
    pub flour_c: Option<f64>,
    /// The pre-ferment, °C, if there is one
    #[arg(long, value_name = "DEGREES")]
    pub preferment_c: Option<f64>,
    /// Cold water from the tap, °C; 15 unless told
    #[arg(long, value_name = "DEGREES")]
    pub tap_c: Option<f64>,
    /// `hand`, `stand_mixer` (unless told) or `food_processor`
    #[arg(long, value_name = "HOW")]
    pub mixing: Option<String>,
}

/// The answer.
#[derive(Clone, Debug, Serialize)]
pub struct WaterDocument {
    /// The dough wanted, °C.
    pub wanted: f64,
    /// The water, °C.
    pub water: f64,
    /// Share of it to take as ice.
    pub ice_share: f64,
    /// Friction factor used: a difference, °C (in °F times 1.8, no 32).
    pub friction: f64,
    /// Measured doughs it was learned from.
    pub measured: usize,
    /// The dough comes within ± this, eight times in ten, °C.
    pub dough_within: f64,
    /// The room counted on, °C.
    pub room: f64,
    /// The flour counted on, °C.
    pub flour: f64,
    /// What to mind: `harms_yeast`, `take_ice`, `chill_flour`, `not_measured_yet`.
    pub cautions: Vec<&'static str>,
}

/// A dough usually wanted, °C (24 to 26 °C for wheat; several trade pages).
const USUAL_DOUGH_C: f64 = 25.0;
/// The tap unless told, °C.
const TAP_C: f64 = 15.0;

fn mixing(text: Option<&str>) -> Result<(Mixing, &'static str), PlanError> {
    match text.unwrap_or("stand_mixer") {
        "hand" => Ok((Mixing::Hand, "hand")),
        "stand_mixer" => Ok((Mixing::StandMixer, "stand_mixer")),
        "food_processor" => Ok((Mixing::FoodProcessor, "food_processor")),
        other => Err(PlanError::Bad(format!(
            "mixing: `{other}` is none of hand, stand_mixer, food_processor"
        ))),
    }
}

/// Answers.
///
/// # Errors
/// If a number cannot be.
pub fn answer(g: &Grounds<'_>, asked: &WaterAsked) -> Result<WaterDocument, PlanError> {
    let (how, word) = mixing(asked.mixing.as_deref())?;
    let room = match asked.room_c {
        Some(c) => c,
        None => room_now(g)?,
    };
    let flour = asked.flour_c.unwrap_or(room);
    let wanted = asked.wanted_c.unwrap_or(USUAL_DOUGH_C);
    let bowl = Going {
        room_c: room,
        flour_c: flour,
        preferment_c: asked.preferment_c,
    };
    let plan = WaterPlan::for_dough(
        wanted,
        bowl,
        how,
        &friction_seen(g, word),
        asked.tap_c.unwrap_or(TAP_C),
    )?;
    Ok(WaterDocument {
        wanted: tenth(wanted),
        water: tenth(plan.water_c),
        ice_share: (plan.ice_share * 100.0).round() / 100.0,
        friction: tenth(plan.friction_c),
        measured: plan.measured,
        dough_within: tenth(plan.dough_within_c),
        room: tenth(room),
        flour: tenth(flour),
        cautions: plan
            .cautions
            .iter()
            .map(|c| match c {
                WaterCaution::HarmsYeast => "harms_yeast",
                WaterCaution::TakeIce => "take_ice",
                WaterCaution::ChillFlour => "chill_flour",
                WaterCaution::NotMeasuredYet => "not_measured_yet",
            })
            .collect(),
    })
}

fn room_now(g: &Grounds<'_>) -> Result<f64, PlanError> {
    let room = g
        .place_names()
        .into_iter()
        .find(|n| g.book().kind_of(n) == PlaceKind::Room);
    match room {
        Some(name) => Ok(g.place(&name, None)?.0.course.at(g.minute(g.now))),
        None => Ok(21.0),
    }
}

/// The friction factors that batches mixed in this way reveal.
fn friction_seen(g: &Grounds<'_>, how: &str) -> Vec<f64> {
    let book = g.book();
    book.batches
        .values()
        .filter_map(|b| {
            let mix = b.extra.get("mix")?;
            let number = |name: &str| mix.get(name).and_then(serde_json::Value::as_f64);
            if mix
                .get("by")
                .and_then(serde_json::Value::as_str)
                .unwrap_or("stand_mixer")
                != how
            {
                return None;
            }
            let dough = book
                .stages
                .get(&(b.id.clone(), StageKind::Bulk))?
                .dough_temperature?;
            let room = number("room")?;
            let bowl = Going {
                room_c: room,
                flour_c: number("flour").unwrap_or(room),
                preferment_c: number("preferment"),
            };
            bowl.friction_c(number("water")?, dough).ok()
        })
        .filter(|f| (-60.0..150.0).contains(f))
        .collect()
}

impl WaterDocument {
    /// The answer in sentences.
    #[must_use]
    pub fn words(&self, show: &Show) -> Vec<String> {
        let mut out = vec![format!(
            "For a dough of {}: water at {} (room {}, flour {}). The dough should come within {} of that, eight times in ten.",
            show.temperature(self.wanted),
            show.temperature(self.water),
            show.temperature(self.room),
            show.temperature(self.flour),
            show.difference(self.dough_within).trim_start_matches('+'),
        )];
        for caution in &self.cautions {
            out.push(match *caution {
                "harms_yeast" => format!("Above {} water can harm yeast it touches: put the yeast in the flour, or warm the flour instead.", show.temperature(43.0)),
                "take_ice" => format!("Take {:.0} % of it as ice.", self.ice_share * 100.0),
                "chill_flour" => "Even ice is not cold enough: chill the flour too.".to_owned(),
                _ => "No dough mixed this way is measured yet: note what went into the bowl and the dough's temperature, and this gets closer.".to_owned(),
            });
        }
        if self.measured > 0 {
            let times = if self.measured == 1 {
                "once".to_owned()
            } else {
                format!("{} times", self.measured)
            };
            out.push(format!(
                "Your mixer's warming is measured {times}: {} in the bakers' sum.",
                show.difference(self.friction).trim_start_matches('+')
            ));
        }
        out
    }
}

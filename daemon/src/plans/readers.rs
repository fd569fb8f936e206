//! `reader-table`: proof times of a dough at other people's room temperatures, to paste into a recipe.
//!
//! Testers' four numbers stand on the dough's record, and travel with it in the log book:
//! `"testers":[{"room":21,"dough":24,"bulk_min":110,"final_min":70}]`, °C and minutes; either time may
//! be missing.

use doughwarden_model::calibration::Stage;
use doughwarden_model::planning::{
    Caution, Kitchens, ReadersRecipe, ReadersTable, Span, Tester, VARIANCE_COMPONENTS,
};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::{Grounds, PlanError, tenth};
use crate::batches::record::{Dough, PlaceKind, Record};
use crate::forecasts::prior;

/// The field of a dough's record that holds its testers.
pub const TESTERS: &str = "testers";

/// What is asked.
#[derive(Clone, Debug, Default, Deserialize, clap::Args, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(default)]
pub struct ReadersAsked {
    /// The dough's name
    #[arg(long)]
    pub dough: String,
    /// Step between rooms, °C: 1 to 5; 2 unless told
    #[arg(long, value_name = "DEGREES")]
    pub step_c: Option<f64>,
    /// The dough out of the mixer, °C; 25 unless told
    #[arg(long, value_name = "DEGREES")]
    pub dough_c: Option<f64>,
    /// Pieces, if not as last baked
    #[arg(long)]
    pub pieces: Option<u32>,
    /// A piece's mass, g, if not as last baked
    #[arg(long, value_name = "GRAMS")]
    pub piece_g: Option<f64>,
    /// A tester's four numbers, beside those on the dough's record: room °C, dough °C, bulk min, final min; several with `;` between
    #[arg(long, value_name = "21,24,110,70")]
    pub testers: Option<String>,
}

/// The dough out of the mixer unless told, °C.
const USUAL_DOUGH_C: f64 = 25.0;

/// A range of minutes.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Range {
    /// One kitchen in ten is sooner.
    pub p10: Option<f64>,
    /// Half are.
    pub p50: Option<f64>,
    /// One in ten is later.
    pub p90: Option<f64>,
}

impl From<Span> for Range {
    fn from(s: Span) -> Self {
        let whole = |m: Option<f64>| m.map(f64::round);
        Self {
            p10: whole(s.low_min),
            p50: whole(s.middle_min),
            p90: whole(s.high_min),
        }
    }
}

/// One line of the table.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Row {
    /// The room, °C.
    pub room: f64,
    /// Bulk, minutes, not rounded as recipes round.
    pub bulk_min: Range,
    /// Final proof, minutes.
    pub final_min: Range,
    /// Above the dough's ceiling.
    pub too_warm: bool,
}

/// Where the spread between kitchens comes from.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Component {
    /// The cause.
    pub cause: &'static str,
    /// Its standard deviation in the logarithm of the time (own proposal).
    pub ln_sd: f64,
}

/// The answer.
#[derive(Clone, Debug, Serialize)]
pub struct ReadersDocument {
    /// The dough.
    pub dough: String,
    /// Its mass, g.
    pub dough_g: f64,
    /// Pieces.
    pub pieces: Option<u32>,
    /// Out of the mixer, °C.
    pub dough_temperature: f64,
    /// Bakes in this kitchen.
    pub bakes: usize,
    /// Testers in others.
    pub testers: usize,
    /// Spread counted for other kitchens, in the logarithm of the time.
    pub kitchens_ln_sd: f64,
    /// Other kitchens' usual time over this one's, in the logarithm.
    pub kitchens_ln_shift: f64,
    /// What that spread was before testers.
    pub components: Vec<Component>,
    /// The lines.
    pub rows: Vec<Row>,
    /// The table as plain text.
    pub text: String,
    /// As CSV (RFC 4180).
    pub csv: String,
    /// As HTML without styles.
    pub html: String,
}

/// Reads testers' numbers as typed: `21,24,110,70; 23,25,,60`.
///
/// # Errors
/// If they are not four numbers each; either time may be empty.
pub fn testers_typed(text: &str) -> Result<Vec<Tester>, PlanError> {
    text.split(';')
        .map(str::trim)
        .filter(|t| !t.is_empty())
        .map(|t| {
            let bad = || PlanError::Bad(format!("testers: `{t}` is not four numbers: room °C, dough °C, bulk min, final min (a time may be left empty)"));
            let parts: Vec<&str> = t.split(',').map(str::trim).collect();
            let [room, dough, bulk, last] = parts[..] else { return Err(bad()) };
            let number = |s: &str| s.parse::<f64>().ok().filter(|v| v.is_finite()).ok_or_else(bad);
            let maybe = |s: &str| if s.is_empty() { Ok(None) } else { number(s).map(Some) };
            Ok(Tester { room_c: number(room)?, dough_c: number(dough)?, bulk_min: maybe(bulk)?, final_min: maybe(last)? })
        })
        .collect()
}

/// The testers on a dough's record.
#[must_use]
pub fn testers_of(dough: &Dough) -> Vec<Tester> {
    let list = dough.extra.get(TESTERS).and_then(Value::as_array);
    list.into_iter()
        .flatten()
        .filter_map(|t| {
            let number = |name: &str| t.get(name).and_then(Value::as_f64);
            Some(Tester {
                room_c: number("room")?,
                dough_c: number("dough")?,
                bulk_min: number("bulk_min"),
                final_min: number("final_min"),
            })
        })
        .collect()
}

/// The dough's record with more testers on it, as a log-book line.
///
/// # Errors
/// If it cannot be written as JSON.
pub fn with_testers(g: &Grounds<'_>, dough: &str, more: &[Tester]) -> Result<String, PlanError> {
    let mut record = g.recipe(dough, |_| {})?.record;
    let mut list = match record.extra.remove(TESTERS) {
        Some(Value::Array(list)) => list,
        _ => Vec::new(),
    };
    list.extend(more.iter().map(|t| {
        let mut one = serde_json::Map::new();
        let fields = [
            ("room", Some(t.room_c)),
            ("dough", Some(t.dough_c)),
            ("bulk_min", t.bulk_min),
            ("final_min", t.final_min),
        ];
        for (name, value) in fields {
            if let Some(v) = value {
                one.insert(name.to_owned(), serde_json::json!(v));
            }
        }
        Value::Object(one)
    }));
    record.extra.insert(TESTERS.to_owned(), Value::Array(list));
    serde_json::to_string(&Record::Dough(record))
        .map_err(|e| PlanError::Bad(format!("the dough could not be written: {e}")))
}

/// Answers.
///
/// # Errors
/// If the dough is not known, or a number cannot be.
pub fn answer(g: &Grounds<'_>, asked: &ReadersAsked) -> Result<ReadersDocument, PlanError> {
    let recipe = g.recipe(&asked.dough, |batch| {
        batch.pieces = asked.pieces.or(batch.pieces);
        batch.piece_mass_g = asked.piece_g.or(batch.piece_mass_g);
    })?;
    let pieces = recipe.batch.pieces.filter(|p| *p > 0);
    let by_pieces = pieces
        .zip(recipe.batch.piece_mass_g)
        .map(|(n, g)| f64::from(n) * g);
    let dough_g = by_pieces
        .or(recipe
            .formula
            .as_ref()
            .map(doughwarden_model::formula::Formula::total_g))
        .unwrap_or(900.0);
    let mut cautions: Vec<Caution> = recipe
        .record
        .caution
        .iter()
        .filter_map(|c| match c.as_str() {
            "egg" => Some(Caution::Egg),
            "milk" => Some(Caution::Milk),
            _ => None,
        })
        .collect();
    if g.book()
        .places
        .values()
        .any(|p| p.kind == Some(PlaceKind::Oven))
    {
        cautions.push(Caution::OvenLight);
    }
    let rise = |kind| prior::usual(g.book(), &recipe.dough, kind).and_then(|u| u.target_rise);
    let for_readers = ReadersRecipe {
        name: recipe.dough.clone(),
        dough_g,
        pieces,
        dough_c: asked.dough_c.unwrap_or(USUAL_DOUGH_C),
        law: recipe.law,
        bulk: recipe.bulk,
        final_proof: recipe.final_proof,
        bulk_tau_min: recipe.bulk_tau_min,
        piece_tau_min: recipe.piece_tau_min,
        shaping_min: 20.0,
        bulk_rise: rise(crate::batches::record::StageKind::Bulk),
        final_rise: rise(crate::batches::record::StageKind::Final),
        ceiling_c: recipe.record.ceiling,
        cautions,
        bakes: g.learned.calibration.count(&recipe.dough, Stage::Bulk) as usize,
    };
    let mut testers = testers_of(&recipe.record);
    testers.extend(testers_typed(asked.testers.as_deref().unwrap_or_default())?);
    let kitchens = Kitchens::after(&for_readers, &testers)?;
    let table = ReadersTable::new(&for_readers, kitchens, asked.step_c.unwrap_or(2.0))?;
    let thousandth = |v: f64| (v * 1000.0).round() / 1000.0;
    Ok(ReadersDocument {
        dough: recipe.dough.clone(),
        dough_g: dough_g.round(),
        pieces,
        dough_temperature: tenth(for_readers.dough_c),
        bakes: for_readers.bakes,
        testers: kitchens.testers,
        kitchens_ln_sd: thousandth(kitchens.sd),
        kitchens_ln_shift: thousandth(kitchens.ln_shift),
        components: VARIANCE_COMPONENTS
            .iter()
            .map(|c| Component {
                cause: c.cause,
                ln_sd: c.ln_sd,
            })
            .collect(),
        rows: table
            .rows
            .iter()
            .map(|r| Row {
                room: r.room_c,
                bulk_min: r.bulk.into(),
                final_min: r.final_proof.into(),
                too_warm: r.too_warm,
            })
            .collect(),
        text: table.text(),
        csv: table.csv(),
        html: table.html(),
    })
}

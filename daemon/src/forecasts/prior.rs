//! What a recipe says before anything is seen: its formula, its usual yeast and times, the age to
//! expect, and how far its pieces lag behind their air.

use doughwarden_model::cardinal::RateLaw;
use doughwarden_model::composition::Composition;
use doughwarden_model::formula::{Formula, Ingredient as Part};
use doughwarden_model::heat::{Piece, STILL_AIR_FILM, Shape, shape_of_vessel};

use super::air::UNKNOWN_AIR_C;
use crate::batches::book::Book;
use crate::batches::record::{Batch, Ingredient, StageKind, Usual};
use crate::time::UtcMs;

/// Mass taken where none is written, kg.
const UNKNOWN_MASS_KG: (f64, f64) = (0.9, 0.09);
/// The share of a formula's effect on pace that its usual time still shows.
const FORMULA_SHARE: f64 = 0.15;
/// The lag of a shaped piece beside a ball's of its mass where no vessel is named: it lies flat on a
/// tray that carries heat, and has no lid (own choice, from the surface of a flattened ball; within the
/// spread that a kitchen's own readings then narrow).
const FLAT_ON_A_TRAY: f64 = 0.7;
/// What the contract's example dough takes at 24 °C, minutes (common practice, no published source).
const EXAMPLE_MIN: (f64, f64) = (90.0, 60.0);

fn formula_of(list: Option<&Vec<Ingredient>>) -> Option<Formula> {
    let parts: Vec<Part> = list?
        .iter()
        .map(|i| Part {
            name: i.ingredient.clone(),
            mass_g: i.mass_g,
            kind: i
                .kind
                .as_ref()
                .and_then(|k| serde_json::from_value(serde_json::Value::String(k.clone())).ok()),
        })
        .collect();
    Formula::new(&parts).ok()
}

/// What a batch was mixed with: its own formula, else its dough's.
#[must_use]
pub fn batch_formula(book: &Book, batch: &Batch) -> Option<Formula> {
    formula_of(batch.formula.as_ref())
        .or_else(|| formula_of(book.doughs.get(&batch.dough)?.formula.as_ref()))
}

/// A dough's usual yeast share (fresh equivalents per 100 flour): its recipe's, else the median of
/// its batches begun by a moment.
#[must_use]
pub fn usual_yeast(book: &Book, dough: &str, at: UtcMs) -> Option<f64> {
    if let Some(stated) = book
        .doughs
        .get(dough)
        .and_then(|d| formula_of(d.formula.as_ref()))
        .and_then(|f| f.yeast_percent_fresh())
    {
        return Some(stated);
    }
    let mut doses: Vec<f64> = book
        .batches
        .values()
        .filter(|b| b.dough == dough)
        .filter(|b| {
            [StageKind::Bulk, StageKind::Final]
                .into_iter()
                .any(|k| book.stage(&b.id, k).is_some_and(|s| s.start <= at))
        })
        .filter_map(|b| formula_of(b.formula.as_ref())?.yeast_percent_fresh())
        .collect();
    doses.sort_by(f64::total_cmp);
    (!doses.is_empty()).then(|| {
        let n = doses.len();
        0.5 * (doses[(n - 1) / 2] + doses[n / 2])
    })
}

fn example() -> Option<Formula> {
    Formula::of(&[
        ("wheat flour", 440.0),
        ("milk", 205.0),
        ("egg yolk", 36.0),
        ("butter", 95.0),
        ("sugar", 75.0),
        ("salt", 7.5),
        ("instant yeast", 5.0),
    ])
    .ok()
}

/// What the recipe says of a stage, if it gives a time.
#[must_use]
pub fn usual(book: &Book, dough: &str, kind: StageKind) -> Option<Usual> {
    let d = book.doughs.get(dough)?;
    match kind {
        StageKind::Bulk => d.bulk,
        StageKind::Final => d.final_,
    }
}

/// ln of the expected age, its spread, and whether the recipe's own time stands behind it.
#[must_use]
pub fn prior_age(
    book: &Book,
    batch: &Batch,
    kind: StageKind,
    formula: Option<&Formula>,
) -> (f64, f64, bool) {
    let law = RateLaw::default();
    if let Some(u) = usual(book, &batch.dough, kind)
        && let Some(minutes) = u.usual_min.filter(|m| m.is_finite() && *m >= 1.0)
    {
        let at =
            u.at.filter(|t| (2.0..=45.0).contains(t))
                .unwrap_or(UNKNOWN_AIR_C);
        return ((minutes * law.rate(at).max(1e-3)).ln(), 0.20, true);
    }
    let minutes = if kind == StageKind::Bulk {
        EXAMPLE_MIN.0
    } else {
        EXAMPLE_MIN.1
    };
    let mut ln = (minutes * law.rate(UNKNOWN_AIR_C)).ln();
    if let (Some(own), Some(example)) = (formula, example()) {
        // Sweet doughs go slower and are given more yeast and warmth for it: recipes settle near a
        // usual time, so only a small part of either counts until bakes say more (own choice).
        ln -= FORMULA_SHARE * (own.log_rate_prior() - example.log_rate_prior());
        if let Some(dose) = own.ln_dose_ratio(&example) {
            ln -= FORMULA_SHARE * dose.clamp(-2.0, 2.0);
        }
    }
    (ln, 0.3, false)
}

/// The lag of a piece behind its air, minutes.
#[must_use]
pub fn lag_min(batch: &Batch, kind: StageKind, formula: Option<&Formula>) -> f64 {
    let total = formula.map(|f| f.total_g() / 1000.0);
    let pieces = batch.pieces.filter(|p| *p > 0).map(f64::from);
    let piece = batch.piece_mass_g.filter(|m| *m > 0.0).map(|g| g / 1000.0);
    let mass = match kind {
        StageKind::Bulk => total.or(match (pieces, piece) {
            (Some(n), Some(m)) => Some(n * m),
            _ => None,
        }),
        StageKind::Final => piece.or(match (total, pieces) {
            (Some(t), Some(n)) => Some(t / n),
            _ => None,
        }),
    };
    let unknown = if kind == StageKind::Bulk {
        UNKNOWN_MASS_KG.0
    } else {
        UNKNOWN_MASS_KG.1
    };
    let mass = mass.unwrap_or(unknown).clamp(0.01, 60.0);
    let shape = match kind {
        StageKind::Bulk => Shape::Sphere,
        StageKind::Final => batch
            .vessel
            .as_deref()
            .map_or(Shape::Sphere, shape_of_vessel),
    };
    let composition = formula.map_or_else(Composition::lean_dough, Formula::composition);
    let flat = if kind == StageKind::Final && batch.vessel.is_none() {
        FLAT_ON_A_TRAY
    } else {
        1.0
    };
    Piece::of_mass(mass, shape, &composition, STILL_AIR_FILM)
        .map_or(60.0, |p| flat * p.time_constant_s() / 60.0)
        .clamp(2.0, 1000.0)
}

//! What ingredients are, by their names, and what a gram of each brings.

use super::Kind;
use crate::composition::Masses;
use crate::solution::Dissolved;

/// Fresh yeast that 1 g of active dry stands for.
pub const FRESH_PER_DRY: f64 = 1.0 / 0.40;

/// Fresh yeast that 1 g of instant stands for.
pub const FRESH_PER_INSTANT: f64 = 1.0 / 0.33;

/// The kind an ingredient's name suggests.
///
/// ```
/// use doughwarden_model::formula::{Kind, guess_kind};
/// assert_eq!(guess_kind("strong white flour"), Kind::Flour);
/// assert_eq!(guess_kind("Unsalted butter"), Kind::Fat);
/// assert_eq!(guess_kind("buttermilk"), Kind::Milk);
/// assert_eq!(guess_kind("instant dry yeast"), Kind::YeastInstant);
/// assert_eq!(guess_kind("ground cardamom"), Kind::Other);
/// ```
pub fn guess_kind(name: &str) -> Kind {
    let name = name.to_lowercase();
    let words: Vec<&str> = name
        .split(|c: char| !c.is_alphanumeric())
        .filter(|w| !w.is_empty())
        .collect();
    let part = |list: &[&str]| list.iter().any(|w| name.contains(w));
    let word = |list: &[&str]| words.iter().any(|w| list.contains(w));
    if part(&["yeast"]) {
        return if part(&["instant", "rapid", "quick", "fast", "easy"]) {
            Kind::YeastInstant
        } else if part(&["fresh", "cake", "compressed", "block"]) {
            Kind::YeastFresh
        } else if word(&["active", "dry", "dried"]) {
            Kind::YeastDry
        } else {
            Kind::YeastInstant
        };
    }
    if part(&["chocolate", "cocoa", "tartar"]) {
        return Kind::Other; // before "milk", "white" and "cream" mislead
    }
    if part(&["flour", "semolina"]) {
        Kind::Flour
    } else if part(&[
        "poolish",
        "biga",
        "sponge",
        "levain",
        "sourdough",
        "preferment",
        "pre-ferment",
        "fermentée",
        "old dough",
    ]) || word(&["starter"])
    {
        Kind::Preferment
    } else if part(&[
        "milk", "cream", "yoghurt", "yogurt", "kefir", "quark", "whey",
    ]) {
        Kind::Milk
    } else if part(&[
        "butter",
        "lard",
        "margarine",
        "shortening",
        "ghee",
        "tallow",
    ]) || word(&["oil", "fat", "suet"])
    {
        Kind::Fat
    } else if word(&["egg", "eggs", "yolk", "yolks", "whites"]) {
        Kind::Egg
    } else if part(&[
        "sugar", "honey", "syrup", "molasses", "treacle", "glucose", "dextrose", "fructose",
        "jaggery",
    ]) || word(&["malt"])
    {
        Kind::Sugar
    } else if word(&["salt"]) {
        Kind::Salt
    } else if part(&["water"]) || word(&["coffee", "tea", "juice", "beer", "ale", "ice"]) {
        Kind::Water
    } else if word(&[
        "wheat", "rye", "spelt", "bran", "starch", "meal", "cornmeal", "oatmeal", "gluten",
    ]) {
        Kind::Flour
    } else {
        Kind::Other
    }
}

/// What one gram of an ingredient brings.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Profile {
    pub(super) masses: Masses,
    pub(super) flour: f64,
    pub(super) dissolved: Dissolved,
    pub(super) fresh_yeast: f64,
}

pub(super) fn profile(kind: Kind, name: &str) -> Profile {
    let name = name.to_lowercase();
    let has = |list: &[&str]| list.iter().any(|w| name.contains(w));
    let masses = |water, protein, fat, carbohydrate, fibre, ash| Masses {
        water,
        protein,
        fat,
        carbohydrate,
        fibre,
        ash,
    };
    let liquid = |water_g, sucrose_g, hexose_g, lactose_g, salt_g| Dissolved {
        water_g,
        salt_g,
        sucrose_g,
        hexose_g,
        lactose_g,
    };
    let flour = masses(0.135, 0.11, 0.012, 0.711, 0.027, 0.005);
    let none = Profile::default();
    match kind {
        Kind::Flour => Profile {
            masses: flour,
            flour: 1.0,
            dissolved: liquid(0.0, 0.0, 0.015, 0.0, 0.0),
            ..none
        },
        Kind::Water => Profile {
            masses: masses(1.0, 0.0, 0.0, 0.0, 0.0, 0.0),
            dissolved: liquid(1.0, 0.0, 0.0, 0.0, 0.0),
            ..none
        },
        Kind::Milk if has(&["powder", "dried", "dry"]) => Profile {
            masses: masses(0.035, 0.36, 0.01, 0.52, 0.0, 0.075),
            dissolved: liquid(0.035, 0.0, 0.0, 0.52, 0.0),
            ..none
        },
        Kind::Milk if has(&["condensed"]) => Profile {
            masses: masses(0.27, 0.08, 0.087, 0.545, 0.0, 0.018),
            dissolved: liquid(0.27, 0.44, 0.0, 0.105, 0.0),
            ..none
        },
        Kind::Milk if has(&["cream"]) => Profile {
            masses: masses(0.60, 0.02, 0.35, 0.025, 0.0, 0.005),
            dissolved: liquid(0.60, 0.0, 0.0, 0.025, 0.0),
            ..none
        },
        Kind::Milk => Profile {
            masses: masses(0.88, 0.032, 0.035, 0.046, 0.0, 0.007),
            dissolved: liquid(0.88, 0.0, 0.0, 0.046, 0.0),
            ..none
        },
        Kind::Egg if has(&["yolk"]) => Profile {
            masses: masses(0.50, 0.16, 0.31, 0.02, 0.0, 0.01),
            dissolved: liquid(0.50, 0.0, 0.0, 0.0, 0.0),
            ..none
        },
        Kind::Egg if has(&["white"]) => Profile {
            masses: masses(0.88, 0.11, 0.0, 0.005, 0.0, 0.005),
            dissolved: liquid(0.88, 0.0, 0.0, 0.0, 0.0),
            ..none
        },
        Kind::Egg => Profile {
            masses: masses(0.76, 0.126, 0.10, 0.007, 0.0, 0.007),
            dissolved: liquid(0.76, 0.0, 0.0, 0.0, 0.0),
            ..none
        },
        Kind::Fat if has(&["butter", "margarine"]) => {
            let salt = if has(&["salted"]) && !has(&["unsalted"]) {
                0.015
            } else {
                0.0
            };
            Profile {
                masses: masses(0.16, 0.01, 0.82 - salt, 0.005, 0.0, 0.005 + salt),
                dissolved: liquid(0.16, 0.0, 0.0, 0.0, salt),
                ..none
            }
        }
        Kind::Fat => Profile {
            masses: masses(0.0, 0.0, 1.0, 0.0, 0.0, 0.0),
            ..none
        },
        Kind::Sugar if has(&["honey"]) => Profile {
            masses: masses(0.18, 0.0, 0.0, 0.82, 0.0, 0.0),
            dissolved: liquid(0.18, 0.02, 0.78, 0.0, 0.0),
            ..none
        },
        Kind::Sugar if has(&["syrup", "molasses", "treacle"]) => Profile {
            masses: masses(0.22, 0.0, 0.0, 0.76, 0.0, 0.02),
            dissolved: liquid(0.22, 0.35, 0.35, 0.0, 0.0),
            ..none
        },
        Kind::Sugar if has(&["glucose", "dextrose", "fructose"]) => Profile {
            masses: masses(0.0, 0.0, 0.0, 1.0, 0.0, 0.0),
            dissolved: liquid(0.0, 0.0, 1.0, 0.0, 0.0),
            ..none
        },
        Kind::Sugar => Profile {
            masses: masses(0.0, 0.0, 0.0, 1.0, 0.0, 0.0),
            dissolved: liquid(0.0, 1.0, 0.0, 0.0, 0.0),
            ..none
        },
        Kind::Salt => Profile {
            masses: masses(0.0, 0.0, 0.0, 0.0, 0.0, 1.0),
            dissolved: liquid(0.0, 0.0, 0.0, 0.0, 1.0),
            ..none
        },
        Kind::YeastFresh => Profile {
            masses: masses(0.70, 0.135, 0.02, 0.12, 0.0, 0.025),
            dissolved: liquid(0.70, 0.0, 0.0, 0.0, 0.0),
            fresh_yeast: 1.0,
            ..none
        },
        Kind::YeastDry => Profile {
            masses: masses(0.08, 0.44, 0.06, 0.36, 0.0, 0.06),
            fresh_yeast: FRESH_PER_DRY,
            ..none
        },
        Kind::YeastInstant => Profile {
            masses: masses(0.05, 0.45, 0.06, 0.38, 0.0, 0.06),
            fresh_yeast: FRESH_PER_INSTANT,
            ..none
        },
        Kind::Preferment => {
            // Common practice, no published source: poolish, sponge and liquid starters are half
            // flour; stiff ones carry 60 g of water to 100 g of flour.
            let share = if has(&["biga", "stiff", "fermentée", "old dough"]) {
                1.0 / 1.6
            } else {
                0.5
            };
            let water = 1.0 - share;
            Profile {
                masses: Masses {
                    water,
                    ..Masses::default()
                }
                .plus(share, &flour),
                flour: share,
                dissolved: liquid(water, 0.0, 0.015 * share, 0.0, 0.0),
                ..none
            }
        }
        Kind::Other => Profile {
            masses: masses(0.12, 0.05, 0.08, 0.70, 0.04, 0.01),
            ..none
        },
    }
}

/// `mass_g` of one yeast as the mass of another that does the same work; none where either is not a
/// yeast.
///
/// Through fresh: fresh : active dry : instant = 1 : 0.40 : 0.33 (a professional cookbook's page and others).
/// The trade's factors do not agree among themselves; good to 10 %.
///
/// ```
/// use doughwarden_model::formula::{Kind, yeast_equivalent_g};
/// let instant = yeast_equivalent_g(30.0, Kind::YeastFresh, Kind::YeastInstant).unwrap();
/// assert!((instant - 9.9).abs() < 1e-9);
/// ```
pub fn yeast_equivalent_g(mass_g: f64, from: Kind, to: Kind) -> Option<f64> {
    let fresh = |kind| match kind {
        Kind::YeastFresh => Some(1.0),
        Kind::YeastDry => Some(FRESH_PER_DRY),
        Kind::YeastInstant => Some(FRESH_PER_INSTANT),
        _ => None,
    };
    Some(mass_g * fresh(from)? / fresh(to)?)
}

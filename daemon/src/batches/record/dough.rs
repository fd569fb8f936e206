//! A dough as its recipe describes it.

use serde::{Deserialize, Serialize};

use super::{Extra, num};

/// What a recipe says of one stage.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Usual {
    /// The recipe's usual time, minutes.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub usual_min: Option<f64>,
    /// The temperature at which it holds, °C.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub at: Option<f64>,
    /// The rise at which it is ready (0.8 = grown by 80 %).
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub target_rise: Option<f64>,
}

/// How long before ready the baker wants to know, minutes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LeadMin {
    /// Before bulk is ready: bench and filling.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
    pub bulk: Option<f64>,
    /// Before final is ready: preheat and egg wash.
    #[serde(
        default,
        rename = "final",
        skip_serializing_if = "Option::is_none",
        with = "num::option"
    )]
    pub final_: Option<f64>,
}

/// A dough as its recipe describes it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(from = "nested::Shape", into = "nested::Shape")]
pub struct Dough {
    /// Its name, the key.
    pub name: String,
    /// What the recipe says of the bulk proof.
    pub bulk: Option<Usual>,
    /// What the recipe says of the final proof.
    pub final_: Option<Usual>,
    /// Top proofing temperature, °C.
    pub ceiling: Option<f64>,
    /// When to tell that it is nearly ready.
    pub lead_min: Option<LeadMin>,
    /// What to be careful of: `egg`, `milk`, ….
    pub caution: Vec<String>,
    /// Its formula; a batch without one takes a copy at its first stage.
    pub formula: Option<Vec<Ingredient>>,
    /// The rest; what is not known inside `bulk`, `final` and `lead_min` stands here under its JSON
    /// Pointer (`/bulk/folds`).
    pub extra: Extra,
}

/// A dough as it is written: unknown fields stand where they came from.
mod nested {
    use serde::{Deserialize, Serialize};

    use super::{Dough, Extra, Ingredient, LeadMin, Usual, num};

    #[derive(Serialize, Deserialize)]
    struct With<T> {
        #[serde(flatten)]
        known: T,
        #[serde(flatten)]
        extra: Extra,
    }

    #[derive(Serialize, Deserialize)]
    pub(super) struct Shape {
        name: String,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        bulk: Option<With<Usual>>,
        #[serde(default, rename = "final", skip_serializing_if = "Option::is_none")]
        final_: Option<With<Usual>>,
        #[serde(default, skip_serializing_if = "Option::is_none", with = "num::option")]
        ceiling: Option<f64>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lead_min: Option<With<LeadMin>>,
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        caution: Vec<String>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        formula: Option<Vec<Ingredient>>,
        #[serde(flatten)]
        extra: Extra,
    }

    fn fold<T>(inner: Option<With<T>>, at: &str, extra: &mut Extra) -> Option<T> {
        inner.map(|inner| {
            for (name, value) in inner.extra {
                extra.insert(format!("/{at}/{name}"), value);
            }
            inner.known
        })
    }

    fn unfold<T>(known: Option<T>, at: &str, extra: &mut Extra) -> Option<With<T>> {
        let prefix = format!("/{at}/");
        let names: Vec<String> = extra
            .keys()
            .filter(|name| name.starts_with(&prefix))
            .cloned()
            .collect();
        let inside = names
            .into_iter()
            .filter_map(|name| {
                let value = extra.shift_remove(&name)?;
                Some((name[prefix.len()..].to_owned(), value))
            })
            .collect();
        known.map(|known| With {
            known,
            extra: inside,
        })
    }

    impl From<Shape> for Dough {
        fn from(shape: Shape) -> Self {
            let mut extra = shape.extra;
            Self {
                name: shape.name,
                bulk: fold(shape.bulk, "bulk", &mut extra),
                final_: fold(shape.final_, "final", &mut extra),
                ceiling: shape.ceiling,
                lead_min: fold(shape.lead_min, "lead_min", &mut extra),
                caution: shape.caution,
                formula: shape.formula,
                extra,
            }
        }
    }

    impl From<Dough> for Shape {
        fn from(dough: Dough) -> Self {
            let mut extra = dough.extra;
            Self {
                name: dough.name,
                bulk: unfold(dough.bulk, "bulk", &mut extra),
                final_: unfold(dough.final_, "final", &mut extra),
                ceiling: dough.ceiling,
                lead_min: unfold(dough.lead_min, "lead_min", &mut extra),
                caution: dough.caution,
                formula: dough.formula,
                extra,
            }
        }
    }
}

/// One line of a formula.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Ingredient {
    /// Its name as written.
    pub ingredient: String,
    /// Its mass, grams.
    #[serde(with = "num")]
    pub mass_g: f64,
    /// Its kind (`flour`, `water`, …); guessed from the name where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
    /// The rest.
    #[serde(flatten)]
    pub extra: Extra,
}

//! Cautions, shown where the work can hurt someone. They are the usual kitchen and electrical
//! ones, and they defer to the food and safety rules of where the baker works.

use maud::{Markup, html};

/// What a caution is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Caution {
    /// An oven that holds dough must not be switched on.
    Oven,
    /// The oven's lamp or another lamp as a heater.
    Lamp,
    /// A pan of boiling water for warmth and steam.
    BoilingWater,
    /// Egg held warm.
    Egg,
    /// Milk or cream held warm.
    Milk,
    /// Raw dough and flour.
    RawDough,
    /// What this program is not.
    NotASafetyDevice,
}

impl Caution {
    /// From the word a dough carries in its `caution` list.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        match word {
            "egg" => Some(Self::Egg),
            "milk" => Some(Self::Milk),
            _ => None,
        }
    }

    fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::Oven => (
                "The oven stays off while dough is in it.",
                "Take dough, cloth, plastic and the sensor out before you preheat. A battery in a hot oven can burst. Put a note on the switch.",
            ),
            Self::Lamp => (
                "A lamp is a heater.",
                "Never fit a stronger bulb than the oven is rated for, and keep its glass on. Keep cloth and plastic away from it. Mains and damp do not mix: leave the wiring to someone who is allowed to do it.",
            ),
            Self::BoilingWater => (
                "A pan of boiling water scalds.",
                "Set it down before the dough goes in, low and level, out of children's reach, and let the steam out away from your face. Steam also wets sensors.",
            ),
            Self::Egg => (
                "This dough holds raw egg.",
                "Warmth that suits yeast suits germs too. Keep the proof no longer than it needs, use fresh or pasteurised egg, and follow your local food rules on how long it may stand warm.",
            ),
            Self::Milk => (
                "This dough or its filling holds milk or cream.",
                "Long hours in the warm are for the fridge instead. Follow your local food rules on how long it may stand warm.",
            ),
            Self::RawDough => (
                "Raw flour and raw dough are not for tasting.",
                "Wash hands, boards and the phone after the dent test; bake it through.",
            ),
            Self::NotASafetyDevice => (
                "This is a kitchen helper, not a smoke alarm and not a safety switch.",
                "It watches and tells; it turns nothing off, and a message can come late or not at all. Keep a smoke alarm, and look at the oven yourself.",
            ),
        }
    }
}

/// A list of cautions, each once.
#[must_use]
pub fn list(cautions: &[Caution]) -> Markup {
    let mut all = cautions.to_vec();
    all.sort_unstable();
    all.dedup();
    html! {
        @if !all.is_empty() {
            aside.cautions aria-label="Take care" {
                @for caution in all {
                    @let (lead, rest) = caution.words();
                    details.caution { summary { (lead) } p { (rest) } }
                }
            }
        }
    }
}

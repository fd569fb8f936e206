//! One kitchen: its doughs, its room, its lamp-lit box, its habits, and how its air moves.

use crate::books::noise;
use crate::chance::Chance;
use crate::laws::{self, Law, Recipe};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// What is true of one kitchen.
#[derive(Clone, Debug)]
pub struct Kitchen {
    /// Its doughs.
    pub recipes: Vec<Recipe>,
    /// Yearly mean of the room, °C.
    pub room_c: f64,
    /// Half the difference between summer and winter, K.
    pub season_k: f64,
    /// What the lamp adds to the box, K.
    pub lamp_k: f64,
    /// The box's time constant, min.
    pub box_min: f64,
    /// What its sensors read too high, K.
    pub sensor_k: f64,
    /// Dough temperature the baker mixes to, °C.
    pub mix_c: f64,
    /// The recipes' stated minutes; absent when the baker never wrote them down.
    pub stated: Option<Vec<[f64; 2]>>,
}

/// A formula of our own, g per 100 g flour; see [`FORMULAS`].
pub struct Formula {
    /// Its name in the log book.
    pub name: &'static str,
    /// Ingredient, g per 100 g flour, yeast apart.
    pub parts: &'static [(&'static str, f64)],
    /// Sugars, those of milk included.
    pub sugar_pct: f64,
    /// Water, that of milk, egg and butter included.
    pub water_pct: f64,
    /// Instant yeast.
    pub yeast_pct: f64,
    /// Rise at which bulk and final are usually called ready.
    pub target: [f64; 2],
    /// Number of pieces and the mass of one, g.
    pub pieces: (u32, f64),
    /// Usual minutes of bulk and final at 24 °C.
    pub usual_min: [f64; 2],
}

/// Invented formulas; sugars and waters include what milk, egg, butter and flour bring.
pub const FORMULAS: [Formula; 4] = [
    Formula {
        name: "saffron plait",
        parts: &[
            ("wheat flour", 100.0),
            ("milk", 46.0),
            ("egg", 12.0),
            ("butter", 18.0),
            ("sugar", 15.0),
            ("salt", 1.6),
        ],
        sugar_pct: 17.0,
        water_pct: 52.0,
        yeast_pct: 1.3,
        target: [0.85, 0.6],
        pieces: (2, 420.0),
        usual_min: [100.0, 65.0],
    },
    Formula {
        name: "cottage tin loaf",
        parts: &[("wheat flour", 100.0), ("water", 64.0), ("salt", 2.0)],
        sugar_pct: 2.0,
        water_pct: 64.0,
        yeast_pct: 0.8,
        target: [1.0, 0.8],
        pieces: (2, 480.0),
        usual_min: [85.0, 55.0],
    },
    Formula {
        name: "orange buns",
        parts: &[
            ("wheat flour", 100.0),
            ("milk", 52.0),
            ("egg", 8.0),
            ("butter", 12.0),
            ("sugar", 11.0),
            ("salt", 1.7),
        ],
        sugar_pct: 13.0,
        water_pct: 54.0,
        yeast_pct: 1.1,
        target: [0.9, 0.65],
        pieces: (14, 65.0),
        usual_min: [92.0, 55.0],
    },
    Formula {
        name: "milk rolls",
        parts: &[
            ("wheat flour", 100.0),
            ("milk", 66.0),
            ("butter", 8.0),
            ("sugar", 5.0),
            ("salt", 1.8),
        ],
        sugar_pct: 7.0,
        water_pct: 60.0,
        yeast_pct: 1.0,
        target: [0.95, 0.75],
        pieces: (12, 70.0),
        usual_min: [88.0, 58.0],
    },
];

impl Kitchen {
    /// Draws a kitchen; every second one has its recipes' times written down.
    pub fn draw(law: &dyn Law, number: u64, rng: &mut ChaCha8Rng) -> Self {
        let first = rng.random_range(0..FORMULAS.len());
        let second = (first + rng.random_range(1..FORMULAS.len())) % FORMULAS.len();
        let mut recipes = Vec::new();
        let mut stated = Vec::new();
        for f in [first, second].map(|i| &FORMULAS[i]) {
            let mut recipe = Recipe {
                name: f.name.into(),
                sugar_pct: f.sugar_pct,
                water_pct: f.water_pct,
                dose_pct: f.yeast_pct * (0.15 * rng.normal()).exp(),
                speed: 1.0,
                target: f.target.map(|t| t * (0.1 * rng.normal()).exp()),
                mass_kg: [0.9, f.pieces.1 / 1000.0],
            };
            let minutes = f.usual_min.map(|m| m * (0.2 * rng.normal()).exp());
            laws::tune(law, &mut recipe, minutes[0], minutes[1]);
            // What the recipe says is right to a fifth, and round.
            stated.push(minutes.map(|m| 5.0 * (m * (0.18 * rng.normal()).exp() / 5.0).round()));
            recipes.push(recipe);
        }
        Self {
            recipes,
            room_c: 21.3 + rng.normal(),
            season_k: 3.0 + 0.4 * rng.normal(),
            lamp_k: rng.random_range(5.0..10.0),
            box_min: rng.random_range(30.0..60.0),
            sensor_k: 0.25 * rng.normal(),
            mix_c: 24.0 + 0.5 * rng.normal(),
            stated: number.is_multiple_of(2).then_some(stated),
        }
    }

    /// Dough temperature after mixing that the kitchen's habit gives in a room at `room_c`.
    pub fn mixed_c(&self, room_c: f64) -> f64 {
        self.mix_c + 0.35 * (room_c - 21.5)
    }
}

/// One minute of a lamp-lit box.
pub fn box_step(box_c: f64, room_c: f64, kitchen: &Kitchen) -> f64 {
    box_c + (room_c + kitchen.lamp_k - box_c) / kitchen.box_min
}

/// One minute of a room that wanders about its mean; `wander` is its present deviation.
pub fn room_step(wander: f64, rng: &mut ChaCha8Rng) -> f64 {
    let keep = (-1.0 / noise::ROOM_MIN).exp();
    wander * keep + noise::ROOM_C * (1.0 - keep * keep).sqrt() * rng.normal()
}

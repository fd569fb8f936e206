//! How often a comparison claims a difference that is not there, how often its interval holds the
//! truth, and how often it finds a quarter: on simulated bakes that all follow one law.
//!
//! The simulated law is this house's own, not the comparison's: the published rate law with a tilt drawn
//! anew for each house, the published law as it is, or the trade's "doubles per 17 °F". Bakes bring their own chance:
//! days differ in warmth, doses are weighed freely, the start is measured to half a degree, and "ready"
//! is noted at the look after it came.

use doughwarden_model::age::AgePath;
use doughwarden_model::cardinal::{Cardinal, REFERENCE_C, RateLaw};
use doughwarden_model::seasons::*;

/// Chance: SplitMix64 (Steele, Lea & Flood 2014, from memory) and Box & Muller's normals.
struct Chance(u64);

impl Chance {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.uniform(), self.uniform());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

/// What a house's dough does, hidden from the comparison.
#[derive(Clone, Copy)]
enum Law {
    /// The published rate law, tilted by the house's own amount per 10 °C.
    Tilted(f64),
    /// Doubles per 17 °F (9.44 °C): a baking page's rule.
    Rule,
}

impl Law {
    fn rate(self, c: f64) -> f64 {
        match self {
            Self::Tilted(tilt) => RateLaw::new(Cardinal::GAS, tilt).rate(c),
            Self::Rule => ((c - REFERENCE_C) / (17.0 / 1.8)).exp2(),
        }
    }
}

/// A group to be drawn.
#[derive(Clone, Copy)]
struct Kind {
    bakes: usize,
    /// Mean of the room, °C.
    room_c: f64,
    /// ln of how much longer its bakes truly take at one temperature.
    effect: f64,
    /// Chance from bake to bake, ln.
    scatter: f64,
}

const LAG_MIN: f64 = 110.0;

fn bake(law: Law, kind: Kind, number: usize, chance: &mut Chance) -> Bake {
    let room = kind.room_c + 1.2 * chance.normal();
    let start = 24.0 + 0.35 * (room - 22.0) + chance.normal();
    let ln_dose = 0.1 * chance.normal();
    let recipe = number % 2;
    let ready = (85.0f64.ln() + 0.25 * recipe as f64 + kind.effect - 0.8 * ln_dose
        + kind.scatter * chance.normal())
    .exp();
    // The truth, minute by minute.
    let (mut age, mut dough, mut minute) = (0.0, start, 0.0);
    let kept = (-1.0 / LAG_MIN).exp();
    while age < ready && minute < 1500.0 {
        let next = room + (dough - room) * kept;
        age += law.rate(0.5 * (dough + next));
        dough = next;
        minute += 1.0;
    }
    let noted = minute + 12.0 * chance.uniform();
    // What the kitchen knows of it.
    let log = room + 0.2 * chance.normal();
    let mut path = AgePath::begin(RateLaw::default(), LAG_MIN, start + 0.5 * chance.normal());
    path.advance(noted, log, log);
    Bake {
        ln_age: path.now().age_min.ln(),
        ln_clock: noted.ln(),
        warmth: path.mean_warmth(noted),
        recipe: ["knots", "loaf"][recipe].into(),
        batch: String::new(),
        covariates: vec![ln_dose],
    }
}

fn group(law: Law, kind: Kind, name: &str, chance: &mut Chance) -> Group {
    Group {
        name: name.into(),
        bakes: (0..kind.bakes)
            .map(|i| bake(law, kind, i, chance))
            .collect(),
    }
}

/// A house's law, drawn.
type Houses = (&'static str, fn(&mut Chance) -> Law);

const HOUSES: [Houses; 3] = [
    ("published law", |_| Law::Tilted(0.0)),
    ("tilted by 0.15 per 10 °C", |c| {
        Law::Tilted(0.15 * c.normal())
    }),
    ("doubles per 17 °F", |_| Law::Rule),
];

/// Counts over many pairs of groups.
#[derive(Default, Clone, Copy)]
struct Tally {
    rounds: usize,
    claims: usize,
    right: usize,
    none: usize,
    held: usize,
    fitted: usize,
}

impl Tally {
    fn add(&mut self, c: &Comparison, effect: f64) {
        self.rounds += 1;
        match c.verdict {
            Verdict::Longer { .. } => {
                self.claims += 1;
                self.right += usize::from(effect > 0.0);
            }
            Verdict::Sooner { .. } => {
                self.claims += 1;
                self.right += usize::from(effect < 0.0);
            }
            Verdict::NoneThatMatters => self.none += 1,
            Verdict::CannotTell(_) => {}
        }
        if let Some(d) = c.difference {
            self.fitted += 1;
            self.held += usize::from(d.interval.0 <= effect && effect <= d.interval.1);
        }
    }

    fn plus(self, other: Self) -> Self {
        Self {
            rounds: self.rounds + other.rounds,
            claims: self.claims + other.claims,
            right: self.right + other.right,
            none: self.none + other.none,
            held: self.held + other.held,
            fitted: self.fitted + other.fitted,
        }
    }
}

fn pairs(house: Houses, one: Kind, two: Kind, rounds: usize, seed: u64) -> Tally {
    let mut chance = Chance(seed);
    let mut tally = Tally::default();
    for _ in 0..rounds {
        let law = house.1(&mut chance);
        let (a, b) = (
            group(law, one, "one", &mut chance),
            group(law, two, "two", &mut chance),
        );
        tally.add(&compare(&a, &b).expect("valid"), two.effect - one.effect);
    }
    tally
}

fn kind(bakes: usize, room_c: f64, effect: f64) -> Kind {
    Kind {
        bakes,
        room_c,
        effect,
        scatter: 0.1,
    }
}

/// Four groups from one law, all pairs at once: how often any is claimed to differ.
fn families(house: Houses, rounds: usize, seed: u64) -> (usize, usize) {
    let mut chance = Chance(seed);
    let (mut any, mut all_held) = (0, 0);
    for _ in 0..rounds {
        let law = house.1(&mut chance);
        let groups: Vec<Group> = [18.0, 21.0, 24.0, 21.0]
            .into_iter()
            .enumerate()
            .map(|(i, c)| group(law, kind(8, c, 0.0), &i.to_string(), &mut chance))
            .collect();
        let all = compare_all(&groups).expect("valid");
        any += usize::from(
            all.iter()
                .any(|c| matches!(c.verdict, Verdict::Longer { .. } | Verdict::Sooner { .. })),
        );
        all_held += usize::from(all.iter().all(|c| {
            c.difference
                .is_some_and(|d| d.interval.0 <= 0.0 && 0.0 <= d.interval.1)
        }));
    }
    (any, all_held)
}

#[test]
fn a_difference_that_is_not_there_is_claimed_no_oftener_than_stated() {
    let rounds = 150;
    let mut all = Tally::default();
    for (h, house) in HOUSES.into_iter().enumerate() {
        for n in [5, 10, 20] {
            for apart in [0.0, 6.0] {
                let seed = 1000 + 100 * h as u64 + 10 * n as u64 + apart as u64;
                let t = pairs(
                    house,
                    kind(n, 20.0, 0.0),
                    kind(n, 20.0 + apart, 0.0),
                    rounds,
                    seed,
                );
                // 5 % of 150 are 7.5; no single cell of eighteen passes 18 but by one chance in 1,000.
                assert!(t.claims <= 18, "{} {n} {apart}: {}", house.0, t.claims);
                all = all.plus(t);
            }
        }
        let t = pairs(house, kind(3, 20.0, 0.0), kind(3, 26.0, 0.5), 20, 7);
        assert_eq!(
            (t.claims, t.none, t.fitted),
            (0, 0, 0),
            "three and three say nothing"
        );
    }
    // All cells: 2,700 pairs, 5 % and three standard errors.
    assert!(
        all.claims as f64 <= 0.063 * all.rounds as f64,
        "{} of {}",
        all.claims,
        all.rounds
    );
    assert!(
        all.held as f64 >= 0.937 * all.fitted as f64,
        "{} of {}",
        all.held,
        all.fitted
    );
    // Six comparisons at once: 5 % for any of them.
    let (any, held) = families(HOUSES[1], rounds, 5);
    assert!(any <= 18 && held >= rounds - 18, "{any} {held}");
    // A quarter is found where the bakes can show it, and never with the wrong sign.
    let quarter = 1.25f64.ln();
    let t = pairs(
        HOUSES[0],
        kind(10, 21.0, 0.0),
        kind(10, 21.0, quarter),
        rounds,
        11,
    );
    assert!(
        t.claims > rounds * 3 / 4 && t.right == t.claims,
        "{}",
        t.claims
    );
    assert_eq!(t.none, 0);
}

/// The figures of DEVELOPERS.md, a few of each unless told: `SEASONS_ROUNDS=2000 cargo test -p
/// doughwarden-model --test seasons_simulated -- --nocapture`.
#[test]
#[allow(clippy::print_stdout)]
fn the_figures_are_printed_and_none_strays_from_what_is_stated() {
    let rounds: usize = std::env::var("SEASONS_ROUNDS")
        .ok()
        .and_then(|r| r.parse().ok())
        .unwrap_or(20);
    // Five standard errors above what is stated, and what is known to pass it (rough bakes: 7.2 %).
    let at_most = |share: f64| {
        let n = rounds as f64;
        (share * n + 5.0 * (share * (1.0 - share) * n).sqrt()).ceil() as usize
    };
    let (claimed, missed) = (at_most(0.055), at_most(0.07));
    let percent = |k: usize, n: usize| {
        if n == 0 {
            "-".into()
        } else {
            format!("{:.1}", 100.0 * k as f64 / n as f64)
        }
    };
    println!(
        "law | bakes | apart, K | claims where there is none | says none matters | interval holds 0 | finds 25 % | wrong sign | interval holds 25 % | none matters though 10 %"
    );
    for (h, house) in HOUSES.into_iter().enumerate() {
        for (n, m) in [(3, 3), (5, 5), (10, 10), (20, 20), (5, 20)] {
            for apart in [0.0, 6.0] {
                let seed =
                    90_000 + 10_000 * h as u64 + 100 * n as u64 + 10 * m as u64 + apart as u64;
                let (one, two) = (kind(n, 20.0, 0.0), kind(m, 20.0 + apart, 0.0));
                let none = pairs(house, one, two, rounds, seed);
                let with = |effect: f64| Kind { effect, ..two };
                let quarter = pairs(house, one, with(1.25f64.ln()), rounds, seed + 1);
                let tenth = pairs(house, one, with(1.1f64.ln()), rounds, seed + 2);
                assert!(
                    none.claims <= claimed && none.fitted - none.held <= missed,
                    "{} {n}+{m} {apart}",
                    house.0
                );
                assert!(quarter.fitted - quarter.held <= missed);
                assert_eq!(quarter.claims, quarter.right, "never with the wrong sign");
                println!(
                    "{} | {n}+{m} | {apart} | {} | {} | {} | {} | {} | {} | {}",
                    house.0,
                    percent(none.claims, rounds),
                    percent(none.none, rounds),
                    percent(none.held, none.fitted),
                    percent(quarter.right, rounds),
                    percent(quarter.claims - quarter.right, rounds),
                    percent(quarter.held, quarter.fitted),
                    percent(tenth.none, rounds),
                );
            }
        }
        let (any, held) = families(house, rounds, 50_000 + h as u64);
        assert!(any <= claimed && rounds - held <= missed);
        println!(
            "{} | 4 groups of 8, six comparisons: any claim {}, all intervals hold {}",
            house.0,
            percent(any, rounds),
            percent(held, rounds)
        );
        let rough = Kind {
            scatter: 0.2,
            ..kind(5, 20.0, 0.0)
        };
        let t = pairs(house, rough, kind(20, 20.0, 0.0), rounds, 60_000 + h as u64);
        assert!(t.claims <= at_most(0.075));
        println!(
            "{} | 5+20, the five scatter twice as much: claims {}, interval holds {}",
            house.0,
            percent(t.claims, rounds),
            percent(t.held, t.fitted)
        );
    }
}

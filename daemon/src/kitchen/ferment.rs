//! The law of the simulated dough. On purpose it is *not* the law that the daemon fits: sugar is
//! eaten by Michaelis and Menten, warmth works by Sharpe and Schoolfield, the gas first dissolves
//! by Henry's law, then inflates the dough, which keeps less of it the thinner its films get.

/// Gas constant, J/mol/K.
const GAS_CONSTANT: f64 = 8.314_462_618;
/// The temperature at which rates are stated, °C.
const STATED_C: f64 = 27.0;
/// Atmospheric pressure, Pa.
const ATMOSPHERE_PA: f64 = 101_325.0;
/// Heat of fermentation, J for each mol of CO2 (92 kJ/mol glucose, two CO2 each; from memory).
pub const HEAT_J_MOL: f64 = 46_000.0;

/// Henry's constant of CO2 in fresh water, mol/L/atm: the model's (Weiss 1974), a property of water
/// and no part of what makes this law another one. Beyond its range, its nearest value.
#[must_use]
pub fn solubility_mol_l_atm(temperature_c: f64) -> f64 {
    let within = temperature_c.clamp(-2.0, 60.0);
    doughwarden_model::carbon_dioxide::solubility(within).unwrap_or(0.03)
}

/// Litres that a mol of gas fills at atmospheric pressure.
#[must_use]
pub fn litres_a_mol(temperature_c: f64) -> f64 {
    1000.0 * GAS_CONSTANT * (temperature_c + 273.15) / ATMOSPHERE_PA
}

/// How the yeast answers to warmth, sugar and being woken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Law {
    /// Activation energy, kJ/mol.
    pub activation_kj_mol: f64,
    /// Half of the yeast is stilled by heat here, °C.
    pub stilled_hot_c: f64,
    /// And by cold here, °C.
    pub stilled_cold_c: f64,
    /// Sugar at which it works at half its speed, mol/L.
    pub half_sugar_mol_l: f64,
    /// It wakes in so many seconds after mixing (1/e is still missing).
    pub wakes_in_s: f64,
}

impl Default for Law {
    /// 57 kJ/mol is the bakers' doubling each 9.4 °C; the stilled ends give a best temperature of
    /// 38 °C. Chosen for this kitchen: nobody's published fit.
    fn default() -> Self {
        Self {
            activation_kj_mol: 57.0,
            stilled_hot_c: 43.0,
            stilled_cold_c: 9.0,
            half_sugar_mol_l: 0.02,
            wakes_in_s: 900.0,
        }
    }
}

impl Law {
    /// Speed at a temperature against that at 27 °C; Sharpe and Schoolfield's form (Schoolfield,
    /// Sharpe & Magnuson 1981, J. Theor. Biol. 88:719-731, from memory).
    #[must_use]
    pub fn warmth(&self, temperature_c: f64) -> f64 {
        self.unscaled(temperature_c) / self.unscaled(STATED_C)
    }

    fn unscaled(&self, temperature_c: f64) -> f64 {
        const HOT_KJ_MOL: f64 = 400.0;
        const COLD_KJ_MOL: f64 = 200.0;
        let inverse = |c: f64| 1000.0 / (GAS_CONSTANT * (c + 273.15));
        let here = inverse(temperature_c);
        (self.activation_kj_mol * (inverse(STATED_C) - here)).exp()
            / (1.0
                + (HOT_KJ_MOL * (inverse(self.stilled_hot_c) - here)).exp()
                + (COLD_KJ_MOL * (here - inverse(self.stilled_cold_c))).exp())
    }
}

/// How a dough keeps its gas.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Films {
    /// The share of new gas kept while the films are thick.
    pub keeps: f64,
    /// The rise at which only half of that is kept.
    pub half_at_rise: f64,
    /// Gas seeps out in so many seconds (1/e is left).
    pub seeps_in_s: f64,
}

impl Default for Films {
    fn default() -> Self {
        Self {
            keeps: 0.92,
            half_at_rise: 1.7,
            seeps_in_s: 30_000.0,
        }
    }
}

/// Gas leaves solution in so many seconds (1/e is left).
const OUT_OF_SOLUTION_S: f64 = 120.0;

/// What is in one litre of dough (as it was before rising).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ferment {
    /// Water, L.
    pub water_l: f64,
    /// Sugar as glucose, mol.
    pub sugar_mol: f64,
    /// CO2 in solution, mol.
    pub dissolved_mol: f64,
    /// CO2 in bubbles, mol.
    pub gas_mol: f64,
    /// CO2 that came out of solution since the proof began, kept or not, mol.
    pub evolved_mol: f64,
    /// CO2 that left the dough, mol.
    pub lost_mol: f64,
    /// Since mixing, s.
    pub mixed_for_s: f64,
    temperature_c: f64,
    /// How far its films have been stretched for how long; they keep exp(-torn) of what they kept.
    torn: f64,
}

/// Films stretched to where they keep half tear so far (to 1/e) in so many seconds.
const TEARS_IN_S: f64 = 9000.0;

impl Ferment {
    /// Fresh from the mixer.
    #[must_use]
    pub fn mixed(water_l: f64, sugar_mol: f64, temperature_c: f64) -> Self {
        Self {
            water_l,
            sugar_mol,
            dissolved_mol: 0.0,
            gas_mol: 0.0,
            evolved_mol: 0.0,
            lost_mol: 0.0,
            mixed_for_s: 0.0,
            temperature_c,
            torn: 0.0,
        }
    }

    /// Knocked back and shaped: a tenth of the gas stays in nuclei, what is in solution stays, and
    /// the next proof counts afresh from the volume it now has.
    pub fn knock_back(&mut self) {
        let stays = 0.1 * self.gas_mol;
        self.lost_mol += self.gas_mol - stays;
        self.gas_mol = stays;
        self.evolved_mol = 0.0;
        self.torn = 0.0;
    }

    /// Gas in the bubbles over the volume of the dough without it.
    #[must_use]
    pub fn gas_share(&self) -> f64 {
        self.gas_mol * litres_a_mol(self.temperature_c)
    }

    /// Gas made and come out of solution since the proof began, as a share of the dough's volume
    /// at 27 °C: what the finger feels, however much of it the dough kept.
    #[must_use]
    pub fn evolved_share(&self) -> f64 {
        self.evolved_mol * litres_a_mol(STATED_C)
    }

    /// Lets `dt_s` pass. `rate` is the full speed at 27 °C, mol of CO2 a litre a second, and
    /// `warmth` the law's factor (a mean over the dough). Gives the CO2 made, mol.
    pub fn step(
        &mut self,
        dt_s: f64,
        law: &Law,
        films: &Films,
        rate: f64,
        warmth: f64,
        mean_c: f64,
    ) -> f64 {
        self.temperature_c = mean_c;
        self.mixed_for_s += dt_s;
        let awake = 1.0 - (-self.mixed_for_s / law.wakes_in_s).exp();
        let fed = self.sugar_mol / (self.sugar_mol + law.half_sugar_mol_l);
        let made = (rate * warmth * awake * fed * dt_s).min(2.0 * self.sugar_mol);
        self.sugar_mol -= 0.5 * made;

        let holds = solubility_mol_l_atm(mean_c) * self.water_l;
        let dissolved = self.dissolved_mol + made;
        let moves = (1.0 - (-dt_s / OUT_OF_SOLUTION_S).exp()) * (dissolved - holds);
        // Out of solution, or (cooled) back into it, as far as there is gas.
        let out = moves.max(-self.gas_mol);
        self.dissolved_mol = dissolved - out;
        if out > 0.0 {
            self.evolved_mol += out;
            let kept = films.keeps * (-self.torn).exp()
                / (1.0 + ((self.gas_share() - films.half_at_rise) / 0.18).exp());
            self.gas_mol += kept * out;
            self.lost_mol += (1.0 - kept) * out;
        } else {
            self.gas_mol += out;
        }
        self.torn += (self.gas_share() / films.half_at_rise).powi(8) * dt_s / TEARS_IN_S;
        let seeps_in_s = films.seeps_in_s / (1.0 + self.torn);
        let seeped = self.gas_mol * (1.0 - (-dt_s / seeps_in_s).exp());
        self.gas_mol -= seeped;
        self.lost_mol += seeped;
        made
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Weiss's equation in numbers, and 0.034 mol/L/atm at 25 °C as handbooks have it (from memory).
    #[test]
    fn solubility_is_weisss() {
        for (c, k) in [
            (5.0, 0.064_077),
            (20.0, 0.039_099),
            (25.0, 0.033_967),
            (30.0, 0.029_829),
            (40.0, 0.023_703),
        ] {
            assert!((solubility_mol_l_atm(c) - k).abs() < 1e-6, "{c}");
        }
    }

    /// 1 g of glucose (180.156 g/mol) makes 276.16 mL of CO2 at 30 °C and 1 atm (stoichiometry and
    /// the ideal gas).
    #[test]
    fn a_gram_of_sugar_fills_276_millilitres() {
        let ml = 1000.0 * 2.0 / 180.156 * litres_a_mol(30.0);
        assert!((ml - 276.16).abs() < 0.02, "{ml}");
    }

    /// The bakers' rule: doubles for about 9.4 °C between 18 and 30 °C; fermentation is fastest at
    /// 36 to 40 °C (food-science texts), ends near 55 °C (a yeast maker's page) and all but stops in the
    /// fridge (common practice).
    #[test]
    fn warmth_works_as_bakers_know_it() {
        let law = Law::default();
        let doubling = law.warmth(28.0) / law.warmth(18.6);
        assert!((1.7..2.6).contains(&doubling), "{doubling}");
        let best = (300..450)
            .map(|i| f64::from(i) / 10.0)
            .max_by(|a, b| law.warmth(*a).total_cmp(&law.warmth(*b)))
            .unwrap();
        assert!((36.0..40.0).contains(&best), "{best}");
        assert!(law.warmth(4.0) < 0.06, "{}", law.warmth(4.0));
        assert!(law.warmth(55.0) < 0.05);
        assert!((law.warmth(27.0) - 1.0).abs() < 1e-12);
    }

    /// 100 g of flour and 65 g of water hold 48.2 mL of CO2 in solution at 30 °C before the dough
    /// has any need to rise (0.742 mL a mL of water): the lag.
    #[test]
    fn nothing_rises_before_the_water_is_full() {
        let held_ml = 65.0 * solubility_mol_l_atm(30.0) * litres_a_mol(30.0);
        assert!((held_ml - 48.2).abs() < 0.1, "{held_ml}");
        let mut dough = Ferment::mixed(0.5, 0.4, 30.0);
        let law = Law::default();
        let mut made = 0.0;
        while made < 0.9 * 0.5 * solubility_mol_l_atm(30.0) {
            made += dough.step(10.0, &law, &Films::default(), 1.5e-5, 1.2, 30.0);
        }
        assert!(dough.gas_share() < 1e-9);
    }

    #[test]
    fn carbon_is_kept() {
        let mut dough = Ferment::mixed(0.5, 0.1, 24.0);
        let law = Law::default();
        for i in 0..4000 {
            let c = 24.0 + 10.0 * (f64::from(i) / 300.0).sin();
            dough.step(10.0, &law, &Films::default(), 1.5e-5, law.warmth(c), c);
            let carbon =
                2.0 * dough.sugar_mol + dough.dissolved_mol + dough.gas_mol + dough.lost_mol;
            assert!((carbon - 0.2).abs() < 1e-12, "{i}: {carbon}");
            assert!(dough.gas_mol >= 0.0 && dough.sugar_mol >= 0.0);
        }
        assert!(dough.gas_share() > 0.3);
    }

    /// A pup loaf kept about 40 % of what it made by the end of a long proof (bakery literature):
    /// a dough that is left far too long keeps no more than it loses, and sinks.
    #[test]
    fn a_dough_left_too_long_sinks() {
        let mut dough = Ferment::mixed(0.5, 0.5, 27.0);
        let (law, mut top) = (Law::default(), 0.0_f64);
        for _ in 0..(16 * 360) {
            dough.step(10.0, &law, &Films::default(), 1.5e-5, 1.0, 27.0);
            top = top.max(dough.gas_share());
        }
        assert!((1.2..2.6).contains(&top), "{top}");
        assert!(dough.gas_share() < 0.9 * top);
        assert!(dough.gas_mol < 0.6 * (dough.gas_mol + dough.lost_mol));
    }
}

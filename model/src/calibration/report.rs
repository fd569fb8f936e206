//! What was learned, in words and numbers for people.

use serde::{Deserialize, Serialize};

use super::{Calibration, Column, DOSE, FINAL, HOUSE, Stage, Subject, TILT, row, textbook};
use crate::cardinal::{Cardinal, REFERENCE_C, RateLaw};

/// One learned number for people: before, after, and its 80 % range.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Parameter {
    /// What it is.
    pub name: String,
    /// Its value.
    pub value: f64,
    /// What it was before any bake.
    pub prior: f64,
    /// 10 %.
    pub p10: f64,
    /// 90 %.
    pub p90: f64,
}

impl Calibration {
    /// The learned numbers in words, for reports. Times are minutes at 24 °C throughout.
    ///
    /// ```
    /// use doughwarden_model::calibration::Calibration;
    /// assert!(Calibration::default().parameters().iter().all(|p| p.p10 <= p.value && p.value <= p.p90));
    /// ```
    pub fn parameters(&self) -> Vec<Parameter> {
        let z = 1.281_551_565_544_6;
        let start = Self::default();
        let plain = |name: &str, (value, sd): (f64, f64), prior: f64| Parameter {
            name: name.to_owned(),
            value,
            prior,
            p10: value - z * sd,
            p90: value + z * sd,
        };
        let log = |name: String, (ln, sd): (f64, f64), prior: f64| Parameter {
            name,
            value: ln.exp(),
            prior: prior.exp(),
            p10: (ln - z * sd).exp(),
            p90: (ln + z * sd).exp(),
        };
        let mut out = vec![
            plain(
                "tilt of the pace against temperature, per 10 degC",
                self.tilt(),
                TILT.0,
            ),
            plain(
                "exponent of the time against the yeast dose",
                self.dose_exponent(),
                DOSE.0,
            ),
            log(
                "time of all doughs against their recipes".into(),
                self.column(&Column::House),
                HOUSE.0,
            ),
            log(
                "time of final proofs against their recipes, beside that".into(),
                self.column(&Column::Final),
                FINAL.0,
            ),
        ];
        let warmth = (24.0 - REFERENCE_C) / 10.0;
        let pace = RateLaw::new(Cardinal::GAS, self.tilt().0).rate(24.0);
        let plain_pace = RateLaw::default().rate(24.0);
        for (key, (prior_ln_age, prior_sd)) in &self.levels {
            let Some((stage, dough)) = key.split_once('/') else {
                continue;
            };
            let subject = Subject {
                dough: dough.to_owned(),
                stage: if stage == "bulk" {
                    Stage::Bulk
                } else {
                    Stage::Final
                },
                prior_ln_age: *prior_ln_age,
                prior_sd: *prior_sd,
                ln_dose: 0.0,
                target_rise: None,
                extra_sd: 0.0,
                groups: Vec::new(),
            };
            let (offset, g) = self.moments(&[row(&subject, warmth)], false);
            let ln_minutes = prior_ln_age + offset[0] - pace.ln();
            out.push(log(
                format!("{dough}, {stage}: minutes at 24 degC"),
                (ln_minutes, g[(0, 0)].max(0.0).sqrt()),
                prior_ln_age - plain_pace.ln(),
            ));
        }
        for (name, ln_sd) in &self.groups {
            let (value, sd) = self.column(&Column::Group(name.clone()));
            out.push(log(
                format!("{name}: time against the other bakes"),
                (value * ln_sd, sd * ln_sd),
                0.0,
            ));
        }
        let ln_sd = 0.7 / f64::from(self.stages + 4).sqrt();
        out.push(log(
            "spread from bake to bake".into(),
            (self.spread.ln(), ln_sd),
            start.spread.ln(),
        ));
        out.push(plain(
            "share of that spread common to a batch's proofs",
            (self.shared, 0.15),
            start.shared,
        ));
        out.push(log(
            "spread of the rise when ready".into(),
            (self.eye_sd.ln(), 0.3),
            start.eye_sd.ln(),
        ));
        for (key, fitted) in &self.curves {
            let Some((stage, dough)) = key.split_once('/') else {
                continue;
            };
            let book = textbook(if stage == "bulk" {
                Stage::Bulk
            } else {
                Stage::Final
            })
            .curve;
            let sd = |i: usize| fitted.covariance[i][i].max(0.0).sqrt();
            out.push(log(
                format!("{dough}, {stage}: rise when ready"),
                (fitted.curve.ln_rise, sd(0)),
                book.ln_rise,
            ));
            out.push(plain(
                &format!("{dough}, {stage}: share of the way before it rises"),
                (fitted.curve.lag, sd(1)),
                book.lag,
            ));
        }
        out
    }
}

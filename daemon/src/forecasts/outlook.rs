//! One proof at one moment: the posterior, the ready time, the curves and the sentences.

use doughwarden_dashboards::show::Show;
use doughwarden_model::age::AgePath;
use doughwarden_model::calibration::{Site, Stage, Subject};
use doughwarden_model::cardinal::{Cardinal, RateLaw};
use doughwarden_model::proof::{Posterior, Prior, ReadyTime};

use super::air::Sources;
use super::document::{
    DoughTemperature, ForecastDocument, Quantiles, ReadyQuantiles, Rise, TimedQuantiles, TimedValue,
};
use super::inputs::{Builder, Known, Without, stage_of};
use super::learned::Learned;
use super::sentences;
use super::{ForecastError, ProofView};
use crate::batches::record::StageKind;
use crate::time::UtcMs;

/// Nothing is said of what lies further ahead, minutes.
const HORIZON_MIN: f64 = 48.0 * 60.0;
/// Curves run no further than this, minutes.
const CURVE_MIN: f64 = 12.0 * 60.0;
/// Points of the curves lie this far apart, minutes.
const CURVE_STEP_MIN: f64 = 5.0;
/// Scenarios of the air: standard deviations from the expected, and weights (the three-point
/// Gauss-Hermite rule).
const SCENARIOS: [(f64, f64); 3] = [
    (0.0, 2.0 / 3.0),
    (-1.732_050_8, 1.0 / 6.0),
    (1.732_050_8, 1.0 / 6.0),
];
/// Past its range by so much age (own proposal, a guess).
const OVER: f64 = 1.2;

/// What is known and expected of a proof in progress.
pub struct Outlook {
    /// The inputs.
    pub known: Known,
    /// The prior.
    pub prior: Prior,
    /// The posterior.
    pub posterior: Posterior,
    /// The ready time, whether or not it has come unseen: what alerts go by.
    pub ready: ReadyTime,
    /// The ready time of a dough that is not ready yet: what is told of a stage in progress.
    pub told: ReadyTime,
    /// The expected future's path.
    pub future: AgePath,
    /// Minutes run.
    pub now_min: f64,
    /// What the batch's bulk proof told, where this is its final proof.
    pub from_bulk: bool,
}

/// The law with what the house has learned.
#[must_use]
pub fn law(learned: &Learned, without: Without) -> RateLaw {
    RateLaw::new(
        Cardinal::GAS,
        if without.tilt {
            0.0
        } else {
            learned.calibration.tilt().0
        },
    )
}

/// Looks ahead from `at` in a batch's stage.
///
/// # Errors
/// If it has not begun, or the readings cannot be read.
pub fn look_ahead(
    sources: Sources<'_>,
    learned: &Learned,
    batch: &str,
    kind: StageKind,
    at: UtcMs,
    without: Without,
) -> Result<Outlook, ForecastError> {
    let law = law(learned, without);
    let builder = Builder {
        sources,
        habit: learned.habit,
        lag: &learned.lag,
        usual_yeast: Some(&learned.usual_yeast),
        without,
    };
    let no_stage = || ForecastError::NoStage {
        batch: batch.to_owned(),
        at,
    };
    let known = builder.known(batch, kind, at, law)?.ok_or_else(no_stage)?;
    let others = others(&builder, learned, batch, kind, at, law)?;
    Ok(ahead(known, &others, learned, at))
}

/// What is known of the batch's bulk proof, for its final proof.
///
/// # Errors
/// If the readings cannot be read.
pub fn others(
    builder: &Builder<'_>,
    learned: &Learned,
    batch: &str,
    kind: StageKind,
    at: UtcMs,
    law: RateLaw,
) -> Result<Vec<(Subject, f64, Site)>, ForecastError> {
    let mut others = Vec::new();
    if kind == StageKind::Final
        && !builder.without.pooling
        && let Some(bulk) = builder.known(batch, StageKind::Bulk, at, law)?
    {
        let until = bulk.path.now().minute;
        let warmth = bulk.path.mean_warmth(until);
        let prior = learned.calibration.expect(&bulk.subject, warmth, &[]);
        let after = prior.after(&bulk.path, &bulk.evidence);
        let site = Site::between(prior.mean, prior.sd, after.mean(), after.sd());
        others.push((bulk.subject, warmth, site));
    }
    Ok(others)
}

/// Looks ahead from what is known. The work does not grow with the log behind.
#[must_use]
pub fn ahead(
    known: Known,
    others: &[(Subject, f64, Site)],
    learned: &Learned,
    at: UtcMs,
) -> Outlook {
    let warmth = (known.path.now().dough_c - 27.0) / 10.0;
    let prior = learned.calibration.expect(&known.subject, warmth, others);
    let posterior = prior.after(&known.path, &known.evidence);
    let now_min = known.minute(at);
    let enough = posterior.quantile(0.9995).exp();
    let mut futures: Vec<(f64, AgePath)> = Vec::new();
    for (z, weight) in SCENARIOS {
        let mut path = known.path.branch();
        let mut ahead = 0.0;
        let mut air = known.track.outlook.at(0.0, z);
        // In small steps at first, in larger ones for a night in the cold.
        while ahead < HORIZON_MIN && (path.now().age_min < enough || ahead < 60.0) {
            let step = if ahead < 6.0 * 60.0 { 4.0 } else { 12.0 };
            let next = known.track.outlook.at(ahead + step, z);
            ahead = (ahead + step).min(HORIZON_MIN);
            path.advance(now_min + ahead, air, next);
            air = next;
        }
        futures.push((weight, path));
    }
    // The table follows the first scenario's knots: let it be the one that takes longest.
    futures.sort_by(|a, b| b.1.now().minute.total_cmp(&a.1.now().minute));
    let ready = ReadyTime::new(&posterior, &known.path, &futures);
    let told = if known.not_ready_yet {
        ready.given_not_ready_at(now_min)
    } else {
        ready.clone()
    };
    let mut future = known.path.branch();
    let mut ahead = 0.0;
    while ahead < CURVE_MIN + CURVE_STEP_MIN {
        let step = 4.0;
        future.advance(
            now_min + ahead + step,
            known.track.outlook.at(ahead, 0.0),
            known.track.outlook.at(ahead + step, 0.0),
        );
        ahead += step;
    }
    Outlook {
        known,
        prior,
        posterior,
        ready,
        told,
        future,
        now_min,
        from_bulk: !others.is_empty(),
    }
}

impl Outlook {
    /// A quantile of the ready time: never before now, `None` beyond 48 h.
    #[must_use]
    pub fn ready_at(&self, p: f64) -> Option<UtcMs> {
        self.moment(&self.ready, p)
    }

    /// The same of a dough that is not ready yet.
    #[must_use]
    pub fn told_at(&self, p: f64) -> Option<UtcMs> {
        self.moment(&self.told, p)
    }

    fn moment(&self, ready: &ReadyTime, p: f64) -> Option<UtcMs> {
        let minute = ready.quantile(p)?;
        if !minute.is_finite() || minute - self.now_min > HORIZON_MIN {
            return None;
        }
        let at = self.now_min.max(minute);
        Some(self.known.start.plus_min(at))
    }

    fn dough_at(&self, minute: f64) -> f64 {
        if minute <= self.now_min {
            self.known.path.at(minute).dough_c
        } else {
            self.future.at(minute).dough_c
        }
    }

    fn age_at(&self, minute: f64) -> f64 {
        if minute <= self.now_min {
            self.known.path.age_at(minute)
        } else {
            self.future.age_at(minute)
        }
    }

    /// The view for rules and pages, with the contract's document.
    #[must_use]
    pub fn view(
        &self,
        batch: &str,
        at: UtcMs,
        learned: &Learned,
        sources: &Sources<'_>,
        show: &Show,
    ) -> ProofView {
        let quantiles = [0.1, 0.5, 0.9].map(|p| self.told_at(p).map(|t| t.max(at)));
        let end_min = match quantiles[2] {
            Some(p90) => self.known.minute(p90).min(self.now_min + CURVE_MIN),
            None => self.now_min + CURVE_MIN,
        };
        let band = self.posterior.rise_band();
        let quantiles_at = |minute: f64| {
            let [p10, p50, p90] = band.at(self.age_at(minute));
            Quantiles {
                p10: tidy(p10, 1e4),
                p50: tidy(p50, 1e4),
                p90: tidy(p90, 1e4),
            }
        };
        let mut rise_curve = Vec::new();
        let mut dough_curve = Vec::new();
        let mut k = 0.0;
        loop {
            let minute = CURVE_STEP_MIN * k;
            let time = self.known.start.plus_min(minute);
            rise_curve.push(TimedQuantiles {
                time,
                at: quantiles_at(minute),
            });
            dough_curve.push(TimedValue {
                time,
                value: tidy(self.dough_at(minute), 1e3),
            });
            if minute >= end_min {
                break;
            }
            k += 1.0;
        }
        let mut assumed = Vec::new();
        let mut k = 0.0;
        loop {
            let ahead = CURVE_STEP_MIN * k;
            assumed.push(TimedValue {
                time: at.plus_min(ahead),
                value: tidy(self.known.track.outlook.at(ahead, 0.0), 1e3),
            });
            if self.now_min + ahead >= end_min {
                break;
            }
            k += 1.0;
        }
        let age_now = self.known.path.now().age_min;
        let ln_age = age_now.max(1e-9).ln();
        let document = ForecastDocument {
            batch: batch.to_owned(),
            stage: self.known.kind,
            at,
            ready: ReadyQuantiles {
                p10: quantiles[0],
                p50: quantiles[1],
                p90: quantiles[2],
            },
            rise: Rise {
                now: quantiles_at(self.now_min),
                curve: rise_curve,
            },
            dough_temperature: DoughTemperature {
                now: tidy(self.dough_at(self.now_min), 1e3),
                curve: dough_curve,
            },
            assumed_air_temperature: assumed,
            evidence: sentences::evidence(self, at, learned, sources, show),
        };
        let mut ready_at = [None; 19];
        for (i, slot) in ready_at.iter_mut().enumerate() {
            *slot = self.ready_at(0.05 * (i + 1) as f64).map(|t| t.max(at));
        }
        let sd = self.posterior.sd();
        let chance_ready_now = self.posterior.chance_below(ln_age);
        ProofView {
            document,
            stage: self.known.kind,
            chance_ready_now,
            chance_over_now: self.posterior.chance_below(ln_age - OVER.ln()),
            ready_at,
            progress: (age_now / self.posterior.quantile(0.5).exp()).clamp(0.0, 10.0),
            // A dent tells about the threshold to a tenth: it helps while more than that is open
            // and the dough is far enough on to answer.
            dent_would_help: sd > 0.11 && (0.08..0.95).contains(&chance_ready_now),
            air: self.known.track.newest,
            yeast_left: self.known.path.now().alive,
        }
    }

    /// Which proof, in the model's word.
    #[must_use]
    pub fn stage(&self) -> Stage {
        stage_of(self.known.kind)
    }
}

/// Rounded to a few decimals: the digits beyond are noise.
fn tidy(value: f64, per: f64) -> f64 {
    if value.is_finite() {
        (value * per).round() / per
    } else {
        0.0
    }
}

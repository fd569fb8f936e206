//! `hold`: can a dough wait until somebody is back, and if so the latest time into the fridge, how long
//! it holds there, and when to take it out.

use doughwarden_dashboards::show::Show;
use doughwarden_model::planning::{Course, Hold, HoldAnswer, Moment, Place, ProofAge, TakeOut};
use serde::{Deserialize, Serialize};

use super::{Grounds, PlanError, given, plan::times_in, share};
use crate::batches::record::{PlaceKind, StageKind};
use crate::forecasts::inputs::Without;
use crate::forecasts::{ForecastError, outlook};
use crate::time::UtcMs;

/// The chance of being over-proofed that is accepted unless told.
const OVER_PERCENT: f64 = 10.0;

/// What is asked.
#[derive(Clone, Debug, Default, Deserialize, clap::Args, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(default, deny_unknown_fields)]
pub struct HoldAsked {
    /// The batch
    #[arg(long, value_name = "ID")]
    pub batch: String,
    /// When you are back: the next 18:00, or RFC 3339
    #[arg(long, value_name = "T")]
    pub back: String,
    /// When it should be ready (then also: when to take it out)
    #[arg(long, value_name = "T")]
    pub ready: Option<String>,
    /// When it goes into the fridge; without it, the latest time
    #[arg(long, value_name = "T")]
    pub put_in: Option<String>,
    /// The fridge's place
    #[arg(long, value_name = "PLACE")]
    pub fridge: Option<String>,
    /// The fridge, °C, if no sensor is in it
    #[arg(long, value_name = "DEGREES")]
    pub fridge_c: Option<f64>,
    /// The chance of being over-proofed that is accepted, percent; 10 unless told
    #[arg(long, value_name = "PERCENT")]
    pub over_percent: Option<f64>,
}

/// Three moments.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Three {
    /// One time in ten it is earlier.
    pub p10: Option<UtcMs>,
    /// About then.
    pub p50: Option<UtcMs>,
    /// One time in ten it is later.
    pub p90: Option<UtcMs>,
}

/// When to take it out.
#[derive(Clone, Debug, Serialize)]
pub struct Out {
    /// `at`, `ready_in_fridge` or `not_by_then`.
    pub state: &'static str,
    /// Take it out then, for `at`.
    pub at: Option<UtcMs>,
    /// It is ready then.
    pub ready: Three,
}

/// The answer.
#[derive(Clone, Debug, Serialize)]
pub struct HoldDocument {
    /// The batch.
    pub batch: String,
    /// Its proof in progress.
    pub stage: StageKind,
    /// When somebody is back.
    pub back: UtcMs,
    /// `stay_out`, `fridge` or `too_late`.
    pub answer: &'static str,
    /// The chance that it is over-proofed by then, for `stay_out` and `too_late`.
    pub over: Option<f64>,
    /// Into the fridge at the latest, for `fridge`.
    pub latest_in: Option<UtcMs>,
    /// It holds until then; null: three days and more, as far as the rule goes.
    pub holds_until: Option<UtcMs>,
    /// When to take it out, if a moment to be ready was asked for.
    pub take_out: Option<Out>,
    /// What to mind (`egg`, `milk`).
    pub cautions: Vec<String>,
}

/// Answers.
///
/// # Errors
/// If no proof of the batch is in progress, or a number cannot be.
pub fn answer(g: &Grounds<'_>, asked: &HoldAsked) -> Result<HoldDocument, PlanError> {
    let book = g.book();
    let no_stage = || ForecastError::NoStage {
        batch: asked.batch.clone(),
        at: g.now,
    };
    let record = book
        .batches
        .get(&asked.batch)
        .ok_or_else(|| ForecastError::NoBatch(asked.batch.clone()))?;
    let kind = book
        .stage_in_progress(&asked.batch, g.now)
        .ok_or_else(no_stage)?
        .stage;
    let outlook = outlook::look_ahead(
        g.sources,
        &g.learned,
        &asked.batch,
        kind,
        g.now,
        Without::default(),
    )?;
    let now_min = g.minute(g.now);
    let hold = Hold {
        path: outlook.known.path.branch(),
        now_min,
        ready: ProofAge {
            ln_age: outlook.posterior.mean(),
            sd: outlook.posterior.sd(),
            tilt_sd: 0.0,
            known_warmth: 0.0,
        },
        room: room(g, &outlook, now_min)?,
        fridge: g.fridge(asked.fridge.as_deref(), asked.fridge_c)?.0,
    };
    let over = given("over_percent", asked.over_percent, 0.1, 99.0, "percent")?;
    given("fridge_c", asked.fridge_c, -2.0, 15.0, "°C")?;
    g.named_place("fridge", asked.fridge.as_deref(), asked.fridge_c)?;
    let risk = over.unwrap_or(OVER_PERCENT) / 100.0;
    let back = g.moment_to_come("back", &asked.back)?;
    let put_in = asked
        .put_in
        .as_deref()
        .filter(|t| !t.trim().is_empty())
        .map(|t| g.moment("put_in", t))
        .transpose()?;
    let mut document = HoldDocument {
        batch: asked.batch.clone(),
        stage: kind,
        back,
        answer: "stay_out",
        over: None,
        latest_in: None,
        holds_until: None,
        take_out: None,
        cautions: book
            .doughs
            .get(&record.dough)
            .map(|d| d.caution.clone())
            .unwrap_or_default(),
    };
    let mut into = put_in.map(|t| g.minute(t));
    match hold.until(g.minute(back), risk)? {
        HoldAnswer::StayOut { chance_over } => document.over = Some(share(chance_over)),
        HoldAnswer::TooLate { chance_over } => {
            document.answer = "too_late";
            document.over = Some(share(chance_over));
        }
        HoldAnswer::Fridge {
            latest_in_min,
            holds_until_min,
        } => {
            document.answer = "fridge";
            document.latest_in = Some(g.at_minute(latest_in_min.floor()));
            document.holds_until = holds_until_min.map(|m| g.at_minute(m.floor()));
            into = into.or(Some(latest_in_min));
        }
    }
    if let Some(put_in) = put_in {
        document.holds_until = hold
            .holds_until(g.minute(put_in), risk)?
            .map(|m| g.at_minute(m.floor()));
    }
    if let (Some(text), Some(into)) = (asked.ready.as_deref().filter(|t| !t.is_empty()), into) {
        let wanted = g.moment("ready", text)?;
        document.take_out = Some(out(g, hold.take_out(into, g.minute(wanted))?));
    }
    Ok(document)
}

fn out(g: &Grounds<'_>, found: TakeOut) -> Out {
    let three = |m: Moment| {
        let at = |m: Option<f64>| m.map(|m| g.at_minute(m));
        Three {
            p10: at(m.p10),
            p50: at(m.p50),
            p90: at(m.p90),
        }
    };
    match found {
        TakeOut::At { minute, ready } => Out {
            state: "at",
            at: Some(g.at_minute(minute)),
            ready: three(ready),
        },
        TakeOut::ReadyInFridge { ready } => Out {
            state: "ready_in_fridge",
            at: None,
            ready: three(ready),
        },
        TakeOut::NotByThen { ready } => Out {
            state: "not_by_then",
            at: None,
            ready: three(ready),
        },
    }
}

/// The air outside the fridge: what the place it stands in will do, or for a dough that is in the cold
/// already the first room's.
fn room(g: &Grounds<'_>, outlook: &outlook::Outlook, now_min: f64) -> Result<Place, PlanError> {
    let track = &outlook.known.track;
    if track.kind == PlaceKind::Fridge {
        let room = g
            .place_names()
            .into_iter()
            .find(|n| g.book().kind_of(n) == PlaceKind::Room);
        return Ok(g.place(room.as_deref().unwrap_or("kitchen"), None)?.0);
    }
    let points = (0..=48)
        .map(|i| f64::from(i) * 15.0)
        .map(|ahead| (now_min + ahead, track.outlook.at(ahead, 0.0)))
        .collect();
    Ok(Place {
        name: track.place.clone(),
        course: Course::Points(points),
        sd_c: track.outlook.sd_c.clamp(0.0, 10.0),
    })
}

impl HoldDocument {
    /// The answer in sentences.
    #[must_use]
    pub fn words(&self, show: &Show) -> Vec<String> {
        let when = |t: UtcMs| show.when(t.timestamp());
        let mut out = Vec::new();
        out.push(match (self.answer, self.latest_in) {
            ("fridge", Some(t)) => format!("Into the fridge by {} and it can wait until you are back at {}.", when(t), when(self.back)),
            ("too_late", _) => format!("It cannot wait until {}: even in the fridge from now on it would be over-proofed {}. Pressed flat and divided it cools sooner; else bake first, or knock it back and shape again.",
                when(self.back), times_in(self.over.unwrap_or(1.0))),
            _ => format!("It can stay where it is until {}: it would be over-proofed {}.", when(self.back), times_in(self.over.unwrap_or(0.0))),
        });
        if self.answer == "fridge" {
            out.push(match self.holds_until {
                Some(t) => format!("Put in then, it holds until about {}.", when(t)),
                None => "Put in then, it holds for days as far as yeast goes; taste and skin say sooner.".to_owned(),
            });
        }
        if let Some(o) = &self.take_out {
            let range = match (o.ready.p10, o.ready.p90) {
                (Some(a), Some(b)) => format!(" (most likely between {} and {})", when(a), when(b)),
                _ => String::new(),
            };
            let about = o.ready.p50.map_or("some day".to_owned(), when);
            out.push(match (o.state, o.at) {
                ("at", Some(t)) => {
                    format!("Take it out at {}: ready about {about}{range}.", when(t))
                }
                ("ready_in_fridge", _) => format!(
                    "It gets ready in the fridge, about {about}{range}: {} it from the cold.",
                    if self.stage == StageKind::Bulk {
                        "shape"
                    } else {
                        "bake"
                    }
                ),
                _ => format!(
                    "It cannot be ready by then; left out it is ready about {about}{range}."
                ),
            });
        }
        out.push(
            "Cover it well. How far past ready is too far is a guess: look at the dough."
                .to_owned(),
        );
        out
    }
}

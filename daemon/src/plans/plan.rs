//! `plan`: from the hour it must be on the table back to mixing, the risk of being late, and what to
//! change to hit an hour.

use doughwarden_dashboards::show::Show;
use doughwarden_model::planning::{
    Bake, Change, Lever, Moment, Place, Proof, Stay, Step, Timetable,
};
use serde::{Deserialize, Serialize};

use super::places::AssumedAir;
use super::recipe::Recipe;
use super::{Grounds, PlanError, given, share, tenth};
use crate::time::UtcMs;

/// The chance of being late that is accepted unless told.
const LATE_PERCENT: f64 = 10.0;
/// Times by the clock unless told, minutes: mixing, shaping, baking, cooling (common practice for
/// small pieces, no published source).
const USUAL_MIN: [f64; 4] = [20.0, 20.0, 20.0, 30.0];
/// Somebody looks in so often, minutes.
const LOOK_MIN: f64 = 15.0;
/// No dough is proofed warmer where its own ceiling is not said, °C.
const CEILING_C: f64 = 32.0;

/// What is asked.
#[derive(Clone, Debug, Default, Deserialize, clap::Args, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(default, deny_unknown_fields)]
pub struct PlanAsked {
    /// The dough's name
    #[arg(long)]
    pub dough: String,
    /// When it must be on the table: the next 15:00, or RFC 3339
    #[arg(long, value_name = "T")]
    pub table: String,
    /// A start that must be kept: says what to change
    #[arg(long, value_name = "T")]
    pub start: Option<String>,
    /// Where bulk proofs; without it, where this dough last did
    #[arg(long, value_name = "PLACE")]
    pub bulk_place: Option<String>,
    /// Its air, °C, if it will not be its usual
    #[arg(long, value_name = "DEGREES")]
    pub bulk_c: Option<f64>,
    /// Where the shaped pieces proof; without it, where bulk does
    #[arg(long, value_name = "PLACE")]
    pub final_place: Option<String>,
    /// Its air, °C, if it will not be its usual
    #[arg(long, value_name = "DEGREES")]
    pub final_c: Option<f64>,
    /// The dough out of the mixer, °C; without it, as this kitchen's doughs usually come
    #[arg(long, value_name = "DEGREES")]
    pub dough_c: Option<f64>,
    /// The chance of being late that is accepted, percent; 10 unless told
    #[arg(long, value_name = "PERCENT")]
    pub late_percent: Option<f64>,
    /// Hours in the fridge during bulk, after half an hour out
    #[arg(long, value_name = "HOURS")]
    pub night_h: Option<f64>,
    /// Weighing and mixing, minutes
    #[arg(long, value_name = "MIN")]
    pub mixing_min: Option<f64>,
    /// Dividing and shaping, minutes
    #[arg(long, value_name = "MIN")]
    pub shaping_min: Option<f64>,
    /// In the oven, minutes
    #[arg(long, value_name = "MIN")]
    pub baking_min: Option<f64>,
    /// Cooling until it can be cut, minutes
    #[arg(long, value_name = "MIN")]
    pub cooling_min: Option<f64>,
}

/// A step of the day.
#[derive(Clone, Debug, Serialize)]
pub struct StepTime {
    /// What happens then.
    pub what: &'static str,
    /// One time in ten it is earlier.
    pub p10: Option<UtcMs>,
    /// About then.
    pub p50: Option<UtcMs>,
    /// One time in ten it is later.
    pub p90: Option<UtcMs>,
}

/// One way to hit the hour from the start that must be kept.
#[derive(Clone, Debug, Serialize)]
pub struct ChangeTo {
    /// `yeast`, `place` or `dough_temperature`.
    pub what: &'static str,
    /// Which place, for `place`.
    pub place: Option<String>,
    /// Now: 1, or °C.
    pub from: f64,
    /// Instead: the factor on the yeast, or °C.
    pub to: f64,
    /// The chance of being late with it.
    pub late: f64,
    /// Whether that is enough by itself.
    pub enough: bool,
}

/// The answer.
#[derive(Clone, Debug, Serialize)]
pub struct PlanDocument {
    /// The dough.
    pub dough: String,
    /// When it must be on the table.
    pub table: UtcMs,
    /// Begin mixing: the latest, or the one that must be kept.
    pub start: UtcMs,
    /// Whether `start` was given.
    pub start_given: bool,
    /// The latest start that keeps the chance of being late.
    pub latest_start: UtcMs,
    /// The chance of being late with `start`.
    pub late: f64,
    /// The chance that is accepted.
    pub late_accepted: f64,
    /// The day, step by step.
    pub steps: Vec<StepTime>,
    /// The dough out of the mixer, °C.
    pub dough_temperature: f64,
    /// The air counted on.
    pub assumed_air: Vec<AssumedAir>,
    /// What to change, when `start` cannot be kept as it is.
    pub changes: Vec<ChangeTo>,
    /// What it rests on, a sentence each.
    pub evidence: Vec<String>,
    /// What to mind (`egg`, `milk`, `too_warm`).
    pub cautions: Vec<String>,
}

/// Answers.
///
/// # Errors
/// If the dough is not known, or a number cannot be.
pub fn answer(g: &Grounds<'_>, asked: &PlanAsked) -> Result<PlanDocument, PlanError> {
    sensible(asked)?;
    let recipe = g.recipe(&asked.dough, |_| {})?;
    let table = g.moment_to_come("table", &asked.table)?;
    let risk = asked.late_percent.unwrap_or(LATE_PERCENT) / 100.0;
    let (bake, assumed_air) = bake(g, &recipe, asked)?;
    let table_min = g.minute(table);
    let latest = bake.latest_start(table_min, risk)?;
    let given = asked
        .start
        .as_deref()
        .filter(|t| !t.trim().is_empty())
        .map(|t| g.moment("start", t))
        .transpose()?;
    // A start that is past cannot be kept: from now on, then, with what to change.
    let kept = given.or((latest.start_min < g.minute(g.now)).then_some(g.now));
    let start_min = kept.map_or(latest.start_min, |t| g.minute(t));
    let timetable = match kept {
        Some(_) => bake.run(start_min)?,
        None => latest.timetable.clone(),
    };
    let late = timetable.chance_late(table_min);
    let changes = match kept {
        Some(_) => changes(g, &recipe, &bake, start_min, table_min, risk)?,
        None => Vec::new(),
    };
    let mut evidence = vec![recipe.rests_on.clone()];
    if given.is_none() && kept.is_some() {
        evidence.insert(
            0,
            "The latest start is past already: this is what happens if you start now.".into(),
        );
    }
    let mut cautions = recipe.record.caution.clone();
    let ceiling = recipe.record.ceiling.unwrap_or(CEILING_C);
    if bake.places.iter().any(|p| p.course.warmest_c() > ceiling) {
        cautions.push("too_warm".into());
    }
    Ok(PlanDocument {
        dough: asked.dough.clone(),
        table,
        start: g.at_minute(start_min.floor()),
        start_given: given.is_some(),
        latest_start: g.at_minute(latest.start_min.floor()),
        late: share(late),
        late_accepted: share(risk),
        steps: steps(g, &timetable),
        dough_temperature: tenth(bake.dough_c),
        assumed_air,
        changes,
        evidence,
        cautions,
    })
}

/// Whether the numbers can be.
fn sensible(asked: &PlanAsked) -> Result<(), PlanError> {
    for (name, value, low, high, unit) in [
        ("bulk_c", asked.bulk_c, -5.0, 45.0, "°C"),
        ("final_c", asked.final_c, -5.0, 45.0, "°C"),
        ("dough_c", asked.dough_c, 0.0, 45.0, "°C"),
        ("late_percent", asked.late_percent, 0.1, 99.0, "percent"),
        ("night_h", asked.night_h, 0.0, 96.0, "hours"),
        ("mixing_min", asked.mixing_min, 0.0, 600.0, "minutes"),
        ("shaping_min", asked.shaping_min, 0.0, 600.0, "minutes"),
        ("baking_min", asked.baking_min, 0.0, 600.0, "minutes"),
        ("cooling_min", asked.cooling_min, 0.0, 1440.0, "minutes"),
    ] {
        given(name, value, low, high, unit)?;
    }
    Ok(())
}

fn bake(
    g: &Grounds<'_>,
    recipe: &Recipe,
    asked: &PlanAsked,
) -> Result<(Bake, Vec<AssumedAir>), PlanError> {
    let usual = g.default_place(&recipe.batch.place);
    let bulk_name = g
        .named_place("bulk_place", asked.bulk_place.as_deref(), asked.bulk_c)?
        .unwrap_or(usual);
    let final_name = g
        .named_place("final_place", asked.final_place.as_deref(), asked.final_c)?
        .unwrap_or_else(|| bulk_name.clone());
    let mut places: Vec<Place> = Vec::new();
    let mut assumed: Vec<AssumedAir> = Vec::new();
    let mut add = |(place, air): (Place, AssumedAir)| {
        places.push(place);
        assumed.push(air);
        places.len() - 1
    };
    let bulk_at = add(g.place(&bulk_name, asked.bulk_c)?);
    let final_at = if final_name == bulk_name && asked.final_c.is_none() {
        bulk_at
    } else {
        add(g.place(&final_name, asked.final_c)?)
    };
    let fridge_at = match asked.night_h {
        Some(_) => Some(add(g.fridge(None, None)?)),
        None => None,
    };
    let start = g.learned.habit.expect(places[bulk_at].course.mean_c());
    let mut bulk = Proof::at(bulk_at, recipe.bulk, recipe.bulk_tau_min);
    if let (Some(hours), Some(fridge)) = (asked.night_h, fridge_at) {
        bulk.stays = vec![
            Stay {
                place: bulk_at,
                for_min: Some(30.0),
            },
            Stay {
                place: fridge,
                for_min: Some(hours * 60.0),
            },
            Stay {
                place: bulk_at,
                for_min: None,
            },
        ];
    }
    let step = |given: Option<f64>, usual: f64| Step::about(given.unwrap_or(usual));
    let bake = Bake {
        law: recipe.law,
        mixing: step(asked.mixing_min, USUAL_MIN[0]),
        dough_c: asked.dough_c.unwrap_or(start.mean_c),
        dough_sd_c: if asked.dough_c.is_some() {
            0.8
        } else {
            start.sd_c.min(5.0)
        },
        bulk,
        shaping: step(asked.shaping_min, USUAL_MIN[1]),
        final_proof: Proof::at(final_at, recipe.final_proof, recipe.piece_tau_min),
        baking: step(asked.baking_min, USUAL_MIN[2]),
        cooling: step(asked.cooling_min, USUAL_MIN[3]),
        shared: g.learned.calibration.shared.clamp(0.0, 1.0),
        look_every_min: LOOK_MIN,
        places,
    };
    Ok((bake, assumed))
}

fn steps(g: &Grounds<'_>, t: &Timetable) -> Vec<StepTime> {
    let at = |what, m: Moment| StepTime {
        what,
        p10: m.p10.map(|m| g.at_minute(m)),
        p50: m.p50.map(|m| g.at_minute(m)),
        p90: m.p90.map(|m| g.at_minute(m)),
    };
    let start = Some(t.start_min);
    vec![
        at(
            "begin mixing",
            Moment {
                p10: start,
                p50: start,
                p90: start,
            },
        ),
        at("mixed, bulk begins", t.mixed),
        at("bulk is ready, shape", t.bulk_ready),
        at("shaped, final proof begins", t.shaped),
        at("ready for the oven", t.ready_to_bake),
        at("on the table", t.table),
    ]
}

fn changes(
    g: &Grounds<'_>,
    recipe: &Recipe,
    bake: &Bake,
    start: f64,
    table: f64,
    risk: f64,
) -> Result<Vec<ChangeTo>, PlanError> {
    let (exponent, sd) = g.learned.calibration.dose_exponent();
    let ceiling_c = recipe.record.ceiling.unwrap_or(CEILING_C).clamp(14.0, 40.0);
    let mut levers = vec![Lever::Yeast {
        exponent: exponent.clamp(0.2, 1.5),
        sd: sd.clamp(0.0, 0.5),
    }];
    let last = bake.final_proof.stays[0].place;
    let first = bake.bulk.stays[0].place;
    levers.push(Lever::Place {
        place: first,
        ceiling_c,
    });
    if last != first {
        levers.push(Lever::Place {
            place: last,
            ceiling_c,
        });
    }
    levers.push(Lever::Dough {
        ceiling_c: ceiling_c.max(19.0),
    });
    levers
        .into_iter()
        .map(|lever| {
            let Change {
                to,
                from,
                risk: late,
                enough,
                ..
            } = bake.change(lever, start, table, risk)?;
            let (what, place) = match lever {
                Lever::Yeast { .. } => ("yeast", None),
                Lever::Place { place, .. } => ("place", Some(bake.places[place].name.clone())),
                Lever::Dough { .. } => ("dough_temperature", None),
            };
            let digits = if what == "yeast" { 100.0 } else { 10.0 };
            let tidy = |v: f64| (v * digits).round() / digits;
            Ok(ChangeTo {
                what,
                place,
                from: tidy(from),
                to: tidy(to),
                late: share(late),
                enough,
            })
        })
        .collect()
}

/// A chance as bakers put it.
pub(super) fn times_in(chance: f64) -> String {
    match chance {
        c if c < 0.005 => "next to never".into(),
        c if c > 0.95 => "nearly always".into(),
        c => format!("{:.0} times in 100", c * 100.0),
    }
}

impl PlanDocument {
    /// The answer in sentences; the day's steps are in [`PlanDocument::steps`].
    #[must_use]
    pub fn words(&self, show: &Show) -> Vec<String> {
        let when = |t: UtcMs| show.when(t.timestamp());
        let mut out = Vec::new();
        let lead = if self.start == self.latest_start && !self.start_given {
            format!(
                "{}: begin mixing by {} to have it on the table at {}.",
                self.dough,
                when(self.start),
                when(self.table)
            )
        } else {
            format!(
                "{}: begun at {}, wanted on the table at {}. The latest safe start is {}.",
                self.dough,
                when(self.start),
                when(self.table),
                when(self.latest_start)
            )
        };
        out.push(lead);
        out.push(format!("It would be late {}.", times_in(self.late)));
        for c in &self.changes {
            out.push(change_in_words(c, show, self.late_accepted));
        }
        for air in &self.assumed_air {
            let swing = if air.swing_c >= 0.3 {
                format!(
                    ", {} by the hour",
                    show.difference(air.swing_c).replace('+', "±")
                )
            } else {
                String::new()
            };
            out.push(format!(
                "Air counted on in {}: {}{swing} ({}).",
                air.place,
                show.temperature(air.air_c),
                air.from
            ));
            out.extend(air.planned.iter().take(6).map(|c| {
                format!(
                    "Planned for {} at {}: {}. The plan counts on it.",
                    air.place,
                    when(c.at),
                    c.air_c.map_or_else(
                        || "left to itself".to_owned(),
                        |c| format!("heading for {}", show.temperature(c))
                    )
                )
            }));
        }
        out.push(format!(
            "Dough out of the mixer: {}.",
            show.temperature(self.dough_temperature)
        ));
        out.extend(self.evidence.iter().cloned());
        out
    }
}

fn change_in_words(c: &ChangeTo, show: &Show, accepted: f64) -> String {
    let enough = if c.enough {
        format!("late {}", times_in(c.late.min(accepted)))
    } else {
        format!("not enough by itself: still late {}", times_in(c.late))
    };
    match c.what {
        "yeast" => {
            let percent = (c.to - 1.0) * 100.0;
            let more = if percent >= 0.0 {
                format!("{percent:.0} % more yeast")
            } else {
                format!("{:.0} % less yeast", -percent)
            };
            format!("Or {more} ({enough}).")
        }
        "place" => format!(
            "Or {} at {} instead of {} ({enough}).",
            c.place.as_deref().unwrap_or("the place"),
            show.temperature(c.to),
            show.temperature(c.from)
        ),
        _ => format!(
            "Or a dough of {} out of the mixer instead of {} ({enough}).",
            show.temperature(c.to),
            show.temperature(c.from)
        ),
    }
}

//! `oven-light`: the guided empty run that learns an oven (light on, heat off, nothing inside), and then
//! how long to leave the light on, when to switch it off, and whether the ceiling is safe.
//!
//! What a run has learned is kept in the setting `oven_responses`, by place.

use doughwarden_dashboards::show::{Show, minutes};
use doughwarden_model::planning::{
    Inconclusive, KnownOven, LampCase, LampPlan, LampSafety, RunAdvice, guided_run,
};
use doughwarden_model::surroundings::{Approach, LampBox};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};

use super::{Grounds, PlanError, given, tenth};
use crate::batches::record::{PlaceKind, Quantity};
use crate::store::Store;
use crate::time::UtcMs;

/// The setting that holds what was learned, by place.
pub const SETTING: &str = "oven_responses";
/// The dough wanted unless told, °C.
const USUAL_TARGET_C: f64 = 26.0;
/// The ceiling where the dough states none, °C.
const USUAL_CEILING_C: f64 = 30.0;
/// A reading older than this is not "now", minutes.
const NOW_MIN: f64 = 15.0;

/// What is asked.
#[derive(Clone, Debug, Default, Deserialize, clap::Args, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(default, deny_unknown_fields)]
pub struct OvenAsked {
    /// The oven or box
    #[arg(long)]
    pub place: String,
    /// When the light went on for the guided empty run (RFC 3339): looks at that run instead of planning
    #[arg(long, value_name = "T")]
    pub since: Option<String>,
    /// When that run ended; without it, it goes on
    #[arg(long, value_name = "T")]
    pub until: Option<String>,
    /// The dough: its size and its ceiling count
    #[arg(long)]
    pub dough: Option<String>,
    /// Shaped pieces rather than the whole dough
    #[arg(long)]
    pub shaped: bool,
    /// The dough now, °C
    #[arg(long, value_name = "DEGREES")]
    pub dough_c: Option<f64>,
    /// The dough wanted, °C; 26 unless told
    #[arg(long, value_name = "DEGREES")]
    pub target_c: Option<f64>,
    /// The room, °C; without it, its newest reading
    #[arg(long, value_name = "DEGREES")]
    pub room_c: Option<f64>,
    /// The air in the oven now, °C; without it, its newest reading
    #[arg(long, value_name = "DEGREES")]
    pub air_c: Option<f64>,
}

/// What an oven does with its light on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Response {
    /// How fast, minutes.
    pub time_constant_min: f64,
    /// Where the air goes over the room, °C.
    pub rise_c: f64,
    /// How sure that is: one standard deviation, °C.
    pub rise_sd_c: f64,
    /// How sure the speed is: one standard deviation of its logarithm.
    pub ln_time_constant_se: f64,
    /// When it was learned.
    pub at: UtcMs,
}

/// The guided run so far.
#[derive(Clone, Debug, Serialize)]
pub struct RunState {
    /// `wait`, `enough`, `inconclusive` or `heat_is_on`.
    pub state: &'static str,
    /// How long to go on, minutes, for `wait`.
    pub minutes_more: Option<f64>,
    /// Where the air seems to be heading, °C.
    pub heading: Option<[f64; 2]>,
    /// Why, for `inconclusive`: `no_warming`, `fell`, `gap`, `still_rising`.
    pub reason: Option<&'static str>,
    /// Readings of the run so far.
    pub readings: usize,
}

/// The plan for the light.
#[derive(Clone, Debug, Serialize)]
pub struct Light {
    /// Leave it on for so long, minutes; 0: not at all; null: as long as you like, it never gets there.
    pub on_min: Option<f64>,
    /// Switch it off then.
    pub off_at: Option<UtcMs>,
    /// Cut short so that the ceiling is safe even if the oven is hotter than it seems.
    pub cut_short: bool,
    /// The dough coasts to this, °C …
    pub dough_peak: f64,
    /// … then.
    pub peak_at: Option<UtcMs>,
    /// The peak if the oven is hotter than it seems, °C.
    pub hot_case_peak: f64,
    /// The air with the light left on, expected and hotter than it seems, °C.
    pub plateau: [f64; 2],
    /// `safe_if_forgotten`, `must_go_off` or `too_warm_now`.
    pub safety: &'static str,
    /// At the latest, for `must_go_off`.
    pub off_by: Option<UtcMs>,
    /// To keep the air at the wish afterwards: minutes on, minutes off.
    pub rhythm_min: Option<[f64; 2]>,
}

/// The answer.
#[derive(Clone, Debug, Serialize)]
pub struct OvenDocument {
    /// Which oven.
    pub place: String,
    /// The dough wanted, °C.
    pub target: f64,
    /// No warmer than this, °C.
    pub ceiling: f64,
    /// The room counted on, °C.
    pub room: f64,
    /// The guided run, if one was asked about.
    pub run: Option<RunState>,
    /// What is known of the oven.
    pub response: Option<Response>,
    /// The plan, if the oven is known and no run was asked about.
    pub light: Option<Light>,
}

/// What was learned of a place's oven.
///
/// # Errors
/// If the store cannot be read.
pub fn response(store: &dyn Store, place: &str) -> Result<Option<Response>, PlanError> {
    Ok(store
        .setting(SETTING)?
        .and_then(|all| serde_json::from_value(all.get(place)?.clone()).ok()))
}

/// Keeps what a run has learned.
///
/// # Errors
/// If the store cannot be written.
pub fn keep(store: &dyn Store, place: &str, learned: Response) -> Result<(), PlanError> {
    let mut all = match store.setting(SETTING)? {
        Some(Value::Object(map)) => map,
        _ => Map::new(),
    };
    all.insert(place.to_owned(), json!(learned));
    Ok(store.set_setting(SETTING, Some(&Value::Object(all)))?)
}

/// Answers from what is known of the oven, and (with `file`) keeps what a run that is enough has taught.
///
/// # Errors
/// If a number cannot be, or the store fails.
pub fn ask(
    g: &Grounds<'_>,
    store: &dyn Store,
    asked: &OvenAsked,
    file: bool,
) -> Result<OvenDocument, PlanError> {
    let document = answer(g, response(store, &asked.place)?, asked)?;
    if file
        && document.run.as_ref().is_some_and(|r| r.state == "enough")
        && let Some(learned) = document.response
    {
        keep(store, &asked.place, learned)?;
    }
    Ok(document)
}

/// Answers; `known` is what an earlier run has learned. The document's `response` is the newer one where
/// the run asked about is enough: [`keep`] it.
///
/// # Errors
/// If a number cannot be.
pub fn answer(
    g: &Grounds<'_>,
    known: Option<Response>,
    asked: &OvenAsked,
) -> Result<OvenDocument, PlanError> {
    if asked.place.trim().is_empty() {
        return Err(PlanError::Bad("say which oven: the place's name".into()));
    }
    g.named_place("place", Some(&asked.place), asked.air_c)?;
    for (name, value, low, high) in [
        ("dough_c", asked.dough_c, -5.0, 45.0),
        ("target_c", asked.target_c, 5.0, 45.0),
        ("room_c", asked.room_c, -5.0, 45.0),
        ("air_c", asked.air_c, -5.0, 120.0),
    ] {
        given(name, value, low, high, "°C")?;
    }
    let recipe = asked
        .dough
        .as_deref()
        .map(|d| g.recipe(d, |_| {}))
        .transpose()?;
    let ceiling = recipe
        .as_ref()
        .and_then(|r| r.record.ceiling)
        .unwrap_or(USUAL_CEILING_C);
    let target = asked.target_c.unwrap_or(USUAL_TARGET_C.min(ceiling));
    let room = match asked.room_c {
        Some(c) => c,
        None => room_around(g, &asked.place)?,
    };
    let mut document = OvenDocument {
        place: asked.place.clone(),
        target,
        ceiling,
        room: tenth(room),
        run: None,
        response: known,
        light: None,
    };
    if let Some(since) = asked.since.as_deref().filter(|t| !t.is_empty()) {
        let parse = |name: &str, t: &str| {
            UtcMs::parse(t).map_err(|e| PlanError::Bad(format!("{name}: {e}")))
        };
        let from = parse("since", since)?;
        let to = match asked.until.as_deref().filter(|t| !t.is_empty()) {
            Some(t) => parse("until", t)?,
            None => g.now.plus_ms(1),
        };
        let log = log_of(g, &asked.place, from, to)?;
        let advice = guided_run(room, &log)?;
        document.run = Some(run_state(&advice, log.len()));
        if let RunAdvice::Enough { oven, fit } = advice {
            document.response = Some(response_of(oven, &fit, to.min(g.now)));
        }
        return Ok(document);
    }
    if let Some(known) = known {
        let air = match asked.air_c {
            Some(c) => c,
            None => newest(g, &asked.place)?.unwrap_or(room),
        };
        let tau_min = recipe.as_ref().map_or(90.0, |r| {
            if asked.shaped {
                r.piece_tau_min
            } else {
                r.bulk_tau_min
            }
        });
        let dough = asked
            .dough_c
            .unwrap_or_else(|| g.learned.habit.expect(room).mean_c);
        let plan = LampPlan::new(
            KnownOven {
                oven: LampBox::new(known.time_constant_min * 60.0, known.rise_c)?,
                plateau_sd_c: known.rise_sd_c,
                ln_tau_se: known.ln_time_constant_se,
            },
            LampCase {
                room_c: room,
                air_c: air,
                dough_c: dough,
                dough_tau_s: tau_min * 60.0,
                target_c: target,
                ceiling_c: ceiling,
            },
        )?;
        document.light = Some(light(g, &plan));
    }
    Ok(document)
}

fn response_of(oven: LampBox, fit: &Approach, at: UtcMs) -> Response {
    Response {
        time_constant_min: tenth(oven.time_constant_s / 60.0),
        rise_c: tenth(oven.lamp_rise_c),
        // Half of a 90 % interval over the normal's 1.645.
        rise_sd_c: ((fit.plateau_90_c.1 - fit.plateau_90_c.0) / 3.29).clamp(0.2, 20.0),
        ln_time_constant_se: fit.ln_time_constant_se.clamp(0.02, 2.0),
        at,
    }
}

fn run_state(advice: &RunAdvice, readings: usize) -> RunState {
    let blank = RunState {
        state: "wait",
        minutes_more: None,
        heading: None,
        reason: None,
        readings,
    };
    match advice {
        RunAdvice::Wait {
            minutes_more,
            heading_c,
        } => RunState {
            minutes_more: Some(minutes_more.round()),
            heading: heading_c.map(|(low, high)| [tenth(low), tenth(high)]),
            ..blank
        },
        RunAdvice::Enough { fit, .. } => RunState {
            state: "enough",
            heading: Some([tenth(fit.plateau_90_c.0), tenth(fit.plateau_90_c.1)]),
            ..blank
        },
        RunAdvice::HeatIsOn => RunState {
            state: "heat_is_on",
            ..blank
        },
        RunAdvice::Inconclusive(why) => RunState {
            state: "inconclusive",
            reason: Some(match why {
                Inconclusive::NoWarming => "no_warming",
                Inconclusive::Fell => "fell",
                Inconclusive::Gap => "gap",
                Inconclusive::StillRising => "still_rising",
            }),
            ..blank
        },
    }
}

fn light(g: &Grounds<'_>, plan: &LampPlan) -> Light {
    let after = |s: f64| g.now.plus_min((s / 60.0).floor());
    Light {
        on_min: plan.on_s.map(|s| (s / 60.0).floor()),
        off_at: plan.on_s.map(after),
        cut_short: plan.cut_short,
        dough_peak: tenth(plan.dough_peak_c),
        peak_at: plan.on_s.map(|on| after(on + plan.peak_after_s)),
        hot_case_peak: tenth(plan.hot_case_peak_c),
        plateau: [tenth(plan.plateau_c.0), tenth(plan.plateau_c.1)],
        safety: match plan.safety {
            LampSafety::SafeIfForgotten => "safe_if_forgotten",
            LampSafety::MustGoOff { .. } => "must_go_off",
            LampSafety::TooWarmNow => "too_warm_now",
        },
        off_by: if let LampSafety::MustGoOff { by_s } = plan.safety {
            Some(after(by_s))
        } else {
            None
        },
        rhythm_min: plan
            .rhythm
            .map(|r| [(r.on_s / 60.0).round(), (r.off_s / 60.0).round()]),
    }
}

fn log_of(
    g: &Grounds<'_>,
    place: &str,
    from: UtcMs,
    to: UtcMs,
) -> Result<Vec<(f64, f64)>, PlanError> {
    let readings = g
        .sources
        .readings
        .of_place(place, Quantity::AirTemperature, from, to)?;
    Ok(readings
        .iter()
        .filter(|r| r.value.is_finite())
        .map(|r| (r.time.seconds_since(from), r.value))
        .collect())
}

fn newest(g: &Grounds<'_>, place: &str) -> Result<Option<f64>, PlanError> {
    let readings = g.sources.readings.of_place(
        place,
        Quantity::AirTemperature,
        g.now.plus_min(-NOW_MIN),
        g.now.plus_ms(1),
    )?;
    Ok(readings.last().map(|r| r.value))
}

fn room_around(g: &Grounds<'_>, place: &str) -> Result<f64, PlanError> {
    let inside = g.book().places.get(place).and_then(|p| p.inside.clone());
    let room = inside.or_else(|| {
        g.place_names()
            .into_iter()
            .find(|n| g.book().kind_of(n) == PlaceKind::Room)
    });
    let Some(room) = room else { return Ok(21.0) };
    match newest(g, &room)? {
        Some(c) => Ok(c),
        None => Ok(g
            .place(&room, None)?
            .0
            .course
            .at(g.minute(g.now))
            .clamp(5.0, 40.0)),
    }
}

/// What to mind with an oven as a proof box; shown with every answer.
pub const CAUTIONS: [&str; 3] = [
    "Light only: the oven's heat stays off while dough, cloth, plastic or the sensor is in it. Put a note on the switch.",
    "A lamp is a heater: only the bulb the oven is rated for, its glass on, cloth and plastic away from it.",
    "Raw egg or milk held warm: no longer than it needs; your local food rules decide.",
];

impl OvenDocument {
    /// The answer in sentences.
    #[must_use]
    pub fn words(&self, show: &Show) -> Vec<String> {
        let when = |t: UtcMs| show.when(t.timestamp());
        let mut out = Vec::new();
        match (&self.run, &self.light, &self.response) {
            (Some(run), _, response) => out.extend(run_words(run, response.as_ref(), show)),
            (None, Some(l), Some(r)) => {
                out.push(match (l.on_min, l.off_at) {
                    (Some(m), _) if m < 1.0 => "Leave the light off: the dough is or coasts there without it.".to_owned(),
                    (Some(m), Some(off)) => format!("Light on for {}: switch it off at {}.", minutes(m), when(off)),
                    _ => format!("The light alone never brings the dough to {}: it can stay on.", show.temperature(self.target)),
                });
                if let Some(peak) = l.peak_at {
                    out.push(format!("The dough coasts to {} about {}.", show.temperature(l.dough_peak), when(peak)));
                }
                out.push(match (l.safety, l.off_by) {
                    ("safe_if_forgotten", _) => format!("Even left on it stays below {}.", show.temperature(self.ceiling)),
                    ("must_go_off", Some(by)) => format!("It must be off by {}: left on, the air goes to {} and the dough past {}.", when(by), show.temperature(l.plateau[1]), show.temperature(self.ceiling)),
                    _ => format!("It is too warm already for {}: open the door a little.", show.temperature(self.ceiling)),
                });
                if l.cut_short {
                    out.push("Cut short to be safe, because the oven is not known closely. A longer empty run would help.".to_owned());
                }
                if let Some([on, off]) = l.rhythm_min {
                    out.push(format!("After that, about {} on and {} off keeps the air near {}.", minutes(on), minutes(off), show.temperature(self.target)));
                }
                out.push(format!("Learned {}: the light warms this oven {} over the room, most of the way in {}.",
                    show.when(r.at.timestamp()), show.difference(r.rise_c).trim_start_matches('+'), minutes(2.0 * r.time_constant_min)));
            }
            _ => out.push("This oven is not known yet. Empty it, leave the heat off, put the light on with the sensor inside and the door shut, \
                 and let it run for about 90 minutes; then ask with the time the light went on.".to_owned()),
        }
        out.extend(CAUTIONS.iter().map(|c| (*c).to_owned()));
        out
    }
}

fn run_words(run: &RunState, response: Option<&Response>, show: &Show) -> Vec<String> {
    let heading = run
        .heading
        .map(|[a, b]| {
            format!(
                " It seems to be heading for {} to {}.",
                show.temperature(a),
                show.temperature(b)
            )
        })
        .unwrap_or_default();
    vec![match (run.state, run.reason, response) {
        ("wait", ..) => format!("Leave it for about {} more, door shut.{heading}", minutes(run.minutes_more.unwrap_or(0.0))),
        ("enough", _, Some(r)) => format!("That is enough: the light warms this oven {} over the room. You can switch it off and plan with it.", show.difference(r.rise_c).trim_start_matches('+')),
        ("heat_is_on", ..) => "Stop: no lamp warms like this. The oven's heat is on. Switch it off now, and take out whatever must not get hot.".to_owned(),
        (_, Some("no_warming"), _) => "Nothing got warmer. Is the light on? An LED bulb may warm too little.".to_owned(),
        (_, Some("fell"), _) => "The air fell on the way: the door was opened or the light went off. Let it cool and start again.".to_owned(),
        (_, Some("gap"), _) => "Readings were missing for too long. See to the sensor and start again from cool.".to_owned(),
        _ => "After four hours it is still rising: something else heats it too. Keep the light for short times only, and watch the dough.".to_owned(),
    }]
}

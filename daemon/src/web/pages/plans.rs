//! Planning pages: the four questions, the reader's table, comparing groups.

use axum::extract::{Query, State};
use axum::response::Redirect;
use doughwarden_dashboards::cautions::Caution;
use doughwarden_dashboards::compare::{Compare, Group, Point};
use doughwarden_dashboards::plan::{Answer, Plan, Question, Step};
use doughwarden_dashboards::reader_table::ReaderTable;
use doughwarden_dashboards::show::{Show, encode};
use doughwarden_model::planning::Tester;
use maud::Markup;

use super::{Fields, Just, Sent, back_to, display, frame};
use crate::app::App;
use crate::batches::record::StageKind;
use crate::plans::compare::{self, CompareAsked, CurvePoint};
use crate::plans::hold::{self, HoldAsked};
use crate::plans::oven::OvenAsked;
use crate::plans::plan::{self, PlanAsked};
use crate::plans::readers::{self, ReadersAsked};
use crate::plans::water::{self, WaterAsked};
use crate::time::UtcMs;
use crate::web::api::plans::{ask, oven};
use crate::web::problem::Problem;
use crate::web::{Shared, Web};

/// A page's address holds a form's fields.
type Asked = Query<Vec<(String, String)>>;

/// What a form says, read as the baker writes it: °F where the page shows °F.
struct Typed<'a> {
    fields: &'a Fields,
    show: &'a Show,
}

impl Typed<'_> {
    fn text(&self, name: &str) -> Option<String> {
        self.fields.text(name).map(str::to_owned)
    }

    fn number(&self, name: &str, what: &str) -> Result<Option<f64>, Problem> {
        self.fields.number(name, what)
    }

    fn degrees(&self, name: &str, what: &str) -> Result<Option<f64>, Problem> {
        Ok(self.number(name, what)?.map(|t| self.show.to_celsius(t)))
    }

    /// The last time the clock showed what was typed, RFC 3339.
    fn past(&self, name: &str) -> Result<Option<String>, Problem> {
        self.text(name)
            .map(|t| {
                let now = UtcMs(self.show.now.as_millisecond());
                Ok(display::clock(&t, now, self.show)?.to_string())
            })
            .transpose()
    }
}

/// The page with the four questions.
///
/// # Errors
/// If the store cannot be read.
pub async fn page(
    State(web): State<Shared>,
    Query(just): Query<Just>,
    Query(query): Asked,
) -> Result<Markup, Problem> {
    web.off(move |web| {
        let frame = frame(&web.app, just.done("/plan"))?;
        let fields = Fields(query);
        let asked = fields.text("ask").and_then(Question::from_word);
        let asked = asked.map(|question| {
            let typed = Typed {
                fields: &fields,
                show: &frame.show,
            };
            (
                question,
                answer(web, question, &typed).map_err(|p| p.detail),
            )
        });
        let mut view = choices(&web.app);
        view.typed = fields.0;
        view.asked = asked;
        Ok(doughwarden_dashboards::plan::page(&view, &frame))
    })
    .await
}

/// Doughs, places and proofs to choose from.
fn choices(app: &App) -> Plan {
    let book = app.book();
    let now = app.clock.now();
    let mut doughs: Vec<String> = book.doughs.keys().cloned().collect();
    doughs.extend(book.batches.values().map(|b| b.dough.clone()));
    doughs.sort();
    doughs.dedup();
    Plan {
        doughs,
        places: book.places.keys().cloned().collect(),
        batches: book
            .in_progress(now)
            .filter_map(|s| {
                let batch = book.batches.get(&s.batch)?;
                let proof = if s.stage == StageKind::Bulk {
                    "bulk"
                } else {
                    "final proof"
                };
                Some((batch.id.clone(), format!("{}, {proof}", batch.dough)))
            })
            .collect(),
        ..Plan::default()
    }
}

fn answer(web: &Web, question: Question, t: &Typed<'_>) -> Result<Answer, Problem> {
    let show = t.show;
    match question {
        Question::Mix => {
            let asked = PlanAsked {
                dough: t.fields.need("dough", "The dough")?.to_owned(),
                table: t
                    .fields
                    .need("table", "When it must be on the table")?
                    .to_owned(),
                start: t.text("start"),
                bulk_place: t.text("bulk_place"),
                bulk_c: t.degrees("bulk_c", "The air for bulk")?,
                final_place: t.text("final_place"),
                final_c: t.degrees("final_c", "The air for the pieces")?,
                dough_c: t.degrees("dough_c", "The dough out of the mixer")?,
                late_percent: t.number("late_percent", "Late at most")?,
                night_h: t.number("night_h", "Hours in the fridge")?,
                mixing_min: t.number("mixing_min", "Mixing")?,
                shaping_min: t.number("shaping_min", "Shaping")?,
                baking_min: t.number("baking_min", "Baking")?,
                cooling_min: t.number("cooling_min", "Cooling")?,
            };
            let d = ask(web, |g| plan::answer(g, &asked))?;
            let steps = d
                .steps
                .iter()
                .map(|s| Step {
                    what: s.what.to_owned(),
                    about: s.p50.map(UtcMs::timestamp),
                    span: s
                        .p10
                        .zip(s.p90)
                        .map(|(a, b)| (a.timestamp(), b.timestamp())),
                })
                .collect();
            Ok(Answer {
                lines: d.words(show),
                steps,
                cautions: cautions(&d.cautions),
                keep: None,
            })
        }
        Question::Water => {
            let asked = WaterAsked {
                wanted_c: t.degrees("wanted_c", "The dough wanted")?,
                room_c: t.degrees("room_c", "The room")?,
                flour_c: t.degrees("flour_c", "The flour")?,
                preferment_c: t.degrees("preferment_c", "The pre-ferment")?,
                tap_c: t.degrees("tap_c", "The tap")?,
                mixing: t.text("mixing"),
            };
            let d = ask(web, |g| water::answer(g, &asked))?;
            Ok(Answer {
                lines: d.words(show),
                ..Answer::default()
            })
        }
        Question::Light => {
            let asked = OvenAsked {
                place: t.fields.need("place", "Which oven")?.to_owned(),
                since: t.past("since")?,
                until: None,
                dough: t.text("light_dough"),
                shaped: t.text("shaped").is_some(),
                dough_c: t.degrees("now_c", "The dough now")?,
                target_c: t.degrees("target_c", "The dough wanted")?,
                room_c: t.degrees("light_room_c", "The room")?,
                air_c: None,
            };
            let d = oven(web, &asked, false)?;
            let learned = d.run.as_ref().is_some_and(|r| r.state == "enough");
            Ok(Answer {
                // The page shows the cautions in full below.
                lines: d
                    .words(show)
                    .into_iter()
                    .filter(|l| !crate::plans::oven::CAUTIONS.contains(&l.as_str()))
                    .collect(),
                keep: asked
                    .since
                    .filter(|_| learned)
                    .map(|since| (asked.place, since)),
                ..Answer::default()
            })
        }
        Question::Hold => {
            let asked = HoldAsked {
                batch: t.fields.need("batch", "Which dough")?.to_owned(),
                back: t.fields.need("back", "When you are back")?.to_owned(),
                ready: t.text("ready"),
                put_in: None,
                fridge: None,
                fridge_c: t.degrees("fridge_c", "The fridge")?,
                over_percent: t.number("over_percent", "Over-proofed at most")?,
            };
            let d = ask(web, |g| hold::answer(g, &asked))?;
            Ok(Answer {
                lines: d.words(show),
                cautions: cautions(&d.cautions),
                ..Answer::default()
            })
        }
    }
}

fn cautions(words: &[String]) -> Vec<Caution> {
    words.iter().filter_map(|w| Caution::from_word(w)).collect()
}

/// "Keep this and plan with it."
///
/// # Errors
/// If the run is not enough after all, or the store cannot be written.
pub async fn keep_oven(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let asked = OvenAsked {
            place: fields.need("place", "Which oven")?.to_owned(),
            since: Some(fields.need("since", "When the light went on")?.to_owned()),
            ..OvenAsked::default()
        };
        let document = oven(web, &asked, true)?;
        if document.run.is_none_or(|r| r.state != "enough") {
            return Err(Problem::unprocessable(
                "The run is not enough yet: let it go on.",
            ));
        }
        let path = format!("/plan?ask=light&place={}", encode(&asked.place));
        Ok(back_to(&path, "learned", None))
    })
    .await
}

/// The reader's table of a dough.
///
/// # Errors
/// If there is no such dough.
pub async fn reader_table(
    State(web): State<Shared>,
    Query(just): Query<Just>,
    Query(query): Asked,
) -> Result<Markup, Problem> {
    web.off(move |web| {
        let fields = Fields(query);
        let dough = fields.need("dough", "The dough")?.to_owned();
        let frame = frame(&web.app, just.done("/plan"))?;
        let d = ask(web, |g| {
            readers::answer(
                g,
                &ReadersAsked {
                    dough: dough.clone(),
                    ..ReadersAsked::default()
                },
            )
        })?;
        let view = ReaderTable {
            dough,
            html: d.html,
            text: d.text,
            csv: d.csv,
            testers: d.testers,
        };
        Ok(doughwarden_dashboards::reader_table::page(&view, &frame))
    })
    .await
}

/// A tester's four numbers, kept on the dough's record.
///
/// # Errors
/// If a number is missing, or the store cannot be written.
pub async fn tester(State(web): State<Shared>, form: Sent) -> Result<Redirect, Problem> {
    let fields = Fields::new(form);
    web.off(move |web| {
        let show = display::show(&web.app)?;
        let t = Typed {
            fields: &fields,
            show: &show,
        };
        let dough = fields.need("dough", "The dough")?.to_owned();
        let needed = |value: Option<f64>, what: &str| {
            value.ok_or_else(|| Problem::unprocessable(format!("{what} is missing.")))
        };
        let tester = Tester {
            room_c: needed(t.degrees("room", "Their room")?, "Their room")?,
            dough_c: needed(
                t.degrees("dough_temperature", "Their dough")?,
                "Their dough's temperature",
            )?,
            bulk_min: t.number("bulk_min", "Bulk")?,
            final_min: t.number("final_min", "Final proof")?,
        };
        if tester.bulk_min.is_none() && tester.final_min.is_none() {
            return Err(Problem::unprocessable(
                "Give at least one of their two times.",
            ));
        }
        // Numbers that cannot be are refused before they are kept.
        let typed = format!(
            "{},{},{},{}",
            tester.room_c,
            tester.dough_c,
            tester.bulk_min.map_or(String::new(), |m| m.to_string()),
            tester.final_min.map_or(String::new(), |m| m.to_string())
        );
        let asked = ReadersAsked {
            dough: dough.clone(),
            testers: Some(typed),
            ..ReadersAsked::default()
        };
        let line = ask(web, |g| {
            readers::answer(g, &asked)?;
            readers::with_testers(g, &dough, &[tester])
        })?;
        let applied = crate::batches::apply::apply(&web.app, &line, true)?;
        if let Some(bad) = applied.bad.first() {
            return Err(Problem::unprocessable(bad.reason.clone()));
        }
        Ok(back_to(
            &format!("/reader-table?dough={}", encode(&dough)),
            "noted",
            applied.group,
        ))
    })
    .await
}

/// Groups of bakes side by side.
///
/// # Errors
/// If the store cannot be read.
pub async fn compare_page(
    State(web): State<Shared>,
    Query(query): Asked,
) -> Result<Markup, Problem> {
    web.off(move |web| {
        let fields = Fields(query);
        let frame = frame(&web.app, None)?;
        let text = |name: &str| fields.text(name).map(str::to_owned);
        let asked = CompareAsked {
            by: text("by"),
            dough: text("dough"),
            stage: text("stage"),
            south: text("south").is_some(),
            dates: text("dates"),
            only: text("only"),
        };
        let mut view = Compare {
            doughs: choices(&web.app).doughs,
            ..Compare::default()
        };
        match ask(web, |g| compare::answer(g, &asked)) {
            Ok(d) => {
                view.verdicts = d
                    .pairs
                    .iter()
                    .map(compare::PairDocument::sentence)
                    .collect();
                view.groups = d
                    .groups
                    .into_iter()
                    .map(|g| Group {
                        name: g.name,
                        proofs: g.proofs,
                        clock_min: g.clock_min,
                        effective_min: g.effective_min,
                        dough_c: g.dough_c,
                        by_clock: points(&g.by_clock),
                        by_effective: points(&g.by_effective_time),
                    })
                    .collect();
                view.evidence = d.evidence;
            }
            Err(problem) if problem.status.is_client_error() => view.wrong = Some(problem.detail),
            Err(problem) => return Err(problem),
        }
        view.typed = fields.0;
        Ok(doughwarden_dashboards::compare::page(&view, &frame))
    })
    .await
}

fn points(curve: &[CurvePoint]) -> Vec<Point> {
    curve.iter().map(|p| (p.min, p.p10, p.p50, p.p90)).collect()
}

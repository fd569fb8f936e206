//! For tests: a stream written as minutes, and what phones are told along it.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde_json::Value;

use super::life::{self, Manner};
use super::rules::{Finding, Open};
use super::watcher::Watcher;
use super::world::{Around, Input, SensorFacts};
use crate::batches::book::Book;
use crate::batches::record::{Quantity, Record, StageKind};
use crate::forecasts::ProofView;
use crate::forecasts::document::{
    DoughTemperature, ForecastDocument, Quantiles, ReadyQuantiles, Rise, TimedValue,
};
use crate::store::{AlertRow, KeptOut, StoredReading};
use crate::time::UtcMs;

/// When every timeline begins.
pub const START: &str = "2026-01-10T06:00:00Z";

/// One message, or a change only the page sees.
#[derive(Clone, Debug)]
pub struct Told {
    /// Minutes from the start.
    pub min: f64,
    /// Whether phones were told.
    pub pushed: bool,
    /// The document.
    pub doc: Value,
}

/// A stream in the making.
pub struct Timeline {
    pub watcher: Watcher,
    pub manner: Manner,
    pub now: UtcMs,
    pub rows: Vec<AlertRow>,
    pub told: Vec<Told>,
    pub book: Book,
    views: BTreeMap<String, Arc<ProofView>>,
    sensors: Vec<SensorFacts>,
    pub around: Around,
    /// How often it ticks, ms.
    pub tick_ms: i64,
}

pub fn minute(min: f64) -> UtcMs {
    UtcMs::parse(START).unwrap().plus_min(min)
}

impl Timeline {
    /// Begins with these log-book lines; `{MIN:5}` in them stands for five minutes after the start.
    pub fn new(lines: &str) -> Self {
        let mut timeline = Self {
            watcher: Watcher::default(),
            manner: Manner::default(),
            now: minute(0.0),
            rows: Vec::new(),
            told: Vec::new(),
            book: Book::default(),
            views: BTreeMap::new(),
            sensors: Vec::new(),
            around: Around::default(),
            tick_ms: 1_000,
        };
        timeline.see(&Input::Afresh);
        timeline.book(lines);
        timeline
    }

    /// One enriched dough in the given kind of place, in its final proof since the start.
    pub fn knots_in(kind: &str) -> Self {
        Self::new(&format!(
            r#"{{"record":"place","name":"nook","kind":"{kind}"}}
{{"record":"place","name":"kitchen","kind":"room"}}
{{"record":"dough","name":"cardamom knots","ceiling":30,"lead_min":{{"bulk":10,"final":30}},"caution":["egg","milk"]}}
{{"record":"batch","id":"knots","dough":"cardamom knots","place":"nook"}}
{{"record":"stage","batch":"knots","stage":"final","start":"{{MIN:0}}"}}"#
        ))
    }

    /// Puts records into the book.
    pub fn book(&mut self, lines: &str) {
        for line in lines.lines().filter(|l| !l.trim().is_empty()) {
            let mut line = line.to_owned();
            while let Some(at) = line.find("{MIN:") {
                let end = at + line[at..].find('}').unwrap();
                let min: f64 = line[at + 5..end].parse().unwrap();
                line.replace_range(at..=end, &minute(min).to_string());
            }
            self.book
                .put(serde_json::from_str::<Record>(&line).unwrap());
        }
        self.see(&Input::Book(Arc::new(self.book.clone())));
    }

    /// Ends the final proof of `knots` now.
    pub fn end_final(&mut self) {
        self.end(StageKind::Final);
    }

    /// Ends a stage of `knots` now.
    pub fn end(&mut self, stage: StageKind) {
        self.book
            .stages
            .get_mut(&("knots".to_owned(), stage))
            .unwrap()
            .end = Some(self.now);
        self.see(&Input::Book(Arc::new(self.book.clone())));
    }

    /// A sensor with its longest normal gap.
    pub fn sensor(&mut self, name: &str, place: &str, gap_s: f64) {
        self.sensors.push(SensorFacts {
            sensor: name.into(),
            place: Some(place.into()),
            longest_gap_s: Some(gap_s),
            last_heard: Some(self.now),
            air: true,
        });
    }

    pub fn see(&mut self, input: &Input<'_>) {
        self.watcher.see(self.now, input);
        self.look();
    }

    fn look(&mut self) {
        let findings = self.watcher.findings();
        let open = self
            .rows
            .iter()
            .filter(|r| r.cleared.is_none())
            .cloned()
            .collect();
        let rows = self.rows.clone();
        let step = life::look(
            self.now,
            &findings,
            open,
            &self.manner,
            &mut |id| {
                rows.iter()
                    .find(|r| r.id == id && r.cleared.is_some())
                    .cloned()
            },
            &|rule, subject| self.watcher.ending(rule, subject),
        );
        for row in step.rows {
            self.rows.retain(|r| r.id != row.id);
            self.rows.push(row);
        }
        let min = self.now.seconds_since(minute(0.0)) / 60.0;
        for message in step.messages.iter().filter(|m| m.pushed) {
            // What a phone's lock screen shows: some four lines (from memory, no published source).
            let letters = |field: &str| message.doc[field].as_str().unwrap().chars().count();
            assert!(letters("title") <= 80, "{}", message.doc["title"]);
            assert!(letters("text") <= 200, "{}", message.doc["text"]);
        }
        self.told.extend(step.messages.into_iter().map(|m| Told {
            min,
            pushed: m.pushed,
            doc: m.doc,
        }));
    }

    /// Carries a sensor to another place.
    pub fn carry(&mut self, sensor: &str, place: &str) {
        let facts = self.sensors.iter_mut().find(|s| s.sensor == sensor);
        facts.unwrap().place = Some(place.into());
    }

    /// Minutes since the start.
    pub fn min(&self) -> f64 {
        self.now.seconds_since(minute(0.0)) / 60.0
    }

    /// Lets time pass, a tick a second (every ten over more than ten minutes, for speed).
    pub fn until(&mut self, min: f64) {
        let left_ms = minute(min).0 - self.now.0;
        let tick_ms = if left_ms > 600_000 {
            10_000
        } else {
            self.tick_ms
        };
        while self.now < minute(min) {
            self.now = self.now.plus_ms(tick_ms);
            let sensors = self.sensors.clone();
            let around = self.around.clone();
            self.watcher.see(self.now, &Input::Sensors(sensors));
            self.watcher.see(self.now, &Input::Around(around));
            self.see(&Input::Tick);
        }
    }

    /// A reading now.
    pub fn reading(
        &mut self,
        sensor: &str,
        quantity: Quantity,
        value: f64,
        kept_out: Option<KeptOut>,
    ) {
        let place = self
            .sensors
            .iter_mut()
            .find(|s| s.sensor == sensor)
            .and_then(|s| {
                s.last_heard = Some(self.now);
                s.place.clone()
            });
        let reading = StoredReading {
            time: self.now,
            arrived: self.now,
            sensor: sensor.into(),
            quantity,
            value,
            raw: None,
            kept_out,
            place: place.map(Into::into),
            batch: None,
        };
        self.see(&Input::Readings(&[reading]));
    }

    /// Believed air now.
    pub fn air(&mut self, sensor: &str, value: f64) {
        self.reading(sensor, Quantity::AirTemperature, value, None);
    }

    /// Believed air every `every_s` seconds from now to `min`, as a function of the minute.
    pub fn air_while(&mut self, sensor: &str, every_s: f64, min: f64, air_c: impl Fn(f64) -> f64) {
        let mut at = self.now.seconds_since(minute(0.0)) / 60.0;
        while at < min - 1e-9 {
            self.air(sensor, air_c(at));
            at += every_s / 60.0;
            self.until(at.min(min));
        }
    }

    /// A forecast for `knots`.
    pub fn forecast(&mut self, view: ProofView) {
        self.views
            .insert(view.document.batch.clone(), Arc::new(view));
        self.see(&Input::Proofs(self.views.clone()));
    }

    /// No forecast is there yet, as just after a start.
    pub fn forget_forecasts(&mut self) {
        self.views.clear();
        self.see(&Input::Proofs(BTreeMap::new()));
    }

    /// The daemon ends and starts again with what was stored.
    pub fn restart(&mut self) {
        self.watcher = Watcher::default();
        let (book, views) = (Arc::new(self.book.clone()), self.views.clone());
        self.watcher.see(self.now, &Input::Book(book));
        self.watcher.see(self.now, &Input::Proofs(views));
        for row in self.rows.iter().filter(|r| r.cleared.is_none()) {
            let memory = life::Memory::of(row).unwrap();
            self.watcher.resume(
                &memory.rule,
                &Open {
                    subject: &memory.subject,
                    began: memory.began,
                    raised: row.raised,
                    edition: memory.edition,
                    memory: &memory.own,
                },
            );
        }
        self.see(&Input::Afresh);
    }

    /// `alert state` of everything phones were told.
    pub fn pushes(&self) -> Vec<String> {
        self.told
            .iter()
            .filter(|t| t.pushed)
            .map(|t| {
                format!(
                    "{} {}",
                    t.doc["alert"].as_str().unwrap(),
                    t.doc["state"].as_str().unwrap()
                )
            })
            .collect()
    }

    /// The same of one rule.
    pub fn pushes_of(&self, alert: &str) -> Vec<String> {
        let mut pushes = self.pushes();
        pushes.retain(|p| p.starts_with(&format!("{alert} ")));
        pushes
    }

    /// The first message with this alert and state.
    pub fn first(&self, alert: &str, state: &str) -> Option<&Told> {
        self.told
            .iter()
            .find(|t| t.doc["alert"] == alert && t.doc["state"] == state)
    }

    /// What holds now, by rule.
    pub fn holding(&self, rule: &str) -> Vec<Finding> {
        self.watcher
            .findings()
            .into_iter()
            .filter(|f| f.about.name == rule)
            .collect()
    }
}

/// A forecast of `knots`' final proof: ready at these minutes, and the chances that it is ready
/// or past its range now.
pub fn view(ready_min: [f64; 3], chance_ready: f64, chance_over: f64) -> ProofView {
    let [p10, p50, p90] = ready_min.map(|m| Some(minute(m)));
    ProofView {
        document: ForecastDocument {
            batch: "knots".into(),
            stage: StageKind::Final,
            at: minute(0.0),
            // What is told on the page is of a dough that is not ready yet: no rule may go by it.
            ready: ReadyQuantiles {
                p10: None,
                p50: None,
                p90: None,
            },
            rise: Rise {
                now: Quantiles {
                    p10: 0.3,
                    p50: 0.4,
                    p90: 0.5,
                },
                curve: Vec::new(),
            },
            dough_temperature: DoughTemperature {
                now: 25.0,
                curve: Vec::new(),
            },
            assumed_air_temperature: Vec::<TimedValue>::new(),
            evidence: Vec::new(),
        },
        stage: StageKind::Final,
        chance_ready_now: chance_ready,
        chance_over_now: chance_over,
        ready_at: std::array::from_fn(|i| match i {
            0..=5 => p10,
            6..=12 => p50,
            _ => p90,
        }),
        progress: 0.5,
        dent_would_help: false,
        air: None,
        yeast_left: 1.0,
    }
}

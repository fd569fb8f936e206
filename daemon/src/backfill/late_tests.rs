//! Readings that come late, from a sensor that kept an hour of them or from a file: they stand where
//! they belong, with the time they came, and the forecast is what it would be had they come in time.

use std::sync::Arc;
use std::time::Duration;

use tokio::task::JoinSet;

use crate::app::App;
use crate::backfill::{Report, csv, mapping, tell};
use crate::batches::apply::apply;
use crate::batches::record::{Quantity, Unit};
use crate::config::Config;
use crate::events::Event;
use crate::store::sqlite::SqliteStore;
use crate::store::{Arrival, ReadingQuery, StoredReading};
use crate::time::{Clock, UtcMs};

const BOOK: &str = r#"
{"record":"place","name":"shelf","kind":"room"}
{"record":"dough","name":"plum braid","bulk":{"usual_min":120,"at":24}}
{"record":"batch","id":"2026-0001","dough":"plum braid","place":"shelf"}
{"record":"stage","batch":"2026-0001","stage":"bulk","start":"2026-02-01T08:00:00Z","dough_temperature":24}
"#;

fn t(text: &str) -> UtcMs {
    UtcMs::parse(&format!("2026-02-01T{text}:00Z")).unwrap()
}

/// The shelf's air each minute between two minutes of the proof: warm in the middle hour.
fn air(from: i64, to: i64, arrived: Option<UtcMs>) -> Vec<StoredReading> {
    (from..to)
        .map(|minute| {
            let time = t("08:00").plus_ms(minute * 60_000);
            StoredReading {
                time,
                arrived: arrived.unwrap_or(time),
                sensor: "shelf".into(),
                quantity: Quantity::AirTemperature,
                value: if (10..70).contains(&minute) {
                    29.5
                } else {
                    22.0
                },
                raw: None,
                kept_out: None,
                place: Some("shelf".into()),
                batch: None,
            }
        })
        .collect()
}

struct Kitchen {
    app: Arc<App>,
    _rooms: JoinSet<()>,
    _dir: tempfile::TempDir,
}

impl Kitchen {
    fn new(readings: Vec<StoredReading>) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let store = Arc::new(SqliteStore::open(dir.path()).unwrap());
        let clock = Clock::by_hand(t("09:20"));
        let app = App::new(clock, Config::default(), dir.path().into(), store).unwrap();
        assert!(apply(&app, BOOK, true).unwrap().bad.is_empty());
        let kitchen = Self {
            app,
            _rooms: JoinSet::new(),
            _dir: dir,
        };
        kitchen.put(readings);
        kitchen
    }

    fn put(&self, readings: Vec<StoredReading>) {
        let arrival = Arrival {
            readings: readings.into(),
            own_time: true,
            packet: None,
        };
        for stored in self.app.store.append(&[arrival]).unwrap() {
            self.app
                .bus
                .tell(Event::Readings(stored.new.into_vec().into()));
        }
    }

    fn start(mut self) -> Self {
        crate::forecasts::start(&self.app, &mut self._rooms);
        self
    }

    fn now(&self) -> Option<String> {
        let view = self.app.live.get("2026-0001")?;
        Some(serde_json::to_string(&view.document).unwrap())
    }

    /// Waits until the forecast is as told.
    async fn becomes(&self, is: impl Fn(&str) -> bool) -> String {
        let waited = tokio::time::timeout(Duration::from_secs(60), async {
            loop {
                if let Some(now) = self.now().filter(|now| is(now)) {
                    return now;
                }
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        });
        match waited.await {
            Ok(now) => now,
            Err(_) => panic!("the forecast stayed {:?}", self.now()),
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_kept_hour_stands_where_it_belongs_and_the_forecast_is_redone() {
    let in_time = Kitchen::new(air(-30, 80, None)).start();
    let wanted = in_time.becomes(|_| true).await;

    let mut without = air(-30, 10, None);
    without.extend(air(70, 80, None));
    let late = Kitchen::new(without.clone()).start();
    let before = late.becomes(|_| true).await;
    assert_ne!(before, wanted, "the warm hour counts");
    late.put(air(10, 70, Some(t("09:20"))));
    assert_eq!(late.becomes(|now| now != before).await, wanted);
    let stored = late.app.store.readings(&ReadingQuery::default()).unwrap();
    assert!(stored.is_sorted_by_key(|r| r.time));
    let kept_hour = stored.iter().filter(|r| r.arrived != r.time).count();
    assert_eq!((stored.len(), kept_hour), (110, 60), "both times are kept");

    // The same hour from a file.
    let by_file = Kitchen::new(without).start();
    let before = by_file.becomes(|_| true).await;
    let mut text = "time;air\n".to_owned();
    for r in air(10, 70, None) {
        text.push_str(&format!(
            "{};{}\n",
            r.time,
            r.value.to_string().replace('.', ",")
        ));
    }
    let mapping = mapping::Mapping {
        name: "shelf".into(),
        time: "time".into(),
        values: vec![mapping::Column {
            column: "air".into(),
            sensor: "shelf".into(),
            quantity: Quantity::AirTemperature,
            unit: Unit::Cel,
            place: None,
        }],
        ..mapping::Mapping::default()
    };
    let app = &by_file.app;
    let book = app.book();
    let around = csv::Around {
        book: &book,
        now: app.clock.now(),
        usual_zone: "UTC",
    };
    let mut file = std::io::Cursor::new(text.into_bytes());
    let report = csv::import(&*app.store, &mut file, &mapping, &around, true, &mut |_| {
        true
    })
    .unwrap();
    assert!(matches!(
        report,
        Report {
            stored: 60,
            bad: 0,
            ..
        }
    ));
    tell(app, &report).unwrap();
    assert_eq!(by_file.becomes(|now| now != before).await, wanted);
}

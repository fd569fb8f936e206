//! One reading's path from bytes to stored: decoded and judged, committed alone, and committed in a
//! batch as the writer does under load.

use std::sync::Arc;

use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use doughwarden::batches::book::Book;
use doughwarden::config::sensor::Sensor;
use doughwarden::ingest::gate::Gate;
use doughwarden::ingest::intake::take;
use doughwarden::ingest::mapping::{Claims, Mappings};
use doughwarden::ingest::writer::{Ack, BATCH_ROWS, Message};
use doughwarden::store::sqlite::SqliteStore;
use doughwarden::store::{Arrival, Packet, Store};
use doughwarden::time::UtcMs;

fn claims() -> Claims {
    let spec: Sensor = serde_json::from_value(serde_json::json!({
        "name": "{1}", "topic": "kitchen/+/state", "pointer": "/temperature",
        "quantity": "air_temperature", "unit": "Cel"
    }))
    .expect("the mapping is right");
    Claims::new(Arc::new(Mappings::new([(spec, true)])))
}

fn message(i: i64) -> Message {
    let payload = format!(
        r#"{{"temperature":{},"humidity":61.5,"battery":87}}"#,
        24.0 + (i % 10) as f64 / 10.0
    );
    Message {
        topic: "kitchen/box/state".into(),
        payload: payload.into(),
        retained: false,
        arrived: UtcMs(1_768_000_000_000 + i * 10_000),
        packet: Some(Packet {
            session: "out".into(),
            id: (i % 65_535) as u16 + 1,
            digest: i as u64,
            maybe_again: false,
        }),
        resumed: None,
        ack: Ack::None,
    }
}

struct Way {
    gate: Gate,
    claims: Claims,
    book: Book,
    next: i64,
}

impl Way {
    fn new() -> Self {
        Self {
            gate: Gate::default(),
            claims: claims(),
            book: Book::default(),
            next: 0,
        }
    }

    fn messages(&mut self, count: usize) -> Vec<Message> {
        let from = self.next;
        self.next += count as i64;
        (from..self.next).map(message).collect()
    }

    fn arrivals(&mut self, messages: &[Message]) -> Vec<Arrival> {
        messages
            .iter()
            .flat_map(|m| take(&mut self.gate, &mut self.claims, &self.book, m).arrivals)
            .collect()
    }
}

fn bytes_to_stored(c: &mut Criterion) {
    let dir = tempfile::tempdir().expect("a scratch directory");
    let store = Arc::new(SqliteStore::open(dir.path()).expect("the store opens"));
    let mut group = c.benchmark_group("one reading");
    let way = std::cell::RefCell::new(Way::new());
    group.throughput(Throughput::Elements(1));
    group.bench_function("decoded and judged", |b| {
        b.iter_batched(
            || way.borrow_mut().messages(1),
            |messages| way.borrow_mut().arrivals(&messages),
            BatchSize::SmallInput,
        );
    });
    group.bench_function("bytes to stored, committed alone", |b| {
        b.iter_batched(
            || way.borrow_mut().messages(1),
            |messages| {
                let arrivals = way.borrow_mut().arrivals(&messages);
                store.append(&arrivals).expect("the store writes")
            },
            BatchSize::SmallInput,
        );
    });
    group.throughput(Throughput::Elements(BATCH_ROWS as u64));
    group.bench_function("bytes to stored, a full batch", |b| {
        b.iter_batched(
            || way.borrow_mut().messages(BATCH_ROWS),
            |messages| {
                let arrivals = way.borrow_mut().arrivals(&messages);
                store.append(&arrivals).expect("the store writes")
            },
            BatchSize::SmallInput,
        );
    });
    group.finish();
}

criterion_group!(benches, bytes_to_stored);
criterion_main!(benches);

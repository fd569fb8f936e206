//! What a baker does, from the first tap to the last, and back.

use super::actions::{self, ActionError};
use super::apply::{apply, undo};
use super::tests::{EXAMPLE, at, kitchen};
use crate::batches::record::{
    Batch, Dent, Extra, Observation, ObservationKind, Outcome, Record, StageKind,
};

fn rise(batch: &str, time: &str, rise: f64) -> Observation {
    Observation {
        batch: batch.into(),
        time: at(time),
        kind: ObservationKind::Rise,
        rise: Some(rise),
        result: None,
        value: None,
        unit: None,
        by: None,
        text: None,
        extra: Extra::new(),
    }
}

#[test]
fn a_bake_from_same_again_to_the_oven() {
    let k = kitchen();
    apply(&k.app, EXAMPLE, true).unwrap();
    let begun = actions::same_again(
        &k.app,
        "cardamom knots",
        at("2026-01-10T08:00:00Z"),
        Some("Ada"),
    )
    .unwrap();
    assert_eq!(begun.batch, "2026-cardamom-knots-0110-1");
    let id = begun.batch.as_str();
    let book = k.app.book();
    let batch = &book.batches[id];
    assert_eq!((batch.pieces, batch.place.as_str()), (Some(14), "box"));
    assert!(batch.formula.is_some(), "it is made as the last one was");
    actions::move_batch(&k.app, id, "counter", at("2026-01-10T08:30:00Z"), None).unwrap();
    actions::observe(&k.app, rise(id, "2026-01-10T08:40:00Z", 0.5)).unwrap();
    actions::end_stage(
        &k.app,
        id,
        None,
        Outcome::Ready,
        at("2026-01-10T09:30:00Z"),
        None,
    )
    .unwrap();
    assert!(matches!(
        actions::end_stage(
            &k.app,
            id,
            None,
            Outcome::Ready,
            at("2026-01-10T09:31:00Z"),
            None
        ),
        Err(ActionError::Refused(_))
    ));
    let part = actions::split_batch(
        &k.app,
        id,
        "fridge",
        Some(6),
        at("2026-01-10T09:40:00Z"),
        None,
    )
    .unwrap();
    assert_eq!(part.batch, "2026-cardamom-knots-0110-1-b");
    let finish = actions::start_stage(
        &k.app,
        id,
        StageKind::Final,
        at("2026-01-10T09:50:00Z"),
        Some("oven"),
        None,
    )
    .unwrap();
    assert!(
        actions::start_stage(
            &k.app,
            id,
            StageKind::Final,
            at("2026-01-10T09:55:00Z"),
            None,
            None
        )
        .is_err()
    );
    let book = k.app.book();
    assert_eq!(book.place_at(id, at("2026-01-10T10:00:00Z")), Some("oven"));
    assert_eq!(
        book.place_at(&part.batch, at("2026-01-10T10:00:00Z")),
        Some("fridge")
    );
    assert_eq!(
        book.place_at(&part.batch, at("2026-01-10T09:00:00Z")),
        Some("counter")
    );
    assert!(undo(&k.app, finish.group.unwrap()).unwrap());
    assert!(k.app.book().own_stage(id, StageKind::Final).is_none());
}

#[test]
fn an_open_bulk_proof_ends_as_unknown_where_the_final_begins_or_when_nobody_taps() {
    let k = kitchen();
    let new = Batch {
        dough: "brød, mørkt".into(),
        place: "box".into(),
        ..Batch::default()
    };
    let begun = actions::start_batch(
        &k.app,
        new.clone(),
        at("2026-01-10T08:00:00Z"),
        Some(26.5),
        None,
    )
    .unwrap();
    assert_eq!(begun.batch, "2026-brod-morkt-0110-1");
    let id = begun.batch.as_str();
    actions::start_stage(
        &k.app,
        id,
        StageKind::Final,
        at("2026-01-10T10:00:00Z"),
        None,
        None,
    )
    .unwrap();
    let book = k.app.book();
    let bulk = book.own_stage(id, StageKind::Bulk).unwrap();
    assert_eq!(
        (bulk.end, bulk.outcome),
        (Some(at("2026-01-10T10:00:00Z")), Some(Outcome::Unknown))
    );
    assert_eq!(bulk.dough_temperature, Some(26.5));
    actions::close_unknown(&k.app, id, StageKind::Final, at("2026-01-10T11:30:00Z")).unwrap();
    assert!(
        actions::close_unknown(&k.app, id, StageKind::Final, at("2026-01-10T11:31:00Z")).is_err()
    );
    let second = actions::start_batch(&k.app, new, at("2026-01-10T08:00:00Z"), None, None).unwrap();
    assert_eq!(second.batch, "2026-brod-morkt-0110-2");
}

#[test]
fn an_entry_is_changed_with_its_time_taken_out_and_brought_back() {
    let k = kitchen();
    apply(&k.app, EXAMPLE, true).unwrap();
    let old = Record::Observation(rise("2026-knots-0110", "2026-01-10T07:00:00Z", 0.42));
    let new = Record::Observation(rise("2026-knots-0110", "2026-01-10T07:02:00Z", 0.4));
    let key = old.key().unwrap();
    let before = k.app.book();
    let group = actions::replace(&k.app, &key, new.clone())
        .unwrap()
        .unwrap();
    assert_eq!(k.app.book().observations.len(), before.observations.len());
    assert!(actions::replace(&k.app, &key, new).is_err(), "it is gone");
    assert!(undo(&k.app, group).unwrap());
    assert_eq!(k.app.book(), before);
    let batch = before.batches["2026-knots-0110"].clone();
    let group = actions::remove(&k.app, &Record::Batch(batch).key().unwrap())
        .unwrap()
        .unwrap();
    let book = k.app.book();
    assert_eq!(
        (
            book.batches.len(),
            book.stages.len(),
            book.observations.len()
        ),
        (0, 0, 0)
    );
    assert!(undo(&k.app, group).unwrap());
    assert_eq!(k.app.book(), before);
    let off = actions::set_learn(&k.app, "2026-knots-0110", false).unwrap();
    assert_eq!(k.app.book().batches["2026-knots-0110"].learn, Some(false));
    assert!(undo(&k.app, off.group.unwrap()).unwrap());
}

#[test]
fn what_makes_no_sense_is_refused_in_one_line() {
    let k = kitchen();
    let nobody = actions::move_batch(&k.app, "nobody", "box", at("2026-01-10T08:00:00Z"), None);
    assert!(nobody.unwrap_err().to_string().contains("`nobody`"));
    let never = actions::same_again(&k.app, "rye", at("2026-01-10T08:00:00Z"), None);
    assert!(never.unwrap_err().to_string().contains("`rye`"));
    let mut dent = rise("nobody", "2026-01-10T08:00:00Z", 0.1);
    dent.kind = ObservationKind::FingerDent;
    dent.rise = None;
    assert!(actions::observe(&k.app, dent.clone()).is_err());
    dent.result = Some(Dent::Stays);
    assert!(actions::observe(&k.app, dent).is_err());
    let ahead = Batch {
        id: "x".into(),
        dough: "d".into(),
        place: "p".into(),
        ..Batch::default()
    };
    let late = at("2026-01-10T12:10:00.001Z");
    assert!(actions::start_batch(&k.app, ahead, late, None, None).is_err());
    assert!(k.app.book().batches.is_empty());
}

/// What a command beside the daemon writes is seen within two seconds of real time.
#[tokio::test(flavor = "multi_thread")]
async fn a_command_beside_the_daemon_is_followed() {
    use crate::events::Event;
    use crate::store::Store as _;
    use std::time::Duration;

    let k = kitchen();
    let mut events = k.app.bus.listen();
    let mut rooms = tokio::task::JoinSet::new();
    super::follow::start(&k.app, &mut rooms);
    // The first look reads the book.
    assert!(matches!(events.recv().await, Ok(Event::Book)));
    let beside = crate::store::sqlite::SqliteStore::open(&k.app.data_dir).unwrap();
    beside
        .set_setting("unit", Some(&serde_json::json!("degF")))
        .unwrap();
    let seen = async {
        let mut seen = Vec::new();
        while seen.len() < 2 {
            seen.push(events.recv().await.unwrap());
        }
        seen
    };
    let seen = tokio::time::timeout(Duration::from_secs(2), seen)
        .await
        .unwrap();
    assert!(
        matches!(seen[..], [Event::Book, Event::Settings]),
        "{seen:?}"
    );
    k.app.stop.cancel();
    while rooms.join_next().await.is_some() {}
}

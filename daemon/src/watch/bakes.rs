//! Whole ordinary bakes, the baker acting on each message within its lead: how often a phone is
//! told. At most twice a stage; quiet hours let the urgent through.

use super::quiet::QuietHours;
use super::timeline::{Timeline, minute, view};
use crate::batches::record::StageKind;

/// A stage's forecast gets narrower as ready comes nearer: ready at `ready`, seen from `now`.
fn forecast(t: &mut Timeline, stage: StageKind, ready: f64, dough_c: f64) {
    let left = (ready - t.min()).max(0.0);
    let spread = 0.2 * left + 3.0;
    let early = (ready - spread).max(t.min());
    let past = t.min() - ready;
    let mut v = view(
        [early, ready.max(t.min()), (ready + spread).max(t.min())],
        (0.5 + past / (2.0 * spread)).clamp(0.0, 1.0),
        ((past - 20.0) / 30.0).clamp(0.0, 1.0),
    );
    v.stage = stage;
    v.document.stage = stage;
    v.document.dough_temperature.now = dough_c;
    v.dent_would_help = left > 50.0 && left < 60.0;
    t.forecast(v);
}

/// Lets a stage go on until phones are told that it is nearly ready, then `acts_after` minutes
/// more, with a reading a minute.
fn proof(t: &mut Timeline, stage: StageKind, ready: f64, air_c: f64, acts_after: f64) {
    let told_before = t.pushes_of("nearly_ready").len();
    let mut acts_at = f64::INFINITY;
    while t.min() < acts_at && t.min() < ready + 60.0 {
        let wave = 0.4 * (t.min() / 7.0).sin();
        t.air("probe", air_c + wave);
        forecast(t, stage, ready, air_c - 1.0);
        t.until(t.min() + 1.0);
        if acts_at.is_infinite() && t.pushes_of("nearly_ready").len() > told_before {
            acts_at = t.min() + acts_after;
        }
    }
    assert!(acts_at.is_finite(), "nearly ready was never told");
}

/// Bulk from the start, shaping for 20 minutes, final; gives the pushes of each stage.
fn bake(
    t: &mut Timeline,
    bulk_ready: f64,
    bulk_c: f64,
    final_lasts: f64,
    final_c: f64,
) -> [usize; 2] {
    t.tick_ms = 10_000;
    let begun = t.min();
    proof(t, StageKind::Bulk, bulk_ready, bulk_c, 8.0);
    t.end(StageKind::Bulk);
    let bulk_pushes = t.pushes().len();
    let shaped = t.min() + 20.0;
    t.air_while("probe", 60.0, shaped, |_| 22.0);
    let start = t.now;
    t.book(&format!(
        r#"{{"record":"stage","batch":"knots","stage":"final","start":"{start}"}}"#
    ));
    let ready = t.min() + final_lasts;
    proof(t, StageKind::Final, ready, final_c, 20.0);
    t.end(StageKind::Final);
    // The oven heats for the bake, the sensor still in the warm kitchen air beside it.
    let baked = t.min() + 30.0;
    t.air_while("probe", 60.0, baked, |_| 24.0);
    assert!(begun < ready);
    [bulk_pushes, t.pushes().len() - bulk_pushes]
}

fn kitchen(kind: &str) -> Timeline {
    let mut t = Timeline::new(&format!(
        r#"{{"record":"place","name":"nook","kind":"{kind}"}}
{{"record":"place","name":"kitchen","kind":"room"}}
{{"record":"dough","name":"cardamom knots","ceiling":30,"bulk":{{"usual_min":95,"at":24}},"final":{{"usual_min":55,"at":25}},"caution":["egg","milk"]}}
{{"record":"batch","id":"knots","dough":"cardamom knots","place":"nook"}}
{{"record":"stage","batch":"knots","stage":"bulk","start":"{{MIN:0}}"}}"#
    ));
    t.sensor("probe", "nook", 60.0);
    t
}

#[test]
fn at_most_two_messages_a_stage_on_ordinary_bakes() {
    let (mut lamp, mut room) = (kitchen("oven"), kitchen("room"));
    let winter_lamp = bake(&mut lamp, 100.0, 27.0, 60.0, 27.0);
    let summer_room = bake(&mut room, 70.0, 28.0, 45.0, 28.0);
    for (name, pushes, told) in [
        ("winter lamp", winter_lamp, lamp.pushes()),
        ("summer room", summer_room, room.pushes()),
    ] {
        for (stage, count) in ["bulk", "final"].iter().zip(pushes) {
            assert!(
                (1..=2).contains(&count),
                "{name}, {stage}: {count} of {told:?}"
            );
        }
    }
}

#[test]
fn a_night_in_the_fridge_wakes_no_one() {
    let mut t = kitchen("room");
    t.tick_ms = 10_000;
    t.book(r#"{"record":"place","name":"fridge","kind":"fridge"}"#);
    // An hour on the counter, then nine in the cold, where the sensor is not heard.
    while t.min() < 60.0 {
        forecast(&mut t, StageKind::Bulk, 700.0, 21.0);
        let next = t.min() + 5.0;
        t.air_while("probe", 60.0, next, |_| 22.0);
    }
    t.carry("probe", "fridge");
    t.book(r#"{"record":"move","batch":"knots","time":"{MIN:60}","place":"fridge"}"#);
    while t.min() < 600.0 {
        forecast(&mut t, StageKind::Bulk, 700.0, 4.0);
        t.until(t.min() + 20.0);
    }
    assert!(t.pushes().is_empty(), "{:?}", t.pushes());
}

#[test]
fn quiet_hours_defer_but_let_the_oven_through() {
    let mut t = kitchen("oven");
    t.manner.quiet = Some(QuietHours::parse("05:00-06:40").unwrap());
    t.sensor("fast", "nook", 10.0);
    forecast(&mut t, StageKind::Bulk, 20.0, 25.0);
    t.air_while("fast", 10.0, 15.0, |_| 27.0);
    assert!(t.pushes().is_empty());
    t.air_while("fast", 10.0, 17.0, |m| 27.0 + 11.0 * (m - 15.0).max(0.0));
    assert_eq!(t.pushes(), ["oven_on raised"]);
    t.book(r#"{"record":"move","batch":"knots","time":"{MIN:17}","place":"kitchen"}"#);
    t.until(39.0);
    assert_eq!(t.pushes(), ["oven_on raised"]);
    forecast(&mut t, StageKind::Bulk, 45.0, 25.0);
    t.until(41.0);
    // Still true when the quiet hours end: told then, once.
    assert_eq!(t.pushes_of("nearly_ready"), ["nearly_ready raised"]);
    assert_eq!(t.now, minute(41.0));
}

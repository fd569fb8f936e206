//! The machine around the kitchen: broker, outside copy, disk, nightly copy, daily test. Rules of
//! one shape.
//!
//! **Broker unreachable**: fires after a minute away, clears when it is connected and subscribed
//! for 10 s; stands for the sensors lost with it. **Copy failing**: fires when points have waited
//! for the outside store without the queue getting shorter for 15 minutes, clears when it is
//! empty. **Disk**: fires when less than 10 % or 200 MiB is free, or a write failed, for a minute;
//! clears when both are well again for 5 minutes. **Nightly copy**: fires when the newest copy of
//! the store is over a day and a half old or none could be made, clears with the next copy. **Self-test**: fires when the daily test of the
//! whole chain failed and failed again ten minutes later, clears when it goes through.

use super::hold::{Hold, Patience};
use super::{About, Finding, Open, Rule, Severity, Subject};
use crate::watch::world::{Input, World};

/// Broker unreachable.
pub static BROKER: About = About {
    name: "broker_unreachable",
    fires: "the broker has been away for 1 min",
    clears: "connected and subscribed for 10 s",
    default: "1 min; the sensors lost with it are listed in the one message",
    why: "one cause, one message",
    severity: Severity::Warning,
    repeats: true,
    tells_over: true,
    expires_min: 6 * 60,
    gives_way_to: &[],
};

/// Copy failing.
pub static COPY: About = About {
    name: "copy_failing",
    fires: "points have waited for the outside store for 15 min without the queue getting shorter",
    clears: "nothing waits",
    default: "15 min",
    why: "nothing is lost yet: the embedded store has every reading",
    severity: Severity::Note,
    repeats: false,
    tells_over: true,
    expires_min: 24 * 60,
    gives_way_to: &[],
};

/// Disk.
pub static DISK: About = About {
    name: "disk",
    fires: "less than 10 % or 200 MiB of the disk is free, or a write failed, for 1 min",
    clears: "well again for 5 min",
    default: "10 % or 200 MiB, whichever comes first",
    why: "when it is full nothing new is kept",
    severity: Severity::Warning,
    repeats: true,
    tells_over: true,
    expires_min: 24 * 60,
    gives_way_to: &[],
};

/// Nightly copy.
pub static NIGHTLY: About = About {
    name: "nightly_copy_old",
    fires: "the newest nightly copy is over 36 h old, or an hour after the start none could be made, for 1 min",
    clears: "a copy is made",
    default: "36 h; nothing without a folder for copies",
    why: "a memory card that dies takes every bake with it",
    severity: Severity::Note,
    repeats: false,
    tells_over: true,
    expires_min: 24 * 60,
    gives_way_to: &[],
};

/// Self-test.
pub static SELF_TEST: About = About {
    name: "self_test",
    fires: "the daily test of the whole chain, from a made-up reading at the broker to each channel's other end, failed twice, ten minutes apart",
    clears: "it goes through (tried again every hour)",
    default: "once a day; no phone rings for it",
    why: "a way that died last week is found on a quiet day, and told over those that work",
    severity: Severity::Warning,
    repeats: false,
    tells_over: true,
    expires_min: 12 * 60,
    gives_way_to: &["broker_unreachable", "disk"],
};

/// Free space under which the disk is told of, bytes.
const FREE_BYTES: u64 = 200 << 20;
/// The same as a share of the disk.
const FREE_SHARE: f64 = 0.1;

/// Broker unreachable.
#[derive(Debug, Default)]
pub struct BrokerUnreachable(Hold);

/// Copy failing.
#[derive(Debug, Default)]
pub struct CopyFailing {
    hold: Hold,
    shortest: Option<i64>,
}

/// Disk.
#[derive(Debug, Default)]
pub struct Disk(Hold);

/// Nightly copy.
#[derive(Debug, Default)]
pub struct NightlyCopy(Hold);

/// Self-test.
#[derive(Debug, Default)]
pub struct SelfTest {
    hold: Hold,
    failed: Vec<String>,
}

fn alert(
    about: &'static About,
    hold: &Hold,
    title: &str,
    text: String,
    over: &str,
) -> Vec<Finding> {
    if !hold.on {
        return Vec::new();
    }
    let mut finding = Finding::new(about, Subject::default(), hold.began);
    finding.title = title.into();
    finding.text = text;
    finding.over = over.into();
    vec![finding]
}

impl Rule for BrokerUnreachable {
    fn about(&self) -> &'static About {
        &BROKER
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if matches!(input, Input::Tick) {
            let ready = world.around.broker_ready;
            let patience = Patience {
                on_ms: 60_000,
                off_ms: 10_000,
            };
            self.0.look(world.now, !ready, ready, patience);
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let text = format!(
            "No sensor is heard since {}. Broker, network, password?",
            world.say.clock(self.0.began, world.now)
        );
        alert(
            &BROKER,
            &self.0,
            "The broker is away",
            text,
            "The broker is back.",
        )
    }

    fn resume(&mut self, open: &Open<'_>) {
        self.0 = Hold::counting(open.began);
    }
}

impl Rule for CopyFailing {
    fn about(&self) -> &'static About {
        &COPY
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if !matches!(input, Input::Tick) {
            return;
        }
        let waiting = world.around.copy_waiting.unwrap_or(0);
        let shorter = self.shortest.is_some_and(|s| waiting < s);
        if waiting == 0 {
            self.shortest = None;
        } else if shorter || self.shortest.is_none() {
            self.shortest = Some(waiting);
        }
        let stuck = waiting > 0 && !shorter;
        let patience = Patience {
            on_ms: 15 * 60_000,
            off_ms: 0,
        };
        self.hold.look(world.now, stuck, waiting == 0, patience);
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let text = format!(
            "{} points wait for InfluxDB. Nothing is lost: they are kept here.",
            world.around.copy_waiting.unwrap_or(0)
        );
        alert(
            &COPY,
            &self.hold,
            "The outside copy is behind",
            text,
            "The outside copy has caught up.",
        )
    }

    fn resume(&mut self, open: &Open<'_>) {
        self.hold = Hold::counting(open.began);
    }
}

impl Rule for Disk {
    fn about(&self) -> &'static About {
        &DISK
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if !matches!(input, Input::Tick) {
            return;
        }
        let full = world.around.disk.is_some_and(|(free, size)| {
            free < FREE_BYTES || (free as f64) < FREE_SHARE * size as f64
        });
        let bad = full || !world.around.store_writes;
        let patience = Patience {
            on_ms: 60_000,
            off_ms: 5 * 60_000,
        };
        self.0.look(world.now, bad, !bad, patience);
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let text = match world.around.disk {
            _ if !world.around.store_writes => {
                "Nothing new can be written: free some space. What is stored is safe.".to_owned()
            }
            Some((free, _)) => format!("{} MiB left: free some space.", free >> 20),
            None => "Free some space.".to_owned(),
        };
        alert(
            &DISK,
            &self.0,
            "The disk is nearly full",
            text,
            "The disk has room again.",
        )
    }

    fn resume(&mut self, open: &Open<'_>) {
        self.0 = Hold::counting(open.began);
    }
}

impl Rule for NightlyCopy {
    fn about(&self) -> &'static About {
        &NIGHTLY
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if matches!(input, Input::Tick) {
            let late = world.around.nightly_late.is_some();
            let patience = Patience {
                on_ms: 60_000,
                off_ms: 0,
            };
            self.0.look(world.now, late, !late, patience);
        }
    }

    fn findings(&self, world: &World) -> Vec<Finding> {
        let why = world.around.nightly_late.as_deref().unwrap_or_default();
        let text =
            format!("The bakes are kept on this machine only until a copy is made again: {why}.");
        alert(
            &NIGHTLY,
            &self.0,
            "The nightly copy is too old",
            text,
            "A nightly copy is made again.",
        )
    }

    fn resume(&mut self, open: &Open<'_>) {
        self.0 = Hold::counting(open.began);
    }
}

impl Rule for SelfTest {
    fn about(&self) -> &'static About {
        &SELF_TEST
    }

    fn see(&mut self, world: &World, input: &Input<'_>) {
        if !matches!(input, Input::Tick) {
            return;
        }
        let Some(failed) = &world.around.self_test else {
            return;
        };
        let at_once = Patience {
            on_ms: 0,
            off_ms: 0,
        };
        let bad = !failed.is_empty();
        self.hold.look(world.now, bad, !bad, at_once);
        self.failed.clone_from(failed);
    }

    fn findings(&self, _world: &World) -> Vec<Finding> {
        let mut found = alert(
            &SELF_TEST,
            &self.hold,
            "The daily test failed",
            format!(
                "{}. Settings has a test for each way.",
                self.failed.join("; ")
            ),
            "The daily test goes through again.",
        );
        for finding in &mut found {
            finding.link = "/settings".into();
            finding.memory = serde_json::json!({ "failed": self.failed });
        }
        found
    }

    fn resume(&mut self, open: &Open<'_>) {
        let failed = open.memory.get("failed").cloned().unwrap_or_default();
        self.failed = serde_json::from_value(failed).unwrap_or_default();
        self.hold = Hold::counting(open.began);
    }
}

#[cfg(test)]
mod tests {
    use crate::watch::timeline::Timeline;

    #[test]
    fn eight_sensors_lost_with_the_broker_are_one_message_that_lists_them() {
        let mut t = Timeline::knots_in("box");
        for k in 0..8 {
            t.sensor(&format!("probe {k}"), "nook", 20.0 + f64::from(k));
        }
        t.around.broker_ready = false;
        t.until(20.0);
        assert_eq!(t.pushes(), ["broker_unreachable raised"]);
        let id = t.first("broker_unreachable", "raised").unwrap().doc["id"].clone();
        let row = t
            .rows
            .iter()
            .find(|r| r.id == *id.as_str().unwrap())
            .unwrap();
        assert_eq!(row.doc["includes"].as_array().unwrap().len(), 8);
        // Back, and every sensor with it.
        t.around.broker_ready = true;
        for k in 0..8 {
            t.air(&format!("probe {k}"), 25.0);
        }
        t.until(20.4);
        assert_eq!(
            t.pushes(),
            ["broker_unreachable raised", "broker_unreachable cleared"]
        );
    }

    #[test]
    fn a_broker_away_for_half_a_minute_is_not_told() {
        let mut t = Timeline::knots_in("box");
        for round in 0..10 {
            t.around.broker_ready = false;
            t.until(f64::from(round) + 0.5);
            t.around.broker_ready = true;
            t.until(f64::from(round) + 1.0);
        }
        assert!(t.pushes().is_empty());
    }

    #[test]
    fn a_stuck_copy_is_told_and_one_that_drains_is_not() {
        let mut t = Timeline::knots_in("box");
        t.around.copy_waiting = Some(500);
        t.until(16.0);
        assert_eq!(t.pushes(), ["copy_failing raised"]);
        t.around.copy_waiting = Some(0);
        t.until(17.0);
        assert_eq!(t.pushes(), ["copy_failing raised", "copy_failing cleared"]);
        let mut t = Timeline::knots_in("box");
        for k in 0..60 {
            t.around.copy_waiting = Some(1000 - k);
            t.until(0.5 * k as f64 + 0.5);
        }
        assert!(t.pushes().is_empty());
    }

    #[test]
    fn an_old_nightly_copy_is_told_once_and_its_return_too() {
        let mut t = Timeline::knots_in("box");
        t.until(3.0);
        assert!(t.pushes().is_empty());
        t.around.nightly_late = Some("no such folder".into());
        t.until(5.0);
        assert_eq!(t.pushes(), ["nightly_copy_old raised"]);
        t.until(60.0);
        t.around.nightly_late = None;
        t.until(61.0);
        assert_eq!(
            t.pushes(),
            ["nightly_copy_old raised", "nightly_copy_old cleared"]
        );
    }

    #[test]
    fn a_daily_test_that_fails_twice_is_told_and_a_broker_away_speaks_for_it() {
        let mut t = Timeline::knots_in("box");
        t.around.self_test = Some(vec!["webhook: it could not be reached".into()]);
        t.until(1.0);
        assert_eq!(t.pushes(), ["self_test raised"]);
        // After a restart the next test has the word.
        t.around.self_test = None;
        t.restart();
        t.until(2.0);
        assert_eq!(t.holding("self_test").len(), 1);
        t.around.self_test = Some(Vec::new());
        t.until(3.0);
        assert_eq!(t.pushes(), ["self_test raised", "self_test cleared"]);

        let mut t = Timeline::knots_in("box");
        t.around.broker_ready = false;
        t.until(2.0);
        t.around.self_test = Some(vec!["a reading by MQTT: no answer".into()]);
        t.until(3.0);
        assert_eq!(t.pushes(), ["broker_unreachable raised"]);
    }

    #[test]
    fn little_room_is_told_and_much_is_not() {
        for (free_mib, size_mib, told) in [
            (150, 1_000, true),
            (5_000, 100_000, true),
            (20_000, 100_000, false),
        ] {
            let mut t = Timeline::knots_in("box");
            t.around.disk = Some((free_mib << 20, size_mib << 20));
            t.until(3.0);
            assert_eq!(!t.pushes().is_empty(), told, "{free_mib} of {size_mib}");
        }
        let mut t = Timeline::knots_in("box");
        t.around.store_writes = false;
        t.until(2.0);
        assert_eq!(t.pushes(), ["disk raised"]);
    }
}

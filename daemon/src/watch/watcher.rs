//! All rules over one stream, and what holds back what.

use std::collections::BTreeSet;

use super::life::Ending;
use super::rules::{self, Finding, Open, Rule};
use super::world::{Input, World};

/// Rules that judge a place by its air: held back while every sensor there is silent or stuck.
const FROM_AIR: [&str; 4] = ["too_hot", "will_be_too_hot", "too_cold", "skinning"];

/// Every rule and the world they see.
pub struct Watcher {
    /// What the inputs so far add up to.
    pub world: World,
    rules: Vec<Box<dyn Rule>>,
}

impl Default for Watcher {
    fn default() -> Self {
        Self {
            world: World::default(),
            rules: rules::all(),
        }
    }
}

impl Watcher {
    /// Takes one input in at a moment.
    pub fn see(&mut self, now: crate::time::UtcMs, input: &Input<'_>) {
        self.world.take(now, input);
        for rule in &mut self.rules {
            rule.see(&self.world, input);
        }
    }

    /// Goes on with an alert that was open before a restart.
    pub fn resume(&mut self, rule: &str, open: &Open<'_>) {
        for known in self.rules.iter_mut().filter(|r| r.about().name == rule) {
            known.resume(open);
        }
    }

    /// The conditions that hold now: those another takes the place of are left out, and the
    /// broker's stands for the sensors lost with it.
    #[must_use]
    pub fn findings(&self) -> Vec<Finding> {
        let all: Vec<Finding> = self
            .rules
            .iter()
            .flat_map(|rule| rule.findings(&self.world))
            .collect();
        let mut kept: Vec<Finding> = all
            .iter()
            .filter(|f| {
                !all.iter().any(|other| {
                    f.about.gives_way_to.contains(&other.about.name) && other.subject == f.subject
                })
            })
            .cloned()
            .collect();
        let deaf = self.deaf_places(&kept);
        // A sensor that dies in a hot oven is no news beside it.
        let hot = kept.iter().filter(|f| f.about.name == "oven_on");
        let hot: BTreeSet<String> = hot.filter_map(|f| f.place.clone()).collect();
        for finding in &mut kept {
            let in_one_of = |places: &BTreeSet<String>| {
                finding.place.as_ref().is_some_and(|p| places.contains(p))
            };
            finding.held_back = match finding.about.name {
                "sensor_silent" => in_one_of(&hot),
                name => FROM_AIR.contains(&name) && in_one_of(&deaf),
            };
        }
        let lost: Vec<String> = kept
            .iter()
            .filter(|f| f.about.name == "sensor_silent" && f.memory["with"] == "broker")
            .map(Finding::id)
            .collect();
        if let Some(broker) = kept
            .iter_mut()
            .find(|f| f.about.name == "broker_unreachable")
        {
            broker.includes = lost;
        }
        kept
    }

    /// Places whose air sensors are all silent or stuck.
    fn deaf_places(&self, found: &[Finding]) -> BTreeSet<String> {
        let silent = |name: &str| {
            found.iter().any(|f| {
                matches!(f.about.name, "sensor_silent" | "sensor_stuck")
                    && f.subject.sensor.as_deref() == Some(name)
            })
        };
        let air = || self.world.sensors.iter().filter(|s| s.air);
        air()
            .filter_map(|s| s.place.clone())
            .filter(|place| {
                air()
                    .filter(|s| s.place.as_ref() == Some(place))
                    .all(|s| silent(&s.sensor))
            })
            .collect()
    }

    /// What follows when a rule's finding is over.
    #[must_use]
    pub fn ending(&self, rule: &str, subject: &rules::Subject) -> Ending {
        self.rules
            .iter()
            .find(|r| r.about().name == rule)
            .map_or_else(Ending::default, |r| Ending {
                told: r.tells_over(&self.world, subject),
                may_come_again: r.may_come_again(&self.world, subject),
            })
    }
}

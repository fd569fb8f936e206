//! Every mapping in force, indexed by topic: the configuration's and the page's.

use std::collections::{BTreeSet, HashMap};

use super::topic::{self, Captures, Filter};
use crate::batches::record::Quantity;
use crate::config::sensor::Sensor;

/// One mapping with its parsed topic.
#[derive(Clone, Debug)]
pub struct Mapping {
    /// As written.
    pub spec: Sensor,
    /// Whether the configuration made it.
    pub from_config: bool,
    filter: Filter,
}

impl Mapping {
    /// The mapping as it stands for one sensor: its name in place of `{1}`.
    #[must_use]
    pub fn spec_for(&self, sensor: &str) -> Sensor {
        let mut spec = self.spec.clone();
        sensor.clone_into(&mut spec.name);
        // A place with a wildcard in it is known only from the sensor's readings.
        spec.place = spec.place.filter(|place| !place.contains('{'));
        spec
    }
}

/// All mappings.
#[derive(Clone, Debug, Default)]
pub struct Mappings {
    all: Vec<Mapping>,
    exact: HashMap<String, Vec<usize>>,
    wild: Vec<usize>,
}

impl Mappings {
    /// Indexes mappings; one that cannot work is left out (it was refused where it was made).
    #[must_use]
    pub fn new(specs: impl IntoIterator<Item = (Sensor, bool)>) -> Self {
        let mut mappings = Self::default();
        for (spec, from_config) in specs {
            let filter = match Filter::parse(&spec.topic) {
                Ok(filter) => filter,
                Err(error) => {
                    tracing::warn!(sensor = %spec.name, %error, "a sensor's mapping is left out");
                    continue;
                }
            };
            let at = mappings.all.len();
            if filter.is_exact() {
                mappings
                    .exact
                    .entry(spec.topic.clone())
                    .or_default()
                    .push(at);
            } else {
                mappings.wild.push(at);
            }
            mappings.all.push(Mapping {
                spec,
                from_config,
                filter,
            });
        }
        mappings
    }

    /// The mappings whose topic this is, with what their wildcards stand for.
    pub fn claiming<'a>(
        &'a self,
        topic: &'a str,
    ) -> impl Iterator<Item = (&'a Mapping, Captures<'a>)> {
        let exact = self.exact.get(topic).into_iter().flatten();
        exact
            .map(|i| (&self.all[*i], Captures::new()))
            .chain(self.wild.iter().filter_map(move |i| {
                let mapping = &self.all[*i];
                Some((mapping, mapping.filter.captures(topic)?))
            }))
    }

    /// Every topic filter, once.
    #[must_use]
    pub fn filters(&self) -> BTreeSet<String> {
        self.all.iter().map(|m| m.spec.topic.clone()).collect()
    }

    /// The mapping of a sensor's quantity.
    #[must_use]
    pub fn of(&self, sensor: &str, quantity: Quantity) -> Option<&Mapping> {
        let mut same = self.all.iter().filter(|m| m.spec.quantity == quantity);
        let exact = same.clone().find(|m| m.spec.name == sensor);
        exact.or_else(|| {
            same.find(|m| m.spec.name.contains('{') && topic::could_be(&m.spec.name, sensor))
        })
    }

    /// Every mapping.
    pub fn iter(&self) -> impl Iterator<Item = &Mapping> {
        self.all.iter()
    }
}

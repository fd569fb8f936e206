//! Every mapping in force, indexed by topic: the configuration's and the page's.

use std::collections::BTreeSet;

use foldhash::HashMap;
use smallvec::SmallVec;
use smol_str::SmolStr;

use super::topic::{self, Captures, Filter, fill};
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
    number: usize,
}

impl Mapping {
    fn claim(&self, captures: &[&str]) -> Claim {
        Claim {
            sensor: fill(&self.spec.name, captures),
            place: self.spec.place.as_deref().map(|p| fill(p, captures)),
            pointer: self.spec.pointer.as_deref().unwrap_or_default().into(),
            mapping: self.number,
        }
    }

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

/// What a mapping makes of one topic.
#[derive(Clone, Debug)]
pub struct Claim {
    /// The sensor's name.
    pub sensor: SmolStr,
    /// Where it stands, if the mapping says so.
    pub place: Option<SmolStr>,
    /// The mapping's pointer; empty: the bare number.
    pub pointer: SmolStr,
    mapping: usize,
}

/// The claims of topics met so far; those of other mappings must be thrown away.
#[derive(Debug, Default)]
pub struct Claims(HashMap<SmolStr, SmallVec<[Claim; 1]>>);

/// Topics whose claims are remembered.
const REMEMBERED: usize = 1000;

impl Claims {
    /// Who claims a topic.
    pub fn of<'a>(
        &'a mut self,
        topic: &SmolStr,
        mappings: &'a Mappings,
    ) -> impl Iterator<Item = (&'a Mapping, &'a Claim)> {
        if self.0.len() >= REMEMBERED && !self.0.contains_key(topic) {
            self.0.clear();
        }
        let claims = self.0.entry(topic.clone()).or_insert_with(|| {
            let claiming = mappings.claiming(topic);
            claiming
                .map(|(mapping, captures)| mapping.claim(&captures))
                .collect()
        });
        claims
            .iter()
            .filter_map(|claim| Some((mappings.all.get(claim.mapping)?, claim)))
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
                number: at,
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

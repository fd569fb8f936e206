//! Every mapping in force, indexed by topic: the configuration's and the page's.

use std::collections::BTreeSet;
use std::sync::Arc;

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

impl Claim {
    fn new(mapping: usize, spec: &Sensor, captures: &[&str]) -> Self {
        Self {
            sensor: fill(&spec.name, captures),
            place: spec.place.as_deref().map(|place| fill(place, captures)),
            pointer: spec.pointer.as_deref().unwrap_or_default().into(),
            mapping,
        }
    }
}

/// Mappings, and their claims on the topics met so far.
#[derive(Debug)]
pub struct Claims {
    mappings: Arc<Mappings>,
    by_topic: HashMap<SmolStr, SmallVec<[Claim; 1]>>,
}

/// Topics whose claims are remembered: a broker may hold any number.
const TOPICS: usize = 1000;

impl Claims {
    /// With no topic met.
    #[must_use]
    pub fn new(mappings: Arc<Mappings>) -> Self {
        Self {
            mappings,
            by_topic: HashMap::default(),
        }
    }

    /// Whether they are those of these mappings.
    pub(super) fn are_of(&self, mappings: &Arc<Mappings>) -> bool {
        Arc::ptr_eq(&self.mappings, mappings)
    }

    /// Who claims a topic.
    pub fn on(&mut self, topic: &SmolStr) -> impl Iterator<Item = (&Mapping, &Claim)> {
        if self.by_topic.len() >= TOPICS && !self.by_topic.contains_key(topic) {
            self.by_topic.clear();
        }
        let mappings = &*self.mappings;
        let claims = self.by_topic.entry(topic.clone()).or_insert_with(|| {
            let numbered = mappings.numbered(topic);
            numbered
                .map(|(i, captures)| Claim::new(i, &mappings.all[i].spec, &captures))
                .collect()
        });
        claims
            .iter()
            .map(|claim| (&mappings.all[claim.mapping], claim))
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
        self.numbered(topic)
            .map(|(i, captures)| (&self.all[i], captures))
    }

    /// The same by their number in `all`.
    fn numbered<'a>(&'a self, topic: &'a str) -> impl Iterator<Item = (usize, Captures<'a>)> {
        let exact = self.exact.get(topic).into_iter().flatten();
        exact
            .map(|i| (*i, Captures::new()))
            .chain(self.wild.iter().filter_map(move |i| {
                let captures = self.all[*i].filter.captures(topic)?;
                Some((*i, captures))
            }))
    }

    /// The topic filters that cover all mappings, once. One that another covers is left out: some
    /// brokers send a message once for each filter that fits. What the broker refused covers nothing.
    #[must_use]
    pub fn filters(&self, refused: &BTreeSet<String>) -> BTreeSet<String> {
        let filters = || self.all.iter().map(|m| &m.filter);
        let covered = |filter: &Filter| {
            let mut others = filters().filter(|o| *o != filter && !refused.contains(o.as_str()));
            others.any(|other| other.covers(filter))
        };
        let kept = filters().filter(|filter| !covered(filter));
        kept.map(|filter| filter.as_str().to_owned()).collect()
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

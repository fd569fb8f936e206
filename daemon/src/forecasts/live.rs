//! The proofs in progress, kept up to date as readings and observations come in.

use std::collections::BTreeMap;
use std::sync::{Arc, RwLock};

use super::ProofView;
use super::learned::Memory;

/// The newest view of each proof in progress, by batch id.
#[derive(Debug, Default)]
pub struct Live {
    views: RwLock<BTreeMap<String, Arc<ProofView>>>,
    memory: Memory,
}

impl Live {
    /// The calibrations remembered.
    #[must_use]
    pub fn memory(&self) -> &Memory {
        &self.memory
    }

    /// The newest view of a batch's proof, if one is in progress.
    #[must_use]
    pub fn get(&self, batch: &str) -> Option<Arc<ProofView>> {
        self.views
            .read()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .get(batch)
            .cloned()
    }

    /// All of them.
    #[must_use]
    pub fn all(&self) -> BTreeMap<String, Arc<ProofView>> {
        self.views
            .read()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .clone()
    }

    /// Puts the newest views in place of the old.
    pub fn replace(&self, views: BTreeMap<String, Arc<ProofView>>) {
        *self
            .views
            .write()
            .unwrap_or_else(std::sync::PoisonError::into_inner) = views;
    }
}

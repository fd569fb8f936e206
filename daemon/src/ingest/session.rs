//! What an outside broker knows us by: a random client id and the subscriptions of its session,
//! kept in the data directory so that a restart finds its messages.

use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

/// The file's name in the data directory.
const FILE: &str = "mqtt-session.json";

/// The session, as kept.
#[derive(Debug, Serialize, Deserialize)]
pub struct Session {
    /// The client id: random, so that two installations never throw each other out.
    pub client_id: String,
    /// The topic filters subscribed to.
    pub filters: BTreeSet<String>,
    #[serde(skip)]
    file: PathBuf,
}

/// 22 characters: a client id that any broker of MQTT 3.1.1 has to take is at most 23.
#[must_use]
pub fn random_id() -> String {
    format!("dw{:020x}", rand::random::<u128>() & ((1 << 80) - 1))
}

impl Session {
    /// Reads it, or makes a new one.
    ///
    /// # Errors
    /// One line.
    pub fn open(data_dir: &Path) -> Result<Self, String> {
        let file = data_dir.join(FILE);
        if let Ok(text) = std::fs::read_to_string(&file) {
            match serde_json::from_str::<Self>(&text) {
                Ok(session) if !session.client_id.is_empty() => {
                    return Ok(Self { file, ..session });
                }
                _ => tracing::warn!(
                    file = %file.display(),
                    "the MQTT session's file cannot be read: a new session is begun"
                ),
            }
        }
        let session = Self {
            client_id: random_id(),
            filters: BTreeSet::new(),
            file,
        };
        session.write()?;
        Ok(session)
    }

    /// Writes it whole, or leaves the old.
    ///
    /// # Errors
    /// One line.
    pub fn write(&self) -> Result<(), String> {
        let to_line = |e: std::io::Error| format!("{} cannot be written: {e}", self.file.display());
        let text = serde_json::to_vec(self).map_err(|e| e.to_string())?;
        let new = self.file.with_extension("new");
        let mut out = std::fs::File::create(&new).map_err(to_line)?;
        out.write_all(&text).map_err(to_line)?;
        out.sync_all().map_err(to_line)?;
        std::fs::rename(&new, &self.file).map_err(to_line)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_client_id_is_kept_and_a_torn_file_begins_anew() {
        let dir = tempfile::tempdir().unwrap();
        let mut first = Session::open(dir.path()).unwrap();
        first.filters.insert("k/+/state".into());
        first.write().unwrap();
        let second = Session::open(dir.path()).unwrap();
        assert_eq!(second.client_id, first.client_id);
        assert_eq!(second.filters, first.filters);
        assert_eq!(first.client_id.len(), 22);
        std::fs::write(dir.path().join(FILE), "{").unwrap();
        assert_ne!(
            Session::open(dir.path()).unwrap().client_id,
            first.client_id
        );
    }
}

//! Styles, scripts and pictures, held in the binary. All are served under one address that
//! carries a digest of them all, so that they can be cached for ever and modules can import each
//! other by relative address.

use std::sync::LazyLock;

use sha2::{Digest, Sha256};

/// One file.
#[derive(Clone, Copy, Debug)]
pub struct Asset {
    /// Its name in the address.
    pub name: &'static str,
    /// Its media type.
    pub media_type: &'static str,
    /// Its bytes.
    pub bytes: &'static [u8],
}

macro_rules! asset {
    ($name:literal, $media_type:literal) => {
        Asset {
            name: $name,
            media_type: $media_type,
            bytes: include_bytes!(concat!("../assets/", $name)),
        }
    };
}

/// Every file. `uPlot` 1.6.32 is by Leon Sorokin, under the MIT licence (beside it).
pub const ALL: [Asset; 13] = [
    asset!("warm.css", "text/css; charset=utf-8"),
    asset!("parts.css", "text/css; charset=utf-8"),
    asset!("uPlot.min.css", "text/css; charset=utf-8"),
    asset!("uPlot.iife.min.js", "text/javascript; charset=utf-8"),
    asset!("live.js", "text/javascript; charset=utf-8"),
    asset!("charts.js", "text/javascript; charset=utf-8"),
    asset!("sign-in.js", "text/javascript; charset=utf-8"),
    asset!("import.js", "text/javascript; charset=utf-8"),
    asset!("wake.js", "text/javascript; charset=utf-8"),
    asset!("worker.js", "text/javascript; charset=utf-8"),
    asset!("manifest.webmanifest", "application/manifest+json"),
    asset!("favicon.svg", "image/svg+xml"),
    asset!("uPlot.LICENSE", "text/plain; charset=utf-8"),
];

/// A digest over all files: sixteen hexadecimal digits.
pub static VERSION: LazyLock<String> = LazyLock::new(|| {
    let mut digest = Sha256::new();
    for asset in ALL {
        digest.update(asset.name.as_bytes());
        digest.update([0]);
        digest.update(asset.bytes);
    }
    digest.finalize()[..8]
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect()
});

/// The address of a file.
#[must_use]
pub fn url(name: &str) -> String {
    format!("/assets/{}/{name}", *VERSION)
}

/// A file by name.
#[must_use]
pub fn find(name: &str) -> Option<&'static Asset> {
    ALL.iter().find(|a| a.name == name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sha256(name: &str) -> String {
        Sha256::digest(find(name).unwrap().bytes)
            .iter()
            .map(|b| format!("{b:02x}"))
            .collect()
    }

    /// The digests of the files in the published package of uPlot 1.6.32, taken from it with
    /// `sha256sum`: the committed copies are those files, unaltered.
    #[test]
    fn uplot_is_the_published_file() {
        assert_eq!(
            sha256("uPlot.iife.min.js"),
            "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f"
        );
        assert_eq!(
            sha256("uPlot.min.css"),
            "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04"
        );
        let licence = std::str::from_utf8(find("uPlot.LICENSE").unwrap().bytes).unwrap();
        assert!(licence.contains("The MIT License"));
    }

    #[test]
    fn our_own_files_name_no_other_host() {
        for asset in ALL.iter().filter(|a| !a.name.starts_with("uPlot")) {
            let text = std::str::from_utf8(asset.bytes).unwrap();
            let foreign = text
                .match_indices("://")
                .filter(|(i, _)| {
                    !text[..*i].ends_with("http")
                        || !text[*i..].starts_with("://www.w3.org/2000/svg")
                })
                .count();
            assert_eq!(foreign, 0, "{} names another host", asset.name);
        }
    }
}

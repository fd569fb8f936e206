//! Reads the configuration: the file, then the variables, then the checks that need both. Every
//! error names the key with its line in the file, or the variable it came from.

use std::collections::HashMap;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use config as crate_config;
use serde::Deserialize;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::Config;

/// What every variable starts with.
const PREFIX: &str = "DOUGHWARDEN__";

/// One line: what was wrong, where, what to do.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct ConfigError(pub String);

/// Reads `file` (if any) and the process's `DOUGHWARDEN__…` variables.
///
/// # Errors
/// The first thing that is wrong, with its line or variable.
pub fn load(file: Option<&Path>) -> Result<Config, ConfigError> {
    let (name, text) = match file {
        Some(path) => {
            let text = std::fs::read_to_string(path).map_err(|e| {
                ConfigError(format!(
                    "the configuration {} cannot be read: {e}",
                    path.display()
                ))
            })?;
            (path.to_path_buf(), text)
        }
        None => (PathBuf::new(), String::new()),
    };
    let variables = std::env::vars()
        .filter(|(key, _)| key.starts_with(PREFIX))
        .collect();
    read(&Origin {
        file: &name,
        text: &text,
        variables,
    })
}

/// Where keys came from, to name it when one is wrong.
struct Origin<'a> {
    file: &'a Path,
    text: &'a str,
    variables: HashMap<String, String>,
}

impl Origin<'_> {
    /// `name.toml line 3: …` or `DOUGHWARDEN__HTTP__LISTEN: …`.
    fn blame(&self, path: &str, what: &str) -> ConfigError {
        let variable = format!("{PREFIX}{}", path.to_uppercase().replace('.', "__"));
        if self.variables.contains_key(&variable) {
            return ConfigError(format!("{variable}: {what}"));
        }
        // One that reaches into what is a list, or one value.
        let inside = format!("{variable}__");
        let reaching = self.variables.keys().filter(|k| k.starts_with(&inside));
        if let Some(name) = reaching.min()
            && what.contains("invalid type")
        {
            return ConfigError(format!(
                "{name}: variables set single keys, and `{path}` is a list or a single value: write it in the file ({what})"
            ));
        }
        match line_of(self.text, path) {
            Some(line) => ConfigError(format!(
                "{} line {line}: `{path}`: {what}",
                self.file.display()
            )),
            None if self.file.as_os_str().is_empty() => ConfigError(format!("`{path}`: {what}")),
            None => ConfigError(format!("{}: `{path}`: {what}", self.file.display())),
        }
    }
}

fn read(origin: &Origin<'_>) -> Result<Config, ConfigError> {
    // The file alone first: `toml` knows lines, and `config` would take a number for a text.
    let mut unknown = None;
    let table = toml::Deserializer::parse(origin.text).map_err(|e| in_file(origin, &e))?;
    let mut track = serde_path_to_error::Track::new();
    let from_file: Config = {
        let tracked = serde_path_to_error::Deserializer::new(table, &mut track);
        serde_ignored::deserialize(tracked, |path| {
            unknown.get_or_insert_with(|| path.to_string());
        })
    }
    .map_err(|e| {
        let (path, said) = (track.path().to_string(), in_file(origin, &e).0);
        // `file line 3: what`, with the key in between.
        match said.split_once(": ").filter(|_| path != ".") {
            Some((line, what)) => ConfigError(format!("{line}: `{path}`: {what}")),
            None => ConfigError(said),
        }
    })?;
    if let Some(path) = unknown {
        return Err(origin.blame(
            &dotted(&path),
            "there is no such key; see the list in DEVELOPERS.md",
        ));
    }

    let file = crate_config::File::from_str(origin.text, crate_config::FileFormat::Toml);
    let variables = crate_config::Environment::with_prefix("DOUGHWARDEN")
        .prefix_separator("__")
        .separator("__")
        .try_parsing(false)
        .source(Some(origin.variables.clone()));
    let merged = crate_config::Config::builder()
        .add_source(file)
        .add_source(variables)
        .build()
        .map_err(|e| ConfigError(format!("{}: {e}", origin.file.display())))?;
    let mut unknown = None;
    let mut track = serde_path_to_error::Track::new();
    let merged: Config = {
        let tracked = serde_path_to_error::Deserializer::new(merged, &mut track);
        serde_ignored::deserialize(tracked, |path| {
            unknown.get_or_insert_with(|| path.to_string());
        })
    }
    .map_err(|e| origin.blame(&track.path().to_string(), &e.to_string()))?;
    if let Some(path) = unknown {
        return Err(origin.blame(
            &dotted(&path),
            "there is no such key; see the list in DEVELOPERS.md",
        ));
    }
    // Lists are the file's alone; read by `toml`, so that no number in them turned into a text.
    let config = Config {
        sensor: from_file.sensor,
        ..merged
    };
    check(&config).map_err(|(path, what)| origin.blame(&path, &what))?;
    Ok(config)
}

/// `serde_ignored` writes `sensor.0.x` and `alert.?.webhook` (through an option): `sensor[0].x`, `alert.webhook`.
fn dotted(path: &str) -> String {
    let mut out = String::new();
    for part in path.split('.').filter(|p| *p != "?") {
        if part.parse::<usize>().is_ok() {
            out.push_str(&format!("[{part}]"));
        } else {
            if !out.is_empty() {
                out.push('.');
            }
            out.push_str(part);
        }
    }
    out
}

fn in_file(origin: &Origin<'_>, error: &toml::de::Error) -> ConfigError {
    let line = error
        .span()
        .map_or(1, |span| line_at(origin.text, span.start));
    ConfigError(format!(
        "{} line {line}: {}",
        origin.file.display(),
        error.message().replace('\n', "; ")
    ))
}

fn line_at(text: &str, byte: usize) -> usize {
    1 + text.bytes().take(byte).filter(|b| *b == b'\n').count()
}

/// The line on which a key stands; of the nearest table above it if the key itself is not there.
fn line_of(text: &str, path: &str) -> Option<usize> {
    let root = DeTable::parse(text).ok()?;
    let mut table: &DeTable<'_> = root.get_ref();
    let mut line = None;
    for part in path.split('.') {
        let (name, index) = match part.split_once('[') {
            Some((name, rest)) => (name, rest.trim_end_matches(']').parse::<usize>().ok()),
            None => (part, None),
        };
        let Some((key, value)) = table.iter().find(|(key, _)| key.get_ref() == name) else {
            return line;
        };
        line = Some(line_at(text, key.span().start));
        let value: &Spanned<DeValue<'_>> = match (index, value.get_ref()) {
            (Some(i), DeValue::Array(list)) => {
                let Some(item) = list.get(i) else { return line };
                line = Some(line_at(text, item.span().start));
                item
            }
            _ => value,
        };
        match value.get_ref() {
            DeValue::Table(inner) => table = inner,
            _ => return line,
        }
    }
    line
}

type Wrong = (String, String);

fn wrong(path: impl Into<String>, what: impl Into<String>) -> Result<(), Wrong> {
    Err((path.into(), what.into()))
}

/// The checks that need more than one key, or more than a type.
fn check(config: &Config) -> Result<(), Wrong> {
    let http = address("http.listen", &config.http.listen)?;
    if !http.ip().is_loopback()
        && config
            .http
            .access_key
            .as_ref()
            .is_none_or(|k| k.0.is_empty())
    {
        return wrong(
            "http.listen",
            "an address on the network needs `http.access_key`; `doughwarden first-config` writes both",
        );
    }
    if config.http.certificate.is_some() != config.http.key.is_some() {
        return wrong("http.certificate", "`certificate` and `key` go together");
    }
    if config.mqtt.broker.is_none() {
        let listen = address("mqtt.listen", &config.mqtt.listen)?;
        let password = config
            .mqtt
            .password
            .as_ref()
            .is_some_and(|p| !p.0.is_empty());
        let protected = password && config.mqtt.user.is_some();
        if !(listen.ip().is_loopback() || protected) {
            return wrong(
                "mqtt.listen",
                "an address on the network needs `mqtt.user` and `mqtt.password`; `doughwarden first-config` writes them",
            );
        }
        if password != config.mqtt.user.as_ref().is_some_and(|u| !u.is_empty()) {
            return wrong("mqtt.user", "`user` and `password` go together");
        }
    }
    if let Some(influx) = &config.influx {
        for (key, value) in [
            ("url", &influx.url),
            ("org", &influx.org),
            ("bucket", &influx.bucket),
        ] {
            if value.is_empty() {
                return wrong(
                    format!("influx.{key}"),
                    "is needed for the copy to InfluxDB",
                );
            }
        }
        if influx.token.0.is_empty() {
            return wrong("influx.token", "is needed for the copy to InfluxDB");
        }
        web_address("influx.url", &influx.url)?;
    }
    if let Some(webhook) = &config.alert.webhook {
        web_address("alert.webhook.url", &webhook.url.0)?;
    }
    // These two rooms begin their sentence with the key.
    config.alert.check().map_err(|why| keyed("alert", why))?;
    config
        .mqtt
        .check()
        .map_err(|why| keyed("mqtt.broker", why))?;
    if let Some(zone) = &config.display.zone
        && jiff::tz::TimeZone::get(zone).is_err()
    {
        return wrong(
            "display.zone",
            format!("`{zone}` is not a time zone: write one like Europe/Oslo"),
        );
    }
    config
        .store
        .check()
        .map_err(|(key, what)| (format!("store.{key}"), what))?;
    for (i, sensor) in config.sensor.iter().enumerate() {
        sensor
            .check()
            .map_err(|(key, what)| (format!("sensor[{i}].{key}"), what))?;
    }
    Ok(())
}

/// The key at the beginning of a sentence, and the sentence.
fn keyed(room: &str, why: String) -> Wrong {
    let first = why.split([':', ' ']).next().unwrap_or(room);
    let is_key = first.contains('.') && first.starts_with(room.split('.').next().unwrap_or(room));
    (if is_key { first } else { room }.to_owned(), why)
}

fn address(path: &str, text: &str) -> Result<SocketAddr, Wrong> {
    text.parse().map_err(|_| {
        (
            path.to_owned(),
            format!("`{text}` is not an address and port, like 127.0.0.1:8080"),
        )
    })
}

fn web_address(path: &str, text: &str) -> Result<(), Wrong> {
    match reqwest::Url::parse(text) {
        Ok(url) if matches!(url.scheme(), "http" | "https") && url.has_host() => Ok(()),
        _ => wrong(
            path,
            "is not a web address, like http://127.0.0.1:9000/hook",
        ),
    }
}

/// Names by which this machine may be called: a list, or one text with commas (from a variable).
///
/// # Errors
/// If it is neither.
pub fn list_or_text<'de, D: serde::Deserializer<'de>>(d: D) -> Result<Vec<String>, D::Error> {
    #[derive(Deserialize)]
    #[serde(untagged)]
    enum Either {
        List(Vec<String>),
        Text(String),
    }
    Ok(match Either::deserialize(d)? {
        Either::List(list) => list,
        Either::Text(text) => text
            .split(',')
            .map(|s| s.trim().to_owned())
            .filter(|s| !s.is_empty())
            .collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn try_read(text: &str, variables: &[(&str, &str)]) -> Result<Config, String> {
        // Checking a webhook makes its HTTP client, which wants the program's one TLS provider.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let variables = variables
            .iter()
            .map(|(k, v)| ((*k).into(), (*v).into()))
            .collect();
        read(&Origin {
            file: Path::new("kitchen.toml"),
            text,
            variables,
        })
        .map_err(|e| e.0)
    }

    #[test]
    fn an_unknown_key_is_named_with_its_line() {
        let text = "[http]\nlisten = \"127.0.0.1:0\"\nlisen = 3\n";
        let error = try_read(text, &[]).unwrap_err();
        assert!(
            error.starts_with("kitchen.toml line 3: `http.lisen`"),
            "{error}"
        );
        let text = "\n[[sensor]]\nname = \"a\"\ntopic = \"t\"\nquantity = \"humidity\"\nunit = \"%RH\"\nplase = \"x\"\n";
        let error = try_read(text, &[]).unwrap_err();
        assert!(
            error.starts_with("kitchen.toml line 7: `sensor[0].plase`"),
            "{error}"
        );
    }

    #[test]
    fn an_unknown_or_bad_variable_is_named() {
        let error = try_read("", &[("DOUGHWARDEN__HTTP__LISEN", "x")]).unwrap_err();
        assert!(error.starts_with("DOUGHWARDEN__HTTP__LISEN:"), "{error}");
        let error = try_read("", &[("DOUGHWARDEN__STORE__KEEP_DAYS", "many")]).unwrap_err();
        assert!(
            error.starts_with("DOUGHWARDEN__STORE__KEEP_DAYS:"),
            "{error}"
        );
        let error = try_read("", &[("DOUGHWARDEN__DISPLAY__ZONE", "Nowhere/None")]).unwrap_err();
        assert!(error.starts_with("DOUGHWARDEN__DISPLAY__ZONE:"), "{error}");
    }

    #[test]
    fn a_variable_that_reaches_into_a_list_or_a_value_is_named() {
        for name in [
            "DOUGHWARDEN__SENSOR__0__NAME",
            "DOUGHWARDEN__SENSOR",
            "DOUGHWARDEN__HTTP__LISTEN__PORT",
            "DOUGHWARDEN__HTTP",
        ] {
            let error = try_read("[http]\nlisten = \"127.0.0.1:0\"\n", &[(name, "x")]).unwrap_err();
            assert!(error.starts_with(&format!("{name}:")), "{error}");
        }
    }

    #[test]
    fn variables_win_and_are_taken_as_text() {
        let text = "[mqtt]\nuser = \"a\"\npassword = \"b\"\n";
        let config = try_read(text, &[("DOUGHWARDEN__MQTT__PASSWORD", "007")]).unwrap();
        assert_eq!(config.mqtt.password.unwrap().0, "007");
        let config = try_read(
            "",
            &[("DOUGHWARDEN__ALERT__WEBHOOK__URL", "http://127.0.0.1:9/x")],
        )
        .unwrap();
        assert_eq!(config.alert.webhook.unwrap().url.0, "http://127.0.0.1:9/x");
    }

    #[test]
    fn a_wrong_type_or_value_names_its_line() {
        let error = try_read("[display]\n\nunit = \"degX\"\n", &[]).unwrap_err();
        assert!(
            error.starts_with("kitchen.toml line 3: `display.unit`:"),
            "{error}"
        );
        let error = try_read("[http]\nlisten = \"nowhere\"\n", &[]).unwrap_err();
        assert!(
            error.starts_with("kitchen.toml line 2: `http.listen`"),
            "{error}"
        );
    }

    #[test]
    fn the_network_needs_credentials() {
        let error = try_read("[http]\nlisten = \"0.0.0.0:8080\"\n", &[]).unwrap_err();
        assert!(
            error.contains("access_key") && error.contains("first-config"),
            "{error}"
        );
        let error = try_read("[mqtt]\nlisten = \"0.0.0.0:1883\"\n", &[]).unwrap_err();
        assert!(error.contains("mqtt.password"), "{error}");
    }

    #[test]
    fn a_match_keeps_its_types() {
        let text = "[[sensor]]\nname = \"a\"\ntopic = \"t/+\"\npointer = \"/v\"\nquantity = \"air_temperature\"\nunit = \"Cel\"\nmatch = { \"/id\" = 42 }\n";
        let config = try_read(text, &[]).unwrap();
        assert_eq!(config.sensor[0].matches["/id"], serde_json::json!(42));
    }
}

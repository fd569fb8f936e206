//! `check`: reads the configuration and tries every connection it names, one line each.

use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::process::ExitCode;

use super::{Common, Done, print_line, runtime};
use crate::config::Config;

pub(super) fn run(common: &Common) -> Done {
    let config = common.load_config()?;
    let data_dir = common.data_dir()?;
    let mut results: Vec<(String, Result<String, String>)> = Vec::new();
    results.push(("data directory".into(), data_directory(&data_dir)));
    let daemon_runs = crate::store::lock::DirLock::is_taken(&data_dir);
    results.push(("pages".into(), port(&config.http.listen, daemon_runs)));
    if let Some(folder) = &config.store.nightly_folder {
        results.push(("nightly copies".into(), nightly_folder(folder)));
    }
    if let (Some(certificate), Some(key)) = (&config.http.certificate, &config.http.key) {
        results.push(("certificate".into(), certificate_pair(certificate, key)));
    }
    if config.mqtt.broker.is_none() {
        results.push((
            "embedded broker".into(),
            port(&config.mqtt.listen, daemon_runs),
        ));
    }
    runtime()?.block_on(outside(&config, &mut results));
    let mut bad = false;
    for (name, result) in results {
        match result {
            Ok(what) => print_line(&format!("good  {name}: {what}"))?,
            Err(why) => {
                bad = true;
                print_line(&format!("BAD   {name}: {why}"))?;
            }
        }
    }
    Ok(if bad {
        ExitCode::FAILURE
    } else {
        ExitCode::SUCCESS
    })
}

async fn outside(config: &Config, results: &mut Vec<(String, Result<String, String>)>) {
    results.extend(crate::ingest::check(config).await);
    results.extend(crate::notify::reach(config).await);
    results.extend(crate::copy::reach(config).await);
}

/// Writes nothing: a directory that is not there yet is good if its parent can be written.
fn data_directory(dir: &Path) -> Result<String, String> {
    let there = dir
        .ancestors()
        .find(|p| p.exists())
        .unwrap_or(Path::new("/"));
    match std::fs::metadata(there) {
        Ok(meta) if !meta.is_dir() => Err(format!("{} is not a directory", there.display())),
        Ok(meta) if meta.permissions().readonly() => {
            Err(format!("{} cannot be written", there.display()))
        }
        Ok(_) if there == dir => Ok(dir.display().to_string()),
        Ok(_) => Ok(format!("{} will be made at the first start", dir.display())),
        Err(e) => Err(format!("{}: {e}", there.display())),
    }
}

/// It must be there already: it is never made.
fn nightly_folder(folder: &Path) -> Result<String, String> {
    match std::fs::metadata(folder) {
        Ok(meta) if !meta.is_dir() => Err(format!("{} is not a folder", folder.display())),
        Ok(meta) if meta.permissions().readonly() => {
            Err(format!("{} cannot be written", folder.display()))
        }
        Ok(_) => Ok(folder.display().to_string()),
        Err(e) => Err(format!(
            "{}: {e}; is its disk plugged in and mounted?",
            folder.display()
        )),
    }
}

/// A port held by this directory's own daemon is good.
fn port(listen: &str, daemon_runs: bool) -> Result<String, String> {
    let address: SocketAddr = listen
        .parse()
        .map_err(|_| format!("`{listen}` is not an address"))?;
    match TcpListener::bind(address) {
        Ok(_) => Ok(format!("{listen} is free")),
        Err(_) if daemon_runs => Ok(format!(
            "{listen} is held, as by this directory's own daemon"
        )),
        Err(e) => Err(format!(
            "{listen} cannot be used ({e}): stop what holds it or change `listen`"
        )),
    }
}

fn certificate_pair(certificate: &Path, key: &Path) -> Result<String, String> {
    use rustls::pki_types::pem::PemObject as _;
    use rustls::pki_types::{CertificateDer, PrivateKeyDer};
    let chain: Vec<_> = CertificateDer::pem_file_iter(certificate)
        .and_then(Iterator::collect)
        .map_err(|e| format!("{}: {e}", certificate.display()))?;
    let key_der =
        PrivateKeyDer::from_pem_file(key).map_err(|e| format!("{}: {e}", key.display()))?;
    rustls::ServerConfig::builder()
        .with_no_client_auth()
        .with_single_cert(chain, key_der)
        .map(|_| certificate.display().to_string())
        .map_err(|e| {
            format!(
                "{} and {} do not go together: {e}",
                certificate.display(),
                key.display()
            )
        })
}

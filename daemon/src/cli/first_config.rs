//! `first-config`: a first configuration for a kitchen's network, with keys, and how to sign in.

use std::io::Write as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context as _;
use base64::Engine as _;
use rand::RngExt as _;

use super::{Common, Done, print_line};

/// Writes a first configuration that listens on the network, with an access key and MQTT credentials.
#[derive(Debug, clap::Args)]
pub(super) struct FirstConfig {
    /// Port of the pages
    #[arg(long, default_value_t = 8080, value_name = "PORT")]
    http_port: u16,
    /// Port of the embedded broker
    #[arg(long, default_value_t = 1883, value_name = "PORT")]
    mqtt_port: u16,
}

impl FirstConfig {
    pub(super) fn run(self, common: &Common) -> Done {
        let file = common
            .config
            .clone()
            .unwrap_or_else(|| PathBuf::from("doughwarden.toml"));
        let (access_key, password) = (secret(), secret());
        let (http, mqtt) = (self.http_port, self.mqtt_port);
        let text = format!(
            "# Listens on the kitchen's network. Keep this file to yourself: it holds the keys.\n\
             [http]\nlisten = \"0.0.0.0:{http}\"\naccess_key = \"{access_key}\"\n\n\
             [mqtt]\nlisten = \"0.0.0.0:{mqtt}\"\nuser = \"sensor\"\npassword = \"{password}\"\n"
        );
        // 0600 from the start: it holds keys. `create_new`: never over a file that is there.
        let mut out = std::fs::OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(&file)
            .with_context(|| {
                format!(
                    "{} cannot be written (one that is there is never replaced)",
                    file.display()
                )
            })?;
        out.write_all(text.as_bytes())
            .with_context(|| format!("{} cannot be written", file.display()))?;

        let host = crate::web::network_address()
            .map_or_else(|| "THIS-MACHINE".to_owned(), |ip| ip.to_string());
        let link = format!("http://{host}:{http}/sign-in#{access_key}");
        print_line(&format!(
            "wrote {}; start with: doughwarden run --config {0}",
            file.display()
        ))?;
        print_line(&format!("\npages    http://{host}:{http}/"))?;
        print_line(&format!(
            "sensors  host {host}, port {mqtt}, user sensor, password {password}"
        ))?;
        print_line(&format!("sign in  {link}\n"))?;
        if let Ok(code) = qrcode::QrCode::new(link.as_bytes()) {
            print_line(&code.render::<qrcode::render::unicode::Dense1x2>().build())?;
        }
        print_line(
            "Anyone on this network can read what travels over plain http and mqtt; for https set",
        )?;
        print_line("`certificate` and `key` under [http].")?;
        Ok(ExitCode::SUCCESS)
    }
}

/// 144 random bits, in letters that a URL and TOML take as they are.
fn secret() -> String {
    let bytes: [u8; 18] = rand::rng().random();
    base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(bytes)
}

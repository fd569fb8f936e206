//! `demo`: the same daemon on a throw-away directory with a simulated kitchen.

use std::process::ExitCode;

use anyhow::Context as _;

use super::run::stop_signal;
use super::{Common, Done, print_line, runtime};
use crate::daemon::{Daemon, Options};
use crate::kitchen::demo as kitchen;
use crate::time::Clock;

/// The daemon on a throw-away directory with a simulated kitchen that publishes over real MQTT.
#[derive(Debug, clap::Args)]
pub(super) struct Demo {
    /// How many times faster than the machine's clock
    #[arg(long, default_value_t = 60.0, value_name = "N", value_parser = speed)]
    speed: f64,
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(n) if (0.1..=3600.0).contains(&n) => Ok(n),
        _ => Err("a number from 0.1 to 3600".into()),
    }
}

impl Demo {
    pub(super) fn run(self, common: &Common) -> Done {
        if common.data.is_some() {
            eprintln!("error: demo keeps its data in a throw-away directory: leave --data out");
            return Ok(ExitCode::from(2));
        }
        let mut config = common.load_config()?;
        config.sensor.extend(kitchen::sensors());
        let data = tempfile::Builder::new()
            .prefix("doughwarden-demo-")
            .tempdir()
            .context("a throw-away directory could not be made")?;
        runtime()?.block_on(async {
            let stop = stop_signal()?;
            let clock = Clock::faster(Clock::machine().now(), self.speed);
            let daemon = Daemon::start(Options {
                config,
                data_dir: data.path().to_path_buf(),
                clock,
                any_port_if_busy: true,
            })
            .await?;
            let kitchen = kitchen::open(&daemon).await?;
            print_line(&daemon.ready_line())?;
            tracing::info!(
                speed = self.speed,
                "a simulated kitchen is running: open {} on this machine",
                daemon.http_url()
            );
            stop.await;
            kitchen.stop().await;
            daemon.stop().await;
            Ok(ExitCode::SUCCESS)
        })
    }
}

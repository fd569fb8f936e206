//! `demo`: the same daemon on a throw-away directory with a simulated kitchen.

use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Context as _;

use super::run::stop_signal;
use super::{Common, Done, print_line, runtime};
use crate::app::App;
use crate::batches::apply::apply;
use crate::config::Config;
use crate::daemon::{Daemon, Options};
use crate::kitchen::demo as kitchen;
use crate::store::sqlite::SqliteStore;
use crate::time::{Clock, UtcMs};

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
            let from = Clock::machine().now();
            let simulated = kitchen::Demo::prepare(from, kitchen::SEED);
            seed(data.path(), from, &simulated.lines)?;
            let daemon = Daemon::start(Options {
                config,
                data_dir: data.path().to_path_buf(),
                clock: Clock::faster(from, self.speed),
                any_port_if_busy: true,
            })
            .await?;
            let app = Arc::clone(daemon.app());
            let acts: kitchen::Acts = {
                let app = Arc::clone(&app);
                Arc::new(move |lines| match apply(&app, lines, false) {
                    Ok(applied) => match applied.bad.first() {
                        None => Ok(()),
                        Some(bad) => Err(bad.reason.clone()),
                    },
                    Err(error) => Err(error.to_string()),
                })
            };
            let mqtt = daemon.mqtt_url().to_owned();
            let (clock, stopped) = (app.clock.clone(), app.stop.clone());
            let kitchen =
                tokio::spawn(async move { simulated.run(clock, &mqtt, stopped, acts).await });
            print_line(&daemon.ready_line())?;
            tracing::info!(
                speed = self.speed,
                "a simulated kitchen is running: open {} on this machine",
                daemon.http_url()
            );
            stop.await;
            daemon.stop().await;
            kitchen.await.context("the simulated kitchen failed")??;
            Ok(ExitCode::SUCCESS)
        })
    }
}

/// The past goes in before the daemon starts: nothing of it is news.
fn seed(data: &Path, now: UtcMs, lines: &[String]) -> anyhow::Result<()> {
    let store = Arc::new(SqliteStore::open(data)?);
    let app = App::new(
        Clock::by_hand(now),
        Config::default(),
        data.to_path_buf(),
        store,
    )?;
    let done = apply(&app, &lines.join("\n"), true)?;
    match done.bad.first() {
        None => Ok(()),
        Some(bad) => anyhow::bail!(
            "the simulated past was refused: line {}: {}",
            bad.line,
            bad.reason
        ),
    }
}

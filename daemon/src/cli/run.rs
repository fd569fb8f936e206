//! `run`: the daemon, until SIGINT or SIGTERM.

use std::process::ExitCode;

use super::{Common, Done, print_line, runtime};
use crate::daemon::{Daemon, Options};
use crate::time::Clock;

pub(super) fn run(common: &Common) -> Done {
    let (config, data_dir) = (common.load_config()?, common.data_dir()?);
    runtime()?.block_on(async {
        let stop = stop_signal()?;
        let daemon = Daemon::start(Options {
            config,
            data_dir,
            clock: Clock::machine(),
            any_port_if_busy: false,
        })
        .await?;
        print_line(&daemon.ready_line())?;
        let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
        stop.await;
        daemon.stop().await;
        Ok(ExitCode::SUCCESS)
    })
}

/// Resolves at the first SIGINT or SIGTERM; listens from now on.
pub(super) fn stop_signal() -> anyhow::Result<impl Future<Output = ()>> {
    use tokio::signal::unix::{SignalKind, signal};
    let (mut int, mut term) = (
        signal(SignalKind::interrupt())?,
        signal(SignalKind::terminate())?,
    );
    Ok(async move {
        tokio::select! {
            _ = int.recv() => {}
            _ = term.recv() => {}
        }
        tracing::info!("stopping");
    })
}

//! `resend`: readings of a span into the copy's queue once more.

use std::process::ExitCode;

use anyhow::{Context as _, ensure};

use super::{Common, Done};
use crate::time::{HOUR_MS, UtcMs};

/// Readings of so long are queued in one transaction: live readings do not wait for it.
const STRETCH_MS: i64 = 24 * HOUR_MS;

/// Queues readings for the copy to InfluxDB once more: those of a bucket that was lost, or dropped
/// while the queue was full. Sent twice is no duplicate there: same series, same time.
#[derive(Debug, clap::Args)]
pub(super) struct Resend {
    /// From this time on (RFC 3339, included)
    #[arg(long, value_parser = UtcMs::parse, value_name = "T")]
    from: UtcMs,
    /// Up to this time (RFC 3339, not included); without it up to now
    #[arg(long, value_parser = UtcMs::parse, value_name = "T")]
    to: Option<UtcMs>,
}

impl Resend {
    pub(super) fn run(self, common: &Common) -> Done {
        let app = common.open_app()?;
        ensure!(
            app.config.influx.is_some(),
            "no server is configured: set `influx.url`, `.org`, `.bucket` and `.token`"
        );
        let to = self.to.unwrap_or_else(|| app.clock.now());
        let bar = super::import::progress_of_span();
        bar.set_length(to.0.abs_diff(self.from.0));
        let (mut at, mut queued) = (self.from, 0);
        while at < to {
            let until = at.plus_ms(STRETCH_MS).min(to);
            queued += app.store.copy_again(at, until).with_context(|| {
                format!(
                    "{queued} readings wait to be sent again; once they are sent go on with `--from {at}`"
                )
            })?;
            at = until;
            bar.set_position(at.0.abs_diff(self.from.0));
        }
        bar.finish_and_clear();
        eprintln!("{queued} readings wait to be sent again");
        Ok(ExitCode::SUCCESS)
    }
}

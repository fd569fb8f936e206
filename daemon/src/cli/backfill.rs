//! `backfill`: what an earlier installation left in the InfluxDB bucket, back into the store.

use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Context as _;

use super::{Common, Done, runtime};
use crate::backfill::flux::{Patience, Span, backfill};
use crate::time::UtcMs;

/// Reads back what an earlier installation copied to the InfluxDB bucket of the configuration;
/// doing it twice changes nothing.
#[derive(Debug, clap::Args)]
pub(super) struct Backfill {
    /// From this time on (RFC 3339, included); without it from the oldest point
    #[arg(long, value_parser = UtcMs::parse, value_name = "T")]
    from: Option<UtcMs>,
    /// Up to this time (RFC 3339, not included); without it up to the newest point
    #[arg(long, value_parser = UtcMs::parse, value_name = "T")]
    to: Option<UtcMs>,
}

impl Backfill {
    pub(super) fn run(self, common: &Common) -> Done {
        let app = common.open_app()?;
        let influx =
            app.config.influx.clone().context(
                "no server is configured: set `influx.url`, `.org`, `.bucket` and `.token`",
            )?;
        let span = Span {
            from: self.from,
            to: self.to,
        };
        let bar = super::import::progress_of_span();
        let mut tell = |p: crate::backfill::Progress| {
            bar.set_length(p.of);
            bar.set_position(p.done);
        };
        let store = Arc::clone(&app.store);
        let done = runtime()?.block_on(backfill(
            &store,
            &influx,
            span,
            app.clock.now(),
            Patience::USUAL,
            &mut tell,
        ));
        bar.finish_and_clear();
        let report = done?;
        super::import_csv::say_bad(&report);
        super::import_csv::say(&report);
        Ok(if report.bad == 0 {
            ExitCode::SUCCESS
        } else {
            ExitCode::FAILURE
        })
    }
}

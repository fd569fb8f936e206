//! `export`: the log book to standard output.

use std::io::{BufWriter, ErrorKind, Write as _};
use std::process::ExitCode;

use super::{Common, Done};
use crate::batches::export::{ExportError, Filter, export};
use crate::time::UtcMs;

/// Writes the log book (JSON Lines) to standard output.
#[derive(Debug, clap::Args)]
pub(super) struct Export {
    /// From this time on (RFC 3339, included)
    #[arg(long, value_parser = UtcMs::parse, value_name = "T")]
    from: Option<UtcMs>,
    /// Up to this time (RFC 3339, not included)
    #[arg(long, value_parser = UtcMs::parse, value_name = "T")]
    to: Option<UtcMs>,
    /// Only this batch, with what belongs to it
    #[arg(long, value_name = "ID")]
    batch: Option<String>,
}

impl Export {
    pub(super) fn run(self, common: &Common) -> Done {
        common.load_config()?;
        let store = common.open_store()?;
        let bar = super::import::progress(None);
        let out = bar.wrap_write(std::io::stdout().lock());
        let mut out = BufWriter::new(out);
        let filter = Filter {
            from: self.from,
            to: self.to,
            batch: self.batch,
        };
        let written = export(&*store, &filter, &mut out)
            .and_then(|_| out.flush().map_err(ExportError::Output));
        bar.finish_and_clear();
        match written {
            // A reader that has gone away (`| head`) has what it wanted.
            Err(ExportError::Output(e)) if e.kind() == ErrorKind::BrokenPipe => {}
            other => other?,
        }
        Ok(ExitCode::SUCCESS)
    }
}

//! The peer: what a careful person scripts in an evening, run unaltered through Python.

use crate::books::Book;
use crate::laws::Stage;
use crate::study::Quantiles;
use anyhow::Context as _;
use jiff::Timestamp;
use serde_json::json;
use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

/// A running interpreter that has the script loaded.
pub struct Script {
    child: Child,
    ask: Option<ChildStdin>,
    answer: BufReader<ChildStdout>,
}

impl Script {
    /// Starts python3, or the one that `PEER_PYTHON` names.
    ///
    /// # Errors
    /// In one line, if it cannot be run or has no numpy or scipy.
    pub fn start() -> anyhow::Result<Self> {
        let driver = concat!(env!("CARGO_MANIFEST_DIR"), "/peers/run_forecast_script.py");
        let python = std::env::var("PEER_PYTHON").unwrap_or_else(|_| "python3".into());
        // Asked beforehand: without them the script ends in a trace that tells nobody what to do.
        let able = Command::new(&python)
            .args(["-c", "import numpy, scipy"])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|status| status.success());
        anyhow::ensure!(
            able,
            "`{python}` is missing, or has no numpy and scipy, which the script compared with needs: \
             run tests/run once, which makes target/peers, then set PEER_PYTHON=target/peers/bin/python"
        );
        let mut child = Command::new(&python)
            .arg(driver)
            .env("OMP_NUM_THREADS", "1")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .with_context(|| format!("cannot run {python} {driver}"))?;
        let ask = child.stdin.take();
        let answer = BufReader::new(
            child
                .stdout
                .take()
                .context("the script has no standard output")?,
        );
        Ok(Self { child, ask, answer })
    }

    /// The script's forecasts of `cases`, fitted on the book's first-year batches.
    pub fn ask(
        &mut self,
        book: &Book,
        cases: &[(String, Stage, Timestamp)],
    ) -> anyhow::Result<Vec<Quantiles>> {
        let mut file = tempfile::NamedTempFile::new()?;
        {
            let mut lines = std::io::BufWriter::new(file.as_file_mut());
            for r in &book.records {
                writeln!(lines, "{r}")?;
            }
            lines.flush()?;
        }
        let history: Vec<&str> = book.batches[..book.history]
            .iter()
            .map(|b| b.id.as_str())
            .collect();
        let cases: Vec<_> = cases
            .iter()
            .map(|(b, s, t)| json!({"batch":b,"stage":s.name(),"at":t.to_string()}))
            .collect();
        let pipe = self.ask.as_mut().context("the script has ended")?;
        writeln!(
            pipe,
            "{}",
            json!({"book":file.path(),"history":history,"cases":cases})
        )?;
        pipe.flush()?;
        let mut line = String::new();
        self.answer.read_line(&mut line)?;
        serde_json::from_str(&line)
            .with_context(|| "the forecasting script gave no answer; its own message is above")
    }
}

impl Drop for Script {
    fn drop(&mut self) {
        // Its input closed, the script ends by itself.
        self.ask.take();
        let _ = self.child.wait();
    }
}

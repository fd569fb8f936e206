//! `store …`: back-up, restore, check and repair of the embedded store's file.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::bail;
use clap::Subcommand;

use super::{Common, Done, print_line};
use crate::store::sqlite::{self, Kept};

/// Back-ups of the store, and what to do when its file is damaged.
#[derive(Debug, clap::Args)]
pub(super) struct Store {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Copies the whole store into one file, also while the daemon runs, and looks the copy through
    BackUp {
        /// The copy's name
        file: PathBuf,
        /// Put it in the place of a file of that name
        #[arg(long)]
        replace: bool,
    },
    /// Puts a back-up in the place of the store; what was there is kept beside it. Stop the daemon first
    Restore {
        /// The back-up
        file: PathBuf,
    },
    /// Looks every page of the store, or of a back-up, through; changes nothing
    Check {
        /// A back-up; without it the store of the data directory
        file: Option<PathBuf>,
    },
    /// Makes a sound store of every row that can still be read; the damaged file is kept
    Repair {
        /// A damaged file elsewhere; needs --into. Without it the store of the data directory
        #[arg(requires = "into")]
        file: Option<PathBuf>,
        /// Write the sound file there, and leave the damaged one where it is
        #[arg(long, value_name = "FILE")]
        into: Option<PathBuf>,
    },
}

impl Store {
    pub(super) fn run(self, common: &Common) -> Done {
        common.load_config()?;
        let data_dir = common.data_dir()?;
        match self.what {
            What::BackUp { file, replace } => back_up(&data_dir, &file, replace),
            What::Restore { file } => {
                let aside = sqlite::restore(&file, &data_dir)?;
                print_line(&match aside {
                    Some(aside) => format!(
                        "restored from {}; what was there is kept as {}",
                        file.display(),
                        aside.display()
                    ),
                    None => format!("restored from {}", file.display()),
                })?;
                Ok(ExitCode::SUCCESS)
            }
            What::Check { file } => check(match file {
                Some(file) => file,
                None => sqlite::file_in(&data_dir)?,
            }),
            What::Repair { file, into } => repair(&data_dir, file, into),
        }
    }
}

fn back_up(data_dir: &Path, file: &Path, replace: bool) -> Done {
    if file.exists() && !replace {
        bail!(
            "{} is there already: name another file, or say --replace",
            file.display()
        );
    }
    let bytes = sqlite::back_up(data_dir, file)?;
    print_line(&format!("{}: {bytes} bytes, sound", file.display()))?;
    Ok(ExitCode::SUCCESS)
}

fn check(file: PathBuf) -> Done {
    let found = sqlite::check(&file)?;
    let Some(first) = found.first() else {
        print_line(&format!("{}: sound", file.display()))?;
        return Ok(ExitCode::SUCCESS);
    };
    for line in &found {
        print_line(line)?;
    }
    bail!(
        "{} is damaged ({first}; {} in all): stop the daemon, then `store repair` keeps what can be read, or `store restore` takes a back-up",
        file.display(),
        found.len()
    )
}

fn repair(data_dir: &Path, file: Option<PathBuf>, into: Option<PathBuf>) -> Done {
    let (kept, said) = match into {
        Some(into) => {
            let from = match file {
                Some(file) => file,
                None => sqlite::file_in(data_dir)?,
            };
            let kept = sqlite::repair(&from, &into)?;
            (kept, format!("{} is sound", into.display()))
        }
        None => {
            let (kept, aside) = sqlite::repair_in_place(data_dir)?;
            let said = format!(
                "the store is sound again; the damaged file is kept as {}",
                aside.display()
            );
            (kept, said)
        }
    };
    for table in kept.iter().filter(|k| k.rows + k.gaps + k.nonsense > 0) {
        print_line(&line(table))?;
    }
    print_line(&said)?;
    Ok(ExitCode::SUCCESS)
}

fn line(kept: &Kept) -> String {
    let mut text = format!("{}: {} rows kept", kept.table, kept.rows);
    if kept.gaps > 0 {
        text += &format!(", {} places could not be read", kept.gaps);
    }
    if kept.nonsense > 0 {
        text += &format!(", {} rows made no sense", kept.nonsense);
    }
    text
}

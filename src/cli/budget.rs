//! `stopspan budget MACHINE`

use std::path::PathBuf;

use clap::Args;

use super::record::{NamedInput, Recording};
use super::{Error, Reporting, run};
use crate::report;
use crate::verdict::{self, Judgement};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Machine file (TOML).
    machine: PathBuf,
    #[command(flatten)]
    recording: Recording,
    #[command(flatten)]
    reporting: Reporting,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    arguments.reporting.check(std::slice::from_ref(&arguments.machine))?;
    arguments.recording.check(std::slice::from_ref(&arguments.machine))?;
    let machine = run::machine(&arguments.machine)?;
    let (functions, result) = verdict::judge_budgets(&machine);
    let file = arguments.machine.display().to_string();
    let mut report = report::budget(&file, &machine, &functions, result);
    arguments.recording.write(&mut report, &[NamedInput { path: &arguments.machine, role: "machine file" }])?;
    arguments.reporting.write(&report)?;
    Ok(result)
}

//! `stopspan combine MACHINE STATE...`

use std::path::PathBuf;

use clap::Args;

use super::output::check_output;
use super::{Error, Reporting, run, state};
use crate::report;
use crate::state::Fleet;
use crate::verdict::{self, Judgement};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Machine file (TOML), the same that the runs were checked with.
    machine: PathBuf,
    /// States of runs, as verify and analyze write them with --leave, in any order.
    #[arg(required = true)]
    runs: Vec<PathBuf>,
    /// Also write all runs to this file, to be combined with others later.
    #[arg(long, value_name = "FILE")]
    leave: Option<PathBuf>,
    #[command(flatten)]
    reporting: Reporting,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    let inputs: Vec<_> = arguments.runs.iter().chain([&arguments.machine]).cloned().collect();
    arguments.reporting.check(&inputs)?;
    arguments.leave.iter().try_for_each(|path| check_output(path, &inputs))?;
    let machine = run::machine(&arguments.machine)?;
    let mut fleet = Fleet::default();
    for path in &arguments.runs {
        let in_file = |refused: crate::state::Refused| Error::Argument(format!("{}: {refused}", path.display()));
        fleet.add(state::read(path, Some(&arguments.machine))?).map_err(in_file)?;
    }
    if let Some(path) = &arguments.leave {
        state::write(path, fleet.runs(), Some(&arguments.machine))?;
    }
    let combined = fleet.combine(&machine).map_err(|refused| Error::Argument(refused.to_string()))?;
    let verdict = verdict::judge(&machine, &combined.outcome, &combined.summary);
    let file = arguments.machine.display().to_string();
    let report = report::combine(&file, &machine, &combined, &verdict);
    arguments.reporting.write(&report)?;
    Ok(verdict.result)
}

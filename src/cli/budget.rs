//! `stopspan budget MACHINE`

use std::path::PathBuf;

use clap::Args;

use super::{Error, Reporting, run};
use crate::machine::Machine;
use crate::report;
use crate::verdict::{self, Judgement};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Machine file (TOML).
    machine: PathBuf,
    /// Also tell what one step of each figure does to the margins of this function.
    #[arg(long, value_name = "FUNCTION")]
    sensitivity: Option<String>,
    #[command(flatten)]
    reporting: Reporting,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    arguments.reporting.check(std::slice::from_ref(&arguments.machine))?;
    let machine = run::machine(&arguments.machine)?;
    let (functions, result) = verdict::judge_budgets(&machine);
    let file = arguments.machine.display().to_string();
    let sensitive = arguments.sensitivity.as_ref().map(|name| function(&machine, name)).transpose()?;
    let mut report = report::budget(&file, &machine, &functions, result);
    if let Some(index) = sensitive {
        report = report::sensitivity(report, &machine, index);
    }
    arguments.reporting.write(&report)?;
    Ok(result)
}

/// Index of the function called `name`.
fn function(machine: &Machine, name: &str) -> Result<usize, Error> {
    machine.functions.iter().position(|function| function.id == name).ok_or_else(|| {
        let known: Vec<&str> = machine.functions.iter().map(|function| function.id.as_str()).collect();
        Error::Argument(format!("there is no safety function '{name}'; the machine file has {}", known.join(", ")))
    })
}

//! `stopspan budget MACHINE`

use std::path::PathBuf;

use clap::Args;

use super::{Error, Reporting, run};
use crate::verdict::Judgement;
use crate::{budget, report};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Machine file (TOML).
    machine: PathBuf,
    #[command(flatten)]
    reporting: Reporting,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    arguments.reporting.check(std::slice::from_ref(&arguments.machine))?;
    let machine = run::machine(&arguments.machine)?;
    let budgets: Vec<_> = machine.functions.iter().map(|function| budget::function(&machine, function)).collect();
    let result = budgets
        .iter()
        .map(|budget| match budget {
            Err(_) => Judgement::NotExamined,
            Ok(budget) if budget.is_met() => Judgement::WithinLimits,
            Ok(_) => Judgement::Findings,
        })
        .max()
        .unwrap_or(Judgement::NotExamined);
    let file = arguments.machine.display().to_string();
    arguments.reporting.write(&report::budget(&file, &machine, budgets, result))?;
    Ok(result)
}

//! `stopspan budget MACHINE`

use std::path::PathBuf;

use clap::Args;

use super::record::{NamedInput, Recording};
use super::{Error, Reporting, run};
use crate::machine::Machine;
use crate::report;
use crate::verdict::{self, Judgement};

/// Explains every function.
const ALL: &str = "all";

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Machine file (TOML).
    machine: PathBuf,
    /// Also show how every figure of this function comes about, step by step; without a name or with 'all', of every
    /// function.
    #[arg(long, value_name = "FUNCTION", num_args = 0..=1, default_missing_value = ALL)]
    explain: Option<String>,
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
    let explain = match &arguments.explain {
        Some(name) => Some(function(&machine, name)?),
        None => None,
    };
    let mut report = report::budget(&file, &machine, &functions, result);
    if let Some(only) = explain {
        report = report::explained(report, &machine, &functions, only);
    }
    arguments.recording.write(&mut report, &[NamedInput { path: &arguments.machine, role: "machine file" }])?;
    arguments.reporting.write(&report)?;
    Ok(result)
}

/// Place of the function that is called `name`; `None` stands for all of them.
fn function(machine: &Machine, name: &str) -> Result<Option<usize>, Error> {
    let found = machine.functions.iter().position(|function| function.id == name);
    if found.is_some() || name == ALL {
        return Ok(found);
    }
    let known: Vec<&str> = machine.functions.iter().map(|function| function.id.as_str()).collect();
    let likeness = |known: &str| strsim::jaro_winkler(known, name);
    let nearest = known.iter().max_by(|a, b| likeness(a).total_cmp(&likeness(b)));
    let nearest = nearest.map_or_else(String::new, |nearest| format!("; did you mean '{nearest}'?"));
    let known = known.join(", ");
    Err(Error::Argument(format!("--explain: no function '{name}'{nearest} Known: {known}; or 'all'")))
}

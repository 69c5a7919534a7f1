//! `stopspan budget MACHINE`

use std::path::PathBuf;

use clap::Args;

use super::output::keep_apart;
use super::record::{NamedInput, Recording};
use super::{Error, Reporting, run};
use crate::budget::simulate::{self, Plan, Simulation};
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
    /// Also tell what one step of each figure does to the margins of this function.
    #[arg(long, value_name = "FUNCTION")]
    sensitivity: Option<String>,
    #[command(flatten)]
    recording: Recording,
    /// Also play every function through so often, at random and adversely, and compare with the bounds.
    #[arg(long, value_name = "RUNS", allow_negative_numbers = true, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    simulate: Option<u32>,
    /// Seed of the simulation's dice; the same seed gives the same figures.
    #[arg(long, default_value_t = 1, requires = "simulate")]
    seed: u64,
    #[command(flatten)]
    reporting: Reporting,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    arguments.reporting.check(std::slice::from_ref(&arguments.machine))?;
    arguments.recording.check(std::slice::from_ref(&arguments.machine))?;
    keep_apart(&[("--output", arguments.reporting.file()), ("--record", arguments.recording.file())])?;
    let machine = run::machine(&arguments.machine)?;
    let (functions, result) = verdict::judge_budgets(&machine);
    let plan = arguments.simulate.map(|runs| Plan { runs, seed: arguments.seed });
    // A function without a budget is told as such already.
    let simulated = plan.map(|plan| {
        let of = |function| simulate::simulate(&machine, function, plan).ok();
        (plan, machine.functions.iter().map(of).collect::<Vec<Option<Simulation>>>())
    });
    let exceeds = simulated.iter().flat_map(|(_, all)| all).flatten().any(Simulation::exceeds);
    let result = if exceeds { result.max(Judgement::Findings) } else { result };
    let file = arguments.machine.display().to_string();
    let explain = match &arguments.explain {
        Some(name) if name == ALL => Some(None),
        Some(name) => Some(Some(function(&machine, name)?)),
        None => None,
    };
    let sensitive = arguments.sensitivity.as_ref().map(|name| function(&machine, name)).transpose()?;
    let mut report = report::budget(&file, &machine, &functions, result);
    if let Some(only) = explain {
        report = report::explained(report, &machine, &functions, only);
    }
    if let Some(index) = sensitive {
        report = report::sensitivity(report, &machine, index);
    }
    report.simulation = simulated.map(|(plan, all)| report::simulation(&machine, plan, &all));
    arguments.recording.write(&mut report, &[NamedInput { path: &arguments.machine, role: "machine file" }])?;
    arguments.reporting.write(&report)?;
    Ok(result)
}

/// Place of the function that is called `name`.
fn function(machine: &Machine, name: &str) -> Result<usize, Error> {
    if let Some(found) = machine.functions.iter().position(|function| function.id == name) {
        return Ok(found);
    }
    let known: Vec<&str> = machine.functions.iter().map(|function| function.id.as_str()).collect();
    let likeness = |known: &str| strsim::jaro_winkler(known, name);
    // What is no likelier than chance is no help.
    let nearest = known.iter().filter(|known| likeness(known) > 0.8).max_by(|a, b| likeness(a).total_cmp(&likeness(b)));
    let nearest = nearest.map_or_else(|| ";".to_owned(), |nearest| format!("; did you mean '{nearest}'?"));
    let known = known.join(", ");
    Err(Error::Argument(format!("there is no safety function '{name}'{nearest} the machine file has {known}")))
}

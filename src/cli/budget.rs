//! `stopspan budget MACHINE`

use std::path::PathBuf;

use clap::Args;

use super::{Error, Reporting, run};
use crate::budget::simulate::{self, Plan, Simulation};
use crate::report;
use crate::verdict::{self, Judgement};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Machine file (TOML).
    machine: PathBuf,
    /// Also play every function through so often, at random and adversely, and compare with the bounds.
    #[arg(long, value_name = "RUNS", value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    simulate: Option<u32>,
    /// Seed of the simulation's dice; the same seed gives the same figures.
    #[arg(long, default_value_t = 1, requires = "simulate")]
    seed: u64,
    #[command(flatten)]
    reporting: Reporting,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    arguments.reporting.check(std::slice::from_ref(&arguments.machine))?;
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
    let mut report = report::budget(&file, &machine, &functions, result);
    report.simulation = simulated.map(|(plan, all)| report::simulation(&machine, plan, &all));
    arguments.reporting.write(&report)?;
    Ok(result)
}

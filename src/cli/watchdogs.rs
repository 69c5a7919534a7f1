//! `stopspan watchdogs MACHINE [CAPTURE...]`

use std::path::PathBuf;

use clap::Args;

use super::{Error, Reporting, run};
use crate::budget::watchdogs::watchdogs;
use crate::report;
use crate::verdict::{self, Judgement, ObservedCycle};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Machine file (TOML).
    machine: PathBuf,
    /// Capture files of one run (pcap, pcapng, also gzip), in any order; - is standard input. They can raise the lower ends,
    /// and trips without a fault are projected from them.
    captures: Vec<PathBuf>,
    #[command(flatten)]
    reporting: Reporting,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    let inputs: Vec<_> = arguments.captures.iter().chain([&arguments.machine]).cloned().collect();
    arguments.reporting.check(&inputs)?;
    let machine = run::machine(&arguments.machine)?;
    let file = arguments.machine.display().to_string();
    if arguments.captures.is_empty() {
        let told = watchdogs(&machine, &[]);
        let mut result = verdict::judge_watchdogs(&told);
        if machine.draft {
            result = Judgement::NotExamined;
        }
        arguments.reporting.write(&report::watchdogs(&file, &machine, &told, None, result))?;
        return Ok(result);
    }
    let (outcome, summary) = run::check_projected(&machine, &arguments.captures)?;
    let verdict = verdict::judge(&machine, &outcome, &summary);
    let observed = verdict::observed_cycles(&outcome, &verdict);
    let cycles: Vec<_> = observed.iter().map(ObservedCycle::cycle).collect();
    let told = watchdogs(&machine, &cycles);
    let result = verdict::judge_watchdogs(&told).max(verdict.communication());
    let run = Some((&outcome, &summary, &verdict, observed.as_slice()));
    let report = report::watchdogs(&file, &machine, &told, run, result);
    let tails = verdict::tails(&outcome, &verdict);
    arguments.reporting.write(&report::projected(report, &machine, &tails, Some(&told)))?;
    Ok(result)
}

//! `stopspan analyze CAPTURE... [--machine MACHINE]`

use std::path::PathBuf;

use clap::Args;

use super::export::Exporting;
use super::output::keep_apart;
use super::{Error, Reporting, run};
use crate::machine::Machine;
use crate::report;
use crate::verdict::{self, Judgement};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Capture files of one run (pcap, pcapng, also gzip), in any order; - is standard input.
    #[arg(required = true)]
    captures: Vec<PathBuf>,
    /// Machine file (TOML) with the connections to check.
    #[arg(short, long, value_name = "FILE")]
    machine: Option<PathBuf>,
    /// Also project how often the watchdogs would trip without a fault: availability only, no safety claim.
    #[arg(long, requires = "machine")]
    projection: bool,
    #[command(flatten)]
    exporting: Exporting,
    #[command(flatten)]
    reporting: Reporting,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    let inputs: Vec<_> = arguments.captures.iter().chain(&arguments.machine).cloned().collect();
    arguments.reporting.check(&inputs)?;
    arguments.exporting.check(&inputs)?;
    keep_apart(&[&[("--output", arguments.reporting.file())][..], &arguments.exporting.files()].concat())?;
    if arguments.machine.is_none() && arguments.exporting.is_asked_for() {
        return Err(Error::Argument(
            "intervals are those of the connections of a machine file; name it by --machine".to_owned(),
        ));
    }
    let machine = match &arguments.machine {
        // What is a placeholder in a draft are bounded figures, and none of them is told here.
        Some(path) => Machine { draft: false, ..run::machine(path)? },
        None => Machine::default(),
    };
    let (outcome, summary) =
        arguments.exporting.run(&machine, arguments.machine.as_deref(), &arguments.captures, arguments.projection)?;
    let verdict = verdict::judge(&machine, &outcome, &summary);
    let result = verdict.communication();
    let file = arguments.machine.as_ref().map(|path| path.display().to_string());
    let named = file.as_deref().map(|file| (file, &machine));
    let mut report = report::analyze(named, &outcome, &summary, &verdict, result);
    if arguments.projection {
        report = report::projected(report, &machine, &verdict::tails(&outcome, &verdict), None);
    }
    arguments.reporting.write(&report)?;
    Ok(result)
}

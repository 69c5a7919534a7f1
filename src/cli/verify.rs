//! `stopspan verify MACHINE CAPTURE...`

use std::path::PathBuf;

use clap::Args;

use super::export::Exporting;
use super::output::keep_apart;
use super::record::{NamedInput, Recording};
use super::{Error, Reporting, run};
use crate::report;
use crate::verdict::{self, Judgement};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Machine file (TOML).
    machine: PathBuf,
    /// Capture files of one run (pcap, pcapng, also gzip), in any order; - is standard input.
    #[arg(required = true)]
    captures: Vec<PathBuf>,
    #[command(flatten)]
    recording: Recording,
    /// Also project how often the watchdogs would trip without a fault: availability only, no safety claim.
    #[arg(long)]
    projection: bool,
    #[command(flatten)]
    exporting: Exporting,
    #[command(flatten)]
    reporting: Reporting,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    let inputs: Vec<_> = arguments.captures.iter().chain([&arguments.machine]).cloned().collect();
    arguments.reporting.check(&inputs)?;
    arguments.recording.check(&inputs)?;
    arguments.exporting.check(&inputs)?;
    let outputs = [("--output", arguments.reporting.file()), ("--record", arguments.recording.file())];
    keep_apart(&[&outputs[..], &arguments.exporting.files()].concat())?;
    let machine = run::machine(&arguments.machine)?;
    let (outcome, summary) =
        arguments.exporting.run(&machine, Some(&arguments.machine), &arguments.captures, arguments.projection)?;
    let verdict = verdict::judge(&machine, &outcome, &summary);
    let file = arguments.machine.display().to_string();
    let mut report = report::verify(&file, &machine, &outcome, &summary, &verdict);
    if arguments.projection {
        report = report::projected(report, &machine, &verdict::tails(&outcome, &verdict), None);
    }
    let captures = arguments.captures.iter().map(|path| NamedInput { path, role: "capture" });
    let state = arguments.exporting.resumed().map(|path| NamedInput { path, role: "state" });
    let inputs: Vec<_> = [NamedInput { path: &arguments.machine, role: "machine file" }]
        .into_iter()
        .chain(state)
        .chain(captures)
        .collect();
    arguments.recording.write(&mut report, &inputs)?;
    arguments.reporting.write(&report)?;
    Ok(verdict.result)
}

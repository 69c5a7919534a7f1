//! `stopspan survey CAPTURE... [--draft MACHINE]`

use std::path::{Path, PathBuf};

use clap::Args;

use super::ahead::each_packet;
use super::progress::Progress;
use super::{Error, Format, Reporting, output, run};
use crate::capture::Summary;
use crate::report::{self, LeftOut};
use crate::survey::{Outcome, Survey};
use crate::verdict::Judgement;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Capture files of one run (pcap, pcapng, also gzip), in any order; - is standard input.
    #[arg(required = true)]
    captures: Vec<PathBuf>,
    /// Also write a machine file with the connections found, to be completed; -o FILE.toml does the same.
    #[arg(long, value_name = "FILE.toml")]
    draft: Option<PathBuf>,
    /// Form of the report; by default after the extension of the output file, text on the terminal.
    #[arg(long, value_enum)]
    format: Option<Format>,
    /// Write the report to this file instead of the terminal, or, if it ends in .toml, the drafted machine file.
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    let is_draft = |path: &&PathBuf| path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("toml"));
    let by_output = arguments.output.as_ref().filter(is_draft);
    if by_output.is_some() && arguments.draft.is_some() {
        return Err(Error::Argument(
            "--draft and --output both name a machine file to write; give one of them".to_owned(),
        ));
    }
    let draft = arguments.draft.as_deref().or(by_output.map(PathBuf::as_path));
    let output = arguments.output.clone().filter(|path| !is_draft(&path));
    output::keep_apart(&[("--draft", draft), ("--output", output.as_deref())])?;
    let reporting = Reporting { format: arguments.format, output, table: None, verbose: false, quiet: false };
    reporting.check(&arguments.captures)?;
    if let Some(draft) = draft {
        output::keep_inputs(draft, &arguments.captures)?;
        output::check_place(draft)?;
    }
    let (outcome, summary) = survey(&arguments.captures)?;
    let left_out = draft.map(|draft| write_draft(draft, &outcome, &summary)).transpose()?;
    let told = report::survey(&outcome, &summary, left_out.as_deref());
    reporting.write_as(|width| report::survey_text(&told, width), || report::json(&told))?;
    Ok(if told.not_examined.is_empty() { Judgement::WithinLimits } else { Judgement::NotExamined })
}

/// Reads the captures as one run.
fn survey(captures: &[PathBuf]) -> Result<(Outcome, Summary), Error> {
    let mut survey = Survey::default();
    let mut progress = Progress::reading(captures);
    let summary = each_packet(captures, |packet| {
        progress.packet(packet.octets.len());
        survey.packet(packet);
        Ok(())
    })?;
    Ok((survey.finish(), summary))
}

/// Writes the machine file; gives what is left out of it. A drafted machine file replaces one that was drafted before, but not one that somebody has worked on.
fn write_draft(path: &Path, outcome: &Outcome, summary: &Summary) -> Result<Vec<LeftOut>, Error> {
    let mark = report::DRAFT_MARK.as_bytes();
    match run::beginning(path, mark.len().try_into().unwrap_or(u64::MAX)) {
        Ok(octets) if octets != mark => return Err(Error::Exists(path.to_owned())),
        _ => {}
    }
    let (text, left_out) = report::draft(outcome, summary);
    output::write_whole(path, &text)?;
    Ok(left_out)
}

//! What several commands do: read a machine file, read a run through the checker.

use std::fs;
use std::path::{Path, PathBuf};

use super::Error;
use super::progress::Progress;
use crate::capture::{self, FileSummary, Input, Run, Summary};
use crate::check::{Checker, Outcome};
use crate::machine::{self, Machine};

/// Reads a machine file.
pub(super) fn machine(path: &Path) -> Result<Machine, Error> {
    let octets = fs::read(path).map_err(|source| Error::Read { path: path.to_owned(), source })?;
    if capture::looks_like_capture(&octets) {
        return Err(Error::Argument(format!(
            "{} is a capture, a machine file was expected; the machine file comes first, as in: stopspan verify \
             machine.toml run.pcapng",
            path.display()
        )));
    }
    machine::read(&path.display().to_string(), octets).map_err(Error::Machine)
}

/// Runs the checker over the captures as one run.
pub(super) fn check(machine: &Machine, captures: &[PathBuf]) -> Result<(Outcome, Summary), Error> {
    check_with(Checker::new(machine), Vec::new(), captures, || Ok(()), |_, _| Ok(()))
}

/// As [`check`]; the outcome also holds what a projection needs.
pub(super) fn check_projected(machine: &Machine, captures: &[PathBuf]) -> Result<(Outcome, Summary), Error> {
    check_with(Checker::new(machine).keep_largest(), Vec::new(), captures, || Ok(()), |_, _| Ok(()))
}

/// The same with a checker that has read the files `before` and tells what it sees; `so_far` is asked after each packet whether
/// that went well, `end` is shown the checker before it finishes.
pub(super) fn check_with(
    mut checker: Checker<'_>,
    before: Vec<FileSummary>,
    captures: &[PathBuf],
    so_far: impl Fn() -> Result<(), Error>,
    end: impl FnOnce(&Checker<'_>, &Summary) -> Result<(), Error>,
) -> Result<(Outcome, Summary), Error> {
    let inputs = captures.iter().map(|path| Input::from_argument(path.as_os_str()));
    let mut run = Run::open(inputs).map_err(Error::Capture)?;
    let mut progress = Progress::reading(captures);
    while let Some(mut packet) = run.next_packet().map_err(Error::Capture)? {
        packet.file = packet.file.saturating_add(before.len());
        progress.packet(packet.octets.len());
        checker.packet(&packet);
        so_far()?;
    }
    let summary = Summary { files: before.into_iter().chain(run.summary().files).collect() };
    end(&checker, &summary)?;
    let outcome = checker.finish();
    so_far()?;
    Ok((outcome, summary))
}

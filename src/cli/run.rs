//! What several commands do: read a machine file, read a run through the checker.

use std::fs;
use std::path::{Path, PathBuf};

use super::Error;
use super::ahead::each_packet;
use super::progress::Progress;
use crate::capture::{self, Summary};
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
    check_with(Checker::new(machine), captures, || Ok(()))
}

/// As [`check`]; the outcome also holds what a projection needs.
pub(super) fn check_projected(machine: &Machine, captures: &[PathBuf]) -> Result<(Outcome, Summary), Error> {
    check_with(Checker::new(machine).keep_largest(), captures, || Ok(()))
}

/// The same with a checker that tells what it sees; `so_far` is asked after each packet whether that went well.
pub(super) fn check_with(
    mut checker: Checker<'_>,
    captures: &[PathBuf],
    so_far: impl Fn() -> Result<(), Error>,
) -> Result<(Outcome, Summary), Error> {
    let mut progress = Progress::reading(captures);
    let summary = each_packet(captures, |packet| {
        progress.packet(packet.octets.len());
        checker.packet(packet);
        so_far()
    })?;
    let outcome = checker.finish();
    so_far()?;
    Ok((outcome, summary))
}

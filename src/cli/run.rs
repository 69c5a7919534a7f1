//! What several commands do: read a machine file, read a run through the checker.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use super::Error;
use super::ahead::each_packet;
use super::progress::Progress;
use crate::capture::{self, FileSummary, Packet, Summary};
use crate::check::{Checker, Outcome};
use crate::machine::{self, Machine};
use crate::state;

/// Octets that a machine file may have.
const MOST_OCTETS: u64 = 8 << 20;

/// Reads a machine file.
pub(super) fn machine(path: &Path) -> Result<Machine, Error> {
    if path == Path::new("-") {
        return Err(Error::Argument("a machine file can't be read from standard input; name a file".to_owned()));
    }
    if path.is_dir() {
        return Err(Error::Argument(format!("{} is a directory; a machine file was expected", path.display())));
    }
    let octets = beginning(path, MOST_OCTETS.saturating_add(1))?;
    if capture::looks_like_capture(&octets) {
        return Err(Error::Argument(format!(
            "{} is a capture, a machine file was expected; the machine file comes first, as in: stopspan verify \
             machine.toml run.pcapng",
            path.display()
        )));
    }
    if u64::try_from(octets.len()).is_ok_and(|length| length > MOST_OCTETS) {
        return Err(Error::Argument(format!(
            "{} is larger than {} MiB; expected a machine file",
            path.display(),
            MOST_OCTETS >> 20
        )));
    }
    machine::read(&path.display().to_string(), octets).map_err(Error::Machine)
}

/// At most the first `most` octets of a file, so that memory stays bounded whatever is named.
pub(super) fn beginning(path: &Path, most: u64) -> Result<Vec<u8>, Error> {
    let failed = |source| Error::Read { path: path.to_owned(), source };
    let mut octets = Vec::new();
    File::open(path).map_err(failed)?.take(most).read_to_end(&mut octets).map_err(failed)?;
    Ok(octets)
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
    let mut progress = Progress::reading(captures);
    let first_file = before.len();
    let read = each_packet(captures, |packet| {
        progress.packet(packet.octets.len());
        if first_file == 0 {
            checker.packet(packet);
        } else {
            checker.packet(&Packet { file: packet.file.saturating_add(first_file), ..*packet });
        }
        so_far()
    })?;
    if let Some(file) = read.files.iter().find(|file| state::holds(&before, file)) {
        return Err(Error::Argument(format!(
            "{}: the state that --resume names has read this file already; name each part of the run once, in its order",
            file.name
        )));
    }
    let summary = Summary { files: before.into_iter().chain(read.files).collect() };
    end(&checker, &summary)?;
    let outcome = checker.finish();
    so_far()?;
    Ok((outcome, summary))
}

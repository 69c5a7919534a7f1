//! `--leave FILE` and `--resume FILE`: a run in parts.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use clap::Args;
use sha2::{Digest, Sha256};

use super::Error;
use super::output::{WholeFile, check_output};
use crate::capture::{FileSummary, Summary};
use crate::check::Checker;
use crate::machine::Machine;
use crate::state::{self, Asked, Run};

#[derive(Debug, Args)]
pub(super) struct Parts {
    /// Go on from the state that --leave wrote after the part of the run before.
    #[arg(long, value_name = "FILE")]
    resume: Option<PathBuf>,
    /// Also write the state of the check to this file, from which --resume goes on with the next part of the run.
    #[arg(long, value_name = "FILE")]
    leave: Option<PathBuf>,
}

impl Parts {
    /// Refuses a file over one of `inputs` or at an impossible place, before any work is done.
    pub(super) fn check(&self, inputs: &[PathBuf]) -> Result<(), Error> {
        // The state that was taken up may be replaced by the one that is left.
        self.leave.as_ref().map_or(Ok(()), |path| check_output(path, inputs))
    }

    /// The file to leave a state in.
    pub(super) fn left(&self) -> Option<&Path> {
        self.leave.as_deref()
    }

    /// The state that is taken up, to be named as an input.
    pub(super) fn resumed(&self) -> Option<&Path> {
        self.resume.as_deref()
    }

    /// The checker to go on with, and the files that it has read.
    pub(super) fn begin<'m>(
        &self,
        machine: &'m Machine,
        machine_file: Option<&Path>,
        asked: Asked,
    ) -> Result<(Checker<'m>, Vec<FileSummary>), Error> {
        let Some(path) = &self.resume else { return Ok((asked.checker(machine), Vec::new())) };
        let mut runs = read(path, machine_file)?;
        let refused = |why: String| Error::Argument(format!("--resume {}: {why}", path.display()));
        let run = runs.pop().filter(|_| runs.is_empty());
        let run = run.ok_or_else(|| refused("it holds several runs, which can't go on".to_owned()))?;
        if run.asked != asked {
            let with = if run.asked.projection { "with" } else { "without" };
            let longest = run.asked.longest;
            return Err(refused(format!(
                "it was left {with} --projection and with --longest {longest}; go on with the same"
            )));
        }
        let checker = run.checker(machine).map_err(|unfit| refused(state::Refused::from(unfit).to_string()))?;
        Ok((checker, run.files))
    }

    /// Writes the state of `checker`, which has read what `summary` tells, if that was asked for.
    pub(super) fn end(
        &self,
        checker: &Checker<'_>,
        summary: &Summary,
        machine_file: Option<&Path>,
        asked: Asked,
    ) -> Result<(), Error> {
        let Some(path) = &self.leave else { return Ok(()) };
        let run = Run::of(checker, asked, summary.files.clone());
        let run = run.map_err(|unfit| Error::Argument(format!("--leave {}: {unfit}", path.display())))?;
        write(path, &[run], machine_file)
    }
}

/// The runs in a state file.
pub(super) fn read(path: &Path, machine_file: Option<&Path>) -> Result<Vec<Run>, Error> {
    let read = |source| Error::Read { path: path.to_owned(), source };
    let limit = format!("it is no state of a check: larger than any, {} MiB at most", state::LARGEST >> 20);
    let too_large = || read(io::Error::new(io::ErrorKind::FileTooLarge, limit));
    let file = File::open(path).map_err(read)?;
    if file.metadata().map_err(read)?.len() > state::LARGEST {
        return Err(too_large());
    }
    let mut octets = Vec::new();
    file.take(state::LARGEST.saturating_add(1)).read_to_end(&mut octets).map_err(read)?;
    if u64::try_from(octets.len()).unwrap_or(u64::MAX) > state::LARGEST {
        return Err(too_large());
    }
    state::read(&octets, &sha256(machine_file)?)
        .map_err(|refused| Error::Argument(format!("{}: {refused}", path.display())))
}

/// Writes a state file, whole or not at all.
pub(super) fn write(path: &Path, runs: &[Run], machine_file: Option<&Path>) -> Result<(), Error> {
    let sha256 = sha256(machine_file)?;
    let mut file = WholeFile::create(path)?;
    let text = state::write(runs, &sha256).map_err(|error| file.error(error.into()))?;
    if u64::try_from(text.len()).unwrap_or(u64::MAX) > state::LARGEST {
        let most = state::LARGEST >> 20;
        let limit =
            format!("the state would be larger than the {most} MiB that are read; check all files of the run at once");
        return Err(file.error(io::Error::new(io::ErrorKind::FileTooLarge, limit)));
    }
    file.write_all(text.as_bytes()).map_err(|source| file.error(source))?;
    file.finish()
}

fn sha256(path: Option<&Path>) -> Result<String, Error> {
    let Some(path) = path else { return Ok(String::new()) };
    let octets = std::fs::read(path).map_err(|source| Error::Read { path: path.to_owned(), source })?;
    Ok(Sha256::digest(octets).iter().map(|octet| format!("{octet:02x}")).collect())
}

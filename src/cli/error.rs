//! Why a job could not be done.

use std::fmt;
use std::io;
use std::path::PathBuf;

use crate::capture::CaptureError;
use crate::machine::Problems;

/// The job could not be done. Every message names the file or argument and says what to do.
#[derive(Debug)]
pub enum Error {
    /// A file could not be read.
    Read {
        /// Its path.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A file could not be written.
    Write {
        /// Its path.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Standard output could not be written.
    StandardOutput(io::Error),
    /// An output file is one of the inputs.
    OutputIsInput(PathBuf),
    /// A file that would be overwritten.
    Exists(PathBuf),
    /// The machine file has mistakes.
    Machine(Problems),
    /// A capture could not be read.
    Capture(CaptureError),
    /// An argument can't be used.
    Argument(String),
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Read { path, source } => write!(f, "could not read {}: {source}", path.display()),
            Self::Write { path, source } => write!(f, "could not write {}: {source}", path.display()),
            Self::StandardOutput(source) => write!(f, "could not write to standard output: {source}"),
            Self::OutputIsInput(path) => {
                write!(f, "{} is an input of this run; choose another output file", path.display())
            }
            Self::Exists(path) => write!(f, "{} exists already; choose another name or remove it", path.display()),
            Self::Machine(problems) => {
                let mistakes = if problems.count() == 1 { "mistake" } else { "mistakes" };
                write!(f, "{problems}\n{} {mistakes} in the machine file", problems.count())
            }
            Self::Capture(error) => error.fmt(f),
            Self::Argument(text) => f.write_str(text),
        }
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Read { source, .. } | Self::Write { source, .. } | Self::StandardOutput(source) => Some(source),
            Self::Capture(error) => Some(error),
            _ => None,
        }
    }
}

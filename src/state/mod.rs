//! A check that goes on: its state between two parts of a run, as a file.
//!
//! A run of days comes in parts. After each, the state of the check is left in a file and taken up before the next, so that all
//! together give what one pass over everything would have given. A state belongs to the machine file that it was left with, to its
//! octets: under another one nobody could say what it means. Its format has a number, which changes with the meaning of any part.
//! Its runs have a checksum: a figure that a damaged medium changed would look as good as any other.

mod fleet;

use std::fmt;

use crc::{CRC_64_XZ, Crc};
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

use crate::capture::FileSummary;
use crate::check::Checker;
use crate::machine::Machine;
use crate::saved::{self, Resume, Unfit};

pub use fleet::{Combined, Fleet, holds};

/// Name and number of the format.
pub const FORMAT: &str = "stopspan.state/4";

/// Octets of the largest state that is read.
pub const LARGEST: u64 = 64 << 20;

/// Runs in one state at most.
const RUNS: usize = 4_096;

/// What the checker was asked for: a state goes on only under the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Asked {
    /// The largest intervals are kept for a projection.
    pub projection: bool,
    /// Longest intervals that are kept with what stood around them.
    pub longest: usize,
}

impl Asked {
    /// A checker that was asked for this.
    pub fn checker(self, machine: &Machine) -> Checker<'_> {
        let checker = Checker::new(machine).keep_longest(self.longest);
        if self.projection { checker.keep_largest() } else { checker }
    }
}

/// One run up to the end of a part of it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Run {
    /// What was asked for.
    pub asked: Asked,
    /// The files that were read.
    pub files: Vec<FileSummary>,
    /// The state of the check.
    checker: Box<RawValue>,
}

impl Run {
    /// The state of a checker that has read `files`.
    ///
    /// # Errors
    /// Never in practice.
    pub fn of(checker: &Checker<'_>, asked: Asked, files: Vec<FileSummary>) -> Result<Self, Unfit> {
        Ok(Self { asked, files, checker: checker.save()? })
    }

    /// A checker that goes on from here.
    ///
    /// # Errors
    /// [`Unfit`] if this is no state of a check of `machine`.
    pub fn checker<'m>(&self, machine: &'m Machine) -> Result<Checker<'m>, Unfit> {
        self.checker_behind(machine, 0)
    }

    /// The same for a run whose files stand behind `files` others.
    fn checker_behind<'m>(&self, machine: &'m Machine, files: usize) -> Result<Checker<'m>, Unfit> {
        let mut checker = self.asked.checker(machine);
        saved::behind(files, || checker.take_up(&self.checker))?;
        Ok(checker)
    }
}

#[derive(Serialize)]
struct Written<'a> {
    format: &'static str,
    program: &'static str,
    machine_sha256: &'a str,
    runs_crc64: String,
    runs: &'a RawValue,
}

#[derive(Deserialize)]
struct Head {
    format: String,
    #[serde(default)]
    machine_sha256: String,
}

#[derive(Deserialize)]
struct Body<'a> {
    runs_crc64: String,
    #[serde(borrow)]
    runs: &'a RawValue,
}

/// The checksum of the octets of `runs`: CRC-64/XZ, which misses no burst of up to 64 bits, and anything else once in 2^64.
fn checksum(runs: &RawValue) -> String {
    format!("{:016x}", Crc::<u64>::new(&CRC_64_XZ).checksum(runs.get().as_bytes()))
}

/// Why a state file is not taken up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refused {
    /// It is no state of a check.
    NoState,
    /// It is in another format.
    Format(String),
    /// It was left with another machine file.
    Machine,
    /// A run is given twice.
    Twice(String),
    /// A capture file is part of two runs.
    Shared(String),
    /// Its octets are not those that were written.
    Changed,
    /// It is one, but what is in it does not fit.
    Damaged(String),
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoState => write!(f, "it is no state of a check; expected a file that --leave has written"),
            Self::Format(seen) => write!(
                f,
                "its format is '{seen}', this program reads '{FORMAT}'; start again from the captures, or go on with the program that left it"
            ),
            Self::Machine => write!(
                f,
                "it was left with another machine file, or that was changed since; go on with the same one, or start again from the captures"
            ),
            Self::Twice(run) => write!(f, "the run{run} is given twice; name every run once"),
            Self::Shared(file) => write!(
                f,
                "{file} is part of two runs; of a run in parts name the state after its last part alone, and read every file once"
            ),
            Self::Changed => write!(
                f,
                "its checksum does not fit: it was changed or damaged after it was written; take a good copy of it, or start again from \
                 the captures"
            ),
            Self::Damaged(why) => write!(f, "it does not fit: {why}; start again from the captures"),
        }
    }
}

impl std::error::Error for Refused {}

impl From<Unfit> for Refused {
    fn from(unfit: Unfit) -> Self {
        Self::Damaged(unfit.0)
    }
}

/// The text of a state file. `machine_sha256` is that of the machine file, empty without one.
///
/// # Errors
/// Never in practice.
pub fn write(runs: &[Run], machine_sha256: &str) -> Result<String, serde_json::Error> {
    let program = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"));
    let runs = serde_json::value::to_raw_value(runs)?;
    let written = Written { format: FORMAT, program, machine_sha256, runs_crc64: checksum(&runs), runs: &runs };
    let mut text = serde_json::to_string(&written)?;
    text.push('\n');
    Ok(text)
}

/// The runs in a state file.
///
/// # Errors
/// [`Refused`] if it is none, or none of this machine file and format.
pub fn read(octets: &[u8], machine_sha256: &str) -> Result<Vec<Run>, Refused> {
    let head: Head = serde_json::from_slice(octets).map_err(|_| Refused::NoState)?;
    if head.format != FORMAT {
        return Err(Refused::Format(head.format.chars().take(60).collect()));
    }
    if head.machine_sha256 != machine_sha256 {
        return Err(Refused::Machine);
    }
    let damaged = |error: serde_json::Error| Refused::Damaged(error.to_string());
    let body: Body<'_> = serde_json::from_slice(octets).map_err(damaged)?;
    if body.runs_crc64 != checksum(body.runs) {
        return Err(Refused::Changed);
    }
    let runs: Vec<Run> = serde_json::from_str(body.runs.get()).map_err(damaged)?;
    match runs.len() {
        0 => Err(Refused::Damaged("it holds no run".to_owned())),
        runs if runs > RUNS => Err(Refused::Damaged(format!("it holds {runs} runs, at most {RUNS} are read"))),
        _ => Ok(runs),
    }
}

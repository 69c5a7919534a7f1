//! `--intervals FILE.csv` and `--histograms FILE.hlog`: what was measured, for other programs to plot.

use std::cell::RefCell;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use clap::Args;

use super::output::{WholeFile, check_output};
use super::state::Parts;
use super::{Error, run};
use crate::capture::{FileSummary, Summary};
use crate::check::{Checker, Outcome};
use crate::machine::Machine;
use crate::state::Asked;
use crate::{report, timing};

#[derive(Debug, Args)]
pub(super) struct Exporting {
    /// Also write every interval between telegrams and every round trip to this file, one line each.
    #[arg(long, value_name = "FILE.csv")]
    intervals: Option<PathBuf>,
    /// Also write the histograms of the intervals to this file, in the HdrHistogram log format.
    #[arg(long, value_name = "FILE.hlog")]
    histograms: Option<PathBuf>,
    /// Longest intervals of each direction that are told with what stood around them.
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true, default_value_t = timing::USUAL_LONGEST, value_parser = number_of_longest)]
    longest: usize,
    #[command(flatten)]
    parts: Parts,
}

fn number_of_longest(text: &str) -> Result<usize, String> {
    let most = timing::MOST_LONGEST;
    let number = text.parse().ok().filter(|number| *number <= most);
    number.ok_or_else(|| format!("expected a number from 0 to {most}"))
}

impl Exporting {
    /// Whether anything is to be written.
    pub(super) const fn is_asked_for(&self) -> bool {
        self.intervals.is_some() || self.histograms.is_some()
    }

    /// Refuses a file over one of `inputs` or at an impossible place, before any work is done.
    pub(super) fn check(&self, inputs: &[PathBuf]) -> Result<(), Error> {
        self.parts.check(inputs)?;
        self.intervals.iter().chain(&self.histograms).try_for_each(|path| check_output(path, inputs))
    }

    /// The files to write, by their options.
    pub(super) fn files(&self) -> [(&'static str, Option<&Path>); 3] {
        [
            ("--intervals", self.intervals.as_deref()),
            ("--histograms", self.histograms.as_deref()),
            ("--leave", self.parts.left()),
        ]
    }

    /// The state that is taken up, to be named as an input.
    pub(super) fn resumed(&self) -> Option<&Path> {
        self.parts.resumed()
    }

    /// Runs the checker over the captures and writes what was asked for.
    /// `projection`: the outcome also holds what a projection needs.
    pub(super) fn run(
        &self,
        machine: &Machine,
        machine_file: Option<&Path>,
        captures: &[PathBuf],
        projection: bool,
    ) -> Result<(Outcome, Summary), Error> {
        let asked = Asked { projection, longest: self.longest };
        let (checker, before) = self.parts.begin(machine, machine_file, asked)?;
        let end = |checker: &Checker<'_>, summary: &Summary| self.parts.end(checker, summary, machine_file, asked);
        let (outcome, summary) = match &self.intervals {
            Some(path) => told_one_by_one(WholeFile::create(path)?, (checker, before), machine, captures, end)?,
            None => run::check_with(checker, before, captures, || Ok(()), end)?,
        };
        if let Some(path) = &self.histograms {
            let mut file = WholeFile::create(path)?;
            let log = report::histogram_log(machine, &outcome);
            log.and_then(|octets| file.write_all(&octets)).map_err(|source| file.error(source))?;
            file.finish()?;
        }
        Ok((outcome, summary))
    }
}

/// The intervals as they end, so that none is kept.
struct Lines {
    file: WholeFile,
    failed: Option<io::Error>,
}

fn told_one_by_one(
    mut file: WholeFile,
    (checker, before): (Checker<'_>, Vec<FileSummary>),
    machine: &Machine,
    captures: &[PathBuf],
    end: impl FnOnce(&Checker<'_>, &Summary) -> Result<(), Error>,
) -> Result<(Outcome, Summary), Error> {
    file.write_all(report::INTERVAL_HEAD.as_bytes()).map_err(|source| file.error(source))?;
    let lines = RefCell::new(Lines { file, failed: None });
    let checker = checker.telling_intervals(|seen| {
        let Lines { file, failed } = &mut *lines.borrow_mut();
        if failed.is_none() {
            *failed = file.write_all(report::interval_line(machine, seen).as_bytes()).err();
        }
    });
    let so_far = || {
        let Lines { file, failed } = &mut *lines.borrow_mut();
        failed.take().map_or(Ok(()), |source| Err(file.error(source)))
    };
    let told = run::check_with(checker, before, captures, so_far, end)?;
    lines.into_inner().file.finish()?;
    Ok(told)
}

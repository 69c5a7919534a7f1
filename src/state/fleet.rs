//! Independent runs of one machine, each with its state, as one collection.

use super::{Refused, Run};
use crate::capture::{FileSummary, Summary};
use crate::check::Outcome;
use crate::machine::Machine;
use crate::time::Instant;

/// Runs in the order of their beginning. Whatever order they are given in, and however they were collected before, the same runs
/// give the same collection.
#[derive(Clone, Debug, Default)]
pub struct Fleet {
    runs: Vec<Run>,
}

/// What the runs of a [`Fleet`] give.
pub struct Combined {
    /// All together.
    pub outcome: Outcome,
    /// All files.
    pub summary: Summary,
    /// Each run alone, with the index of its first file.
    pub runs: Vec<(usize, Outcome, Summary)>,
}

impl Fleet {
    /// Takes in runs.
    ///
    /// # Errors
    /// [`Refused::Twice`] if one is in it already, [`Refused::Shared`] if a file of one is.
    pub fn add(&mut self, runs: Vec<Run>) -> Result<(), Refused> {
        for run in runs {
            if self.runs.iter().any(|known| known.checker.get() == run.checker.get() && known.files == run.files) {
                let name = run.files.first().map_or_else(String::new, |file| format!(" of {}", file.name));
                return Err(Refused::Twice(name));
            }
            let shared = run.files.iter().find(|file| self.runs.iter().any(|known| holds(&known.files, file)));
            if let Some(file) = shared {
                return Err(Refused::Shared(file.name.clone()));
            }
            self.runs.push(run);
        }
        self.runs.sort_by_cached_key(|run| (begin(&run.files), run.checker.get().to_owned()));
        Ok(())
    }

    /// The runs in order.
    pub fn runs(&self) -> &[Run] {
        &self.runs
    }

    /// Ends every run and puts the outcomes together.
    ///
    /// # Errors
    /// [`Refused`] if one is no run of `machine`, or if there is none.
    pub fn combine(self, machine: &Machine) -> Result<Combined, Refused> {
        let mut combined: Option<Combined> = None;
        for run in self.runs {
            let first = combined.as_ref().map_or(0, |combined| combined.summary.files.len());
            let outcome = run.checker_behind(machine, first)?.finish();
            let summary = Summary { files: run.files };
            let alone = (first, outcome.clone(), summary.clone());
            match &mut combined {
                Some(combined) => {
                    combined.outcome.join(outcome);
                    combined.summary.files.extend(summary.files);
                    combined.runs.push(alone);
                }
                None => combined = Some(Combined { outcome, summary, runs: vec![alone] }),
            }
        }
        combined.ok_or_else(|| Refused::Damaged("it holds no run".to_owned()))
    }
}

/// Whether one of `files` has the same packets as `file`, whatever their names.
pub fn holds(files: &[FileSummary], file: &FileSummary) -> bool {
    let key = |file: &FileSummary| (file.first, file.last, file.packets, file.octets);
    file.first.is_some() && files.iter().any(|known| key(known) == key(file))
}

/// Time of the first packet.
fn begin(files: &[FileSummary]) -> Option<Instant> {
    files.iter().filter_map(|file| file.first).min()
}

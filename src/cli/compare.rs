//! `stopspan compare OLD NEW`

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use clap::Args;

use super::{Error, Format, Reporting, run};
use crate::capture;
use crate::compare::{self, Limits, MOST_OCTETS, Rule, Saved};
use crate::machine::Machine;
use crate::quantity::{self, Dimension};
use crate::report;
use crate::verdict::{self, Judgement};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The run to compare with: JSON saved by verify, combine or analyze, or a capture (with --machine).
    old: PathBuf,
    /// The run to judge, likewise.
    new: PathBuf,
    /// Machine file (TOML) by which captures are checked first.
    #[arg(short, long, value_name = "FILE")]
    machine: Option<PathBuf>,
    /// How much worse the new run may be: margin (to the watchdog), max, median (intervals), reaction, standstill or travel (means, beyond
    /// chance and the phases of a power-up), in percent of the old figure. By default margin=20%, reaction=10%, standstill=10% and travel=10%; new findings, trips and
    /// worse verdicts always count.
    #[arg(long, value_name = "NAME=SHARE", value_parser = limit)]
    limit: Vec<(Rule, i64)>,
    #[command(flatten)]
    reporting: Reporting,
}

fn limit(text: &str) -> Result<(Rule, i64), String> {
    let (name, share) = text.split_once('=').ok_or("expected NAME=SHARE, such as margin=20%")?;
    let rule = Rule::LIMITED.into_iter().find(|rule| rule.name() == name.trim()).ok_or_else(|| {
        let names = Rule::LIMITED.map(Rule::name).join(", ");
        format!("no limit '{}'; expected one of {names}", name.trim())
    })?;
    match quantity::parse(share, Dimension::Share) {
        Ok(ppb) if ppb >= 0 => Ok((rule, ppb)),
        Ok(_) => Err(format!("'{share}' is negative; expected a share such as 20%")),
        Err(error) => Err(format!("'{share}' {error}; expected a share such as 20%")),
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    let inputs: Vec<_> = [&arguments.old, &arguments.new].into_iter().chain(&arguments.machine).cloned().collect();
    arguments.reporting.check(&inputs)?;
    if matches!(arguments.reporting.chosen(), Format::Csv | Format::Junit) {
        return Err(Error::Argument(
            "a comparison is written as text or JSON; choose --format text or json".to_owned(),
        ));
    }
    let mut limits = Limits::default();
    for (rule, share) in &arguments.limit {
        limits.set(*rule, *share);
    }
    let machine = arguments.machine.as_deref().map(|path| Ok((path, run::machine(path)?))).transpose()?;
    let machine = machine.as_ref().map(|(path, machine)| (*path, machine));
    let old = read(&arguments.old, machine)?;
    let new = read(&arguments.new, machine)?;
    let compared = compare::compare(&old, &new, limits);
    let result = if !compared.not_compared.is_empty() {
        Judgement::NotExamined
    } else if !compared.breaches.is_empty() {
        Judgement::Findings
    } else {
        Judgement::WithinLimits
    };
    let [old_file, new_file] = [&arguments.old, &arguments.new].map(|path| path.display().to_string());
    arguments.reporting.write(&report::comparison([&old_file, &new_file], [&old, &new], &compared, result))?;
    Ok(result)
}

/// A saved run, or a capture checked now.
fn read(path: &Path, machine: Option<(&Path, &Machine)>) -> Result<Saved, Error> {
    let failed = |source| Error::Read { path: path.to_owned(), source };
    let mut file = File::open(path).map_err(failed)?;
    let mut head = Vec::new();
    file.by_ref().take(4).read_to_end(&mut head).map_err(failed)?;
    if capture::looks_like_capture(&head) {
        return match machine {
            Some((name, machine)) => checked(path, name, machine),
            None => Err(Error::Argument(format!(
                "{} is a capture; give its machine file by --machine, or compare results that verify has saved",
                path.display()
            ))),
        };
    }
    let too_large = || {
        Err(Error::Argument(format!(
            "{} is larger than {} MiB; expected a saved result of verify, combine or analyze",
            path.display(),
            MOST_OCTETS >> 20
        )))
    };
    // Told before anything of it is read; a pipe says how long it is only at its end.
    if file.metadata().is_ok_and(|is| is.len() > MOST_OCTETS) {
        return too_large();
    }
    let mut octets = head;
    file.take(MOST_OCTETS).read_to_end(&mut octets).map_err(failed)?;
    if u64::try_from(octets.len()).is_ok_and(|length| length > MOST_OCTETS) {
        return too_large();
    }
    Saved::read(&octets).map_err(|why| Error::Argument(format!("{}: {why}", path.display())))
}

/// What verify would save of a capture.
fn checked(path: &Path, name: &Path, machine: &Machine) -> Result<Saved, Error> {
    let (outcome, summary) = run::check(machine, &[path.to_owned()])?;
    let verdict = verdict::judge(machine, &outcome, &summary);
    let report = report::verify(&name.display().to_string(), machine, &outcome, &summary, &verdict);
    let text = report::json(&report).map_err(|error| Error::StandardOutput(error.into()))?;
    Saved::read(text.as_bytes()).map_err(|why| Error::Argument(format!("{}: {why}", path.display())))
}

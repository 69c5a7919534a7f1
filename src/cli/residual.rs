//! `stopspan residual MACHINE`

use std::path::PathBuf;

use clap::Args;

use super::{Error, Reporting, run};
use crate::budget::residual::{BitError, Examination};
use crate::machine::Direction;
use crate::report::{self, Computed};
use crate::verdict::Judgement;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Machine file (TOML).
    machine: PathBuf,
    /// Probability that a bit is inverted on the wire, above 0 and at most 0.5.
    #[arg(long, value_name = "P", default_value = "1e-2", value_parser = bit_error)]
    bit_error: BitError,
    #[command(flatten)]
    reporting: Reporting,
}

fn bit_error(text: &str) -> Result<BitError, String> {
    text.parse().map_err(|mistake| format!("'{text}' {mistake}"))
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    arguments.reporting.check(std::slice::from_ref(&arguments.machine))?;
    let machine = run::machine(&arguments.machine)?;
    let mut examination = Examination::new(arguments.bit_error.clone());
    let mut computed = Vec::new();
    for (index, connection) in machine.connections.iter().enumerate() {
        for direction in [Direction::ToDevice, Direction::ToHost] {
            let result = examination.direction(connection, direction);
            computed.push(Computed { connection: index, direction, result });
        }
    }
    let result = computed
        .iter()
        .map(|computed| match computed.result.as_ref().map(|told| told.is_met()) {
            Ok(Some(true)) => Judgement::WithinLimits,
            Ok(Some(false)) => Judgement::Findings,
            Ok(None) | Err(_) => Judgement::NotExamined,
        })
        .max()
        .unwrap_or(Judgement::NotExamined);
    let file = arguments.machine.display().to_string();
    arguments.reporting.write(&report::residual(&file, &machine, &arguments.bit_error, &computed, result))?;
    Ok(result)
}

//! The command line: what was typed, turned into a job, run, and its exit code.
//!
//! Exit codes, for people and for CI: 0 everything was examined and is within limits; 1 findings, a trip, or a limit
//! missed; 2 the job could not be done, or not fully (cut capture, connection never seen, mistake in the machine file). 2
//! outranks 1 outranks 0. A reader that goes away early (a closed pipe) ends the program quietly.

mod ahead;
mod analyze;
mod budget;
mod combine;
mod compare;
mod completions;
mod error;
mod export;
mod init;
mod output;
mod progress;
mod record;
mod residual;
mod run;
mod schema;
mod state;
mod survey;
mod synth;
mod synth_faults;
mod verify;
mod watchdogs;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::report::CsvTable;
use crate::verdict::Judgement;
pub use error::Error;

/// Reaction-time budgets, capture checks and verdicts for drive-based machine safety.
#[derive(Debug, Parser)]
#[command(
    name = "stopspan",
    version = concat!(env!("CARGO_PKG_VERSION"), " (", env!("STOPSPAN_COMMIT"), ")"),
    after_help = "Example: stopspan verify machine.toml run.pcapng --record record.html\n\n\
                  Exit codes: 0 examined and within limits; 1 findings or a limit missed; 2 not, or not fully, examined.\n\n\
                  Reports have no colour. Help and messages have some on a terminal only, and none if NO_COLOR is set. Reports are \
                  as wide as the terminal, from 80 to 140 columns; in a pipe or file 80 columns.\n\n\
                  This program computes; it does not certify."
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Check a capture against the machine file: telegrams, reactions, budget, verdict. The main job.
    #[command(after_help = "Example: stopspan verify machine.toml run.pcapng")]
    Verify(verify::Arguments),
    /// Compute the reaction times, stops and distances of a machine file.
    #[command(after_help = "Example: stopspan budget machine.toml")]
    Budget(budget::Arguments),
    /// Compute the interval of each watchdog, the best choice of all, and the ways out where there is none.
    #[command(after_help = "Example: stopspan watchdogs machine.toml run.pcapng")]
    Watchdogs(watchdogs::Arguments),
    /// Compute how probable undetected telegram errors are, by the CRCs of a machine file's connections.
    #[command(after_help = "Example: stopspan residual machine.toml")]
    Residual(residual::Arguments),
    /// Tell what a capture holds; with a machine file, check its connections.
    #[command(after_help = "Example: stopspan analyze run.pcapng --machine machine.toml")]
    Analyze(analyze::Arguments),
    /// Find safety telegrams in a capture without a machine file, and draft its connections.
    #[command(
        after_help = "Example: stopspan survey run.pcapng --draft machine.toml\n\nExit codes: 0 read whole, whether \
                            or not anything was found; 2 not, or not wholly, read."
    )]
    Survey(survey::Arguments),
    /// Put independent runs of a machine together: counts, extremes, quantiles, findings.
    #[command(after_help = "Example: stopspan combine machine.toml monday.state tuesday.state")]
    Combine(combine::Arguments),
    /// Compare two runs of a machine: what became worse, what is new, what is gone.
    #[command(after_help = "Example: stopspan compare old.json new.json --limit margin=10%")]
    Compare(compare::Arguments),
    /// Write a capture from a machine file, with faults placed on purpose and a ledger of them.
    #[command(after_help = "Example: stopspan synth machine.toml -o run.pcapng --fault loss,gate,to_host,5s")]
    Synth(synth::Arguments),
    /// Write a commented machine file to start from.
    #[command(after_help = "Example: stopspan init machine.toml")]
    Init(init::Arguments),
    /// Print the JSON Schema of a kind of report.
    #[command(after_help = "Example: stopspan schema verify > verify.schema.json")]
    Schema(schema::Arguments),
    /// Write a script that completes commands and options in a shell.
    #[command(after_help = "Example: stopspan completions bash > stopspan.bash")]
    Completions(completions::Completions),
    /// Write manual pages into a folder.
    #[command(after_help = "Example: stopspan manual man1")]
    Manual(completions::Manual),
}

/// Where a report goes and how it looks.
#[derive(Debug, Args)]
struct Reporting {
    /// Form of the report; by default after the extension of the output file, text on the terminal.
    #[arg(long, value_enum)]
    format: Option<Format>,
    /// Write the report to this file instead of the terminal; it is written whole or not at all.
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Table of the CSV form.
    #[arg(long, value_enum, value_name = "TABLE")]
    table: Option<Table>,
    /// Also list paths, phases, events, every reaction, and the assumptions that the figures rest on.
    #[arg(short, long, alias = "detailed", conflicts_with = "quiet")]
    verbose: bool,
    /// Print the verdict line only; files are written whole all the same.
    #[arg(short, long)]
    quiet: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Format {
    /// Tables for people.
    Text,
    /// The same facts for programs.
    Json,
    /// One table, chosen by --table.
    Csv,
    /// Test cases for a build server: one per safety function and connection.
    Junit,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Table {
    /// Safety functions: bounded and measured figures, verdict.
    Functions,
    /// Steps of the paths of the functions.
    Steps,
    /// Every measured reaction.
    Reactions,
    /// Every measured stop.
    Standstills,
    /// The points of their curves.
    Curves,
    /// Connections: counts, watchdog, margin, health.
    Connections,
    /// Intervals and round trips: extremes and quantiles.
    Intervals,
    /// How many intervals there are of each length.
    Histogram,
    /// The longest interval in each part of the run.
    Maxima,
    /// The few longest intervals of each direction, with what stood around them.
    Longest,
    /// How regularly the frames of the carriers came.
    Cycles,
    /// Findings.
    Findings,
    /// Findings on functions.
    FunctionFindings,
    /// Two-channel signals.
    Pairs,
    /// Every change of both channels of a pair.
    Discrepancies,
    /// Trips.
    Trips,
    /// Losses of the connections: when, and the likeliest cause.
    Losses,
    /// What speaks for and against the causes of each loss.
    Evidence,
    /// Events.
    Events,
}

impl Table {
    const fn of_report(self) -> CsvTable {
        match self {
            Self::Functions => CsvTable::Functions,
            Self::Steps => CsvTable::Steps,
            Self::Reactions => CsvTable::Reactions,
            Self::Standstills => CsvTable::Standstills,
            Self::Curves => CsvTable::Curves,
            Self::Connections => CsvTable::Connections,
            Self::Intervals => CsvTable::Intervals,
            Self::Histogram => CsvTable::Histogram,
            Self::Maxima => CsvTable::Maxima,
            Self::Longest => CsvTable::Longest,
            Self::Cycles => CsvTable::Cycles,
            Self::Findings => CsvTable::Findings,
            Self::FunctionFindings => CsvTable::FunctionFindings,
            Self::Pairs => CsvTable::Pairs,
            Self::Discrepancies => CsvTable::Discrepancies,
            Self::Trips => CsvTable::Trips,
            Self::Losses => CsvTable::Losses,
            Self::Evidence => CsvTable::Evidence,
            Self::Events => CsvTable::Events,
        }
    }
}

/// Parses the arguments of the process, runs, prints errors.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            let code = if error.use_stderr() { 2 } else { 0 };
            // A closed pipe is no reason to complain.
            let _ = error.print();
            return ExitCode::from(code);
        }
    };
    let result = match &cli.command {
        Command::Verify(arguments) => verify::run(arguments),
        Command::Budget(arguments) => budget::run(arguments),
        Command::Watchdogs(arguments) => watchdogs::run(arguments),
        Command::Residual(arguments) => residual::run(arguments),
        Command::Analyze(arguments) => analyze::run(arguments),
        Command::Survey(arguments) => survey::run(arguments),
        Command::Combine(arguments) => combine::run(arguments),
        Command::Compare(arguments) => compare::run(arguments),
        Command::Synth(arguments) => synth::run(arguments),
        Command::Init(arguments) => init::run(arguments),
        Command::Schema(arguments) => schema::run(arguments),
        Command::Completions(arguments) => completions::completions(arguments),
        Command::Manual(arguments) => completions::manual(arguments),
    };
    match result {
        Ok(judgement) => ExitCode::from(exit_code(judgement)),
        Err(error) => {
            output::complain(&error);
            ExitCode::from(2)
        }
    }
}

/// The exit code of a verdict.
const fn exit_code(judgement: Judgement) -> u8 {
    match judgement {
        Judgement::WithinLimits => 0,
        Judgement::Findings => 1,
        Judgement::NotExamined => 2,
    }
}

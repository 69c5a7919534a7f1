//! The `stopspan` program: parse, run, exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    stopspan::cli::main()
}

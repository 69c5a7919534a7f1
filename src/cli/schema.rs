//! `stopspan schema [KIND]`: what a program that reads the JSON may rely on.

use clap::Args;

use super::Error;
use super::output::print;
use crate::report;
use crate::verdict::Judgement;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Kind of report, as its key 'schema' says it: stopspan.verify/1; also without name and number: verify. Lists the kinds if
    /// it is left out.
    kind: Option<String>,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    let kinds: Vec<&str> = report::kinds().collect();
    let Some(asked) = &arguments.kind else {
        print(&format!("{}\n", kinds.join("\n")))?;
        return Ok(Judgement::WithinLimits);
    };
    let short = |kind: &str| kind.split(['.', '/']).nth(1).is_some_and(|command| command == asked);
    let kind = kinds.iter().find(|kind| *kind == asked || short(kind));
    let schema = kind.and_then(|kind| report::schema(kind)).ok_or_else(|| {
        Error::Argument(format!("there is no kind of report '{asked}'; the kinds are {}", kinds.join(", ")))
    })?;
    print(&schema)?;
    Ok(Judgement::WithinLimits)
}

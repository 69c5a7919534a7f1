//! `stopspan init [FILE]`

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;

use super::Error;
use super::output::{WholeFile, print};
use crate::machine::TEMPLATE;
use crate::verdict::Judgement;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// File to write; an existing one is kept. - is standard output.
    #[arg(default_value = "machine.toml")]
    file: PathBuf,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    let path = &arguments.file;
    if path == Path::new("-") {
        print(TEMPLATE)?;
    } else {
        if path.exists() {
            return Err(Error::Exists(path.clone()));
        }
        let mut file = WholeFile::create(path)?;
        file.write_all(TEMPLATE.as_bytes()).map_err(|source| file.error(source))?;
        file.finish()?;
        print(&format!("wrote {0}; edit it, then: stopspan budget {0}\n", path.display()))?;
    }
    Ok(Judgement::WithinLimits)
}

//! `stopspan completions SHELL` and `stopspan manual FOLDER`: what a shell and a reader of manual pages want.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use clap::{Args, CommandFactory};
use clap_complete::Shell;

use super::output::{WholeFile, print};
use super::{Cli, Error};
use crate::verdict::Judgement;

#[derive(Debug, Args)]
pub(super) struct Completions {
    /// The shell to write for.
    shell: Shell,
}

#[derive(Debug, Args)]
pub(super) struct Manual {
    /// Folder to write the pages into; it has to be there.
    folder: PathBuf,
}

pub(super) fn completions(arguments: &Completions) -> Result<Judgement, Error> {
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, &mut Cli::command(), "stopspan", &mut script);
    print(&String::from_utf8_lossy(&script))?;
    Ok(Judgement::WithinLimits)
}

/// One page for the program and one for each command.
pub(super) fn manual(arguments: &Manual) -> Result<Judgement, Error> {
    let folder = &arguments.folder;
    if !fs::metadata(folder).is_ok_and(|is| is.is_dir()) {
        return Err(Error::Argument(format!("{} is no folder; name one that is there", folder.display())));
    }
    let program = Cli::command();
    page(folder, "stopspan", program.clone())?;
    for command in program.get_subcommands() {
        let name = format!("stopspan-{}", command.get_name());
        page(folder, &name, command.clone().display_name(name.clone()).bin_name(name.replace("-", " ")))?;
    }
    Ok(Judgement::WithinLimits)
}

fn page(folder: &Path, name: &str, command: clap::Command) -> Result<(), Error> {
    let mut file = WholeFile::create(&folder.join(format!("{name}.1")))?;
    let mut octets = Vec::new();
    clap_mangen::Man::new(command).render(&mut octets).map_err(|source| file.error(source))?;
    file.write_all(&octets).map_err(|source| file.error(source))?;
    file.finish()
}

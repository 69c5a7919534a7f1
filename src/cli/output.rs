//! Output: to the terminal, or to a file that appears whole or not at all and never over an input.
//!
//! A file is written under another name in the same folder, `.NAME.PROCESS.part`, and renamed when it is complete; that takes
//! the place of an existing file on all systems. A program that is killed leaves the part behind, never half a report under
//! the name asked for. What is no file (a device, a pipe) is written as it comes,
//! and a link stays a link.

use std::fs::{self, File};
use std::io::{self, BufWriter, IsTerminal, Write};
use std::path::{Path, PathBuf};

use clap::ValueEnum;

use super::{Error, Format, Reporting, Table};
use crate::report::{self, Report};

/// Widest text that is laid out even on a wider terminal.
const WIDEST: usize = 140;

/// Extensions of forms that others write, and no report here has.
const FOREIGN: [&str; 6] = ["html", "htm", "pdf", "md", "svg", "yaml"];

impl Reporting {
    /// Refuses an output that is one of `inputs` or can't be a file, before any work is done.
    pub(super) fn check(&self, inputs: &[PathBuf]) -> Result<(), Error> {
        if self.quiet && self.file().is_none() && self.chosen() != Format::Text {
            return Err(Error::Argument(
                "--quiet prints the verdict line only; name a file for the report by --output, or leave one of them out".to_owned(),
            ));
        }
        if self.table.is_some() && self.chosen() != Format::Csv {
            return Err(Error::Argument(
                "--table chooses a table of the CSV form; leave it out, or choose --format csv".to_owned(),
            ));
        }
        self.check_extension()?;
        self.file().map_or(Ok(()), |output| check_output(output, inputs))
    }

    /// Refuses an extension that names a form which no report has: it would be text under a wrong name.
    fn check_extension(&self) -> Result<(), Error> {
        let extension = self.file().and_then(Path::extension).and_then(|extension| extension.to_str());
        let foreign = extension.filter(|extension| FOREIGN.iter().any(|other| extension.eq_ignore_ascii_case(other)));
        match foreign.filter(|_| self.format.is_none()) {
            Some(extension) => Err(Error::Argument(format!(
                "there is no report in the form .{extension}; choose a form by --format, or by .txt or .json (a record in HTML is \
                 written by verify --record)"
            ))),
            None => Ok(()),
        }
    }

    /// The file to write; `None` is standard output.
    pub(super) fn file(&self) -> Option<&Path> {
        self.output.as_deref().filter(|path| *path != Path::new("-"))
    }

    /// Writes the report in the form asked for.
    pub(super) fn write(&self, report: &Report) -> Result<(), Error> {
        if self.quiet {
            // The last line of the text, in the same words.
            let text = report::text(report, self.width(), false);
            let verdict = text.lines().next_back().unwrap_or_default();
            print(&format!("{verdict}\n"))?;
            if self.file().is_none() {
                return Ok(());
            }
        }
        match self.chosen() {
            Format::Csv => self.put(&self.csv(report)?),
            Format::Junit => self.put(&report::junit(report)),
            Format::Text | Format::Json => {
                self.write_as(|width| report::text(report, width, self.verbose), || report::json(report))
            }
        }
    }

    /// Writes a report that is `text` of a width, or `json`.
    pub(super) fn write_as(
        &self,
        text: impl FnOnce(usize) -> String,
        json: impl FnOnce() -> Result<String, serde_json::Error>,
    ) -> Result<(), Error> {
        let text = match self.chosen() {
            Format::Text => text(self.width()),
            Format::Json => json().map_err(|error| Error::StandardOutput(error.into()))?,
            Format::Csv | Format::Junit => {
                return Err(Error::Argument("this report has the forms text and json only".to_owned()));
            }
        };
        self.put(&text)
    }

    fn put(&self, text: &str) -> Result<(), Error> {
        match self.file() {
            Some(path) => write_whole(path, text),
            None => print(text),
        }
    }

    fn csv(&self, report: &Report) -> Result<String, Error> {
        let table =
            self.table.unwrap_or(if report.functions.is_some() { Table::Functions } else { Table::Connections });
        let name = table.to_possible_value().map_or_else(String::new, |value| value.get_name().to_owned());
        let text = report::csv(report, table.of_report()).ok_or_else(|| {
            let has = |table: &Table| report::csv(report, table.of_report()).is_some();
            let tables: Vec<_> = Table::value_variants().iter().filter(|table| has(table)).collect();
            let names: Vec<_> = tables.iter().filter_map(|table| table.to_possible_value()).collect();
            let names: Vec<&str> = names.iter().map(clap::builder::PossibleValue::get_name).collect();
            Error::Argument(if names.is_empty() {
                "this report has no tables for CSV; choose --format json".to_owned()
            } else {
                format!("this report has no table '{name}'; it has {}", names.join(", "))
            })
        })?;
        text.map_err(Error::StandardOutput)
    }

    /// The form asked for, by option or by the extension of the file.
    pub(super) fn chosen(&self) -> Format {
        let extension = self.output.as_ref().and_then(|path| path.extension()).unwrap_or_default().to_ascii_lowercase();
        let by_extension = match extension.to_str() {
            Some("json") => Format::Json,
            Some("csv") => Format::Csv,
            Some("xml") => Format::Junit,
            _ if self.table.is_some() => Format::Csv,
            _ => Format::Text,
        };
        self.format.unwrap_or(by_extension)
    }

    fn width(&self) -> usize {
        let terminal = if self.file().is_none() && io::stdout().is_terminal() {
            terminal_size::terminal_size().map(|(width, _)| usize::from(width.0))
        } else {
            None
        };
        terminal.unwrap_or(80).clamp(80, WIDEST)
    }
}

/// Writes a file, whole or not at all.
pub(super) fn write_whole(path: &Path, text: &str) -> Result<(), Error> {
    let mut file = WholeFile::create(path)?;
    file.write_all(text.as_bytes()).map_err(|source| file.error(source))?;
    file.finish()
}

/// Prints to standard output; a reader that went away is no error.
pub(super) fn print(text: &str) -> Result<(), Error> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(Error::StandardOutput(error)),
        _ => Ok(()),
    }
}

/// Prints an error to standard error.
pub(super) fn complain(error: &Error) {
    // `file:line:column:` has to stand at the start of a line for editors to find it.
    let name = if matches!(error, Error::Machine(_)) { "" } else { "stopspan: " };
    // Nobody is left to tell if standard error is closed.
    let _ = writeln!(io::stderr().lock(), "{name}{error}");
}

/// Refuses two outputs to one file: the later one would take the place of the earlier.
pub(super) fn keep_apart(outputs: &[(&'static str, Option<&Path>)]) -> Result<(), Error> {
    // A file that is not there yet has no canonical path, its folder has.
    let whole = |path: &Path| {
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let named = || Some(fs::canonicalize(folder).ok()?.join(path.file_name()?));
        fs::canonicalize(path).ok().or_else(named).unwrap_or_else(|| path.to_owned())
    };
    // What is no file (a device, a pipe) takes everything that comes.
    let is_file = |path: &&Path| fs::metadata(path).map_or(true, |is| is.is_file());
    let asked: Vec<(&str, &Path, PathBuf)> = outputs
        .iter()
        .filter_map(|(option, path)| Some((*option, path.filter(is_file)?)))
        .map(|(option, path)| (option, path, whole(path)))
        .collect();
    for (place, (option, path, file)) in asked.iter().enumerate() {
        if let Some((before, ..)) = asked.iter().take(place).find(|(.., other)| other == file) {
            let path = path.display();
            return Err(Error::Argument(format!(
                "{path} is asked for by both {before} and {option}; choose two files"
            )));
        }
    }
    Ok(())
}

/// Refuses an output that is one of `inputs` or can't be a file.
pub(super) fn check_output(output: &Path, inputs: &[PathBuf]) -> Result<(), Error> {
    keep_inputs(output, inputs)?;
    check_place(output)
}

/// Refuses to write over an input.
pub(super) fn keep_inputs(output: &Path, inputs: &[PathBuf]) -> Result<(), Error> {
    let Ok(output_file) = fs::canonicalize(output) else { return Ok(()) };
    let is_output = |input: &PathBuf| fs::canonicalize(input).is_ok_and(|input| input == output_file);
    if inputs.iter().any(is_output) { Err(Error::OutputIsInput(output.to_owned())) } else { Ok(()) }
}

/// Whether `path` names something in a folder that is there.
pub(super) fn check_place(path: &Path) -> Result<(), Error> {
    let refused =
        |kind: io::ErrorKind, why: &str| Error::Write { path: path.to_owned(), source: io::Error::new(kind, why) };
    if path.is_dir() {
        return Err(refused(io::ErrorKind::IsADirectory, "it is a directory"));
    }
    if path.file_name().is_none() {
        return Err(refused(io::ErrorKind::InvalidFilename, "it has no file name"));
    }
    match path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        Some(folder) if !folder.is_dir() => Err(refused(io::ErrorKind::NotFound, "its folder does not exist")),
        _ => Ok(()),
    }
}

/// A file that takes its name only when it is complete.
pub(super) struct WholeFile {
    /// As the user names it.
    path: PathBuf,
    /// The file itself, behind links.
    target: PathBuf,
    /// Where it is written until then; `None` for a device or a pipe, which is no file to be replaced.
    part: Option<PathBuf>,
    writer: Option<BufWriter<File>>,
}

impl WholeFile {
    /// Begins to write `path`, under another name beside it.
    pub(super) fn create(path: &Path) -> Result<Self, Error> {
        check_place(path)?;
        let named = path;
        let write_error = |source| Error::Write { path: named.to_owned(), source };
        let writer = |file| Some(BufWriter::with_capacity(1 << 18, file));
        let path = path.to_owned();
        let target = if path.is_symlink() { fs::canonicalize(&path).map_err(write_error)? } else { path.clone() };
        if fs::metadata(&target).is_ok_and(|is| !is.is_file()) {
            let device = File::options().write(true).open(&target).map_err(write_error)?;
            return Ok(Self { path, target, part: None, writer: writer(device) });
        }
        let mut part_name = std::ffi::OsString::from(".");
        part_name.push(target.file_name().unwrap_or_default());
        part_name.push(format!(".{}.part", std::process::id()));
        let part = target.with_file_name(part_name);
        let file = File::create(&part).map_err(write_error)?;
        Ok(Self { path, target, part: Some(part), writer: writer(file) })
    }

    /// The error that writing this file failed.
    pub(super) fn error(&self, source: io::Error) -> Error {
        Error::Write { path: self.path.clone(), source }
    }

    /// Gives the file its name.
    pub(super) fn finish(mut self) -> Result<(), Error> {
        let Some(writer) = self.writer.take() else { return Ok(()) };
        let written = writer.into_inner().map_err(io::IntoInnerError::into_error);
        match &self.part {
            Some(part) => written.and_then(|file| file.sync_all()).and_then(|()| fs::rename(part, &self.target)),
            None => written.map(drop),
        }
        .map_err(|source| self.error(source))
    }
}

impl Write for WholeFile {
    fn write(&mut self, octets: &[u8]) -> io::Result<usize> {
        self.writer.as_mut().map_or(Ok(octets.len()), |writer| writer.write(octets))
    }

    fn flush(&mut self) -> io::Result<()> {
        self.writer.as_mut().map_or(Ok(()), Write::flush)
    }
}

impl Drop for WholeFile {
    fn drop(&mut self) {
        // After a rename there is nothing left to remove.
        self.writer = None;
        if let Some(part) = &self.part {
            let _ = fs::remove_file(part);
        }
    }
}

//! Output: to the terminal, or to a file that appears whole or not at all and never over an input.

use std::fs::{self, File};
use std::io::{self, BufWriter, IsTerminal, Write};
use std::path::{Path, PathBuf};

use super::{Error, Format, Reporting};
use crate::report::{self, Report};

/// Widest text that is laid out even on a wider terminal.
const WIDEST: usize = 140;

impl Reporting {
    /// Refuses an output that is one of `inputs` before any work is done.
    pub(super) fn check(&self, inputs: &[PathBuf]) -> Result<(), Error> {
        self.output.as_deref().map_or(Ok(()), |output| keep_inputs(output, inputs))
    }

    /// Writes the report in the form asked for.
    pub(super) fn write(&self, report: &Report) -> Result<(), Error> {
        let text = match self.chosen() {
            Format::Text => report::text(report, self.width(), self.detailed),
            Format::Json => report::json(report).map_err(|error| Error::StandardOutput(error.into()))?,
        };
        match self.output.as_deref().filter(|path| *path != Path::new("-")) {
            Some(path) => {
                let mut file = WholeFile::create(path)?;
                file.write_all(text.as_bytes()).map_err(|source| file.error(source))?;
                file.finish()
            }
            None => print(&text),
        }
    }

    fn chosen(&self) -> Format {
        let is_json = |path: &PathBuf| path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("json"));
        self.format.unwrap_or_else(
            || {
                if self.output.as_ref().is_some_and(is_json) { Format::Json } else { Format::Text }
            },
        )
    }

    fn width(&self) -> usize {
        let terminal = if self.output.is_none() && io::stdout().is_terminal() {
            terminal_size::terminal_size().map(|(width, _)| usize::from(width.0))
        } else {
            None
        };
        terminal.unwrap_or(80).clamp(80, WIDEST)
    }
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

/// Refuses to write over an input.
pub(super) fn keep_inputs(output: &Path, inputs: &[PathBuf]) -> Result<(), Error> {
    let Ok(output_file) = fs::canonicalize(output) else { return Ok(()) };
    let is_output = |input: &PathBuf| fs::canonicalize(input).is_ok_and(|input| input == output_file);
    if inputs.iter().any(is_output) { Err(Error::OutputIsInput(output.to_owned())) } else { Ok(()) }
}

/// A file that takes its name only when it is complete.
pub(super) struct WholeFile {
    path: PathBuf,
    part: PathBuf,
    writer: Option<BufWriter<File>>,
}

impl WholeFile {
    /// Begins to write `path`, under another name beside it.
    pub(super) fn create(path: &Path) -> Result<Self, Error> {
        let write_error = |source| Error::Write { path: path.to_owned(), source };
        if path.is_dir() {
            return Err(write_error(io::Error::other("it is a directory")));
        }
        let Some(name) = path.file_name() else {
            return Err(write_error(io::Error::other("it has no file name")));
        };
        let mut part_name = std::ffi::OsString::from(".");
        part_name.push(name);
        part_name.push(format!(".{}.part", std::process::id()));
        let part = path.with_file_name(part_name);
        let file = File::create(&part).map_err(write_error)?;
        Ok(Self { path: path.to_owned(), part, writer: Some(BufWriter::with_capacity(1 << 18, file)) })
    }

    /// The error that writing this file failed.
    pub(super) fn error(&self, source: io::Error) -> Error {
        Error::Write { path: self.path.clone(), source }
    }

    /// Gives the file its name.
    pub(super) fn finish(mut self) -> Result<(), Error> {
        let Some(writer) = self.writer.take() else { return Ok(()) };
        writer
            .into_inner()
            .map_err(io::IntoInnerError::into_error)
            .and_then(|file| file.sync_all())
            .and_then(|()| fs::rename(&self.part, &self.path))
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
        let _ = fs::remove_file(&self.part);
    }
}

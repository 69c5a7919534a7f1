//! `--record FILE.html`: the report as a page, with the hashes of what it rests on.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use clap::Args;
use sha2::{Digest, Sha256};

use super::Error;
use super::output::{WholeFile, check_output};
use crate::report::{self, InputReport, Report};

#[derive(Debug, Args)]
pub(super) struct Recording {
    /// Also write the record to this file: one page to look at, print, sign and archive.
    #[arg(long, value_name = "FILE.html")]
    record: Option<PathBuf>,
}

/// A file that is to be named in the record.
pub(super) struct NamedInput<'a> {
    pub(super) path: &'a Path,
    pub(super) role: &'static str,
}

impl Recording {
    /// The file to write.
    pub(super) fn file(&self) -> Option<&Path> {
        self.record.as_deref()
    }

    /// Refuses a record over one of `inputs` or at an impossible place, before any work is done.
    pub(super) fn check(&self, inputs: &[PathBuf]) -> Result<(), Error> {
        self.record.as_ref().map_or(Ok(()), |path| check_output(path, inputs))
    }

    /// Writes the record if one was asked for.
    pub(super) fn write(&self, report: &mut Report, inputs: &[NamedInput<'_>]) -> Result<(), Error> {
        let Some(path) = &self.record else { return Ok(()) };
        report.inputs = Some(inputs.iter().map(fingerprint).collect::<Result<_, _>>()?);
        let mut file = WholeFile::create(path)?;
        file.write_all(report::record(report).as_bytes()).map_err(|source| file.error(source))?;
        file.finish()
    }
}

/// Name, length and SHA-256. What can't be read a second time, as standard input, has no hash.
fn fingerprint(input: &NamedInput<'_>) -> Result<InputReport, Error> {
    let (path, role) = (input.path, input.role);
    let name = path.display().to_string();
    if !path.is_file() {
        return Ok(InputReport { name, role, octets: 0, sha256: None });
    }
    let read = |source: io::Error| Error::Read { path: path.to_owned(), source };
    let mut file = File::open(path).map_err(read)?;
    let mut hash = Sha256::new();
    let mut buffer = vec![0; 1 << 18];
    let mut octets = 0_u64;
    loop {
        let length = match file.read(&mut buffer) {
            Ok(0) => break,
            Ok(length) => length,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(read(error)),
        };
        hash.update(buffer.get(..length).unwrap_or_default());
        octets = octets.saturating_add(u64::try_from(length).unwrap_or(u64::MAX));
    }
    let sha256 = hash.finalize().iter().map(|octet| format!("{octet:02x}")).collect();
    Ok(InputReport { name, role, octets, sha256: Some(sha256) })
}

//! Where captures come from: files and standard input, compressed or not.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ffi::OsStr;
use std::fmt;
use std::fs::{self, File};
use std::io::{self, Cursor, ErrorKind, Read};
use std::path::{Path, PathBuf};

use flate2::read::MultiGzDecoder;

use super::error::CaptureError;
use super::{pcap, pcapng};

/// How a gzip stream starts (RFC 1952, section 2.3.1).
const GZIP: [u8; 2] = [0x1F, 0x8B];

/// Something to read a capture from.
pub struct Input {
    name: String,
    kind: Kind,
}

enum Kind {
    File(PathBuf),
    StandardInput,
    Stream(Box<dyn Read>),
}

impl Input {
    /// The capture that a command line names: a path, or `-` for standard input.
    pub fn from_argument(argument: &OsStr) -> Self {
        if argument == "-" { Self::standard_input() } else { Self::file(argument) }
    }

    /// The file at `path`.
    pub fn file(path: impl Into<PathBuf>) -> Self {
        let path = path.into();
        Self { name: path.display().to_string(), kind: Kind::File(path) }
    }

    /// Standard input; a run takes it once.
    pub fn standard_input() -> Self {
        Self { name: "standard input".to_owned(), kind: Kind::StandardInput }
    }

    /// Any `reader`, named `name` in messages.
    pub fn stream(name: impl Into<String>, reader: impl Read + 'static) -> Self {
        Self { name: name.into(), kind: Kind::Stream(Box::new(reader)) }
    }

    /// Its name in messages and summaries.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The path, if it can be opened as often as wanted: a pipe or a device gives its octets only once.
    pub(super) fn reopenable(&self) -> Option<&Path> {
        match &self.kind {
            Kind::File(path) if fs::metadata(path).is_ok_and(|metadata| metadata.is_file()) => Some(path),
            _ => None,
        }
    }

    /// What two inputs that are one and the same have in common.
    pub(super) fn identity(&self) -> Option<PathBuf> {
        match &self.kind {
            Kind::File(path) => Some(path.canonicalize().unwrap_or_else(|_| path.clone())),
            Kind::StandardInput => Some(PathBuf::from("-")),
            Kind::Stream(_) => None,
        }
    }

    /// Opens it.
    pub(super) fn open(self) -> Result<Source, CaptureError> {
        let Self { name, kind } = self;
        match kind {
            Kind::File(path) => Source::open(&path, &name),
            Kind::StandardInput => Source::new(Box::new(io::stdin()), &name),
            Kind::Stream(reader) => Source::new(reader, &name),
        }
    }
}

impl fmt::Debug for Input {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Input").field(&self.name).finish()
    }
}

/// Whether something that starts with `octets` is a capture, or compressed like one, and can't be text.
pub fn looks_like_capture(octets: &[u8]) -> bool {
    let is_magic = |magic: [u8; 4]| magic == pcapng::MAGIC || pcap::Decoder::from_magic(magic).is_some();
    octets.starts_with(&GZIP) || octets.first_chunk().copied().is_some_and(is_magic)
}

/// The uncompressed octets of an input.
pub(super) struct Source {
    pub(super) reader: Box<dyn Read>,
    pub(super) compressed: bool,
}

impl Source {
    /// Opens the file at `path`.
    pub(super) fn open(path: &Path, name: &str) -> Result<Self, CaptureError> {
        // Windows refuses to open a directory, others only to read it.
        if path.is_dir() {
            return Err(CaptureError::Directory { name: name.to_owned() });
        }
        let file = File::open(path).map_err(|source| CaptureError::Open { name: name.to_owned(), source })?;
        Self::new(Box::new(file), name)
    }

    /// The octets of `reader`, uncompressed if they start like a gzip stream.
    fn new(mut reader: Box<dyn Read>, name: &str) -> Result<Self, CaptureError> {
        let mut start = Vec::new();
        while start.len() < 2 {
            let mut octet = [0];
            match reader.read(&mut octet) {
                Ok(0) => break,
                Ok(_) => start.extend(octet),
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(source) => return Err(CaptureError::Read { name: name.to_owned(), at_octet: 0, source }),
            }
        }
        let compressed = start == GZIP;
        let whole = Cursor::new(start).chain(reader);
        let reader: Box<dyn Read> = if compressed { Box::new(Inflated::new(whole)) } else { Box::new(whole) };
        Ok(Self { reader, compressed })
    }
}

/// What a gzip stream holds. How much of it is had before a damaged place does not depend on the pieces in which it comes.
struct Inflated<R>(MultiGzDecoder<Whole<R>>);

impl<R: Read> Inflated<R> {
    /// The decoder gives nothing of a piece in which it meets damage, so pieces are small.
    const PIECE: usize = 4 << 10;

    fn new(compressed: R) -> Self {
        Self(MultiGzDecoder::new(Whole { reader: compressed, failed: None }))
    }
}

impl<R: Read> Read for Inflated<R> {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        let piece = room.len().min(Self::PIECE);
        self.0.read(room.get_mut(..piece).unwrap_or_default())
    }
}

/// Fills the whole room with each read, but for the last one.
struct Whole<R> {
    reader: R,
    /// Met behind octets that were handed out.
    failed: Option<io::Error>,
}

impl<R: Read> Read for Whole<R> {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        if let Some(failed) = self.failed.take() {
            return Err(failed);
        }
        let mut had = 0_usize;
        while let Some(rest) = room.get_mut(had..).filter(|rest| !rest.is_empty()) {
            match self.reader.read(rest) {
                Ok(0) => break,
                Ok(count) => had = had.saturating_add(count),
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) if had == 0 => return Err(error),
                Err(error) => {
                    self.failed = Some(error);
                    break;
                }
            }
        }
        Ok(had)
    }
}

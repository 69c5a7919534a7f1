//! Why a run of captures could not be read.

use std::fmt;
use std::io;

/// A capture that could not be read at all, or not to its end. Every message names the file.
#[derive(Debug)]
pub enum CaptureError {
    /// The file could not be opened.
    Open {
        /// The path as given.
        name: String,
        /// What the system said.
        source: io::Error,
    },
    /// The path is a directory.
    Directory {
        /// The path as given.
        name: String,
    },
    /// The file holds nothing.
    Empty {
        /// The path as given.
        name: String,
    },
    /// The file does not start like a capture.
    NotACapture {
        /// The path as given.
        name: String,
        /// Its first octets, at most four; of the uncompressed content if it is gzip-compressed.
        octets: Vec<u8>,
        /// Whether it is gzip-compressed.
        compressed: bool,
    },
    /// Reading failed.
    Read {
        /// The path as given.
        name: String,
        /// Octet of the (uncompressed) file up to which whole blocks were read.
        at_octet: u64,
        /// What the system said.
        source: io::Error,
    },
    /// The same file, or standard input, is named twice.
    GivenTwice {
        /// The path as given the second time.
        name: String,
    },
}

impl fmt::Display for CaptureError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Open { name, source } => write!(f, "cannot open {name}: {source}"),
            Self::Directory { name } => write!(f, "{name} is a directory; name the capture files inside it"),
            Self::Empty { name } => write!(f, "{name} is not a capture: it is empty"),
            Self::NotACapture { name, octets, compressed } => {
                let content = if *compressed { "its uncompressed content" } else { "it" };
                write!(f, "{name} is not a capture: {content} starts with")?;
                if octets.is_empty() {
                    write!(f, " nothing readable")?;
                }
                for octet in octets {
                    write!(f, " {octet:02X}")?;
                }
                write!(f, ", expected pcapng (0A 0D 0D 0A), pcap (A1 B2 C3 D4 or A1 B2 3C 4D, in either order)")?;
                if *compressed { Ok(()) } else { write!(f, " or gzip (1F 8B)") }
            }
            Self::Read { name, at_octet, source } => write!(f, "cannot read {name} past octet {at_octet}: {source}"),
            Self::GivenTwice { name } => write!(f, "{name} is given twice; name every capture once"),
        }
    }
}

impl std::error::Error for CaptureError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Open { source, .. } | Self::Read { source, .. } => Some(source),
            _ => None,
        }
    }
}

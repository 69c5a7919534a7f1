//! Why a capture could not be made.

use std::{fmt, io};

use super::plan::FaultKind;
use crate::bytes::Malformed;
use crate::time::Span;

/// Why a capture could not be made as planned.
#[derive(Debug)]
pub enum SynthError {
    /// The output could not be written.
    Io(io::Error),
    /// A frame would not hold what it should.
    Frame(Malformed),
    /// The plan names a connection or function that the machine does not have.
    Unknown {
        /// `connection` or `function`.
        what: &'static str,
        /// The index given.
        index: usize,
        /// How many there are.
        count: usize,
    },
    /// The machine file describes something that cannot be run.
    Machine {
        /// ID of the connection.
        connection: String,
        /// What is in the way and what to do.
        why: String,
    },
    /// A function has no demand signal or no reaction signal.
    NotDemandable {
        /// ID of the function.
        function: String,
    },
    /// A fault cannot happen on its connection.
    NotApplicable {
        /// The fault.
        fault: FaultKind,
        /// ID of the connection.
        connection: String,
        /// Why, and what could be done.
        why: String,
    },
    /// A deviation cannot happen.
    Deviation {
        /// What.
        what: &'static str,
        /// ID of the function or pair.
        of: String,
        /// Why, and what could be done.
        why: String,
    },
    /// The tap can't do what is planned.
    Tap {
        /// What is in the way and what to do.
        why: String,
    },
    /// Something is planned too close to something else, to the start-up or to the end.
    TooClose {
        /// What is planned.
        what: String,
        /// When it is planned.
        at: Span,
        /// What it is too close to, and how far away it would have to be.
        why: String,
    },
    /// Something planned did not come about before the end of the capture.
    NotStaged {
        /// What was planned.
        what: String,
        /// When it was planned.
        at: Span,
    },
}

impl fmt::Display for SynthError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(_) => write!(f, "the capture could not be written"),
            Self::Frame(_) => write!(f, "a frame does not hold what the machine file puts in it"),
            Self::Unknown { what, index, count } => {
                write!(f, "the plan names {what} {index}, the machine has {count} (counted from 0)")
            }
            Self::Machine { connection, why } => write!(f, "connection `{connection}`: {why}"),
            Self::NotDemandable { function } => {
                write!(f, "function `{function}` has no demand or no reaction signal; declare both to demand it")
            }
            Self::NotApplicable { fault, connection, why } => {
                write!(f, "{} cannot be placed on connection `{connection}`: {why}", fault.name())
            }
            Self::Deviation { what, of, why } => write!(f, "{what} cannot be placed on `{of}`: {why}"),
            Self::Tap { why } => write!(f, "the tap: {why}"),
            Self::TooClose { what, at, why } => write!(f, "{what} at {at} {why}"),
            Self::NotStaged { what, at } => {
                write!(f, "{what} planned at {at} did not come about before the capture ended; plan it earlier")
            }
        }
    }
}

impl std::error::Error for SynthError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Io(error) => Some(error),
            Self::Frame(error) => Some(error),
            _ => None,
        }
    }
}

impl From<io::Error> for SynthError {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

impl From<Malformed> for SynthError {
    fn from(error: Malformed) -> Self {
        Self::Frame(error)
    }
}

//! Safety telegrams that the machine file describes (black channel): fields in wire order, and fields that are not sent but
//! enter a CRC.
//!
//! A [`Definition`](Field) is compiled once into a [`Layout`]: where each field stands, and for each CRC a flat list of table
//! entries that are summed. Parsing, verifying and emitting then follow these lists without allocating.
//!
//! A number off the wire (a counter, an id as a key, an inherited CRC) is part of the [`Values`] that a telegram is verified
//! or emitted with, as the keys of the built-in profiles are. [`recover`] solves keys that nobody knows from telegrams.

mod compile;
mod definition;
mod emit;
mod engine;
mod layout;
pub mod recover;
mod sum;
mod tables;
mod telegram;
mod terms;
#[cfg(test)]
mod tests;

pub use definition::{
    ByteOrder, Counter, CrcRule, Field, Flaw, Kind, LONGEST, MOST_FIELDS, Over, Part, Place, Problem, Start,
};
pub use layout::{Layout, Values};
pub use telegram::{Mismatch, Telegram};

/// Name of the profile in the machine file and in reports.
pub const PROFILE: &str = "layout";

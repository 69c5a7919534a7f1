//! Packets out of capture files, in bounded memory, and a writer for captures of our own.
//!
//! A [`Run`] takes one or several files ([`Input`]: pcap, pcapng, either of them gzip-compressed, or standard input) and
//! hands out their packets in time order, borrowed from one read buffer per open file. What a file was like - formats,
//! interfaces, clocks, cuts, skipped blocks - is in its [`FileSummary`]. Nothing that a file holds is an error: a file
//! that ends in the middle is read up to the [`Cut`] and the cut is reported. An error ([`CaptureError`]) means that
//! the job could not be done: no such file, no capture at all, a failing disk.
//!
//! Time is computed from the raw ticks of the capture clock in integers ([`Clock`]).

mod batch;
mod buffer;
mod clock;
mod error;
mod interface;

mod order;
mod pcap;
mod pcapng;
#[cfg(test)]
mod published;
mod reader;
mod run;
#[cfg(test)]
mod sample;
mod source;
mod summary;
mod writer;

pub use batch::Batch;
pub use clock::{Clock, Resolution};
pub use error::CaptureError;
pub use reader::Packet;
pub use run::Run;
pub use source::{Input, looks_like_capture};
pub use summary::{
    BlockKind, ByteOrder, ClockSteps, Cut, CutReason, Damage, FileSummary, Format, Interface, SkippedBlocks, Summary,
};
pub use writer::{InterfaceId, PcapWriter, Writer, WriterInterface};

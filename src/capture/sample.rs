//! Captures for tests, put together from labelled parts; shares no code with the writer.

use std::io::{Cursor, Write as _};

use flate2::Compression;
use flate2::write::GzEncoder;

use super::{CaptureError, FileSummary, Input, Run, Summary};
use crate::time::Instant;

/// Octets in the making, with numbers in a chosen byte order.
#[derive(Clone, Debug)]
pub(super) struct Octets {
    big: bool,
    pub(super) bytes: Vec<u8>,
}

impl Octets {
    pub(super) fn new(big: bool) -> Self {
        Self { big, bytes: Vec::new() }
    }

    pub(super) fn d8(mut self, values: &[u8]) -> Self {
        self.bytes.extend(values);
        self
    }

    pub(super) fn d16(self, value: u16) -> Self {
        let bytes = if self.big { value.to_be_bytes() } else { value.to_le_bytes() };
        self.d8(&bytes)
    }

    pub(super) fn d32(self, value: u32) -> Self {
        let bytes = if self.big { value.to_be_bytes() } else { value.to_le_bytes() };
        self.d8(&bytes)
    }

    pub(super) fn d64(self, value: u64) -> Self {
        let bytes = if self.big { value.to_be_bytes() } else { value.to_le_bytes() };
        self.d8(&bytes)
    }

    /// A pcapng block around `body`.
    pub(super) fn block(self, kind: u32, body: impl FnOnce(Self) -> Self) -> Self {
        let body = body(Self::new(self.big)).bytes;
        let length = u32::try_from(body.len() + 12).unwrap();
        self.d32(kind).d32(length).d8(&body).d32(length)
    }

    /// Section header without options, version 1.0, length not given.
    pub(super) fn section(self) -> Self {
        self.block(0x0A0D_0D0A, |b| b.d32(0x1A2B_3C4D).d16(1).d16(0).d64(u64::MAX))
    }

    /// Interface description with `options` after the fixed part.
    pub(super) fn interface(self, link: u16, snap: u32, options: impl FnOnce(Self) -> Self) -> Self {
        self.block(1, |b| options(b.d16(link).d16(0).d32(snap)))
    }

    /// Enhanced packet block; `octets` must be a multiple of 4 long.
    pub(super) fn enhanced(self, interface: u32, ticks: u64, original: u32, octets: &[u8]) -> Self {
        let (high, low) = (u32::try_from(ticks >> 32).unwrap(), u32::try_from(ticks & 0xFFFF_FFFF).unwrap());
        let captured = u32::try_from(octets.len()).unwrap();
        self.block(6, |b| b.d32(interface).d32(high).d32(low).d32(captured).d32(original).d8(octets))
    }

    /// pcap file header, version 2.4.
    pub(super) fn pcap(self, magic: u32, snap: u32, link: u32) -> Self {
        self.d32(magic).d16(2).d16(4).d32(0).d32(0).d32(snap).d32(link)
    }

    /// pcap record.
    pub(super) fn record(self, seconds: u32, fraction: u32, original: u32, octets: &[u8]) -> Self {
        let captured = u32::try_from(octets.len()).unwrap();
        self.d32(seconds).d32(fraction).d32(captured).d32(original).d8(octets)
    }
}

/// One gzip member.
pub(super) fn gzip(octets: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
    encoder.write_all(octets).unwrap();
    encoder.finish().unwrap()
}

/// A packet as a test compares it: file, number, nanoseconds, interface, link type, original length, octets.
pub(super) type Seen = (usize, u64, Option<i64>, usize, u32, u32, Vec<u8>);

/// All packets of `run`, and its summary.
pub(super) fn drain(mut run: Run) -> (Vec<Seen>, Summary) {
    let mut seen = Vec::new();
    while let Some(p) = run.next_packet().unwrap() {
        let at = p.at.map(Instant::as_nanos);
        seen.push((p.file, p.number, at, p.interface, p.link_type, p.original_length, p.octets.to_vec()));
    }
    assert!(run.next_packet().unwrap().is_none(), "the end is the end");
    (seen, run.summary())
}

/// All packets of the capture `octets`, and its summary.
pub(super) fn read(octets: &[u8]) -> Result<(Vec<Seen>, FileSummary), CaptureError> {
    let run = Run::open([Input::stream("sample", Cursor::new(octets.to_vec()))])?;
    let (seen, mut summary) = drain(run);
    Ok((seen, summary.files.remove(0)))
}

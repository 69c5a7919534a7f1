//! Records of a pcap file.
//!
//! Source: draft-ietf-opsawg-pcap, sections 4 (file header) and 5 (packet record).
//!
//! ```text
//! file header    0 4 magic, A1B2C3D4 (us) or A1B23C4D (ns), in the byte order of the file
//!                4 2 major version   6 2 minor version   8 8 reserved
//!               16 4 snap length    20 4 LINKTYPE in the low 16 bits
//! packet record  0 4 seconds         4 4 fraction in us or ns
//!                8 4 captured length 12 4 original length   16 .. octets
//! ```
//!
//! The reserved field once held a time zone; the draft has readers ignore it, and so does this one.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use pcap_parser::nom::{Err as Framing, Needed};
use pcap_parser::{parse_pcap_frame, parse_pcap_frame_be, parse_pcap_header};

use super::buffer::{Buffer, MAX_BLOCK, Stop};
use super::clock::{Clock, Resolution};
use super::order::Endian;
use super::reader::{Block, Frame, Stamp};
use super::summary::{CutReason, FileSummary, Interface};
use crate::bytes::Reader;

const HEADER_LENGTH: usize = 24;
const RECORD_HEADER_LENGTH: usize = 16;

/// Reads the records of one file.
pub(super) struct Decoder {
    endian: Endian,
    /// Ticks in one second.
    ticks: u32,
    in_header: bool,
}

impl Decoder {
    /// A decoder for a file that starts with `magic`, or `None` if that is no pcap file.
    pub(super) const fn from_magic(magic: [u8; 4]) -> Option<Self> {
        let (endian, ticks) = match magic {
            [0xA1, 0xB2, 0xC3, 0xD4] => (Endian::Big, 1_000_000),
            [0xD4, 0xC3, 0xB2, 0xA1] => (Endian::Little, 1_000_000),
            [0xA1, 0xB2, 0x3C, 0x4D] => (Endian::Big, 1_000_000_000),
            [0x4D, 0x3C, 0xB2, 0xA1] => (Endian::Little, 1_000_000_000),
            _ => return None,
        };
        Some(Self { endian, ticks, in_header: true })
    }

    /// The next record; `None` at the end of the file.
    pub(super) fn next(&mut self, buffer: &mut Buffer, summary: &mut FileSummary) -> Result<Option<Block>, Stop> {
        if self.in_header {
            self.in_header = false;
            self.header(buffer, summary)?;
            return Ok(Some(Block { length: HEADER_LENGTH, frame: None }));
        }
        if buffer.is_at_end()? {
            return Ok(None);
        }
        buffer.require(RECORD_HEADER_LENGTH)?;
        let parse = match self.endian {
            Endian::Little => parse_pcap_frame,
            Endian::Big => parse_pcap_frame_be,
        };
        loop {
            let had = buffer.octets().len();
            let missing = match parse(buffer.octets()) {
                Ok((rest, record)) => {
                    let frame = Frame {
                        interface: Some(0),
                        // The parser names the fraction after microseconds whatever it counts.
                        stamp: self.stamp(record.ts_sec, record.ts_usec),
                        original_length: record.origlen,
                        start: RECORD_HEADER_LENGTH,
                        length: record.data.len(),
                    };
                    return Ok(Some(Block { length: had.saturating_sub(rest.len()), frame: Some(frame) }));
                }
                Err(Framing::Incomplete(Needed::Size(missing))) => missing.get(),
                // A record header has no illegal value: the parser only ever asks for more.
                Err(_) => MAX_BLOCK,
            };
            buffer.require(had.saturating_add(missing))?;
        }
    }

    fn header(&self, buffer: &mut Buffer, summary: &mut FileSummary) -> Result<(), Stop> {
        summary.begin_section(self.endian.into());
        buffer.require(HEADER_LENGTH)?;
        let (_, header) = parse_pcap_header(buffer.octets())
            .map_err(|_| Reader::new("pcap file header", buffer.octets()).illegal("magic", 0, 0_u8))?;
        if header.version_major != 2 {
            let (major, minor) = (header.version_major, header.version_minor);
            return Err(Stop::Cut(CutReason::Version { major, minor }));
        }
        let resolution = if self.ticks == 1_000_000 { Resolution::MICROSECONDS } else { Resolution::NANOSECONDS };
        summary.interfaces.push(Interface {
            section: 0,
            id: 0,
            name: None,
            link_type: header.network.0.cast_unsigned() & 0xFFFF,
            snap_length: header.snaplen,
            clock: Clock { resolution, offset_seconds: 0 },
            packets: 0,
            lost: None,
        });
        Ok(())
    }

    /// A fraction of a second or more is the mark of a wrong magic or of damage: such a time is not believed.
    fn stamp(&self, seconds: u32, fraction: u32) -> Stamp {
        if fraction >= self.ticks {
            return Stamp::Impossible;
        }
        // At most 2^32 x 10^9 + 10^9, below 2^63.
        Stamp::Ticks(u64::from(seconds).saturating_mul(self.ticks.into()).saturating_add(fraction.into()))
    }
}

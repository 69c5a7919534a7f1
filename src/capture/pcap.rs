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

use pcap_parser::parse_pcap_header;

use super::buffer::{Buffer, Stop};
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
        let Some(record) = buffer.octets().first_chunk().map(|octets| Record::read(self.endian, octets)) else {
            return Ok(None);
        };
        let length = usize::try_from(record.captured).unwrap_or(usize::MAX);
        let whole = length.saturating_add(RECORD_HEADER_LENGTH);
        buffer.require(whole)?;
        let frame = Frame {
            interface: Some(0),
            stamp: self.stamp(record.seconds, record.fraction),
            original_length: record.original,
            start: RECORD_HEADER_LENGTH,
            length,
        };
        Ok(Some(Block { length: whole, frame: Some(frame) }))
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

/// What stands before the octets of a packet. Read here and not by the parser library, which takes several times as long for it
/// (see `benches/README.md`); the library is the oracle of the test.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Record {
    seconds: u32,
    fraction: u32,
    captured: u32,
    original: u32,
}

impl Record {
    fn read(endian: Endian, octets: &[u8; RECORD_HEADER_LENGTH]) -> Self {
        let [a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p] = *octets;
        let word = |octets| endian.word(octets);
        Self {
            seconds: word([a, b, c, d]),
            fraction: word([e, f, g, h]),
            captured: word([i, j, k, l]),
            original: word([m, n, o, p]),
        }
    }
}

#[cfg(test)]
mod tests {
    use pcap_parser::{parse_pcap_frame, parse_pcap_frame_be};
    use proptest::prelude::*;

    use super::{Endian, Record};
    use crate::capture::sample::{Octets, read};
    use crate::capture::{ByteOrder, Clock, Cut, CutReason, Format, Resolution};

    /// Written out by hand from the table above: ns, high octet first, Ethernet with an FCS length of 4 in the high
    /// bits, one packet at 1 s and 2 ns of which 3 of 5 octets were kept.
    #[rustfmt::skip]
    const BIG_NANOSECONDS: &[u8] = &[
        0xA1, 0xB2, 0x3C, 0x4D,  0, 2, 0, 4,  0, 0, 0, 0,  0, 0, 0, 0,  0, 0, 0x40, 0,  0x44, 0, 0, 1,
        0, 0, 0, 1,  0, 0, 0, 2,  0, 0, 0, 3,  0, 0, 0, 5,  7, 8, 9,
    ];

    #[test]
    fn reads_a_file_written_out_by_hand() {
        let (seen, summary) = read(BIG_NANOSECONDS).unwrap();
        assert_eq!(seen, [(0, 1, Some(1_000_000_002), 0, 1, 5, vec![7, 8, 9])]);
        assert_eq!((summary.format, summary.byte_order), (Format::Pcap, Some(ByteOrder::Big)));
        assert_eq!((summary.packets, summary.octets, summary.cut_packets, summary.sections), (1, 3, 1, 1));
        assert_eq!((summary.interfaces[0].snap_length, summary.interfaces[0].packets), (0x4000, 1));
        assert!(summary.is_whole());
    }

    proptest! {
        /// Oracle: the parser library.
        #[test]
        fn records_are_read_as_the_library_reads_them(big: bool, seconds: u32, fraction: u32, original: u32, octets in proptest::collection::vec(any::<u8>(), 0..40), behind in 0_usize..20) {
            let mut record = Octets::new(big).record(seconds, fraction, original, &octets).bytes;
            record.resize(record.len() + behind, 0xEE);
            let endian = if big { Endian::Big } else { Endian::Little };
            let own = Record::read(endian, record.first_chunk().unwrap());
            let parse = if big { parse_pcap_frame_be } else { parse_pcap_frame };
            let (rest, library) = parse(&record).unwrap();
            prop_assert_eq!((own.seconds, own.fraction, own.original), (library.ts_sec, library.ts_usec, library.origlen));
            prop_assert_eq!((own.captured as usize, rest.len()), (library.data.len(), behind));
        }
    }

    #[test]
    fn both_orders_and_both_fractions() {
        for (big, order) in [(false, ByteOrder::Little), (true, ByteOrder::Big)] {
            for (magic, resolution, nanos) in [
                (0xA1B2_C3D4, Resolution::MICROSECONDS, 1_700_000_000_000_999_000),
                (0xA1B2_3C4D, Resolution::NANOSECONDS, 1_700_000_000_000_000_999),
            ] {
                let file = Octets::new(big).pcap(magic, 0, 113).record(1_700_000_000, 999, 4, &[1, 2, 3, 4]);
                let (seen, summary) = read(&file.bytes).unwrap();
                assert_eq!(seen, [(0, 1, Some(nanos), 0, 113, 4, vec![1, 2, 3, 4])]);
                assert_eq!(summary.byte_order, Some(order));
                assert_eq!(summary.interfaces[0].clock, Clock { resolution, offset_seconds: 0 });
            }
        }
    }

    #[test]
    fn a_fraction_of_a_second_or_more_is_no_time() {
        let file = Octets::new(false).pcap(0xA1B2_C3D4, 0, 1);
        let file = file.record(u32::MAX, 999_999, 0, &[]).record(5, 1_000_000, 0, &[]);
        let (seen, summary) = read(&file.bytes).unwrap();
        // 2^32 - 1 seconds.
        assert_eq!((seen[0].2, seen[1].2), (Some(4_294_967_295_999_999_000), None));
        assert_eq!((summary.time_out_of_range, summary.without_time), (1, 0));
    }

    #[test]
    fn a_record_that_is_too_large_or_of_another_version_cuts() {
        let head = Octets::new(false).pcap(0xA1B2_C3D4, 0, 1).record(1, 0, 2, &[1, 2]);
        for (length, reason) in [
            (u32::MAX, CutReason::BlockTooLarge { length: (1 << 32) + 15, limit: 64 << 20 }),
            (100, CutReason::EndsInside { needed: 116, had: 17 }),
        ] {
            let file = head.clone().d32(1).d32(0).d32(length).d32(length).d8(&[9]);
            let (seen, summary) = read(&file.bytes).unwrap();
            assert_eq!(seen.len(), 1);
            assert_eq!(summary.cut, Some(Cut { after_packet: 1, at_octet: 42, reason }));
            assert!(!summary.is_whole());
        }
        let mut other = head.bytes;
        other[4] = 3;
        let cut = read(&other).unwrap().1.cut.unwrap();
        assert_eq!(cut.reason, CutReason::Version { major: 3, minor: 4 });
    }
}

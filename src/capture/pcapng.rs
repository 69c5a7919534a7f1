//! Blocks of a pcapng file.
//!
//! Source: draft-ietf-opsawg-pcapng, sections 3.1 (general block structure), 4.1 (section header), 4.3 (enhanced packet),
//! 4.4 (simple packet), 4.6 (interface statistics), and appendix A (obsolete packet block).
//!
//! ```text
//! any block            0 4 type   4 4 total length, a multiple of 4   8 .. body   .. 4 total length again
//! section header       8 4 1A2B3C4D in the byte order of the section  12 2 major  14 2 minor  16 8 section length
//! enhanced packet      8 4 interface  12 4 ticks high 16 4 ticks low 20 4 captured 24 4 original  28 .. octets, options
//! simple packet        8 4 original length            12 .. octets, as many as the snap length of interface 0 allows
//! obsolete packet      8 2 interface  10 2 drops      12 .. as the enhanced packet from 12 on
//! interface statistics 8 4 interface  12 4 ticks high 16 4 ticks low 20 .. options
//! ```
//!
//! The parser library is used for framing alone: it would allocate a list of options for every packet, and ask for
//! more octets when a length inside of a block points past its end.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use pcap_parser::{
    BOM_MAGIC, EPB_MAGIC, IDB_MAGIC, ISB_MAGIC, SHB_MAGIC, SPB_MAGIC, parse_unknownblock_be, parse_unknownblock_le,
};

use super::buffer::{Buffer, Stop};
use super::interface::{option, parse_interface};
use super::order::Endian;
use super::reader::{Block, Frame, Stamp};
use super::summary::{BlockKind, CutReason, FileSummary};
use crate::bytes::{Malformed, Reader};

/// The type of a section header; reads the same in both byte orders.
pub(super) const MAGIC: [u8; 4] = [0x0A, 0x0D, 0x0D, 0x0A];

/// Obsolete packet block, unknown to the parser library.
const PACKET: u32 = 2;
/// Octets of the shortest block, one without a body.
const MIN_LENGTH: u32 = 12;
/// Octets of the shortest section header.
const MIN_SECTION_HEADER_LENGTH: u32 = 28;
/// Octets of a block before its body.
const BODY: usize = 8;
/// Interfaces that are remembered per file.
const MAX_INTERFACES: usize = 65_536;

/// Reads the blocks of one file.
pub(super) struct Decoder {
    /// Byte order of the current section.
    endian: Endian,
    /// Interfaces of the current section by number, as indices into those of the file; `None` where the description
    /// was damaged.
    interfaces: Vec<Option<usize>>,
}

impl Decoder {
    pub(super) const fn new() -> Self {
        Self { endian: Endian::Little, interfaces: Vec::new() }
    }

    /// The next block; `None` at the end of the file.
    pub(super) fn next(&mut self, buffer: &mut Buffer, summary: &mut FileSummary) -> Result<Option<Block>, Stop> {
        if buffer.is_at_end()? {
            return Ok(None);
        }
        buffer.require(12)?;
        let (kind, length) = self.block_header(buffer.octets())?;
        buffer.require(length)?;
        let body = self.body(buffer.octets())?;
        let frame = match kind {
            SHB_MAGIC => self.section_header(body, summary).map(|()| None)?,
            _ => self.content(kind, body, summary).unwrap_or_else(|malformed| {
                summary.count_damage(buffer.position(), malformed);
                None
            }),
        };
        Ok(Some(Block { length, frame }))
    }

    /// Type and length of the block that starts with `octets`, of which at least 12 are there. A section header sets
    /// the byte order, that of its own length included.
    fn block_header(&mut self, octets: &[u8]) -> Result<(u32, usize), Stop> {
        let mut r = Reader::new("pcapng block", octets);
        if octets.starts_with(&MAGIC) {
            let mut ahead = r;
            ahead.take(BODY)?;
            self.endian = match ahead.u32_le()? {
                BOM_MAGIC => Endian::Little,
                magic if magic.swap_bytes() == BOM_MAGIC => Endian::Big,
                magic => return Err(Stop::Cut(CutReason::ByteOrderMagic(magic))),
            };
        }
        let kind = self.endian.u32(&mut r)?;
        let length = self.endian.u32(&mut r)?;
        let shortest = if kind == SHB_MAGIC { MIN_SECTION_HEADER_LENGTH } else { MIN_LENGTH };
        if length < shortest || !length.is_multiple_of(4) {
            return Err(Stop::Cut(CutReason::BlockLength(length)));
        }
        Ok((kind, usize::try_from(length).unwrap_or(usize::MAX)))
    }

    /// Body of the block that starts with `octets`.
    fn body<'a>(&self, octets: &'a [u8]) -> Result<&'a [u8], Stop> {
        let block = match self.endian {
            Endian::Little => parse_unknownblock_le(octets),
            Endian::Big => parse_unknownblock_be(octets),
        };
        // Not after the checks of `block_header`.
        let (_, block) = block.map_err(|_| Reader::new("pcapng block", octets).illegal("length", 0, 0_u8))?;
        let (start, end) = (block.block_len1, block.block_len2);
        if start != end {
            return Err(Stop::Cut(CutReason::BlockLengthsDiffer { start, end }));
        }
        Ok(block.data)
    }

    fn section_header(&mut self, body: &[u8], summary: &mut FileSummary) -> Result<(), Stop> {
        let mut r = Reader::new("body of pcapng section header", body);
        let _byte_order_magic = self.endian.u32(&mut r)?;
        let (major, minor) = (self.endian.u16(&mut r)?, self.endian.u16(&mut r)?);
        // 1.2 was written by some and is the same (section 4.1).
        if !matches!((major, minor), (1, 0 | 2)) {
            return Err(Stop::Cut(CutReason::Version { major, minor }));
        }
        self.interfaces.clear();
        summary.begin_section(self.endian.into());
        Ok(())
    }

    /// The packet of a block that is no section header, if it holds one.
    fn content(&mut self, kind: u32, body: &[u8], summary: &mut FileSummary) -> Result<Option<Frame>, Malformed> {
        match kind {
            IDB_MAGIC => self.interface(body, summary).map(|()| None),
            EPB_MAGIC => self.enhanced_packet(body).map(Some),
            SPB_MAGIC => self.simple_packet(body, summary).map(Some),
            PACKET => self.obsolete_packet(body).map(Some),
            code => {
                summary.skipped.count(BlockKind::from_code(code));
                if code == ISB_MAGIC { self.statistics(body, summary).map(|()| None) } else { Ok(None) }
            }
        }
    }

    fn interface(&mut self, body: &[u8], summary: &mut FileSummary) -> Result<(), Malformed> {
        if self.interfaces.len() >= MAX_INTERFACES || summary.interfaces.len() >= MAX_INTERFACES {
            summary.forgotten_interfaces = summary.forgotten_interfaces.saturating_add(1);
            return Ok(());
        }
        let section = summary.sections.saturating_sub(1);
        let id = u32::try_from(self.interfaces.len()).unwrap_or(u32::MAX);
        let interface = parse_interface(self.endian, body, section, id);
        // A damaged description takes its number all the same: those after it must keep theirs.
        self.interfaces.push(interface.is_ok().then_some(summary.interfaces.len()));
        summary.interfaces.push(interface?);
        Ok(())
    }

    fn enhanced_packet(&self, body: &[u8]) -> Result<Frame, Malformed> {
        let mut r = Reader::new("body of pcapng enhanced packet block", body);
        let interface = self.endian.u32(&mut r)?;
        self.packet(interface, r)
    }

    fn obsolete_packet(&self, body: &[u8]) -> Result<Frame, Malformed> {
        let mut r = Reader::new("body of pcapng packet block", body);
        let interface = self.endian.u16(&mut r)?;
        let _drops = self.endian.u16(&mut r)?;
        self.packet(interface.into(), r)
    }

    /// The fields that enhanced and obsolete packets have in common.
    fn packet(&self, interface: u32, mut r: Reader) -> Result<Frame, Malformed> {
        let high = self.endian.u32(&mut r)?;
        let low = self.endian.u32(&mut r)?;
        let captured = self.endian.u32(&mut r)?;
        let original_length = self.endian.u32(&mut r)?;
        let start = BODY.saturating_add(r.offset());
        let length = r.take(usize::try_from(captured).unwrap_or(usize::MAX))?.len();
        let stamp = Stamp::Ticks(u64::from(high) << 32 | u64::from(low));
        Ok(Frame { interface: self.known(interface), stamp, original_length, start, length })
    }

    fn simple_packet(&self, body: &[u8], summary: &FileSummary) -> Result<Frame, Malformed> {
        let mut r = Reader::new("body of pcapng simple packet block", body);
        let original_length = self.endian.u32(&mut r)?;
        let interface = self.known(0);
        let limit = interface.and_then(|index| summary.interfaces.get(index)).map_or(0, |known| known.snap_length);
        let captured = if limit == 0 { original_length } else { original_length.min(limit) };
        let start = BODY.saturating_add(r.offset());
        let length = r.take(usize::try_from(captured).unwrap_or(usize::MAX))?.len();
        Ok(Frame { interface, stamp: Stamp::Absent, original_length, start, length })
    }

    fn statistics(&self, body: &[u8], summary: &mut FileSummary) -> Result<(), Malformed> {
        let mut r = Reader::new("body of pcapng interface statistics block", body);
        let interface = self.endian.u32(&mut r)?;
        r.take(8)?;
        let mut lost = None;
        while let Some((code, value)) = option(self.endian, &mut r)? {
            // isb_ifdrop and isb_osdrop.
            if let (5 | 7, Ok(count)) = (code, <[u8; 8]>::try_from(value)) {
                let count = self.endian.i64(count).cast_unsigned();
                lost = Some(count.saturating_add(lost.unwrap_or(0)));
            }
        }
        if let Some(known) = self.known(interface).and_then(|index| summary.interfaces.get_mut(index)) {
            known.lost = lost.or(known.lost);
        }
        Ok(())
    }

    /// Index of interface `id` of the section into the interfaces of the file.
    fn known(&self, id: u32) -> Option<usize> {
        self.interfaces.get(usize::try_from(id).ok()?).copied()?
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::sample::{Octets, read};
    use crate::capture::{ByteOrder, Clock, Cut, Format, Resolution};

    /// Written out by hand from the table above: high octet first, one interface "m1" in milliseconds with an offset of
    /// -1 s, one packet at 2 500 ms of which 3 of 5 octets were kept.
    #[rustfmt::skip]
    const BIG: &[u8] = &[
        0x0A, 0x0D, 0x0D, 0x0A,  0, 0, 0, 28,  0x1A, 0x2B, 0x3C, 0x4D,  0, 1, 0, 0,
        0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF,  0, 0, 0, 28,
        0, 0, 0, 1,  0, 0, 0, 52,  0, 1, 0, 0,  0, 0, 0, 3,
        0, 2, 0, 2,  b'm', b'1', 0, 0,  0, 9, 0, 1,  3, 0, 0, 0,
        0, 14, 0, 8,  0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF,  0, 0, 0, 0,  0, 0, 0, 52,
        0, 0, 0, 6,  0, 0, 0, 36,  0, 0, 0, 0,  0, 0, 0, 0,  0, 0, 0x09, 0xC4,  0, 0, 0, 3,  0, 0, 0, 5,
        7, 8, 9, 0,  0, 0, 0, 36,
    ];

    #[test]
    fn reads_a_file_written_out_by_hand() {
        let (seen, summary) = read(BIG).unwrap();
        assert_eq!(seen, [(0, 1, Some(1_500_000_000), 0, 1, 5, vec![7, 8, 9])]);
        assert_eq!((summary.format, summary.byte_order), (Format::PcapNg, Some(ByteOrder::Big)));
        let interface = &summary.interfaces[0];
        assert_eq!((interface.name.as_deref(), interface.snap_length, interface.packets), (Some("m1"), 3, 1));
        assert_eq!(interface.clock, Clock { resolution: Resolution::Decimal(3), offset_seconds: -1 });
        assert!(summary.is_whole());
    }

    #[test]
    fn interfaces_belong_to_their_section() {
        let file = Octets::new(true).section().interface(1, 0, |o| o).interface(113, 0, |o| o).enhanced(1, 5, 0, &[]);
        // The second section is low octet first, and its interface 1 has no description.
        let second =
            Octets::new(false).section().interface(147, 0, |o| o).enhanced(0, 7, 0, &[]).enhanced(1, 8, 0, &[]);
        let (seen, summary) = read(&file.d8(&second.bytes).bytes).unwrap();
        assert_eq!(seen, [(0, 1, Some(5_000), 1, 113, 0, vec![]), (0, 2, Some(7_000), 2, 147, 0, vec![])]);
        let places: Vec<_> = summary.interfaces.iter().map(|i| (i.section, i.id, i.packets)).collect();
        assert_eq!(places, [(0, 0, 0), (0, 1, 1), (1, 0, 1)]);
        assert_eq!((summary.sections, summary.byte_order), (2, Some(ByteOrder::Mixed)));
        assert_eq!((summary.packets, summary.unknown_interface, summary.is_whole()), (3, 1, false));
    }

    #[test]
    fn simple_and_obsolete_packets() {
        let file = Octets::new(true)
            .section()
            .interface(1, 6, |o| o)
            .block(3, |b| b.d32(9).d8(&[1, 2, 3, 4, 5, 6, 0, 0]))
            .block(3, |b| b.d32(3).d8(&[1, 2, 3, 0]))
            .block(2, |b| b.d16(0).d16(77).d32(1).d32(0).d32(2).d32(2).d8(&[8, 9, 0, 0]));
        let (seen, summary) = read(&file.bytes).unwrap();
        assert_eq!(
            seen,
            [
                (0, 1, None, 0, 1, 9, vec![1, 2, 3, 4, 5, 6]),
                (0, 2, None, 0, 1, 3, vec![1, 2, 3]),
                // 2^32 microseconds.
                (0, 3, Some(4_294_967_296_000), 0, 1, 2, vec![8, 9]),
            ]
        );
        assert_eq!((summary.without_time, summary.cut_packets), (2, 1));
    }

    #[test]
    fn other_blocks_are_skipped_and_counted() {
        let file = Octets::new(true)
            .section()
            .interface(1, 0, |o| o)
            .block(4, |b| b)
            .block(0x8000_1234, |b| b.d32(1))
            .block(5, |b| b.d32(0).d64(0).d16(5).d16(8).d64(40).d16(7).d16(8).d64(2))
            .block(5, |b| b.d32(9).d64(0).d16(5).d16(8).d64(99));
        let (_, summary) = read(&file.bytes).unwrap();
        let counts: Vec<_> = summary.skipped.by_kind.into_iter().collect();
        let expected =
            [(BlockKind::NameResolution, 1), (BlockKind::InterfaceStatistics, 2), (BlockKind::Unknown(0x8000_1234), 1)];
        assert_eq!(counts, expected);
        assert_eq!(summary.interfaces[0].lost, Some(42));
    }

    #[test]
    fn a_damaged_block_is_left_out_and_named() {
        let head = Octets::new(false).section();
        // A clock option of two octets; an option past the end of the block; captured length past the end.
        let file = head
            .interface(1, 0, |o| o.d16(9).d16(2).d8(&[9, 9, 0, 0]))
            .interface(1, 0, |o| o.d16(2).d16(500))
            .interface(1, 0, |o| o)
            .block(6, |b| b.d32(2).d32(0).d32(0).d32(u32::MAX).d32(0))
            .enhanced(1, 1, 0, &[])
            .enhanced(2, 1, 0, &[]);
        let (seen, summary) = read(&file.bytes).unwrap();
        assert_eq!(seen, [(0, 2, Some(1_000), 0, 1, 0, vec![])], "the third description keeps its number");
        assert_eq!((summary.damaged_blocks, summary.unknown_interface, summary.cut), (3, 1, None));
        assert_eq!(
            summary.first_damage.unwrap().to_string(),
            "block at octet 28 left out: body of pcapng interface description block: length of if_tsresol at octet 12 is 0x2"
        );
    }

    #[test]
    fn an_unreadable_block_cuts() {
        let head = Octets::new(false).section().interface(1, 0, |o| o).enhanced(0, 1, 0, &[]);
        let at_octet = u64::try_from(head.bytes.len()).unwrap();
        let limit = 64 << 20;
        for (tail, reason) in [
            (head.clone().d32(6).d32(0).d32(0), CutReason::BlockLength(0)),
            (head.clone().d32(6).d32(1).d32(0), CutReason::BlockLength(1)),
            (head.clone().d32(6).d32(33).d32(0), CutReason::BlockLength(33)),
            (head.clone().d32(6).d32(u32::MAX).d32(0), CutReason::BlockLength(u32::MAX)),
            (
                head.clone().d32(6).d32(u32::MAX - 3).d32(0),
                CutReason::BlockTooLarge { length: u64::from(u32::MAX - 3), limit },
            ),
            (head.clone().d32(6).d32(12).d32(16), CutReason::BlockLengthsDiffer { start: 12, end: 16 }),
            (head.clone().d32(6).d32(32).d32(0), CutReason::EndsInside { needed: 32, had: 12 }),
            (head.clone().d32(0x0A0D_0D0A).d32(28).d32(0x1234_5678), CutReason::ByteOrderMagic(0x1234_5678)),
            (head.clone().d32(0x0A0D_0D0A).d32(24).d32(0x1A2B_3C4D), CutReason::BlockLength(24)),
            (
                head.clone().block(0x0A0D_0D0A, |b| b.d32(0x1A2B_3C4D).d16(2).d16(1).d64(0)),
                CutReason::Version { major: 2, minor: 1 },
            ),
        ] {
            let (seen, summary) = read(&tail.bytes).unwrap();
            assert_eq!(seen.len(), 1);
            assert_eq!(summary.cut, Some(Cut { after_packet: 1, at_octet, reason }));
        }
    }

    #[test]
    fn remembered_interfaces_are_bounded() {
        let mut file = Octets::new(false).section();
        for _ in 0..65_540 {
            file = file.interface(1, 0, |o| o);
        }
        let (seen, summary) = read(&file.enhanced(65_535, 1, 0, &[]).enhanced(65_536, 1, 0, &[]).bytes).unwrap();
        assert_eq!((summary.interfaces.len(), summary.forgotten_interfaces), (65_536, 4));
        assert_eq!((seen.len(), summary.unknown_interface), (1, 1));
    }
}

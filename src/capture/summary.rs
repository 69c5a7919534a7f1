//! What the files of a run were like: plain data for reports.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;
use std::fmt;

use super::clock::Clock;
use crate::bytes::Malformed;
use crate::time::{Instant, Span};

/// What is known of all files of a run, in the order in which the run takes them.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Summary {
    /// One entry per file; [`Packet::file`](super::Packet::file) is an index into it.
    pub files: Vec<FileSummary>,
}

/// What is known of one file; complete once the run has reached its end.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct FileSummary {
    /// The path as given, or `standard input`.
    pub name: String,
    /// File format.
    pub format: Format,
    /// Byte order of the numbers in the file; `None` if the file ends before that is known.
    pub byte_order: Option<ByteOrder>,
    /// Whether the file is gzip-compressed.
    pub compressed: bool,
    /// Section headers; 1 for pcap.
    pub sections: u64,
    /// Whether the file was read to its end, be it a [`Self::cut`].
    pub finished: bool,
    /// Packets in the file, those that name an unknown interface included.
    pub packets: u64,
    /// Captured octets of these packets.
    pub octets: u64,
    /// Time of the first packet with a time.
    pub first: Option<Instant>,
    /// Time of the last packet with a time.
    pub last: Option<Instant>,
    /// Interfaces in order of their description; the interfaces of all sections in one list.
    pub interfaces: Vec<Interface>,
    /// Interface descriptions past the 65 536 that are remembered. Their packets count as
    /// [`Self::unknown_interface`].
    pub forgotten_interfaces: u64,
    /// Packets of which the capture kept fewer octets than were on the wire.
    pub cut_packets: u64,
    /// Packets that carry no time (simple packet blocks).
    pub without_time: u64,
    /// Packets whose time cannot be: outside of 1677 to 2262, or a fraction of a second that is a second or more.
    pub time_out_of_range: u64,
    /// Steps of the clock to an earlier time, from one packet with a time to the next in the file.
    pub backward_steps: ClockSteps,
    /// Blocks that hold no packet and no interface.
    pub skipped: SkippedBlocks,
    /// Packets that name an interface without description. They are counted and left out: neither link nor clock is
    /// known.
    pub unknown_interface: u64,
    /// Blocks whose content contradicts itself; they are left out and reading goes on.
    pub damaged_blocks: u64,
    /// The first of these.
    pub first_damage: Option<Damage>,
    /// Where and why the file ends before its end.
    pub cut: Option<Cut>,
}

impl FileSummary {
    pub(super) fn new(name: &str, format: Format, compressed: bool) -> Self {
        Self {
            name: name.to_owned(),
            format,
            byte_order: None,
            compressed,
            sections: 0,
            finished: false,
            packets: 0,
            octets: 0,
            first: None,
            last: None,
            interfaces: Vec::new(),
            forgotten_interfaces: 0,
            cut_packets: 0,
            without_time: 0,
            time_out_of_range: 0,
            backward_steps: ClockSteps::default(),
            skipped: SkippedBlocks::default(),
            unknown_interface: 0,
            damaged_blocks: 0,
            first_damage: None,
            cut: None,
        }
    }

    /// Whether every packet of the file was handed out: read to the end, no cut, no damaged block, no packet of an
    /// unknown interface.
    pub const fn is_whole(&self) -> bool {
        self.finished && self.cut.is_none() && self.damaged_blocks == 0 && self.unknown_interface == 0
    }

    /// A section (or the file) in `order` begins.
    pub(super) fn begin_section(&mut self, order: ByteOrder) {
        self.sections = self.sections.saturating_add(1);
        self.byte_order = Some(match self.byte_order {
            Some(known) if known != order => ByteOrder::Mixed,
            _ => order,
        });
    }

    /// Counts a block that is left out because of `malformed`.
    pub(super) fn count_damage(&mut self, at_octet: u64, malformed: Malformed) {
        self.damaged_blocks = self.damaged_blocks.saturating_add(1);
        self.first_damage.get_or_insert(Damage { at_octet, malformed });
    }

    /// Counts the time of the next packet.
    pub(super) fn count_time(&mut self, at: Instant) {
        if let Some(last) = self.last {
            self.backward_steps.count(at.since(last));
        }
        self.first.get_or_insert(at);
        self.last = Some(at);
    }
}

/// File format of a capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Format {
    /// pcap (draft-ietf-opsawg-pcap).
    Pcap,
    /// pcapng (draft-ietf-opsawg-pcapng).
    PcapNg,
}

/// Byte order of the numbers in a capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum ByteOrder {
    /// Low octet first.
    Little,
    /// High octet first.
    Big,
    /// Sections of both orders in one file.
    Mixed,
}

/// An interface as its description gives it.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Interface {
    /// Section it belongs to, counted from 0.
    pub section: u64,
    /// Its number within the section, counted from 0.
    pub id: u32,
    /// Name (`if_name`), if given; its first 256 octets.
    pub name: Option<String>,
    /// LINKTYPE number; 1 is Ethernet.
    pub link_type: u32,
    /// Octets kept of each packet at most; 0 is no limit.
    pub snap_length: u32,
    /// How it tells the time.
    pub clock: Clock,
    /// Packets received on it.
    pub packets: u64,
    /// Packets that the capturing device lost on it by its own account: the last `isb_ifdrop` plus `isb_osdrop` of its
    /// statistics. `None` if it gives none.
    pub lost: Option<u64>,
}

/// Backward steps of a clock.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct ClockSteps {
    /// Number of steps.
    pub count: u64,
    /// Length of the largest one, a positive span; zero if there was none.
    pub largest: Span,
}

impl ClockSteps {
    fn count(&mut self, step: Span) {
        if step < Span::ZERO {
            self.count = self.count.saturating_add(1);
            let length = Span::ZERO.checked_sub(step).unwrap_or(Span::MAX);
            self.largest = self.largest.max(length);
        }
    }
}

/// Kinds of pcapng blocks that hold no packet and no interface.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub enum BlockKind {
    /// Name resolution block.
    NameResolution,
    /// Interface statistics block.
    InterfaceStatistics,
    /// Decryption secrets block.
    DecryptionSecrets,
    /// Custom block that may be copied to another file.
    Custom,
    /// Custom block that must not be copied to another file.
    CustomDoNotCopy,
    /// Any other block, by its type code.
    Unknown(u32),
}

impl BlockKind {
    /// The kind with block type `code`.
    pub const fn from_code(code: u32) -> Self {
        match code {
            0x0000_0004 => Self::NameResolution,
            0x0000_0005 => Self::InterfaceStatistics,
            0x0000_000A => Self::DecryptionSecrets,
            0x0000_0BAD => Self::Custom,
            0x4000_0BAD => Self::CustomDoNotCopy,
            code => Self::Unknown(code),
        }
    }
}

/// Skipped blocks, counted by kind.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct SkippedBlocks {
    /// Blocks by kind, up to 256 kinds.
    #[serde(with = "crate::saved::pairs")]
    pub by_kind: BTreeMap<BlockKind, u64>,
    /// Blocks of all further kinds.
    pub other: u64,
}

impl SkippedBlocks {
    const MAX_KINDS: usize = 256;

    pub(super) fn count(&mut self, kind: BlockKind) {
        let counter = if self.by_kind.len() < Self::MAX_KINDS {
            self.by_kind.entry(kind).or_default()
        } else {
            self.by_kind.get_mut(&kind).unwrap_or(&mut self.other)
        };
        *counter = counter.saturating_add(1);
    }
}

/// A block that was left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Damage {
    /// Octet of the (uncompressed) file at which the block starts.
    pub at_octet: u64,
    /// What is wrong with it.
    pub malformed: Malformed,
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "block at octet {} left out: {}", self.at_octet, self.malformed)
    }
}

/// The place at which a file could not be read any further.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Cut {
    /// Number of the last packet before the cut; 0 if there is none.
    pub after_packet: u64,
    /// Octet of the (uncompressed) file at which the unreadable block starts.
    pub at_octet: u64,
    /// Why it cannot be read.
    pub reason: CutReason,
}

impl fmt::Display for Cut {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "cut after packet {}, in the block at octet {}: {}", self.after_packet, self.at_octet, self.reason)
    }
}

/// Why a file could not be read any further.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum CutReason {
    /// The file ends inside the block.
    EndsInside {
        /// Octets of the block needed to go on.
        needed: u64,
        /// Octets that were there.
        had: u64,
    },
    /// The compressed stream ends before its end mark.
    CompressionEnds,
    /// The compressed stream contradicts itself.
    CompressionDamaged,
    /// The block length is below 12 or no multiple of 4.
    BlockLength(u32),
    /// The block length at the end of the block differs from that at its start.
    BlockLengthsDiffer {
        /// Length at the start.
        start: u32,
        /// Length at the end.
        end: u32,
    },
    /// The block is larger than any that is read.
    BlockTooLarge {
        /// Octets of the block.
        length: u64,
        /// Largest block that is read.
        limit: u64,
    },
    /// The section header holds no byte-order magic.
    ByteOrderMagic(u32),
    /// The file or section is in a version of the format that is not known.
    Version {
        /// Major version.
        major: u16,
        /// Minor version.
        minor: u16,
    },
    /// The header of the file or of the block contradicts itself.
    Malformed(Malformed),
}

impl fmt::Display for CutReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::EndsInside { needed, had } => write!(f, "the file ends there, {needed} octets needed, had {had}"),
            Self::CompressionEnds => write!(f, "the compressed stream ends before its end mark"),
            Self::CompressionDamaged => write!(f, "the compressed stream is damaged"),
            Self::BlockLength(length) => {
                write!(f, "block length {length}, expected a multiple of 4 that is 12 or more")
            }
            Self::BlockLengthsDiffer { start, end } => {
                write!(f, "block length {start} at its start but {end} at its end")
            }
            Self::BlockTooLarge { length, limit } => write!(f, "block of {length} octets, at most {limit} are read"),
            Self::ByteOrderMagic(magic) => write!(f, "byte-order magic 0x{magic:08X}, expected 0x1A2B3C4D"),
            Self::Version { major, minor } => write!(f, "format version {major}.{minor} is not known"),
            Self::Malformed(malformed) => malformed.fmt(f),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn backward_steps_keep_the_largest() {
        let mut summary = FileSummary::new("x", Format::Pcap, false);
        for nanos in [100, 90, 95, 95, 40, 200] {
            summary.count_time(Instant::from_nanos(nanos));
        }
        assert_eq!(summary.backward_steps, ClockSteps { count: 2, largest: Span::from_nanos(55) });
        assert_eq!((summary.first, summary.last), (Some(Instant::from_nanos(100)), Some(Instant::from_nanos(200))));
    }

    #[test]
    fn kinds_of_skipped_blocks_are_bounded() {
        let mut skipped = SkippedBlocks::default();
        for code in 0x1000..0x1400 {
            skipped.count(BlockKind::from_code(code));
        }
        skipped.count(BlockKind::from_code(0x1000));
        assert_eq!((skipped.by_kind.len(), skipped.other), (256, 768));
        assert_eq!(skipped.by_kind[&BlockKind::Unknown(0x1000)], 2);
    }
}

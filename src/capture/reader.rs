//! One capture file, packet by packet.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::buffer::{Buffer, Stop};
use super::error::CaptureError;
use super::source::Source;
use super::summary::{Cut, FileSummary, Format};
use super::{pcap, pcapng};
use crate::time::Instant;

/// Size of the read buffer of a file that is being read.
pub(super) const BUFFER_LENGTH: usize = 1 << 20;

/// A packet; its octets are borrowed from the read buffer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Packet<'a> {
    /// File it is from, as an index into [`Summary::files`](super::Summary::files).
    pub file: usize,
    /// Number in its file, counted from 1; packets that are left out are counted.
    pub number: u64,
    /// When it was captured; `None` if the file gives no time or an impossible one.
    pub at: Option<Instant>,
    /// Interface it was received on, as an index into [`FileSummary::interfaces`].
    pub interface: usize,
    /// LINKTYPE number of that interface; 1 is Ethernet.
    pub link_type: u32,
    /// Octets that were on the wire.
    pub original_length: u32,
    /// Octets that the capture kept.
    pub octets: &'a [u8],
}

impl Packet<'_> {
    /// Whether the capture kept fewer octets than were on the wire.
    pub fn is_cut(&self) -> bool {
        is_cut(self.octets.len(), self.original_length)
    }
}

fn is_cut(kept: usize, original: u32) -> bool {
    u32::try_from(kept).is_ok_and(|kept| kept < original)
}

/// A block or record at the start of the buffer.
pub(super) struct Block {
    /// Its length in octets.
    pub(super) length: usize,
    /// The packet in it, if it holds one.
    pub(super) frame: Option<Frame>,
}

/// Where in its block a packet lies, and what the block says about it.
pub(super) struct Frame {
    /// Index into the interfaces of the file; `None` if the named one has no description.
    pub(super) interface: Option<usize>,
    pub(super) stamp: Stamp,
    pub(super) original_length: u32,
    pub(super) start: usize,
    pub(super) length: usize,
}

/// The time that a block gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stamp {
    /// None at all.
    Absent,
    /// Ticks of the clock of the interface.
    Ticks(u64),
    /// One that cannot be.
    Impossible,
}

enum Decoder {
    Pcap(pcap::Decoder),
    PcapNg(pcapng::Decoder),
}

/// The packet at the start of the buffer.
#[derive(Clone, Copy)]
struct Head {
    at: Option<Instant>,
    interface: usize,
    link_type: u32,
    original_length: u32,
    start: usize,
    length: usize,
}

/// Reads one capture file.
pub(super) struct Reader {
    buffer: Buffer,
    decoder: Decoder,
    summary: FileSummary,
    head: Option<Head>,
    /// Length of the block that holds `head`.
    held: usize,
}

impl Reader {
    /// A reader of the capture that `source` holds, with a buffer of `capacity` octets at first.
    pub(super) fn open(source: Source, name: &str, capacity: usize) -> Result<Self, CaptureError> {
        let mut buffer = Buffer::new(source, capacity);
        let compressed = buffer.is_compressed();
        let is_empty = match buffer.is_at_end() {
            Err(Stop::Io(source)) => return Err(CaptureError::Read { name: name.to_owned(), at_octet: 0, source }),
            Err(Stop::Cut(_)) => false,
            Ok(is_empty) => is_empty,
        };
        if is_empty {
            return Err(CaptureError::Empty { name: name.to_owned() });
        }
        if let Err(Stop::Io(source)) = buffer.require(4) {
            return Err(CaptureError::Read { name: name.to_owned(), at_octet: 0, source });
        }
        let (format, decoder) = buffer.octets().first_chunk().copied().and_then(decoder).ok_or_else(|| {
            let octets = buffer.octets().iter().take(4).copied().collect();
            CaptureError::NotACapture { name: name.to_owned(), octets, compressed }
        })?;
        Ok(Self { buffer, decoder, summary: FileSummary::new(name, format, compressed), head: None, held: 0 })
    }

    /// Goes to the next packet; false at the end of the file.
    pub(super) fn advance(&mut self) -> Result<bool, CaptureError> {
        self.buffer.consume(self.held);
        (self.head, self.held) = (None, 0);
        while !self.summary.finished {
            let block = match &mut self.decoder {
                Decoder::Pcap(decoder) => decoder.next(&mut self.buffer, &mut self.summary),
                Decoder::PcapNg(decoder) => decoder.next(&mut self.buffer, &mut self.summary),
            };
            match block {
                Ok(Some(Block { length, frame })) => {
                    if let Some(head) = frame.and_then(|frame| count(&mut self.summary, &frame)) {
                        (self.head, self.held) = (Some(head), length);
                        return Ok(true);
                    }
                    self.buffer.consume(length);
                }
                Ok(None) => self.summary.finished = true,
                Err(Stop::Cut(reason)) => {
                    self.summary.finished = true;
                    let (after_packet, at_octet) = (self.summary.packets, self.buffer.position());
                    self.summary.cut = Some(Cut { after_packet, at_octet, reason });
                }
                Err(Stop::Io(source)) => {
                    let (name, at_octet) = (self.summary.name.clone(), self.buffer.position());
                    return Err(CaptureError::Read { name, at_octet, source });
                }
            }
        }
        Ok(false)
    }

    /// The packet that [`Self::advance`] went to, as one of file number `file`.
    pub(super) fn packet(&self, file: usize) -> Option<Packet<'_>> {
        let Head { at, interface, link_type, original_length, start, length } = self.head?;
        let octets = self.buffer.octets().get(start..start.checked_add(length)?)?;
        Some(Packet { file, number: self.summary.packets, at, interface, link_type, original_length, octets })
    }

    /// The time of the packet that [`Self::advance`] went to.
    pub(super) fn at(&self) -> Option<Instant> {
        self.head?.at
    }

    pub(super) const fn summary(&self) -> &FileSummary {
        &self.summary
    }
}

fn decoder(magic: [u8; 4]) -> Option<(Format, Decoder)> {
    if magic == pcapng::MAGIC {
        return Some((Format::PcapNg, Decoder::PcapNg(pcapng::Decoder::new())));
    }
    pcap::Decoder::from_magic(magic).map(|decoder| (Format::Pcap, Decoder::Pcap(decoder)))
}

/// Counts a packet; `None` if it is one that must be left out.
fn count(summary: &mut FileSummary, frame: &Frame) -> Option<Head> {
    summary.packets = summary.packets.saturating_add(1);
    summary.octets = summary.octets.saturating_add(u64::try_from(frame.length).unwrap_or(u64::MAX));
    if is_cut(frame.length, frame.original_length) {
        summary.cut_packets = summary.cut_packets.saturating_add(1);
    }
    let described = frame.interface.and_then(|index| Some((index, summary.interfaces.get_mut(index)?)));
    let Some((index, interface)) = described else {
        summary.unknown_interface = summary.unknown_interface.saturating_add(1);
        return None;
    };
    interface.packets = interface.packets.saturating_add(1);
    let (clock, link_type) = (interface.clock, interface.link_type);
    let at = match frame.stamp {
        Stamp::Ticks(ticks) => clock.instant(ticks),
        Stamp::Absent | Stamp::Impossible => None,
    };
    match at {
        Some(at) => summary.count_time(at),
        None if frame.stamp == Stamp::Absent => summary.without_time = summary.without_time.saturating_add(1),
        None => summary.time_out_of_range = summary.time_out_of_range.saturating_add(1),
    }
    let &Frame { original_length, start, length, .. } = frame;
    Some(Head { at, interface: index, link_type, original_length, start, length })
}

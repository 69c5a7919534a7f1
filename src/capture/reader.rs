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

#[cfg(test)]
mod tests {
    use std::io::{self, Read};

    use crate::capture::sample::{Octets, gzip, read};
    use crate::capture::{CaptureError, CutReason, Input, Run};

    fn pcap() -> Vec<u8> {
        let file = Octets::new(true).pcap(0xA1B2_C3D4, 0, 1);
        file.record(1, 2, 3, &[1, 2, 3]).record(2, 3, 9, &[4; 9]).bytes
    }

    fn pcapng() -> Vec<u8> {
        let resolution = |o: Octets| o.d16(9).d16(1).d8(&[9, 0, 0, 0]).d16(0).d16(0);
        let file = Octets::new(false).section().interface(1, 0, resolution).enhanced(0, 1, 4, &[1; 4]);
        let second = Octets::new(true).section().interface(1, 0, resolution);
        let second = second.block(3, |b| b.d32(4).d8(&[1; 4])).block(4, |b| b).enhanced(0, 2, 8, &[2; 8]);
        file.d8(&second.bytes).bytes
    }

    /// Packets before the cut are those of the whole file; a file cut anywhere but between blocks says so.
    #[test]
    fn every_truncation_is_read_up_to_the_cut() {
        for (whole, between) in [(pcap(), vec![24, 43]), (pcapng(), vec![28, 60, 96, 124, 156, 176, 188])] {
            let (packets, _) = read(&whole).unwrap();
            for length in 0..whole.len() {
                let Ok((seen, summary)) = read(&whole[..length]) else {
                    assert!(length < 4, "{length} octets are enough to know a capture");
                    continue;
                };
                assert!(length >= 4);
                assert_eq!(seen, packets[..seen.len()]);
                assert_eq!(summary.cut.is_none(), between.contains(&length), "{length}: {:?}", summary.cut);
            }
        }
    }

    #[test]
    fn every_truncation_of_a_compressed_file_is_reported() {
        for whole in [pcap(), pcapng()] {
            let (packets, _) = read(&whole).unwrap();
            let compressed = gzip(&whole);
            let (seen, summary) = read(&compressed).unwrap();
            assert_eq!((&seen, summary.compressed, summary.cut), (&packets, true, None));
            let mut with_packets = 0;
            for length in 0..compressed.len() {
                if let Ok((seen, summary)) = read(&compressed[..length]) {
                    assert_eq!(summary.cut.unwrap().reason, CutReason::CompressionEnds, "{length}");
                    assert_eq!(seen, packets[..seen.len()]);
                    with_packets += usize::from(seen.len() == packets.len());
                }
            }
            // The last eight octets are the check value and the length (RFC 1952, section 2.3.1).
            assert!(with_packets >= 8);
        }
    }

    #[test]
    fn any_octet_changed_is_survived() {
        for whole in [pcap(), pcapng(), gzip(&pcap()), gzip(&pcapng())] {
            for place in 0..whole.len() {
                for value in [0, 1, 0x7F, 0x80, 0xFF, whole[place] ^ 0x10] {
                    let mut changed = whole.clone();
                    changed[place] = value;
                    let _ = read(&changed);
                }
            }
        }
    }

    #[test]
    fn concatenated_gzip_members_are_one_file() {
        let whole = pcapng();
        for at in 0..=whole.len() {
            let (first, second) = whole.split_at(at);
            let joined = [gzip(first), gzip(second)].concat();
            assert_eq!(read(&joined).unwrap().0, read(&whole).unwrap().0, "{at}");
        }
    }

    #[test]
    fn damage_inside_a_compressed_file_is_a_cut() {
        let mut compressed = gzip(&pcap());
        let check_value = compressed.len() - 8;
        compressed[check_value] ^= 1;
        let (seen, summary) = read(&compressed).unwrap();
        assert_eq!((seen.len(), summary.cut.unwrap().reason), (2, CutReason::CompressionDamaged));
    }

    /// A source that hands out a few octets at a time, as a pipe may.
    struct Drip(io::Cursor<Vec<u8>>);

    impl Read for Drip {
        fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
            let piece = room.len().min(3);
            self.0.read(&mut room[..piece])
        }
    }

    /// Found by the fuzzer: how far a damaged file was read depended on the pieces in which it came.
    #[test]
    fn damage_is_met_at_the_same_place_whatever_the_pieces() {
        let resolution = |o: Octets| o.d16(9).d16(1).d8(&[9, 0, 0, 0]).d16(0).d16(0);
        let mut file = Octets::new(false).section().interface(1, 0, resolution);
        let mut noise = 1_u32;
        for ticks in 0..400 {
            let octets: Vec<u8> = (0..64)
                .map(|_| {
                    noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    noise.to_be_bytes()[0]
                })
                .collect();
            file = file.enhanced(0, ticks, 64, &octets);
        }
        let whole = gzip(&file.bytes);
        let read_by = |input| {
            let mut run = Run::open([input])?;
            let mut packets = 0;
            while run.next_packet()?.is_some() {
                packets += 1;
            }
            Ok::<_, CaptureError>((packets, run.summary().files[0].cut))
        };
        let mut most = 0;
        for place in (40..whole.len()).step_by(997) {
            let mut damaged = whole.clone();
            damaged[place] ^= 0xFF;
            let told = |result: Result<_, CaptureError>| result.map_err(|error| error.to_string());
            let at_once = told(read_by(Input::stream("sample", io::Cursor::new(damaged.clone()))));
            assert_eq!(
                told(read_by(Input::stream("sample", Drip(io::Cursor::new(damaged))))),
                at_once,
                "octet {place}"
            );
            most = most.max(at_once.map_or(0, |(packets, _)| packets));
        }
        assert!(most > 200, "what is before the damage is read: {most}");
    }

    #[test]
    fn what_is_no_capture_is_an_error_that_names_its_octets() {
        let message = |octets: &[u8]| read(octets).unwrap_err().to_string();
        assert_eq!(message(&[]), "sample is not a capture: it is empty");
        assert_eq!(message(&gzip(&[])), "sample is not a capture: it is empty");
        assert_eq!(
            message(b"PK\x03\x04..."),
            "sample is not a capture: it starts with 50 4B 03 04, expected pcapng (0A 0D 0D 0A), pcap (A1 B2 C3 D4 or \
             A1 B2 3C 4D, in either order) or gzip (1F 8B)"
        );
        assert!(message(&gzip(b"hi")).contains("its uncompressed content starts with 68 69, expected"));
        assert!(message(&[0x1F, 0x8B]).contains("starts with nothing readable, expected"));
    }

    /// A block far larger than the buffer, then small ones.
    #[test]
    fn a_large_block_grows_the_buffer() {
        let large = vec![7; 5 << 20];
        let file = Octets::new(false).section().interface(1, 0, |o| o).enhanced(0, 1, 5 << 20, &large);
        let (seen, summary) = read(&file.enhanced(0, 2, 4, &[1, 2, 3, 4]).bytes).unwrap();
        assert_eq!((seen.len(), summary.octets), (2, (5 << 20) + 4));
        assert_eq!(seen[0].6, large);
    }

    /// A disk that fails behind the first octets.
    struct Failing(io::Cursor<Vec<u8>>);

    impl Read for Failing {
        fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
            match self.0.read(room)? {
                0 => Err(io::Error::other("bad sector")),
                count => Ok(count),
            }
        }
    }

    #[test]
    fn a_failing_disk_is_an_error_not_a_cut() {
        let mut run = Run::open([Input::stream("drive", Failing(io::Cursor::new(pcap())))]).unwrap();
        assert!(run.next_packet().unwrap().is_some());
        assert!(run.next_packet().unwrap().is_some());
        let error = run.next_packet().unwrap_err();
        assert!(matches!(&error, CaptureError::Read { at_octet: 68, .. }), "{error:?}");
        assert_eq!(error.to_string(), "cannot read drive past octet 68: bad sector");
    }
}

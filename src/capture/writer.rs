//! Captures of our own: pcapng and pcap files with nanosecond time stamps.
//!
//! Source: as in the reading modules, draft-ietf-opsawg-pcapng and draft-ietf-opsawg-pcap. Little-endian; what is
//! written depends on the arguments alone.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::io::{self, ErrorKind, Write};

use super::buffer::MAX_BLOCK;
use crate::time::Instant;

/// An interface of a capture to be written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WriterInterface<'a> {
    /// Name (`if_name`), at most 65 535 octets; empty for none.
    pub name: &'a str,
    /// LINKTYPE number; 1 is Ethernet.
    pub link_type: u16,
    /// Octets kept of each packet at most; 0 is no limit.
    pub snap_length: u32,
}

/// An interface that was written, to be named with its packets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct InterfaceId(u32);

/// Writes a pcapng file of one section.
pub struct Writer<W: Write> {
    out: W,
    snap_lengths: Vec<u32>,
}

impl<W: Write> Writer<W> {
    /// Starts a file that names `application` as the program that wrote it (`shb_userappl`; empty for none).
    ///
    /// # Errors
    /// Of `out`; [`ErrorKind::InvalidInput`] if the name is longer than 65 535 octets.
    pub fn new(out: W, application: &str) -> io::Result<Self> {
        let mut body = Vec::new();
        body.extend(0x1A2B_3C4D_u32.to_le_bytes());
        body.extend(1_u16.to_le_bytes());
        body.extend(0_u16.to_le_bytes());
        // Section length: not given.
        body.extend((-1_i64).to_le_bytes());
        if !application.is_empty() {
            option(&mut body, 4, application.as_bytes())?;
            option(&mut body, 0, &[])?;
        }
        let mut writer = Self { out, snap_lengths: Vec::new() };
        writer.block(0x0A0D_0D0A, &body)?;
        Ok(writer)
    }

    /// Describes an interface whose packets are to follow.
    ///
    /// # Errors
    /// Of `out`; [`ErrorKind::InvalidInput`] if the name is longer than 65 535 octets.
    pub fn interface(&mut self, interface: &WriterInterface) -> io::Result<InterfaceId> {
        let id = u32::try_from(self.snap_lengths.len()).map_err(|_| invalid("too many interfaces"))?;
        let mut body = Vec::new();
        body.extend(interface.link_type.to_le_bytes());
        body.extend(0_u16.to_le_bytes());
        body.extend(interface.snap_length.to_le_bytes());
        if !interface.name.is_empty() {
            option(&mut body, 2, interface.name.as_bytes())?;
        }
        // if_tsresol: nanoseconds.
        option(&mut body, 9, &[9])?;
        option(&mut body, 0, &[])?;
        self.block(0x0000_0001, &body)?;
        self.snap_lengths.push(interface.snap_length);
        Ok(InterfaceId(id))
    }

    /// Writes a packet of which `octets` were kept and `original_length` octets were on the wire.
    ///
    /// # Errors
    /// Of `out`; [`ErrorKind::InvalidInput`] if the interface is not one of this file, the time is before 1970, or there
    /// are more octets than were on the wire, than the snap length allows, or than 64 MiB.
    pub fn packet(
        &mut self,
        interface: InterfaceId,
        at: Instant,
        octets: &[u8],
        original_length: u32,
    ) -> io::Result<()> {
        let snap_length = usize::try_from(interface.0).ok().and_then(|id| self.snap_lengths.get(id));
        let snap_length = *snap_length.ok_or_else(|| invalid("the interface is not one of this file"))?;
        let length = checked_length(octets, original_length, snap_length)?;
        let ticks = u64::try_from(at.as_nanos()).map_err(|_| invalid("the time is before 1970"))?.to_be_bytes();
        let mut body = Vec::with_capacity(octets.len().saturating_add(24));
        body.extend(interface.0.to_le_bytes());
        // The high word comes first, each word low octet first.
        let [a, b, c, d, e, f, g, h] = ticks;
        body.extend([d, c, b, a, h, g, f, e]);
        body.extend(length.to_le_bytes());
        body.extend(original_length.to_le_bytes());
        body.extend(octets);
        pad(&mut body);
        self.block(0x0000_0006, &body)
    }

    /// Ends the file.
    ///
    /// # Errors
    /// Of `out`.
    pub fn finish(mut self) -> io::Result<W> {
        self.out.flush()?;
        Ok(self.out)
    }

    fn block(&mut self, kind: u32, body: &[u8]) -> io::Result<()> {
        let length = body.len().checked_add(12).and_then(|length| u32::try_from(length).ok());
        let length = length.ok_or_else(|| invalid("the block is too long"))?;
        self.out.write_all(&kind.to_le_bytes())?;
        self.out.write_all(&length.to_le_bytes())?;
        self.out.write_all(body)?;
        self.out.write_all(&length.to_le_bytes())
    }
}

/// Writes a pcap file with nanosecond time stamps.
pub struct PcapWriter<W: Write> {
    out: W,
    snap_length: u32,
}

impl<W: Write> PcapWriter<W> {
    /// Starts a file of packets of LINKTYPE `link_type` (1 is Ethernet), each of at most `snap_length` octets (0 is no
    /// limit).
    ///
    /// # Errors
    /// Of `out`.
    pub fn new(mut out: W, link_type: u16, snap_length: u32) -> io::Result<Self> {
        let mut header = Vec::with_capacity(24);
        header.extend(0xA1B2_3C4D_u32.to_le_bytes());
        header.extend(2_u16.to_le_bytes());
        header.extend(4_u16.to_le_bytes());
        header.extend(0_u64.to_le_bytes());
        header.extend(snap_length.to_le_bytes());
        header.extend(u32::from(link_type).to_le_bytes());
        out.write_all(&header)?;
        Ok(Self { out, snap_length })
    }

    /// Writes a packet of which `octets` were kept and `original_length` octets were on the wire.
    ///
    /// # Errors
    /// Of `out`; [`ErrorKind::InvalidInput`] if the time is before 1970 or after February 2106, or there are more
    /// octets than were on the wire, than the snap length allows, or than 64 MiB.
    pub fn packet(&mut self, at: Instant, octets: &[u8], original_length: u32) -> io::Result<()> {
        const NANOS_PER_SECOND: i64 = 1_000_000_000;
        let length = checked_length(octets, original_length, self.snap_length)?;
        let out_of_range = |_| invalid("the time is before 1970 or after February 2106");
        let seconds = u32::try_from(at.as_nanos().div_euclid(NANOS_PER_SECOND)).map_err(out_of_range)?;
        let fraction = u32::try_from(at.as_nanos().rem_euclid(NANOS_PER_SECOND)).map_err(out_of_range)?;
        for field in [seconds, fraction, length, original_length] {
            self.out.write_all(&field.to_le_bytes())?;
        }
        self.out.write_all(octets)
    }

    /// Ends the file.
    ///
    /// # Errors
    /// Of `out`.
    pub fn finish(mut self) -> io::Result<W> {
        self.out.flush()?;
        Ok(self.out)
    }
}

fn checked_length(octets: &[u8], original_length: u32, snap_length: u32) -> io::Result<u32> {
    // Header, padding and trailer of the block are below 64 octets.
    if octets.len() > MAX_BLOCK.saturating_sub(64) {
        return Err(invalid("the packet is larger than any that is read back"));
    }
    let length = u32::try_from(octets.len()).map_err(|_| invalid("the packet is too long"))?;
    if length > original_length {
        return Err(invalid("more octets than were on the wire"));
    }
    if snap_length != 0 && length > snap_length {
        return Err(invalid("more octets than the snap length allows"));
    }
    Ok(length)
}

fn option(body: &mut Vec<u8>, code: u16, value: &[u8]) -> io::Result<()> {
    let length = u16::try_from(value.len()).map_err(|_| invalid("the name is longer than 65535 octets"))?;
    body.extend(code.to_le_bytes());
    body.extend(length.to_le_bytes());
    body.extend(value);
    pad(body);
    Ok(())
}

fn pad(body: &mut Vec<u8>) {
    body.resize(body.len().next_multiple_of(4), 0);
}

fn invalid(what: &'static str) -> io::Error {
    io::Error::new(ErrorKind::InvalidInput, what)
}

#[cfg(test)]
mod tests {
    use proptest::collection::vec;
    use proptest::prelude::*;

    use super::*;
    use crate::capture::sample::read;
    use crate::capture::{Clock, Resolution};

    const AT: Instant = Instant::from_nanos(1_700_000_000_123_456_789);

    fn film_carriage() -> WriterInterface<'static> {
        WriterInterface { name: "film carriage", link_type: 1, snap_length: 64 }
    }

    /// The octets as the two drafts have them, put down by hand.
    #[test]
    #[rustfmt::skip]
    fn writes_the_octets_of_the_format() {
        let mut writer = Writer::new(Vec::new(), "abc").unwrap();
        let id = writer.interface(&WriterInterface { name: "m1", link_type: 1, snap_length: 0x0102 }).unwrap();
        writer.packet(id, Instant::from_nanos(0x0102_0304_0506_0708), &[0xAA, 0xBB, 0xCC], 5).unwrap();
        assert_eq!(writer.finish().unwrap(), [
            0x0A, 0x0D, 0x0D, 0x0A,  40, 0, 0, 0,  0x4D, 0x3C, 0x2B, 0x1A,  1, 0, 0, 0,
            0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF,  4, 0, 3, 0,  b'a', b'b', b'c', 0,  0, 0, 0, 0,  40, 0, 0, 0,
            1, 0, 0, 0,  40, 0, 0, 0,  1, 0, 0, 0,  2, 1, 0, 0,
            2, 0, 2, 0,  b'm', b'1', 0, 0,  9, 0, 1, 0,  9, 0, 0, 0,  0, 0, 0, 0,  40, 0, 0, 0,
            6, 0, 0, 0,  36, 0, 0, 0,  0, 0, 0, 0,  4, 3, 2, 1,  8, 7, 6, 5,  3, 0, 0, 0,  5, 0, 0, 0,
            0xAA, 0xBB, 0xCC, 0,  36, 0, 0, 0,
        ]);
        let mut writer = PcapWriter::new(Vec::new(), 1, 0x0102).unwrap();
        writer.packet(Instant::from_nanos(3_000_000_258), &[0xAA], 2).unwrap();
        assert_eq!(writer.finish().unwrap(), [
            0x4D, 0x3C, 0xB2, 0xA1,  2, 0, 4, 0,  0, 0, 0, 0, 0, 0, 0, 0,  2, 1, 0, 0,  1, 0, 0, 0,
            3, 0, 0, 0,  2, 1, 0, 0,  1, 0, 0, 0,  2, 0, 0, 0,  0xAA,
        ]);
    }

    #[test]
    fn what_is_written_is_read_back() {
        let mut writer = Writer::new(Vec::new(), "").unwrap();
        let first = writer.interface(&film_carriage()).unwrap();
        let second = writer.interface(&WriterInterface { name: "", link_type: 147, snap_length: 0 }).unwrap();
        let mut expected = Vec::new();
        for length in 0..=9_u8 {
            let octets: Vec<u8> = (0..length).collect();
            let (id, index, link) = if length % 2 == 0 { (first, 0, 1) } else { (second, 1, 147) };
            let at = Instant::from_nanos(AT.as_nanos() + i64::from(length));
            writer.packet(id, at, &octets, 60).unwrap();
            expected.push((0, u64::from(length) + 1, Some(at.as_nanos()), index, link, 60, octets));
        }
        let (seen, summary) = read(&writer.finish().unwrap()).unwrap();
        assert_eq!(seen, expected);
        assert!(summary.is_whole());
        let interface = &summary.interfaces[0];
        assert_eq!((interface.name.as_deref(), interface.snap_length), (Some("film carriage"), 64));
        assert_eq!(interface.clock, Clock { resolution: Resolution::NANOSECONDS, offset_seconds: 0 });
        assert_eq!(summary.interfaces[1].name, None);
    }

    #[test]
    fn what_is_written_as_pcap_is_read_back() {
        let mut writer = PcapWriter::new(Vec::new(), 1, 3).unwrap();
        writer.packet(AT, &[1, 2, 3], 4).unwrap();
        writer.packet(Instant::from_nanos(0), &[], 0).unwrap();
        let (seen, summary) = read(&writer.finish().unwrap()).unwrap();
        let expected = [(0, 1, Some(AT.as_nanos()), 0, 1, 4, vec![1, 2, 3]), (0, 2, Some(0), 0, 1, 0, vec![])];
        assert_eq!(seen, expected);
        assert!(summary.is_whole());
    }

    proptest! {
        #[test]
        fn any_packets_are_read_back(
            packets in vec((0..=i64::MAX, vec(any::<u8>(), 0..70), 0..2_000_u32), 0..20),
        ) {
            let mut ng = Writer::new(Vec::new(), "test").unwrap();
            let id = ng.interface(&WriterInterface { snap_length: 0, ..film_carriage() }).unwrap();
            let mut pcap = PcapWriter::new(Vec::new(), 1, 0).unwrap();
            let (mut of_ng, mut of_pcap) = (Vec::new(), Vec::new());
            for (number, (nanos, octets, missing)) in (1..).zip(packets) {
                let original = u32::try_from(octets.len()).unwrap() + missing;
                ng.packet(id, Instant::from_nanos(nanos), &octets, original).unwrap();
                of_ng.push((0, number, Some(nanos), 0, 1, original, octets.clone()));
                let nanos = nanos % 4_294_967_296_000_000_000;
                pcap.packet(Instant::from_nanos(nanos), &octets, original).unwrap();
                of_pcap.push((0, number, Some(nanos), 0, 1, original, octets));
            }
            prop_assert_eq!(read(&ng.finish().unwrap()).unwrap().0, of_ng);
            prop_assert_eq!(read(&pcap.finish().unwrap()).unwrap().0, of_pcap);
        }
    }

    #[test]
    fn refuses_what_the_format_cannot_hold() {
        let mut writer = Writer::new(Vec::new(), "").unwrap();
        let id = writer.interface(&film_carriage()).unwrap();
        let before_1970 = Instant::from_nanos(-1);
        for result in [
            writer.packet(id, before_1970, &[], 0),
            writer.packet(id, AT, &[1, 2], 1),
            writer.packet(id, AT, &[0; 65], 65),
            writer.packet(InterfaceId(1), AT, &[], 0),
            writer.interface(&WriterInterface { name: &"x".repeat(65_536), ..film_carriage() }).map(|_| ()),
            PcapWriter::new(Vec::new(), 1, 0).unwrap().packet(before_1970, &[], 0),
            // 2^32 seconds.
            PcapWriter::new(Vec::new(), 1, 0).unwrap().packet(Instant::from_nanos(4_294_967_296_000_000_000), &[], 0),
        ] {
            assert_eq!(result.unwrap_err().kind(), ErrorKind::InvalidInput);
        }
        let (seen, summary) = read(&writer.finish().unwrap()).unwrap();
        assert_eq!((seen.len(), summary.interfaces.len(), summary.is_whole()), (0, 1, true), "nothing half-written");
    }
}

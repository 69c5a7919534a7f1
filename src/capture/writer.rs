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

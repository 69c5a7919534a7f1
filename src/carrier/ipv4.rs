//! The IPv4 header.
//!
//! Source: RFC 791 section 3.1; the service octet is RFC 2474 and RFC 3168.
//!
//! ```text
//! offset length name           coding
//! 0      1      version, IHL   b7..4 = 4, b3..0 header length in 32-bit words, 5 at least
//! 1      1      service        differentiated services, congestion
//! 2      2      total length   big endian, octets of header and payload; what follows is Ethernet padding
//! 4      2      identification big endian
//! 6      2      fragment       big endian: b14 don't fragment, b13 more fragments, b12..0 offset in 8-octet units
//! 8      1      time to live
//! 9      1      protocol       17 = UDP
//! 10     2      checksum       RFC 1071 over the header
//! 12     4      source
//! 16     4      destination
//! 20     0..40  options        kept as octets, not decoded
//! ```
//!
//! Fragments are recognised and not put together: a fragment's payload is not a datagram. Parsing does not judge the
//! checksum, since a capture taken on the sender often shows packets before the network card has filled it in.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::net::Ipv4Addr;

use super::checksum::Sum;
use crate::bytes::{Malformed, Problem, Reader};

/// Name of the layer in a [`Malformed`].
pub const LAYER: &str = "IPv4";

/// EtherType of IPv4.
pub const ETHER_TYPE: u16 = 0x0800;

/// Octets of a header without options.
pub const FIXED_OCTETS: usize = 20;

/// The flag in [`Header::fragment`] that forbids routers to fragment the packet.
pub const DONT_FRAGMENT: u16 = 0x4000;

/// An IPv4 header.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Header<'a> {
    /// Differentiated services and congestion bits.
    pub service: u8,
    /// Octets of header and payload.
    pub total_length: u16,
    /// Number shared by the fragments of one packet.
    pub identification: u16,
    /// Flags and fragment offset as on the wire; see [`Header::is_fragment`].
    pub fragment: u16,
    /// Routers that may still be passed.
    pub time_to_live: u8,
    /// Protocol of the payload.
    pub protocol: u8,
    /// Checksum as found.
    pub checksum: u16,
    /// Sender.
    pub source: Ipv4Addr,
    /// Receiver.
    pub destination: Ipv4Addr,
    /// Options, a multiple of four octets, 40 at most.
    pub options: &'a [u8],
}

impl<'a> Header<'a> {
    /// Reads the header.
    ///
    /// # Errors
    /// [`Malformed`] if the octets end, if the version is not 4, or if one of the two lengths is shorter than the
    /// header.
    pub fn parse(r: &mut Reader<'a>) -> Result<Self, Malformed> {
        let first = r.u8()?;
        if first >> 4 != 4 {
            return Err(r.illegal("version", 1, first >> 4));
        }
        let header_length = usize::from(first & 0x0F).saturating_mul(4);
        let Some(options_length) = header_length.checked_sub(FIXED_OCTETS) else {
            return Err(r.illegal("header length in words", 1, first & 0x0F));
        };
        let service = r.u8()?;
        let total_length = r.u16_be()?;
        if usize::from(total_length) < header_length {
            return Err(r.illegal("total length", 2, total_length));
        }
        Ok(Self {
            service,
            total_length,
            identification: r.u16_be()?,
            fragment: r.u16_be()?,
            time_to_live: r.u8()?,
            protocol: r.u8()?,
            checksum: r.u16_be()?,
            source: r.array::<4>()?.into(),
            destination: r.array::<4>()?.into(),
            options: r.take(options_length)?,
        })
    }

    /// Appends the header with its fields as they are.
    ///
    /// # Errors
    /// [`Malformed`] if the options are not a multiple of four octets or longer than 40.
    pub fn emit(&self, out: &mut Vec<u8>) -> Result<(), Malformed> {
        let words = self.header_words()?;
        out.extend([0x40 | words, self.service]);
        out.extend(self.total_length.to_be_bytes());
        out.extend(self.identification.to_be_bytes());
        out.extend(self.fragment.to_be_bytes());
        out.extend([self.time_to_live, self.protocol]);
        out.extend(self.checksum.to_be_bytes());
        out.extend(self.source.octets());
        out.extend(self.destination.octets());
        out.extend(self.options);
        Ok(())
    }

    /// Octets behind the header that belong to this packet.
    pub fn payload_length(&self) -> usize {
        usize::from(self.total_length).saturating_sub(FIXED_OCTETS).saturating_sub(self.options.len())
    }

    /// Whether the payload is only a part of a packet.
    pub const fn is_fragment(&self) -> bool {
        self.fragment & 0x3FFF != 0
    }

    /// The checksum that the other fields call for.
    ///
    /// # Errors
    /// As [`Header::emit`].
    pub fn checksum_due(&self) -> Result<u16, Malformed> {
        let mut octets = Vec::with_capacity(60);
        Self { checksum: 0, ..*self }.emit(&mut octets)?;
        Ok(Sum::default().add(&octets).complement())
    }

    fn header_words(&self) -> Result<u8, Malformed> {
        let length = self.options.len();
        match u8::try_from(length / 4) {
            Ok(words @ 0..=10) if length.is_multiple_of(4) => Ok(words.saturating_add(5)),
            _ => {
                let value = u64::try_from(length).unwrap_or(u64::MAX);
                Err(Malformed {
                    layer: LAYER,
                    offset: 20,
                    problem: Problem::Illegal { field: "options length", value },
                })
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // The header worked through in the encyclopaedia article "Internet checksum" (IPv4 section): checksum b861.
    const WORKED: &[u8] = &[
        0x45, 0x00, 0x00, 0x73, 0x00, 0x00, 0x40, 0x00, 0x40, 0x11, 0xB8, 0x61, 0xC0, 0xA8, 0x00, 0x01, 0xC0, 0xA8,
        0x00, 0xC7,
    ];

    fn worked() -> Header<'static> {
        Header {
            service: 0,
            total_length: 115,
            identification: 0,
            fragment: 0x4000,
            time_to_live: 64,
            protocol: 17,
            checksum: 0xB861,
            source: [192, 168, 0, 1].into(),
            destination: [192, 168, 0, 199].into(),
            options: &[],
        }
    }

    fn parse(octets: &[u8]) -> Result<Header<'_>, Malformed> {
        Header::parse(&mut Reader::new(LAYER, octets))
    }

    #[test]
    fn headers_read_and_write() {
        // The second row is the first with one word of options (RFC 791: no operation), coded by hand.
        let mut with_options = [WORKED, &[1, 1, 1, 0]].concat();
        with_options[0] = 0x46;
        for (octets, header) in [(WORKED, worked()), (&with_options, Header { options: &[1, 1, 1, 0], ..worked() })] {
            assert_eq!(parse(octets), Ok(header));
            assert_eq!(header.payload_length(), 115 - octets.len());
            assert!(!header.is_fragment());
            let mut out = Vec::new();
            header.emit(&mut out).unwrap();
            assert_eq!(out, octets);
            for cut in 0..octets.len() {
                assert!(matches!(parse(&octets[..cut]), Err(Malformed { layer: LAYER, .. })), "{cut}");
            }
        }
    }

    #[test]
    fn the_checksum_of_the_worked_header() {
        assert_eq!(Header { checksum: 0, ..worked() }.checksum_due(), Ok(0xB861));
        assert_ne!(Header { time_to_live: 63, ..worked() }.checksum_due(), Ok(0xB861));
    }

    #[test]
    fn fragments_are_told_from_whole_packets() {
        // RFC 791: more fragments with offset 0 is the first, an offset without it the last.
        for (word, fragment) in [(0x0000, false), (0x4000, false), (0x8000, false), (0x2000, true), (0x00B9, true)] {
            assert_eq!(Header { fragment: word, ..worked() }.is_fragment(), fragment, "{word:04x}");
        }
    }

    #[test]
    fn lengths_and_versions_that_cannot_be() {
        for (place, value, text) in [
            (0, 0x65, "IPv4: version at octet 0 is 0x6"),
            (0, 0x44, "IPv4: header length in words at octet 0 is 0x4"),
            (3, 0x13, "IPv4: total length at octet 2 is 0x13"),
        ] {
            let mut octets = WORKED.to_vec();
            octets[place] = value;
            assert_eq!(parse(&octets).unwrap_err().to_string(), text);
        }
        for length in [3, 44] {
            let options = vec![0; length];
            assert!(Header { options: &options, ..worked() }.emit(&mut Vec::new()).is_err());
        }
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            words in 0_usize..=10, fill: u8, fields: (u8, u16, u16, u16, u8, u8, u16),
            source: [u8; 4], destination: [u8; 4]
        ) {
            let options = vec![fill; words * 4];
            let (service, length, identification, fragment, time_to_live, protocol, checksum) = fields;
            let header = Header {
                service, total_length: length.max(60), identification, fragment, time_to_live, protocol, checksum,
                source: source.into(), destination: destination.into(), options: &options,
            };
            let mut out = Vec::new();
            header.emit(&mut out).unwrap();
            prop_assert_eq!(parse(&out), Ok(header));
        }
    }
}

//! The IPv6 header and the extension headers before the payload.
//!
//! Source: RFC 8200 sections 3 (header), 4.3, 4.4, 4.6 (skipped extension headers), 4.5 (fragments).
//!
//! ```text
//! offset length name           coding
//! 0      4      version ..     big endian: b31..28 = 6, b27..20 traffic class, b19..0 flow label
//! 4      2      payload length big endian, octets behind this header; what follows is Ethernet padding
//! 6      1      next header    17 = UDP, 0 / 43 / 60 hop-by-hop, routing, destination options, 44 fragment
//! 7      1      hop limit
//! 8      16     source
//! 24     16     destination
//!
//! extension header             fragment header
//! 0  1  next header            0  1  next header
//! 1  1  length, 8-octet units  1  1  reserved
//!       behind the first eight 2  2  big endian: b15..3 offset in 8-octet units, b0 more fragments
//! 2  .. contents, not decoded  4  4  identification
//! ```
//!
//! Fragments are recognised and not put together; one that is the whole packet (offset 0, no more) is passed like any
//! extension header, as section 4.5 asks. Payloads above 65 535 octets (payload length 0 with an option) do not occur
//! on the networks of a machine and read as cut. Extension headers are not written.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::net::Ipv6Addr;

use crate::bytes::{Malformed, Reader};

/// Name of the layer in a [`Malformed`].
pub const LAYER: &str = "IPv6";

/// Name of the extension headers in a [`Malformed`].
pub const EXTENSION_LAYER: &str = "IPv6 extension headers";

/// EtherType of IPv6.
pub const ETHER_TYPE: u16 = 0x86DD;

/// An IPv6 header.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Header {
    /// Differentiated services and congestion bits.
    pub traffic_class: u8,
    /// Flow label, 20 bits.
    pub flow_label: u32,
    /// Octets behind this header, extension headers included.
    pub payload_length: u16,
    /// What follows this header.
    pub next_header: u8,
    /// Routers that may still be passed.
    pub hop_limit: u8,
    /// Sender.
    pub source: Ipv6Addr,
    /// Receiver.
    pub destination: Ipv6Addr,
}

impl Header {
    /// Reads the header.
    ///
    /// # Errors
    /// [`Malformed`] if the octets end or the version is not 6.
    pub fn parse(r: &mut Reader<'_>) -> Result<Self, Malformed> {
        let first = r.u32_be()?;
        if first >> 28 != 6 {
            return Err(r.illegal("version", 4, first >> 28));
        }
        let [traffic_class, ..] = (first << 4).to_be_bytes();
        Ok(Self {
            traffic_class,
            flow_label: first & 0x000F_FFFF,
            payload_length: r.u16_be()?,
            next_header: r.u8()?,
            hop_limit: r.u8()?,
            source: r.array::<16>()?.into(),
            destination: r.array::<16>()?.into(),
        })
    }

    /// Appends the header with its fields as they are; of the flow label 20 bits.
    pub fn emit(&self, out: &mut Vec<u8>) {
        let first = 6 << 28 | u32::from(self.traffic_class) << 20 | self.flow_label & 0x000F_FFFF;
        out.extend(first.to_be_bytes());
        out.extend(self.payload_length.to_be_bytes());
        out.extend([self.next_header, self.hop_limit]);
        out.extend(self.source.octets());
        out.extend(self.destination.octets());
    }
}

/// What stands behind the extension headers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Upper {
    /// A payload of this protocol.
    Protocol(u8),
    /// A part of a packet.
    Fragment,
}

/// Passes the extension headers that begin with one of kind `next_header` and stops at the payload.
///
/// # Errors
/// [`Malformed`] if the octets end inside an extension header.
pub fn skip_extensions(mut next_header: u8, r: &mut Reader<'_>) -> Result<Upper, Malformed> {
    loop {
        match next_header {
            // Hop-by-hop, routing, destination options.
            0 | 43 | 60 => {
                next_header = r.u8()?;
                let eights = usize::from(r.u8()?);
                r.take(eights.saturating_mul(8).saturating_add(6))?;
            }
            44 => {
                next_header = r.u8()?;
                r.u8()?;
                let place = r.u16_be()?;
                r.u32_be()?;
                if place & 0xFFF9 != 0 {
                    return Ok(Upper::Fragment);
                }
            }
            protocol => return Ok(Upper::Protocol(protocol)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // Coded by hand from RFC 8200 section 3; addresses from the documentation range of RFC 3849.
    const OCTETS: &[u8] = &[
        0x6A, 0xB1, 0x23, 0x45, 0x00, 0x08, 0x11, 0x40, //
        0x20, 0x01, 0x0D, 0xB8, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, //
        0x20, 0x01, 0x0D, 0xB8, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2,
    ];

    fn header() -> Header {
        Header {
            traffic_class: 0xAB,
            flow_label: 0x12345,
            payload_length: 8,
            next_header: 17,
            hop_limit: 64,
            source: "2001:db8::1".parse().unwrap(),
            destination: "2001:db8::2".parse().unwrap(),
        }
    }

    #[test]
    fn headers_read_and_write() {
        assert_eq!(Header::parse(&mut Reader::new(LAYER, OCTETS)), Ok(header()));
        let mut out = Vec::new();
        header().emit(&mut out);
        assert_eq!(out, OCTETS);
        for cut in 0..OCTETS.len() {
            assert!(Header::parse(&mut Reader::new(LAYER, &OCTETS[..cut])).is_err(), "{cut}");
        }
        let mut other = OCTETS.to_vec();
        other[0] = 0x4A;
        let error = Header::parse(&mut Reader::new(LAYER, &other)).unwrap_err();
        assert_eq!(error.to_string(), "IPv6: version at octet 0 is 0x4");
    }

    #[test]
    fn extension_headers_are_passed() {
        // Coded by hand from RFC 8200: hop-by-hop (8 octets), routing (16), destination options (8), whole fragment
        // (8).
        let chain = [
            &[43, 0, 1, 4, 0, 0, 0, 0][..],
            &[60, 1, 0, 0, 9, 9, 9, 9, 9, 9, 9, 9, 9, 9, 9, 9],
            &[44, 0, 1, 4, 0, 0, 0, 0],
            &[17, 0, 0, 0, 1, 2, 3, 4],
            &[0xAA],
        ]
        .concat();
        let mut r = Reader::new(EXTENSION_LAYER, &chain);
        assert_eq!(skip_extensions(0, &mut r), Ok(Upper::Protocol(17)));
        assert_eq!(r.rest(), [0xAA]);
        for cut in 0..chain.len() - 1 {
            assert!(skip_extensions(0, &mut Reader::new(EXTENSION_LAYER, &chain[..cut])).is_err(), "{cut}");
        }
        let mut r = Reader::new(EXTENSION_LAYER, &chain);
        assert_eq!((skip_extensions(6, &mut r), r.offset()), (Ok(Upper::Protocol(6)), 0));
    }

    #[test]
    fn fragments_are_told_from_whole_packets() {
        // RFC 8200 section 4.5: first (more), middle and last (offset) fragment; the two reserved bits say nothing.
        for (word, upper) in [
            (0x0001_u16, Upper::Fragment),
            (0x0009, Upper::Fragment),
            (0x0008, Upper::Fragment),
            (0x0006, Upper::Protocol(17)),
        ] {
            let [high, low] = word.to_be_bytes();
            let octets = [17, 0, high, low, 0, 0, 0, 1];
            assert_eq!(skip_extensions(44, &mut Reader::new(EXTENSION_LAYER, &octets)), Ok(upper), "{word:04x}");
        }
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            traffic_class: u8, flow_label in 0_u32..1 << 20, payload_length: u16, next_header: u8, hop_limit: u8,
            source: [u8; 16], destination: [u8; 16]
        ) {
            let header = Header {
                traffic_class, flow_label, payload_length, next_header, hop_limit,
                source: source.into(), destination: destination.into(),
            };
            let mut out = Vec::new();
            header.emit(&mut out);
            prop_assert_eq!(Header::parse(&mut Reader::new(LAYER, &out)), Ok(header));
        }
    }
}

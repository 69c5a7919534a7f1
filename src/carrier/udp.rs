//! The UDP datagram.
//!
//! Source: RFC 768; the pseudo header of the checksum over IPv6 is RFC 8200 section 8.1.
//!
//! ```text
//! offset length name             coding
//! 0      2      source port      big endian
//! 2      2      destination port big endian
//! 4      2      length           big endian, octets of header and payload
//! 6      2      checksum         RFC 1071 over pseudo header, header and payload; 0xFFFF for 0, 0 = none (IPv4)
//! 8      ..     payload
//! ```
//!
//! The checksum is verified apart from parsing: a capture taken on the sender shows it before the network card has
//! filled it in, and a Type 12 device that changes a datagram in passing does not keep it up.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use super::checksum::Sum;
use crate::bytes::{Malformed, Problem, Reader};

/// Name of the layer in a [`Malformed`].
pub const LAYER: &str = "UDP";

/// Protocol number of UDP in IPv4 and IPv6.
pub const PROTOCOL: u8 = 17;

const HEADER_OCTETS: u16 = 8;

/// The header of a datagram.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Header {
    /// Port of the sender.
    pub source_port: u16,
    /// Port of the receiver.
    pub destination_port: u16,
    /// Octets of header and payload.
    pub length: u16,
    /// Checksum as found.
    pub checksum: u16,
}

impl Header {
    /// Reads the header.
    ///
    /// # Errors
    /// [`Malformed`] if the octets end or the length is shorter than the header.
    pub fn parse(r: &mut Reader<'_>) -> Result<Self, Malformed> {
        let source_port = r.u16_be()?;
        let destination_port = r.u16_be()?;
        let length = r.u16_be()?;
        if length < HEADER_OCTETS {
            return Err(r.illegal("length", 2, length));
        }
        Ok(Self { source_port, destination_port, length, checksum: r.u16_be()? })
    }

    /// Appends the header with its fields as they are.
    pub fn emit(&self, out: &mut Vec<u8>) {
        out.extend(self.source_port.to_be_bytes());
        out.extend(self.destination_port.to_be_bytes());
        out.extend(self.length.to_be_bytes());
        out.extend(self.checksum.to_be_bytes());
    }

    /// Octets behind the header that belong to this datagram.
    pub fn payload_length(&self) -> usize {
        usize::from(self.length.saturating_sub(HEADER_OCTETS))
    }
}

/// The two addresses of a datagram, always of one family.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Addresses {
    /// Over IPv4.
    V4 {
        /// Sender.
        source: Ipv4Addr,
        /// Receiver.
        destination: Ipv4Addr,
    },
    /// Over IPv6.
    V6 {
        /// Sender.
        source: Ipv6Addr,
        /// Receiver.
        destination: Ipv6Addr,
    },
}

/// A datagram with the addresses it travelled between.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Datagram<'a> {
    /// Both addresses.
    pub addresses: Addresses,
    /// Port of the sender.
    pub source_port: u16,
    /// Port of the receiver.
    pub destination_port: u16,
    /// Checksum as found; see [`Datagram::verify`].
    pub checksum: u16,
    /// What the datagram carries.
    pub payload: &'a [u8],
}

impl<'a> Datagram<'a> {
    /// Reads a datagram; octets behind its length are left.
    ///
    /// # Errors
    /// [`Malformed`] if the octets end or the length is shorter than the header.
    pub fn parse(addresses: Addresses, r: &mut Reader<'a>) -> Result<Self, Malformed> {
        let header = Header::parse(r)?;
        let payload = r.take(header.payload_length())?;
        let Header { source_port, destination_port, checksum, .. } = header;
        Ok(Self { addresses, source_port, destination_port, checksum, payload })
    }

    /// Appends header and payload with the fields as they are.
    ///
    /// # Errors
    /// [`Malformed`] if the payload is longer than 65 527 octets.
    pub fn emit(&self, out: &mut Vec<u8>) -> Result<(), Malformed> {
        self.header()?.emit(out);
        out.extend(self.payload);
        Ok(())
    }

    /// Address of the sender.
    pub const fn source(&self) -> IpAddr {
        match self.addresses {
            Addresses::V4 { source, .. } => IpAddr::V4(source),
            Addresses::V6 { source, .. } => IpAddr::V6(source),
        }
    }

    /// Address of the receiver.
    pub const fn destination(&self) -> IpAddr {
        match self.addresses {
            Addresses::V4 { destination, .. } => IpAddr::V4(destination),
            Addresses::V6 { destination, .. } => IpAddr::V6(destination),
        }
    }

    /// Whether the checksum fits, or is left out where that is allowed.
    pub fn verify(&self) -> bool {
        let left_out = self.checksum == 0 && matches!(self.addresses, Addresses::V4 { .. });
        left_out || self.checksum_due() == Ok(self.checksum)
    }

    /// The checksum that the other fields call for.
    ///
    /// # Errors
    /// As [`Datagram::emit`].
    pub fn checksum_due(&self) -> Result<u16, Malformed> {
        let header = Header { checksum: 0, ..self.header()? };
        let mut octets = Vec::with_capacity(usize::from(HEADER_OCTETS));
        header.emit(&mut octets);
        let addresses = match self.addresses {
            Addresses::V4 { source, destination } => Sum::default().add(&source.octets()).add(&destination.octets()),
            Addresses::V6 { source, destination } => Sum::default().add(&source.octets()).add(&destination.octets()),
        };
        // Both pseudo headers add the protocol and the length; their widths and zeros do not change the sum.
        let pseudo = addresses.add(&[0, PROTOCOL]).add(&header.length.to_be_bytes());
        match pseudo.add(&octets).add(self.payload).complement() {
            0 => Ok(0xFFFF),
            checksum => Ok(checksum),
        }
    }

    fn header(&self) -> Result<Header, Malformed> {
        let octets = self.payload.len().saturating_add(usize::from(HEADER_OCTETS));
        let length = u16::try_from(octets).map_err(|_| Malformed {
            layer: LAYER,
            offset: 4,
            problem: Problem::Illegal { field: "length", value: u64::try_from(octets).unwrap_or(u64::MAX) },
        })?;
        let Self { source_port, destination_port, checksum, .. } = *self;
        Ok(Header { source_port, destination_port, length, checksum })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // RFC 5737 and RFC 3849 documentation addresses.
    const V4: Addresses =
        Addresses::V4 { source: Ipv4Addr::new(192, 0, 2, 1), destination: Ipv4Addr::new(192, 0, 2, 2) };
    const V6: Addresses = Addresses::V6 {
        source: Ipv6Addr::new(0x2001, 0xDB8, 0, 0, 0, 0, 0, 1),
        destination: Ipv6Addr::new(0x2001, 0xDB8, 0, 0, 0, 0, 0, 2),
    };

    // Laid out by hand from RFC 768; the checksums were worked out by a separate script, not by this crate.
    const OVER_V4: &[u8] = &[0xC0, 0x00, 0x12, 0xE8, 0x00, 0x0B, 0xA4, 0xE9, 1, 2, 3];
    const OVER_V6: &[u8] = &[0xC0, 0x00, 0x12, 0xE8, 0x00, 0x0B, 0xCD, 0x78, 1, 2, 3];

    fn datagram(addresses: Addresses, checksum: u16) -> Datagram<'static> {
        Datagram { addresses, source_port: 49_152, destination_port: 4_840, checksum, payload: &[1, 2, 3] }
    }

    #[test]
    fn datagrams_read_and_write() {
        for (octets, value) in [(OVER_V4, datagram(V4, 0xA4E9)), (OVER_V6, datagram(V6, 0xCD78))] {
            let followed = [octets, &[9, 9]].concat();
            let mut r = Reader::new(LAYER, &followed);
            assert_eq!(Datagram::parse(value.addresses, &mut r), Ok(value));
            assert_eq!(r.rest(), [9, 9]);
            let mut out = Vec::new();
            value.emit(&mut out).unwrap();
            assert_eq!(out, octets);
            for cut in 0..octets.len() {
                assert!(Datagram::parse(V4, &mut Reader::new(LAYER, &octets[..cut])).is_err(), "{cut}");
            }
        }
    }

    #[test]
    fn checksums_are_verified_apart() {
        assert!(datagram(V4, 0xA4E9).verify() && datagram(V6, 0xCD78).verify());
        assert!(datagram(V4, 0).verify(), "left out over IPv4");
        assert!(!datagram(V6, 0).verify(), "may not be left out over IPv6 (RFC 8200 section 8.1)");
        assert!(!datagram(V4, 0xA4EA).verify());
        // This payload, found by the same script, makes the sum all ones: sent as FFFF instead of 0.
        let zero = Datagram { payload: &[0xA8, 0xED], ..datagram(V4, 0xFFFF) };
        assert_eq!((zero.checksum_due(), zero.verify()), (Ok(0xFFFF), true));
    }

    #[test]
    fn lengths_that_cannot_be() {
        let mut octets = OVER_V4.to_vec();
        octets[5] = 7;
        let error = Datagram::parse(V4, &mut Reader::new(LAYER, &octets)).unwrap_err();
        assert_eq!(error.to_string(), "UDP: length at octet 4 is 0x7");
        let payload = vec![0; 65_528];
        let long = Datagram { payload: &payload, ..datagram(V4, 0) };
        assert!(long.emit(&mut Vec::new()).is_err() && long.checksum_due().is_err() && long.verify());
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            ports: (u16, u16), checksum: u16, payload in prop::collection::vec(any::<u8>(), 0..64)
        ) {
            let value = Datagram {
                addresses: V4, source_port: ports.0, destination_port: ports.1, checksum, payload: &payload,
            };
            let mut out = Vec::new();
            value.emit(&mut out).unwrap();
            prop_assert_eq!(Datagram::parse(V4, &mut Reader::new(LAYER, &out)), Ok(value));
        }
    }
}

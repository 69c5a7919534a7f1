//! The headers of an Ethernet frame: addresses, tags, EtherType.
//!
//! Source: IEEE 802.3 clause 3.2 (frame format, length/type field, minimum frame size); tags see [`vlan`](super::vlan).
//!
//! ```text
//! offset length name        coding
//! 0      6      destination MAC address
//! 6      6      source      MAC address
//! 12     0..    tags        4 octets each, see vlan
//! 12+    2      type        big endian: 0x0600 and up an EtherType, below a length (802.3 frame)
//! 14+    ..     payload     padded with zeros so that the frame has 60 octets before its check sequence
//! ```
//!
//! Preamble and frame check sequence are not in a capture. Where a capture does keep the check sequence it is taken for
//! padding, see [`type10`](super::type10) for the one carrier that this hurts.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::fmt;

use super::vlan::Tags;
use crate::bytes::{Malformed, Reader};

/// Name of the layer in a [`Malformed`].
pub const LAYER: &str = "Ethernet";

/// Octets that a frame has at least, without its check sequence.
pub const MINIMUM: usize = 60;

/// A MAC address.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub struct Mac(pub [u8; 6]);

impl fmt::Display for Mac {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [a, b, c, d, e, g] = self.0;
        write!(f, "{a:02x}:{b:02x}:{c:02x}:{d:02x}:{e:02x}:{g:02x}")
    }
}

/// Everything before the payload of a frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Headers {
    /// Address of the receiver.
    pub destination: Mac,
    /// Address of the sender.
    pub source: Mac,
    /// VLAN tags, outermost first.
    pub tags: Tags,
    /// EtherType behind the tags, or a length if it [`is_length`].
    pub ether_type: u16,
}

impl Headers {
    /// Reads the headers.
    ///
    /// # Errors
    /// [`Malformed`] if the octets end.
    pub fn parse(r: &mut Reader<'_>) -> Result<Self, Malformed> {
        Ok(Self {
            destination: Mac(r.array()?),
            source: Mac(r.array()?),
            tags: Tags::parse(r)?,
            ether_type: r.u16_be()?,
        })
    }

    /// Appends the headers.
    pub fn emit(&self, out: &mut Vec<u8>) {
        out.extend(self.destination.0);
        out.extend(self.source.0);
        self.tags.emit(out);
        out.extend(self.ether_type.to_be_bytes());
    }
}

/// Whether the length/type field counts octets (IEEE 802.3) and names no protocol.
pub const fn is_length(ether_type: u16) -> bool {
    ether_type < 0x0600
}

/// Appends zeros to a whole frame until it has the minimum size.
pub fn pad(frame: &mut Vec<u8>) {
    if frame.len() < MINIMUM {
        frame.resize(MINIMUM, 0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carrier::vlan::Tag;
    use proptest::prelude::*;

    const STATION: Mac = Mac([0x02, 0, 0, 0, 0, 0x0A]);
    const GROUP: Mac = Mac([0x03, 0, 0, 0, 0, 0xFF]);

    // Coded by hand from IEEE 802.3 clause 3.2 and 802.1Q clause 9.
    fn table() -> [(Vec<u8>, Headers); 2] {
        let macs = [3, 0, 0, 0, 0, 0xFF, 2, 0, 0, 0, 0, 0x0A];
        let plain = Headers { destination: GROUP, source: STATION, tags: Tags::default(), ether_type: 0x88A4 };
        let tagged = Headers { tags: [Tag::customer(6, 0)].into_iter().collect(), ether_type: 0x8892, ..plain };
        [
            ([&macs[..], &[0x88, 0xA4]].concat(), plain),
            ([&macs[..], &[0x81, 0x00, 0xC0, 0x00, 0x88, 0x92]].concat(), tagged),
        ]
    }

    #[test]
    fn headers_read_and_write() {
        for (octets, headers) in table() {
            let followed = [&octets[..], &[1, 2, 3]].concat();
            let mut r = Reader::new(LAYER, &followed);
            assert_eq!(Headers::parse(&mut r), Ok(headers));
            assert_eq!(r.rest(), [1, 2, 3]);
            let mut out = Vec::new();
            headers.emit(&mut out);
            assert_eq!(out, octets);
            for cut in 0..octets.len() {
                assert_eq!(Headers::parse(&mut Reader::new(LAYER, &octets[..cut])).unwrap_err().layer, LAYER);
            }
        }
    }

    #[test]
    fn lengths_and_types_part_at_0x0600() {
        // IEEE 802.3 clause 3.2.6: 1536 and above is a type.
        assert!(is_length(0x05DC) && is_length(0x05FF) && !is_length(0x0600) && !is_length(0x0800));
    }

    #[test]
    fn padding_reaches_the_minimum_and_leaves_longer_frames_alone() {
        let mut short = vec![7; 59];
        pad(&mut short);
        assert_eq!((short.len(), short[58], short[59]), (60, 7, 0));
        let mut long = vec![7; 61];
        pad(&mut long);
        assert_eq!(long, vec![7; 61]);
    }

    #[test]
    fn addresses_print_with_colons() {
        assert_eq!(STATION.to_string(), "02:00:00:00:00:0a");
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            destination: [u8; 6], source: [u8; 6], controls in prop::collection::vec(any::<u16>(), 0..=2),
            low in 0_u16..0x8100
        ) {
            let tags = controls.into_iter().map(|control| Tag { control, ..Tag::default() }).collect();
            let headers = Headers { destination: Mac(destination), source: Mac(source), tags, ether_type: low };
            let mut out = Vec::new();
            headers.emit(&mut out);
            prop_assert_eq!(Headers::parse(&mut Reader::new(LAYER, &out)), Ok(headers));
        }
    }
}

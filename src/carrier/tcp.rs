//! The TCP segment, each for itself: streams are not put together.
//!
//! Source: RFC 9293 section 3.1.
//!
//! ```text
//! offset length name
//! 0      2      source port, big endian
//! 2      2      destination port, big endian
//! 4      8      sequence and acknowledgment number
//! 12     1      high nibble: header length in units of 4 octets
//! 13     7      flags, window, checksum, urgent pointer
//! 20     ..     options up to the header length, then data
//! ```

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::bytes::{Malformed, Reader};

/// Name of the layer in a [`Malformed`].
pub const LAYER: &str = "TCP";

/// Protocol number of TCP in IPv4 and IPv6.
pub const PROTOCOL: u8 = 6;

const FIXED_OCTETS: usize = 20;

/// What a segment carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Segment<'a> {
    /// Port of the sender.
    pub source_port: u16,
    /// Port of the receiver.
    pub destination_port: u16,
    /// Its data, without a header of their own.
    pub data: &'a [u8],
}

impl<'a> Segment<'a> {
    /// Reads a segment that extends to the end of the octets.
    ///
    /// # Errors
    /// [`Malformed`] if the octets end within the header, or the header length is below that of its fixed part.
    pub fn parse(octets: &'a [u8]) -> Result<Self, Malformed> {
        let mut r = Reader::new(LAYER, octets);
        let (source_port, destination_port) = (r.u16_be()?, r.u16_be()?);
        r.take(8)?;
        let length = r.u8()?;
        let Some(options) = usize::from(length >> 4).saturating_mul(4).checked_sub(FIXED_OCTETS) else {
            return Err(r.illegal("header length", 1, length));
        };
        r.take(7)?;
        r.take(options)?;
        Ok(Self { source_port, destination_port, data: r.rest() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Offsets as in RFC 9293, header length 6 units.
    #[test]
    fn ports_and_data_are_read_and_options_passed_over() {
        let mut octets = vec![0xAF, 0x12, 0x00, 0x50, 0, 0, 0, 1, 0, 0, 0, 2, 0x60, 0x18, 1, 0, 0, 0, 0, 0];
        octets.extend([2, 4, 5, 0xB4, 7, 8, 9]);
        let segment = Segment { source_port: 0xAF12, destination_port: 80, data: &[7, 8, 9] };
        assert_eq!(Segment::parse(&octets), Ok(segment));
        for cut in 0..24 {
            assert!(Segment::parse(&octets[..cut]).is_err(), "{cut}");
        }
        octets[12] = 0x40;
        assert_eq!(Segment::parse(&octets).unwrap_err().layer, LAYER);
    }
}

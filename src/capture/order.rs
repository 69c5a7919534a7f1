//! The two orders in which a capture may store its numbers.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::summary::ByteOrder;
use crate::bytes::{Malformed, Reader};

/// Byte order of a pcap file or of one pcapng section.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Endian {
    Little,
    Big,
}

impl Endian {
    pub(super) fn u16(self, r: &mut Reader) -> Result<u16, Malformed> {
        match self {
            Self::Little => r.u16_le(),
            Self::Big => r.u16_be(),
        }
    }

    pub(super) fn u32(self, r: &mut Reader) -> Result<u32, Malformed> {
        match self {
            Self::Little => r.u32_le(),
            Self::Big => r.u32_be(),
        }
    }

    /// The number that four octets hold.
    pub(super) const fn word(self, octets: [u8; 4]) -> u32 {
        match self {
            Self::Little => u32::from_le_bytes(octets),
            Self::Big => u32::from_be_bytes(octets),
        }
    }

    pub(super) const fn i64(self, octets: [u8; 8]) -> i64 {
        match self {
            Self::Little => i64::from_le_bytes(octets),
            Self::Big => i64::from_be_bytes(octets),
        }
    }
}

impl From<Endian> for ByteOrder {
    fn from(endian: Endian) -> Self {
        match endian {
            Endian::Little => Self::Little,
            Endian::Big => Self::Big,
        }
    }
}

//! CRC_i as a sum of table entries: the checks of a capture spend most of their time here.
//!
//! Message of CRC_0, with one or two data octets: inherited CRC_0 (2), connection ID (2), sequence number (2), command, data,
//! three zeros. Message of the others: the same with the index (2) between command and data.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Command, Key};
use crate::telegram::distance;

/// The longest message has 14 octets.
static SUM: [[u16; 256]; 14] = distance::tables_16(super::POLYNOMIAL);

/// What an octet of key or command adds to CRC_0 (high half) and to the others, by how many such octets stand behind it.
static BOTH: [[u32; 256]; 7] = both_tables();

#[expect(clippy::indexing_slicing, clippy::arithmetic_side_effects, reason = "computed by the compiler")]
const fn both_tables() -> [[u32; 256]; 7] {
    let mut tables = [[0; 256]; 7];
    let mut k = 0;
    while k < 7 {
        let mut octet = 0;
        while octet < 256 {
            let ([high, low], [further_high, further_low]) =
                (SUM[k + 5][octet].to_be_bytes(), SUM[k + 7][octet].to_be_bytes());
            tables[k][octet] = u32::from_be_bytes([high, low, further_high, further_low]);
            octet += 1;
        }
        k += 1;
    }
    tables
}

/// [`BOTH`] of `octet` with `K` octets of key and command behind it.
#[expect(clippy::indexing_slicing, reason = "every K in this file is below 7, and an octet below 256")]
fn both<const K: usize>(octet: u8) -> u32 {
    const { assert!(K < 7) };
    BOTH[K][usize::from(octet)]
}

/// What `octet` adds with `K` octets behind it.
#[expect(clippy::indexing_slicing, reason = "every K in this file is below 14, and an octet below 256")]
fn term<const K: usize>(octet: u8) -> u16 {
    const { assert!(K < 14) };
    SUM[K][usize::from(octet)]
}

/// CRC_0 of `data` (one or two octets).
pub(super) fn first_crc(key: Key, command: Command, data: &[u8]) -> u16 {
    match *data {
        [a, b, ..] => {
            let [i, j] = key.inherited.to_le_bytes();
            let [c, d] = key.connection_id.to_le_bytes();
            let [s, t] = key.sequence.to_le_bytes();
            let key = term::<11>(i) ^ term::<10>(j) ^ term::<9>(c) ^ term::<8>(d) ^ term::<7>(s) ^ term::<6>(t);
            key ^ term::<5>(command.octet()) ^ term::<4>(a) ^ term::<3>(b)
        }
        _ => {
            let [i, j] = key.inherited.to_le_bytes();
            let [c, d] = key.connection_id.to_le_bytes();
            let [s, t] = key.sequence.to_le_bytes();
            let key = term::<10>(i) ^ term::<9>(j) ^ term::<8>(c) ^ term::<7>(d) ^ term::<6>(s) ^ term::<5>(t);
            key ^ term::<4>(command.octet()) ^ data.first().map_or(0, |a| term::<3>(*a))
        }
    }
}

/// What key and command add to the CRCs of a telegram with two or more octets of data.
#[derive(Clone, Copy)]
pub(super) struct Head {
    /// To CRC_0.
    first: u16,
    /// To all others.
    further: u16,
}

/// The part of a [`Head`] that all telegrams of a connection with the same command have in common.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Common(u32);

/// What connection ID and command add.
pub(super) fn common(connection_id: u16, command: Command) -> Common {
    let [c, d] = connection_id.to_le_bytes();
    Common(both::<4>(c) ^ both::<3>(d) ^ both::<0>(command.octet()))
}

/// What key and command of a telegram with two or more octets of data add to its CRCs.
pub(super) fn head(Common(common): Common, inherited: u16, sequence: u16) -> Head {
    let ([i, j], [s, t]) = (inherited.to_le_bytes(), sequence.to_le_bytes());
    let [first_high, first_low, high, low] =
        (both::<6>(i) ^ both::<5>(j) ^ both::<2>(s) ^ both::<1>(t) ^ common).to_be_bytes();
    Head { first: u16::from_be_bytes([first_high, first_low]), further: u16::from_be_bytes([high, low]) }
}

impl Head {
    /// CRC_i of two octets of data, `segment` = i.
    pub(super) fn crc(self, segment: u8, [a, b]: [u8; 2]) -> u16 {
        if segment == 0 { self.first ^ term::<4>(a) ^ term::<3>(b) } else { self.further_crc(segment, [a, b]) }
    }

    /// The same for i > 0. No telegram has so many segments that its index needs the second of its octets.
    pub(super) fn further_crc(self, segment: u8, [a, b]: [u8; 2]) -> u16 {
        self.further ^ term::<6>(segment) ^ term::<4>(a) ^ term::<3>(b)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::telegram::fscp_12_1::CRC;
    use proptest::prelude::*;

    proptest! {
        /// Oracle: the message put together and fed to the `crc` crate.
        #[test]
        fn sums_are_the_crcs_of_whole_messages(
            inherited: u16, connection_id: u16, sequence: u16, octet: u8, segment in 1_u8.., data: [u8; 2],
        ) {
            let (key, command) = (Key { inherited, connection_id, sequence }, Command::from_octet(octet));
            let mut message = Vec::new();
            message.extend(inherited.to_le_bytes());
            message.extend(connection_id.to_le_bytes());
            message.extend(sequence.to_le_bytes());
            message.push(octet);
            let crc = |rest: &[u8]| CRC.checksum(&[&message, rest, &[0; 3]].concat());
            prop_assert_eq!(first_crc(key, command, &data), crc(&data));
            prop_assert_eq!(first_crc(key, command, &data[..1]), crc(&data[..1]));
            let rest = [u16::from(segment).to_le_bytes(), data].concat();
            let head = head(common(connection_id, command), inherited, sequence);
            prop_assert_eq!(head.crc(segment, data), crc(&rest));
            prop_assert_eq!(head.crc(0, data), crc(&data));
        }
    }
}

//! CRC_i as a sum of table entries: the checks of a capture spend most of their time here.
//!
//! Message of CRC_0, with one or two data octets: inherited CRC_0 (2), connection ID (2), sequence number (2), command, data,
//! three zeros. Message of the others: the same with the index (2) between command and data.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Command, Key};
use crate::telegram::distance;

/// The longest message has 14 octets.
static SUM: [[u16; 256]; 14] = distance::tables_16(super::POLYNOMIAL);

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

/// What key and command add to every CRC but the first.
pub(super) fn further(key: Key, command: Command) -> u16 {
    let [i, j] = key.inherited.to_le_bytes();
    let [c, d] = key.connection_id.to_le_bytes();
    let [s, t] = key.sequence.to_le_bytes();
    let key = term::<13>(i) ^ term::<12>(j) ^ term::<11>(c) ^ term::<10>(d) ^ term::<9>(s) ^ term::<8>(t);
    key ^ term::<7>(command.octet())
}

/// CRC_i of two octets of data, `segment` = i > 0, from [`further`].
pub(super) fn further_crc(further: u16, segment: u16, [a, b]: [u8; 2]) -> u16 {
    let [low, high] = segment.to_le_bytes();
    further ^ term::<6>(low) ^ term::<5>(high) ^ term::<4>(a) ^ term::<3>(b)
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
            inherited: u16, connection_id: u16, sequence: u16, octet: u8, segment in 1_u16.., data: [u8; 2],
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
            let rest = [segment.to_le_bytes(), data].concat();
            prop_assert_eq!(further_crc(further(key, command), segment, data), crc(&rest));
        }
    }
}

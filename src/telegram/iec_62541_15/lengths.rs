//! How many octets of safety data a response has, by its CRC alone.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{CRC, SAFETY_DATA};

/// Numbers of octets of safety data with which the CRC of `trailer` (as long as [`TRAILER`]) fits: data that end where
/// `before` ends, and data that begin where `behind` begins. The replacement of a CRC of 0 by 1 is not tried.
///
/// [`TRAILER`]: super::Response::TRAILER
pub fn data_lengths(trailer: &[u8], before: &[u8], behind: &[u8]) -> [Vec<usize>; 2] {
    let Some((image, crc)) = trailer.split_last_chunk::<4>() else { return [Vec::new(), Vec::new()] };
    let crc = u32::from_le_bytes(*crc);
    let mut digest = CRC.digest();
    image.iter().rev().for_each(|octet| digest.update(&[*octet]));
    let after_trailer = digest.clone().finalize();
    let mut ending = Vec::new();
    for (octet, length) in before.iter().rev().zip(SAFETY_DATA) {
        digest.update(&[*octet]);
        if digest.clone().finalize() == crc {
            ending.push(length);
        }
    }
    // Data behind the trailer go in from their end, so the first octet is the last: the CRC is taken back from there.
    let mut register = crc;
    let mut beginning = Vec::new();
    for (octet, length) in behind.iter().zip(SAFETY_DATA) {
        register = back(register, *octet);
        if register == after_trailer {
            beginning.push(length);
        }
    }
    [ending, beginning]
}

/// The register before `octet` went in. The polynomial is odd, so the lowest bit tells whether it was added.
fn back(mut register: u32, octet: u8) -> u32 {
    for _ in 0..8 {
        let added = register & 1 == 1;
        register = (if added { register ^ CRC.algorithm.poly } else { register }) >> 1 | u32::from(added) << 31;
    }
    register ^ u32::from(octet) << 24
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::telegram::iec_62541_15::{Response, ResponseFlags, SpduIds};
    use proptest::prelude::*;

    proptest! {
        /// Oracle: the CRC of the whole response.
        #[test]
        fn the_length_is_found_on_both_sides(data in prop::collection::vec(any::<u8>(), 1..60), rest: [u8; 8], number: u32) {
            let response = Response {
                data: &data,
                flags: ResponseFlags(1),
                spdu_ids: SpduIds([1, 2, 3]),
                consumer_id: 4,
                monitoring_number: number,
                crc: 0,
            };
            let mut trailer = Vec::new();
            response.sealed().emit_trailer(&mut trailer);
            let [before, none] = data_lengths(&trailer, &[&rest[..], &data].concat(), &[]);
            prop_assert!(before.contains(&data.len()) && none.is_empty());
            let [none, behind] = data_lengths(&trailer, &[], &[&data, &rest[..]].concat());
            prop_assert!(behind.contains(&data.len()) && none.is_empty());
        }
    }

    #[test]
    fn a_trailer_of_another_length_has_none() {
        assert_eq!(data_lengths(&[1, 2, 3], &[0; 9], &[0; 9]), [Vec::<usize>::new(), Vec::new()]);
    }
}

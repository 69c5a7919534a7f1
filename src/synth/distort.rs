//! Bits inverted on purpose.
//!
//! Bit b of octet n of a telegram has the number 8 n + b, bit 0 the lowest. A burst of length l lies between two inverted bits whose
//! numbers differ by l - 1; what is between them is left to chance.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::dice::Dice;
use super::plan::FaultKind;
use super::{declared, fscp_13_1, iec_62541_15};
use crate::machine::{Direction, Profile};

/// Octets of `telegram` whose change only a CRC, or what repeats a field, shows: not those that say whose it is or what state its
/// sender is in, whose change is another fault.
pub(super) fn checked_octets(profile: &Profile, direction: Direction, telegram: &[u8]) -> Vec<usize> {
    let length = telegram.len();
    match profile {
        Profile::Fscp12_1(_) => (1..length.saturating_sub(2)).collect(),
        Profile::Fscp3_1(p) => {
            let flags = p.crc2.octets().saturating_add(1);
            (0..length).filter(|place| place.saturating_add(flags) != length).collect()
        }
        Profile::Fscp13_1(_) => fscp_13_1::corruptible(telegram),
        Profile::Iec62541_15(_) => iec_62541_15::corruptible(direction, length),
        Profile::Fscp2_1(p) => {
            let mode = p.is_data(direction).then_some(p.data);
            (0..length).filter(|place| Some(*place) != mode).collect()
        }
        Profile::Declared(p) => declared::checked_octets(p.of(direction)),
    }
}

/// How many bits a corruption of this kind can have at most in telegrams of `length` octets.
pub(super) fn room(profile: &Profile, direction: Direction, length: usize, kind: FaultKind) -> usize {
    let places = checked_octets(profile, direction, &vec![0; length]);
    let octets = match kind {
        FaultKind::Burst(_) => runs(&places).map(<[usize]>::len).max().unwrap_or(0),
        _ => places.len(),
    };
    octets.saturating_mul(8)
}

/// Numbers of the bits that a corruption of this kind inverts in the octets `places`, ascending; `None` if it has no room.
pub(super) fn bits(kind: FaultKind, places: &[usize], dice: &mut Dice) -> Option<Vec<usize>> {
    let mut bits = match kind {
        FaultKind::Burst(length) => burst(length.into(), places, dice)?,
        FaultKind::Bits(count) => some(count.into(), places, dice)?,
        _ => {
            let wanted = dice.index(3).saturating_add(1);
            some(wanted, places, dice)?
        }
    };
    bits.sort_unstable();
    Some(bits)
}

/// `telegram` with these bits inverted.
pub(super) fn inverted(telegram: &[u8], bits: &[usize]) -> Vec<u8> {
    let mut octets = telegram.to_vec();
    for bit in bits {
        if let Some(octet) = octets.get_mut(bit / 8) {
            *octet ^= 1_u8.rotate_left(u32::try_from(bit % 8).unwrap_or(0));
        }
    }
    octets
}

fn some(wanted: usize, places: &[usize], dice: &mut Dice) -> Option<Vec<usize>> {
    if wanted > places.len().saturating_mul(8) {
        return None;
    }
    let mut bits: Vec<usize> = Vec::new();
    while bits.len() < wanted {
        let place = places.get(dice.index(places.len())).copied().unwrap_or_default();
        let bit = place.saturating_mul(8).saturating_add(dice.index(8));
        if !bits.contains(&bit) {
            bits.push(bit);
        }
    }
    Some(bits)
}

fn burst(length: usize, places: &[usize], dice: &mut Dice) -> Option<Vec<usize>> {
    let starts: Vec<usize> = runs(places)
        .flat_map(|run| {
            let first = run.first().map_or(0, |place| place.saturating_mul(8));
            let room = run.len().saturating_mul(8).saturating_add(1).saturating_sub(length);
            first..first.saturating_add(room)
        })
        .collect();
    let start = *starts.get(dice.index(starts.len()))?;
    let last = start.saturating_add(length).saturating_sub(1);
    Some((start..=last).filter(|bit| *bit == start || *bit == last || dice.once_in(2)).collect())
}

/// The parts of `places`, ascending, that follow each other without a gap.
fn runs(places: &[usize]) -> impl Iterator<Item = &[usize]> {
    places.chunk_by(|place, next| place.saturating_add(1) == *next)
}

#[cfg(test)]
mod tests {
    use super::super::dice::{Concern, Dice};
    use super::*;

    #[test]
    fn as_many_bits_as_asked_for_in_the_octets_allowed() {
        let mut dice = Dice::new(1, Concern::Fault(0));
        let places = [0, 1, 2, 5, 6];
        for wanted in 1..=40 {
            let bits = bits(FaultKind::Bits(wanted), &places, &mut dice).unwrap();
            assert_eq!(bits.len(), usize::from(wanted));
            assert!(bits.windows(2).all(|two| two[0] < two[1]));
            assert!(bits.iter().all(|bit| places.contains(&(bit / 8))));
        }
        assert_eq!(bits(FaultKind::Bits(41), &places, &mut dice), None);
        assert_eq!(inverted(&[0, 0xFF], &[0, 7, 9]), [0x81, 0xFD]);
    }

    #[test]
    fn a_burst_has_its_length_and_crosses_no_gap() {
        let mut dice = Dice::new(2, Concern::Fault(0));
        let places = [0, 1, 2, 5, 6];
        let mut starts = std::collections::BTreeSet::new();
        for _ in 0..400 {
            for length in 2..=24 {
                let bits = bits(FaultKind::Burst(length), &places, &mut dice).unwrap();
                let (first, last) = (bits[0], bits[bits.len() - 1]);
                assert_eq!(last - first + 1, usize::from(length));
                assert!((first / 8..=last / 8).all(|octet| places.contains(&octet)));
                if length == 16 {
                    starts.insert(first);
                }
            }
        }
        assert_eq!(starts, (0..=8).chain([40]).collect());
        assert_eq!(bits(FaultKind::Burst(25), &places, &mut dice), None);
    }
}

//! FSCP 3/1 with a 3-octet CRC2: what telegrams tell about CRC1 and their numbers where neither is known.
//!
//! CRC2 is affine in all that is fed to it. XOR two telegrams of one direction: CRC1 cancels, data and flags can be taken off,
//! and what is left is due to the XOR of the two numbers alone. A step changes the number by `2^k - 1` (`k - 1` ones become
//! zeros, the zero above becomes a one), so each step tells the low `k` bits of the number. Each value of CRC1 gives every
//! telegram one number; the bits that are known leave few values, and a telegram under number 0 leaves one.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::sync::LazyLock;

use super::fscp_3_1::{Flags, Telegram, crc2};
use super::solve::Solver;

/// A linear map of 24 bits, by octets.
pub struct Map([[u32; 256]; 3]);

impl Map {
    /// The map that takes each of the 24 bits where `column` says.
    pub fn new(column: impl Fn(u32) -> u32) -> Self {
        let columns: Vec<u32> = (0..24_u32).map(|bit| column(1_u32.checked_shl(bit).unwrap_or(0))).collect();
        let mut tables = [[0_u32; 256]; 3];
        for (table, columns) in tables.iter_mut().zip(columns.chunks(8)) {
            for (octet, image) in (0_u32..).zip(table.iter_mut()) {
                let set = columns.iter().enumerate().filter(|(bit, _)| octet >> bit & 1 == 1);
                *image = set.fold(0, |image, (_, column)| image ^ column);
            }
        }
        Self(tables)
    }

    /// The image of the lowest 24 bits of `value`.
    pub fn of(&self, value: u32) -> u32 {
        let octets = value.to_le_bytes();
        let images =
            self.0.iter().zip(octets).map(|(table, octet)| table.get(usize::from(octet)).copied().unwrap_or(0));
        images.fold(0, |image, part| image ^ part)
    }
}

/// XOR of two CRCs, data and flags taken off, to the XOR of the numbers that makes it.
pub static NUMBERS: LazyLock<Map> = LazyLock::new(|| {
    // The number goes into the CRC behind the data: 24 bits that reach every value, so they are a basis of it.
    let inverse = Solver::probe(24, |number| crc2(0, &[], Flags(0), number));
    Map::new(|bit| inverse.solve(bit).unwrap_or(0))
});

/// XOR of the numbers of two telegrams of one direction and length.
pub fn number_difference(a: &Telegram<'_>, b: &Telegram<'_>) -> u32 {
    // CRC1 cancels, so any will do.
    NUMBERS.of(crc2(0, a.data, a.flags, 0) ^ crc2(0, b.data, b.flags, 0) ^ a.crc2 ^ b.crc2)
}

/// Whether two numbers that differ by this XOR can follow each other: `2^k - 1`, `k` from 1 to 24.
pub const fn is_step(difference: u32) -> bool {
    difference != 0 && difference & difference.wrapping_add(1) == 0
}

/// What is known of a virtual consecutive number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Known {
    /// Bits from the lowest on.
    pub bits: u32,
    /// Their value.
    pub value: u32,
}

impl Known {
    /// Nothing.
    pub const NOTHING: Self = Self { bits: 0, value: 0 };

    /// The whole of a number that was reset.
    pub const RESET: Self = Self { bits: 24, value: 0 };

    /// Whether `number` has the bits that are known.
    pub const fn fits(self, number: u32) -> bool {
        number & self.mask() == self.value
    }

    /// The bits that are known.
    pub const fn mask(self) -> u32 {
        match 1_u32.checked_shl(self.bits) {
            Some(above) => above.wrapping_sub(1),
            None => u32::MAX,
        }
    }

    /// After a step by this XOR; `None` if it contradicts what is known.
    pub fn step(self, difference: u32) -> Option<Self> {
        let next = self.value.wrapping_add(1);
        if (self.value ^ next) & self.mask() != difference & self.mask() {
            return None;
        }
        let changed = difference.count_ones();
        // The bits that changed are known now: zeros below a one.
        let told = Self { bits: changed, value: 1_u32.checked_shl(changed.saturating_sub(1)).unwrap_or(0) };
        let stepped = Self { bits: self.bits, value: next & self.mask() };
        Some(if told.bits > stepped.bits { told } else { stepped })
    }
}

/// CRC1 under which the telegram bears number 0; `None` if there is none. By chance one of 256 telegrams has one.
pub fn crc1_of_reset(telegram: &Telegram<'_>) -> Option<u16> {
    let feed = |crc1: u32| crc2(u16::try_from(crc1).unwrap_or_default(), telegram.data, telegram.flags, 0);
    let crc1 = Solver::probe(16, feed).solve(telegram.crc2)?;
    // CRC1 is never 0: 1 stands for it.
    u16::try_from(crc1).ok().filter(|crc1| *crc1 != 0)
}

/// Every CRC1 under which each telegram bears a number that has its known bits.
///
/// Telegrams of one length tell the same about CRC1: each value changes all their numbers by the same XOR. So a second direction
/// helps only if its data have another length.
pub fn fitting(telegrams: &[(Known, Telegram<'_>)]) -> Vec<u16> {
    let number = |telegram: &Telegram<'_>, crc1: u16| telegram.solve_number(crc1).unwrap_or_default();
    let mut numbers: Vec<u32> = telegrams.iter().map(|(_, telegram)| number(telegram, 0)).collect();
    let columns: Vec<Vec<u32>> = telegrams
        .iter()
        .zip(&numbers)
        .map(|((_, telegram), zero)| (0..16_u32).map(|bit| number(telegram, 1 << bit) ^ zero).collect())
        .collect();
    let mut fitting = Vec::new();
    // In the order of a Gray code each value differs from the one before in one bit.
    for step in 1..=u16::MAX {
        let bit = usize::try_from(step.trailing_zeros()).unwrap_or(0);
        for (number, columns) in numbers.iter_mut().zip(&columns) {
            *number ^= columns.get(bit).copied().unwrap_or_default();
        }
        if telegrams.iter().zip(&numbers).all(|((known, _), number)| known.fits(*number)) {
            fitting.push(step ^ (step >> 1));
        }
    }
    fitting.sort_unstable();
    fitting
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::telegram::fscp_3_1::{Crc2Form, emit};
    use proptest::prelude::*;

    fn telegram(octets: &[u8]) -> Telegram<'_> {
        Telegram::parse(octets, octets.len() - 4, Crc2Form::Short).unwrap()
    }

    /// Telegrams of a real machine, CRC1 0x22FF, numbers 0, 3 and 4.
    #[test]
    fn telegrams_of_a_real_machine_tell_their_crc1() {
        let reset = [0x41, 1, 0, 4, 0, 0, 0, 0, 0x40, 0xBB, 0x5F, 0xB5];
        let three = [0x41, 0x4D, 0, 4, 0, 0, 0, 0, 0x20, 0xB5, 0x47, 0x4A];
        let four = [0x41, 0x4D, 0, 4, 0, 0, 0, 0, 0, 0xF5, 0xCF, 0x7D];
        assert_eq!(crc1_of_reset(&telegram(&reset)), Some(0x22FF));
        assert_eq!(crc1_of_reset(&telegram(&four)), None);
        assert_eq!(number_difference(&telegram(&three), &telegram(&four)), 3 ^ 4);
        assert_eq!(number_difference(&telegram(&reset), &telegram(&four)), 4);
        assert_eq!(
            fitting(&[(Known::RESET, telegram(&reset)), (Known { bits: 3, value: 4 }, telegram(&four))]),
            [0x22FF]
        );
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 8, ..ProptestConfig::default() })]

        /// Oracle: what the telegrams were made with.
        #[test]
        fn what_was_fed_is_found(
            data in prop::collection::vec(any::<u8>(), 1..=12), flags: u8, crc1 in 1..=0xFFFF_u16, number in 0..1_u32 << 24
        ) {
            let (mut reset, mut other) = (Vec::new(), Vec::new());
            emit(&data, Flags(flags), crc1, 0, &mut reset);
            emit(&data, Flags(0), crc1, number, &mut other);
            prop_assert_eq!(crc1_of_reset(&telegram(&reset)), Some(crc1));
            prop_assert_eq!(number_difference(&telegram(&reset), &telegram(&other)), number);
            let known = Known { bits: 12, value: number & 0xFFF };
            // Oracle: each value by itself.
            let by_itself = (1..=u16::MAX).filter(|c| telegram(&other).solve_number(*c).is_some_and(|n| known.fits(n)));
            prop_assert!(fitting(&[(known, telegram(&other))]).into_iter().eq(by_itself));
        }

        /// Oracle: counting.
        #[test]
        fn steps_tell_the_low_bits(start in 0..0xFF_F000_u32, steps in 1..300_u32) {
            let mut known = Known::default();
            for number in start..start + steps {
                let difference = number ^ (number + 1);
                prop_assert!(is_step(difference));
                known = known.step(difference).unwrap();
                prop_assert_eq!(known.value, (number + 1) & known.mask());
            }
            let wrong = (start + steps) ^ (start + steps + 2);
            prop_assert!(!is_step(wrong) || known.step(wrong).is_none());
        }
    }
}

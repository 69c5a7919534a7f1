//! FSCP 3/1: which values of CRC1 fit what the telegrams of a place tell, and of two places together.
//!
//! CRC1 adds the same to every number of telegrams of one length. So one pass over all its values tells which fit a place;
//! those that fit two places are the values that both have, and under one of them the numbers of two directions of one
//! connection must be equal, or one ahead.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fscp_3_1::Follower;
use crate::machine::Direction;
use crate::telegram::fscp_3_1::{Flags, LAST_NUMBER, crc2, next_number};
use crate::telegram::fscp_3_1_key::{NUMBERS, is_step};

/// Words of one bit for each value.
const WORDS: usize = 1 << 10;

/// Values that reset numbers may leave over: so few that one of them is none by chance.
const FEW: u32 = 1 << 8;

/// What two directions tell about their common CRC1.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Crc1 {
    /// CRC1, if only one value is left.
    pub value: Option<u16>,
    /// That one value is left only if both ends have the same number, or one ahead.
    pub rests_on_step: bool,
    /// Telegrams that said that their number was reset gave it.
    pub is_of_reset: bool,
    /// Values of CRC1 that fit what was seen, of 65 535.
    pub candidates: u32,
}

/// The values that fit the telegrams of one place.
#[derive(Clone, Debug)]
pub(super) struct Fitting {
    /// What the high and the low octet of CRC1 add to a number.
    adds: [Vec<u32>; 2],
    /// A bit for each value.
    values: Vec<u64>,
    data: usize,
}

impl Fitting {
    /// `None` before a step was seen.
    pub(super) fn of(follower: &Follower) -> Option<Self> {
        let (known, residue) = follower.reference()?;
        let data = follower.data();
        let zeros = vec![0; data];
        let adds = |high: bool| {
            let crc1 = move |octet: u8| u16::from_be_bytes(if high { [octet, 0] } else { [0, octet] });
            (0..=u8::MAX).map(|octet| NUMBERS.of(crc2(crc1(octet), &zeros, Flags(0), 0))).collect()
        };
        let mut fitting = Self { adds: [adds(true), adds(false)], values: vec![0; WORDS], data };
        for crc1 in 1..=u16::MAX {
            if known.fits(fitting.number(crc1, residue))
                && let Some(word) = fitting.values.get_mut(usize::from(crc1 >> 6))
            {
                *word |= bit(crc1);
            }
        }
        Some(fitting)
    }

    /// The number of a telegram of the place under `crc1`.
    pub(super) fn number(&self, crc1: u16, residue: u32) -> u32 {
        let [high, low] = &self.adds;
        let [upper, lower] = crc1.to_be_bytes();
        let add = |table: &[u32], octet: u8| table.get(usize::from(octet)).copied().unwrap_or(0);
        residue ^ add(high, upper) ^ add(low, lower)
    }

    /// The values that fit here, and at the other place if there is one.
    pub(super) fn common(&self, other: Option<&Self>) -> Vec<u16> {
        let all = (0_u16..).zip(&self.values).filter(|(_, word)| **word != 0);
        let both = all.map(|(index, word)| {
            let others = other.map_or(u64::MAX, |other| other.values.get(usize::from(index)).copied().unwrap_or(0));
            (index << 6, word & others)
        });
        both.flat_map(|(first, word)| (0..64).map(move |low| first | low).filter(move |crc1| word & bit(*crc1) != 0))
            .collect()
    }

    /// Values under which telegrams with these residues, which passed one after the other, bear the same number or the next.
    fn in_step(&self, other: &Self, [own, others]: [u32; 2]) -> Vec<u16> {
        let difference = own ^ others;
        // In telegrams of one length CRC1 cancels; the last number is followed by 1.
        let may_be = difference == 0 || is_step(difference) || difference == LAST_NUMBER ^ next_number(LAST_NUMBER);
        if self.data == other.data && !may_be {
            return Vec::new();
        }
        let is_in_step = |crc1: &u16| {
            let (a, b) = (self.number(*crc1, own), other.number(*crc1, others));
            a == b || next_number(a) == b || next_number(b) == a
        };
        self.common(Some(other)).into_iter().filter(is_in_step).collect()
    }

    /// Whether both may be directions of one connection, by the residues of telegrams that passed one after the other.
    pub(super) fn may_answer(&self, other: &Self, residues: [u32; 2]) -> bool {
        !self.in_step(other, residues).is_empty()
    }
}

fn bit(crc1: u16) -> u64 {
    1_u64.checked_shl(u32::from(crc1 & 63)).unwrap_or(0)
}

/// One direction of a connection.
pub(super) struct End<'s> {
    pub(super) direction: Option<Direction>,
    pub(super) follower: &'s Follower,
    pub(super) fitting: &'s Fitting,
}

/// What one or two directions tell, with the residues of telegrams that passed one after the other.
pub(super) fn crc1(one: &End<'_>, other: Option<&End<'_>>, residues: Option<[u32; 2]>) -> Crc1 {
    let all = one.fitting.common(other.map(|other| other.fitting));
    let candidates = u32::try_from(all.len()).unwrap_or(u32::MAX);
    let told = Crc1 { candidates, ..Crc1::default() };
    if let [value] = all[..] {
        return Crc1 { value: Some(value), ..told };
    }
    if let Some((value, is_sure)) = of_reset(one, other)
        && (is_sure || candidates <= FEW)
        && all.contains(&value)
    {
        return Crc1 { value: Some(value), is_of_reset: true, ..told };
    }
    let in_step = match (other, residues) {
        (Some(other), Some(residues)) => one.fitting.in_step(other.fitting, residues),
        _ => Vec::new(),
    };
    match in_step[..] {
        [value] => Crc1 { value: Some(value), rests_on_step: true, ..told },
        _ => told,
    }
}

/// CRC1 by telegrams whose number is reset, and whether those of both ends give it.
fn of_reset(one: &End<'_>, other: Option<&End<'_>>) -> Option<(u16, bool)> {
    let reset = |end: &End<'_>| end.follower.reset(end.direction?);
    match (reset(one), other.and_then(reset)) {
        (Some(a), Some(b)) => (a == b).then_some((a, true)),
        (a, b) => Some((a.or(b)?, false)),
    }
}

//! CRCs as sums: a CRC is linear, so each octet that is fed adds a term that depends on the octets behind it alone.
//!
//! Look-ups of such terms don't wait for each other as those of an octet-by-octet register do, and what never changes is summed
//! once. The tables hold a CRC as it stands on the wire, so nothing is left to be done behind the sum. What several CRCs of a
//! telegram have in common (a counter, an id, a command) is summed once for two kinds of them at a time: a head.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::sync::Arc;

use super::definition::ByteOrder;
use super::layout::Values;

/// Heads of a layout at most.
pub(super) const MOST_HEADS: usize = 3;

/// Lane of a CRC without a head.
pub(super) const NO_HEAD: usize = LANES;

const LANES: usize = 2 * MOST_HEADS;

/// What each kind of CRC has in common.
pub(super) type Lanes = [u32; LANES];

/// The CRCs of a layout as sums.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Sums {
    /// What two kinds of CRCs have in common with others of their kind.
    pub(super) heads: Vec<Terms<[u32; 2]>>,
    /// In the order of the CRCs.
    pub(super) crcs: Vec<Sum>,
    /// Whether there are no heads, and no register is fed.
    pub(super) is_plain: bool,
}

/// What each of four octets adds to a CRC on the wire, or to the two kinds of a head. Four at a time cost one comparison with the
/// end of the telegram, and no loop; an octet that is not fed adds nothing.
pub(super) type Tables<T> = [[T; 256]; 4];

/// What changes from telegram to telegram and is summed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Terms<T> {
    /// Four octets of the telegram each, by the first.
    pub(super) wire: Vec<Term<T>>,
    /// The four octets of a value that is not on the wire each, by its field.
    pub(super) values: Vec<Term<T>>,
}

/// What four octets add.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Term<T> {
    pub(super) place: usize,
    pub(super) tables: Arc<Tables<T>>,
}

/// One CRC.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Sum {
    /// Index of its field.
    pub(super) field: usize,
    pub(super) slot: Slot,
    /// Its index among the CRCs if its terms reach too far: then a register has to be fed, and what follows here is of no use.
    pub(super) fed: Option<usize>,
    /// What never changes.
    pub(super) fixed: u32,
    /// What it has in common with other CRCs.
    pub(super) lane: usize,
    /// What it has of its own, and what stands in its place.
    pub(super) terms: Terms<u32>,
}

impl Sums {
    /// What the CRCs of a telegram have in common. No head holds an octet of a CRC, so those need not be written yet.
    #[inline]
    pub(super) fn lanes(&self, telegram: &[u8], values: &Values) -> Lanes {
        let mut lanes = [0; LANES];
        for (terms, lanes) in self.heads.iter().zip(lanes.as_chunks_mut::<2>().0) {
            let add = |[a, b]: [u32; 2], [c, d]: [u32; 2]| [a ^ c, b ^ d];
            *lanes = terms.sum([0; 2], add, telegram, values).unwrap_or_default();
        }
        lanes
    }
}

impl Sum {
    /// The CRC as it has to stand on the wire, exclusive or what stands there, with what it has in common with others.
    #[inline(always)]
    pub(super) fn difference(&self, common: u32, telegram: &[u8], values: &Values) -> u32 {
        let sum = self.terms.sum(self.fixed ^ common, |sum, term| sum ^ term, telegram, values);
        // Never: the telegram is whole.
        sum.unwrap_or(u32::MAX)
    }
}

impl<T: Copy + Default> Terms<T> {
    /// `begin` and all terms; `None` only if the telegram is too short.
    #[inline(always)]
    fn sum(&self, begin: T, add: impl Fn(T, T) -> T, telegram: &[u8], values: &Values) -> Option<T> {
        let mut sum = begin;
        let mut take = |octets: [u8; 4], tables: &Tables<T>| {
            for (table, octet) in tables.iter().zip(octets) {
                sum = add(sum, table.get(usize::from(octet)).copied().unwrap_or_default());
            }
        };
        for Term { place, tables } in &self.wire {
            take(*telegram.get(*place..)?.first_chunk()?, tables);
        }
        for Term { place, tables } in &self.values {
            take(values.get(*place).to_le_bytes(), tables);
        }
        Some(sum)
    }
}

/// Where a CRC stands on the wire, in whole octets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Slot {
    pub(super) begin: usize,
    pub(super) octets: usize,
    pub(super) order: ByteOrder,
}

impl Slot {
    /// What stands there, the first octet lowest.
    pub(super) fn read(&self, telegram: &[u8]) -> u32 {
        let octets = telegram.get(self.begin..).unwrap_or_default().iter().take(self.octets);
        octets.rev().fold(0, |number, octet| number << 8 | u32::from(*octet))
    }

    /// Puts there what [`read`](Self::read) gives.
    #[inline]
    pub(super) fn write(&self, telegram: &mut [u8], wire: u32) {
        let Some(to) = telegram.get_mut(self.begin..) else { return };
        let [a, b, c, d] = wire.to_le_bytes();
        match (self.octets, to) {
            (1, [p, ..]) => *p = a,
            (2, [p, q, ..]) => [*p, *q] = [a, b],
            (3, [p, q, r, ..]) => [*p, *q, *r] = [a, b, c],
            (_, [p, q, r, s, ..]) => [*p, *q, *r, *s] = [a, b, c, d],
            _ => {}
        }
    }

    /// The number on the wire for a number, the first octet lowest; and back.
    #[inline]
    pub(super) fn turned(&self, number: u32) -> u32 {
        match self.order {
            ByteOrder::Little => number,
            ByteOrder::Big => {
                let unused = 4_usize.saturating_sub(self.octets).saturating_mul(8);
                number.swap_bytes().checked_shr(u32::try_from(unused).unwrap_or(u32::MAX)).unwrap_or_default()
            }
        }
    }
}

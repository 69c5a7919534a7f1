//! CRCs as sums: a CRC is linear, so each octet that is fed adds a term that depends on the octets behind it alone.
//!
//! Look-ups of such terms don't wait for each other as those of an octet-by-octet register do, and what never changes is summed
//! once. The tables hold a CRC as it stands on the wire, so nothing is left to be done behind the sum. What several CRCs of a
//! telegram have in common (a counter, an id, a command) is summed once for two kinds of them at a time: a head.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::definition::ByteOrder;
use super::layout::Values;

/// Heads of a layout at most.
pub(super) const MOST_HEADS: usize = 3;

/// Lane of a CRC without a head: the heads leave it at 0.
pub(super) const NO_HEAD: usize = LANES - 1;

const LANES: usize = 8;

/// What each kind of CRC has in common.
pub(super) type Lanes = [u32; LANES];

/// The CRCs of a layout as sums.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Sums {
    /// Tables of 256 entries: what an octet adds to a CRC on the wire.
    pub(super) tables: Vec<u32>,
    /// The same for the two kinds of a head.
    pub(super) pairs: Vec<[u32; 2]>,
    /// What two kinds of CRCs have in common with others of their kind.
    pub(super) heads: Vec<Terms>,
    /// In the order of the CRCs.
    pub(super) crcs: Vec<Sum>,
}

/// What changes from telegram to telegram and is summed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Terms {
    pub(super) wire: Vec<Term>,
    pub(super) values: Vec<ValueTerm>,
}

/// One CRC.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Sum {
    /// Index of its field.
    pub(super) field: usize,
    pub(super) slot: Slot,
    /// False if its terms reach too far: then a register has to be fed.
    pub(super) is_short: bool,
    /// What never changes.
    pub(super) fixed: u32,
    /// What it has in common with other CRCs.
    pub(super) lane: usize,
    /// What it has of its own.
    pub(super) terms: Terms,
}

/// What an octet of the telegram adds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Term {
    pub(super) octet: usize,
    /// First entry of its table.
    pub(super) table: usize,
}

/// What an octet of a value that is not on the wire adds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct ValueTerm {
    pub(super) field: usize,
    /// Lowest bit of the octet in the value.
    pub(super) shift: u32,
    pub(super) table: usize,
}

impl Sums {
    /// What the CRCs of a telegram have in common. No head holds an octet of a CRC, so those need not be written yet.
    #[inline]
    pub(super) fn lanes(&self, telegram: &[u8], values: &Values) -> Lanes {
        let mut lanes = [0; LANES];
        for (terms, lanes) in self.heads.iter().zip(lanes.as_chunks_mut::<2>().0) {
            let add = |[a, b]: [u32; 2], [c, d]: [u32; 2]| [a ^ c, b ^ d];
            *lanes = terms.sum(&self.pairs, [0; 2], add, telegram, values).unwrap_or_default();
        }
        lanes
    }

    /// A short CRC as it has to stand on the wire.
    #[inline]
    pub(super) fn value(&self, sum: &Sum, telegram: &[u8], values: &Values, lanes: &Lanes) -> u32 {
        let common = lanes.get(sum.lane).copied().unwrap_or_default();
        let add = |sum, term| sum ^ term;
        sum.terms.sum(&self.tables, sum.fixed ^ common, add, telegram, values).unwrap_or_default()
    }
}

impl Terms {
    /// `begin` and all terms; `None` only if the telegram is too short.
    #[inline]
    fn sum<T: Copy>(
        &self,
        tables: &[T],
        begin: T,
        add: impl Fn(T, T) -> T,
        telegram: &[u8],
        values: &Values,
    ) -> Option<T> {
        let mut sum = begin;
        for Term { octet, table } in &self.wire {
            let octet = telegram.get(*octet)?;
            sum = add(sum, *tables.get(table.wrapping_add(usize::from(*octet)))?);
        }
        for ValueTerm { field, shift, table } in &self.values {
            let [octet, ..] = values.get(*field).wrapping_shr(*shift).to_le_bytes();
            sum = add(sum, *tables.get(table.wrapping_add(usize::from(octet)))?);
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
    /// First of four octets with the CRC among them, and the octets before it.
    window: usize,
    shift: u32,
    mask: u32,
}

impl Slot {
    /// At most 4 octets from `begin` on in a telegram of `length` octets.
    pub(super) fn new(begin: usize, octets: usize, order: ByteOrder, length: usize) -> Self {
        let window = begin.min(length.saturating_sub(4));
        let bits = |octets: usize| u32::try_from(octets.saturating_mul(8)).unwrap_or(u32::MAX);
        let mask = u32::MAX.checked_shr(32_u32.saturating_sub(bits(octets))).unwrap_or_default();
        Self { begin, octets, order, window, shift: bits(begin.saturating_sub(window)), mask }
    }

    /// What stands there, the first octet lowest.
    #[inline]
    pub(super) fn read(&self, telegram: &[u8]) -> u32 {
        match telegram.get(self.window..).and_then(<[u8]>::first_chunk) {
            Some(window) => u32::from_le_bytes(*window).wrapping_shr(self.shift) & self.mask,
            // Less than four octets in all.
            None => {
                let octets = telegram.get(self.begin..).unwrap_or_default().iter().take(self.octets);
                octets.rev().fold(0, |number, octet| number << 8 | u32::from(*octet))
            }
        }
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

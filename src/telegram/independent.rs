//! How many checks are worth something: those over messages that are affinely independent of each other.
//!
//! CRCs are affine over GF(2): what holds for some telegrams holds for every affine combination of them. A constant, or an
//! octet that goes to and fro between two values, would agree for ever after it agreed by chance once. So a check counts only
//! if its message (what the CRC is over, recovered counters included) is affinely independent of the messages before it.
//! Independence is decided on a linear 64-bit digest, which can only make independent messages look dependent: it understates.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crc::{CRC_64_ECMA_182, Crc};

/// Bits of agreement beyond which nothing is gained: more than any capture needs.
pub const PLENTY: u32 = 640;

/// Start and final XOR are 0, so it is linear over GF(2).
static DIGEST: Crc<u64> = Crc::<u64>::new(&CRC_64_ECMA_182);

/// A linear digest of a message given in pieces.
pub fn digest(pieces: &[&[u8]]) -> u64 {
    let mut digest = DIGEST.digest();
    pieces.iter().for_each(|piece| digest.update(piece));
    digest.finalize()
}

/// Affine rank of messages.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Rank {
    base: Option<u64>,
    /// Each with a highest bit that no later row has: at most 64.
    rows: Vec<u64>,
}

impl Rank {
    /// Whether the message is independent of those before; the first one is.
    pub fn insert(&mut self, digest: u64) -> bool {
        let Some(base) = self.base else {
            self.base = Some(digest);
            return true;
        };
        let mut row = digest ^ base;
        for other in &self.rows {
            row = row.min(row ^ other);
        }
        if row == 0 {
            return false;
        }
        self.rows.push(row);
        // The loop above clears the highest bit of each row only if these come in falling order.
        self.rows.sort_unstable_by(|a, b| b.cmp(a));
        true
    }

    /// From here on messages differ from this one by what they differed before from the first: their seed has changed.
    pub const fn rebase(&mut self, digest: u64) {
        self.base = Some(digest);
    }

    /// All messages before were other ones than thought, by this XOR of their digests.
    pub fn shift(&mut self, difference: u64) {
        self.base = self.base.map(|base| base ^ difference);
    }

    /// Forgets all messages.
    pub fn clear(&mut self) {
        self.base = None;
        self.rows.clear();
    }
}

/// Check bits that agreed over independent messages, for some kinds of check whose messages do not compare.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Independent {
    ranks: Vec<Rank>,
    bits: u32,
}

impl Independent {
    /// A check of `bits` bits over the message of this digest came true. What has far more than enough is not counted on.
    pub fn agree(&mut self, kind: usize, bits: u32, digest: impl FnOnce() -> u64) {
        if self.bits < PLENTY && self.rank(kind).is_some_and(|rank| rank.insert(digest())) {
            self.bits = self.bits.saturating_add(bits);
        }
    }

    /// What the unknown was solved from: no check.
    pub fn assume(&mut self, kind: usize, digest: u64) {
        if let Some(rank) = self.rank(kind) {
            rank.insert(digest);
        }
    }

    /// See [`Rank::shift`].
    pub fn shift(&mut self, kind: usize, difference: u64) {
        if let Some(rank) = self.rank(kind) {
            rank.shift(difference);
        }
    }

    /// The bits that agreed: up to [`PLENTY`] and what the last check had beyond.
    pub const fn bits(&self) -> u32 {
        self.bits
    }

    fn rank(&mut self, kind: usize) -> Option<&mut Rank> {
        if self.ranks.len() <= kind {
            self.ranks.resize(kind.saturating_add(1), Rank::default());
        }
        self.ranks.get_mut(kind)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_goes_to_and_fro_counts_once() {
        let mut checks = Independent::default();
        checks.assume(0, 7);
        (0..1000).for_each(|round| checks.agree(0, 16, || [9, 7][round % 2]));
        assert_eq!(checks.bits(), 16);
        // Another kind of check has messages of its own; 0, 1, 2 are independent, 3 is the sum of them.
        (0..4).for_each(|digest| checks.agree(1, 16, || digest));
        assert_eq!(checks.bits(), 16 + 48);
    }

    /// A seed that turns out to have been another one makes no new messages of old ones.
    #[test]
    fn shifted_messages_are_not_new_ones() {
        let mut checks = Independent::default();
        checks.assume(0, 0b0001);
        checks.agree(0, 16, || 0b0010);
        checks.shift(0, 0b1000);
        [0b1001, 0b1010].into_iter().for_each(|digest| checks.agree(0, 16, || digest));
        assert_eq!(checks.bits(), 16);
        checks.agree(0, 16, || 0b0001);
        assert_eq!(checks.bits(), 32);
    }

    proptest! {
        /// Oracle: all affine combinations, written out.
        #[test]
        fn rank_is_that_of_the_span(messages in prop::collection::vec(0_u64..64, 1..7)) {
            let mut rank = Rank::default();
            let independent = messages.iter().filter(|message| rank.insert(**message)).count();
            let mut span = vec![0_u64];
            for message in &messages {
                let difference = message ^ messages[0];
                if !span.contains(&difference) {
                    let more: Vec<u64> = span.iter().map(|other| other ^ difference).collect();
                    span.extend(more);
                }
            }
            prop_assert_eq!(1 << (independent - 1), span.len());
        }

        #[test]
        fn the_digest_is_linear(a in prop::array::uniform9(any::<u8>()), b in prop::array::uniform9(any::<u8>())) {
            let both: Vec<u8> = a.iter().zip(b).map(|(a, b)| a ^ b).collect();
            prop_assert_eq!(digest(&[&a]) ^ digest(&[&b]), digest(&[&both[..4], &both[4..]]));
        }
    }
}

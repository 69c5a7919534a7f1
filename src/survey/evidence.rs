//! How much agreement proves, counted in whole bits.
//!
//! **What is tried.** Each telegram that could begin at some octet of some payload, by some profile, in some length and
//! form, is one trial; [`Search::tried`] counts them all, and every run that begins anew behind a telegram that did not fit.
//!
//! **What agreement is worth.** Where no safety telegram lies, a check of `r` bits comes true with chance `2^-r`. A *run* is
//! a row of checks at one place that all came true; a single one that does not ends it, and what it has gathered counts for
//! nothing further. So a run of `e` bits shows up somewhere by chance with probability at most `tried * 2^-e` (union bound:
//! every run begins with one of the trials). A place is reported if that is below `2^-40 < 1e-12`, whatever else was found:
//! `e >= 40 + ceil(log2 tried)`, an integer comparison.
//!
//! **Linear dependence.** CRCs are affine over GF(2): what holds for some telegrams holds for every affine combination of
//! them. A constant, or an octet that goes to and fro between two values, would agree for ever after it agreed by chance
//! once. So a check counts only if its message (what the CRC is over, recovered counters included) is affinely independent
//! of the messages before it in the run. Independence is decided on a linear 64-bit digest, which can only make
//! independent messages look dependent: it understates.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crc::{CRC_64_ECMA_182, Crc};

/// Bits by which a run must exceed the logarithm of the trials: 2^-40 is 9.1e-13.
const MARGIN: u32 = 40;

/// Bits of a run beyond which nothing is gained: more than any capture needs.
const PLENTY: u32 = 640;

/// Start and final XOR are 0, so it is linear over GF(2).
static DIGEST: Crc<u64> = Crc::<u64>::new(&CRC_64_ECMA_182);

/// A linear digest of a message given in pieces.
pub(super) fn digest(pieces: &[&[u8]]) -> u64 {
    let mut digest = DIGEST.digest();
    pieces.iter().for_each(|piece| digest.update(piece));
    digest.finalize()
}

/// The trials of a whole survey.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Search {
    tried: u128,
}

impl Search {
    /// Trials so far.
    pub const fn tried(self) -> u128 {
        self.tried
    }

    /// The least whole `k` with `tried <= 2^k`.
    pub const fn log2_tried(self) -> u32 {
        match self.tried.checked_sub(1) {
            Some(below) => u128::BITS.saturating_sub(below.leading_zeros()),
            None => 0,
        }
    }

    /// Bits of evidence that a place needs to be reported.
    pub const fn needed(self) -> u32 {
        self.log2_tried().saturating_add(MARGIN)
    }

    /// Counts `places` times `variants` trials.
    pub(super) fn count(&mut self, places: usize, variants: usize) {
        let wide = |n: usize| u128::try_from(n).unwrap_or(u128::MAX);
        self.tried = self.tried.saturating_add(wide(places).saturating_mul(wide(variants)));
    }
}

/// Affine rank of the messages of a run.
#[derive(Clone, Debug, Default)]
struct Rank {
    base: Option<u64>,
    /// Each with a highest bit that no later row has: at most 64.
    rows: Vec<u64>,
}

impl Rank {
    /// Whether the message is independent of those before; the first one is.
    fn insert(&mut self, digest: u64) -> bool {
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

    fn clear(&mut self) {
        self.base = None;
        self.rows.clear();
    }
}

/// What the checks at one place have come to.
#[derive(Clone, Debug, Default)]
pub(super) struct Evidence {
    /// One for each kind of check, as their messages do not compare.
    ranks: [Rank; 2],
    run: u32,
    best: u32,
}

impl Evidence {
    /// A check of `bits` bits over the message of this digest came true. What has far more than enough is not counted on.
    pub(super) fn agree(&mut self, kind: usize, digest: impl FnOnce() -> u64, bits: u32) {
        if self.run < PLENTY && self.ranks.get_mut(kind).is_some_and(|rank| rank.insert(digest())) {
            self.run = self.run.saturating_add(bits);
            self.best = self.best.max(self.run);
        }
    }

    /// A message that is known without having been checked: it may fix a seed for those that follow.
    pub(super) fn assume(&mut self, kind: usize, digest: u64) {
        if let Some(rank) = self.ranks.get_mut(kind) {
            rank.insert(digest);
        }
    }

    /// From here on messages differ from this one by what they differed before from the first: their seed has changed.
    pub(super) fn rebase(&mut self, kind: usize, digest: u64) {
        if let Some(rank) = self.ranks.get_mut(kind) {
            rank.base = Some(digest);
        }
    }

    /// A check did not come true: the run ends and the next one is another trial.
    pub(super) fn fail(&mut self, search: &mut Search) {
        self.ranks.iter_mut().for_each(Rank::clear);
        self.run = 0;
        search.count(1, 1);
    }

    /// Bits of the best run.
    pub(super) const fn bits(&self) -> u32 {
        self.best
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_is_needed_grows_with_what_was_tried() {
        let needed = |tried| Search { tried }.needed();
        assert_eq!([0, 1, 2, 3, 4, 5, 1 << 20, (1 << 20) + 1].map(needed), [40, 40, 41, 42, 42, 43, 60, 61]);
        assert_eq!(needed(u128::MAX), 168);
        let mut search = Search::default();
        search.count(100, 12);
        search.count(1, 1);
        assert_eq!(search.tried(), 1201);
    }

    #[test]
    fn a_constant_or_a_flip_flop_proves_little() {
        let mut evidence = Evidence::default();
        for _ in 0..1000 {
            evidence.agree(0, || 7, 16);
        }
        assert_eq!(evidence.bits(), 16);
        for round in 0..1000 {
            evidence.agree(0, || [7, 9][round % 2], 16);
        }
        assert_eq!(evidence.bits(), 32);
        // Two bits that move independently of each other make four messages, three of them independent.
        for digest in [0_u64, 1, 2, 3] {
            evidence.agree(1, || digest, 16);
        }
        assert_eq!(evidence.bits(), 32 + 48);
    }

    #[test]
    fn a_failure_ends_the_run_but_not_what_it_has_shown() {
        let mut search = Search::default();
        let mut evidence = Evidence::default();
        (0..5).for_each(|digest| evidence.agree(0, || 1 << digest, 10));
        evidence.fail(&mut search);
        evidence.agree(0, || 1, 10);
        assert_eq!((evidence.bits(), search.tried()), (50, 1));
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

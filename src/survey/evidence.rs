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
//! **Linear dependence.** A check counts only if its message is affinely independent of those before it in the run, see
//! [`independent`](crate::telegram::independent).

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

pub(super) use crate::telegram::independent::digest;
use crate::telegram::independent::{PLENTY, Rank};

/// Bits by which a run must exceed the logarithm of the trials: 2^-40 is 9.1e-13.
const MARGIN: u32 = 40;

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
            rank.rebase(digest);
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
}

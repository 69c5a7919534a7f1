//! The few longest intervals of a stream with what goes with each.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::time::Span;

/// How many are kept where nobody says otherwise.
pub const USUAL: usize = 5;

/// Most that can be kept.
pub const MOST: usize = 100;

/// The longest of a stream, the longest first; of equals the one that came first.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct Worst<T> {
    keep: usize,
    /// What is not longer does not enter.
    least: Span,
    kept: Vec<(Span, T)>,
}

impl<T> Default for Worst<T> {
    fn default() -> Self {
        Self::new(USUAL)
    }
}

impl<T> Worst<T> {
    /// Keeps at most `keep`, and never more than [`MOST`].
    pub fn new(keep: usize) -> Self {
        let keep = keep.min(MOST);
        let least = if keep == 0 { Span::MAX } else { Span::from_nanos(-1) };
        Self { keep, least, kept: Vec::new() }
    }

    /// Whether an interval would be kept: this is all that most intervals cost.
    pub const fn enters(&self, span: Span) -> bool {
        span.as_nanos() > self.least.as_nanos()
    }

    /// Keeps an interval, if it [enters](Self::enters).
    pub fn insert(&mut self, span: Span, what: T) {
        if !self.enters(span) {
            return;
        }
        let place = self.kept.partition_point(|(kept, _)| *kept >= span);
        self.kept.truncate(self.keep.min(MOST).saturating_sub(1));
        self.kept.insert(place.min(self.kept.len()), (span, what));
        if self.kept.len() >= self.keep.min(MOST) {
            self.least = self.kept.last().map_or(self.least, |(least, _)| *least);
        }
    }

    /// Takes in others, as if they had come behind these; as many are kept as the larger of both keeps.
    pub fn join(&mut self, other: &Self)
    where
        T: Clone,
    {
        let mut joined = Self::new(self.keep.max(other.keep));
        for (span, what) in self.kept.drain(..).chain(other.kept.iter().cloned()) {
            joined.insert(span, what);
        }
        *self = joined;
    }

    /// The longest first.
    pub fn iter(&self) -> impl Iterator<Item = (Span, &T)> {
        self.kept.iter().map(|(span, what)| (*span, what))
    }

    /// What goes with them, to be completed.
    pub fn iter_mut(&mut self) -> impl Iterator<Item = &mut T> {
        self.kept.iter_mut().map(|(_, what)| what)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Oracle: all of them, sorted; the sort is stable, so equals stay in their order.
        #[test]
        fn the_longest_are_kept(nanos in proptest::collection::vec(0_i64..40, 0..80), keep in 0_usize..8) {
            let mut worst = Worst::new(keep);
            for (place, span) in nanos.iter().enumerate() {
                worst.insert(Span::from_nanos(*span), place);
            }
            let mut all: Vec<_> = nanos.iter().copied().enumerate().map(|(place, span)| (span, place)).collect();
            all.sort_by_key(|(span, _)| std::cmp::Reverse(*span));
            all.truncate(keep);
            let told: Vec<_> = worst.iter().map(|(span, place)| (span.as_nanos(), *place)).collect();
            prop_assert_eq!(told, all);
        }
    }
}

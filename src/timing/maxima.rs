//! The longest interval in each part of a run whose length is not known beforehand, in constant memory.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::time::{Instant, Span};

/// Parts of a run at most.
const PARTS: usize = 240;

/// Length of a part as long as the run is short.
const SHORTEST: i64 = 10_000_000;

/// The longest interval that ended in each part. Parts are as short as the run allows: when it outgrows them they are joined in
/// pairs.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct Maxima {
    start: Instant,
    width: Span,
    longest: Vec<Option<Span>>,
    /// Begin and end of the part of the interval before, and its longest so far.
    open: (Instant, Instant, Span),
}

impl Maxima {
    /// Parts that start at `start`.
    pub const fn new(start: Instant) -> Self {
        Self { start, width: Span::from_nanos(SHORTEST), longest: Vec::new(), open: (start, start, Span::ZERO) }
    }

    /// Begin of the first part.
    pub const fn start(&self) -> Instant {
        self.start
    }

    /// Length of a part.
    pub const fn width(&self) -> Span {
        self.width
    }

    /// The longest interval of each part; `None` where none ended.
    pub fn longest(&self) -> impl Iterator<Item = Option<Span>> {
        self.longest.iter().copied()
    }

    /// Records an interval that ended at `at`. What ended before the start counts into the first part.
    #[inline]
    pub fn record(&mut self, span: Span, at: Instant) {
        // Most intervals end in the part of the one before, and are not its longest.
        let (from, to, longest) = self.open;
        if at < from || at >= to || span > longest {
            self.record_in_its_part(span, at);
        }
    }

    #[cold]
    fn record_in_its_part(&mut self, span: Span, at: Instant) {
        let mut part = self.part(at);
        while part >= PARTS {
            self.join_pairs();
            part = self.part(at);
        }
        if part >= self.longest.len() {
            self.longest.resize(part.saturating_add(1), None);
        }
        let Some(longest) = self.longest.get_mut(part) else { return };
        let span = longest.map_or(span, |longest| longest.max(span));
        *longest = Some(span);
        let width = self.width.as_nanos();
        let from = i64::try_from(part).unwrap_or(i64::MAX).saturating_mul(width).saturating_add(self.start.as_nanos());
        self.open = (Instant::from_nanos(from), Instant::from_nanos(from.saturating_add(width)), span);
    }

    fn part(&self, at: Instant) -> usize {
        let since = at.since(self.start).as_nanos().max(0);
        usize::try_from(since.checked_div(self.width.as_nanos()).unwrap_or(0)).unwrap_or(usize::MAX)
    }

    fn join_pairs(&mut self) {
        self.width = Span::from_nanos(self.width.as_nanos().saturating_mul(2));
        self.longest = self.longest.chunks(2).map(|pair| pair.iter().copied().max().flatten()).collect();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Oracle: all intervals kept and looked through for each part.
        #[test]
        fn every_part_has_its_longest(ends in proptest::collection::vec((0_i64..20_000_000_000, 0_i64..90_000_000), 1..300)) {
            let mut maxima = Maxima::new(Instant::from_nanos(0));
            for (at, span) in &ends {
                maxima.record(Span::from_nanos(*span), Instant::from_nanos(*at));
            }
            let width = maxima.width().as_nanos();
            prop_assert!(maxima.longest().count() <= PARTS);
            for (part, told) in (0_i64..).zip(maxima.longest()) {
                let longest = ends.iter().filter(|(at, _)| at / width == part).map(|(_, span)| *span).max();
                prop_assert_eq!(told.map(Span::as_nanos), longest);
            }
            let parts = i64::try_from(maxima.longest().count()).unwrap();
            prop_assert!(ends.iter().all(|(at, _)| at / width < parts));
        }
    }

    #[test]
    fn times_at_the_ends_of_their_range_are_taken() {
        let mut maxima = Maxima::new(Instant::from_nanos(i64::MIN));
        maxima.record(Span::from_nanos(1), Instant::from_nanos(i64::MAX));
        let mut back = Maxima::new(Instant::from_nanos(i64::MAX));
        back.record(Span::from_nanos(1), Instant::from_nanos(i64::MIN));
        assert_eq!(back.longest().next().flatten(), Some(Span::from_nanos(1)));
        assert!(maxima.longest().count() <= PARTS);
    }
}

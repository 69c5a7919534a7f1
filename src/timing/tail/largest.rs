//! The largest intervals of a stream, in bounded memory.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use crate::time::{Instant, Span};

/// Intervals that are kept. No threshold of a fit can be lower than the least of them.
pub const KEPT: usize = 2_000;

/// The [`KEPT`] largest intervals with their ends, how many there were, and how long they were together.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct Largest {
    count: u64,
    #[serde(with = "crate::saved::wide")]
    exposure: i128,
    first: Option<Instant>,
    last: Option<Instant>,
    /// The least is on top; of equals, the latest.
    kept: BinaryHeap<Reverse<(Span, Reverse<Instant>)>>,
}

impl Largest {
    /// Records an interval that ended at `at`. Negative intervals are none.
    pub fn record(&mut self, span: Span, at: Instant) {
        if span < Span::ZERO {
            return;
        }
        self.count = self.count.saturating_add(1);
        self.exposure = self.exposure.saturating_add(i128::from(span.as_nanos()));
        self.first = Some(self.first.map_or(at, |first| first.min(at)));
        self.last = Some(self.last.map_or(at, |last| last.max(at)));
        let one = Reverse((span, Reverse(at)));
        if self.kept.len() < KEPT {
            self.kept.push(one);
        } else if let Some(mut least) = self.kept.peek_mut()
            && one < *least
        {
            *least = one;
        }
    }

    /// How many intervals were recorded.
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// Their sum: the time during which a watchdog ran.
    pub fn exposure(&self) -> Span {
        Span::from_nanos(i64::try_from(self.exposure).unwrap_or(i64::MAX))
    }

    /// From the end of the first interval to that of the last.
    pub fn run(&self) -> Span {
        self.last.zip(self.first).map_or(Span::ZERO, |(last, first)| last.since(first))
    }

    /// The intervals kept, in the order of their ends.
    pub fn in_time(&self) -> Vec<(Instant, Span)> {
        let mut kept: Vec<_> = self.kept.iter().map(|Reverse((span, Reverse(at)))| (*at, *span)).collect();
        kept.sort_unstable();
        kept
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        /// Oracle: all of them, sorted.
        #[test]
        fn the_largest_are_kept(nanos in proptest::collection::vec(0_i64..3_000, 1_900..4_500)) {
            let mut largest = Largest::default();
            for (at, span) in (0_i64..).zip(&nanos) {
                largest.record(Span::from_nanos(*span), Instant::from_nanos(at * 7));
            }
            let mut all: Vec<_> = (0_i64..).zip(&nanos).map(|(at, span)| (Reverse(*span), at * 7)).collect();
            all.sort_unstable();
            all.truncate(KEPT);
            let mut all: Vec<_> = all.into_iter().map(|(span, at)| (at, span.0)).collect();
            all.sort_unstable();
            let told: Vec<_> = largest.in_time().iter().map(|(at, span)| (at.as_nanos(), span.as_nanos())).collect();
            prop_assert_eq!(told, all);
            prop_assert_eq!(largest.exposure().as_nanos(), nanos.iter().sum::<i64>());
            prop_assert_eq!(largest.count(), nanos.len() as u64);
            prop_assert_eq!(largest.run().as_nanos(), i64::try_from(nanos.len() - 1).unwrap() * 7);
        }
    }

    #[test]
    fn a_clock_step_back_is_no_interval() {
        let mut largest = Largest::default();
        largest.record(Span::from_nanos(-1), Instant::from_nanos(5));
        assert_eq!((largest.count(), largest.exposure(), largest.run()), (0, Span::ZERO, Span::ZERO));
    }
}

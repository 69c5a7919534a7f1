//! A stream of intervals in constant memory: exact count, minimum and maximum with their place, quantiles by histogram.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects))]

use hdrhistogram::Histogram;

use super::cells::{Cells, KEPT_BITS};
use crate::time::Span;

/// Longest interval that the histogram tells apart; longer ones are counted there. The exact maximum has no such limit.
pub(super) const LONGEST: u64 = 3_600_000_000_000;

/// Buckets that [`Intervals::counts`] tells apart; longer intervals are counted in the last.
const MOST_BUCKETS: usize = 4_096;

/// Cells that [`Intervals::fine`] tells at most.
pub const MOST_CELLS: usize = 2_048;

/// How many intervals there are of each length, as fine as they are counted: lengths that agree in their leading `bits` share a
/// cell, so with 11 of them a cell is at most 0.1 % wide.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FineCounts {
    /// Leading binary digits that are told apart.
    pub bits: u32,
    /// The longest length of each cell in which there are intervals, in nanoseconds and ascending, and how many there are.
    pub cells: Vec<(u64, u64)>,
}

/// An extreme interval and where it ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Extreme<P> {
    /// The interval.
    pub span: Span,
    /// Place at which the interval ended.
    pub place: P,
}

/// Intervals recorded one by one; `P` says where each ended (a packet number, say).
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct Intervals<P> {
    count: u64,
    shortest: Option<Extreme<P>>,
    longest: Option<Extreme<P>>,
    /// An interval is neither the shortest nor the longest so far if it is between these.
    between: (Span, Span),
    cells: Cells,
}

impl<P: Copy> Default for Intervals<P> {
    fn default() -> Self {
        Self { count: 0, shortest: None, longest: None, between: (Span::MAX, Span::ZERO), cells: Cells::default() }
    }
}

impl<P: Copy> Intervals<P> {
    /// Records an interval that ended at `place`. Negative intervals (a clock that stepped back) are not intervals and are
    /// left to whoever watches the clock.
    #[inline(always)]
    pub fn record(&mut self, span: Span, place: P) {
        let Ok(nanos) = u64::try_from(span.as_nanos()) else {
            return;
        };
        self.count = self.count.wrapping_add(1);
        let (shortest, longest) = self.between;
        if span < shortest || span > longest {
            self.extreme(Extreme { span, place });
        }
        self.cells.count(nanos.clamp(1, LONGEST));
    }

    #[cold]
    fn extreme(&mut self, seen: Extreme<P>) {
        let shortest = *self.shortest.insert(self.shortest.filter(|known| known.span <= seen.span).unwrap_or(seen));
        let longest = *self.longest.insert(self.longest.filter(|known| known.span >= seen.span).unwrap_or(seen));
        self.between = (shortest.span, longest.span);
    }

    /// Takes in intervals that were recorded elsewhere, as if they had come behind these.
    pub fn join(&mut self, other: &Self) {
        self.count = self.count.saturating_add(other.count);
        other.shortest.into_iter().chain(other.longest).for_each(|extreme| self.extreme(extreme));
        self.cells.join(&other.cells);
    }

    /// How many intervals were recorded.
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// The shortest interval, exactly; the first of equals.
    pub const fn shortest(&self) -> Option<Extreme<P>> {
        self.shortest
    }

    /// The longest interval, exactly; the first of equals.
    pub const fn longest(&self) -> Option<Extreme<P>> {
        self.longest
    }

    /// How many intervals fall into each bucket of `width` from 0 on, up to the longest; from the histogram, whose own buckets
    /// are at most 0.1 % wide. Intervals beyond an hour count into the bucket of the hour.
    pub fn counts(&self, width: Span) -> Vec<u64> {
        let width = u64::try_from(width.as_nanos()).unwrap_or(0).max(1);
        let mut counts = Vec::new();
        for (last, count) in self.cells.recorded(self.least()) {
            let place = last.saturating_sub(1).checked_div(width).unwrap_or(0);
            let place = usize::try_from(place).unwrap_or(usize::MAX);
            if place >= counts.len() {
                counts.resize(place.saturating_add(1).min(MOST_BUCKETS), 0_u64);
            }
            let place = place.min(MOST_BUCKETS - 1);
            if let Some(bucket) = counts.get_mut(place) {
                *bucket = bucket.saturating_add(count.into());
            }
        }
        counts
    }

    /// The intervals by length, as finely as they are counted, or as [`MOST_CELLS`] cells allow. 0 counts as 1 ns, more than an
    /// hour as an hour.
    pub fn fine(&self) -> FineCounts {
        let mut bits = KEPT_BITS;
        let mut cells: Vec<(u64, u64)> =
            self.cells.recorded(self.least()).map(|(last, count)| (last, count.into())).collect();
        while cells.len() > MOST_CELLS {
            bits = bits.saturating_sub(1);
            cells.iter_mut().for_each(|(last, _)| *last = last_alike(*last, bits));
            cells.dedup_by(|next, kept| {
                let is_alike = next.0 == kept.0;
                if is_alike {
                    kept.1 = kept.1.saturating_add(next.1);
                }
                is_alike
            });
        }
        FineCounts { bits, cells }
    }

    /// The intervals by length in nanoseconds, to three digits; `None` if the library could not make a histogram. 0 counts
    /// as 1 ns, more than an hour as an hour.
    pub(crate) fn histogram(&self) -> Option<Histogram<u32>> {
        self.cells.histogram(self.least(), counted(self.longest))
    }

    fn least(&self) -> u64 {
        counted(self.shortest)
    }

    /// The `quantile` (0 to 1): top of the histogram bucket, so at most 0.1 % too long, and never above the exact maximum.
    pub fn quantile(&self, quantile: f64) -> Option<Span> {
        let longest = self.longest?;
        let top = i64::try_from(self.cells.quantile(self.least(), self.count, quantile)).unwrap_or(i64::MAX);
        Some(Span::from_nanos(top).min(longest.span))
    }
}

/// The longest length that agrees with `nanos` in its leading `bits`.
fn last_alike(nanos: u64, bits: u32) -> u64 {
    let length = u64::BITS.saturating_sub(nanos.leading_zeros());
    let rest = 1_u64.checked_shl(length.saturating_sub(bits)).map_or(u64::MAX, |step| step.saturating_sub(1));
    nanos | rest
}

/// How the histogram counts an extreme.
fn counted<P>(extreme: Option<Extreme<P>>) -> u64 {
    extreme.map_or(0, |extreme| u64::try_from(extreme.span.as_nanos()).unwrap_or(0)).clamp(1, LONGEST)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn nothing_recorded_is_nothing_known() {
        let intervals = Intervals::<u64>::default();
        assert_eq!(intervals.count(), 0);
        assert!(intervals.shortest().is_none() && intervals.longest().is_none() && intervals.quantile(0.5).is_none());
    }

    #[test]
    fn a_clock_step_back_is_no_interval() {
        let mut intervals = Intervals::default();
        intervals.record(Span::from_nanos(-1), 1_u64);
        assert_eq!(intervals.count(), 0);
    }

    proptest! {
        /// Oracle: every length by itself, written in binary and cut. Many lengths make the cells wider, so that they stay few.
        #[test]
        fn fine_counts_are_those_of_the_leading_digits(
            nanos in prop_oneof![
                proptest::collection::vec(1_i64..3_600_000_000_000, 1..200),
                (1_i64..1_000_000).prop_map(|step| (1..6_000).map(|count| count * step).collect()),
            ],
        ) {
            let mut intervals = Intervals::default();
            nanos.iter().for_each(|nanos| intervals.record(Span::from_nanos(*nanos), ()));
            let told = intervals.fine();
            prop_assert!(told.cells.len() <= MOST_CELLS && told.bits <= 11 && told.bits >= 7);
            prop_assert!(told.bits == 11 || nanos.len() > MOST_CELLS);
            let mut expected = std::collections::BTreeMap::new();
            for nanos in &nanos {
                let digits = format!("{nanos:b}");
                let kept = digits.len().min(told.bits as usize);
                let last = format!("{}{}", &digits[..kept], "1".repeat(digits.len() - kept));
                *expected.entry(u64::from_str_radix(&last, 2).unwrap()).or_insert(0_u64) += 1;
            }
            prop_assert_eq!(told.cells, expected.into_iter().collect::<Vec<_>>());
        }

        /// Oracle: the same recorder given all of them one after the other.
        #[test]
        fn joined_is_as_recorded_one_after_the_other(
            parts in proptest::collection::vec(proptest::collection::vec(0_i64..9_000_000_000, 0..40), 1..5),
        ) {
            let mut whole = Intervals::default();
            let mut joined = Intervals::default();
            for (number, part) in parts.iter().enumerate() {
                let mut alone = Intervals::default();
                for (place, nanos) in part.iter().enumerate() {
                    whole.record(Span::from_nanos(*nanos), (number, place));
                    alone.record(Span::from_nanos(*nanos), (number, place));
                }
                joined.join(&alone);
            }
            prop_assert_eq!(joined.count(), whole.count());
            prop_assert_eq!((joined.shortest(), joined.longest()), (whole.shortest(), whole.longest()));
            for quantile in [0.0, 0.001, 0.25, 0.5, 0.9, 0.999, 1.0] {
                prop_assert_eq!(joined.quantile(quantile), whole.quantile(quantile));
            }
            prop_assert_eq!(joined.counts(Span::from_millis(100)), whole.counts(Span::from_millis(100)));
        }

        /// Oracle: the sorted list.
        #[test]
        fn extremes_are_exact_and_quantiles_close(mut nanos in proptest::collection::vec(0_i64..8_000_000_000_000, 1..300)) {
            let mut intervals = Intervals::default();
            for (place, n) in nanos.iter().enumerate() {
                intervals.record(Span::from_nanos(*n), place);
            }
            let longest = intervals.longest().unwrap();
            prop_assert_eq!(longest.span.as_nanos(), *nanos.iter().max().unwrap());
            prop_assert_eq!(nanos[longest.place], longest.span.as_nanos());
            prop_assert_eq!(intervals.shortest().unwrap().span.as_nanos(), *nanos.iter().min().unwrap());
            let width = Span::from_nanos(40_000_000_000);
            let counts = intervals.counts(width);
            prop_assert_eq!(counts.iter().sum::<u64>(), intervals.count());
            for (bucket, count) in (0_i64..).zip(&counts) {
                // The library's buckets are up to 0.1 % wide, so the edges are soft by that much.
                let (from, to) = (bucket * width.as_nanos(), (bucket + 1) * width.as_nanos());
                let soft = |edge: i64| edge / 500 + 2;
                let inside = |n: &&i64| **n >= from + soft(from) && **n < (to - soft(to)).min(3_590_000_000_000);
                prop_assert!(*count >= u64::try_from(nanos.iter().filter(inside).count()).unwrap());
            }
            nanos.sort_unstable();
            let median = nanos[(nanos.len() - 1) / 2].clamp(1, 3_600_000_000_000);
            let told = intervals.quantile(0.5).unwrap().as_nanos();
            prop_assert!(told >= median.min(longest.span.as_nanos()) && told - median <= median / 500 + 1, "{} {}", told, median);
        }
    }
}

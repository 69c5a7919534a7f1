//! Long intervals that come together are one event: clusters by runs (Coles 2001, section 5.3.2, from memory).

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::time::{Instant, Span};

/// The largest of each cluster of the intervals above `threshold`. A cluster ends when more than `run_length` passes between the
/// end of one of them and the begin of the next. `intervals` are in the order of their ends.
pub(super) fn cluster_maxima(intervals: &[(Instant, Span)], threshold: Span, run_length: Span) -> Vec<Span> {
    let mut maxima: Vec<Span> = Vec::new();
    let mut last: Option<Instant> = None;
    for (at, span) in intervals.iter().filter(|(_, span)| *span > threshold) {
        let gap = last.map(|last| at.since(last).checked_sub(*span).unwrap_or(Span::MAX));
        match maxima.last_mut().filter(|_| gap.is_some_and(|gap| gap <= run_length)) {
            Some(largest) => *largest = (*largest).max(*span),
            None => maxima.push(*span),
        }
        last = Some(*at);
    }
    maxima
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn intervals_that_come_together_are_one_event() {
        let ms = |end: i64, span: i64| (Instant::from_nanos(end * 1_000_000), Span::from_millis(span));
        // Gaps from end to begin: 100 (own), 101 (new), below the threshold, 260 (new).
        let intervals = [ms(100, 20), ms(230, 30), ms(353, 22), ms(400, 9), ms(641, 28)];
        let told = cluster_maxima(&intervals, Span::from_millis(10), Span::from_millis(100));
        assert_eq!(told, [Span::from_millis(30), Span::from_millis(22), Span::from_millis(28)]);
        assert_eq!(cluster_maxima(&intervals, Span::from_millis(30), Span::from_millis(100)), []);
        assert_eq!(cluster_maxima(&intervals, Span::ZERO, Span::MAX), [Span::from_millis(30)]);
    }
}

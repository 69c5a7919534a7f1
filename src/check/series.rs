//! Measured times of one kind: their distribution, the longest in each part of the run, and what stood around the longest of all.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::around::{Carried, LongInterval};
use super::finding::Location;
use crate::time::{Instant, Span};
use crate::timing::{Intervals, Maxima, Worst};

/// Times of one kind, each with the packet that ended it.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct Series {
    /// All of them.
    pub times: Intervals<Location>,
    /// The longest in each part of the run; `None` before the first, and for several runs put together.
    pub maxima: Option<Maxima>,
    /// The few longest, with what stood around each.
    pub longest: Worst<LongInterval>,
    /// The one recorded last, unless one that could not be measured came behind it.
    before: Option<Span>,
    /// Where that ended, if it is one of the longest: what stands behind it is still to come.
    open: Option<Location>,
}

impl Series {
    /// Keeps as many of the longest.
    pub(super) fn keep_longest(&mut self, number: usize) {
        self.longest = Worst::new(number);
    }

    /// A time that began with `start` and ended with `end`; `span` is shorter if not all of that counts. `other_telegrams` came
    /// from the other side meanwhile.
    #[inline(always)]
    pub(super) fn record(&mut self, span: Span, start: Location, end: Location, other_telegrams: u64) {
        let before = self.before.replace(span);
        self.times.record(span, end);
        if self.open.is_some() || self.longest.enters(span) {
            self.keep(span, LongInterval::new(start, end, before, other_telegrams));
        }
        self.maxima.get_or_insert_with(|| Maxima::new(start.at)).record(span, end.at);
    }

    /// Tells the one before what stands behind it, and keeps this one if it is among the longest.
    #[cold]
    fn keep(&mut self, span: Span, long: LongInterval) {
        let open = self.open.take();
        if let Some(before) = self.longest.iter_mut().find(|before| Some(before.end) == open) {
            before.after = Some(span);
        }
        if self.longest.enters(span) {
            self.open = Some(long.end);
            self.longest.insert(span, long);
        }
    }

    /// The next one could not be measured.
    #[inline(always)]
    pub(super) const fn interrupt(&mut self) {
        (self.before, self.open) = (None, None);
    }

    /// If the last one is one of the longest and ended with `end`, `around` is asked what the carrier and the tap did since its start;
    /// `carried` is what the carrier brought meanwhile, where that is known.
    #[inline(always)]
    pub(super) fn carried(
        &mut self,
        end: Location,
        carried: Option<Carried>,
        around: impl FnOnce(Instant) -> (Option<Span>, u32),
    ) {
        // Nearly always all there is to do.
        if self.open.is_some() {
            self.look_around(end, carried, around);
        }
    }

    #[cold]
    fn look_around(
        &mut self,
        end: Location,
        carried: Option<Carried>,
        around: impl FnOnce(Instant) -> (Option<Span>, u32),
    ) {
        if self.open != Some(end) {
            return;
        }
        if let Some(long) = self.longest.iter_mut().find(|long| long.end == end) {
            (long.longest_frame_gap, long.tap_faults) = around(long.start.at);
            long.copies = carried.map(|carried| carried.copies);
            long.frames = carried.and_then(|carried| carried.frames);
        }
    }

    /// Takes in what another run measured: there is no time line through both.
    pub(super) fn join(&mut self, other: &Self) {
        self.times.join(&other.times);
        self.longest.join(&other.longest);
        self.maxima = None;
        self.interrupt();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: i64) -> Location {
        Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() }
    }

    #[test]
    fn a_long_time_knows_its_neighbours_unless_they_could_not_be_measured() {
        let mut series = Series::default();
        for end in [10, 20, 49, 60] {
            let span = if end == 49 { 29 } else { 10 };
            series.record(Span::from_millis(span), at(end - span), at(end), 1);
            series.carried(at(end), Some(Carried { copies: 7, frames: None }), |since| {
                assert_eq!(since, at(end - span).at);
                (Some(Span::from_millis(3)), 2)
            });
        }
        let (span, long) = series.longest.iter().next().unwrap();
        assert_eq!((span, long.start, long.end), (Span::from_millis(29), at(20), at(49)));
        assert_eq!((long.before, long.after), (Some(Span::from_millis(10)), Some(Span::from_millis(10))));
        assert_eq!(
            (long.copies, long.frames, long.longest_frame_gap, long.tap_faults),
            (Some(7), None, Some(Span::from_millis(3)), 2)
        );
        series.record(Span::from_millis(40), at(60), at(100), 0);
        series.interrupt();
        series.record(Span::from_millis(10), at(200), at(210), 0);
        let told: Vec<_> = series.longest.iter().map(|(span, long)| (span, long.before, long.after)).collect();
        assert_eq!(told[0], (Span::from_millis(40), Some(Span::from_millis(10)), None));
        assert_eq!(told.last().unwrap().1, Some(Span::from_millis(29)), "of equals the first ones are kept");
        assert_eq!(series.maxima.unwrap().start(), at(0).at);
    }
}

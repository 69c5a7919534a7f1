//! The last telegrams and frames of one direction, in rings of fixed size.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Content, RECENT, Recent, Seen, Stretch};
use crate::check::finding::Location;
use crate::time::{Instant, Span};

/// Gaps of the carrier kept.
const GAPS: usize = 4;

/// Frames after which the usual time between them is known.
const KNOWN: i64 = 8;

/// One direction.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct LineRecord {
    ring: [Option<Seen>; RECENT],
    /// Where the next one goes: the oldest stands there.
    next: usize,
    count: u64,
    last_frame: Option<Location>,
    frames: u64,
    /// Nanoseconds.
    usual: i64,
    gaps: [Option<Stretch>; GAPS],
    gap_count: usize,
}

impl LineRecord {
    /// A frame with a place for the telegrams of this direction passed. `least`: shorter gaps are not worth keeping.
    #[inline(always)]
    pub(super) fn frame(&mut self, at: Location, least: i64) {
        self.frames = self.frames.wrapping_add(1);
        let span = self.last_frame.map(|last| at.at.since(last.at).as_nanos());
        if span.is_some_and(|span| span > least && span > self.limit(least)) {
            self.gap(at);
        } else if let Some(span) = span.filter(|span| *span >= 0) {
            // Neither is negative, so nothing overflows.
            let difference = span.wrapping_sub(self.usual);
            // The mean of the first ones, then a moving one; the shift is for speed.
            let step = match i64::try_from(self.frames) {
                Ok(frames @ ..=KNOWN) => difference.checked_div(frames.saturating_sub(1)).unwrap_or_default(),
                _ => difference >> 3,
            };
            self.usual = self.usual.wrapping_add(step);
        }
        self.last_frame = Some(at);
    }

    #[cold]
    fn gap(&mut self, at: Location) {
        if let (Some(slot), Some(last)) = (self.gaps.get_mut(self.gap_count % GAPS), self.last_frame) {
            *slot = Some(Stretch { from: last, to: at });
        }
        self.gap_count = self.gap_count.wrapping_add(1);
    }

    /// From which time on a time without frames is a gap.
    fn limit(&self, least: i64) -> i64 {
        if self.frames <= KNOWN.unsigned_abs() { i64::MAX } else { self.usual.saturating_mul(4).max(least) }
    }

    /// A new telegram in the frame noted last.
    #[inline(always)]
    pub(super) fn telegram(&mut self, location: Location, content: Content, number: Option<u32>) {
        if let Some(slot) = self.ring.get_mut(self.next) {
            *slot = Some(Seen { location, content, number, frames: self.frames });
        }
        self.next = if self.next < RECENT - 1 { self.next.wrapping_add(1) } else { 0 };
        self.count = self.count.wrapping_add(1);
    }

    pub(super) const fn last_frame(&self) -> Option<Location> {
        self.last_frame
    }

    /// Packet of the last new telegram.
    pub(super) fn last(&self) -> Option<Location> {
        self.telegrams().map(|seen| seen.location).max()
    }

    fn telegrams(&self) -> impl Iterator<Item = Seen> {
        let (newer, older) = self.ring.split_at_checked(self.next).unwrap_or((&self.ring, &[]));
        older.iter().chain(newer).flatten().copied()
    }

    /// What is known up to `now`, a time without frames that is still open included.
    pub(super) fn recent(&self, now: Location, least: i64) -> Recent {
        let split = self.gap_count.checked_rem(GAPS).unwrap_or_default();
        let (newer, older) = self.gaps.split_at_checked(split).unwrap_or((&self.gaps, &[]));
        let mut gaps: Vec<Stretch> = older.iter().chain(newer).flatten().copied().collect();
        if let Some(from) = self.last_frame.filter(|last| now.at.since(last.at).as_nanos() > self.limit(least)) {
            gaps.push(Stretch { from, to: now });
        }
        Recent {
            telegrams: self.telegrams().filter(|seen| is_before(seen.location, now)).collect(),
            count: self.count,
            last_frame: self.last_frame,
            frames: self.frames,
            usual: Span::from_nanos(self.usual),
            gaps,
        }
    }

    /// Whether new telegrams went on from `from` to `to`: no time without any was longer than half of it. `None` if there
    /// was none before.
    pub(super) fn went_on(&self, from: Instant, to: Instant) -> Option<bool> {
        let times = || self.telegrams().map(|seen| seen.location.at);
        let oldest = times().next()?;
        if oldest <= from {
            return Some(no_long_pause(times(), from, to));
        }
        // What the ring does not hold any more was followed by as many telegrams as it holds.
        let went_on = self.count > u64::try_from(RECENT).unwrap_or(0);
        went_on.then(|| oldest >= to || no_long_pause(times(), oldest, to))
    }

    /// The same for the frames.
    pub(super) fn frames_went_on(&self, from: Instant, to: Instant) -> bool {
        let is_long = |begin: Instant, end: Instant| {
            let overlap = end.min(to).since(begin.max(from)).as_nanos();
            overlap.saturating_mul(2) > to.since(from).as_nanos()
        };
        let in_a_gap = self.gaps.iter().flatten().any(|gap| is_long(gap.from.at, gap.to.at));
        let open = self.last_frame.is_none_or(|last| is_long(last.at, to));
        !in_a_gap && !open
    }

    /// Whether at least two frames are usual in `window`.
    pub(super) const fn is_dense(&self, window: Span) -> bool {
        self.usual.saturating_mul(2) <= window.as_nanos()
    }
}

/// Whether telegram `seen` came before `now`: what is found out late is told of an earlier packet.
fn is_before(seen: Location, now: Location) -> bool {
    (seen.file, seen.packet) < (now.file, now.packet) || seen.at < now.at
}

/// Whether none of the times between `times`, cut to `from..to`, is longer than half of it.
fn no_long_pause(times: impl Iterator<Item = Instant>, from: Instant, to: Instant) -> bool {
    let half = to.since(from).as_nanos() / 2;
    let mut before: Option<Instant> = None;
    for at in times.filter(|at| *at <= to) {
        if before.is_some_and(|before| at.since(before.max(from)).as_nanos() > half) {
            return false;
        }
        before = Some(at);
    }
    before.is_some_and(|before| to.since(before.max(from)).as_nanos() <= half)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: i64) -> Location {
        Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() }
    }

    #[test]
    fn the_ring_keeps_the_newest_in_order() {
        let mut line = LineRecord::default();
        assert_eq!(line.recent(at(0), 0), Recent::default());
        for ms in 0..40 {
            line.frame(at(ms * 2), 0);
            if ms % 2 == 0 {
                line.telegram(at(ms * 2), Content::Process, u32::try_from(ms).ok());
            }
        }
        let recent = line.recent(at(79), 0);
        let packets: Vec<u64> = recent.telegrams.iter().map(|seen| seen.location.packet).collect();
        assert_eq!(packets, (8..20).map(|n| n * 4).collect::<Vec<_>>());
        assert_eq!((recent.count, recent.frames, recent.usual), (20, 40, Span::from_millis(2)));
        assert_eq!((recent.gaps.len(), line.last()), (0, Some(at(76))));
    }

    #[test]
    fn gaps_of_the_carrier_are_kept_open_ones_too() {
        let mut line = LineRecord::default();
        for ms in (0..100).chain(150..160).chain(190..195) {
            line.frame(at(ms), 10_000_000);
        }
        let gaps = |now| line.recent(at(now), 10_000_000).gaps;
        let spans = |now: i64| gaps(now).iter().map(|gap| gap.span().as_nanos() / 1_000_000).collect::<Vec<_>>();
        assert_eq!(spans(196), [51, 31]);
        assert_eq!(spans(230), [51, 31, 36]);
        let ns = |ms: i64| Instant::from_nanos(ms * 1_000_000);
        assert!(!line.frames_went_on(ns(90), ns(155)) && line.frames_went_on(ns(0), ns(90)));
        assert!(!line.frames_went_on(ns(180), ns(300)));
    }

    #[test]
    fn telegrams_go_on_where_no_pause_is_longer_than_half() {
        let mut line = LineRecord::default();
        let ns = |ms: i64| Instant::from_nanos(ms * 1_000_000);
        assert_eq!(line.went_on(ns(0), ns(100)), None);
        for ms in [0, 10, 20, 30, 90, 100] {
            line.telegram(at(ms), Content::Process, None);
        }
        assert_eq!(line.went_on(ns(5), ns(35)), Some(true));
        assert_eq!(line.went_on(ns(20), ns(100)), Some(false));
        assert_eq!(line.went_on(ns(95), ns(300)), Some(false));
    }

    #[test]
    fn a_clock_that_steps_back_makes_no_gap() {
        let mut line = LineRecord::default();
        for ms in (0..50).chain(10..60) {
            line.frame(at(ms), 0);
        }
        assert!(line.recent(at(60), 0).gaps.is_empty());
    }
}

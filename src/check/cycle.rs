//! The cycle of the carriers beside the telegrams: how regularly their frames come.
//!
//! A safety telegram can't be more regular than the frames that carry it. Frames are told apart by what a sender repeats each
//! cycle: the first datagram of a Type 12 frame, FrameID and source of Type 10, message type and node of Type 13. A Type 10
//! sender also counts its cycles (units of 31.25 us), so its clock can be held against that of the capture.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use super::finding::Location;
use super::pace::Pace;
use crate::carrier::type10::CYCLE_UNIT;
use crate::carrier::type12::Command;
use crate::carrier::type13::MessageType;
use crate::carrier::{Mac, Pass};
use crate::time::{Instant, Span};
use crate::timing::Intervals;

/// Kinds of frames that are followed; each has a histogram.
const KINDS: usize = 64;

/// Gaps that are remembered to find the longest in an interval; with chance behind them some ten are needed.
const GAPS: usize = 32;

/// What frames of one kind have in common.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum FrameKind {
    /// Type 12: a frame whose first datagram is this.
    Type12 {
        /// The pass on which it is captured.
        pass: Pass,
        /// Command of the first datagram.
        command: Command,
        /// Its address field.
        address: [u8; 4],
        /// Octets of its data.
        length: usize,
    },
    /// Type 10 RT.
    Type10 {
        /// FrameID.
        frame_id: u16,
        /// Sender.
        source: Mac,
    },
    /// Type 13.
    Type13 {
        /// Message type.
        message_type: MessageType,
        /// The node that is polled or answers; 0 for the types that concern all.
        node: u8,
    },
    /// UDP datagrams with telegrams of the machine, to this port.
    Udp {
        /// Destination port.
        port: u16,
    },
    /// Type 2 packets with telegrams of the machine.
    Type2 {
        /// Connection ID.
        connection_id: u32,
    },
    /// Ethernet frames with telegrams of the machine.
    Ethernet {
        /// EtherType.
        ether_type: u16,
    },
}

impl FrameKind {
    /// Whether a counter of the carrier tells what is missing; of Type 2 only that of a sender that is known to count.
    const fn counts(self) -> bool {
        matches!(self, Self::Type12 { .. } | Self::Type10 { .. })
    }
}

/// Frames of one kind.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct Cycle {
    /// What they have in common.
    pub kind: FrameKind,
    /// How many.
    pub frames: u64,
    /// From one to the next, as far as the tap lost nothing in between.
    pub intervals: Intervals<Location>,
    /// Type 10: by how much an interval is longer than the cycles counted in it.
    pub deviation: Option<Deviation>,
    last: Option<Instant>,
    gaps: Gaps,
    /// Whether a counter of the carrier tells what is missing.
    counts: bool,
    /// Without such a counter.
    pace: Pace,
}

/// The clock of the capture against the cycle counter of a sender.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Deviation {
    /// The most that an interval was shorter than counted (negative), and where it ended.
    pub least: (Span, Location),
    /// The most that an interval was longer than counted, and where it ended.
    pub most: (Span, Location),
}

/// All kinds of frames that are followed.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Cycles {
    known: Vec<Cycle>,
    /// The kind of the last frame, if it is followed: the next frame is most likely of the kind behind it.
    current: Option<usize>,
    /// Frames so far of that kind.
    frames: Option<u64>,
    /// The time before it, if it came so late that one of its kind may be missing.
    late: Option<Span>,
}

impl Cycles {
    /// The next frame. `counted`: since the frame before of its kind, by the sender.
    pub(super) fn frame(&mut self, kind: FrameKind, at: Location, counted: Option<Span>) {
        self.current = self.find(kind);
        (self.frames, self.late) = (None, None);
        if let Some(cycle) = self.current.and_then(|index| self.known.get_mut(index)) {
            if !cycle.counts {
                self.late = cycle.last.map(|last| at.at.since(last)).filter(|span| cycle.pace.comes_late(*span));
            }
            cycle.frame(at, counted);
            self.frames = Some(cycle.frames);
        }
    }

    /// The next frame is of no kind that is followed, or a copy of one before.
    pub(super) const fn other(&mut self) {
        (self.current, self.frames, self.late) = (None, None, None);
    }

    fn find(&mut self, kind: FrameKind) -> Option<usize> {
        let next = self.current.map_or(0, |current| current.saturating_add(1));
        let next = if next < self.known.len() { next } else { 0 };
        if self.known.get(next).is_some_and(|cycle| cycle.kind == kind) {
            return Some(next);
        }
        if let Some(index) = self.known.iter().position(|cycle| cycle.kind == kind) {
            return Some(index);
        }
        (self.known.len() < KINDS).then(|| {
            self.known.push(Cycle::new(kind));
            self.known.len().saturating_sub(1)
        })
    }

    /// The capture lost frames of the kinds concerned: the time to the next is no interval.
    pub(super) fn tap_gap(&mut self, concerned: impl Fn(&FrameKind) -> bool) {
        for cycle in self.known.iter_mut().filter(|cycle| concerned(&cycle.kind)) {
            cycle.last = None;
        }
    }

    /// The counter of the carrier says that none is missing before the last frame.
    pub(super) const fn is_whole(&mut self) {
        self.late = None;
    }

    /// The time before the last frame, if that came so late that one of its kind may be missing.
    pub(super) const fn late(&self) -> Option<Span> {
        self.late
    }

    /// Frames so far of the kind of the last one.
    pub(super) const fn frames(&self) -> Option<u64> {
        self.frames
    }

    /// The longest time between two frames of the kind of the last one that ended after `since`.
    pub(super) fn longest_gap(&self, since: Instant) -> Option<Span> {
        self.current.and_then(|index| self.known.get(index))?.gaps.longest(since)
    }

    pub(super) fn finish(self) -> Vec<Cycle> {
        self.known
    }
}

impl Cycle {
    fn new(kind: FrameKind) -> Self {
        let (intervals, gaps) = (Intervals::default(), Gaps::default());
        Self {
            kind,
            frames: 0,
            intervals,
            deviation: None,
            last: None,
            gaps,
            counts: kind.counts(),
            pace: Pace::default(),
        }
    }

    fn frame(&mut self, at: Location, counted: Option<Span>) {
        self.frames = self.frames.saturating_add(1);
        let Some(last) = self.last.replace(at.at) else { return };
        let span = at.at.since(last);
        self.intervals.record(span, at);
        self.gaps.record(at.at, span);
        let Some(deviation) = counted.and_then(|counted| span.checked_sub(counted)) else { return };
        let known = self.deviation.get_or_insert(Deviation { least: (deviation, at), most: (deviation, at) });
        if deviation < known.least.0 {
            known.least = (deviation, at);
        }
        if deviation > known.most.0 {
            known.most = (deviation, at);
        }
    }
}

/// The time that a Type 10 sender says passes in `advance` counts.
pub(super) fn counted(advance: u16) -> Span {
    Span::from_nanos(i64::from(advance).saturating_mul(CYCLE_UNIT.as_nanos()))
}

/// The gaps that are longer than every later one: what the longest of a recent time is found in.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
struct Gaps {
    /// End and length; the ends grow, the lengths fall.
    kept: VecDeque<(Instant, Span)>,
    /// The end of the last one that there was no room for.
    forgotten: Option<Instant>,
}

impl Gaps {
    fn record(&mut self, end: Instant, gap: Span) {
        while self.kept.back().is_some_and(|(_, shorter)| *shorter <= gap) {
            self.kept.pop_back();
        }
        self.kept.push_back((end, gap));
        if self.kept.len() > GAPS {
            self.forgotten = self.kept.pop_front().map(|(end, _)| end);
        }
    }

    /// The longest that ended after `since`; `None` if there is none or it is forgotten.
    fn longest(&self, since: Instant) -> Option<Span> {
        if self.forgotten.is_some_and(|end| end > since) {
            return None;
        }
        self.kept.iter().find(|(end, _)| *end > since).map(|(_, gap)| *gap)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(nanos: i64) -> Location {
        Location { at: Instant::from_nanos(nanos), file: 0, packet: nanos.unsigned_abs() }
    }

    fn type10(frame_id: u16) -> FrameKind {
        FrameKind::Type10 { frame_id, source: Mac([2, 0, 0, 0, 0, 1]) }
    }

    proptest! {
        /// Oracle: all gaps kept and looked through.
        #[test]
        fn the_longest_gap_since_any_time(gaps in proptest::collection::vec(1_i64..50, 1..120), since in 0_i64..3_000) {
            let (mut kept, mut end, mut all) = (Gaps::default(), 0, Vec::new());
            for gap in gaps {
                end += gap;
                kept.record(Instant::from_nanos(end), Span::from_nanos(gap));
                all.push((end, gap));
            }
            let longest = all.iter().filter(|(end, _)| *end > since).map(|(_, gap)| *gap).max();
            prop_assert_eq!(kept.longest(Instant::from_nanos(since)).map(Span::as_nanos), longest);
        }
    }

    #[test]
    fn what_is_forgotten_is_not_guessed() {
        let mut gaps = Gaps::default();
        for (end, gap) in (1..).zip((1..100).rev()) {
            gaps.record(Instant::from_nanos(end * 1_000), Span::from_nanos(gap));
        }
        assert_eq!(gaps.longest(Instant::from_nanos(0)), None);
        assert_eq!(gaps.longest(Instant::from_nanos(90_000)), Some(Span::from_nanos(9)));
        assert_eq!(gaps.longest(Instant::from_nanos(99_000)), None);
    }

    /// By hand: cycles of 1 ms = 32 counts; frames at 0, 1.001, 1.998 ms, then two lost, then 5 and 6 ms.
    #[test]
    fn the_clock_is_held_against_the_counter() {
        let mut cycles = Cycles::default();
        let millisecond = Some(counted(32));
        assert_eq!(millisecond, Some(Span::from_millis(1)));
        for nanos in [0, 1_001_000, 1_998_000] {
            cycles.frame(type10(1), at(nanos), millisecond);
            cycles.frame(type10(2), at(nanos + 10), None);
        }
        cycles.tap_gap(|kind| *kind == type10(1));
        for nanos in [5_000_000, 6_000_000] {
            cycles.frame(type10(1), at(nanos), millisecond);
        }
        assert_eq!(
            (cycles.frames(), cycles.longest_gap(Instant::from_nanos(0))),
            (Some(5), Some(Span::from_micros(1_001)))
        );
        assert_eq!(cycles.longest_gap(Instant::from_nanos(1_998_000)), Some(Span::from_millis(1)));
        let told = cycles.finish();
        assert_eq!((told[0].frames, told[0].intervals.count(), told[1].intervals.count()), (5, 3, 2));
        let deviation = told[0].deviation.unwrap();
        assert_eq!(deviation.least, (Span::from_micros(-3), at(1_998_000)));
        assert_eq!(deviation.most, (Span::from_micros(1), at(1_001_000)));
        assert_eq!(told[1].deviation, None);
    }

    /// Frames each 4 ms, that are shown up to five times in some microseconds; then the cycle is 200 us.
    #[test]
    fn frames_that_are_shown_again_at_once_make_none_late() {
        let (mut cycles, mut now, mut late) = (Cycles::default(), 0, 0);
        let mut frame = |now: i64| {
            cycles.frame(FrameKind::Udp { port: 1 }, at(now), None);
            late += u32::from(cycles.late().is_some());
        };
        for cycle in 0..200 {
            now += 4_000_000;
            (0..=cycle % 5).for_each(|copy| frame(now + copy * 3_000));
        }
        for _ in 0..100 {
            now += 200_000;
            frame(now);
        }
        // The new cycle is known: a missing frame shows.
        now += 400_000;
        frame(now);
        assert_eq!(late, 1);
    }

    /// By hand: frames each 4 ms, a little early or late; then one is missing, and then three.
    #[test]
    fn a_missing_frame_makes_the_next_late() {
        let mut cycles = Cycles::default();
        let mut now = 0;
        let mut late = Vec::new();
        for cycle in 0..100 {
            now += if cycle % 2 == 0 { 4_300_000 } else { 3_700_000 };
            now += match cycle {
                50 => 4_000_000,
                70 => 12_000_000,
                _ => 0,
            };
            cycles.frame(FrameKind::Udp { port: 1 }, at(now), None);
            if cycles.late().is_some() {
                late.push(cycle);
            }
        }
        assert_eq!(late, [50, 70]);
        cycles.tap_gap(|_| true);
        cycles.frame(FrameKind::Udp { port: 1 }, at(now + 9_000_000), None);
        assert_eq!(cycles.late(), None, "that gap is known already");
    }

    #[test]
    fn the_number_of_kinds_is_bounded() {
        let mut cycles = Cycles::default();
        for frame_id in 0..200 {
            cycles.frame(type10(frame_id), at(i64::from(frame_id)), None);
        }
        assert_eq!(cycles.frames(), None);
        assert_eq!(cycles.finish().len(), KINDS);
    }
}

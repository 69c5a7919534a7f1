//! What the capture lost, as far as the carriers' own counters show it. A tap's fault is never the machine's.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use super::capture_clock::{CaptureClock, Clock};
use super::finding::Location;
use super::type2_counter::{Step, Type2Counter};
use crate::carrier::{Mac, Pass, type2, udp};
use crate::time::{Instant, Span};

/// Type 12 frames that may be on their way at once.
const ON_THE_WAY: usize = 64;

/// Frames whose datagram indices must follow each other before a jump counts as a gap: not every master counts.
const COUNTING: u32 = 32;

/// A datagram index has 256 values.
const HALF_OF_THE_INDICES: i128 = 128;

/// Type 10 senders that are followed.
const SENDERS: usize = 1_024;

/// Half a turn of the Type 10 cycle counter, 32 768 x 31.25 us: after a longer silence it does not tell back from ahead.
const HALF_TURN: Span = Span::from_millis(1_024);
const TURN: Span = Span::from_millis(2_048);

/// Faults whose times are remembered.
const RECENT: usize = 32;

/// Stretches of Type 12 frames that did not come back; what comes later is counted together.
const STRETCHES: usize = 64;

/// Something that the capture lost or disordered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub enum TapFault {
    /// The cycle counter of a Type 10 sender jumped ahead: frames are missing.
    MissingType10Frames,
    /// A Type 10 frame with the cycle counter of its predecessor.
    RepeatedType10Frames,
    /// The cycle counter of a Type 10 sender went back.
    DisorderedType10Frames,
    /// Type 12 frames that went out and did not come back.
    UnreturnedType12Frames,
    /// Type 12 frames that came back without having been seen going out.
    ReturnsWithoutType12Frame,
    /// Datagram indices missing in the count of a Type 12 master.
    MissingType12Indices,
    /// Type 12 frames that were captured twice: the index of a master that counts stood still, or a frame came back twice.
    RepeatedType12Frames,
    /// The sequence number of a Type 2 sender jumped ahead: packets are missing.
    MissingType2Packets,
    /// Type 2 packets that were captured twice.
    RepeatedType2Packets,
    /// The sequence number of a Type 2 sender went back.
    DisorderedType2Packets,
    /// The clock of the capture went back.
    ClockStepsBack,
    /// The clock of the capture jumped ahead, or the capture paused: a Type 10 sender counted one step meanwhile, or nothing at
    /// all was captured for longer than a watchdog time, and the connection went on as if nothing had been; or it went ahead by about
    /// as much as it had gone back before.
    ClockStepsAhead,
    /// Telegrams are missing on a carrier without a counter, and no frame that could have carried them was captured in time.
    MissingTelegrams,
}

impl TapFault {
    /// All kinds, in the order of the report.
    pub const ALL: [Self; 13] = [
        Self::MissingType10Frames,
        Self::RepeatedType10Frames,
        Self::DisorderedType10Frames,
        Self::UnreturnedType12Frames,
        Self::ReturnsWithoutType12Frame,
        Self::MissingType12Indices,
        Self::RepeatedType12Frames,
        Self::MissingType2Packets,
        Self::RepeatedType2Packets,
        Self::DisorderedType2Packets,
        Self::ClockStepsBack,
        Self::ClockStepsAhead,
        Self::MissingTelegrams,
    ];

    /// Whether telegrams or intervals may have gone unseen; a frame seen twice hides nothing.
    pub const fn hides_packets(self) -> bool {
        !matches!(self, Self::RepeatedType10Frames | Self::RepeatedType12Frames | Self::RepeatedType2Packets)
    }
}

/// Tap faults by kind: how many, and where the first showed.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct TapFaults {
    entries: Vec<(TapFault, u64, Location)>,
    /// Times of the last ones.
    recent: VecDeque<Instant>,
    unreturned: Vec<Unreturned>,
}

/// Type 12 frames in a row that went out and did not come back.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Unreturned {
    /// How many.
    pub frames: u64,
    /// The first, going out.
    pub first: Location,
    /// The last, going out.
    pub last: Location,
    /// All that came behind so many others.
    pub is_rest: bool,
}

impl TapFaults {
    /// The kinds that occurred, in the order of [`TapFault::ALL`]: number and first place.
    pub fn iter(&self) -> impl Iterator<Item = (TapFault, u64, Location)> {
        TapFault::ALL.into_iter().filter_map(|kind| self.entries.iter().find(|(known, _, _)| *known == kind).copied())
    }

    /// The Type 12 frames that did not come back, in the order of time: those of [`TapFault::UnreturnedType12Frames`].
    pub fn unreturned(&self) -> &[Unreturned] {
        &self.unreturned
    }

    /// Whether nothing was lost as far as the counters show.
    pub const fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// Takes in those of a run whose files stand behind.
    pub(super) fn join(&mut self, other: &Self) {
        for (kind, number, at) in &other.entries {
            self.count(*kind, *number, *at);
        }
        other.unreturned.iter().for_each(|stretch| add(&mut self.unreturned, *stretch, true));
    }

    fn count(&mut self, kind: TapFault, number: u64, at: Location) {
        if self.recent.len() >= RECENT {
            self.recent.pop_front();
        }
        self.recent.push_back(at.at);
        match self.entries.iter_mut().find(|(known, _, _)| *known == kind) {
            Some((_, count, _)) => *count = count.saturating_add(number),
            None => self.entries.push((kind, number, at)),
        }
    }
}

/// Watches the counters of the carriers.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Tap {
    faults: TapFaults,
    clock: CaptureClock,
    type12: Type12,
    /// By frame ID.
    type10: Vec<Sender>,
    type2: Type2Counter,
    /// The last frame is a copy of one before, or out of order: it says nothing of the cycle.
    copied: bool,
    /// Counts of the last Type 10 frame since the one before of its sender.
    advance: Option<u16>,
}

#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
struct Type12 {
    on_the_way: VecDeque<(u8, Location)>,
    out: u64,
    returned: u64,
    unreturned: Vec<Unreturned>,
    /// A frame has come back since the last one that did not.
    has_returned: bool,
    next_index: Option<u8>,
    in_count: u32,
    /// Since when it counts, and how many datagrams it has counted.
    since: Option<Instant>,
    counted: u64,
    last_out: Option<(u8, Instant)>,
    last_returned: Option<(u8, Instant)>,
}

#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Sender {
    frame_id: u16,
    source: Mac,
    counter: u16,
    step: Option<u16>,
    last: Instant,
}

/// How a packet stands to the one before it by its carrier's counter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Order {
    /// Nothing is missing as far as the counter shows.
    Next,
    /// The capture has lost packets before it.
    Gap,
    /// It was sent before one that was seen already: its receiver drops it, and so does the checker.
    Old,
}

impl Tap {
    /// Looks at the time of a packet.
    pub(super) fn clock(&mut self, at: Location) -> Clock {
        let told = self.clock.time(at);
        match told {
            Clock::Back { .. } => self.faults.count(TapFault::ClockStepsBack, 1, at),
            Clock::Ahead => self.faults.count(TapFault::ClockStepsAhead, 1, at),
            Clock::Runs | Clock::Doubtful(_) => {}
        }
        told
    }

    /// A connection went on after a doubtful pause as if nothing had been.
    pub(super) fn clock_stepped_ahead(&mut self, at: Location) {
        self.faults.count(TapFault::ClockStepsAhead, 1, at);
    }

    /// Telegrams are missing, and the frames that should have carried them.
    pub(super) fn telegrams_missing(&mut self, telegrams: u64, at: Location) {
        self.faults.count(TapFault::MissingTelegrams, telegrams, at);
    }

    /// Faults after `since`, as far as they are remembered.
    pub(super) fn faults_since(&self, since: Instant) -> u32 {
        let number = self.faults.recent.iter().filter(|at| **at > since).count();
        u32::try_from(number).unwrap_or(u32::MAX)
    }

    /// Whether the last frame was a copy of one before, or out of order.
    pub(super) const fn is_copied(&self) -> bool {
        self.copied
    }

    /// Counts of the last Type 10 frame since the one before of its sender, if they follow each other.
    pub(super) const fn advance(&self) -> Option<u16> {
        self.advance
    }

    /// Looks at a Type 12 frame by its first datagram. If the capture has lost something before it, gives the packet from which on
    /// that may have shown: what inherits from a frame that was lost coming back goes out before its successor comes back.
    pub(super) fn type12(&mut self, pass: Pass, first_index: u8, at: Location) -> Option<Location> {
        self.copied = false;
        match pass {
            Pass::Outgoing => self.type12_out(first_index, at),
            Pass::Returning => self.type12_back(first_index, at),
        }
    }

    fn type12_out(&mut self, first_index: u8, at: Location) -> Option<Location> {
        let state = &mut self.type12;
        let last_out = state.last_out.replace((first_index, at.at));
        if state.is_copy(last_out, first_index, at) {
            self.copied = true;
            self.faults.count(TapFault::RepeatedType12Frames, 1, at);
            return None;
        }
        state.out = state.out.saturating_add(1);
        let mut gap = None;
        if state.next_index == Some(first_index) {
            state.in_count = state.in_count.saturating_add(1);
        } else if state.next_index.is_some() || state.since.is_none() {
            if state.is_counting() {
                let missing = first_index.wrapping_sub(state.next_index.unwrap_or_default());
                // None is a turn of them.
                let missing = if missing == 0 { 256 } else { missing.into() };
                self.faults.count(TapFault::MissingType12Indices, missing, at);
                gap = Some(at);
            }
            (state.in_count, state.since, state.counted) = (0, Some(at.at), 0);
        }
        state.next_index = None;
        state.on_the_way.push_back((first_index, at));
        if state.on_the_way.len() > ON_THE_WAY
            && let Some((_, lost)) = state.on_the_way.pop_front()
            && state.lose(lost)
        {
            gap = state.on_the_way.front().map(|(_, next)| *next);
        }
        gap
    }

    fn type12_back(&mut self, first_index: u8, at: Location) -> Option<Location> {
        let state = &mut self.type12;
        state.returned = state.returned.saturating_add(1);
        let last_returned = state.last_returned.replace((first_index, at.at));
        let Some(place) = state.on_the_way.iter().position(|(index, _)| *index == first_index) else {
            if state.is_copy(last_returned, first_index, at) {
                self.copied = true;
                self.faults.count(TapFault::RepeatedType12Frames, 1, at);
                return None;
            }
            // A capture may begin while a frame is on its way.
            if state.out == 0 {
                return None;
            }
            state.has_returned = true;
            self.faults.count(TapFault::ReturnsWithoutType12Frame, 1, at);
            return Some(at);
        };
        if state.is_of_another_turn(place, at) {
            self.faults.count(TapFault::ReturnsWithoutType12Frame, 1, at);
            let lost: Vec<_> = state.on_the_way.drain(..=place).collect();
            for (_, at) in lost {
                state.lose(at);
            }
            state.has_returned = true;
            return Some(at);
        }
        let since = state.on_the_way.get(1).map(|(_, next)| *next);
        let lost: Vec<_> = state.on_the_way.drain(..=place).take(place).collect();
        let gap = lost.iter().fold(false, |gap, (_, at)| gap | state.lose(*at));
        state.has_returned = true;
        since.filter(|_| gap)
    }

    /// A Type 12 frame going out had this many datagrams: a master that counts goes on behind them.
    pub(super) fn type12_datagrams(&mut self, first_index: u8, datagrams: usize) {
        let datagrams = u8::try_from(datagrams % 256).unwrap_or_default();
        let state = &mut self.type12;
        state.next_index = Some(first_index.wrapping_add(datagrams));
        state.counted = state.counted.saturating_add(datagrams.into());
    }

    /// Looks at the cycle counter of a cyclic Type 10 frame.
    pub(super) fn type10(&mut self, frame_id: u16, source: Mac, counter: u16, at: Location) -> Order {
        (self.copied, self.advance) = (false, None);
        let first = self.type10.partition_point(|sender| sender.frame_id < frame_id);
        let mut of_frame = self.type10.iter_mut().skip(first).take_while(|sender| sender.frame_id == frame_id);
        let Some(sender) = of_frame.find(|sender| sender.source == source) else {
            if self.type10.len() < SENDERS {
                self.type10.insert(first, Sender { frame_id, source, counter, step: None, last: at.at });
            }
            return Order::Next;
        };
        let advance = counter.wrapping_sub(sender.counter);
        let silence = at.at.since(sender.last);
        sender.last = at.at;
        if silence >= HALF_TURN {
            sender.counter = counter;
            if sender.step == Some(advance) {
                self.faults.count(TapFault::ClockStepsAhead, 1, at);
                return Order::Gap;
            }
            let turns = silence.as_nanos().checked_div(TURN.as_nanos()).and_then(|n| u64::try_from(n).ok());
            let advance = turns.unwrap_or_default().saturating_mul(1 << 16).saturating_add(advance.into());
            let steps = sender.step.and_then(|step| advance.checked_div(step.into()));
            self.faults.count(TapFault::MissingType10Frames, steps.unwrap_or(1).saturating_sub(1).max(1), at);
            return Order::Gap;
        }
        if advance == 0 {
            self.copied = true;
            self.faults.count(TapFault::RepeatedType10Frames, 1, at);
            return Order::Next;
        }
        if advance >= 0x8000 {
            self.copied = true;
            self.faults.count(TapFault::DisorderedType10Frames, 1, at);
            return Order::Old;
        }
        sender.counter = counter;
        self.advance = Some(advance);
        match sender.step {
            Some(step) if advance > step => {
                let steps = advance.checked_div(step).unwrap_or(1);
                self.faults.count(TapFault::MissingType10Frames, u64::from(steps.saturating_sub(1).max(1)), at);
                Order::Gap
            }
            _ => {
                // The smallest advance seen is the sender's own.
                sender.step = Some(advance);
                Order::Next
            }
        }
    }

    /// Whether the number of a Type 2 packet tells that none is missing before it, or that some are.
    pub(super) fn counts_type2(&self, datagram: &udp::Datagram<'_>, connected: &type2::Connected<'_>) -> bool {
        connected.sequence.is_some() && self.type2.counts(connected.connection_id, datagram.source())
    }

    /// Looks at the sequence number of a Type 2 packet.
    pub(super) fn type2(
        &mut self,
        datagram: &udp::Datagram<'_>,
        connected: &type2::Connected<'_>,
        at: Location,
    ) -> Order {
        let Some(sequence) = connected.sequence else { return Order::Next };
        let (fault, number, order) = match self.type2.step(connected.connection_id, datagram.source(), sequence) {
            Step::Next => return Order::Next,
            Step::Missing(packets) => (TapFault::MissingType2Packets, packets, Order::Gap),
            Step::Repeated => (TapFault::RepeatedType2Packets, 1, Order::Next),
            Step::Disordered => (TapFault::DisorderedType2Packets, 1, Order::Old),
        };
        self.faults.count(fault, number.into(), at);
        order
    }

    pub(super) fn finish(mut self) -> TapFaults {
        // A tap that sees one pass only does not lose the other: those connections count as never seen.
        if self.type12.returned > 0 {
            for stretch in &self.type12.unreturned {
                self.faults.count(TapFault::UnreturnedType12Frames, stretch.frames, stretch.first);
            }
            self.faults.unreturned = self.type12.unreturned;
        }
        self.faults
    }
}

impl Type12 {
    /// Whether the master has counted long enough for a break of its count to say something.
    const fn is_counting(&self) -> bool {
        self.in_count >= COUNTING
    }

    /// Whether the frame at `place` of those on their way went out so long ago that the indices have begun anew since then: what comes
    /// back with its index is another one, which was not seen going out.
    fn is_of_another_turn(&self, place: usize, at: Location) -> bool {
        let counting = self.since.map(|since| at.at.since(since));
        let out = self.on_the_way.get(place).map(|(_, out)| at.at.since(out.at));
        out.zip(counting).is_some_and(|(out, counting)| self.is_half_a_turn(out, counting))
    }

    /// Whether the master counts half a turn of the indices or more in `span`, by its pace over the time of `counting`. A frame is back
    /// long before.
    fn is_half_a_turn(&self, span: Span, counting: Span) -> bool {
        let [span, counting] = [span, counting].map(|span| i128::from(span.as_nanos()));
        self.is_counting()
            && span > 0
            && span.saturating_mul(self.counted.into()) > counting.saturating_mul(HALF_OF_THE_INDICES)
    }

    /// Whether a frame with this index is a copy of the `last` one: a master that counts goes on, and comes to it again a turn later only.
    fn is_copy(&self, last: Option<(u8, Instant)>, first_index: u8, at: Location) -> bool {
        let same = last.filter(|(index, _)| self.is_counting() && *index == first_index);
        let is_later = |last: Instant| {
            let counting = self.since.map_or(Span::ZERO, |since| last.since(since));
            self.is_half_a_turn(at.at.since(last), counting)
        };
        same.is_some_and(|(_, last)| !is_later(last))
    }

    /// Counts a frame that went out and can't come back any more; whether that says something about the capture.
    fn lose(&mut self, at: Location) -> bool {
        let begins = std::mem::take(&mut self.has_returned);
        add(&mut self.unreturned, Unreturned { frames: 1, first: at, last: at, is_rest: false }, begins);
        self.returned > 0
    }
}

/// Adds `stretch`, as one of its own if it `begins` one.
fn add(stretches: &mut Vec<Unreturned>, stretch: Unreturned, begins: bool) {
    let is_rest = stretches.len() >= STRETCHES;
    match stretches.last_mut().filter(|last| last.is_rest || !begins) {
        Some(last) => (last.frames, last.last) = (last.frames.saturating_add(stretch.frames), stretch.last),
        None => stretches.push(Unreturned { is_rest, ..stretch }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(packet: u64) -> Location {
        Location { at: Instant::from_nanos(i64::try_from(packet).unwrap()), file: 0, packet }
    }

    /// A frame of `datagrams` datagrams.
    fn frame(tap: &mut Tap, pass: Pass, first_index: u8, datagrams: usize, at: Location) -> bool {
        shown(tap, pass, first_index, datagrams, at).is_some()
    }

    /// The same; the packet from which on a gap may have shown.
    fn shown(tap: &mut Tap, pass: Pass, first_index: u8, datagrams: usize, at: Location) -> Option<u64> {
        let gap = tap.type12(pass, first_index, at);
        if pass == Pass::Outgoing {
            tap.type12_datagrams(first_index, datagrams);
        }
        gap.map(|since| since.packet)
    }

    fn told(tap: Tap) -> Vec<(TapFault, u64, u64)> {
        tap.finish().iter().map(|(fault, number, at)| (fault, number, at.packet)).collect()
    }

    #[test]
    fn whole_type12_traffic_has_no_fault() {
        let mut tap = Tap::default();
        // Begins while a frame is on its way and ends with one.
        assert!(!frame(&mut tap, Pass::Returning, 9, 1, at(1)));
        for n in 0..200_u64 {
            let index = u8::try_from(n * 2 % 256).unwrap();
            assert!(!frame(&mut tap, Pass::Outgoing, index, 2, at(2 * n + 2)));
            if n < 199 {
                assert!(!frame(&mut tap, Pass::Returning, index, 2, at(2 * n + 3)));
            }
        }
        assert_eq!(told(tap), []);
    }

    #[test]
    fn lost_passes_and_indices_of_type12_are_told() {
        let mut tap = Tap::default();
        let mut packet = 0;
        for index in 0..=255_u8 {
            for pass in [Pass::Outgoing, Pass::Returning] {
                packet += 1;
                // Packet 101 goes out and is not seen coming back, 121 comes back unseen going out, 141 is missing both ways.
                let lost = matches!((index, pass), (50, Pass::Returning) | (60, Pass::Outgoing) | (140, _));
                if !lost {
                    let expected = match (index, pass) {
                        (60, Pass::Returning) | (61 | 141, Pass::Outgoing) => Some(packet),
                        // What went out before it may have answered what was lost.
                        (51, Pass::Returning) => Some(packet - 1),
                        _ => None,
                    };
                    assert_eq!(shown(&mut tap, pass, index, 1, at(packet)), expected, "index {index}");
                }
            }
        }
        assert_eq!(
            told(tap),
            [
                (TapFault::UnreturnedType12Frames, 1, 101),
                (TapFault::ReturnsWithoutType12Frame, 1, 122),
                (TapFault::MissingType12Indices, 2, 123),
            ]
        );
    }

    /// What a master sends now and then goes out before the cyclic frame is back.
    #[test]
    fn type12_frames_that_overlap_and_all_come_back_are_whole() {
        let mut tap = Tap::default();
        let (mut packet, mut index) = (0, 0_u8);
        for n in 0..400_u32 {
            let both = [index, index.wrapping_add(2)];
            let overlaps = n > 100 && n % 7 == 0;
            for pass in [Pass::Outgoing, Pass::Returning] {
                for (first, datagrams) in both.into_iter().zip([2, 1]).take(1 + usize::from(overlaps)) {
                    packet += 1;
                    assert!(!frame(&mut tap, pass, first, datagrams, at(packet)), "frame {n}");
                }
            }
            index = index.wrapping_add(if overlaps { 3 } else { 2 });
        }
        assert_eq!(told(tap), []);
    }

    /// Frame 5 of the second turn is lost coming back, everything up to frame 5 of the third turn, coming back, is lost too.
    #[test]
    fn a_type12_frame_does_not_come_back_a_turn_of_the_indices_later() {
        let mut tap = Tap::default();
        for n in 0..600_u64 {
            let index = u8::try_from(n % 256).unwrap();
            for (pass, packet) in [(Pass::Outgoing, 2 * n), (Pass::Returning, 2 * n + 1)] {
                let lost = match pass {
                    Pass::Outgoing => (262..=517).contains(&n),
                    Pass::Returning => (261..517).contains(&n),
                };
                if !lost {
                    let expected = matches!((n, pass), (517, Pass::Returning));
                    assert_eq!(frame(&mut tap, pass, index, 1, at(packet)), expected, "frame {n}");
                }
            }
        }
        assert_eq!(
            told(tap),
            [(TapFault::UnreturnedType12Frames, 1, 522), (TapFault::ReturnsWithoutType12Frame, 1, 1_035),]
        );
    }

    #[test]
    fn type12_frames_that_a_mirror_port_gives_twice_are_not_missing() {
        let mut tap = Tap::default();
        let mut packet = 0;
        for n in 0..200_u64 {
            let index = u8::try_from(n * 2 % 256).unwrap();
            for pass in [Pass::Outgoing, Pass::Returning] {
                // Frame 60 is captured twice going out, frame 70 coming back, frame 150 both ways.
                let copies =
                    if matches!((n, pass), (60, Pass::Outgoing) | (70, Pass::Returning) | (150, _)) { 2 } else { 1 };
                for _ in 0..copies {
                    packet += 1;
                    assert!(!frame(&mut tap, pass, index, 2, at(packet)), "frame {n}");
                }
            }
        }
        assert_eq!(told(tap), [(TapFault::RepeatedType12Frames, 4, 122)]);
    }

    /// A hole of a whole turn: the first frame behind it bears the index of the last one before it.
    #[test]
    fn a_type12_frame_with_the_index_of_the_last_one_a_turn_later_is_no_copy() {
        for lost_back in [false, true] {
            let mut tap = Tap::default();
            for n in 0..600_u64 {
                let index = u8::try_from(n % 256).unwrap();
                for (pass, packet) in [(Pass::Outgoing, 2 * n), (Pass::Returning, 2 * n + 1)] {
                    // From frame 201 on, or from the return of frame 200 on.
                    let lost = match pass {
                        Pass::Outgoing => (201..456).contains(&n),
                        Pass::Returning => (201 - u64::from(lost_back)..456 - u64::from(lost_back)).contains(&n),
                    };
                    if !lost {
                        // That frame 200 did not come back shows when 457 does.
                        let back = lost_back && (n == 455 || n == 457 && pass == Pass::Returning);
                        let expected = n == 456 && pass == Pass::Outgoing || back;
                        assert_eq!(frame(&mut tap, pass, index, 1, at(packet)), expected, "frame {n}");
                    }
                }
            }
            let faults: Vec<_> = told(tap).into_iter().map(|(fault, _, _)| fault).collect();
            assert!(faults.contains(&TapFault::MissingType12Indices), "{faults:?}");
            assert!(!faults.contains(&TapFault::RepeatedType12Frames), "{faults:?}");
        }
    }

    #[test]
    fn a_tap_of_one_pass_loses_nothing() {
        let mut tap = Tap::default();
        for index in 0..=255_u8 {
            assert!(!frame(&mut tap, Pass::Outgoing, index, 1, at(index.into())));
        }
        assert_eq!(told(tap), []);
    }

    #[test]
    fn gaps_in_a_type10_cycle_counter_are_told() {
        let mut tap = Tap::default();
        let mac = Mac([2, 0, 0, 0, 0, 1]);
        let counters = [65_440_u16, 65_472, 65_504, 0, 32, 128, 160, 160, 128, 192];
        let orders: Vec<Order> =
            (1..).zip(counters).map(|(packet, counter)| tap.type10(0x8001, mac, counter, at(packet))).collect();
        let odd: Vec<_> = orders.into_iter().enumerate().filter(|(_, order)| *order != Order::Next).collect();
        assert_eq!(odd, [(5, Order::Gap), (8, Order::Old)]);
        assert_eq!(
            told(tap),
            [
                (TapFault::MissingType10Frames, 2, 6),
                (TapFault::RepeatedType10Frames, 1, 8),
                (TapFault::DisorderedType10Frames, 1, 9),
            ]
        );
    }

    #[test]
    fn a_silence_of_more_than_half_a_turn_of_the_counter_is_a_gap() {
        let mut tap = Tap::default();
        let mac = Mac([2, 0, 0, 0, 0, 1]);
        let at = |ms: i64, packet| Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet };
        assert_eq!(tap.type10(0x8001, mac, 0, at(0, 1)), Order::Next);
        assert_eq!(tap.type10(0x8001, mac, 256, at(8, 2)), Order::Next);
        // 1.2 s later: 38 400 counts ahead, which looks like 27 136 back.
        assert_eq!(tap.type10(0x8001, mac, 38_656, at(1_208, 3)), Order::Gap);
        assert_eq!(tap.type10(0x8001, mac, 38_912, at(1_216, 4)), Order::Next);
        assert_eq!(told(tap), [(TapFault::MissingType10Frames, 149, 3)]);
    }

    #[test]
    fn a_clock_that_jumps_ahead_is_told_by_a_counter_that_does_not() {
        let mut tap = Tap::default();
        let mac = Mac([2, 0, 0, 0, 0, 1]);
        let times_ms = [0, 8, 16, 3_600_024, 3_600_032];
        for (packet, (counter, ms)) in (1..).zip([256, 512, 768, 1_024, 1_280].into_iter().zip(times_ms)) {
            let at = Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet };
            let expected = if packet == 4 { Order::Gap } else { Order::Next };
            assert_eq!(tap.type10(0x8001, mac, counter, at), expected);
        }
        assert_eq!(told(tap), [(TapFault::ClockStepsAhead, 1, 4)]);
    }

    #[test]
    fn a_clock_that_steps_back_is_told() {
        let mut tap = Tap::default();
        for packet in [5, 6, 4, 7] {
            tap.clock(at(packet));
        }
        // The way back is as long.
        assert_eq!(told(tap), [(TapFault::ClockStepsBack, 1, 4), (TapFault::ClockStepsAhead, 1, 7)]);
    }
}

//! The watchdog as the tap sees it: intervals between new telegrams, round trips, and who fell silent first.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects))]

use super::around::Carried;
use super::both::Both;
use super::finding::Location;
use super::pace::Pace;
use super::series::Series;
use crate::machine::{Direction, Profile};
use crate::time::{Instant, Span};
use crate::timing::tail::Largest;

/// What the watchdog time limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Timer {
    /// The time from one telegram to the next of the same direction.
    Interval,
    /// The time from the partner's telegram to the answer to it.
    Answer,
    /// As [`Self::Interval`], where the two sides send without waiting for each other.
    Independent,
}

impl Timer {
    /// That of a profile: the consumer of IEC 62541-15 starts its timer with each request.
    pub(super) const fn of(profile: &Profile) -> Self {
        match profile {
            Profile::Iec62541_15(_) => Self::Answer,
            Profile::Fscp13_1(_) | Profile::Fscp2_1(_) => Self::Independent,
            _ => Self::Interval,
        }
    }
}

/// New telegrams of a connection within which a real silence makes it fall out of operation.
const GOES_ON: u8 = 8;

/// The new telegrams of one connection, both ways.
#[derive(Clone, Debug)]
pub(super) struct Watch {
    watchdog: Span,
    timer: Timer,
    /// No number in the telegrams tells that one is missing.
    is_unnumbered: bool,
    /// Whether a new telegram shows that its sender has had the partner's last one.
    is_answered: bool,
    lines: Both<Line>,
    /// From a question to its answer, where not every telegram is one.
    round_trip: Series,
    /// The packet behind a doubtful silence longer than the watchdog time, after which the connection went on as if nothing had been.
    went_on: Option<Location>,
    /// Telegrams that are missing together with the frames that carry them.
    lost_with_frames: Option<(u64, Location)>,
    /// A silence is on hold.
    holds: bool,
    /// Intervals recorded since they were last taken, if anybody wants them one by one.
    fresh: Option<Vec<(Option<Direction>, Span, Location)>>,
}

crate::saved::resume!(Watch { plain: lines, round_trip, went_on, lost_with_frames, holds; nested: ; fixed: watchdog, timer, is_unnumbered, is_answered, fresh });

/// The new telegrams of one direction.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
struct Line {
    last: Option<Location>,
    /// The last one of operation, which the partner answers; none if it may have been shown earlier, in a frame that is missing.
    asks: Option<Location>,
    /// The partner's first telegram after `last`: since then it is this side's turn.
    turn: Option<Location>,
    /// Whether the watchdog runs since `last`.
    supervised: bool,
    /// The capture lost packets since `last`: a long interval is not the machine's.
    tap_gap: bool,
    /// The whole capture has been silent since `last` for an unusually long time.
    doubt: bool,
    /// The frames that carry this side have come late since `last`, on a carrier without a counter.
    frames_late: bool,
    /// For how long in all, one usual time each included.
    without_frames: Span,
    /// The last frame that carries this side, where [`Watch::frame`] is told of them.
    frame: Option<Instant>,
    pace: Pace,
    /// A silence over such a time.
    held_back: Option<HeldBack>,
    intervals: Series,
    /// From the partner's telegram that it answers to each; or as old as they were by their time stamps.
    ages: Series,
    /// Of the intervals, only if asked for.
    largest: Option<Box<Largest>>,
    /// Telegrams handed over.
    number: u64,
    /// Telegrams of the partner when `last` came.
    partner_number: u64,
    /// The carrier when `last` came.
    carried: Carried,
    /// `number` then.
    carried_number: u64,
}

/// An interval that was recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct IntervalSeen {
    /// Index of the connection in the machine.
    pub connection: usize,
    /// Direction of the telegrams; `None` is a round trip.
    pub direction: Option<Direction>,
    /// The interval.
    pub span: Span,
    /// Packet that ended it.
    pub end: Location,
}

/// A doubtful silence, on hold until it shows whether the connection falls out of operation.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct HeldBack {
    silence: Silence,
    /// Whether it was mostly this side's.
    is_own: bool,
    /// The frames of this direction alone are missing, not everything.
    is_of_frames: bool,
    /// New telegrams until it counts as the capture's.
    left: u8,
}

/// A silence longer than the watchdog time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(super) struct Silence {
    pub(super) direction: Direction,
    pub(super) span: Span,
    pub(super) end: Location,
}

impl Silence {
    /// When it began.
    pub(super) fn since(&self) -> Option<Instant> {
        self.end.at.checked_add(Span::ZERO.checked_sub(self.span)?)
    }
}

impl Watch {
    pub(super) fn new(watchdog: Span, timer: Timer) -> Self {
        Self {
            watchdog,
            timer,
            is_unnumbered: false,
            is_answered: true,
            lines: Both::default(),
            round_trip: Series::default(),
            went_on: None,
            lost_with_frames: None,
            holds: false,
            fresh: None,
        }
    }

    /// The same for telegrams of `profile`.
    pub(super) fn of(watchdog: Span, profile: &Profile) -> Self {
        let is_unnumbered = matches!(profile, Profile::Fscp13_1(_) | Profile::Fscp2_1(_));
        let is_answered = !matches!(profile, Profile::Declared(_));
        Self { is_unnumbered, is_answered, ..Self::new(watchdog, Timer::of(profile)) }
    }

    /// Keeps the largest intervals from now on.
    pub(super) fn keep_largest(&mut self) {
        for direction in [Direction::ToDevice, Direction::ToHost] {
            self.lines.of_mut(direction).largest.get_or_insert_default();
        }
    }

    /// Keeps as many of the longest times of each kind.
    pub(super) fn keep_longest(&mut self, number: usize) {
        for direction in [Direction::ToDevice, Direction::ToHost] {
            let line = self.lines.of_mut(direction);
            line.intervals.keep_longest(number);
            line.ages.keep_longest(number);
        }
        self.round_trip.keep_longest(number);
    }

    /// The carrier went on to `now` with the telegram of `direction` that came last. If that ended one of the longest
    /// times, `around` is asked what the carrier and the tap did since its start.
    #[inline(always)]
    pub(super) fn carried(
        &mut self,
        direction: Direction,
        now: Carried,
        around: impl Fn(Instant) -> (Option<Span>, u32),
    ) {
        let is_answer = self.timer == Timer::Answer;
        let line = self.lines.of_mut(direction);
        if line.carried_number == line.number {
            return;
        }
        line.carried_number = line.number;
        let then = std::mem::replace(&mut line.carried, now);
        let Some(last) = line.last else { return };
        // The time of an answer begins with a telegram of the other carrier.
        line.intervals.carried(last, (!is_answer).then(|| now.since(then)), &around);
        line.ages.carried(last, None, &around);
        self.round_trip.carried(last, None, &around);
    }

    pub(super) fn largest(&self, direction: Direction) -> Option<&Largest> {
        self.lines.of(direction).largest.as_deref()
    }

    pub(super) const fn watchdog(&self) -> Span {
        self.watchdog
    }

    pub(super) const fn last(&self, direction: Direction) -> Option<Location> {
        self.lines.of(direction).last
    }

    /// Until when both directions were seen, as far as they have a watchdog.
    pub(super) fn seen_until(&self) -> Option<Instant> {
        [self.lines.to_device.last, self.lines.to_host.last].into_iter().flatten().map(|last| last.at).min()
    }

    pub(super) const fn intervals(&self, direction: Direction) -> &Series {
        &self.lines.of(direction).intervals
    }

    /// How old telegrams of `direction` were at most when they passed the tap; `None` where that can't be told.
    pub(super) const fn ages(&self, direction: Direction) -> Option<&Series> {
        let line = self.lines.of(direction);
        match self.timer {
            _ if !self.is_answered => None,
            Timer::Answer => Some(&line.intervals),
            Timer::Interval | Timer::Independent => Some(&line.ages),
        }
    }

    pub(super) const fn round_trip(&self) -> &Series {
        match self.timer {
            Timer::Independent => &self.round_trip,
            Timer::Interval | Timer::Answer => &self.lines.to_host.ages,
        }
    }

    /// Keeps the intervals for [`Self::take_fresh`] from now on.
    pub(super) fn keep_fresh(&mut self) {
        self.fresh.get_or_insert_default();
    }

    /// The intervals recorded since the last call. A telegram records few, and they are taken after each.
    pub(super) fn take_fresh(&mut self) -> impl Iterator<Item = (Option<Direction>, Span, Location)> {
        self.fresh.iter_mut().flat_map(|fresh| fresh.drain(..))
    }

    /// The capture lost packets: the intervals that are open now can't be blamed on the machine.
    pub(super) const fn tap_gap(&mut self) {
        self.lines.to_device.tap_gap = true;
        self.lines.to_host.tap_gap = true;
    }

    /// The telegrams of `direction` were not followed: as little can be said of the interval that is open now.
    pub(super) const fn unfollowed(&mut self, direction: Direction) {
        self.lines.of_mut(direction).tap_gap = true;
    }

    /// Whether the watchdog runs since the last new telegram of `direction`.
    pub(super) const fn is_supervised(&self, direction: Direction) -> bool {
        self.lines.of(direction).supervised
    }

    /// Nothing at all was captured for `pause`, unusually long. If that is longer than the watchdog time, it was the machine only if
    /// the connection falls out of operation; otherwise the clock jumped or the capture paused.
    pub(super) fn doubt(&mut self, pause: Span) {
        for direction in [Direction::ToDevice, Direction::ToHost] {
            let watchdog = self.watchdog;
            let line = self.lines.of_mut(direction);
            line.doubt |= line.supervised && pause > watchdog;
            line.frames_late |= line.last.is_some();
        }
    }

    /// The silence, mostly this side's own, that the telegram just taken has put on hold.
    pub(super) fn newly_on_hold(&self, direction: Direction) -> Option<Silence> {
        if !self.holds {
            return None;
        }
        let held_back = self.lines.of(direction).held_back?;
        (held_back.is_own && held_back.left == GOES_ON).then_some(held_back.silence)
    }

    /// The packet behind the first doubtful silence that was not the machine's.
    pub(super) fn went_on(&self) -> Option<Location> {
        self.went_on.or_else(|| self.on_hold().filter(|held| !held.is_of_frames).map(|held| held.silence.end).min())
    }

    /// Whether the capture lost packets since the last new telegram of `direction`, for certain.
    pub(super) const fn has_lost_packets(&self, direction: Direction) -> bool {
        self.lines.of(direction).tap_gap
    }

    /// Whether the capture lost packets since the last new telegram of `direction`, or may have.
    pub(super) const fn has_tap_gap(&self, direction: Direction) -> bool {
        let line = self.lines.of(direction);
        line.tap_gap || line.doubt
    }

    /// The next frame that carries `direction` has come unusually late, after `gap`, on a carrier without a counter.
    pub(super) fn frames_late(&mut self, direction: Direction, gap: Span) {
        let line = self.lines.of_mut(direction);
        line.frames_late = line.last.is_some();
        line.without_frames = line.without_frames.checked_add(gap).unwrap_or(Span::MAX);
    }

    /// A frame that carries `direction`.
    pub(super) fn frame(&mut self, direction: Direction, now: Instant) {
        let line = self.lines.of_mut(direction);
        if let Some(last) = line.frame.replace(now) {
            line.pace.comes_late(now.since(last));
        }
    }

    /// Whether a frame that carries `direction` should have come by `now`, and has not.
    pub(super) fn is_overdue(&self, direction: Direction, now: Instant) -> bool {
        let line = self.lines.of(direction);
        line.frame.is_some_and(|last| line.pace.is_overdue(now.since(last)))
    }

    /// Whether frames of `direction` may be missing since its last new telegram, as they came late.
    pub(super) const fn were_frames_late(&self, direction: Direction) -> bool {
        self.lines.of(direction).frames_late
    }

    /// `telegrams` of `direction` are missing before `at`. If frames that could have carried them are missing, too, it was the
    /// capture that lost them, or something that it can't be told from; then gives true.
    pub(super) fn missing(&mut self, direction: Direction, telegrams: u32, at: Location) -> bool {
        let line = self.lines.of_mut(direction);
        if !line.frames_late || line.tap_gap || line.doubt {
            return false;
        }
        line.tap_gap = true;
        let (number, _) = self.lost_with_frames.get_or_insert((0, at));
        // Behind a start that was not seen nobody knows how many.
        *number = number.saturating_add(telegrams.max(1).into());
        true
    }

    /// A telegram of `direction` that shows at `at` came before: the capture lost the frame that showed it then.
    pub(super) fn not_captured(&mut self, direction: Direction, at: Location) {
        self.lines.of_mut(direction).tap_gap = true;
        let (number, _) = self.lost_with_frames.get_or_insert((0, at));
        *number = number.saturating_add(1);
    }

    /// Telegrams that are missing together with their frames, and the packet that showed the first. A silence of the frames counts as
    /// one: how many were missing is not known.
    pub(super) fn lost_with_frames(&self) -> Option<(u64, Location)> {
        let open = self.on_hold().filter(|held| held.is_of_frames).map(|held| (1, held.silence.end));
        self.lost_with_frames
            .into_iter()
            .chain(open)
            .reduce(|(all, first), (more, at)| (all.saturating_add(more), first.min(at)))
    }

    fn on_hold(&self) -> impl Iterator<Item = HeldBack> {
        [self.lines.to_device.held_back, self.lines.to_host.held_back].into_iter().flatten()
    }

    /// For how long in all frames of `direction` came late since its last new telegram.
    pub(super) const fn without_frames(&self, direction: Direction) -> Span {
        self.lines.of(direction).without_frames
    }

    /// Whether the capture may have lost what came since the last new telegram of `direction`, up to `now`: as [`Self::has_tap_gap`], or
    /// a silence of frames without a counter under telegrams without a number.
    pub(super) fn may_be_lost(&self, direction: Direction, now: Instant) -> bool {
        let line = self.lines.of(direction);
        let is_of_frames = |last: Location| is_of_frames(now.since(last.at), line.without_frames, self.watchdog);
        self.has_tap_gap(direction) || (self.is_unnumbered && line.last.is_some_and(is_of_frames))
    }

    /// Whether the capture lost packets since the last new telegram of either direction.
    pub(super) const fn has_any_tap_gap(&self) -> bool {
        let [to_device, to_host] = [&self.lines.to_device, &self.lines.to_host];
        to_device.tap_gap || to_host.tap_gap || to_device.doubt || to_host.doubt
    }

    /// The telegrams of `direction` have no watchdog here: the gap is told, and over.
    pub(super) const fn bridge_tap_gap(&mut self, direction: Direction) {
        let line = self.lines.of_mut(direction);
        (line.tap_gap, line.doubt, line.frames_late, line.without_frames) = (false, false, false, Span::ZERO);
    }

    /// A new valid telegram. `supervised`: the watchdog runs from it on.
    ///
    /// Returns the silence that it ends, if that was too long and mostly this side's own: the two sides take turns, so a
    /// silence is made up of the time that the partner took and of the time since it was this side's turn. The partner's
    /// part has been told already.
    #[inline(always)]
    pub(super) fn new_telegram(&mut self, direction: Direction, at: Location, supervised: bool) -> Option<Silence> {
        if self.holds {
            self.go_on();
        }
        let silence = self.measure(direction, at, supervised);
        let (line, partner) = self.lines.with_opposite(direction);
        partner.turn.get_or_insert(at);
        line.partner_number = partner.number;
        line.number = line.number.wrapping_add(1);
        // What ends operation is no question: an answer that comes right behind it was on its way.
        if supervised {
            line.asks = if line.frames_late { None } else { Some(at) };
        }
        (line.last, line.turn) = (Some(at), None);
        (line.supervised, line.tap_gap, line.doubt, line.frames_late) = (supervised, false, false, false);
        line.without_frames = Span::ZERO;
        silence
    }

    /// Records the intervals that a new telegram ends; the state is still that before it.
    #[inline(always)]
    fn measure(&mut self, direction: Direction, at: Location, supervised: bool) -> Option<Silence> {
        let now = at.at;
        let (line, partner) = self.lines.with_opposite(direction);
        let other = partner.last.map(|last| last.at);
        let previous = line.last.map(|last| last.at);
        let turn = line.turn.map(|turn| turn.at);
        let (was_supervised, tap_gap, doubt) = (line.supervised, line.tap_gap, line.doubt);
        let without_frames = line.without_frames;
        if self.timer != Timer::Independent {
            let request = partner.asks.filter(|request| previous.is_none_or(|previous| request.at > previous));
            if let Some(request) = request.filter(|_| supervised && !tap_gap && !doubt) {
                let age = now.since(request.at);
                line.ages.record(age, request, at, 0);
                if direction == Direction::ToHost
                    && let Some(fresh) = &mut self.fresh
                {
                    fresh.push((None, age, at));
                }
            } else {
                line.ages.interrupt();
            }
        }
        let Some(previous) = previous.filter(|_| was_supervised && !tap_gap) else {
            line.intervals.interrupt();
            return None;
        };
        let span = match self.timer {
            Timer::Interval | Timer::Independent => now.since(previous),
            Timer::Answer => turn.map_or(Span::ZERO, |turn| now.since(turn)),
        };
        let is_of_frames = !doubt && self.is_unnumbered && is_of_frames(span, without_frames, self.watchdog);
        let doubt = doubt || is_of_frames;
        let start = if self.timer == Timer::Answer { line.turn } else { line.last };
        if let Some(start) = start.filter(|_| !doubt) {
            let other_telegrams = partner.number.saturating_sub(line.partner_number);
            line.intervals.record(span, start, at, other_telegrams);
            if let Some(largest) = &mut line.largest {
                largest.record(span, now);
            }
            if let Some(fresh) = &mut self.fresh {
                fresh.push((Some(direction), span, at));
            }
        } else {
            line.intervals.interrupt();
        }
        let is_own = || match self.timer {
            Timer::Interval => {
                let own = turn.map_or(Span::ZERO, |turn| now.since(turn));
                let partners = turn.map_or(span, |turn| turn.since(previous));
                own >= partners || other.is_none()
            }
            Timer::Answer => turn.is_some(),
            Timer::Independent => true,
        };
        let silence = Silence { direction, span, end: at };
        if doubt && supervised {
            // Without a telegram that says otherwise it was not the machine.
            line.held_back = Some(HeldBack { silence, is_own: is_own(), is_of_frames, left: GOES_ON });
            self.holds = true;
            return None;
        }
        (span > self.watchdog && is_own()).then_some(silence)
    }

    /// A question and its answer, where not every telegram is one.
    pub(super) fn round_trip_of(&mut self, asked: Location, answered: Location) {
        if self.has_any_tap_gap() {
            self.round_trip.interrupt();
        } else {
            let span = answered.at.since(asked.at);
            self.round_trip.record(span, asked, answered, 0);
            if let Some(fresh) = &mut self.fresh {
                fresh.push((None, span, answered));
            }
        }
    }

    /// A telegram of `direction` at `at` is as old by its time stamp as that from `start`, less what its sender's clock went on.
    pub(super) fn aged(&mut self, direction: Direction, age: Span, start: Location, at: Location) {
        self.lines.of_mut(direction).ages.record(age, start, at, 0);
    }

    /// One more new telegram while the connection is in operation.
    fn go_on(&mut self) {
        self.holds = false;
        for direction in [Direction::ToDevice, Direction::ToHost] {
            let line = self.lines.of_mut(direction);
            let Some(held_back) = &mut line.held_back else { continue };
            held_back.left = held_back.left.saturating_sub(1);
            if held_back.left == 0 {
                let end = held_back.silence.end;
                if held_back.is_of_frames {
                    let (number, _) = self.lost_with_frames.get_or_insert((0, end));
                    *number = number.saturating_add(1);
                } else {
                    self.went_on = self.went_on.or(Some(end));
                }
                line.held_back = None;
            } else {
                self.holds = true;
            }
        }
    }

    /// The silences on hold that were the machine's after all: the connection fell out of operation.
    pub(super) fn take_proven(&mut self) -> impl Iterator<Item = Silence> + use<> {
        let lines = &mut self.lines;
        let held_back = [lines.to_device.held_back.take(), lines.to_host.held_back.take()];
        held_back.into_iter().flatten().filter(|held_back| held_back.is_own).map(|held_back| held_back.silence)
    }

    /// The side of `by` has left operation at `at`: no watchdog runs from now on, except over a silence of the partner that is
    /// too long already and may be the very reason.
    pub(super) fn stop(&mut self, by: Direction, at: Location) {
        self.lines.of_mut(by).supervised = false;
        let watchdog = self.watchdog;
        let partner = self.lines.of_mut(by.opposite());
        let overdue = partner.last.is_some_and(|last| at.at.since(last.at) > watchdog);
        partner.supervised &= overdue && partner.turn.is_some();
    }

    /// The direction whose telegrams are missing from some time on up to `end`, although the partner, which waits for each of them, went on
    /// in operation: the capture lost them. With the packet that shows it.
    pub(super) fn missing_to_the_end(&self, end: Instant) -> Option<(Direction, Location)> {
        let is_missing = |direction: Direction| {
            let (line, partner) = (self.lines.of(direction), self.lines.of(direction.opposite()));
            let is_silent = end.since(line.last?.at) > self.watchdog && line.supervised && !line.tap_gap && !line.doubt;
            // One may have been on its way.
            let went_on = partner.supervised && partner.number.saturating_sub(line.partner_number) > 1;
            partner.last.filter(|_| is_silent && went_on).map(|shown| (direction, shown))
        };
        let takes_turns = self.timer == Timer::Interval && self.is_answered;
        [Direction::ToDevice, Direction::ToHost].into_iter().filter(|_| takes_turns).find_map(is_missing)
    }

    /// The silence that lasts to the end of the capture, if it is too long.
    pub(super) fn finish(&self, end: Instant) -> Option<Silence> {
        let silence = |direction: Direction| {
            let line = self.lines.of(direction);
            let last = line.last.filter(|_| line.supervised && !line.tap_gap && !line.doubt)?;
            let since = match self.timer {
                Timer::Interval | Timer::Independent => last.at,
                Timer::Answer => line.turn?.at,
            };
            let span = end.since(since);
            (span > self.watchdog).then_some((line.turn.is_some(), Silence { direction, span, end: last }))
        };
        [silence(Direction::ToDevice), silence(Direction::ToHost)]
            .into_iter()
            .flatten()
            .max_by_key(|(turn, silence)| (*turn, silence.span))
            .map(|(_, silence)| silence)
    }
}

/// Whether a silence is too long only because no frames came that could have carried a telegram.
fn is_of_frames(silence: Span, without_frames: Span, watchdog: Span) -> bool {
    let with_frames = silence.checked_sub(without_frames).unwrap_or(Span::ZERO);
    silence > watchdog && with_frames <= watchdog
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: i64) -> Location {
        Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() }
    }

    #[test]
    fn the_side_that_fell_silent_first_is_named() {
        let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
        for ms in [0, 10, 20] {
            assert_eq!(watch.new_telegram(Direction::ToDevice, at(ms), true), None);
            assert_eq!(watch.new_telegram(Direction::ToHost, at(ms + 4), true), None);
        }
        // The request of 30 ms is not answered; the host gives up at 71 ms, the device comes back at 75 ms.
        assert_eq!(watch.new_telegram(Direction::ToDevice, at(30), true), None);
        assert_eq!(watch.new_telegram(Direction::ToDevice, at(71), false), None);
        watch.stop(Direction::ToDevice, at(71));
        let silence = watch.new_telegram(Direction::ToHost, at(75), false);
        assert_eq!(silence, Some(Silence { direction: Direction::ToHost, span: Span::from_millis(51), end: at(75) }));
        assert_eq!(watch.intervals(Direction::ToHost).times.longest().unwrap().span, Span::from_millis(51));
        assert_eq!(watch.round_trip().times.count(), 3);
        assert_eq!(watch.round_trip().times.longest().unwrap().span, Span::from_millis(4));
    }

    #[test]
    fn a_gap_of_the_tap_is_not_blamed_on_the_machine() {
        let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
        watch.new_telegram(Direction::ToHost, at(0), true);
        watch.tap_gap();
        assert_eq!(watch.new_telegram(Direction::ToHost, at(100), true), None);
        assert_eq!(watch.intervals(Direction::ToHost).times.count(), 0);
        assert_eq!(watch.new_telegram(Direction::ToHost, at(141), true).unwrap().span, Span::from_millis(41));
    }

    /// A telegram that is missing is the capture's if its frame is missing, too; a frame that is late is nothing by itself.
    #[test]
    fn telegrams_missing_with_their_frames_are_the_captures() {
        for missing in [false, true] {
            let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
            watch.frames_late(Direction::ToHost, Span::from_millis(10));
            assert!(!watch.were_frames_late(Direction::ToHost), "nothing was due yet");
            watch.new_telegram(Direction::ToHost, at(0), true);
            assert!(!watch.missing(Direction::ToHost, 1, at(10)));
            assert!(!watch.has_lost_packets(Direction::ToHost), "its frame was there");
            watch.frames_late(Direction::ToHost, Span::from_millis(10));
            if missing {
                assert!(watch.missing(Direction::ToHost, 2, at(20)));
            }
            assert_eq!(watch.has_lost_packets(Direction::ToHost), missing);
            watch.new_telegram(Direction::ToHost, at(20), true);
            assert_eq!(watch.intervals(Direction::ToHost).times.count(), u64::from(!missing));
            assert_eq!(watch.lost_with_frames(), missing.then_some((2, at(20))));
            assert!(!watch.were_frames_late(Direction::ToHost));
        }
    }

    #[test]
    fn the_largest_intervals_are_kept_only_if_asked_for() {
        let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
        watch.new_telegram(Direction::ToHost, at(0), true);
        watch.new_telegram(Direction::ToHost, at(10), true);
        assert!(watch.largest(Direction::ToHost).is_none());
        watch.keep_largest();
        for ms in [21, 31] {
            watch.new_telegram(Direction::ToHost, at(ms), true);
        }
        // As with the other figures, an interval across a gap of the tap is none.
        watch.tap_gap();
        watch.new_telegram(Direction::ToHost, at(90), true);
        let kept = watch.largest(Direction::ToHost).unwrap();
        assert_eq!(kept.in_time(), [(at(21).at, Span::from_millis(11)), (at(31).at, Span::from_millis(10))]);
        assert_eq!((kept.count(), kept.exposure()), (2, Span::from_millis(21)));
    }

    #[test]
    fn a_silence_after_the_end_of_operation_is_none() {
        let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
        watch.new_telegram(Direction::ToDevice, at(0), true);
        watch.new_telegram(Direction::ToHost, at(5), true);
        watch.new_telegram(Direction::ToDevice, at(10), true);
        // The device finds an error and resets; the host takes its time before it starts again.
        assert_eq!(watch.new_telegram(Direction::ToHost, at(15), false), None);
        watch.stop(Direction::ToHost, at(15));
        assert_eq!(watch.new_telegram(Direction::ToDevice, at(200), false), None);
        assert_eq!(watch.intervals(Direction::ToDevice).times.count(), 1);
    }

    #[test]
    fn a_doubtful_silence_is_the_machines_only_if_the_connection_falls_out_of_operation() {
        for trips in [false, true] {
            let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
            for ms in [0, 10, 20] {
                watch.new_telegram(Direction::ToDevice, at(ms), true);
                watch.new_telegram(Direction::ToHost, at(ms + 4), true);
            }
            watch.doubt(Span::from_millis(976));
            assert_eq!(watch.new_telegram(Direction::ToDevice, at(1_000), true), None);
            if trips {
                assert_eq!(watch.new_telegram(Direction::ToHost, at(1_002), false).map(|s| s.direction), None);
                watch.stop(Direction::ToHost, at(1_002));
                let silence = Silence { direction: Direction::ToDevice, span: Span::from_millis(980), end: at(1_000) };
                assert_eq!(watch.take_proven().collect::<Vec<_>>(), [silence]);
                assert_eq!(watch.went_on(), None);
            } else {
                for ms in [1_010, 1_020, 1_030, 1_040, 1_050] {
                    assert_eq!(watch.new_telegram(Direction::ToHost, at(ms - 6), true), None);
                    assert_eq!(watch.new_telegram(Direction::ToDevice, at(ms), true), None);
                }
                assert_eq!((watch.take_proven().count(), watch.went_on()), (0, Some(at(1_000))));
            }
            let longest = watch.intervals(Direction::ToDevice).times.longest().unwrap().span;
            assert_eq!(longest, Span::from_millis(10));
        }
    }

    /// A hiccup of the whole machine below the watchdog time is measured.
    #[test]
    fn a_doubtful_silence_that_trips_no_watchdog_is_an_interval() {
        let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
        watch.new_telegram(Direction::ToDevice, at(0), true);
        watch.doubt(Span::from_millis(39));
        assert_eq!(watch.new_telegram(Direction::ToDevice, at(39), true), None);
        assert_eq!(watch.intervals(Direction::ToDevice).times.longest().unwrap().span, Span::from_millis(39));
        assert_eq!(watch.went_on(), None);
    }

    #[test]
    fn silence_to_the_end_is_told_once() {
        let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
        watch.new_telegram(Direction::ToDevice, at(0), true);
        watch.new_telegram(Direction::ToHost, at(5), true);
        assert_eq!(watch.finish(at(40).at), None);
        let silence = watch.finish(at(90).at).unwrap();
        assert_eq!((silence.direction, silence.span), (Direction::ToDevice, Span::from_millis(90)));
    }

    /// The device is not seen any more, and the host goes on as it can only with its answers.
    #[test]
    fn a_partner_that_goes_on_shows_that_the_capture_lost_the_answers() {
        for seen in [1, 2, 3] {
            let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
            watch.new_telegram(Direction::ToDevice, at(0), true);
            watch.new_telegram(Direction::ToHost, at(5), true);
            for ms in 1..=seen {
                watch.new_telegram(Direction::ToDevice, at(10 * ms), true);
            }
            let shown = (seen > 1).then_some((Direction::ToHost, at(10 * seen)));
            assert_eq!(watch.missing_to_the_end(at(60).at), shown);
            assert_eq!(watch.missing_to_the_end(at(40).at), None, "no watchdog has run out");
        }
    }

    /// The timer of an answer starts with the request: a host that takes its time does not make the device late.
    #[test]
    fn an_answer_is_timed_from_its_request() {
        let mut watch = Watch::new(Span::from_millis(40), Timer::Answer);
        watch.new_telegram(Direction::ToDevice, at(0), true);
        assert_eq!(watch.new_telegram(Direction::ToHost, at(5), true), None);
        // 35 ms of the host, 30 ms of the device: 65 ms from answer to answer.
        assert_eq!(watch.new_telegram(Direction::ToDevice, at(40), true), None);
        assert_eq!(watch.new_telegram(Direction::ToHost, at(70), true), None);
        assert_eq!(watch.intervals(Direction::ToHost).times.longest().unwrap().span, Span::from_millis(30));
        assert_eq!(watch.intervals(Direction::ToDevice).times.longest().unwrap().span, Span::from_millis(35));
        watch.new_telegram(Direction::ToDevice, at(80), true);
        let late = watch.new_telegram(Direction::ToHost, at(121), true);
        assert_eq!(late, Some(Silence { direction: Direction::ToHost, span: Span::from_millis(41), end: at(121) }));
        // Nobody is late who was not asked.
        assert_eq!(watch.finish(at(150).at), None);
        assert_eq!(watch.finish(at(162).at).map(|silence| silence.direction), Some(Direction::ToDevice));
    }

    #[test]
    fn senders_that_do_not_wait_for_each_other_are_timed_each_alone() {
        let mut watch = Watch::new(Span::from_millis(40), Timer::Independent);
        watch.new_telegram(Direction::ToDevice, at(0), true);
        watch.new_telegram(Direction::ToHost, at(1), true);
        for ms in [10, 20, 30] {
            assert_eq!(watch.new_telegram(Direction::ToDevice, at(ms), true), None);
        }
        let silence = watch.new_telegram(Direction::ToHost, at(42), true);
        assert_eq!(silence, Some(Silence { direction: Direction::ToHost, span: Span::from_millis(41), end: at(42) }));
        assert_eq!(watch.round_trip().times.count(), 0);
        watch.round_trip_of(at(30), at(42));
        assert_eq!(watch.round_trip().times.longest().unwrap().span, Span::from_millis(12));
    }
}

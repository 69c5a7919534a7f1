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
mod tests;

//! Time coordination: CRC, the ping that it answers, the consumer's clock, and whether it comes at all.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use super::super::base::{Base, Update};
use super::super::finding::{Class, Detail, Location};
use super::super::follower::Siblings;
use super::Fscp2_1;
use super::trust::{Fit, Trust};
use crate::telegram::fscp_2_1::{Coordination, Flaw, Identity, TIME_UNIT, TimeStamp};
use crate::time::{Instant, Span};

/// How far the consumer's clock may run away from the capture's between two time coordinations, in units: 1 s, beyond any
/// delay of a message and any drift.
const CLOCK_TOLERANCE: u16 = 7_812;

/// Drift of the two clocks against each other that is granted when an age is derived, 1 in 1 000.
const DRIFT: i64 = 1_000;

/// Time coordinations that a producer may still reckon with: it may keep an earlier one that came faster.
const REFERENCES: usize = 4;

/// What is known about the time coordination.
#[derive(Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct TimeSide {
    pub(super) trust: Trust,
    /// The last message accepted: the consumer's clock and where.
    last: Option<(TimeStamp, Location)>,
    /// The last few of the present opening.
    references: VecDeque<(TimeStamp, Location)>,
    /// Whether `last` belongs to the present opening, so that the clock still runs on from it.
    runs_on: bool,
    /// By how much the clock of the capture may have been set ahead since `last`.
    doubt: Span,
    /// An answer to a ping that was not seen; and until when silences counted for nothing before it.
    unasked: Option<(Location, Detail, Option<Instant>)>,
    /// Whether the producer waits for the next one.
    pub(super) supervised: bool,
}

impl TimeSide {
    pub(super) fn new(consumer: Option<Identity>) -> Self {
        Self { trust: Trust::new(consumer), ..Self::default() }
    }

    /// The connection begins anew: the consumer may have, too.
    pub(super) fn forget_clock(&mut self) {
        self.runs_on = false;
        self.references.clear();
    }

    /// The clock of the capture may have been set ahead by as much.
    pub(super) fn doubt(&mut self, ahead: Span) {
        self.forget_clock();
        self.doubt = self.doubt.checked_add(ahead).unwrap_or(Span::MAX);
    }

    /// Where an answer to a ping that was not seen stands, if there is one.
    pub(super) fn unasked_at(&self) -> Option<Location> {
        self.unasked.as_ref().map(|(at, ..)| *at)
    }

    fn refer_to(&mut self, clock: TimeStamp, at: Location) {
        if self.references.len() >= REFERENCES {
            self.references.pop_front();
        }
        self.references.push_back((clock, at));
    }

    /// How old the data with this time stamp are at most at `at`, and the time coordination that says so. The producer's clock was set by
    /// one of the last few, after it passed the tap; by which is not known, so the one counts by which they are oldest.
    pub(super) fn age(&self, stamp: u16, at: Location) -> Option<(Span, Location)> {
        let ages = self.references.iter().filter_map(|(clock, then)| Some((age(*clock, *then, stamp, at)?, *then)));
        ages.max_by_key(|(age, _)| *age).map(|(age, then)| (age.max(Span::ZERO), then))
    }

    /// Whether a time coordination was accepted since the connection was opened.
    pub(super) const fn is_fresh(&self) -> bool {
        self.runs_on
    }

    /// What the consumer's clock shows at least at `at`: it was read before the message with its value passed the tap.
    pub(super) fn clock_at_least(&self, at: Location) -> Option<u16> {
        let (clock, then) = self.last.filter(|_| self.runs_on)?;
        let elapsed = at.at.since(then.at).as_nanos();
        let granted = elapsed.checked_div(DRIFT)?;
        Some(clock.0.wrapping_add(units(Span::from_nanos(elapsed.saturating_sub(granted)))?))
    }
}

impl Fscp2_1 {
    pub(super) fn follow_coordination(
        &mut self,
        base: &mut Base,
        octets: &[u8],
        at: Location,
        siblings: Siblings<'_>,
    ) -> Update {
        let direction = self.parameters.produces.opposite();
        let Ok(coordination) = Coordination::parse(octets, self.parameters.format) else { return Update::Rejected };
        let tap_gap = base.watch.has_tap_gap(direction) || base.watch.has_tap_gap(self.parameters.produces);
        let without_frames = base.watch.without_frames(direction);
        base.watch.bridge_tap_gap(direction);
        match self.time.trust.coordination(&coordination) {
            Fit::Proven { reading, telegrams, .. } => {
                base.confirm(direction, telegrams);
                self.tell_reading(base, direction, reading, at);
            }
            Fit::Wrong(flaw) => return self.reject_coordination(base, octets, flaw, at, siblings),
            Fit::Open => {
                self.time.forget_clock();
                self.time.last = None;
                return Update::NoData;
            }
        }
        if let Some((class, detail)) = self.coordination_order(base, octets, &coordination, tap_gap, at) {
            return self.reject(base, direction, at, class, detail);
        }
        if let Some(expected) = self.unasked(&coordination).filter(|_| !tap_gap) {
            // The question may be in a packet that the capture lost; the next data message shows that.
            let detail = Detail::Ping { expected, seen: coordination.ack.ping_reply() };
            self.time.unasked = Some((at, detail, self.unsupervised_until));
            self.unsupervised_until = at.at.checked_add(self.watchdog);
            self.time.supervised = false;
            return Update::Rejected;
        }
        if !tap_gap && let Some((_, silence)) = self.overdue(base, at.at) {
            if self.went_on(base, silence, without_frames) {
                base.not_captured(direction, at);
                base.watch.bridge_tap_gap(direction);
            } else {
                self.coordination_missing(base, at, silence, false);
            }
        }
        if coordination.ack.is_ping_response()
            && let Some(asked) = self.data.take_asked(coordination.ack.ping_reply())
            && !tap_gap
        {
            base.watch.round_trip_of(asked, at);
        }
        self.time.last = Some((coordination.clock, at));
        self.time.refer_to(coordination.clock, at);
        (self.time.runs_on, self.time.doubt) = (true, Span::ZERO);
        self.time.supervised = self.data.running == Some(true) && self.is_supervised(at);
        if coordination.ack.is_ping_response() {
            base.in_operation(direction);
        }
        Update::NoData
    }

    pub(super) fn owns_coordination(&self, octets: &[u8]) -> bool {
        Coordination::parse(octets, self.parameters.format)
            .is_ok_and(|coordination| self.time.trust.owns_coordination(&coordination))
    }

    /// When the next time coordination must be there, if the producer waits for one, whatever the clock of the capture did.
    pub(super) fn coordination_due(&self) -> Option<Instant> {
        let (_, last) = self.time.last.filter(|_| self.time.supervised)?;
        last.at.checked_add(self.parameters.coordination_timeout())?.checked_add(self.time.doubt)
    }

    /// The last time coordination and the silence since then, if that is too long and the data did not stop first.
    pub(super) fn overdue(&self, base: &Base, now: Instant) -> Option<(Location, Span)> {
        let due = self.coordination_due().filter(|due| *due < now)?;
        let (_, last) = self.time.last?;
        let data = base.watch.last(self.parameters.produces)?;
        let data_stopped_first = data.at.checked_add(self.watchdog).is_some_and(|stopped| stopped < due);
        let gap = base.watch.has_tap_gap(self.parameters.produces.opposite());
        (!data_stopped_first && !gap).then(|| (last, now.since(last.at)))
    }

    /// Whether the producer went on without a time coordination for longer than it would, while no frames came that could have carried
    /// one: the capture lost them.
    fn went_on(&self, base: &Base, silence: Span, without_frames: Span) -> bool {
        let with_frames = silence.checked_sub(without_frames).unwrap_or(Span::ZERO);
        let closed = self.coordination_due().and_then(|due| due.checked_add(self.watchdog));
        let data = base.watch.last(self.parameters.produces);
        let is_running = closed.zip(data).is_some_and(|(closed, data)| data.at > closed);
        with_frames <= self.parameters.coordination_timeout() && is_running && self.data.running == Some(true)
    }

    pub(super) fn coordination_missing(&mut self, base: &mut Base, at: Location, silence: Span, to_the_end: bool) {
        let watchdog = self.parameters.coordination_timeout();
        let detail = Detail::Silence { watchdog, silence, to_the_end };
        base.finding(self.parameters.produces.opposite(), at, Class::UnacceptableDelay, detail);
    }

    fn reject_coordination(
        &mut self,
        base: &mut Base,
        octets: &[u8],
        flaw: Flaw,
        at: Location,
        siblings: Siblings<'_>,
    ) -> Update {
        let direction = self.parameters.produces.opposite();
        let (class, detail) = match siblings.owner(direction, octets) {
            Some(connection) => (Class::Addressing, Detail::Foreign { connection }),
            None => (Class::Corruption, Detail::Flaw(flaw)),
        };
        self.reject(base, direction, at, class, detail)
    }

    /// What is wrong with the place of the message in the order of its connection.
    fn coordination_order(
        &self,
        base: &Base,
        octets: &[u8],
        coordination: &Coordination,
        tap_gap: bool,
        at: Location,
    ) -> Option<(Class, Detail)> {
        if tap_gap {
            return None;
        }
        let direction = self.parameters.produces.opposite();
        let clock = self.time.last.filter(|_| self.time.runs_on).and_then(|(clock, then)| {
            let due = clock.0.wrapping_add(units(at.at.since(then.at))?);
            let away = coordination.clock.0.wrapping_sub(due);
            let away = away.min(away.wrapping_neg());
            (away > CLOCK_TOLERANCE).then_some(Detail::TimeStamp { last: clock.0, seen: coordination.clock.0 })
        });
        let old = self.time.last.filter(|_| self.time.runs_on).is_some_and(|(clock, _)| {
            coordination.clock.units_since(clock) >= 0x8000 && base.line(direction).copies_ago(octets).is_some()
        });
        if old {
            let telegrams_ago = base.line(direction).copies_ago(octets)?;
            return Some((Class::UnintendedRepetition, Detail::CopyOf { telegrams_ago }));
        }
        clock.map(|detail| (Class::IncorrectSequence, detail))
    }

    /// The ping count that was to be answered, if the answer is to another; the producer may have asked again while the
    /// answer was on its way.
    fn unasked(&self, coordination: &Coordination) -> Option<u8> {
        let ping = self.data.ping.filter(|_| !self.data.rejected);
        ping.filter(|ping| ping.wrapping_sub(coordination.ack.ping_reply()) & 3 > 1)
    }

    /// Tells the answer to a question that was not seen, unless the capture may have lost the question.
    pub(super) fn tell_unasked(&mut self, base: &mut Base, tap_gap: bool, next: Option<(Location, u8)>) {
        let Some((at, detail, before)) = self.time.unasked.take() else { return };
        let produces = self.parameters.produces;
        let frames_late = base.watch.were_frames_late(produces);
        // Packets of one time may stand in the wrong order.
        let is_question = next.is_some_and(|(next, ping)| {
            next.at == at.at && matches!(detail, Detail::Ping { seen, .. } if seen == ping)
        });
        match next {
            _ if tap_gap || is_question => self.unsupervised_until = before,
            Some((next, _)) if frames_late => {
                // The question is missing with its frame.
                base.missing_with_frames(produces, next, 1);
                self.unsupervised_until = before;
            }
            _ => {
                base.finding(produces.opposite(), at, Class::IncorrectSequence, detail);
                self.expect_close(base, at);
            }
        }
    }
}

/// The age of data at `at` by a time coordination that passed `then`; below zero if it came later than their producer was set.
fn age(clock: TimeStamp, then: Location, stamp: u16, at: Location) -> Option<Span> {
    let elapsed = at.at.since(then.at);
    let now = clock.0.wrapping_add(units(elapsed)?);
    // Both clocks are read in whole units.
    let whole = i64::from(now.wrapping_sub(stamp).cast_signed()).saturating_add(1);
    let part = elapsed.as_nanos().checked_rem(TIME_UNIT.as_nanos())?;
    let drift = elapsed.as_nanos().checked_div(DRIFT)?;
    TIME_UNIT.checked_mul(whole)?.checked_add(Span::from_nanos(part.saturating_add(drift)))
}

/// Whole units in a span, modulo a turn; `None` for a negative span.
fn units(span: Span) -> Option<u16> {
    let units = span.as_nanos().checked_div(TIME_UNIT.as_nanos())?;
    u16::try_from(u64::try_from(units).ok()? & 0xFFFF).ok()
}

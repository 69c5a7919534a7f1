//! Data messages: CRCs, time stamps, pings, age of the data.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::super::base::{Base, Update};
use super::super::finding::{Class, Detail, EventKind, Location};
use super::super::follower::Siblings;
use super::Fscp2_1;
use super::trust::{Expected, Fit, Trust};
use crate::machine::Direction;
use crate::telegram::fscp_2_1::{
    Correction, CrcOver, Flaw, Format, Identity, Key, TIME_MESSAGE_OCTETS, TIME_UNIT, Telegram, TimeStamp,
};
use crate::time::Span;

/// A step of the time stamp of half a turn or more is one back.
const BACK: u16 = 0x8000;

/// Units by which an age may be overestimated: two clocks are read in whole units.
const AGE_SLACK: i64 = 2;

/// What is known about the data messages.
#[derive(Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct DataSide {
    pub(super) trust: Trust,
    /// Time stamp of the last message.
    last: Option<TimeStamp>,
    /// The last message was one of those before the first time coordination.
    opening: bool,
    /// Whether an opening was seen: all from there on is in the capture.
    opened: bool,
    /// Whether the producer has process data in its last message.
    pub(super) running: Option<bool>,
    pub(super) ping: Option<u8>,
    /// The message that first had it, if that is known and it has not been answered.
    asked: Option<Location>,
    /// A message was found wrong since the last good one: what it said may have been the step, or the ping, that is missing.
    pub(super) rejected: bool,
}

impl DataSide {
    /// The message that asked what this answers, once.
    pub(super) fn take_asked(&mut self, answer: u8) -> Option<Location> {
        if self.ping == Some(answer) { self.asked.take() } else { None }
    }

    pub(super) fn new(producer: Option<Identity>) -> Self {
        Self { trust: Trust::new(producer), ..Self::default() }
    }
}

impl Fscp2_1 {
    pub(super) fn follow_data(
        &mut self,
        base: &mut Base,
        octets: &[u8],
        at: Location,
        siblings: Siblings<'_>,
    ) -> Update {
        let direction = self.parameters.produces;
        let Some((telegram, correction)) = self.parse_data(octets) else { return Update::Rejected };
        let tap_gap = base.watch.may_be_lost(direction, at.at);
        self.tell_unasked(base, base.watch.has_tap_gap(direction), Some((at, telegram.message.mode.ping_count())));
        let is_opening = self.is_opening(&telegram);
        let is_silence = base.watch.last(direction).is_some_and(|last| at.at.since(last.at) > self.watchdog);
        let start_unseen = is_silence && base.watch.has_tap_gap(direction);
        if start_unseen {
            self.time.forget_clock();
        }
        let stamp = telegram.message.time_stamp;
        let expected = Expected {
            opening: is_opening.then_some(self.parameters.initial_rollover),
            stamp_went_down: self.data.last.is_some_and(|last| stamp.0 < last.0),
            rollovers_unseen: self.rollovers_unseen(base, tap_gap, at),
            start_unseen: start_unseen.then_some(self.parameters.initial_rollover),
        };
        let was_confirmed = self.data.trust.is_confirmed();
        let rolled_over = match self.data.trust.data(&telegram, expected) {
            Fit::Proven { reading, telegrams, rolled_over } => {
                base.confirm(direction, telegrams);
                self.tell_reading(base, direction, reading, at);
                rolled_over
            }
            Fit::Wrong(flaw) => return self.reject_data(base, octets, &telegram, flaw, at, siblings),
            Fit::Open if is_opening => return self.open(base, &telegram, at),
            Fit::Open => {
                self.note_data(&telegram, is_opening, tap_gap, at);
                // Behind a gap the rollover count is solved once; the connection runs on.
                let runs_on = self.data.trust.is_confirmed() && telegram.message.mode.is_running();
                base.new_telegram(direction, at, runs_on && self.is_supervised(at));
                return Update::NoData;
            }
        };
        if is_opening {
            return self.open(base, &telegram, at);
        }
        if !was_confirmed && !self.data.opened {
            base.event(direction, at, EventKind::Joined);
        }
        if let Some((class, detail)) = self.order(base, octets, stamp, rolled_over, tap_gap, at) {
            return self.reject_message(base, at, class, detail);
        }
        if let Some(flaw) = self.correction_flaw(correction.as_ref()) {
            return self.reject_message(base, at, Class::Corruption, Detail::Flaw(flaw));
        }
        let late = self.late(base, stamp, correction.as_ref(), tap_gap, at);
        if let Some((age, since)) =
            self.corrected(stamp, correction.as_ref()).and_then(|stamp| self.time.age(stamp, at))
            && !tap_gap
        {
            base.watch.aged(direction, age, since, at);
        }
        self.accept_data(base, &telegram, late, tap_gap, at)
    }

    /// Time stamp of the last message.
    pub(in crate::check) fn number(&self, direction: Direction) -> Option<u32> {
        if direction != self.parameters.produces {
            return None;
        }
        self.data.last.map(|stamp| stamp.0.into())
    }

    pub(super) fn owns_data(&self, octets: &[u8]) -> bool {
        self.parse_data(octets).is_some_and(|(telegram, _)| self.data.trust.owns_data(&telegram))
    }

    fn parse_data<'a>(&self, octets: &'a [u8]) -> Option<(Telegram<'a>, Option<Correction>)> {
        let p = &self.parameters;
        let behind = if p.time_correction { TIME_MESSAGE_OCTETS } else { 0 };
        let (message, correction) = octets.split_at_checked(octets.len().checked_sub(behind)?)?;
        let telegram = Telegram::parse(message, p.data, p.format).ok()?;
        let correction = if p.time_correction { Some(Correction::parse(correction, p.format).ok()?) } else { None };
        Some((telegram, correction))
    }

    /// Whether this is a message from before the first time coordination: idle under the initial time stamp, or, where the
    /// machine file does not give that, under one that stands still or does not follow the last.
    fn is_opening(&self, telegram: &Telegram<'_>) -> bool {
        let message = telegram.message;
        if message.mode.is_running() {
            return false;
        }
        let limit = self.parameters.network_time_expectation;
        let follows = self.data.last.is_some_and(|last| (1..=limit).contains(&message.time_stamp.units_since(last)));
        match self.parameters.initial_time_stamp {
            // An idle producer comes by the initial stamp, too.
            Some(initial) => {
                let comes_by = self.data.running == Some(false) && !self.data.opening && follows;
                message.time_stamp == initial && !comes_by
            }
            None => !follows,
        }
    }

    fn note_data(&mut self, telegram: &Telegram<'_>, is_opening: bool, tap_gap: bool, at: Location) {
        let ping = telegram.message.mode.ping_count();
        if is_opening {
            self.data.asked = None;
        } else if self.data.ping != Some(ping) {
            let is_known = self.data.ping.is_some() && !self.data.rejected && !tap_gap;
            self.data.asked = is_known.then_some(at);
        }
        self.data.last = Some(telegram.message.time_stamp);
        self.data.opening = is_opening;
        self.data.opened |= is_opening;
        self.data.running = Some(telegram.message.mode.is_running());
        self.data.ping = Some(ping);
        self.data.rejected = false;
    }

    /// The producer begins, or begins again.
    fn open(&mut self, base: &mut Base, telegram: &Telegram<'_>, at: Location) -> Update {
        let direction = self.parameters.produces;
        if self.data.running == Some(true) || (self.data.running == Some(false) && !self.data.opening) {
            base.event(direction, at, EventKind::Restart);
        }
        let coordination_failed = base.watch.last(direction).is_some_and(|last| {
            let (data_due, time_due) = (last.at.checked_add(self.watchdog), self.coordination_due());
            time_due.is_some() && time_due < data_due
        });
        if coordination_failed {
            // The producer gave up because of the consumer: its own silence is the consequence.
            base.watch.stop(direction, at);
        } else if !self.data.opening {
            self.time.supervised = false;
        }
        base.new_telegram(direction, at, false);
        self.note_data(telegram, true, false, at);
        self.time.forget_clock();
        self.unsupervised_until = None;
        Update::NoData
    }

    /// Rollovers of the time stamp that may have gone unseen since the last message.
    fn rollovers_unseen(&self, base: &Base, tap_gap: bool, at: Location) -> u16 {
        let silence = base.watch.last(self.parameters.produces).map(|last| at.at.since(last.at));
        let turns = silence.and_then(|silence| silence.as_nanos().checked_div(TURN.as_nanos())).unwrap_or_default();
        let by_time = u16::try_from(turns).unwrap_or(if turns > 0 { u16::MAX } else { 0 });
        match (tap_gap, by_time) {
            // The clock of the capture may have been set.
            (true, _) => by_time.saturating_add(1).max(WRAPS_UNSEEN),
            // Beyond the one that a lower time stamp shows.
            (false, 0) => 0,
            (false, _) => by_time.saturating_add(1),
        }
    }

    /// Pings that may have passed in a silence that is too long, and told as such.
    fn pings_unseen(&self, base: &Base, at: Location) -> i64 {
        let silence = base.watch.last(self.parameters.produces).map_or(Span::ZERO, |last| at.at.since(last.at));
        if silence <= self.watchdog {
            return 0;
        }
        silence.as_nanos().checked_div(self.parameters.ping_time().as_nanos()).unwrap_or(0)
    }

    /// A message that fits no key.
    fn reject_data(
        &mut self,
        base: &mut Base,
        octets: &[u8],
        telegram: &Telegram<'_>,
        flaw: Flaw,
        at: Location,
        siblings: Siblings<'_>,
    ) -> Update {
        let direction = self.parameters.produces;
        // Consistent in itself, though under another seed: 16 bits say so.
        let is_foreign = self.parameters.format == Format::Base
            && matches!(flaw, Flaw::Crc { over: CrcOver::Data, .. })
            && telegram.is_consistent() == Some(true);
        let (class, detail) = if let Some(telegrams_ago) = base.line(direction).copies_ago(octets) {
            (Class::UnintendedRepetition, Detail::CopyOf { telegrams_ago })
        } else if let Some(connection) = siblings.owner(direction, octets) {
            (Class::Addressing, Detail::Foreign { connection })
        } else if is_foreign {
            (Class::Insertion, Detail::UnknownProducer)
        } else {
            (Class::Corruption, Detail::Flaw(flaw))
        };
        self.reject_message(base, at, class, detail)
    }

    fn reject_message(&mut self, base: &mut Base, at: Location, class: Class, detail: Detail) -> Update {
        self.data.rejected = true;
        self.reject(base, self.parameters.produces, at, class, detail)
    }

    /// What is wrong with the place of the message in the order of its connection.
    fn order(
        &self,
        base: &Base,
        octets: &[u8],
        stamp: TimeStamp,
        rolled_over: bool,
        tap_gap: bool,
        at: Location,
    ) -> Option<(Class, Detail)> {
        if tap_gap || self.data.opening {
            return None;
        }
        let last = self.data.last?;
        let step = stamp.units_since(last);
        let direction = self.parameters.produces;
        // Without a rollover count only the way round says what is back; after a long silence not even that.
        let long = base.watch.last(direction).is_some_and(|last| at.at.since(last.at) >= HALF_TURN);
        let is_back = if self.parameters.format == Format::Extended {
            stamp.0 < last.0 && !rolled_over
        } else {
            step >= BACK && !long
        };
        if !is_back && step != 0 {
            return None;
        }
        Some(match base.line(direction).copies_ago(octets) {
            Some(telegrams_ago) => (Class::UnintendedRepetition, Detail::CopyOf { telegrams_ago }),
            None => (Class::IncorrectSequence, Detail::TimeStamp { last: last.0, seen: stamp.0 }),
        })
    }

    /// What is wrong with a time correction.
    fn correction_flaw(&self, correction: Option<&Correction>) -> Option<Flaw> {
        let (correction, producer) = (correction?, self.data.trust.identity()?);
        correction.verify(Key { producer, rollover: self.data.trust.rollover() }).err()
    }

    /// The step of the time stamp or the age of the data, if it is more than the network time expectation allows.
    fn late(
        &self,
        base: &Base,
        stamp: TimeStamp,
        correction: Option<&Correction>,
        tap_gap: bool,
        at: Location,
    ) -> Option<Detail> {
        let limit = self.parameters.network_time_expectation;
        let silent = |last: Location| at.at.since(last.at) > self.watchdog;
        let is_silence = base.watch.last(self.parameters.produces).is_some_and(silent);
        let span = |units: u16| TIME_UNIT.checked_mul(units.into()).unwrap_or(Span::MAX);
        if let Some(last) = self.data.last
            && !tap_gap
            && !self.data.opening
            && !self.data.rejected
            && !is_silence
            && stamp.units_since(last) > limit
        {
            let step = span(stamp.units_since(last));
            return Some(Detail::StampStep { limit: self.parameters.greatest_age(), step });
        }
        let corrected = self.corrected(stamp, correction)?;
        let clock = self.time.clock_at_least(at)?;
        let age = i64::from(clock.wrapping_sub(corrected)).saturating_sub(AGE_SLACK);
        let too_old = age > i64::from(limit) && age < i64::from(BACK);
        too_old.then(|| Detail::DataAge {
            limit: self.parameters.greatest_age(),
            age: TIME_UNIT.checked_mul(age).unwrap_or(Span::MAX),
        })
    }

    /// The time stamp by the clock of the consumer; `None` if the time correction with it is for another one.
    fn corrected(&self, stamp: TimeStamp, correction: Option<&Correction>) -> Option<u16> {
        let is_for_another = self.parameters.time_correction && !self.is_for_this_consumer(correction);
        (!is_for_another).then(|| stamp.0.wrapping_add(correction.map_or(0, |correction| correction.correction.0)))
    }

    fn is_for_this_consumer(&self, correction: Option<&Correction>) -> bool {
        let seen = correction.map(|correction| correction.consumer.number());
        self.parameters.consumer_number.is_some_and(|number| seen == Some(number))
    }

    fn accept_data(
        &mut self,
        base: &mut Base,
        telegram: &Telegram<'_>,
        late: Option<Detail>,
        tap_gap: bool,
        at: Location,
    ) -> Update {
        let direction = self.parameters.produces;
        let mode = telegram.message.mode;
        let (was_running, was_opening) = (self.data.running, self.data.opening);
        let expected = self.data.ping.filter(|_| !tap_gap && !self.data.rejected);
        let most = self.pings_unseen(base, at).saturating_add(1);
        let wrong_ping = expected.filter(|ping| i64::from(mode.ping_count().wrapping_sub(*ping) & 3) > most);
        let is_lost = wrong_ping.is_some() && base.watch.were_frames_late(direction);
        if is_lost {
            base.missing_with_frames(direction, at, 1);
        }
        let wrong_ping = wrong_ping.filter(|_| !is_lost);
        let silent = |last: Location| at.at.since(last.at) > self.watchdog;
        let ends_silence = base.watch.last(direction).is_some_and(silent) && !tap_gap;
        let running = mode.is_running();
        self.note_data(telegram, false, tap_gap, at);
        base.new_telegram(direction, at, running && self.is_supervised(at));
        base.in_operation(direction);
        if was_opening {
            // The producer has had its first time coordination, and waits for the next.
            self.time.supervised = running && self.time.is_fresh() && self.is_supervised(at);
            base.event(direction, at, EventKind::Operating);
        } else if was_running.is_some_and(|was| was != running) {
            base.event(direction, at, if running { EventKind::EndOfFailSafe } else { EventKind::FailSafe });
        }
        if ends_silence {
            self.expect_close(base, at);
        }
        if let Some(detail) = late {
            return self.reject(base, direction, at, Class::UnacceptableDelay, detail);
        }
        if let Some(ping) = wrong_ping {
            let detail = Detail::Ping { expected: ping.wrapping_add(1) & 3, seen: mode.ping_count() };
            return self.reject(base, direction, at, Class::IncorrectSequence, detail);
        }
        if running { Update::Process } else { Update::FailSafe }
    }
}

/// Half a turn of a time stamp, 32 768 units: after a longer silence it does not tell back from ahead.
const HALF_TURN: Span = Span::from_millis(4_194);

/// A turn of a time stamp, 65 536 units.
const TURN: Span = Span::from_micros(8_388_608);

/// Rollovers that a gap of the capture may hide if its clock was set.
const WRAPS_UNSEEN: u16 = 64;

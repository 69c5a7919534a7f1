//! Follows one IEC 62541-15 connection: requests of the consumer (the host), responses of the provider (the device).
//!
//! The monitoring number steps with every request and the response repeats it; all numbers and IDs are on the wire, so a
//! capture may begin anywhere. Requests have no CRC: what a request says is proven by the response to it. A request with a
//! number that was not due is judged by the one after it: if that goes on from the number due, the odd one was corrupted, if
//! it goes on from the odd one, that is where the consumer stood. A provider answers whatever request it gets, so the answer
//! to a wrong request is no fault of its own.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::base::{Base, Update};
use super::both::Both;
use super::connection_outcome::Unchecked;
use super::finding::{Class, Detail, EventKind, Location, TripCause};
use super::follower::Siblings;
use crate::machine::{self, Direction};
use crate::telegram::iec_62541_15::{
    FIRST_NUMBER, Mismatch, Request, RequestFlags, Response, ResponseFlags, SpduIds, next_number,
};

/// Numbers that may be missing in a row for a number to count as 'nearby'.
const NEARBY: u32 = 256;

/// A number that is as many steps ahead is behind.
const FAR: u32 = 1 << 31;

/// Bits of a request that may differ from the request due for it to count as that one corrupted. Of the requests of another
/// source, with numbers at random, one in some 10^9 is as near.
const FEW_BITS: u32 = 8;

/// Names of the SPDU_IDs, by what they are made of.
const SPDU_ID_NAMES: [&str; 3] = [
    "SPDU_ID_1 (level and base ID)",
    "SPDU_ID_2 (structure signature and base ID)",
    "SPDU_ID_3 (provider ID and base ID)",
];

pub(super) struct Iec62541_15 {
    parameters: machine::Iec62541_15,
    /// SafetyConsumerID, known once a response has repeated it.
    consumer_id: Option<u32>,
    /// SPDU_IDs of the responses.
    spdu_ids: Option<SpduIds>,
    /// The last request that was taken.
    request: Option<Request>,
    /// It is not answered yet.
    is_open: bool,
    /// Number of the last response that was taken.
    answered: Option<u32>,
    response_flags: Option<ResponseFlags>,
    /// A request with a number that was not due.
    odd: Option<Odd>,
    /// A wrong request, which the provider answers all the same.
    wrong_request: Option<Request>,
    /// Number of a request that the consumer no longer waits for.
    given_up: Option<u32>,
    /// Telegrams found wrong since the last good one: their numbers are not missing besides.
    rejected: Both<u32>,
    /// Requests that the consumer gave up since the last response.
    unanswered: u32,
    joined: bool,
    has_operated: bool,
}

crate::saved::resume!(Iec62541_15 { plain: consumer_id, spdu_ids, request, is_open, answered, response_flags, odd, wrong_request, given_up, rejected, unanswered, joined, has_operated; nested: ; fixed: parameters });

/// A request with a number that was not due.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Odd {
    at: Location,
    due: u32,
    seen: u32,
}

impl Iec62541_15 {
    pub(super) fn new(parameters: &machine::Iec62541_15) -> Self {
        Self {
            parameters: parameters.clone(),
            consumer_id: None,
            spdu_ids: None,
            request: None,
            is_open: false,
            answered: None,
            response_flags: None,
            odd: None,
            wrong_request: None,
            given_up: None,
            rejected: Both::default(),
            unanswered: 0,
            joined: false,
            has_operated: false,
        }
    }

    pub(super) fn follow(
        &mut self,
        base: &mut Base,
        direction: Direction,
        octets: &[u8],
        at: Location,
        siblings: Siblings<'_>,
    ) -> Update {
        let wire = Wire { octets, at, siblings };
        match direction {
            Direction::ToDevice => match Request::parse(octets) {
                Ok(request) if request.is_empty() => Update::NoData,
                Ok(request) => self.follow_request(base, &request, &wire),
                Err(_) => Update::Rejected,
            },
            Direction::ToHost => match self.parameters.layout.parse(octets) {
                Ok(response) if response.is_empty() => Update::NoData,
                Ok(response) => self.follow_response(base, &response, &wire),
                Err(_) => Update::Rejected,
            },
        }
    }

    /// Whether `octets` are a telegram that this connection sends about now.
    pub(super) fn owns(&self, direction: Direction, octets: &[u8]) -> bool {
        let Some(consumer_id) = self.consumer_id else { return false };
        match direction {
            Direction::ToDevice => Request::parse(octets).is_ok_and(|seen| {
                let number = self.request.map(|request| request.monitoring_number);
                seen.consumer_id == consumer_id && number.is_some_and(|number| is_near(number, seen.monitoring_number))
            }),
            Direction::ToHost => self.parameters.layout.parse(octets).is_ok_and(|seen| {
                seen.consumer_id == consumer_id && Some(seen.spdu_ids) == self.spdu_ids && seen.verify().is_ok()
            }),
        }
    }

    pub(super) fn safe_octet(&self, direction: Direction, accepted: &[u8], index: usize) -> Option<u8> {
        match direction {
            Direction::ToDevice => None,
            Direction::ToHost => self.parameters.layout.data_octet(accepted, index),
        }
    }

    pub(super) fn unchecked(&self, base: &Base) -> Option<Unchecked> {
        let learnt = self.parameters.spdu_ids().contains(&None);
        base.gap().or_else(|| learnt.then_some(Unchecked::NoSpduIds))
    }

    fn follow_request(&mut self, base: &mut Base, request: &Request, wire: &Wire<'_>) -> Update {
        let is_foreign = self.consumer_id.is_some_and(|known| known != request.consumer_id);
        if is_foreign || !request.flags.are_legal() || request.monitoring_number < FIRST_NUMBER {
            return self.reject_request(base, request, wire);
        }
        let Some(last) = self.request.map(|request| request.monitoring_number) else {
            return self.take_request(base, *request, wire.at);
        };
        let (due, seen) = (self.settle_odd(base, request, last), request.monitoring_number);
        match ahead(due, seen) {
            0 => {}
            _ if seen == last => return self.take_flags(base, *request, wire.at),
            steps if steps < NEARBY => self.requests_missing(base, wire.at, due, seen),
            steps => {
                if let Some(telegrams_ago) = base.line(Direction::ToDevice).copies_ago(wire.octets) {
                    let detail = Detail::CopyOf { telegrams_ago };
                    base.finding(Direction::ToDevice, wire.at, Class::UnintendedRepetition, detail);
                    return self.note_wrong_request(*request);
                }
                if is_regular(request.flags) && fits_hole(base, Direction::ToDevice, steps, wire.at) {
                    self.requests_missing(base, wire.at, due, seen);
                    return self.take_request(base, *request, wire.at);
                }
                self.answered = None;
                if is_regular(request.flags) {
                    let detail = monitoring_number(due, seen);
                    base.finding(Direction::ToDevice, wire.at, Class::IncorrectSequence, detail);
                    self.odd = Some(Odd { at: wire.at, due, seen });
                } else {
                    // A consumer that starts takes up a number at random.
                    base.event(Direction::ToDevice, wire.at, EventKind::Restart);
                }
            }
        }
        self.take_request(base, *request, wire.at)
    }

    /// The requests from number `due` up to `seen` are missing.
    fn requests_missing(&mut self, base: &mut Base, at: Location, due: u32, seen: u32) {
        let missing = ahead(due, seen).saturating_sub(self.rejected.to_device);
        if missing > 0 {
            base.missing(Direction::ToDevice, at, missing);
            self.odd = Some(Odd { at, due, seen });
        }
    }

    /// The number due, once a request with another number is judged by the request after it.
    fn settle_odd(&mut self, base: &mut Base, request: &Request, last: u32) -> u32 {
        let Some(odd) = self.odd.take() else { return next_number(last) };
        if request.monitoring_number != next_number(odd.due) {
            return next_number(last);
        }
        let detail = monitoring_number(odd.due, odd.seen);
        base.reclassify(Direction::ToDevice, odd.at, Class::Corruption, detail);
        base.withdraw_losses(Direction::ToHost, odd.at);
        self.answered = None;
        next_number(odd.due)
    }

    /// Number of the last telegram.
    pub(super) fn number(&self, direction: Direction) -> Option<u32> {
        match direction {
            Direction::ToDevice => self.request.map(|request| request.monitoring_number),
            Direction::ToHost => self.answered,
        }
    }

    /// The number has not stepped: other flags in the same request.
    fn take_flags(&mut self, base: &mut Base, request: Request, at: Location) -> Update {
        self.tell_flags(base, request.flags, at);
        self.request = Some(request);
        Update::NoData
    }

    fn take_request(&mut self, base: &mut Base, request: Request, at: Location) -> Update {
        let regular = is_regular(request.flags);
        if self.is_open && !regular {
            self.unanswered = self.unanswered.saturating_add(1);
            self.given_up = self.request.map(|request| request.monitoring_number);
        }
        base.new_telegram(Direction::ToDevice, at, regular);
        if regular {
            base.in_operation(Direction::ToDevice);
        } else {
            base.watch.stop(Direction::ToDevice, at);
        }
        self.tell_flags(base, request.flags, at);
        self.rejected.to_device = 0;
        self.wrong_request = None;
        self.request = Some(request);
        self.is_open = true;
        Update::NoData
    }

    fn tell_flags(&mut self, base: &mut Base, now: RequestFlags, at: Location) {
        let before = self.request.map(|request| request.flags);
        let direction = Direction::ToDevice;
        let was_regular = before.is_some_and(is_regular);
        if now.has(RequestFlags::COMMUNICATION_ERROR) && was_regular {
            base.trip(direction, at, TripCause::CommunicationError);
        } else if !is_regular(now) && was_regular {
            base.event(direction, at, EventKind::FailSafe);
        } else if is_regular(now) && before.is_some_and(|before| !is_regular(before)) {
            let kind = if self.has_operated { EventKind::EndOfFailSafe } else { EventKind::Operating };
            base.event(direction, at, kind);
        }
        self.has_operated |= is_regular(now);
    }

    fn reject_request(&mut self, base: &mut Base, request: &Request, wire: &Wire<'_>) -> Update {
        let Some(consumer_id) = self.consumer_id else {
            // Nothing has proven yet what the requests of this connection look like.
            return Update::Rejected;
        };
        let last = self.request.map_or(FIRST_NUMBER, |request| request.monitoring_number);
        let due = Request { consumer_id, monitoring_number: next_number(last), flags: RequestFlags(0) };
        let (class, detail) = if let Some(connection) = wire.siblings.owner(Direction::ToDevice, wire.octets) {
            (Class::Addressing, Detail::Foreign { connection })
        } else if differing_bits(&due, request) <= FEW_BITS {
            (Class::Corruption, difference(&due, request))
        } else if !request.flags.are_legal() || request.monitoring_number < FIRST_NUMBER {
            let first = wire.octets.first().copied().unwrap_or_default();
            (Class::Masquerade, Detail::NotATelegram { first })
        } else {
            let seen = request.consumer_id.into();
            (Class::Insertion, Detail::UnknownId { name: "SafetyConsumerID", seen })
        };
        base.finding(Direction::ToDevice, wire.at, class, detail);
        self.note_wrong_request(*request)
    }

    const fn note_wrong_request(&mut self, request: Request) -> Update {
        self.rejected.to_device = self.rejected.to_device.saturating_add(1);
        self.wrong_request = Some(request);
        Update::Rejected
    }

    fn follow_response(&mut self, base: &mut Base, response: &Response<'_>, wire: &Wire<'_>) -> Update {
        if let Err(mismatch) = response.verify() {
            return self.reject_by_crc(base, response, mismatch, wire);
        }
        let echoes = |request: Request| {
            (request.consumer_id, request.monitoring_number) == (response.consumer_id, response.monitoring_number)
        };
        if self.wrong_request.is_some_and(echoes) && self.spdu_ids.is_none_or(|known| known == response.spdu_ids) {
            return self.reject_response();
        }
        let Some(request) = self.request else {
            // The capture begins with a response.
            return Update::NoData;
        };
        let foreign_ids = self.spdu_ids.is_some_and(|known| known != response.spdu_ids);
        if foreign_ids || request.consumer_id != response.consumer_id {
            return self.reject_foreign(base, response, wire);
        }
        let (due, seen) = (request.monitoring_number, response.monitoring_number);
        let steps = ahead(due, seen);
        if steps == 0 && self.is_open {
            base.confirm(Direction::ToDevice, 1);
            return self.take_response(base, &request, response, wire.at);
        }
        if steps == 0 {
            // Only the first answer counts.
            return Update::Rejected;
        }
        if self.spdu_ids.is_none() {
            return Update::NoData;
        }
        if steps < NEARBY || self.goes_on_unasked(base, steps, seen, wire.at) {
            // The answer to a request that the capture does not show.
            return self.take_response(base, &request, response, wire.at);
        }
        let is_overtaken = self.is_overtaken(&request, seen);
        if is_overtaken || base.watch.has_tap_gap(Direction::ToHost) || base.watch.were_frames_late(Direction::ToHost) {
            // Behind a later request: the capture lost the answer where it first showed, or its request.
            if is_overtaken {
                base.not_captured(Direction::ToHost, wire.at);
            } else {
                base.missing_with_frames(Direction::ToHost, wire.at, 1);
            }
            self.answered = Some(seen);
            base.confirm(Direction::ToHost, 1);
            base.new_telegram(Direction::ToHost, wire.at, is_regular(request.flags));
            return Update::Unchanged;
        }
        if let Some(telegrams_ago) = base.line(Direction::ToHost).copies_ago(wire.octets) {
            let detail = Detail::CopyOf { telegrams_ago };
            base.finding(Direction::ToHost, wire.at, Class::UnintendedRepetition, detail);
        } else if self.given_up == Some(seen) {
            // Its silence is what is wrong with it.
            base.new_telegram(Direction::ToHost, wire.at, false);
        } else {
            base.finding(Direction::ToHost, wire.at, Class::IncorrectSequence, monitoring_number(due, seen));
        }
        self.reject_response()
    }

    /// Whether a response, proven by its CRC, goes on from the last one, or from the last request as far as one can get in the time,
    /// while the requests are not captured.
    fn goes_on_unasked(&self, base: &Base, steps: u32, seen: u32, at: Location) -> bool {
        let goes_on = self.answered.is_some_and(|answered| (1..=NEARBY).contains(&ahead(answered, seen)));
        (goes_on && steps < FAR) || fits_hole(base, Direction::ToDevice, steps, at)
    }

    /// Whether it answers a request before the last one although the consumer has gone on without an error: then it had the answer
    /// before.
    fn is_overtaken(&self, request: &Request, seen: u32) -> bool {
        let is_unanswered = self.answered.is_some_and(|answered| (1..NEARBY).contains(&ahead(answered, seen)));
        let is_before = (1..NEARBY).contains(&ahead(seen, request.monitoring_number));
        is_regular(request.flags) && is_unanswered && is_before && self.given_up != Some(seen)
    }

    fn take_response(&mut self, base: &mut Base, request: &Request, response: &Response<'_>, at: Location) -> Update {
        self.learn(base, response, at);
        let seen = response.monitoring_number;
        if let Some(answered) = self.answered.replace(seen) {
            let steps = ahead(answered, seen);
            let accounted_for = self.rejected.to_host.saturating_add(self.unanswered).saturating_add(1);
            let can_be = steps <= NEARBY || fits_hole(base, Direction::ToHost, steps, at);
            if can_be && steps > accounted_for {
                base.missing(Direction::ToHost, at, steps.saturating_sub(accounted_for));
            }
        }
        base.confirm(Direction::ToHost, 1);
        let regular = is_regular(request.flags);
        base.new_telegram(Direction::ToHost, at, regular);
        self.is_open = false;
        self.rejected.to_host = 0;
        self.unanswered = 0;
        self.given_up = None;
        let fail_safe = self.tell_response_flags(base, response.flags, at);
        if !regular {
            return Update::NoData;
        }
        base.in_operation(Direction::ToHost);
        if fail_safe { Update::FailSafe } else { Update::Process }
    }

    /// The first response proves the IDs: what the machine file says of them is compared once.
    fn learn(&mut self, base: &mut Base, response: &Response<'_>, at: Location) {
        if self.spdu_ids.replace(response.spdu_ids).is_none() {
            let SpduIds(seen) = response.spdu_ids;
            for ((name, expected), seen) in SPDU_ID_NAMES.into_iter().zip(self.parameters.spdu_ids()).zip(seen) {
                compare(base, name, expected, seen, at);
            }
            compare(base, "SafetyConsumerID", self.parameters.consumer_id, response.consumer_id, at);
        }
        self.consumer_id = Some(response.consumer_id);
        if !self.joined {
            self.joined = true;
            if self.request.is_some_and(|request| is_regular(request.flags)) {
                base.event(Direction::ToHost, at, EventKind::Joined);
            }
        }
    }

    /// Tells what changed; returns whether the consumer is to use fail-safe values.
    fn tell_response_flags(&mut self, base: &mut Base, now: ResponseFlags, at: Location) -> bool {
        let before = self.response_flags.replace(now);
        let fail_safe = now.has(ResponseFlags::ACTIVATE_FSV);
        if before.is_some_and(|before| before.has(ResponseFlags::ACTIVATE_FSV) != fail_safe) {
            let kind = if fail_safe { EventKind::FailSafe } else { EventKind::EndOfFailSafe };
            base.event(Direction::ToHost, at, kind);
        }
        let test = ResponseFlags::TEST_MODE_ACTIVATED;
        if now.has(test) && !before.is_some_and(|before| before.has(test)) {
            base.event(Direction::ToHost, at, EventKind::TestMode);
        }
        fail_safe
    }

    fn reject_by_crc(
        &mut self,
        base: &mut Base,
        response: &Response<'_>,
        mismatch: Mismatch,
        wire: &Wire<'_>,
    ) -> Update {
        let (Some(known), Some(consumer_id)) = (self.spdu_ids, self.consumer_id) else {
            // No response has ever had a right CRC: place, length or edition may be others.
            return Update::Rejected;
        };
        let due = self.request.map_or(FIRST_NUMBER, |request| request.monitoring_number);
        let SpduIds(ids) = response.spdu_ids;
        let SpduIds(known) = known;
        let resembles = ids.iter().zip(known).any(|(id, known)| *id == known)
            || response.consumer_id == consumer_id
            || is_near(due, response.monitoring_number);
        let (class, detail) = match mismatch {
            Mismatch::Crc { expected, seen } if resembles => (Class::Corruption, Detail::Crc32 { expected, seen }),
            _ => {
                let first = wire.octets.first().copied().unwrap_or_default();
                (Class::Masquerade, Detail::NotATelegram { first })
            }
        };
        base.finding(Direction::ToHost, wire.at, class, detail);
        self.reject_response()
    }

    fn reject_foreign(&mut self, base: &mut Base, response: &Response<'_>, wire: &Wire<'_>) -> Update {
        let Some(SpduIds(known)) = self.spdu_ids else { return Update::NoData };
        let (class, detail) = match wire.siblings.owner(Direction::ToHost, wire.octets) {
            Some(connection) => (Class::Addressing, Detail::Foreign { connection }),
            None => {
                let SpduIds(ids) = response.spdu_ids;
                let mut named = SPDU_ID_NAMES.into_iter().zip(ids).zip(known);
                let differing = named.find(|((_, id), known)| id != known).map(|(differing, _)| differing);
                let (name, seen) = differing.unwrap_or(("SafetyConsumerID", response.consumer_id));
                (Class::Insertion, Detail::UnknownId { name, seen: seen.into() })
            }
        };
        base.finding(Direction::ToHost, wire.at, class, detail);
        self.reject_response()
    }

    const fn reject_response(&mut self) -> Update {
        self.rejected.to_host = self.rejected.to_host.saturating_add(1);
        Update::Rejected
    }
}

/// A telegram as it stands on the wire.
struct Wire<'a> {
    octets: &'a [u8],
    at: Location,
    siblings: Siblings<'a>,
}

/// Whether `steps` exchanges may have passed unseen since the last telegram of `direction`, at twice the usual pace.
fn fits_hole(base: &Base, direction: Direction, steps: u32, at: Location) -> bool {
    let usual = |direction| base.watch.intervals(direction).times.quantile(0.5);
    let (Some(last), Some(asked), Some(answered)) =
        (base.watch.last(direction), usual(Direction::ToDevice), usual(Direction::ToHost))
    else {
        return false;
    };
    let [hole, asked, answered] = [at.at.since(last.at), asked, answered].map(|span| i128::from(span.as_nanos()));
    hole.saturating_mul(2) >= asked.saturating_add(answered).saturating_mul(steps.into())
}

/// Whether the consumer uses what the provider sends.
const fn is_regular(flags: RequestFlags) -> bool {
    !flags.has(RequestFlags::COMMUNICATION_ERROR | RequestFlags::FSV_ACTIVATED)
}

fn monitoring_number(expected: u32, seen: u32) -> Detail {
    Detail::Field { name: "MonitoringNumber", expected: expected.into(), seen: seen.into() }
}

fn compare(base: &mut Base, name: &'static str, expected: Option<u32>, seen: u32, at: Location) {
    if let Some(expected) = expected.filter(|expected| *expected != seen) {
        let detail = Detail::Field { name, expected: expected.into(), seen: seen.into() };
        base.finding(Direction::ToHost, at, Class::ParameterMismatch, detail);
    }
}

/// Bits in which a request differs from the one due; the flags that it may have are not counted.
const fn differing_bits(due: &Request, seen: &Request) -> u32 {
    let ids = (due.consumer_id ^ seen.consumer_id).count_ones();
    let numbers = (due.monitoring_number ^ seen.monitoring_number).count_ones();
    ids.saturating_add(numbers).saturating_add((seen.flags.0 & 0xF8).count_ones())
}

/// The first field in which a request differs from the one due.
fn difference(due: &Request, seen: &Request) -> Detail {
    if due.consumer_id != seen.consumer_id {
        let (expected, seen) = (due.consumer_id.into(), seen.consumer_id.into());
        return Detail::Field { name: "SafetyConsumerID", expected, seen };
    }
    if due.monitoring_number != seen.monitoring_number {
        return monitoring_number(due.monitoring_number, seen.monitoring_number);
    }
    Detail::Field { name: "reserved flags", expected: 0, seen: (seen.flags.0 & 0xF8).into() }
}

/// How many steps `seen` is ahead of `number` on the counter 0x100..=0xFFFFFFFF.
const fn ahead(number: u32, seen: u32) -> u32 {
    let steps = seen.wrapping_sub(number);
    // Over the end the reserved numbers are left out.
    if seen >= number { steps } else { steps.wrapping_sub(FIRST_NUMBER) }
}

const fn is_near(number: u32, seen: u32) -> bool {
    ahead(number, seen) <= NEARBY || ahead(seen, number) <= NEARBY
}

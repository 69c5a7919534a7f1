//! Consumer and provider of an IEC 62541-15 connection.
//!
//! The consumer is the host: it requests, and starts its timer with each request. The provider answers each new request with
//! its safety data. A response that is not the right one, and a timeout, make the consumer use fail-safe values and say so
//! with its next request; after a while it takes process values again, as if an operator had acknowledged.
//!
//! From memory of the standard: that any response with a wrong number is an error. A response to the request before, which
//! the consumer has given up, is left alone here.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::dice::Dice;
use super::endpoint::{Input, Outcome, RESTART_DELAY, Sent};
use crate::machine::{self, Direction};
use crate::telegram::iec_62541_15::{
    FIRST_NUMBER, Layout, Mismatch, Request, RequestFlags, Response, ResponseFlags, SpduIds, next_number,
    number_after_start,
};

/// A number that jumps does so by this times the steps asked for: farther than a few missing telegrams explain.
const JUMP: u16 = 1_000;

/// What both ends of a connection know.
#[derive(Clone, Debug)]
pub(super) struct Settings {
    consumer_id: u32,
    spdu_ids: SpduIds,
    layout: Layout,
    data: usize,
    /// SafetyConsumerTimeout in nanoseconds.
    watchdog: i64,
    /// When the end is ready, in nanoseconds from the start.
    ready: i64,
}

impl Settings {
    /// Those of a connection; what the machine file does not say is left to chance.
    fn new(parameters: &machine::Iec62541_15, watchdog: i64, ready: i64, dice: &mut Dice) -> Self {
        let consumer_id = parameters.consumer_id.unwrap_or_else(|| any(dice));
        Self {
            consumer_id,
            spdu_ids: SpduIds(parameters.spdu_ids().map(|id| id.unwrap_or_else(|| any(dice)))),
            layout: parameters.layout,
            data: parameters.to_host_data,
            watchdog,
            ready,
        }
    }
}

/// The two ends of a connection.
pub(super) fn ends(
    parameters: &machine::Iec62541_15,
    watchdog: i64,
    [host_ready, device_ready]: [i64; 2],
    dice: &mut Dice,
) -> (Consumer, Provider) {
    let settings = Settings::new(parameters, watchdog, host_ready, dice);
    let provider = Provider::new(Settings { ready: device_ready, ..settings.clone() });
    (Consumer::new(settings), provider)
}

fn any(dice: &mut Dice) -> u32 {
    u32::from(dice.word()) << 16 | u32::from(dice.word())
}

fn any_number(dice: &mut Dice) -> u32 {
    any(dice).max(FIRST_NUMBER)
}

/// What stood in the place when it was last looked at.
#[derive(Debug, Default)]
struct Seen(Vec<u8>);

impl Seen {
    fn is_news(&mut self, arrived: &[u8]) -> bool {
        if arrived == self.0 || arrived.iter().all(|octet| *octet == 0) {
            return false;
        }
        arrived.clone_into(&mut self.0);
        true
    }
}

/// The host's end.
pub(super) struct Consumer {
    settings: Settings,
    seen: Seen,
    /// The request that waits for its answer.
    open: Option<Request>,
    sent_at: i64,
    /// Uses fail-safe values until then.
    fail_safe_until: i64,
    jump: u16,
}

impl Consumer {
    fn new(settings: Settings) -> Self {
        Self { settings, seen: Seen::default(), open: None, sent_at: 0, fail_safe_until: i64::MIN, jump: 0 }
    }

    pub(super) fn is_running(&self) -> bool {
        self.open.is_some_and(|request| request.flags == RequestFlags(0))
    }

    /// Uses fail-safe values for a while without an error.
    pub(super) const fn rest(&mut self, now: i64) {
        self.fail_safe_until = now.saturating_add(RESTART_DELAY);
    }

    /// Begins anew at `ready`, knowing nothing.
    pub(super) fn power_up(&mut self, ready: i64) {
        *self = Self::new(Settings { ready, ..self.settings.clone() });
    }

    /// Makes the number of the next regular request jump.
    pub(super) const fn jump(&mut self, by: u16) {
        self.jump = by.saturating_mul(JUMP);
    }

    pub(super) fn run(&mut self, input: &mut Input<'_>) -> Outcome {
        let Some(open) = self.open else {
            if input.now < self.settings.ready {
                return Outcome::default();
            }
            let number = number_after_start(any(input.dice));
            return only(self.request(number, RequestFlags::FSV_ACTIVATED, input.now));
        };
        if input.now.saturating_sub(self.sent_at) > self.settings.watchdog {
            self.seen.is_news(input.arrived);
            return self.give_up(open, input.now);
        }
        if !self.seen.is_news(input.arrived) {
            return Outcome::default();
        }
        let Ok(response) = self.settings.layout.parse(input.arrived) else {
            return self.give_up(open, input.now);
        };
        match response.answers(&open, self.settings.spdu_ids) {
            Ok(()) => {}
            Err(Mismatch::MonitoringNumber { expected, seen }) if next_number(seen) == expected => {
                return Outcome::default();
            }
            Err(_) => return self.give_up(open, input.now),
        }
        let flags = if input.now < self.fail_safe_until {
            RequestFlags::FSV_ACTIVATED | RequestFlags::OPERATOR_ACK_REQUESTED
        } else {
            0
        };
        let taken = (open.flags == RequestFlags(0)).then(|| {
            let fail_safe = response.flags.has(ResponseFlags::ACTIVATE_FSV);
            if fail_safe { vec![0; self.settings.data] } else { response.data.to_vec() }
        });
        let jump = if flags == 0 { std::mem::take(&mut self.jump) } else { 0 };
        let number = next_number(open.monitoring_number.wrapping_add(jump.into()));
        Outcome { taken, ..only(Sent { jump, ..self.request(number, flags, input.now) }) }
    }

    /// A communication error: the next request says so.
    fn give_up(&mut self, open: Request, now: i64) -> Outcome {
        // Before anything was ever answered the partner is not there yet.
        let has_heard = open.flags != RequestFlags(RequestFlags::FSV_ACTIVATED);
        let flags = RequestFlags::FSV_ACTIVATED | if has_heard { RequestFlags::COMMUNICATION_ERROR } else { 0 };
        if has_heard {
            self.fail_safe_until = now.saturating_add(RESTART_DELAY);
        }
        only(self.request(next_number(open.monitoring_number), flags, now))
    }

    fn request(&mut self, monitoring_number: u32, flags: u8, now: i64) -> Sent {
        let flags = RequestFlags(flags);
        let request = Request { consumer_id: self.settings.consumer_id, monitoring_number, flags };
        self.open = Some(request);
        self.sent_at = now;
        let mut octets = Vec::new();
        request.emit(&mut octets);
        Sent::new(octets, flags == RequestFlags(0))
    }
}

/// The device's end.
pub(super) struct Provider {
    settings: Settings,
    seen: Seen,
    /// The last request was one of a consumer in operation.
    is_running: bool,
    jump: u16,
}

impl Provider {
    fn new(settings: Settings) -> Self {
        Self { settings, seen: Seen::default(), is_running: false, jump: 0 }
    }

    pub(super) const fn is_running(&self) -> bool {
        self.is_running
    }

    /// Begins anew at `ready`, knowing nothing.
    pub(super) fn power_up(&mut self, ready: i64) {
        *self = Self::new(Settings { ready, ..self.settings.clone() });
    }

    /// Makes the number of the next response jump.
    pub(super) const fn jump(&mut self, by: u16) {
        self.jump = by.saturating_mul(JUMP);
    }

    pub(super) fn run(&mut self, input: &Input<'_>) -> Outcome {
        if input.now < self.settings.ready || !self.seen.is_news(input.arrived) {
            return Outcome::default();
        }
        let Ok(request) = Request::parse(input.arrived) else { return Outcome::default() };
        self.is_running = request.flags == RequestFlags(0);
        let jump = if self.is_running { std::mem::take(&mut self.jump) } else { 0 };
        let response = Response {
            data: input.data,
            flags: ResponseFlags(0),
            spdu_ids: self.settings.spdu_ids,
            consumer_id: request.consumer_id,
            monitoring_number: request.monitoring_number.wrapping_add(jump.into()),
            crc: 0,
        };
        let mut octets = Vec::new();
        self.settings.layout.emit(&response.sealed(), &mut octets);
        let sent = Sent { jump, ..Sent::new(octets, self.is_running) };
        Outcome { sent: Some(sent), taken: Some(Vec::new()) }
    }
}

fn only(sent: Sent) -> Outcome {
    Outcome { sent: Some(sent), taken: None }
}

/// Octets of a telegram whose corruption can be told from other faults. Of a request, which has no CRC, the SafetyConsumerID
/// and the upper octets of the number: with another lowest octet it is an earlier request octet for octet.
pub(super) fn corruptible(direction: Direction, length: usize) -> Vec<usize> {
    match direction {
        Direction::ToDevice => (0..4).chain(5..8).collect(),
        Direction::ToHost => (0..length).collect(),
    }
}

/// A well-formed telegram of a consumer or provider that the machine does not have, with the ID that tells it.
pub(super) fn inserted(parameters: &machine::Iec62541_15, direction: Direction, dice: &mut Dice) -> (Vec<u8>, u32) {
    let mut octets = Vec::new();
    let (consumer_id, monitoring_number) = (any(dice), any_number(dice));
    if direction == Direction::ToDevice {
        Request { consumer_id, monitoring_number, flags: RequestFlags(0) }.emit(&mut octets);
        return (octets, consumer_id);
    }
    let data: Vec<u8> = (0..parameters.to_host_data).map(|_| dice.octet()).collect();
    let spdu_ids = SpduIds([any(dice), any(dice), any(dice)]);
    let response = Response { data: &data, flags: ResponseFlags(0), spdu_ids, consumer_id, monitoring_number, crc: 0 };
    parameters.layout.emit(&response.sealed(), &mut octets);
    (octets, consumer_id)
}

/// Octets that cannot be a telegram.
pub(super) fn masqueraded(direction: Direction, length: usize, dice: &mut Dice) -> Vec<u8> {
    loop {
        let octets: Vec<u8> = (0..length).map(|_| dice.octet()).collect();
        let illegal_flags = Request::parse(&octets).is_ok_and(|request| !request.flags.are_legal());
        if direction == Direction::ToHost || illegal_flags {
            return octets;
        }
    }
}

//! The two nodes of an FSCP 13/1 connection.
//!
//! Both send process data by their own clocks, without waiting for each other. A node asks its partner for its time, and holds
//! its connection for valid when it has the answer. A telegram that is wrong, too old, or not there within the safety control
//! time ends that: the node says in its own telegrams that the connection is not valid and sends zeros, and after a while
//! asks again. That bit 0 of the ID says this is from memory.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::dice::Dice;
use super::endpoint::{Input, Outcome, RESTART_DELAY, Sent};
use super::link::Periods;
use crate::machine::{self, Direction};
use crate::telegram::fscp_13_1::{
    Fields, LAST_ADDRESS, Message, Order, Second, Telegram, Udid, Wire, emit, is_consecutive,
};

/// Time base where the machine file gives none, in nanoseconds.
const TIME_BASE: i64 = 100_000;

/// A node asks for the time again after this many of its telegrams.
const ASK_EVERY: u8 = 40;

/// What both ends of a connection know.
#[derive(Clone, Debug)]
struct Settings {
    udid: Udid,
    domain: u16,
    order: Order,
    time_base: i64,
    watchdog: i64,
    /// Least time between two telegrams of a node, so that none is overwritten before it is taken.
    pause: i64,
}

/// The two ends: host and device. `ready` in nanoseconds from the start.
pub(super) fn ends(
    parameters: &machine::Fscp13_1,
    watchdog: i64,
    ready: [i64; 2],
    periods: Periods,
    in_udp: bool,
    dice: &mut Dice,
) -> (Node, Node) {
    let udid = parameters.udid.unwrap_or_else(|| Udid([0; 6].map(|_: u8| dice.octet())));
    let slowest = periods.host.max(periods.device);
    let settings = Settings {
        udid,
        domain: parameters.domain.unwrap_or_else(|| any_address(dice)),
        order: if in_udp { Order::SecondLeads } else { Order::FirstLeads },
        time_base: parameters.time_base.map_or(TIME_BASE, |base| base.as_nanos()).max(1),
        watchdog,
        pause: periods.bus.saturating_mul(2).max(slowest.saturating_mul(5) / 4),
    };
    let [host_ready, device_ready] = ready;
    let (host, device) = (parameters.to_device_address, parameters.to_host_address);
    let (to_device, to_host) = (parameters.to_device_data, parameters.to_host_data);
    (
        Node::new(settings.clone(), [host, device], [to_device, to_host], host_ready, dice.word()),
        Node::new(settings, [device, host], [to_host, to_device], device_ready, dice.word()),
    )
}

fn any_address(dice: &mut Dice) -> u16 {
    (dice.word() & LAST_ADDRESS).max(1)
}

/// One end.
pub(super) struct Node {
    settings: Settings,
    address: u16,
    partner: u16,
    /// Octets of safe data that it sends.
    own_data: usize,
    /// Octets of safe data that it receives.
    partner_data: usize,
    ready: i64,
    /// Time of its clock at time 0.
    offset: u16,
    /// Time of its last telegram.
    time: Option<u16>,
    sent_at: i64,
    /// Telegrams until it asks for the time.
    until_asking: u8,
    /// Number of its last time request.
    request: u8,
    /// Whether that one waits for its answer.
    asking: bool,
    /// Number of the partner's time request that it has to answer.
    to_answer: Option<u8>,
    /// The partner's time is known and its telegrams are right.
    valid: bool,
    partner_time: Option<u16>,
    heard_at: i64,
    /// Does not ask before.
    resting_until: i64,
    seen: Vec<u8>,
}

impl Node {
    fn new(settings: Settings, addresses: [u16; 2], data: [usize; 2], ready: i64, offset: u16) -> Self {
        let [address, partner] = addresses;
        let [own_data, partner_data] = data;
        Self {
            settings,
            address,
            partner,
            own_data,
            partner_data,
            ready,
            offset,
            time: None,
            sent_at: i64::MIN,
            until_asking: 0,
            request: 0,
            asking: false,
            to_answer: None,
            valid: false,
            partner_time: None,
            heard_at: 0,
            resting_until: i64::MIN,
            seen: Vec::new(),
        }
    }

    pub(super) const fn is_running(&self) -> bool {
        self.valid
    }

    /// Begins anew at `ready`, knowing nothing but the time of its clock.
    pub(super) fn power_up(&mut self, ready: i64) {
        let (addresses, data) = ([self.address, self.partner], [self.own_data, self.partner_data]);
        let request = self.request;
        *self = Self::new(self.settings.clone(), addresses, data, ready, self.offset);
        self.request = request;
    }

    /// The telegram after the one just sent.
    pub(super) fn successor(&self, data: &[u8]) -> Vec<u8> {
        let time = self.time.map_or(0, |time| time.wrapping_add(1));
        self.write(Message::Data { valid: self.valid }, time, (0, 0), data)
    }

    pub(super) fn run(&mut self, input: &Input<'_>) -> Outcome {
        if input.now < self.ready {
            return Outcome::default();
        }
        let taken = self.listen(input);
        let sent = (input.now.saturating_sub(self.sent_at) >= self.settings.pause).then(|| self.send(input));
        Outcome { sent, taken }
    }

    fn listen(&mut self, input: &Input<'_>) -> Option<Vec<u8>> {
        if input.arrived != self.seen && input.arrived.iter().any(|octet| *octet != 0) {
            input.arrived.clone_into(&mut self.seen);
            return self.hear(input);
        }
        if self.valid && input.now.saturating_sub(self.heard_at) > self.settings.watchdog {
            self.give_up(input.now);
        }
        None
    }

    /// Takes a new telegram of the partner.
    fn hear(&mut self, input: &Input<'_>) -> Option<Vec<u8>> {
        let Settings { udid, order, .. } = self.settings;
        let telegram = Telegram::parse_in(input.arrived, order).ok().filter(|t| t.verify(Some(udid)).is_ok());
        let second = telegram.as_ref().and_then(|telegram| telegram.second(Some(self.settings.udid)));
        let (Some(telegram), Some(second)) = (telegram, second) else {
            self.give_up(input.now);
            return None;
        };
        let known = telegram.address == self.partner && second.domain == self.settings.domain;
        let is_new = self.partner_time.is_none_or(|last| is_consecutive(last, second.time));
        if !known || !is_new || telegram.payload.len() != self.partner_data {
            self.give_up(input.now);
            return None;
        }
        self.partner_time = Some(second.time);
        self.heard_at = input.now;
        let (is_data, partner_valid) = self.answer(&second);
        (self.valid && is_data && partner_valid).then(|| telegram.payload.to_vec())
    }

    /// Looks at what the partner asks and answers. Gives whether it is process data, and valid.
    fn answer(&mut self, second: &Second) -> (bool, bool) {
        match second.message {
            Message::Data { valid } => (true, valid),
            Message::TimeRequest { valid } => {
                if second.target == self.address {
                    self.to_answer = Some(second.time_request);
                }
                (true, valid)
            }
            Message::TimeResponse { valid } => {
                if self.asking && second.target == self.address && second.time_request == self.request {
                    self.asking = false;
                    self.valid = true;
                }
                (true, valid)
            }
            _ => (false, false),
        }
    }

    /// No longer says that the connection is valid; asks again after a while.
    pub(super) fn give_up(&mut self, now: i64) {
        if self.valid {
            self.resting_until = now.saturating_add(RESTART_DELAY);
        }
        self.valid = false;
        self.asking = false;
        self.partner_time = None;
        self.until_asking = 0;
    }

    fn send(&mut self, input: &Input<'_>) -> Sent {
        let valid = self.valid;
        let (message, words) = if let Some(request) = self.to_answer.take() {
            (Message::TimeResponse { valid }, (self.partner, request))
        } else if self.until_asking == 0 && input.now >= self.resting_until {
            self.until_asking = ASK_EVERY;
            self.request = self.request.wrapping_add(1) & 0x3F;
            self.asking = true;
            (Message::TimeRequest { valid }, (self.partner, self.request))
        } else {
            self.until_asking = self.until_asking.saturating_sub(1);
            (Message::Data { valid }, (0, 0))
        };
        let time = self.now(input.now);
        self.time = Some(time);
        self.sent_at = input.now;
        let zeros = vec![0; self.own_data];
        let data = if valid { input.data } else { &zeros };
        Sent::new(self.write(message, time, words, data), valid)
    }

    /// The time of its clock; later than that of the telegram before.
    fn now(&self, now: i64) -> u16 {
        let steps = now.div_euclid(self.settings.time_base).rem_euclid(0x1_0000);
        let time = u16::try_from(steps).unwrap_or_default().wrapping_add(self.offset);
        match self.time {
            Some(last) if !is_consecutive(last, time) => last.wrapping_add(1),
            _ => time,
        }
    }

    fn write(&self, message: Message, time: u16, (target, time_request): (u16, u8), data: &[u8]) -> Vec<u8> {
        let Settings { udid, domain, order, .. } = self.settings;
        let fields = Fields { message, address: self.address, domain, time, target, time_request };
        written(&fields, data, udid, order)
    }
}

/// A telegram; the reader of the machine file keeps lengths and addresses within what one can hold.
fn written(fields: &Fields, data: &[u8], udid: Udid, order: Order) -> Vec<u8> {
    let mut octets = Vec::new();
    if emit(fields, data, udid, Wire { order, polynomial: None }, &mut octets).is_err() {
        octets.clear();
    }
    octets
}

/// Octets of a telegram whose corruption can be told from another telegram: data, time, targets and CRCs, not what ADR, ID
/// and LE are made of.
pub(super) fn corruptible(telegram: &[u8]) -> Vec<usize> {
    let starts = Telegram::parse(telegram).map_or([0, 0], |telegram| telegram.subframes_at());
    let [first, second] = starts;
    let fixed = [first, first.saturating_add(1), first.saturating_add(2), second, second.saturating_add(1)];
    (0..telegram.len()).filter(|place| !fixed.contains(place)).collect()
}

/// A well-formed telegram like `telegram`, of a node that the machine does not have.
pub(super) fn inserted(telegram: &[u8], known: &[u16], dice: &mut Dice) -> (Vec<u8>, u16) {
    let mut address = any_address(dice);
    while known.contains(&address) {
        address = any_address(dice);
    }
    let parsed = Telegram::parse(telegram).ok();
    let order = parsed.map_or(Order::FirstLeads, |telegram| telegram.order);
    let data: Vec<u8> = parsed.map_or(&[][..], |telegram| telegram.payload).iter().map(|_| dice.octet()).collect();
    let fields = Fields {
        message: Message::Data { valid: true },
        address,
        domain: any_address(dice),
        time: dice.word(),
        target: 0,
        time_request: 0,
    };
    (written(&fields, &data, Udid([0; 6].map(|_: u8| dice.octet())), order), address)
}

/// Octets that cannot be a telegram.
pub(super) fn masqueraded(length: usize, dice: &mut Dice) -> Vec<u8> {
    loop {
        let octets: Vec<u8> = (0..length).map(|_| dice.octet()).collect();
        if Telegram::parse(&octets).is_err() {
            return octets;
        }
    }
}

/// The safety addresses of a connection in one direction, if it is one of this profile.
pub(super) const fn address(profile: &machine::Profile, direction: Direction) -> Option<u16> {
    match profile {
        machine::Profile::Fscp13_1(parameters) => Some(parameters.address(direction)),
        _ => None,
    }
}

//! The consumer's end.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::super::endpoint::{Input, Outcome, Sent};
use super::{Settings, is_closed};
use crate::telegram::fscp_2_1::{
    Ack, Coordination, Correction, Key, Reading, TIME_MESSAGE_OCTETS, Telegram, TimeStamp, next_rollover,
};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    /// Waits for a producer that begins.
    Closed,
    /// Has answered; no process data yet.
    Open,
    /// Takes process data.
    Running,
}

/// The end that receives data.
pub(in super::super) struct Consumer {
    settings: Settings,
    state: State,
    seen: Vec<u8>,
    heard_at: i64,
    stamp: TimeStamp,
    rollover: u16,
    ping: u8,
    /// The next answer is to a ping this much later; 0 for a right one.
    jump: u16,
}

/// A message that was accepted.
struct Taken {
    data: Vec<u8>,
    ping: u8,
    running: bool,
}

impl Consumer {
    pub(in super::super) fn new(settings: Settings) -> Self {
        Self {
            settings,
            state: State::Closed,
            seen: Vec::new(),
            heard_at: 0,
            stamp: TimeStamp(0),
            rollover: 0,
            ping: 0,
            jump: 0,
        }
    }

    pub(in super::super) fn is_running(&self) -> bool {
        self.state == State::Running
    }

    /// Begins anew at `ready`, knowing nothing.
    pub(in super::super) fn power_up(&mut self, ready: i64) {
        *self = Self::new(Settings { ready, ..self.settings.clone() });
    }

    /// Makes the next answer one to a ping that was not sent.
    pub(in super::super) fn jump(&mut self, by: u16) {
        // Three more is one less, which an answer that is late would be.
        self.jump = (by & 1).saturating_add(1);
    }

    pub(in super::super) fn run(&mut self, input: &Input<'_>) -> Outcome {
        if input.now < self.settings.ready {
            return Outcome::default();
        }
        if input.arrived != self.seen {
            input.arrived.clone_into(&mut self.seen);
            return self.take(input);
        }
        let expired = input.now.saturating_sub(self.heard_at) > self.settings.watchdog;
        if self.state == State::Running && expired {
            return self.close();
        }
        Outcome::default()
    }

    fn take(&mut self, input: &Input<'_>) -> Outcome {
        if let Some(ping) = self.opening(input.arrived) {
            self.state = State::Open;
            self.heard_at = input.now;
            self.stamp = self.settings.first_stamp();
            self.rollover = self.settings.first_rollover();
            self.ping = ping;
            return Outcome { sent: Some(self.answer(input.now)), taken: None };
        }
        if self.state == State::Closed {
            return Outcome::default();
        }
        let Some(Taken { data, ping, running }) = self.accept(input) else { return self.close() };
        self.heard_at = input.now;
        let asked = ping != self.ping;
        self.ping = ping;
        let sent = asked.then(|| self.answer(input.now));
        if running {
            self.state = State::Running;
        }
        let zeros = vec![0; data.len()];
        Outcome { sent, taken: Some(if running { data } else { zeros }) }
    }

    /// The ping count, if this is a message of a producer that begins.
    fn opening(&self, octets: &[u8]) -> Option<u8> {
        let (telegram, _) = self.parse(octets)?;
        let key = Key { producer: self.settings.producer, rollover: self.settings.first_rollover() };
        let message = telegram.message;
        let begins = !message.mode.is_running() && message.time_stamp == self.settings.first_stamp();
        (begins && telegram.verify(key).is_ok()).then(|| message.mode.ping_count())
    }

    fn parse<'a>(&self, octets: &'a [u8]) -> Option<(Telegram<'a>, Option<Correction>)> {
        let p = &self.settings.parameters;
        if is_closed(octets) {
            return None;
        }
        if !p.time_correction {
            return Some((Telegram::parse(octets, p.data, p.format).ok()?, None));
        }
        let (message, behind) = octets.split_at_checked(octets.len().checked_sub(TIME_MESSAGE_OCTETS)?)?;
        let correction = Correction::parse(behind, p.format).ok()?;
        Some((Telegram::parse(message, p.data, p.format).ok()?, Some(correction)))
    }

    /// The message, if its CRCs, its time stamp and the age of its data are right.
    fn accept(&mut self, input: &Input<'_>) -> Option<Taken> {
        let (telegram, correction) = self.parse(input.arrived)?;
        let stamp = telegram.message.time_stamp;
        let rollover = next_rollover(self.rollover, self.stamp, stamp);
        let key = Key { producer: self.settings.producer, rollover };
        let limit = self.settings.parameters.network_time_expectation;
        let usual = Some(Reading::Usual);
        if telegram.verify(key).ok() != usual || correction.is_some_and(|c| c.verify(key).ok() != usual) {
            return None;
        }
        let steps = stamp.units_since(self.stamp);
        if self.state == State::Running && !(1..=limit).contains(&steps) {
            return None;
        }
        let corrected = TimeStamp(stamp.0.wrapping_add(correction.map_or(0, |c| c.correction.0)));
        let age = self.settings.clock(input.now).units_since(corrected);
        if age > limit {
            return None;
        }
        (self.stamp, self.rollover) = (stamp, rollover);
        let mode = telegram.message.mode;
        Some(Taken { data: telegram.message.data.to_vec(), ping: mode.ping_count(), running: mode.is_running() })
    }

    fn answer(&mut self, now: i64) -> Sent {
        let running = self.state == State::Running;
        let jump = if running { std::mem::take(&mut self.jump) } else { 0 };
        let [by, _] = jump.to_le_bytes();
        let ack = Ack::new(self.ping.wrapping_add(by));
        let format = self.settings.parameters.format;
        let mut octets = Vec::new();
        Coordination::new(ack, self.settings.clock(now), format, self.settings.consumer).emit(&mut octets);
        Sent { jump, ..Sent::new(octets, running) }
    }

    fn close(&mut self) -> Outcome {
        self.state = State::Closed;
        Outcome { sent: Some(Sent::new(vec![0; TIME_MESSAGE_OCTETS], false)), taken: None }
    }
}

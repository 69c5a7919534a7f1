//! The producer's end.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::super::endpoint::{Input, Outcome, RESTART_DELAY, Sent};
use super::{Settings, is_closed};
use crate::telegram::fscp_2_1::{Coordination, Mode, TIME_UNIT, TimeStamp};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    /// Sends nothing until then.
    Closed { until: i64 },
    /// Sends idle messages until the first time coordination.
    Opening,
    /// Sends process data.
    Running,
}

/// The end that sends data.
pub(in super::super) struct Producer {
    settings: Settings,
    state: State,
    seen: Vec<u8>,
    next_at: i64,
    heard_at: i64,
    /// What the consumer's clock is ahead of this one, in units, as far as it is known.
    ahead: u16,
    stamp: TimeStamp,
    rollover: u16,
    ping: u8,
    /// Messages since the ping count stepped.
    since_ping: u16,
}

impl Producer {
    pub(in super::super) fn new(settings: Settings) -> Self {
        let until = settings.ready;
        Self {
            settings,
            state: State::Closed { until },
            seen: Vec::new(),
            next_at: 0,
            heard_at: 0,
            ahead: 0,
            stamp: TimeStamp(0),
            rollover: 0,
            ping: 0,
            since_ping: 0,
        }
    }

    pub(in super::super) fn is_running(&self) -> bool {
        self.state == State::Running
    }

    /// Begins anew at `ready`, knowing nothing.
    pub(in super::super) fn power_up(&mut self, ready: i64) {
        *self = Self::new(Settings { ready, ..self.settings.clone() });
    }

    /// The message that would follow the last one in time.
    pub(in super::super) fn successor(&self, data: &[u8]) -> Vec<u8> {
        let units = self.settings.parameters.packet_interval.as_nanos().checked_div(TIME_UNIT.as_nanos()).unwrap_or(1);
        let stamp = self.stamp.0.wrapping_add(u16::try_from(units).unwrap_or(1).max(1));
        let rollover = self.rollover.wrapping_add(u16::from(stamp < self.stamp.0));
        self.settings.write(data, Mode::new(true, self.ping), TimeStamp(stamp), rollover, self.ahead)
    }

    pub(in super::super) fn run(&mut self, input: &Input<'_>) -> Outcome {
        let news = input.arrived != self.seen;
        input.arrived.clone_into(&mut self.seen);
        let goes_on = match self.state {
            State::Closed { until } if input.now >= until => {
                self.begin(input.now);
                true
            }
            State::Closed { .. } => return Outcome::default(),
            State::Opening => {
                if news && self.take(input) {
                    self.state = State::Running;
                }
                true
            }
            State::Running if news => self.take(input),
            State::Running => {
                let timeout = self.settings.parameters.coordination_timeout().as_nanos();
                input.now.saturating_sub(self.heard_at) <= timeout
            }
        };
        let sent = if goes_on { self.send(input) } else { Some(self.close(input.now)) };
        Outcome { sent, taken: None }
    }

    fn begin(&mut self, now: i64) {
        self.state = State::Opening;
        self.next_at = now;
        self.stamp = self.settings.first_stamp();
        self.rollover = self.settings.first_rollover();
        (self.ping, self.since_ping) = (0, 0);
    }

    fn close(&mut self, now: i64) -> Sent {
        self.state = State::Closed { until: now.saturating_add(RESTART_DELAY) };
        let octets = self.settings.parameters.length(self.settings.parameters.produces).unwrap_or_default();
        Sent::new(vec![0; octets], false)
    }

    /// Whether the time coordination that stands in the place is the one that was asked for.
    fn take(&mut self, input: &Input<'_>) -> bool {
        let coordination = Coordination::parse(input.arrived, self.settings.parameters.format);
        let Some(coordination) = coordination.ok().filter(|_| !is_closed(input.arrived)) else { return false };
        let ack = coordination.ack;
        if coordination.verify(self.settings.consumer).is_err()
            || !ack.is_ping_response()
            || ack.ping_reply() != self.ping
        {
            return false;
        }
        self.heard_at = input.now;
        let ahead = coordination.clock.0.wrapping_sub(self.settings.clock(input.now).0);
        let is_better = ahead.wrapping_sub(self.ahead) < 0x8000;
        if self.state == State::Opening || is_better {
            self.ahead = ahead;
        }
        true
    }

    fn send(&mut self, input: &Input<'_>) -> Option<Sent> {
        if input.now < self.next_at {
            return None;
        }
        let interval = self.settings.parameters.packet_interval.as_nanos();
        self.next_at = self.next_at.saturating_add(interval);
        if self.next_at <= input.now {
            self.next_at = input.now.saturating_add(interval);
        }
        if self.state == State::Opening {
            let zeros = vec![0; self.settings.parameters.data];
            let octets = self.settings.write(&zeros, Mode::new(false, self.ping), self.stamp, self.rollover, 0);
            return Some(Sent::new(octets, false));
        }
        self.since_ping = self.since_ping.saturating_add(1);
        if self.since_ping >= self.settings.parameters.ping_interval {
            (self.ping, self.since_ping) = (self.ping.wrapping_add(1) & 3, 0);
        }
        let own = self.settings.clock(input.now).0;
        let moved = if self.settings.parameters.time_correction { 0 } else { self.ahead };
        let stamp = own.wrapping_add(moved);
        self.rollover = self.rollover.wrapping_add(u16::from(stamp < self.stamp.0));
        self.stamp = TimeStamp(stamp);
        let mode = Mode::new(true, self.ping);
        Some(Sent::new(self.settings.write(input.data, mode, self.stamp, self.rollover, self.ahead), true))
    }
}

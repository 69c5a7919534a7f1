//! The two ends of a connection, whatever the profile.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::dice::Dice;
use super::{declared, fscp_2_1, fscp_3_1, fscp_12_1, fscp_13_1, iec_62541_15};

/// Nanoseconds that a host waits after a trip before it starts the connection again.
pub(super) const RESTART_DELAY: i64 = 200_000_000;

/// What an endpoint's task has before it.
pub(super) struct Input<'a> {
    /// Nanoseconds from the start of the capture.
    pub(super) now: i64,
    /// What stands in the place of the partner's telegrams.
    pub(super) arrived: &'a [u8],
    /// The safe data to be sent.
    pub(super) data: &'a [u8],
    /// Choices left to chance.
    pub(super) dice: &'a mut Dice,
}

/// What one run of the task came to.
#[derive(Debug, Default)]
pub(super) struct Outcome {
    /// A new telegram.
    pub(super) sent: Option<Sent>,
    /// The process data of a new telegram that was accepted, or zeros if it says that fail-safe values hold.
    pub(super) taken: Option<Vec<u8>>,
}

/// A new telegram.
#[derive(Debug)]
pub(super) struct Sent {
    pub(super) octets: Vec<u8>,
    /// Whether it carries the safe data that were to be sent.
    pub(super) process_data: bool,
    /// By how much its sequence number was made to jump; 0 for not.
    pub(super) jump: u16,
    /// Whether it carries a watchdog time other than the machine file's.
    pub(super) wrong_parameter: bool,
}

impl Sent {
    pub(super) fn new(octets: Vec<u8>, process_data: bool) -> Self {
        Self { octets, process_data, jump: 0, wrong_parameter: false }
    }
}

/// One end of a connection.
pub(super) enum Endpoint {
    Master(fscp_12_1::Master),
    Slave(fscp_12_1::Slave),
    Host(fscp_3_1::Host),
    Device(fscp_3_1::Device),
    Consumer(iec_62541_15::Consumer),
    Provider(iec_62541_15::Provider),
    Node(fscp_13_1::Node),
    Producer(fscp_2_1::Producer),
    Coordinator(fscp_2_1::Consumer),
    Declared(declared::End),
}

impl Endpoint {
    /// One run of the task: at most one new telegram is taken and at most one is sent.
    pub(super) fn run(&mut self, input: &mut Input<'_>) -> Outcome {
        match self {
            Self::Master(end) => end.run(input),
            Self::Slave(end) => end.run(input),
            Self::Host(end) => end.run(input),
            Self::Device(end) => end.run(input),
            Self::Consumer(end) => end.run(input),
            Self::Provider(end) => end.run(input),
            Self::Node(end) => end.run(input),
            Self::Producer(end) => end.run(input),
            Self::Coordinator(end) => end.run(input),
            Self::Declared(end) => end.run(input),
        }
    }

    /// Whether process data are exchanged.
    pub(super) fn is_running(&self) -> bool {
        match self {
            Self::Master(end) => end.is_running(),
            Self::Slave(end) => end.is_running(),
            Self::Host(end) => end.is_running(),
            Self::Device(end) => end.is_running(),
            Self::Consumer(end) => end.is_running(),
            Self::Provider(end) => end.is_running(),
            Self::Node(end) => end.is_running(),
            Self::Producer(end) => end.is_running(),
            Self::Coordinator(end) => end.is_running(),
            Self::Declared(end) => end.is_running(),
        }
    }

    /// Ends operation in good order and begins anew. False if the profile has no way to say so.
    pub(super) fn restart(&mut self, now: i64) -> bool {
        match self {
            Self::Master(end) => end.restart(),
            Self::Host(end) => end.restart(),
            Self::Consumer(end) => end.rest(now),
            Self::Node(end) => end.give_up(now),
            Self::Slave(_)
            | Self::Device(_)
            | Self::Provider(_)
            | Self::Producer(_)
            | Self::Coordinator(_)
            | Self::Declared(_) => return false,
        }
        true
    }

    /// Makes the sequence number of the next process data telegram jump, if the profile has a free one.
    pub(super) fn jump(&mut self, by: u16) {
        match self {
            Self::Master(end) => end.jump(by),
            Self::Slave(end) => end.jump(by),
            Self::Consumer(end) => end.jump(by),
            Self::Provider(end) => end.jump(by),
            Self::Coordinator(end) => end.jump(by),
            Self::Host(_) | Self::Device(_) | Self::Node(_) | Self::Producer(_) | Self::Declared(_) => {}
        }
    }

    /// The telegram after the one just sent, with its successor's number, where the profile has a number in lock step.
    pub(super) fn successor(&mut self, data: &[u8]) -> Option<Vec<u8>> {
        match self {
            Self::Master(_) | Self::Slave(_) | Self::Consumer(_) | Self::Provider(_) | Self::Coordinator(_) => None,
            Self::Producer(end) => Some(end.successor(data)),
            Self::Host(end) => Some(end.successor(data)),
            Self::Device(end) => Some(end.successor(data)),
            Self::Node(end) => Some(end.successor(data)),
            Self::Declared(end) => Some(end.successor(data)),
        }
    }

    /// Loses its power: begins anew at `ready`.
    pub(super) fn power_up(&mut self, ready: i64) {
        match self {
            Self::Master(end) => end.power_up(ready),
            Self::Slave(end) => end.power_up(ready),
            Self::Host(end) => end.power_up(ready),
            Self::Device(end) => end.power_up(ready),
            Self::Consumer(end) => end.power_up(ready),
            Self::Provider(end) => end.power_up(ready),
            Self::Node(end) => end.power_up(ready),
            Self::Producer(end) => end.power_up(ready),
            Self::Coordinator(end) => end.power_up(ready),
            Self::Declared(end) => end.power_up(ready),
        }
    }

    /// Gives the connection up for a reason of its own, where the profile has such reasons.
    pub(super) fn give_up(&mut self, reason: u8) {
        match self {
            Self::Master(end) => end.give_up(reason),
            Self::Slave(end) => end.give_up(reason),
            _ => {}
        }
    }

    /// The telegram just sent with a toggle bit that does not go with its number, where the profile has both.
    pub(super) fn mistoggled(&self, telegram: &[u8], early: bool) -> Option<Vec<u8>> {
        match self {
            Self::Host(end) => end.mistoggled(telegram, early),
            Self::Device(end) => end.mistoggled(telegram, early),
            Self::Declared(end) => end.mistoggled(telegram, early),
            _ => None,
        }
    }
}

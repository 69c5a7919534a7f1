//! Producer and consumer of an FSCP 2/1 connection (IEC 61784-3-2).
//!
//! The producer begins with idle messages under the initial time stamp. The consumer answers with its clock; from then on
//! the producer sends process data, stamped by its own clock and moved to the consumer's, and asks for the clock again with
//! each ping. Its estimate of the other clock only grows: an answer that took longer would make the stamps go back.
//!
//! Opening and closing are explicit messages on a machine. Here a side that has found an error clears its telegram to
//! zeros, which no message can be, and the other side closes too; after a while the producer begins again. A real consumer
//! of the extended format may tolerate some errors, this one does not.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod consumer;
mod producer;

pub(super) use consumer::Consumer;
pub(super) use producer::Producer;

use super::dice::Dice;
use super::error::SynthError;
use super::link::{HISTORY, Periods};
use crate::machine::{self, Connection, Direction, Profile};
use crate::telegram::fscp_2_1::{
    ConsumerNumber, Correction, Format, Identity, Key, Message, Mode, TIME_UNIT, TimeStamp, emit,
};
use crate::time::Span;

/// What both ends of a connection know.
#[derive(Clone, Debug)]
pub(super) struct Settings {
    pub(super) parameters: machine::Fscp2_1,
    pub(super) producer: Identity,
    pub(super) consumer: Identity,
    /// Watchdog time in nanoseconds.
    pub(super) watchdog: i64,
    /// When the end is ready, in nanoseconds from the start.
    pub(super) ready: i64,
    /// What the end's clock is ahead of the run, in nanoseconds.
    pub(super) clock_ahead: i64,
}

impl Settings {
    /// The settings of `connection`; what the machine file leaves open is drawn.
    pub(super) fn new(connection: &Connection, parameters: &machine::Fscp2_1, ready: i64, dice: &mut Dice) -> Self {
        let mut drawn = || Identity::from_octets(std::array::from_fn(|_| dice.octet()));
        let producer = parameters.producer.unwrap_or_else(&mut drawn);
        let consumer = parameters.consumer.unwrap_or_else(drawn);
        let clock_ahead = any_time(dice);
        let watchdog = connection.watchdog.as_nanos();
        Self { parameters: parameters.clone(), producer, consumer, watchdog, ready, clock_ahead }
    }

    /// Where the time stamps begin; from 0 where the machine file does not say.
    fn first_stamp(&self) -> TimeStamp {
        self.parameters.initial_time_stamp.unwrap_or_default()
    }

    /// Where the rollover count begins; from 0 where the machine file does not say.
    fn first_rollover(&self) -> u16 {
        self.parameters.initial_rollover.unwrap_or_default()
    }

    /// The end's clock in units of 128 us.
    fn clock(&self, now: i64) -> TimeStamp {
        let units = now.saturating_add(self.clock_ahead).div_euclid(TIME_UNIT.as_nanos().max(1));
        let [low, high, ..] = units.to_le_bytes();
        TimeStamp(u16::from_le_bytes([low, high]))
    }

    fn write(&self, data: &[u8], mode: Mode, stamp: TimeStamp, rollover: u16, correction: u16) -> Vec<u8> {
        let format = self.parameters.format;
        let mut octets = Vec::new();
        let message = Message { format, data, mode, time_stamp: stamp };
        // The machine file allows only lengths that the profile has.
        let _ = emit(&message, Key { producer: self.producer, rollover }, &mut octets);
        if self.parameters.time_correction {
            let consumer = ConsumerNumber::new(self.parameters.consumer_number.unwrap_or(1));
            Correction::new(consumer, TimeStamp(correction), format, self.producer).emit(&mut octets);
        }
        octets
    }
}

/// The direction that answers pings, and how long the producer waits for an answer, in nanoseconds.
pub(super) fn answers(connection: &Connection) -> Option<(Direction, i64)> {
    match &connection.profile {
        Profile::Fscp2_1(p) => Some((p.produces.opposite(), p.coordination_timeout().as_nanos())),
        _ => None,
    }
}

/// What the pings add to the time from a fault to a full history of both directions; 0 for other profiles.
///
/// # Errors
/// [`SynthError::Machine`] if the times of the connection are too short for its cycles.
pub(super) fn recovery(connection: &Connection, periods: Periods) -> Result<i64, SynthError> {
    let Profile::Fscp2_1(p) = &connection.profile else { return Ok(0) };
    let longest = p.packet_interval.as_nanos().saturating_add(periods.exchange());
    let ping = p.packet_interval.as_nanos().saturating_mul(p.ping_interval.into());
    let short = |what: &str, time: i64| {
        (time <= longest).then(|| SynthError::Machine {
            connection: connection.id.clone(),
            why: format!(
                "its {what} of {} is shorter than a packet interval and an exchange can take with its cycles, {}; lengthen \
                 it or give shorter cycles",
                Span::from_nanos(time),
                Span::from_nanos(longest)
            ),
        })
    };
    let too_short = short("watchdog", connection.watchdog.as_nanos())
        .or_else(|| short("network time expectation", p.greatest_age().as_nanos()))
        .or_else(|| short("ping interval", ping));
    let pings = i64::try_from(HISTORY).unwrap_or(i64::MAX).saturating_add(2);
    let timeouts = p.coordination_timeout().as_nanos().saturating_mul(2);
    too_short.map_or(Ok(ping.saturating_mul(pings).saturating_add(timeouts)), Err)
}

/// A clock may stand anywhere in its turn of 8.4 s.
pub(super) fn any_time(dice: &mut Dice) -> i64 {
    dice.between(0, TIME_UNIT.as_nanos().saturating_mul(65_536))
}

/// A well-formed message of a producer that nobody knows.
pub(super) fn stranger(parameters: &machine::Fscp2_1, dice: &mut Dice) -> Vec<u8> {
    let producer = Identity::from_octets(std::array::from_fn(|_| dice.octet()));
    let data: Vec<u8> = (0..parameters.data).map(|_| dice.octet()).collect();
    let mode = Mode::new(true, dice.octet());
    let message = Message { format: Format::Base, data: &data, mode, time_stamp: TimeStamp(dice.word()) };
    let mut octets = Vec::new();
    let _ = emit(&message, Key { producer, rollover: 0 }, &mut octets);
    if parameters.time_correction {
        Correction::new(ConsumerNumber::new(1), TimeStamp(dice.word()), Format::Base, producer).emit(&mut octets);
    }
    octets
}

/// Whether nothing, or a closed connection, stands in the place of a telegram.
fn is_closed(octets: &[u8]) -> bool {
    octets.iter().all(|octet| *octet == 0)
}

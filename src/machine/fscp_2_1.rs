//! FSCP 2/1: `[connection.telegram]` and what it says.
//!
//! A safety connection of this profile goes one way: data from its producer, time coordination back from its consumer. One
//! `[[connection]]` is one of them. `to_host_data` makes it an input connection (the device produces), `to_device_data` an
//! output connection (the host produces); the place of the other direction is that of the time coordination. Devices with
//! inputs and outputs have two of them, and so two entries.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Reported};
use super::model::{Direction, Profile};
use super::shared_wire::Wire;
use super::values::{Sign, address, integer, one_of, time, yes_or_no};
use crate::telegram::fscp_2_1::{self, Format, Identity, TIME_MESSAGE_OCTETS, TIME_UNIT, TimeStamp};
use crate::time::Span;

/// Parameters of an FSCP 2/1 connection.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fscp2_1 {
    /// Direction of the data messages; the time coordination goes the other way.
    pub produces: Direction,
    /// Safe data octets of a data message, 1 to 250.
    pub data: usize,
    /// Format of the messages.
    pub format: Format,
    /// Identity of the producer (PID), which seeds the CRCs of the data messages; `None` if the file does not say.
    pub producer: Option<Identity>,
    /// Identity of the consumer (CID), which seeds the CRCs of the time coordination; `None` if the file does not say.
    pub consumer: Option<Identity>,
    /// Expected interval of the data messages (EPI).
    pub packet_interval: Span,
    /// Packet intervals from one ping to the next.
    pub ping_interval: u16,
    /// Timeout multiplier.
    pub timeout_multiplier: u8,
    /// Network time expectation (NTEM): greatest age of data and greatest step of the time stamp, in units of 128 us.
    pub network_time_expectation: u16,
    /// Time stamp from which the producer starts; 0 in the base format, `None` if the file does not say.
    pub initial_time_stamp: Option<TimeStamp>,
    /// Rollover count from which the producer starts; 0 in the base format, `None` if the file does not say.
    pub initial_rollover: Option<u16>,
    /// Whether a time correction stands behind each data message, as a multicast producer sends it.
    pub time_correction: bool,
    /// Number of this connection's consumer among those of a multicast producer, 1 to 15, if it matters.
    pub consumer_number: Option<u8>,
}

impl Fscp2_1 {
    /// Octets of safe data in the telegrams of `direction`; 0 in those of the time coordination.
    pub const fn safe_data_length(&self, direction: Direction) -> usize {
        if self.is_data(direction) { self.data } else { 0 }
    }

    /// Octets of a telegram of `direction`; `None` if the profile does not allow the data.
    pub const fn length(&self, direction: Direction) -> Option<usize> {
        if !self.is_data(direction) {
            return Some(TIME_MESSAGE_OCTETS);
        }
        match fscp_2_1::length(self.data) {
            Some(message) if self.time_correction => message.checked_add(TIME_MESSAGE_OCTETS),
            message => message,
        }
    }

    /// Whether the telegrams of `direction` are the data messages.
    pub const fn is_data(&self, direction: Direction) -> bool {
        matches!(
            (self.produces, direction),
            (Direction::ToDevice, Direction::ToDevice) | (Direction::ToHost, Direction::ToHost)
        )
    }

    /// How long the producer waits for a time coordination before it gives the connection up: the timeout multiplier plus
    /// two ping intervals.
    pub fn coordination_timeout(&self) -> Span {
        let pings = i64::from(self.timeout_multiplier).saturating_add(2);
        self.ping_time().checked_mul(pings).unwrap_or(Span::MAX)
    }

    /// From one ping to the next.
    pub fn ping_time(&self) -> Span {
        self.packet_interval.checked_mul(i64::from(self.ping_interval)).unwrap_or(Span::MAX)
    }

    /// The greatest age of data.
    pub fn greatest_age(&self) -> Span {
        // At most 65 535 units, about 8.4 s: far inside the range.
        TIME_UNIT.checked_mul(self.network_time_expectation.into()).unwrap_or(Span::MAX)
    }
}

/// Reads `[connection.telegram]`.
pub(super) fn telegram(mut fields: Fields<'_>, wire: &mut Wire) -> Result<Profile, Reported> {
    let data = data(&mut fields);
    let formats = [("base", Format::Base), ("extended", Format::Extended)];
    let format = fields.required("format", "\"extended\"", one_of(&formats));
    let producer = identity(&mut fields, "producer", Some(wire));
    let consumer = identity(&mut fields, "consumer", None);
    let packet_interval = fields.required("packet_interval", "\"10 ms\"", time(Sign::Positive));
    let ping_interval = fields.required("ping_interval", "100", |v| integer(1..=0xFFFF)(v).map(word));
    let timeout_multiplier = fields.required("timeout_multiplier", "2", |v| integer(1..=255)(v).map(octet));
    let expectation = fields.required("network_time_expectation", "44", |v| integer(1..=0x7FFF)(v).map(word));
    let initial = initial(&mut fields, format);
    let time_correction = fields.optional("time_correction", yes_or_no);
    let consumer_number = fields.optional("consumer_number", |v| integer(1..=15)(v).map(octet));
    let ((produces, data), (initial_time_stamp, initial_rollover)) = (data?, initial?);
    Ok(Profile::Fscp2_1(Fscp2_1 {
        produces,
        data,
        format: format?,
        producer: producer?,
        consumer: consumer?,
        packet_interval: packet_interval?,
        ping_interval: ping_interval?,
        timeout_multiplier: timeout_multiplier?,
        network_time_expectation: expectation?,
        initial_time_stamp: initial_time_stamp.map(TimeStamp),
        initial_rollover,
        time_correction: time_correction?.unwrap_or(false),
        consumer_number: consumer_number?,
    }))
}

/// Direction and length of the data.
fn data(fields: &mut Fields<'_>) -> Result<(Direction, usize), Reported> {
    let read = |v: &Value<'_>| integer(1..=250)(v).map(|octets| usize::try_from(octets).unwrap_or(usize::MAX));
    let to_host = fields.optional("to_host_data", read);
    let to_device = fields.optional("to_device_data", read);
    let expected =
        "either to_host_data = 2 (input: the device produces) or to_device_data = 2 (output: the host produces)";
    match (to_host?, to_device?) {
        (Some(data), None) => Ok((Direction::ToHost, data)),
        (None, Some(data)) => Ok((Direction::ToDevice, data)),
        (None, None) => Err(fields.report(format!("{} does not say which way its data go", fields.label()), expected)),
        (Some(_), Some(_)) => {
            let message = format!("{} has data both ways; FSCP 2/1 needs a connection for each", fields.label());
            Err(fields.report(message, expected))
        }
    }
}

/// Initial time stamp and rollover count: always 0 in the base format.
fn initial(fields: &mut Fields<'_>, format: Result<Format, Reported>) -> Result<(Option<u16>, Option<u16>), Reported> {
    let span = |value: Option<Value<'_>>| value.map(|value| value.span);
    let spans = [span(fields.value("initial_time_stamp")), span(fields.value("initial_rollover"))];
    let time_stamp = fields.optional("initial_time_stamp", |v| address(0..=0xFFFF)(v).map(word));
    let rollover = fields.optional("initial_rollover", |v| address(0..=0xFFFF)(v).map(word));
    if format? == Format::Base
        && let Some(span) = spans.into_iter().flatten().next()
    {
        let mistake = Mistake::new(&span, "a connection of the base format starts from 0");
        return Err(fields.mistakes().report(mistake.expected("no such line, or format = \"extended\"")));
    }
    let otherwise = (format? == Format::Base).then_some(0);
    Ok((time_stamp?.or(otherwise), rollover?.or(otherwise)))
}

/// The identity under `key`; in `wire` it must be the only one.
fn identity(fields: &mut Fields<'_>, key: &'static str, wire: Option<&mut Wire>) -> Result<Option<Identity>, Reported> {
    let owner = fields.label().to_owned();
    let Some(mut table) = fields.table(key)? else {
        return Ok(None);
    };
    let vendor = table.required("vendor", "1", |v| address(0..=0xFFFF)(v).map(word));
    let device_serial = table.required("device_serial", "0x12345678", address(0..=u32::MAX));
    let connection_serial = table.required("connection_serial", "0x0042", |v| address(0..=0xFFFF)(v).map(word));
    let identity = Identity { vendor: vendor?, device_serial: device_serial?, connection_serial: connection_serial? };
    if let Some(wire) = wire {
        wire.identity(&owner, identity.octets(), table.span(), table.mistakes());
    }
    Ok(Some(identity))
}

/// A number that its range keeps within 16 bits.
fn word(number: u32) -> u16 {
    u16::try_from(number).unwrap_or(u16::MAX)
}

/// A number that its range keeps within 8 bits.
fn octet(number: u32) -> u8 {
    u8::try_from(number).unwrap_or(u8::MAX)
}

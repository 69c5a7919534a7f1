//! `[connection.telegram]` of FSCP 13/1.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fields::Fields;
use super::mistake::{Mistake, Reported};
use super::model::{Direction, Profile};
use super::values::{Sign, address, integer, mac, time, yes_or_no};
use crate::telegram::fscp_13_1::{LAST_ADDRESS, Udid};
use crate::time::Span;

/// Parameters of an FSCP 13/1 connection: the process data telegrams (SPDO) of two nodes to each other. The watchdog of the
/// connection is the safety control time of both.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fscp13_1 {
    /// Safe data octets from host to device, 0 to 254.
    pub to_device_data: usize,
    /// Safe data octets from device to host, 0 to 254.
    pub to_host_data: usize,
    /// Safety address (ADR) in the host's telegrams, 1 to 1023.
    pub to_device_address: u16,
    /// Safety address (ADR) in the device's telegrams, 1 to 1023.
    pub to_host_address: u16,
    /// UDID of the safety configuration manager, which masks subframe 2; `None` if the file does not give it.
    pub udid: Option<Udid>,
    /// Whether the file says that it was recovered from a capture, so that it proves no parameters.
    pub recovered: bool,
    /// Safety domain number (SDN), 1 to 1023; `None` if the file does not give it.
    pub domain: Option<u16>,
    /// One step of the consecutive time; `None` if the file does not give it.
    pub time_base: Option<Span>,
    /// Longest propagation delay; needs the time base.
    pub max_delay: Option<Span>,
}

impl Fscp13_1 {
    /// The safety address of the sender in `direction`.
    pub const fn address(&self, direction: Direction) -> u16 {
        match direction {
            Direction::ToDevice => self.to_device_address,
            Direction::ToHost => self.to_host_address,
        }
    }
}

pub(super) fn read(mut fields: Fields<'_>) -> Result<Profile, Reported> {
    let size = |octets: u32| usize::try_from(octets).unwrap_or(usize::MAX);
    let to_device_data = fields.required("to_device_data", "2", |v| integer(0..=254)(v).map(size));
    let to_host_data = fields.required("to_host_data", "4", |v| integer(0..=254)(v).map(size));
    let word = |number: u32| u16::try_from(number).unwrap_or(u16::MAX);
    let last = u32::from(LAST_ADDRESS);
    let to_device_address = fields.required("to_device_address", "1", |v| address(1..=last)(v).map(word));
    let to_host = fields.required("to_host_address", "2", |v| Ok((word(address(1..=last)(v)?), v.span.clone())));
    let udid = fields.optional("udid", |v| {
        // Written like a MAC address.
        let expected = "six octets in hexadecimal, for example \"02:00:00:00:00:01\"";
        mac(v).map(Udid).map_err(|_| Mistake::new(&v.span, "the UDID is not of six octets").expected(expected))
    });
    let recovered = fields.optional("recovered", yes_or_no);
    let domain = fields.optional("domain", |v| address(1..=last)(v).map(word));
    let time_base = fields.optional("time_base", time(Sign::Positive));
    let max_delay = fields.optional("max_delay", |v| Ok((time(Sign::Positive)(v)?, v.span.clone())));
    let (to_device_address, (to_host_address, span)) = (to_device_address?, to_host?);
    if to_device_address == to_host_address {
        let message = format!("host and device have the same safety address {to_host_address}");
        return Err(fields.mistakes().report(Mistake::new(&span, message).expected("an address of its own for each")));
    }
    let (time_base, max_delay) = (time_base?, max_delay?);
    if let (None, Some((_, span))) = (time_base, &max_delay) {
        let mistake = Mistake::new(span, "max_delay without time_base").expected("time_base = \"100 us\" beside it");
        return Err(fields.mistakes().report(mistake.elsewhere()));
    }
    Ok(Profile::Fscp13_1(Fscp13_1 {
        to_device_data: to_device_data?,
        to_host_data: to_host_data?,
        to_device_address,
        to_host_address,
        udid: udid?,
        recovered: recovered?.unwrap_or_default(),
        domain: domain?,
        time_base,
        max_delay: max_delay.map(|(delay, _)| delay),
    }))
}

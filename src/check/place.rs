//! From a payload on the wire to the telegrams that the machine file places in it.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::net::IpAddr;

use crate::carrier::type12::{Address, Command};
use crate::carrier::{Headers, Mac, Pass, Payload, type12, udp};
use crate::machine::{Carrier, Direction, Machine, Place};

/// All places of a machine, ordered for the search.
#[derive(Clone, Debug, Default)]
pub(super) struct Places {
    /// Logical Type 12 places by their first address.
    logical: Vec<Logical>,
    memory: Vec<(u16, u16, Telegram)>,
    type10: Vec<(u16, Option<Mac>, Telegram)>,
    udp: Vec<(Udp, Telegram)>,
}

/// A telegram of a connection and where it lies in the addressed data.
#[derive(Clone, Copy, Debug)]
struct Telegram {
    connection: usize,
    direction: Direction,
    offset: usize,
    length: usize,
}

impl Telegram {
    fn cut_out<'a>(&self, data: &'a [u8], offset: usize) -> Option<&'a [u8]> {
        data.get(offset..offset.checked_add(self.length)?)
    }
}

#[derive(Clone, Copy, Debug)]
struct Logical {
    start: u32,
    working_counter: u16,
    telegram: Telegram,
}

#[derive(Clone, Copy, Debug)]
struct Udp {
    destination_port: u16,
    source_port: Option<u16>,
    destination: Option<IpAddr>,
    source: Option<IpAddr>,
}

impl Udp {
    fn matches(&self, datagram: &udp::Datagram<'_>) -> bool {
        self.destination_port == datagram.destination_port
            && self.source_port.is_none_or(|port| port == datagram.source_port)
            && self.source.is_none_or(|address| address == datagram.source())
            && self.destination.is_none_or(|address| address == datagram.destination())
    }
}

impl Places {
    pub(super) fn new(machine: &Machine) -> Self {
        let mut places = Self::default();
        for (connection, declared) in machine.connections.iter().enumerate() {
            for direction in [Direction::ToDevice, Direction::ToHost] {
                places.add(connection, direction, declared.place(direction));
            }
        }
        places.logical.sort_by_key(|logical| logical.start);
        places
    }

    fn add(&mut self, connection: usize, direction: Direction, place: &Place) {
        let telegram = Telegram { connection, direction, offset: place.offset, length: place.length };
        match place.carrier {
            Carrier::Type12Logical { address, working_counter } => self.logical.push(Logical {
                start: address.saturating_add(u32::try_from(place.offset).unwrap_or(u32::MAX)),
                working_counter: working_counter.unwrap_or(1),
                telegram,
            }),
            Carrier::Type12Memory { station, memory } => self.memory.push((station, memory, telegram)),
            Carrier::Type10 { frame_id, source } => self.type10.push((frame_id, source.map(Mac), telegram)),
            Carrier::Udp { destination_port, source_port, destination, source } => {
                self.udp.push((Udp { destination_port, source_port, destination, source }, telegram));
            }
        }
    }

    /// Hands each telegram that lies whole in `payload` to `visit`: connection, direction, octets.
    pub(super) fn find<'a>(
        &self,
        headers: &Headers,
        payload: &Payload<'a>,
        mut visit: impl FnMut(usize, Direction, &'a [u8]),
    ) {
        match payload {
            Payload::Type12 { pass, datagram, .. } => self.find_in_type12(*pass, datagram, visit),
            Payload::Type10(frame) => {
                for (frame_id, source, telegram) in &self.type10 {
                    let here = *frame_id == frame.frame_id && source.is_none_or(|source| source == headers.source);
                    if let Some(octets) = here.then(|| telegram.cut_out(frame.data, telegram.offset)).flatten() {
                        visit(telegram.connection, telegram.direction, octets);
                    }
                }
            }
            Payload::Udp(datagram) => {
                for (place, telegram) in &self.udp {
                    let here = place.matches(datagram);
                    if let Some(octets) = here.then(|| telegram.cut_out(datagram.payload, telegram.offset)).flatten() {
                        visit(telegram.connection, telegram.direction, octets);
                    }
                }
            }
            Payload::Other { .. } => {}
        }
    }

    fn find_in_type12<'a>(
        &self,
        pass: Pass,
        datagram: &type12::Datagram<'a>,
        mut visit: impl FnMut(usize, Direction, &'a [u8]),
    ) {
        let here = |telegram: &Telegram, working_counter: u16| {
            is_on(pass, datagram.command, telegram.direction)
                && (pass == Pass::Outgoing || datagram.working_counter >= working_counter)
        };
        match datagram.address() {
            Address::Logical(base) => {
                let first = self.logical.partition_point(|logical| logical.start < base);
                for logical in self.logical.iter().skip(first) {
                    let offset = usize::try_from(logical.start.saturating_sub(base)).unwrap_or(usize::MAX);
                    if offset >= datagram.data.len() {
                        break;
                    }
                    let telegram = &logical.telegram;
                    if here(telegram, logical.working_counter)
                        && let Some(octets) = telegram.cut_out(datagram.data, offset)
                    {
                        visit(telegram.connection, telegram.direction, octets);
                    }
                }
            }
            Address::Station { station, offset } => {
                for (at_station, memory, telegram) in &self.memory {
                    if (*at_station, *memory) == (station, offset)
                        && here(telegram, 1)
                        && let Some(octets) = telegram.cut_out(datagram.data, telegram.offset)
                    {
                        visit(telegram.connection, telegram.direction, octets);
                    }
                }
            }
            _ => {}
        }
    }
}

/// Outputs are taken going out from the commands that write, inputs coming back from the commands that read: the same
/// octets pass the tap twice.
const fn is_on(pass: Pass, command: Command, direction: Direction) -> bool {
    match (pass, direction) {
        (Pass::Outgoing, Direction::ToDevice) => {
            matches!(command, Command::Fpwr | Command::Fprw | Command::Lwr | Command::Lrw)
        }
        (Pass::Returning, Direction::ToHost) => {
            matches!(command, Command::Fprd | Command::Fprw | Command::Lrd | Command::Lrw)
        }
        _ => false,
    }
}

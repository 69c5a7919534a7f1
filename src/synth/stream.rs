//! Senders with frames of their own: Type 10 RT frames, Type 13 polls, UDP datagrams, Type 2 packets, frames of other EtherTypes.
//!
//! They send in a cycle, but for Type 2 with telegrams: there a packet is sent when there is a new telegram, and none while a connection
//! is closed, that is while its telegram is all zeros.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use super::axes::Axes;
use super::dice::{Concern, Dice};
use super::error::SynthError;
use super::link::Link;
use super::segment::{Slot, gaps};
use crate::carrier::type2::Connected;
use crate::carrier::type10::{self, CYCLE_UNIT, DataStatus, Trailer};
use crate::carrier::type13::{self, Cyclic, Head, MessageType};
use crate::carrier::udp::{self, Addresses};
use crate::carrier::vlan::{Tag, Tags};
use crate::carrier::{Headers, Mac, compose};
use crate::machine::{Carrier, Direction, Machine, Poll};

/// Cycle of a frame that carries values alone: 4 ms.
const VALUE_CYCLE: i64 = 4_000_000;

/// Octets behind the last telegram: a standard submodule and its status.
const TAIL: usize = 5;

/// Provider status "good" behind a submodule of Type 10.
const GOOD: u8 = 0x80;

/// Primary, valid, run, no problem.
const DATA_STATUS: DataStatus = DataStatus(0x35);

/// Port used where the machine file names none (the first of the dynamic range, RFC 6335).
const ANY_PORT: u16 = 49_152;

/// Node number of the managing node of Type 13, and the number that means all nodes (from memory).
const MANAGING_NODE: u8 = 240;
const ALL_NODES: u8 = 255;

enum Kind {
    Type10 { frame_id: u16, step: u16 },
    Type13 { poll: Poll, node: u8 },
    Udp { addresses: Addresses, source_port: u16, destination_port: u16 },
    Type2 { addresses: Addresses, connection_id: u32, sequence: u32, sequence_count: bool },
    Ethernet { ether_type: u16 },
}

/// A sender with frames of its own.
pub(super) struct Stream {
    kind: Kind,
    carrier: Carrier,
    headers: Headers,
    slots: Vec<Slot>,
    data: Vec<u8>,
    gaps: Vec<usize>,
    cycle: i64,
    nominal: i64,
    counter: u16,
    dice: Dice,
}

impl Stream {
    /// The senders of `machine` that are not on Type 12. Telegrams with the same address travel in the same frame.
    pub(super) fn all(machine: &Machine, links: &[Link], seed: u64, begin: i64) -> Vec<Self> {
        let mut streams: Vec<Self> = Vec::new();
        for (slot, place) in Slot::all(machine) {
            // A value without telegrams beside it has a usual cycle.
            let bus = links.get(slot.connection).map_or(VALUE_CYCLE, |link| link.periods.bus);
            let shared = streams.iter_mut().find(|s| s.carrier == place.carrier && s.sends(slot.direction));
            if let Some(stream) = shared {
                stream.slots.push(slot);
                if slot.connection < links.len() {
                    stream.cycle = stream.cycle.min(bus);
                }
                continue;
            }
            let dice = Dice::new(seed, Concern::Stream(streams.len()));
            streams.extend(Self::new(&place.carrier, slot, bus, dice));
        }
        for stream in &mut streams {
            stream.settle(begin);
        }
        streams
    }

    fn new(carrier: &Carrier, slot: Slot, cycle: i64, dice: Dice) -> Option<Self> {
        let (source, destination) = stations(slot.connection, slot.direction);
        let mut headers = Headers { destination, source, tags: Tags::default(), ether_type: 0 };
        let kind = match *carrier {
            Carrier::Type12Logical { .. } | Carrier::Type12Memory { .. } => return None,
            Carrier::Type10 { frame_id, source } => {
                headers.tags = [Tag::customer(6, 0)].into_iter().collect();
                headers.source = source.map_or(headers.source, Mac);
                Kind::Type10 { frame_id, step: 0 }
            }
            Carrier::Type13 { poll, node } => Kind::Type13 { poll, node },
            Carrier::Udp { destination_port, source_port, destination, source } => Kind::Udp {
                addresses: addresses(source, destination, slot),
                source_port: source_port.unwrap_or(ANY_PORT),
                destination_port,
            },
            Carrier::Type2 { connection_id, sequence_count, destination, source } => Kind::Type2 {
                addresses: addresses(source, destination, slot),
                connection_id,
                sequence: 0,
                sequence_count,
            },
            Carrier::Ethernet { ether_type, destination, source } => {
                headers.source = source.map_or(headers.source, Mac);
                headers.destination = destination.map_or(headers.destination, Mac);
                Kind::Ethernet { ether_type }
            }
        };
        Some(Self {
            kind,
            carrier: carrier.clone(),
            headers,
            slots: vec![slot],
            data: Vec::new(),
            gaps: Vec::new(),
            cycle,
            nominal: 0,
            counter: 0,
            dice,
        })
    }

    /// Fixes cycle, phase and standing data once all telegrams of the frame are known.
    fn settle(&mut self, begin: i64) {
        if let Kind::Type10 { step, .. } = &mut self.kind {
            let unit = CYCLE_UNIT.as_nanos().max(1);
            *step = u16::try_from(self.cycle.checked_div(unit).unwrap_or(1)).unwrap_or(u16::MAX).max(1);
            self.cycle = i64::from(*step).saturating_mul(unit);
        }
        self.nominal = begin.saturating_add(self.dice.between(0, self.cycle));
        self.counter = self.dice.word();
        let end = self.slots.iter().map(|slot| slot.offset.saturating_add(slot.length)).max().unwrap_or(0);
        // The packet of a Type 2 connection ends with its telegram.
        let tail = if matches!(self.kind, Kind::Type2 { .. }) { 0 } else { TAIL };
        self.data = (0..end.saturating_add(tail)).map(|_| self.dice.octet()).collect();
        self.gaps = gaps(self.data.len(), &self.slots);
        if tail > 0
            && let Some(status) = self.gaps.pop().and_then(|last| self.data.get_mut(last))
        {
            *status = GOOD;
        }
    }

    fn sends(&self, direction: Direction) -> bool {
        self.slots.iter().any(|slot| slot.direction == direction)
    }

    /// Telegrams in the frame.
    pub(super) fn slots(&self) -> &[Slot] {
        &self.slots
    }

    pub(super) const fn carrier(&self) -> &Carrier {
        &self.carrier
    }

    /// The frame due now does not get anywhere. Whether the sender counts on all the same.
    pub(super) fn miss(&mut self, counts_on: bool, links: &mut [Link]) {
        match &mut self.kind {
            Kind::Type10 { step, .. } if counts_on => self.counter = self.counter.wrapping_add(*step),
            Kind::Type2 { sequence, .. } => {
                // Each packet is sent once: what it carried is gone.
                for slot in &self.slots {
                    let Some(link) = links.get_mut(slot.connection) else { continue };
                    let lane = link.lane_mut(slot.direction);
                    if lane.standing(slot.other).serial == lane.under_way(slot.other).serial {
                        continue;
                    }
                    lane.depart(slot.other);
                    if !slot.other {
                        lane.captured(false);
                    }
                    *sequence = sequence.wrapping_add(u32::from(counts_on));
                }
            }
            _ => {}
        }
    }

    /// When the next frame is sent.
    pub(super) fn next_cycle(&mut self) -> i64 {
        self.nominal = self.nominal.saturating_add(self.cycle);
        self.nominal.saturating_add(self.dice.jitter(self.cycle / 50))
    }

    /// The next frame, which takes the telegrams along; `None` if nothing is to be sent now.
    pub(super) fn send(
        &mut self,
        links: &mut [Link],
        axes: &mut Axes<'_>,
        now: i64,
    ) -> Result<Option<Vec<u8>>, SynthError> {
        let has_telegrams = self.slots.iter().any(|slot| slot.connection < links.len());
        let is_type2 = matches!(self.kind, Kind::Type2 { .. }) && has_telegrams;
        let lanes = || {
            self.slots.iter().filter_map(|slot| Some((links.get(slot.connection)?.lane(slot.direction), slot.other)))
        };
        let is_news = lanes().any(|(lane, other)| lane.standing(other).serial != lane.under_way(other).serial);
        let is_open = lanes().any(|(lane, other)| lane.standing(other).shown.iter().any(|octet| *octet != 0));
        if is_type2 && !is_news {
            return Ok(None);
        }
        if !self.gaps.is_empty() && self.dice.once_in(3) {
            let place = self.gaps.get(self.dice.index(self.gaps.len())).copied().unwrap_or_default();
            if let Some(octet) = self.data.get_mut(place) {
                *octet = octet.wrapping_add(1);
            }
        }
        for slot in &self.slots {
            slot.fill_value(&mut self.data, axes, now);
            let Some(link) = links.get_mut(slot.connection) else { continue };
            let lane = link.lane_mut(slot.direction);
            lane.depart(slot.other);
            slot.fill(&mut self.data, &lane.under_way(slot.other).shown);
        }
        if is_type2 && !is_open {
            return Ok(None);
        }
        self.frame().map(Some)
    }

    fn frame(&mut self) -> Result<Vec<u8>, SynthError> {
        match &mut self.kind {
            Kind::Type10 { frame_id, step } => {
                self.counter = self.counter.wrapping_add(*step);
                let trailer = Trailer { cycle_counter: self.counter, data_status: DATA_STATUS, transfer_status: 0 };
                let frame = type10::Frame { frame_id: *frame_id, data: &self.data, trailer: Some(trailer) };
                Ok(compose::type10(&self.headers, &frame))
            }
            Kind::Type13 { poll, node } => Ok(compose::type13(&self.headers, &polled(*poll, *node, &self.data))?),
            Kind::Udp { addresses, source_port, destination_port } => {
                let datagram = udp::Datagram {
                    addresses: *addresses,
                    source_port: *source_port,
                    destination_port: *destination_port,
                    checksum: 0,
                    payload: &self.data,
                };
                Ok(compose::udp(&self.headers, &datagram)?)
            }
            Kind::Type2 { addresses, connection_id, sequence, sequence_count } => {
                *sequence = sequence.wrapping_add(1);
                let [low, high, ..] = sequence.to_le_bytes();
                let count: &[u8] = if *sequence_count { &[low, high] } else { &[] };
                let data = [count, &self.data].concat();
                let connected = Connected { connection_id: *connection_id, sequence: Some(*sequence), data: &data };
                let source_port = crate::carrier::type2::UDP_PORT;
                let datagram = udp::Datagram {
                    addresses: *addresses,
                    source_port,
                    destination_port: source_port,
                    checksum: 0,
                    payload: &[],
                };
                Ok(compose::type2(&self.headers, &datagram, &connected)?)
            }
            Kind::Ethernet { ether_type } => Ok(compose::other(&self.headers, *ether_type, &self.data)),
        }
    }
}

/// A poll of `node` or its response, with valid data.
const fn polled(poll: Poll, node: u8, data: &[u8]) -> type13::Frame<'_> {
    let (message_type, destination, source) = match poll {
        Poll::Request => (MessageType::PReq, node, MANAGING_NODE),
        Poll::Response => (MessageType::PRes, ALL_NODES, node),
    };
    let head = Head::Cyclic(Cyclic { state: 0, flags: 1, requests: 0, version: 0, reserved: 0 });
    type13::Frame { message_type, destination, source, head, payload: data }
}

/// MAC addresses of sender and receiver, locally administered: the host is station 1, the devices follow from 16 on.
fn stations(connection: usize, direction: Direction) -> (Mac, Mac) {
    let [low, high] = device_number(connection).to_be_bytes();
    let (host, device) = (Mac([2, 0, 0, 0, 1, 1]), Mac([2, 0, 0, 1, low, high]));
    match direction {
        Direction::ToDevice => (host, device),
        Direction::ToHost => (device, host),
    }
}

fn device_number(connection: usize) -> u16 {
    u16::try_from(connection).unwrap_or(u16::MAX).saturating_add(16)
}

/// The declared addresses; where none is declared, ones of the ranges for documentation (RFC 5737, RFC 3849).
fn addresses(source: Option<IpAddr>, destination: Option<IpAddr>, slot: Slot) -> Addresses {
    let device = device_number(slot.connection);
    let numbers = match slot.direction {
        Direction::ToDevice => (1, device),
        Direction::ToHost => (device, 1),
    };
    let v4 = |number: u16| Ipv4Addr::new(192, 0, 2, u8::try_from(number).unwrap_or(u8::MAX));
    let v6 = |number: u16| Ipv6Addr::new(0x2001, 0x0DB8, 0, 0, 0, 0, 0, number);
    let either = |address: Option<IpAddr>, number| match address {
        Some(IpAddr::V4(address)) => (address, v6(number)),
        Some(IpAddr::V6(address)) => (v4(number), address),
        None => (v4(number), v6(number)),
    };
    let (source4, source6) = either(source, numbers.0);
    let (destination4, destination6) = either(destination, numbers.1);
    let is_v6 = |address: Option<IpAddr>| address.is_some_and(|address| address.is_ipv6());
    if is_v6(source) || is_v6(destination) {
        Addresses::V6 { source: source6, destination: destination6 }
    } else {
        Addresses::V4 { source: source4, destination: destination4 }
    }
}

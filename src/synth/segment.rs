//! The Type 12 segment: all places of the machine's Type 12 connections in the frames of one master.
//!
//! Each cycle the frames go out with the telegrams of the hosts, pass the devices, which take them and put theirs in,
//! and come back. The master sends the inputs of the cycle before along in its process image, as many do. Octets
//! between the telegrams belong to standard devices and drift.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::axes::Axes;
use super::dice::{Concern, Dice};
use super::error::SynthError;
use super::link::Link;
use crate::carrier::type12::{Command, Datagram};
use crate::carrier::vlan::Tags;
use crate::carrier::{Headers, Mac, Pass, compose};
use crate::machine::{Carrier, Connection, Direction, Machine, Place};

/// The master: an address of the range for documentation (RFC 7042), which does not bear the mark of a returned frame.
pub(super) const MASTER: Mac = Mac([0x00, 0x00, 0x5E, 0x00, 0x53, 0x01]);

/// Data octets of a datagram at most, and of all datagrams of a frame with their headers.
const DATAGRAM_LIMIT: usize = 1_400;
const FRAME_LIMIT: usize = 1_450;
const DATAGRAM_OVERHEAD: usize = 12;

/// Octets between two telegrams that still share a datagram.
const GAP_LIMIT: u64 = 64;

/// The place of a telegram or value in the data of a datagram or cyclic frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Slot {
    /// Index of the connection; behind the connections follow the values.
    pub(super) connection: usize,
    pub(super) direction: Direction,
    /// The place that a standard controller copies to or from, not the connection's own.
    pub(super) other: bool,
    /// On Type 12: among the outputs of the segment, not its inputs.
    pub(super) output: bool,
    pub(super) offset: usize,
    pub(super) length: usize,
}

/// The places of a connection's telegrams in `direction`: its own, and the one that a standard controller copies to or from.
fn places(declared: &Connection, connection: usize, direction: Direction) -> Vec<(Slot, &Place)> {
    let slot = |place: &Place, other, output| Slot {
        connection,
        direction,
        other,
        output,
        offset: place.offset,
        length: place.length,
    };
    let own = declared.place(direction);
    let mut places = vec![(slot(own, false, direction == Direction::ToDevice), own)];
    if let Some(relay) = declared.relay(direction) {
        places.push((slot(&relay.place, true, relay.pass() == Direction::ToDevice), &relay.place));
    }
    places
}

impl Slot {
    /// The places of all telegrams, then of all values.
    pub(super) fn all(machine: &Machine) -> Vec<(Self, &Place)> {
        let mut all = Vec::new();
        for (connection, declared) in machine.connections.iter().enumerate() {
            for direction in [Direction::ToDevice, Direction::ToHost] {
                all.extend(places(declared, connection, direction));
            }
        }
        for (connection, value) in (machine.connections.len()..).zip(&machine.values) {
            let (direction, place) = (value.direction, &value.place);
            let (output, offset, length) = (direction == Direction::ToDevice, place.offset, place.length);
            all.push((Self { connection, direction, other: false, output, offset, length }, place));
        }
        all
    }

    /// Writes the value into `data`, if this is the place of one.
    pub(super) fn fill_value(&self, data: &mut [u8], axes: &mut Axes<'_>, now: i64) {
        if let Some(value) = axes.value_at(self.connection) {
            self.fill(data, axes.octets(value, now));
        }
    }

    /// Writes `octets` into the slot of `data`.
    pub(super) fn fill(&self, data: &mut [u8], octets: &[u8]) {
        let end = self.offset.saturating_add(self.length);
        if let Some(place) = data.get_mut(self.offset..end) {
            for (to, from) in place.iter_mut().zip(octets) {
                *to = *from;
            }
        }
    }
}

/// Octets of `length` outside all `slots`.
pub(super) fn gaps(length: usize, slots: &[Slot]) -> Vec<usize> {
    let taken = |octet: usize| slots.iter().any(|s| (s.offset..s.offset.saturating_add(s.length)).contains(&octet));
    (0..length).filter(|octet| !taken(*octet)).collect()
}

struct Cell {
    command: Command,
    address: [u8; 4],
    data: Vec<u8>,
    gaps: Vec<usize>,
    slots: Vec<Slot>,
    /// Working counter when everybody has answered.
    answered: u16,
}

struct Frame {
    cells: Vec<Cell>,
    first_index: u8,
}

/// The segment and the frames of its master.
pub(super) struct Segment {
    cycle: i64,
    frames: Vec<Frame>,
    next_index: u8,
    nominal: i64,
    dice: Dice,
}

impl Segment {
    /// The segment of `machine`, or `None` if nothing of it is on Type 12.
    pub(super) fn new(machine: &Machine, links: &[Link], seed: u64, begin: i64) -> Result<Option<Self>, SynthError> {
        let cells = cells(machine)?;
        let connections = || cells.iter().flat_map(|cell| &cell.slots).map(|slot| slot.connection);
        let cycle = connections().filter_map(|index| links.get(index)).map(|link| link.periods.bus).min();
        if cells.is_empty() {
            return Ok(None);
        }
        // With values alone the master keeps a usual cycle.
        let cycle = cycle.unwrap_or(4_000_000);
        let mut dice = Dice::new(seed, Concern::Segment);
        let mut frames = Vec::new();
        for mut cell in cells {
            for octet in &mut cell.data {
                *octet = dice.octet();
            }
            place(&mut frames, cell);
        }
        let next_index = dice.octet();
        Ok(Some(Self { cycle, frames, next_index, nominal: begin, dice }))
    }

    /// Number of frames in a cycle.
    pub(super) fn frames(&self) -> usize {
        self.frames.len()
    }

    /// When the first frame of the next cycle is sent.
    pub(super) fn next_cycle(&mut self) -> i64 {
        self.nominal = self.nominal.saturating_add(self.cycle);
        self.nominal.saturating_add(self.dice.jitter(self.cycle / 25))
    }

    /// How long a frame is on the ring, in nanoseconds.
    pub(super) fn ring(&mut self) -> i64 {
        self.dice.between(20_000, 60_000)
    }

    /// The next free datagram index; `count` are used.
    pub(super) const fn take_index(&mut self, count: u8) -> u8 {
        let index = self.next_index;
        self.next_index = self.next_index.wrapping_add(count);
        index
    }

    /// The telegrams that frame `number` brings as outputs or as inputs.
    pub(super) fn slots(&self, number: usize, output: bool) -> Vec<Slot> {
        let slots = self.frames.get(number).into_iter().flat_map(|frame| &frame.cells).flat_map(|cell| &cell.slots);
        slots.filter(|slot| slot.output == output).copied().collect()
    }

    /// Frame `number` as it goes out.
    pub(super) fn go_out(
        &mut self,
        number: usize,
        links: &mut [Link],
        axes: &mut Axes<'_>,
        now: i64,
    ) -> Result<Vec<u8>, SynthError> {
        let index = self.next_index;
        let Some(frame) = self.frames.get_mut(number) else { return Ok(Vec::new()) };
        frame.first_index = index;
        self.next_index = index.wrapping_add(u8::try_from(frame.cells.len()).unwrap_or(0));
        for cell in &mut frame.cells {
            if !cell.gaps.is_empty() && self.dice.once_in(3) {
                let place = cell.gaps.get(self.dice.index(cell.gaps.len())).copied().unwrap_or_default();
                if let Some(octet) = cell.data.get_mut(place) {
                    *octet = octet.wrapping_add(1);
                }
            }
            for slot in cell.slots.iter().filter(|slot| slot.output) {
                slot.fill_value(&mut cell.data, axes, now);
                let Some(link) = links.get_mut(slot.connection) else { continue };
                let lane = link.lane_mut(slot.direction);
                lane.depart(slot.other);
                slot.fill(&mut cell.data, &lane.under_way(slot.other).shown);
            }
        }
        frame.write(Pass::Outgoing)
    }

    /// Frame `number` passes the devices.
    pub(super) fn pass_devices(&self, number: usize, links: &mut [Link]) {
        let cells = self.frames.get(number).into_iter().flat_map(|frame| &frame.cells);
        for slot in cells.flat_map(|cell| &cell.slots) {
            let Some(link) = links.get_mut(slot.connection) else { continue };
            let lane = link.lane_mut(slot.direction);
            if slot.output {
                lane.arrive(slot.other);
            } else {
                lane.depart(slot.other);
            }
        }
    }

    /// Frame `number` as it comes back.
    pub(super) fn come_back(
        &mut self,
        number: usize,
        links: &mut [Link],
        axes: &mut Axes<'_>,
        now: i64,
    ) -> Result<Vec<u8>, SynthError> {
        let Some(frame) = self.frames.get_mut(number) else { return Ok(Vec::new()) };
        for cell in &mut frame.cells {
            for slot in cell.slots.iter().filter(|slot| !slot.output) {
                slot.fill_value(&mut cell.data, axes, now);
                let Some(link) = links.get_mut(slot.connection) else { continue };
                let lane = link.lane_mut(slot.direction);
                lane.arrive(slot.other);
                slot.fill(&mut cell.data, &lane.under_way(slot.other).shown);
            }
        }
        frame.write(Pass::Returning)
    }
}

impl Frame {
    fn write(&self, pass: Pass) -> Result<Vec<u8>, SynthError> {
        let cells = self.cells.iter().enumerate();
        let datagrams = cells.map(|(count, cell)| Datagram {
            command: cell.command,
            // A frame has room for some 120 datagrams.
            index: self.first_index.wrapping_add(u8::try_from(count).unwrap_or(0)),
            address_field: cell.address,
            circulated: false,
            more_follow: false,
            interrupt: 0,
            data: cell.data.as_slice(),
            working_counter: if pass == Pass::Outgoing { 0 } else { cell.answered },
        });
        let datagrams: Vec<_> = datagrams.collect();
        Ok(compose::type12(&link_headers(), pass, &datagrams)?)
    }

    fn octets(&self) -> usize {
        self.cells.iter().fold(0, |sum, cell| sum.saturating_add(cell.data.len()).saturating_add(DATAGRAM_OVERHEAD))
    }
}

/// Headers of the master's frames, to everybody.
pub(super) fn link_headers() -> Headers {
    Headers { destination: Mac([0xFF; 6]), source: MASTER, tags: Tags::default(), ether_type: 0 }
}

/// Puts the cell in the last frame with room for it, or in a new one.
fn place(frames: &mut Vec<Frame>, cell: Cell) {
    let needed = cell.data.len().saturating_add(DATAGRAM_OVERHEAD);
    match frames.last_mut() {
        Some(frame) if frame.octets().saturating_add(needed) <= FRAME_LIMIT => frame.cells.push(cell),
        _ => frames.push(Frame { cells: vec![cell], first_index: 0 }),
    }
}

fn cells(machine: &Machine) -> Result<Vec<Cell>, SynthError> {
    let mut logical: Vec<(u64, Slot)> = Vec::new();
    let mut cells = Vec::new();
    for (slot, place) in Slot::all(machine) {
        match place.carrier {
            Carrier::Type12Logical { address, .. } => {
                let offset = u64::try_from(place.offset).unwrap_or(u64::MAX);
                logical.push((u64::from(address).saturating_add(offset), slot));
            }
            Carrier::Type12Memory { station, memory } => memory_cell(&mut cells, station, memory, slot),
            Carrier::Type10 { .. }
            | Carrier::Type13 { .. }
            | Carrier::Udp { .. }
            | Carrier::Type2 { .. }
            | Carrier::Ethernet { .. } => {}
        }
    }
    logical.sort_by_key(|(address, slot)| (*address, slot.connection, slot.direction, slot.other));
    let mut image = logical_cells(machine, &logical)?;
    image.append(&mut cells);
    for cell in &mut image {
        cell.gaps = gaps(cell.data.len(), &cell.slots);
    }
    Ok(image)
}

/// Datagrams that cover the telegrams, which come sorted by address.
fn logical_cells(machine: &Machine, logical: &[(u64, Slot)]) -> Result<Vec<Cell>, SynthError> {
    let mut cells: Vec<(u64, Cell)> = Vec::new();
    for (address, slot) in logical {
        let length = u64::try_from(slot.length).unwrap_or(u64::MAX);
        let fits = cells.last().is_some_and(|(start, cell)| {
            let end = start.saturating_add(u64::try_from(cell.data.len()).unwrap_or(u64::MAX));
            let whole = address.saturating_add(length).saturating_sub(*start);
            *address <= end.saturating_add(GAP_LIMIT) && whole <= u64::try_from(DATAGRAM_LIMIT).unwrap_or(u64::MAX)
        });
        if !fits {
            let start = u32::try_from(*address).map_err(|_| beyond_the_image(machine, slot))?;
            cells.push((*address, cell(Command::Lrw, start.to_le_bytes())));
        }
        let Some((start, cell)) = cells.last_mut() else { continue };
        let offset = usize::try_from(address.saturating_sub(*start)).unwrap_or(usize::MAX);
        let slot = Slot { offset, ..*slot };
        let end = offset.saturating_add(slot.length).max(cell.data.len());
        cell.data.resize(end, 0);
        cell.slots.push(slot);
    }
    Ok(cells.into_iter().map(|(_, cell)| Cell { answered: working_counter(machine, &cell.slots), ..cell }).collect())
}

fn beyond_the_image(machine: &Machine, slot: &Slot) -> SynthError {
    SynthError::Machine {
        connection: machine.connections.get(slot.connection).map_or_else(String::new, |c| c.id.clone()),
        why: "address and offset lie beyond the logical memory of Type 12, 4 GiB; correct them".into(),
    }
}

/// The declared one, or what the devices add: 1 for reading from each, 2 for writing to it.
fn working_counter(machine: &Machine, slots: &[Slot]) -> u16 {
    let place = |slot: &Slot| match machine.connections.get(slot.connection) {
        Some(connection) if slot.other => Some(&connection.relay(slot.direction)?.place),
        Some(connection) => Some(connection.place(slot.direction)),
        None => Some(&machine.values.get(slot.connection.checked_sub(machine.connections.len())?)?.place),
    };
    let declared = slots.iter().filter_map(place).filter_map(|place: &Place| match place.carrier {
        Carrier::Type12Logical { working_counter, .. } => working_counter,
        _ => None,
    });
    declared
        .max()
        .unwrap_or_else(|| slots.iter().fold(0, |sum: u16, slot| sum.saturating_add(if slot.output { 2 } else { 1 })))
}

fn memory_cell(cells: &mut Vec<Cell>, station: u16, memory: u16, slot: Slot) {
    let command = if slot.output { Command::Fpwr } else { Command::Fprd };
    let [s0, s1] = station.to_le_bytes();
    let [m0, m1] = memory.to_le_bytes();
    let address = [s0, s1, m0, m1];
    let end = slot.offset.saturating_add(slot.length);
    let known = cells.iter_mut().find(|cell| cell.command == command && cell.address == address);
    let mut new = cell(command, address);
    let found = known.is_some();
    let target = known.unwrap_or(&mut new);
    target.answered = 1;
    target.data.resize(end.max(target.data.len()), 0);
    target.slots.push(slot);
    if !found {
        cells.push(new);
    }
}

fn cell(command: Command, address: [u8; 4]) -> Cell {
    Cell { command, address, data: Vec::new(), gaps: Vec::new(), slots: Vec::new(), answered: 0 }
}

//! Planned faults: checked before the start, put into a telegram when their time comes.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::declared;
use super::dice::{Concern, Dice};
use super::error::SynthError;
use super::fscp_2_1;
use super::fscp_13_1;
use super::iec_62541_15;
use super::link::{HISTORY, Link};
use super::plan::{FaultKind, Plan, PlannedFault};
use super::tap::Place;
use crate::machine::{Connection, Machine, Profile};
use crate::telegram::fscp_12_1::{Command, Key, emit};
use crate::time::Span;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum State {
    /// Its time has not come.
    Planned,
    /// It takes the next telegram that it can happen to.
    Armed,
    /// It has happened.
    Done,
}

/// A fault on its way.
pub(super) struct Fault {
    pub(super) plan: PlannedFault,
    pub(super) state: State,
    pub(super) place: Option<Place>,
    pub(super) detail: String,
    pub(super) dice: Dice,
    /// Steps by which a sequence number jumps.
    pub(super) jump: u16,
    /// Connections whose telegrams may appear in the place.
    others: Vec<usize>,
}

impl Fault {
    /// The faults of `plan`, each of which can happen.
    pub(super) fn all(machine: &Machine, plan: &Plan, links: &[Link]) -> Result<Vec<Self>, SynthError> {
        let mut faults = Vec::new();
        for (index, planned) in plan.faults.iter().enumerate() {
            let Some(connection) = machine.connections.get(planned.connection) else {
                let (index, count) = (planned.connection, machine.connections.len());
                return Err(SynthError::Unknown { what: "connection", index, count });
            };
            check_kind(machine, plan, planned, connection)?;
            let mut dice = Dice::new(plan.seed, Concern::Fault(index));
            let jump = u16::try_from(dice.between(3, 9)).unwrap_or(3);
            faults.push(Self {
                plan: *planned,
                state: State::Planned,
                place: None,
                detail: String::new(),
                dice,
                jump,
                others: others(machine, planned),
            });
        }
        check_times(machine, plan, links)?;
        Ok(faults)
    }

    /// Whether it waits for a telegram.
    pub(super) fn is_armed(&self) -> bool {
        self.state == State::Armed
    }

    /// What stands in place instead of `new`, the process data telegram about to be sent; `None` if it has to wait.
    pub(super) fn twist(&mut self, machine: &Machine, links: &[Link], new: &[u8]) -> Option<Vec<u8>> {
        let link = links.get(self.plan.connection)?;
        let lane = link.lane(self.plan.direction);
        let profile = &machine.connections.get(self.plan.connection)?.profile;
        if lane.history.len() < HISTORY {
            return None;
        }
        match self.plan.kind {
            FaultKind::Corruption => Some(self.corrupted(new, profile)),
            FaultKind::UnintendedRepetition => {
                // The last of the history is the new one itself, the one before it is held, not repeated.
                let back = self.dice.index(4).saturating_add(2);
                self.detail = format!("the telegram sent {back} before stands in the place of the new one");
                lane.history.iter().rev().nth(back).cloned()
            }
            FaultKind::Insertion => Some(self.inserted(machine, profile, new)),
            FaultKind::Masquerade => Some(self.masqueraded(new, profile)),
            FaultKind::Addressing => {
                let running = |index: &&usize| links.get(**index).is_some_and(Link::is_running);
                let candidates: Vec<usize> = self.others.iter().filter(running).copied().collect();
                let other = *candidates.get(self.dice.index(candidates.len()))?;
                let id = machine.connections.get(other).map_or("", |connection| &connection.id);
                self.detail = format!("the telegram of connection `{id}` stands in the place");
                Some(links.get(other)?.lane(self.plan.direction).sent.shown.clone())
            }
            _ => None,
        }
    }

    pub(super) fn corrupted(&mut self, new: &[u8], profile: &Profile) -> Vec<u8> {
        let mut octets = new.to_vec();
        // Neither command and connection ID nor the status or control byte: data and CRCs.
        let places: Vec<usize> = match profile {
            Profile::Fscp12_1(_) => (1..new.len().saturating_sub(2)).collect(),
            Profile::Fscp3_1(p) => {
                let flags = p.crc2.octets().saturating_add(1);
                (0..new.len()).filter(|place| place.saturating_add(flags) != new.len()).collect()
            }
            Profile::Fscp13_1(_) => fscp_13_1::corruptible(new),
            Profile::Iec62541_15(_) => iec_62541_15::corruptible(self.plan.direction, new.len()),
            Profile::Fscp2_1(p) => {
                let mode = p.is_data(self.plan.direction).then_some(p.data);
                (0..new.len()).filter(|place| Some(*place) != mode).collect()
            }
            Profile::Declared(p) => declared::checked_octets(p.of(self.plan.direction)),
        };
        let mut bits: Vec<usize> = Vec::new();
        let wanted = self.dice.index(3).saturating_add(1);
        while bits.len() < wanted {
            let place = places.get(self.dice.index(places.len())).copied().unwrap_or_default();
            let bit = place.saturating_mul(8).saturating_add(self.dice.index(8));
            if !bits.contains(&bit) {
                bits.push(bit);
            }
        }
        bits.sort_unstable();
        for bit in &bits {
            if let Some(octet) = octets.get_mut(bit / 8) {
                *octet ^= 1_u8.rotate_left(u32::try_from(bit % 8).unwrap_or(0));
            }
        }
        let places: Vec<String> = bits.iter().map(|bit| format!("octet {} bit {}", bit / 8, bit % 8)).collect();
        self.detail = format!("inverted: {}", places.join(", "));
        octets
    }

    fn inserted(&mut self, machine: &Machine, profile: &Profile, new: &[u8]) -> Vec<u8> {
        if let Profile::Fscp13_1(_) = profile {
            let both = [crate::machine::Direction::ToDevice, crate::machine::Direction::ToHost];
            let of = |c: &Connection| both.map(|direction| fscp_13_1::address(&c.profile, direction));
            let known: Vec<u16> = machine.connections.iter().flat_map(of).flatten().collect();
            let (octets, address) = fscp_13_1::inserted(new, &known, &mut self.dice);
            self.detail = format!("a telegram with safety address {address}, which the machine does not have");
            return octets;
        }
        if let Profile::Iec62541_15(p) = profile {
            let (octets, id) = iec_62541_15::inserted(p, self.plan.direction, &mut self.dice);
            self.detail = format!("a telegram with SafetyConsumerID 0x{id:08X}, which the machine does not have");
            return octets;
        }
        if let Profile::Fscp2_1(p) = profile {
            self.detail = "a message of a producer that the machine does not have".into();
            return fscp_2_1::stranger(p, &mut self.dice);
        }
        if let Profile::Declared(p) = profile {
            let direction = self.plan.direction;
            let keys = |connection: &Connection| match &connection.profile {
                Profile::Declared(p) => p.of(direction).keys.iter().filter_map(|key| key.value).collect(),
                _ => Vec::new(),
            };
            let taken: Vec<u32> = machine.connections.iter().flat_map(keys).collect();
            let data: Vec<u8> = (0..p.of(direction).data).map(|_| self.dice.octet()).collect();
            let (octets, id) = declared::inserted(p.of(direction), &taken, &data, &mut self.dice);
            self.detail = format!("a telegram with the id 0x{id:X}, which the machine does not have");
            return octets;
        }
        let known = |id: u16| {
            machine.connections.iter().any(|c| matches!(&c.profile, Profile::Fscp12_1(p) if p.connection_id == id))
        };
        let mut connection_id = self.dice.word();
        while connection_id == 0 || known(connection_id) {
            connection_id = self.dice.word();
        }
        let key = Key { inherited: self.dice.word(), connection_id, sequence: self.dice.word().max(1) };
        let data: Vec<u8> = (0..profile.safe_data_length(self.plan.direction)).map(|_| self.dice.octet()).collect();
        let mut octets = Vec::new();
        emit(Command::ProcessData, &data, key, &mut octets);
        self.detail = format!("a telegram with connection ID {connection_id}, which the machine does not have");
        octets
    }

    fn masqueraded(&mut self, new: &[u8], profile: &Profile) -> Vec<u8> {
        if let Profile::Declared(p) = profile {
            self.detail = "octets of a device outside the safety layer".into();
            return declared::masqueraded(p.of(self.plan.direction), &mut self.dice);
        }
        let own_id = match profile {
            Profile::Fscp12_1(p) => p.connection_id.to_le_bytes(),
            Profile::Fscp3_1(_) | Profile::Fscp2_1(_) | Profile::Declared(_) => [0; 2],
            Profile::Fscp13_1(_) => {
                self.detail = "octets of a device outside the safety layer".into();
                return fscp_13_1::masqueraded(new.len(), &mut self.dice);
            }
            Profile::Iec62541_15(_) => {
                self.detail = "octets of a device outside the safety layer".into();
                return iec_62541_15::masqueraded(self.plan.direction, new.len(), &mut self.dice);
            }
        };
        loop {
            let octets: Vec<u8> = new.iter().map(|_| self.dice.octet()).collect();
            let command = octets.first().map(|octet| Command::from_octet(*octet));
            if matches!(command, Some(Command::Unknown(1..))) && !octets.ends_with(&own_id) {
                self.detail = "octets of a device outside the safety layer".into();
                return octets;
            }
        }
    }
}

fn check_kind(
    machine: &Machine,
    plan: &Plan,
    planned: &PlannedFault,
    connection: &Connection,
) -> Result<(), SynthError> {
    let refuse =
        |why: String| Err(SynthError::NotApplicable { fault: planned.kind, connection: connection.id.clone(), why });
    if !planned.kind.applies_to(&connection.profile) {
        let name = connection.profile.name();
        return refuse(format!("its telegrams ({name}, with this CRC) cannot show it; use another connection"));
    }
    if planned.kind == FaultKind::Addressing && others(machine, planned).is_empty() {
        let length = connection.profile.safe_data_length(planned.direction);
        let direction = planned.direction.name();
        return refuse(format!(
            "no other connection of the profile has {length} safe octets {direction} and another identity; {}",
            pairs(machine)
        ));
    }
    if let Profile::Fscp2_1(p) = &connection.profile
        && planned.kind == FaultKind::Insertion
        && !p.is_data(planned.direction)
    {
        return refuse("its time coordination does not show who sends; use the direction of the data".into());
    }
    super::causes::check_direction(planned, connection)?;
    if planned.kind == FaultKind::WrongParameter {
        if planned.direction == crate::machine::Direction::ToHost {
            return refuse("parameters are sent to_device".into());
        }
        if planned.at == Span::ZERO && !plan.start_up {
            return refuse("the capture joins after the start-up; give a time above 0 for a restart".into());
        }
    }
    Ok(())
}

/// The other connections whose telegrams have the same layout and would not be accepted here.
fn others(machine: &Machine, planned: &PlannedFault) -> Vec<usize> {
    let Some(own) = machine.connections.get(planned.connection) else { return Vec::new() };
    let length = own.profile.safe_data_length(planned.direction);
    let fits = |other: &Connection| {
        let differs = match (&own.profile, &other.profile) {
            (Profile::Fscp12_1(a), Profile::Fscp12_1(b)) => a.connection_id != b.connection_id,
            (Profile::Fscp3_1(a), Profile::Fscp3_1(b)) => {
                a.crc2 == b.crc2 && a.crc1.is_some() && b.crc1.is_some() && a.crc1 != b.crc1
            }
            (Profile::Fscp13_1(a), Profile::Fscp13_1(b)) => {
                a.address(planned.direction) != b.address(planned.direction)
            }
            (Profile::Iec62541_15(a), Profile::Iec62541_15(b)) => {
                a.layout == b.layout
                    && a.consumer_id.is_some()
                    && b.consumer_id.is_some()
                    && a.consumer_id != b.consumer_id
            }
            (Profile::Fscp2_1(a), Profile::Fscp2_1(b)) => {
                let sender = |p: &crate::machine::Fscp2_1| {
                    if p.is_data(planned.direction) { p.producer } else { p.consumer }
                };
                (a.format, a.produces, a.time_correction) == (b.format, b.produces, b.time_correction)
                    && sender(a).is_some_and(|own| sender(b).is_some_and(|other| own != other))
            }
            (Profile::Declared(a), Profile::Declared(b)) => {
                let (a, b) = (a.of(planned.direction), b.of(planned.direction));
                a.layout == b.layout && a.keys != b.keys
            }
            _ => false,
        };
        differs && other.profile.safe_data_length(planned.direction) == length
    };
    let all = machine.connections.iter().enumerate();
    all.filter(|(index, other)| *index != planned.connection && fits(other)).map(|(index, _)| index).collect()
}

/// Where addressing could be placed instead.
fn pairs(machine: &Machine) -> String {
    let mut places = Vec::new();
    for (connection, declared) in machine.connections.iter().enumerate() {
        for direction in [crate::machine::Direction::ToDevice, crate::machine::Direction::ToHost] {
            let planned = PlannedFault { kind: FaultKind::Addressing, connection, direction, at: Span::ZERO };
            if FaultKind::Addressing.applies_to(&declared.profile) && !others(machine, &planned).is_empty() {
                places.push(format!("`{}` {}", declared.id, direction.name()));
            }
        }
    }
    if places.is_empty() {
        "no connection of this machine has such a partner".into()
    } else {
        format!("possible: {}", places.join(", "))
    }
}

/// Faults need a running connection, and time to recover before the next one or the end.
fn check_times(machine: &Machine, plan: &Plan, links: &[Link]) -> Result<(), SynthError> {
    for (index, (connection, link)) in machine.connections.iter().zip(links).enumerate() {
        let mut faults: Vec<&PlannedFault> = plan.faults.iter().filter(|f| f.connection == index).collect();
        faults.sort_by_key(|fault| fault.at);
        let mut free = if plan.start_up { link.recovery } else { 0 };
        for fault in faults {
            let at = fault.at.as_nanos();
            let first_start_up = fault.kind == FaultKind::WrongParameter && at == 0;
            let what = || format!("the {} on connection `{}`", fault.kind.name(), connection.id);
            if at < free && !first_start_up {
                let why = format!(
                    "comes while the connection starts or recovers; the earliest time is {}",
                    Span::from_nanos(free)
                );
                return Err(SynthError::TooClose { what: what(), at: fault.at, why });
            }
            let recovery = super::causes::recovery(fault, link);
            free = free.max(at.saturating_add(recovery));
            if free > plan.duration.as_nanos() {
                let why =
                    format!("leaves no time to recover before the end; that takes {}", Span::from_nanos(recovery));
                return Err(SynthError::TooClose { what: what(), at: fault.at, why });
            }
        }
    }
    Ok(())
}

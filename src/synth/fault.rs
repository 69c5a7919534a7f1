//! Planned faults: checked before the start, put into a telegram when their time comes.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::declared;
use super::dice::{Concern, Dice};
use super::distort;
use super::error::SynthError;
use super::fscp_2_1;
use super::fscp_13_1;
use super::iec_62541_15;
use super::link::{HISTORY, Lane, Link};
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
    /// Bits that were inverted: octet times 8 plus bit.
    pub(super) bits: Vec<usize>,
    /// Steps by which a sequence number jumps.
    pub(super) jump: u16,
    /// Telegrams still to be lost.
    pub(super) left: u8,
    /// It takes telegrams of the start-up, too.
    pub(super) at_any_telegram: bool,
    /// It was drawn: one that finds no telegram is none.
    pub(super) by_chance: bool,
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
            faults.push(Self::new(machine, *planned, Dice::new(plan.seed, Concern::Fault(index))));
        }
        check_times(machine, plan, links)?;
        Ok(faults)
    }

    /// A fault whose time has not come.
    pub(super) fn new(machine: &Machine, plan: PlannedFault, mut dice: Dice) -> Self {
        let jump = u16::try_from(dice.between(3, 9)).unwrap_or(3);
        Self {
            plan,
            state: State::Planned,
            place: None,
            detail: String::new(),
            dice,
            bits: Vec::new(),
            jump,
            left: if let FaultKind::Losses(telegrams) = plan.kind { telegrams } else { 1 },
            at_any_telegram: false,
            by_chance: false,
            others: others(machine, &plan),
        }
    }

    /// Whether it can take the next telegram of `lane`.
    pub(super) fn may_happen(&self, lane: &Lane) -> bool {
        self.at_any_telegram || lane.history.len() >= HISTORY
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
        if !self.may_happen(lane) {
            return None;
        }
        match self.plan.kind {
            FaultKind::Corruption | FaultKind::Bits(_) | FaultKind::Burst(_) => self.corrupted(new, profile),
            FaultKind::UnintendedRepetition => self.repeated(lane, new),
            FaultKind::EarlyToggle | FaultKind::MissingToggle => {
                let early = self.plan.kind == FaultKind::EarlyToggle;
                self.detail = if early {
                    "the toggle bit stepped, the number did not"
                } else {
                    "the number stepped, the toggle bit did not"
                }
                .into();
                links.get(self.plan.connection)?.sender(self.plan.direction).mistoggled(new, early)
            }
            FaultKind::Insertion => Some(self.inserted(machine, profile, new)),
            FaultKind::Masquerade => Some(self.masqueraded(new, profile)),
            FaultKind::Addressing => {
                let direction = self.plan.direction;
                let shows = |link: &Link| link.lane(direction).sent.shown.iter().any(|octet| *octet != 0);
                let anything = self.at_any_telegram;
                let running = |index: &&usize| {
                    links.get(**index).is_some_and(|link| if anything { shows(link) } else { link.is_running() })
                };
                let candidates: Vec<usize> = self.others.iter().filter(running).copied().collect();
                let other = *candidates.get(self.dice.index(candidates.len()))?;
                let id = machine.connections.get(other).map_or("", |connection| &connection.id);
                self.detail = format!("the telegram of connection `{id}` stands in the place");
                Some(links.get(other)?.lane(self.plan.direction).sent.shown.clone())
            }
            _ => None,
        }
    }

    pub(super) fn corrupted(&mut self, new: &[u8], profile: &Profile) -> Option<Vec<u8>> {
        let places = distort::checked_octets(profile, self.plan.direction, new);
        let bits = distort::bits(self.plan.kind, &places, &mut self.dice)?;
        let octets = distort::inverted(new, &bits);
        let named: Vec<String> = bits.iter().map(|bit| format!("octet {} bit {}", bit / 8, bit % 8)).collect();
        self.detail = format!("inverted: {}", named.join(", "));
        self.bits = bits;
        Some(octets)
    }

    /// The telegram sent two to five before, or, in a start-up, the last that differs from what stands there.
    fn repeated(&mut self, lane: &Lane, new: &[u8]) -> Option<Vec<u8>> {
        if !self.at_any_telegram {
            // The last of the history is the new one itself, the one before it is held, not repeated.
            let back = self.dice.index(4).saturating_add(2);
            self.detail = format!("the telegram sent {back} before stands in the place of the new one");
            return lane.history.iter().rev().nth(back).cloned();
        }
        let differs = |old: &&Vec<u8>| old.as_slice() != new && **old != lane.sent.shown;
        self.detail = "the telegram before the last one stands in the place of the new one".into();
        lane.recent.iter().rev().find(differs).cloned()
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

impl FaultKind {
    /// Whether it can happen to the telegrams of this connection and direction, and be told from them.
    pub fn can_happen(self, machine: &Machine, connection: usize, direction: crate::machine::Direction) -> bool {
        let planned = PlannedFault { kind: self, connection, direction, at: Span::from_nanos(1) };
        machine
            .connections
            .get(connection)
            .is_some_and(|declared| check_kind(machine, &Plan::default(), &planned, declared).is_ok())
    }
}

pub(super) fn check_kind(
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
    if let FaultKind::Bits(0) | FaultKind::Burst(0 | 1) | FaultKind::Losses(0) | FaultKind::PowerCycles(0) =
        planned.kind
    {
        return refuse("nothing would happen; give at least 1 (a burst: at least 2 bits)".into());
    }
    let bits = connection.place(planned.direction).length.saturating_mul(8);
    if let FaultKind::Bits(wanted) | FaultKind::Burst(wanted) = planned.kind
        && usize::from(wanted) > distort::room(&connection.profile, planned.direction, bits / 8, planned.kind)
    {
        return refuse(format!("its telegrams have not so many bits under a CRC in a row; they have {bits} in all"));
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
            free = free.max(at.saturating_add(recovery.saturating_mul(fault.kind.times())));
            if free > plan.duration.as_nanos() {
                let why =
                    format!("leaves no time to recover before the end; that takes {}", Span::from_nanos(recovery));
                return Err(SynthError::TooClose { what: what(), at: fault.at, why });
            }
        }
    }
    Ok(())
}

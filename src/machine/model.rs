//! What a machine file says, typed and resolved: every reference is an index that exists, every path connects, every
//! quantity is an exact integer. A value of these types has passed all the checks of the reader.

use std::net::IpAddr;

use super::declared::Declared;
use super::delay::{ConnectionResponse, ElementDelay, Medium};
use super::fscp_2_1::Fscp2_1;
pub use super::fscp_13_1::Fscp13_1;
pub use super::iec_62541_15::Iec62541_15;
use super::monitor::{Detection, Monitor, Violation};
use super::pair::Pair;
use super::reaction_rules::{Measuring, ReactionRules};
use super::separation::Separation;
use super::series::Series;
use super::value::{Standstill, Value};
use crate::latency::tolerance::Tolerance;
use crate::quantity::{Acceleration, Jerk, Speed, Travel};
use crate::telegram::coverage::{self, Coverage};
use crate::telegram::{declared, fscp_2_1, fscp_3_1, fscp_12_1, fscp_13_1, iec_62541_15};
use crate::time::Span;

/// A machine as its machine file describes it. The default machine has nothing in it.
#[derive(Clone, Debug, Default)]
pub struct Machine {
    /// Name for headings.
    pub name: String,
    /// Revision of the machine's design that the file describes.
    pub revision: String,
    /// Everything that takes time and is not a connection.
    pub elements: Vec<Element>,
    /// Safety connections.
    pub connections: Vec<Connection>,
    /// Hazardous axes.
    pub axes: Vec<Axis>,
    /// Bits of the safe data with a meaning.
    pub signals: Vec<Signal>,
    /// Values of the drives in their standard process data.
    pub values: Vec<Value>,
    /// Safety functions.
    pub functions: Vec<Function>,
    /// Two-channel signals.
    pub pairs: Vec<Pair>,
    /// What several connections share.
    pub media: Vec<Medium>,
    /// Its bounded figures are placeholders yet.
    pub draft: bool,
    /// Tolerance of the clocks of the machine's devices; already in the times of elements and connections.
    pub clock_tolerance: Tolerance,
    /// What holds for its captures.
    pub measuring: Measuring,
}

/// A sensor, input, logic, output or drive: anything that takes time on the way from a demand to a safe output.
#[derive(Clone, Debug)]
pub struct Element {
    /// Name in the file.
    pub id: String,
    /// Words for people.
    pub title: Option<String>,
    /// Worst-case delay time without fault (WCDT).
    pub worst_case: Span,
    /// Time to the safe state if the element itself fails; absent if it is the worst case.
    pub watchdog: Option<Span>,
    /// What the worst case is made of.
    pub delay: ElementDelay,
    /// Where the figures come from.
    pub source: Option<String>,
}

/// One safety connection between a host (safety controller) and a device.
#[derive(Clone, Debug)]
pub struct Connection {
    /// Name in the file.
    pub id: String,
    /// Words for people.
    pub title: Option<String>,
    /// Safety profile with what it needs to check CRCs.
    pub profile: Profile,
    /// Worst-case delay of one transfer in one direction without fault.
    pub worst_case: Span,
    /// The unsynchronised cycles of the connection, if the file gives them.
    pub cycles: Option<Cycles>,
    /// Whether `worst_case` was derived from `cycles` rather than stated.
    pub worst_case_derived: bool,
    /// Watchdog time of the connection, both ends.
    pub watchdog: Span,
    /// How its response is bounded, beyond worst case and watchdog.
    pub response: ConnectionResponse,
    /// What the watchdog shall bear without a trip.
    pub availability: Availability,
    /// Other elements whose failure this watchdog also turns into the safe state (indices of `Machine::elements`).
    pub supervises: Vec<usize>,
    /// Safety integrity level that the connection is used for, 1 to 4.
    pub sil: Option<u8>,
    /// Where the figures come from.
    pub source: Option<String>,
    /// Whether it is known which of the two places is which; a draft may not know it.
    pub is_directed: bool,
    /// Place of the telegrams from device to host.
    pub to_host: Place,
    /// Place of the telegrams from host to device.
    pub to_device: Place,
    /// Where else the telegrams from device to host stand, if a standard controller copies them.
    pub to_host_relay: Option<Relay>,
    /// Where else the telegrams from host to device stand.
    pub to_device_relay: Option<Relay>,
}

impl Connection {
    /// Time until the safe state after a fault of the connection: by its published form or its watchdog, clock tolerance in it.
    pub fn fault_time(&self) -> Span {
        self.response.limit.unwrap_or(self.watchdog)
    }

    /// The shortest of its cycles, if the file gives any.
    pub fn shortest_cycle(&self) -> Option<Span> {
        let named = self.cycles.map(|cycles| cycles.bus.min(cycles.host).min(cycles.device));
        let listed =
            self.response.stages.iter().flat_map(|stages| stages.stages.iter().map(|stage| stage.period)).min();
        named.or(listed)
    }

    /// The place of the telegrams of `direction`.
    pub const fn place(&self, direction: Direction) -> &Place {
        match direction {
            Direction::ToDevice => &self.to_device,
            Direction::ToHost => &self.to_host,
        }
    }

    /// Where else the telegrams of `direction` stand.
    pub const fn relay(&self, direction: Direction) -> Option<&Relay> {
        match direction {
            Direction::ToDevice => self.to_device_relay.as_ref(),
            Direction::ToHost => self.to_host_relay.as_ref(),
        }
    }
}

/// The cycles that a telegram waits for: each stage reads at the start and publishes at the end of its cycle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cycles {
    /// Cycle of the carrier.
    pub bus: Span,
    /// Cycle of the host's safety task.
    pub host: Span,
    /// Cycle of the device's safety task.
    pub device: Span,
}

impl Cycles {
    /// Bound of a chain of unsynchronised stages that each sample at the start and publish at the end of their cycle (logical
    /// execution time): one cycle to sample and one to publish, `sum 2 T`; see the discussion in Davare et al., "Period
    /// optimization for hard real-time distributed automotive systems", DAC 2007. `None` if it can't be expressed.
    pub fn transfer(&self) -> Option<Span> {
        Span::checked_sum([self.bus, self.host, self.device])?.checked_mul(2)
    }
}

/// What the watchdog of a connection shall bear without a trip: a matter of availability, not of safety.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Availability {
    /// Reserve on top of the round trip, in thousandths of it; `None` if the file declares none.
    pub reserve_permille: Option<u32>,
    /// Telegrams in a row that may be lost; `None` if the file does not say.
    pub lost_telegrams: Option<u32>,
    /// Worst round trip, stated; `None` if it follows from cycles or worst case.
    pub round_trip: Option<Span>,
    /// Time from one telegram to the next, stated; `None` if it follows from the cycles.
    pub send_interval: Option<Span>,
}

/// Direction of a safety telegram.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub enum Direction {
    /// From the host (safety controller) to the device: outputs.
    ToDevice,
    /// From the device to the host: inputs.
    ToHost,
}

impl Direction {
    /// The direction of the answers.
    pub const fn opposite(self) -> Self {
        match self {
            Self::ToDevice => Self::ToHost,
            Self::ToHost => Self::ToDevice,
        }
    }

    /// The name used in files: `to_device` or `to_host`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::ToDevice => "to_device",
            Self::ToHost => "to_host",
        }
    }
}

/// A safety profile of IEC 61784-3 with the parameters of one connection.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Profile {
    /// FSCP 12/1 (IEC 61784-3-12).
    Fscp12_1(Fscp12_1),
    /// FSCP 3/1 (IEC 61784-3-3), V2.
    Fscp3_1(Fscp3_1),
    /// IEC 62541-15: the host is the consumer, the device the provider.
    Iec62541_15(Iec62541_15),
    /// FSCP 13/1 (IEC 61784-3-13).
    Fscp13_1(Fscp13_1),
    /// FSCP 2/1 (IEC 61784-3-2).
    Fscp2_1(Fscp2_1),
    /// Telegrams that the machine file describes itself.
    Declared(Declared),
}

impl Profile {
    /// Whether its telegrams are checked in the same way whichever of both directions they are.
    pub const fn are_ends_alike(&self) -> bool {
        matches!(self, Self::Fscp13_1(_) | Self::Fscp2_1(_))
    }

    /// Whether the device sends without having been asked, so that a silent host does not silence it. Of a declared layout nobody knows,
    /// and most such devices do.
    pub fn is_device_unasked(&self) -> bool {
        match self {
            Self::Fscp13_1(_) | Self::Declared(_) => true,
            Self::Fscp2_1(p) => p.is_data(Direction::ToHost),
            Self::Fscp12_1(_) | Self::Fscp3_1(_) | Self::Iec62541_15(_) => false,
        }
    }

    /// The designator of the profile.
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Fscp12_1(_) => fscp_12_1::PROFILE,
            Self::Fscp3_1(_) => fscp_3_1::PROFILE,
            Self::Iec62541_15(_) => iec_62541_15::PROFILE,
            Self::Fscp13_1(_) => fscp_13_1::PROFILE,
            Self::Fscp2_1(_) => fscp_2_1::PROFILE,
            Self::Declared(_) => declared::PROFILE,
        }
    }

    /// Octets of safe data in a telegram of `direction`.
    pub const fn safe_data_length(&self, direction: Direction) -> usize {
        let (to_device, to_host) = match self {
            Self::Fscp12_1(p) => (p.to_device_data, p.to_host_data),
            Self::Fscp3_1(p) => (p.to_device_data, p.to_host_data),
            Self::Iec62541_15(p) => (0, p.to_host_data),
            Self::Fscp13_1(p) => (p.to_device_data, p.to_host_data),
            Self::Fscp2_1(p) => return p.safe_data_length(direction),
            Self::Declared(p) => (p.to_device.data, p.to_host.data),
        };
        match direction {
            Direction::ToDevice => to_device,
            Direction::ToHost => to_host,
        }
    }

    /// What the CRCs of a telegram of `direction` cover, nothing if it has none; `None` for a form whose CRC rule is not known,
    /// and for a declared layout whose CRCs cover less than its safe data, or something twice.
    pub fn coverage(&self, direction: Direction) -> Option<Vec<Coverage>> {
        let data = self.safe_data_length(direction);
        match self {
            Self::Fscp12_1(_) => coverage::fscp_12_1(data),
            Self::Fscp3_1(p) => Some(vec![coverage::fscp_3_1(data, p.crc2)?]),
            Self::Iec62541_15(p) => p.coverage(direction),
            Self::Fscp13_1(_) => coverage::fscp_13_1(data),
            Self::Fscp2_1(_) => None,
            Self::Declared(p) => p.of(direction).layout.coverage(),
        }
    }
}

/// Parameters of an FSCP 12/1 connection.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fscp12_1 {
    /// Connection ID that the master assigns; not 0.
    pub connection_id: u16,
    /// Address of the slave, sent in the Connection state.
    pub device_address: u16,
    /// Safe data octets from master to slave: 1 or even.
    pub to_device_data: usize,
    /// Safe data octets from slave to master: 1 or even.
    pub to_host_data: usize,
    /// Application parameters sent in the Parameter state; `None` if the file does not say.
    pub application_parameters: Option<Vec<u8>>,
}

/// Parameters of an FSCP 3/1 connection.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fscp3_1 {
    /// Safe data octets from host to device, 1 to 123.
    pub to_device_data: usize,
    /// Safe data octets from device to host, 1 to 123.
    pub to_host_data: usize,
    /// Form of CRC2.
    pub crc2: fscp_3_1::Crc2Form,
    /// CRC1 over the F-parameters (the seed of CRC2), computed or stated; `None` if the file gives neither.
    pub crc1: Option<u16>,
    /// Whether the file says that CRC1 was recovered from a capture, so that it proves no parameters.
    pub recovered: bool,
}

/// Where the telegrams of one direction stand on the wire.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Carrier and address.
    pub carrier: Carrier,
    /// Octets before the telegram, counted from the start of the addressed data.
    pub offset: usize,
    /// Length of the telegram in octets, from the profile.
    pub length: usize,
}

/// Another place of the same telegrams: a standard controller copies them from one to the other.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Relay {
    /// The other place.
    pub place: Place,
    /// Which of the two comes first.
    pub order: RelayOrder,
}

/// Which of two places a telegram stands in first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum RelayOrder {
    /// First in the connection's own place, then in the other one (`relayed_to`).
    To,
    /// First in the other place, then in the connection's own (`relayed_from`).
    From,
}

impl Relay {
    /// How the other place passes the tap on Type 12: a controller copies to its outputs, which go out as telegrams to devices do,
    /// and from its inputs.
    pub const fn pass(&self) -> Direction {
        match self.order {
            RelayOrder::To => Direction::ToDevice,
            RelayOrder::From => Direction::ToHost,
        }
    }
}

/// The addressed data of a carrier that a telegram stands in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Carrier {
    /// IEC 61158 Type 12, logical addressing: the telegram starts at `address + offset` of the logical process image.
    Type12Logical {
        /// Logical address.
        address: u32,
        /// Working counter of a datagram that everybody answered; below it, inputs are not new.
        working_counter: Option<u16>,
    },
    /// IEC 61158 Type 12, memory of one station (FPRD, FPWR, FPRW).
    Type12Memory {
        /// Configured station address.
        station: u16,
        /// Physical memory offset.
        memory: u16,
    },
    /// IEC 61158 Type 10 RT cyclic frame.
    Type10 {
        /// FrameID.
        frame_id: u16,
        /// Source address of the frames, if several senders use the FrameID.
        source: Option<[u8; 6]>,
    },
    /// IEC 61158 Type 13, process data of a poll.
    Type13 {
        /// Request or response.
        poll: Poll,
        /// Number of the node that is polled.
        node: u8,
    },
    /// UDP over IPv4 or IPv6.
    Udp {
        /// Destination port.
        destination_port: u16,
        /// Source port, if it matters.
        source_port: Option<u16>,
        /// Destination address, if it matters.
        destination: Option<IpAddr>,
        /// Source address, if it matters.
        source: Option<IpAddr>,
    },
    /// A packet of an IEC 61158 Type 2 connection (class 0 or 1).
    Type2 {
        /// Connection ID in the address item.
        connection_id: u32,
        /// Whether a sequence count of two octets stands before the data (class 1).
        sequence_count: bool,
        /// Destination address, if it matters.
        destination: Option<IpAddr>,
        /// Source address, if it matters.
        source: Option<IpAddr>,
    },
    /// The payload of an Ethernet frame whose EtherType belongs to no carrier above.
    Ethernet {
        /// EtherType behind the VLAN tags.
        ether_type: u16,
        /// Destination address of the frames, if it matters.
        destination: Option<[u8; 6]>,
        /// Source address of the frames, if it matters.
        source: Option<[u8; 6]>,
    },
}

/// The two frames of IEC 61158 Type 13 that carry process data.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Poll {
    /// PReq, from the managing node to the node polled.
    Request,
    /// PRes, from the node polled to all.
    Response,
}

/// An axis that can hurt somebody.
#[derive(Clone, Debug)]
pub struct Axis {
    /// Name in the file.
    pub id: String,
    /// Words for people.
    pub title: Option<String>,
    /// Linear (millimetres) or rotary (degrees).
    pub kind: AxisKind,
    /// Whether gravity pulls on the axis (vertical linear axis).
    pub gravity: bool,
    /// Highest speed that the axis can physically reach.
    pub max_speed: Speed,
    /// Worst acceleration while nobody is in control.
    pub fault_acceleration: Acceleration,
    /// Holding or service brake.
    pub brake: Option<Brake>,
    /// Deceleration by friction alone once torque is off.
    pub coast_deceleration: Option<Acceleration>,
    /// The stops that functions may use; STO and SBC need no entry.
    pub stops: Vec<Stop>,
    /// Stops that were measured with an instrument.
    pub series: Vec<Series>,
    /// Limits that the drive monitors.
    pub monitors: Vec<Monitor>,
    /// Distance from a rotary axis at which travel counts as an arc.
    pub radius: Option<Travel>,
    /// When it counts as standing still in a capture.
    pub standstill: Option<Standstill>,
    /// Where the figures come from.
    pub source: Option<String>,
}

/// How an axis moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AxisKind {
    /// Travel in millimetres.
    Linear,
    /// Travel in degrees.
    Rotary,
}

/// A brake.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Brake {
    /// Time from torque off to full braking force.
    pub engage: Span,
    /// What it does then.
    pub strength: BrakeStrength,
}

/// How strong a brake is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BrakeStrength {
    /// Braking force divided by the weight of the moving mass, in millionths.
    ForceRatio(i64),
    /// Deceleration by the brake, gravity already taken off.
    Deceleration(Acceleration),
}

/// Name of a stopping function of IEC 61800-5-2.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum StopKind {
    /// Safe torque off.
    Sto,
    /// Safe stop 1, time controlled.
    Ss1T,
    /// Safe stop 1, ramp monitored.
    Ss1R,
    /// Safe stop 2, time controlled.
    Ss2T,
    /// Safe stop 2, ramp monitored.
    Ss2R,
    /// Safe brake control: the brake is commanded and torque goes off with it, so that friction alone is no substitute.
    Sbc,
}

impl StopKind {
    /// All of them, in the order of the standard.
    pub const ALL: [Self; 6] = [Self::Sto, Self::Ss1T, Self::Ss1R, Self::Ss2T, Self::Ss2R, Self::Sbc];

    /// The name used in files and reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Sto => "STO",
            Self::Ss1T => "SS1-t",
            Self::Ss1R => "SS1-r",
            Self::Ss2T => "SS2-t",
            Self::Ss2R => "SS2-r",
            Self::Sbc => "SBC",
        }
    }

    /// Stop category of IEC 60204-1, 9.2.2: 0 power is removed at once, 1 after a controlled stop, 2 it stays.
    pub const fn category(self) -> u8 {
        match self {
            Self::Sto | Self::Sbc => 0,
            Self::Ss1T | Self::Ss1R => 1,
            Self::Ss2T | Self::Ss2R => 2,
        }
    }
}

/// A stop as it is set in the drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stop {
    /// Which stopping function.
    pub kind: StopKind,
    /// SS1-t and SS2-t: time to STO or SOS. SS1-r and SS2-r: time until the ramp is monitored. Zero for STO.
    pub delay: Span,
    /// Monitored deceleration; `Some` for the -r forms.
    pub deceleration: Option<Acceleration>,
    /// Jerk limit of the ramp; linear ramp without.
    pub jerk: Option<Jerk>,
    /// SOS: travel that the standstill supervision tolerates. Zero where there is no SOS.
    pub window: Travel,
    /// How a violated ramp is noticed, if that case is to be computed: STO follows.
    pub violated: Option<Detection>,
    /// Whether the file says enough to compute it; if not, there is a series.
    pub computable: bool,
}

impl Stop {
    /// A stop without settings.
    pub const fn unset(kind: StopKind, computable: bool) -> Self {
        let window = Travel::from_nano(0);
        Self { kind, delay: Span::ZERO, deceleration: None, jerk: None, window, violated: None, computable }
    }
}

/// A bit of the safe data with a meaning.
#[derive(Clone, Debug)]
pub struct Signal {
    /// Name in the file.
    pub id: String,
    /// Words for people.
    pub title: Option<String>,
    /// Index of the connection.
    pub connection: usize,
    /// Which telegrams carry it.
    pub direction: Direction,
    /// Bit in the safe data: octet times 8 plus bit, bit 0 the lowest.
    pub bit: usize,
    /// Level that means 'active'.
    pub active_high: bool,
}

/// A safety function: what must happen, over which path, how fast.
#[derive(Clone, Debug)]
pub struct Function {
    /// Name in the file.
    pub id: String,
    /// Words for people.
    pub title: Option<String>,
    /// Signal whose activation is the demand, seen on the wire.
    pub demand: Option<usize>,
    /// Signal whose activation is the reaction, seen on the wire.
    pub reaction: Option<usize>,
    /// What its reactions in a capture are held against.
    pub reaction_rules: ReactionRules,
    /// From sensor to actuator. A step may come again: a path up to another controller and back.
    pub path: Vec<Step>,
    /// The violated limit that is the demand; `None` if the demand comes along the path.
    pub violation: Option<Violation>,
    /// For each step of the path the direction of the transfer, where the file names one (`"line.to_host"`).
    pub directions: Vec<Option<Direction>>,
    /// The axis that stops, and how; `None` if the function ends at its safe output.
    pub stop: Option<FunctionStop>,
    /// What else must hold, in words that travel into the report: no movement before reset, hold-to-run.
    pub conditions: Vec<String>,
    /// Which faults the deciding response time assumes.
    pub faults: Faults,
    /// The limits; at least one is set.
    pub required: Required,
    /// Where the limits come from.
    pub source: Option<String>,
}

/// One step of a path.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Step {
    /// Index of an element.
    Element(usize),
    /// Index of a connection.
    Connection(usize),
}

/// How a function stops an axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FunctionStop {
    /// Index of the axis.
    pub axis: usize,
    /// The stop; for STO all zeros.
    pub stop: Stop,
    /// Highest speed at the demand: a monitored speed limit (SLS), or the axis's maximum.
    pub speed: Speed,
    /// Whether a vertical axis moves up at the demand; down is worse.
    pub upward: bool,
}

/// Which faults a response time assumes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Faults {
    /// None: every element within its worst case.
    None,
    /// One element, connection or shared medium fails, its watchdog decides.
    One,
    /// A second fault while the first one is in handling.
    Staged,
    /// Every supervised span runs to its watchdog.
    All,
}

impl Faults {
    /// The name used in files: `none`, `one`, `staged` or `all`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::One => "one",
            Self::Staged => "staged",
            Self::All => "all",
        }
    }
}

/// The limits of a function. All that are set must hold.
#[derive(Clone, Debug, Default)]
pub struct Required {
    /// Limit of the safety function response time: demand to safe output.
    pub response_time: Option<Span>,
    /// Limit of the overall response time: demand to the end of the stop.
    pub time: Option<Span>,
    /// Limit of the travel from the demand to the end of the stop.
    pub travel: Option<Travel>,
    /// The same of a rotary axis as an arc at its radius.
    pub arc: Option<Travel>,
    /// Limit of the speed on the way.
    pub speed: Option<Speed>,
    /// Separation distance as built.
    pub separation: Option<Separation>,
}

//! From a payload on the wire to addressed data in which telegrams may stand.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::net::IpAddr;

use crate::carrier::type12::{self, Command};
use crate::carrier::type13::MessageType;
use crate::carrier::{Headers, Mac, Pass, Payload, type10};
use crate::machine::Direction;

/// Where data come from: whoever sends to one of these sends one process image.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Address {
    /// IEC 61158 Type 12, logical memory: outputs going out, inputs coming back.
    Type12Logical {
        /// Which of the two.
        direction: Direction,
        /// First logical address of the datagram.
        address: u32,
    },
    /// IEC 61158 Type 12, memory of one station: outputs going out, inputs coming back.
    Type12Memory {
        /// Which of the two.
        direction: Direction,
        /// Configured station address.
        station: u16,
        /// Physical memory offset.
        memory: u16,
    },
    /// IEC 61158 Type 10 RT, cyclic frames.
    Type10 {
        /// FrameID.
        frame_id: u16,
        /// Sender.
        source: Mac,
        /// Receiver.
        destination: Mac,
    },
    /// UDP datagrams.
    Udp {
        /// Sender.
        source: IpAddr,
        /// Its port.
        source_port: u16,
        /// Receiver.
        destination: IpAddr,
        /// Its port.
        destination_port: u16,
    },
    /// IEC 61158 Type 2, connected data in a UDP datagram.
    Type2 {
        /// Connection ID of the address item.
        connection_id: u32,
        /// Sender.
        source: IpAddr,
        /// Receiver.
        destination: IpAddr,
    },
    /// IEC 61158 Type 13.
    Type13 {
        /// What the frame is for.
        message: MessageType,
        /// Node that sends.
        source: u8,
        /// Node that receives.
        destination: u8,
    },
    /// A frame of an EtherType that is not decoded.
    Other {
        /// The EtherType.
        ether_type: u16,
        /// Sender.
        source: Mac,
        /// Receiver.
        destination: Mac,
    },
}

impl Address {
    /// Whose direction the carrier itself tells.
    pub const fn direction(&self) -> Option<Direction> {
        match self {
            Self::Type12Logical { direction, .. } | Self::Type12Memory { direction, .. } => Some(*direction),
            // The managing node sends them, and with them what is for the devices.
            Self::Type13 { message: MessageType::PReq, .. } => Some(Direction::ToDevice),
            _ => None,
        }
    }

    /// Whether the data pass the tap twice.
    pub(super) const fn is_type12(&self) -> bool {
        matches!(self, Self::Type12Logical { .. } | Self::Type12Memory { .. })
    }

    /// The address of the same data on the other pass of a Type 12 frame.
    pub(super) const fn other_pass(self) -> Option<Self> {
        match self {
            Self::Type12Logical { direction, address } => {
                Some(Self::Type12Logical { direction: direction.opposite(), address })
            }
            Self::Type12Memory { direction, station, memory } => {
                Some(Self::Type12Memory { direction: direction.opposite(), station, memory })
            }
            _ => None,
        }
    }

    /// Whether both name each other's sender as their receiver.
    pub(super) fn is_reverse_of(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Type10 { source, destination, .. }, Self::Type10 { source: other, destination: to, .. })
            | (Self::Other { source, destination, .. }, Self::Other { source: other, destination: to, .. }) => {
                (source, destination) == (to, other)
            }
            (Self::Udp { source, destination, .. }, Self::Udp { source: other, destination: to, .. })
            | (Self::Type2 { source, destination, .. }, Self::Type2 { source: other, destination: to, .. }) => {
                (source, destination) == (to, other)
            }
            (Self::Type13 { message: MessageType::PReq, .. }, Self::Type13 { .. })
            | (Self::Type13 { .. }, Self::Type13 { message: MessageType::PReq, .. }) => self.may_be_answered_by(other),
            _ => false,
        }
    }

    /// Whether `other` may be the way back: the same two ends, where both are known.
    pub(super) fn may_be_answered_by(&self, other: &Self) -> bool {
        match (self, other) {
            (
                Self::Type12Logical { direction, .. } | Self::Type12Memory { direction, .. },
                Self::Type12Logical { direction: back, .. } | Self::Type12Memory { direction: back, .. },
            ) => direction != back,
            // What is behind a group address, or a device that forwards, need not be the sender of the way back.
            (Self::Type10 { source: a, .. }, Self::Type10 { source: b, .. })
            | (Self::Other { source: a, .. }, Self::Other { source: b, .. }) => a != b,
            (
                Self::Udp { source: a, source_port, destination: to_b, .. },
                Self::Udp { source: b, source_port: other_port, destination: to_a, .. },
            ) => (a, source_port) != (b, other_port) && is_for(*to_a, *a) && is_for(*to_b, *b),
            (
                Self::Type2 { connection_id: a, source, destination },
                Self::Type2 { connection_id: b, source: other, destination: to },
            ) => a != b && is_for(*to, *source) && is_for(*destination, *other),
            (
                Self::Type13 { message, source, destination },
                Self::Type13 { message: other_message, source: other, destination: to },
            ) => match (message, other_message) {
                (MessageType::PReq, MessageType::PRes) => destination == other,
                (MessageType::PRes, MessageType::PReq) => source == to,
                // Nodes read each other's responses, which are for all.
                (MessageType::PRes, MessageType::PRes) => source != other,
                (a, b) => a == b && (source, destination) == (to, other),
            },
            _ => false,
        }
    }
}

/// Whether a datagram to `destination` is for `station`; one to a group does not name its receivers.
fn is_for(destination: IpAddr, station: IpAddr) -> bool {
    let is_broadcast = matches!(destination, IpAddr::V4(address) if address.is_broadcast());
    destination == station || destination.is_multicast() || is_broadcast
}

/// Hands the addressed data of a payload to `visit`. A packet that the capture cut gives nothing where only its end tells
/// what is data.
pub(super) fn addressed<'a>(
    headers: &Headers,
    payload: &Payload<'a>,
    is_cut: bool,
    mut visit: impl FnMut(Address, &'a [u8]),
) {
    let Headers { source, destination, .. } = *headers;
    match payload {
        Payload::Type12 { pass, datagram, .. } => {
            if let Some(address) = type12_address(*pass, datagram) {
                visit(address, datagram.data);
            }
        }
        Payload::Type10(frame) => {
            if !is_cut && frame.class().is_cyclic() && !is_withdrawn(frame) {
                visit(Address::Type10 { frame_id: frame.frame_id, source, destination }, frame.data);
            }
        }
        Payload::Type13(frame) => {
            if !is_cut || frame.message_type.is_cyclic() {
                let (message, source, destination) = (frame.message_type, frame.source, frame.destination);
                visit(Address::Type13 { message, source, destination }, frame.payload);
            }
        }
        Payload::Udp(datagram) => {
            let (source, destination) = (datagram.source(), datagram.destination());
            let (source_port, destination_port) = (datagram.source_port, datagram.destination_port);
            visit(Address::Udp { source, source_port, destination, destination_port }, datagram.payload);
        }
        Payload::Type2 { datagram, connected } => {
            let (source, destination) = (datagram.source(), datagram.destination());
            visit(Address::Type2 { connection_id: connected.connection_id, source, destination }, connected.data);
        }
        Payload::Type2Open(_) => {}
        Payload::Other { ether_type, payload } => {
            if !is_cut {
                visit(Address::Other { ether_type: *ether_type, source, destination }, payload);
            }
        }
    }
}

/// Outputs are in what writes and goes out, inputs in what reads and comes back answered.
fn type12_address(pass: Pass, datagram: &type12::Datagram<'_>) -> Option<Address> {
    let direction = match (pass, datagram.command) {
        (Pass::Outgoing, Command::Fpwr | Command::Fprw | Command::Lwr | Command::Lrw) => Direction::ToDevice,
        (Pass::Returning, Command::Fprd | Command::Fprw | Command::Lrd | Command::Lrw) => Direction::ToHost,
        _ => return None,
    };
    if pass == Pass::Returning && datagram.working_counter == 0 {
        return None;
    }
    match datagram.address() {
        type12::Address::Logical(address) => Some(Address::Type12Logical { direction, address }),
        type12::Address::Station { station, offset } => {
            Some(Address::Type12Memory { direction, station, memory: offset })
        }
        _ => None,
    }
}

/// Whether the sender itself says that nobody is to use the data.
fn is_withdrawn(frame: &type10::Frame<'_>) -> bool {
    frame.trailer.is_some_and(|trailer| !trailer.data_status.is_valid() || trailer.data_status.is_to_be_ignored())
}

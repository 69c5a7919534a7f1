//! What SNMT services and SSDO carry in their payload.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::PROFILE;
use crate::bytes::{Malformed, Reader};

/// First octet of the payload of [`Message::ServiceRequest`](super::Message::ServiceRequest), in the order of the
/// codes. Source: one stack. What follows it, and whether responses use codes of their own, is in no source at hand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Service {
    /// 0: go to pre-operational.
    PreOperational,
    /// 2: go to operational.
    Operational,
    /// 4: the configuration manager stops.
    ManagerStop,
    /// 6: the configuration manager is operational.
    ManagerOperational,
    /// 8: the configuration manager guards a node.
    Guard,
    /// 10: an additional safety address.
    AddAddress,
    /// 12: a node is acknowledged.
    Acknowledge,
    /// 14: the UDID of the configuration manager is assigned.
    AssignUdid,
    /// 16: the 40-bit time is started.
    StartExtendedTime,
    /// None of these.
    Unknown(u8),
}

impl Service {
    /// From the octet on the wire.
    pub const fn from_octet(octet: u8) -> Self {
        match octet {
            0 => Self::PreOperational,
            2 => Self::Operational,
            4 => Self::ManagerStop,
            6 => Self::ManagerOperational,
            8 => Self::Guard,
            10 => Self::AddAddress,
            12 => Self::Acknowledge,
            14 => Self::AssignUdid,
            16 => Self::StartExtendedTime,
            other => Self::Unknown(other),
        }
    }

    /// The octet on the wire.
    pub const fn octet(self) -> u8 {
        match self {
            Self::PreOperational => 0,
            Self::Operational => 2,
            Self::ManagerStop => 4,
            Self::ManagerOperational => 6,
            Self::Guard => 8,
            Self::AddAddress => 10,
            Self::Acknowledge => 12,
            Self::AssignUdid => 14,
            Self::StartExtendedTime => 16,
            Self::Unknown(other) => other,
        }
    }
}

/// Command octet of an SSDO. What the codes ask for is in no source at hand; they are kept as numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct SsdoCommand(pub u8);

impl SsdoCommand {
    /// Bit that changes from one segment of a transfer to the next.
    pub const TOGGLE: u8 = 0x10;

    /// The toggle bit.
    pub const fn toggle(self) -> bool {
        self.0 & Self::TOGGLE != 0
    }

    /// Whether the code, apart from the toggle bit, is one of the profile's.
    pub const fn is_known(self) -> bool {
        matches!(self.0 & !Self::TOGGLE, 0x21 | 0x29 | 0x09 | 0x49 | 0x2B | 0x0B | 0x20 | 0x28 | 0x08 | 0x48)
    }
}

/// Payload of an SSDO, slim or not.
///
/// ```text
/// offset  length  name      coding
/// 0       1       command   see SsdoCommand
/// 1       2       index     low octet first
/// 3       1       subindex
/// 4       ..      data
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Ssdo<'a> {
    /// What is asked for.
    pub command: SsdoCommand,
    /// Index of the object.
    pub index: u16,
    /// Subindex of the object.
    pub subindex: u8,
    /// Octets of the object.
    pub data: &'a [u8],
}

impl<'a> Ssdo<'a> {
    /// Reads a payload.
    ///
    /// # Errors
    /// [`Malformed`] if it is shorter than 4 octets.
    pub fn parse(payload: &'a [u8]) -> Result<Self, Malformed> {
        let mut r = Reader::new(PROFILE, payload);
        Ok(Self { command: SsdoCommand(r.u8()?), index: r.u16_le()?, subindex: r.u8()?, data: r.rest() })
    }

    /// Appends the payload.
    pub fn emit(&self, out: &mut Vec<u8>) {
        out.push(self.command.0);
        out.extend(self.index.to_le_bytes());
        out.push(self.subindex);
        out.extend(self.data);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn every_service_is_kept() {
        for octet in 0..=u8::MAX {
            assert_eq!(Service::from_octet(octet).octet(), octet);
            let known = octet <= 16 && octet % 2 == 0;
            assert_eq!(Service::from_octet(octet) != Service::Unknown(octet), known);
        }
    }

    /// The ten codes of the stack, each with and without the toggle bit.
    #[test]
    fn twenty_commands_are_known() {
        assert_eq!((0..=u8::MAX).filter(|code| SsdoCommand(*code).is_known()).count(), 20);
        assert!(SsdoCommand(0x31).is_known() && SsdoCommand(0x31).toggle());
        assert!(SsdoCommand(0x21).is_known() && !SsdoCommand(0x21).toggle());
        assert!(!SsdoCommand(0x22).is_known());
    }

    #[test]
    fn a_payload_too_short_for_an_object_is_malformed() {
        let whole = [0x21, 0x18, 0x10, 0x04];
        assert_eq!(Ssdo::parse(&whole), Ok(Ssdo { command: SsdoCommand(0x21), index: 0x1018, subindex: 4, data: &[] }));
        for length in 0..whole.len() {
            assert_eq!(Ssdo::parse(&whole[..length]).unwrap_err().layer, PROFILE);
        }
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(command: u8, index: u16, subindex: u8, data in prop::collection::vec(any::<u8>(), 0..20)) {
            let ssdo = Ssdo { command: SsdoCommand(command), index, subindex, data: &data };
            let mut out = Vec::new();
            ssdo.emit(&mut out);
            prop_assert_eq!(Ssdo::parse(&out), Ok(ssdo));
        }
    }
}

//! What a telegram is for: the ID.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::Form;

/// What a telegram is for, in the order of the IDs. SNMT: management of the safety network; SPDO: process data; SSDO:
/// access to objects.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Message {
    /// 0x28: SNMT, asks for a UDID.
    UdidRequest,
    /// 0x29: SNMT, tells a UDID.
    UdidResponse,
    /// 0x2A: SNMT, assigns a safety address.
    AssignAddress,
    /// 0x2B: SNMT, the safety address is assigned.
    AddressAssigned,
    /// 0x2C: SNMT, request of a [`Service`](super::Service).
    ServiceRequest,
    /// 0x2D: SNMT, response of a [`Service`](super::Service).
    ServiceResponse,
    /// 0x2F: SNMT, a node resets the guarding by the configuration manager.
    ResetGuarding,
    /// 0x30, 0x31: SPDO, data only.
    Data {
        /// Bit 0: the connection is valid.
        valid: bool,
    },
    /// 0x32, 0x33: SPDO, data and a time request.
    TimeRequest {
        /// Bit 0; that it means the same as in [`Message::Data`] is read from the pairs of IDs.
        valid: bool,
    },
    /// 0x34, 0x35: SPDO, data and a time response.
    TimeResponse {
        /// Bit 0, as in [`Message::TimeRequest`].
        valid: bool,
    },
    /// 0x38: SSDO request.
    SsdoRequest,
    /// 0x39: SSDO response.
    SsdoResponse,
    /// 0x3A: SSDO request in the slim form.
    SlimSsdoRequest,
    /// 0x3B: SSDO response in the slim form.
    SlimSsdoResponse,
    /// None of the IDs known; 6 bits.
    Unknown(u8),
}

impl Message {
    /// From the 6 bits on the wire.
    pub const fn from_id(id: u8) -> Self {
        match id & 0x3F {
            0x28 => Self::UdidRequest,
            0x29 => Self::UdidResponse,
            0x2A => Self::AssignAddress,
            0x2B => Self::AddressAssigned,
            0x2C => Self::ServiceRequest,
            0x2D => Self::ServiceResponse,
            0x2F => Self::ResetGuarding,
            0x30 | 0x31 => Self::Data { valid: id & 1 == 1 },
            0x32 | 0x33 => Self::TimeRequest { valid: id & 1 == 1 },
            0x34 | 0x35 => Self::TimeResponse { valid: id & 1 == 1 },
            0x38 => Self::SsdoRequest,
            0x39 => Self::SsdoResponse,
            0x3A => Self::SlimSsdoRequest,
            0x3B => Self::SlimSsdoResponse,
            other => Self::Unknown(other),
        }
    }

    /// The 6 bits on the wire.
    pub const fn id(self) -> u8 {
        match self {
            Self::UdidRequest => 0x28,
            Self::UdidResponse => 0x29,
            Self::AssignAddress => 0x2A,
            Self::AddressAssigned => 0x2B,
            Self::ServiceRequest => 0x2C,
            Self::ServiceResponse => 0x2D,
            Self::ResetGuarding => 0x2F,
            Self::Data { valid } => 0x30 | valid as u8,
            Self::TimeRequest { valid } => 0x32 | valid as u8,
            Self::TimeResponse { valid } => 0x34 | valid as u8,
            Self::SsdoRequest => 0x38,
            Self::SsdoResponse => 0x39,
            Self::SlimSsdoRequest => 0x3A,
            Self::SlimSsdoResponse => 0x3B,
            Self::Unknown(other) => other & 0x3F,
        }
    }

    /// Whether subframe 2 repeats the payload.
    pub const fn form(self) -> Form {
        match self {
            Self::SlimSsdoRequest | Self::SlimSsdoResponse => Form::Slim,
            _ => Form::Normal,
        }
    }

    /// Whether subframe 2 is XORed with the UDID: in all but the SNMT telegrams, those of unknown meaning included.
    pub const fn is_masked(self) -> bool {
        self.id() & 0x38 != 0x28
    }

    /// Whether it is an SPDO of data only, the one message whose TADR may be 0 and whose time may have 40 bits.
    pub const fn is_data_only(self) -> bool {
        matches!(self, Self::Data { .. })
    }

    /// Whether CT is a time: in SPDO.
    pub const fn has_time(self) -> bool {
        matches!(self, Self::Data { .. } | Self::TimeRequest { .. } | Self::TimeResponse { .. })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_id_is_kept() {
        for id in 0..0x40 {
            let message = Message::from_id(id);
            assert_eq!(message.id(), id);
            assert_eq!(message.form() == Form::Slim, id == 0x3A || id == 0x3B);
            assert_eq!(message.is_masked(), !(0x28..0x30).contains(&id));
            assert_eq!(message.is_data_only(), id == 0x30 || id == 0x31);
            assert_eq!(message.has_time(), (0x30..0x36).contains(&id));
        }
        for id in [0x00, 0x2E, 0x36, 0x37, 0x3C, 0x3F] {
            assert_eq!(Message::from_id(id), Message::Unknown(id));
        }
        assert_eq!(Message::from_id(0x33), Message::TimeRequest { valid: true });
    }
}

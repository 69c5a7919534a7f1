//! What seeds the CRCs: the identity of the sender and, in the extended format, the rollover count.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::Format;
use super::polynomial::{s1, s3, s5};

/// Identity of one end of a connection: the PID of the producer, the CID of a consumer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct Identity {
    /// Vendor ID.
    pub vendor: u16,
    /// Serial number of the device.
    pub device_serial: u32,
    /// Serial number of the connection.
    pub connection_serial: u16,
}

impl Identity {
    /// The identity as it is fed to the CRCs and written in a connection open.
    pub const fn from_octets(octets: [u8; 8]) -> Self {
        let [v0, v1, d0, d1, d2, d3, c0, c1] = octets;
        Self {
            vendor: u16::from_le_bytes([v0, v1]),
            device_serial: u32::from_le_bytes([d0, d1, d2, d3]),
            connection_serial: u16::from_le_bytes([c0, c1]),
        }
    }

    /// Vendor ID, serial number, connection serial number, each low octet first.
    pub const fn octets(self) -> [u8; 8] {
        let [v0, v1] = self.vendor.to_le_bytes();
        let [d0, d1, d2, d3] = self.device_serial.to_le_bytes();
        let [c0, c1] = self.connection_serial.to_le_bytes();
        [v0, v1, d0, d1, d2, d3, c0, c1]
    }

    /// The seeds without a rollover count.
    pub fn seeds(self) -> Seeds {
        let octets = self.octets();
        Seeds { s1: s1(0, &[&octets]), s3: s3(0, &[&octets]), s5: s5(0, &[&octets]) }
    }
}

/// The registers from which the CRCs of a message start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct Seeds {
    /// Start of S1 and S2.
    pub s1: u8,
    /// Start of S3.
    pub s3: u16,
    /// Start of S5, 24 bits.
    pub s5: u32,
}

impl Seeds {
    /// The seeds continued over a rollover count.
    pub fn with_rollover(self, rollover: u16) -> Self {
        self.continued(&rollover.to_le_bytes())
    }

    pub(super) fn continued(self, octets: &[u8]) -> Self {
        Self { s1: s1(self.s1, &[octets]), s3: s3(self.s3, &[octets]), s5: s5(self.s5, &[octets]) }
    }
}

/// What is fed to the CRCs of a data message but not sent with it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Key {
    /// Identity of the producer (PID).
    pub producer: Identity,
    /// How often the time stamp has wrapped since the connection was opened, from the initial count on. Ignored in the
    /// base format.
    pub rollover: u16,
}

impl Key {
    /// The seeds of the data messages of a connection.
    pub fn seeds(self, format: Format) -> Seeds {
        let identity = self.producer.seeds();
        match format {
            Format::Base => identity,
            Format::Extended => identity.with_rollover(self.rollover),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed with a bitwise program of another hand; the same in the encoder of a public package.
    #[test]
    fn seeds_of_a_worked_identity() {
        let octets = [0x01, 0x00, 0x78, 0x56, 0x34, 0x12, 0x42, 0x00];
        let identity = Identity { vendor: 1, device_serial: 0x1234_5678, connection_serial: 0x42 };
        assert_eq!((identity.octets(), Identity::from_octets(octets)), (octets, identity));
        assert_eq!(identity.seeds(), Seeds { s1: 0x8D, s3: 0xAAA9, s5: 0xC5_B3F1 });
        // Both readings agree on a count that needs two octets.
        assert_eq!(identity.seeds().with_rollover(0x1234).s3, 0x6C75);
    }
}
